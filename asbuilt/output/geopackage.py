"""Layers to one GeoPackage that opens anywhere and explains itself.

Every layer of the column dictionary with its types and units, descriptions of layers and columns, spatial indexes
and stored styles. GeoPackage 1.3, in SQLite's rollback mode, so that it can be read from a read-only medium. The
same layers give the same bytes, as long as GDAL and SQLite stay the same.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np

from asbuilt.columns import LAYERS
from asbuilt.errors import TargetError
from asbuilt.output._styles import style_qml

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    import numpy.typing as npt

    from asbuilt.columns import Column, LayerDefinition
    from asbuilt.model import Layer

    Values = npt.NDArray[Any]

__all__ = ["write_geopackage"]

#: Name that GDAL gives to the column of geometries.
_GEOMETRY = "geom"

_DUBLIN_CORE = "http://purl.org/dc/elements/1.1/"
#: Of ISO/TS 19139:2007, the XML of ISO 19115.
_ISO_19139 = "http://www.isotc211.org/2005/gmd"

#: Tables of GeoPackage 1.3 (OGC 12-128r17, annexes C and F) that GDAL does not make unasked, and the one in which a
#: GIS looks for stored styles.
_TABLES = (
    """CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
    definition TEXT NOT NULL, scope TEXT NOT NULL,
    CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))""",
    """CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
    description TEXT, mime_type TEXT, constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name))""",
    """CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL,
    value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
    CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))""",
    """CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
    md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL,
    mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '')""",
    """CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT,
    row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
    md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
    CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
    CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id))""",
    """CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
    f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT,
    styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME)""",
)
_EXTENSIONS = tuple(
    (table, extension, f"http://www.geopackage.org/spec121/#extension_{page}", "read-write")
    for extension, page, tables in (
        ("gpkg_schema", "schema", ("gpkg_data_columns", "gpkg_data_column_constraints")),
        ("gpkg_metadata", "metadata", ("gpkg_metadata", "gpkg_metadata_reference")),
    )
    for table in tables
)


def write_geopackage(
    path: Path,
    layers: Iterable[Layer],
    *,
    crs_wkt: str,
    as_of: np.datetime64,
    title: str,
    description: str,
    metadata: str | None = None,
) -> None:
    """Write layers to a new GeoPackage, in the order of the column dictionary.

    Parameters
    ----------
    path
        The file; one that is there is replaced. For a set of outputs, in the folder of
        :func:`asbuilt.output._files.output_set`.
    layers
        Layers by their names in :data:`asbuilt.columns.LAYERS`, each with exactly that entry's columns. None, NaN,
        NaT and the code -1 become null. A layer without rows is written with its columns.
    crs_wkt
        CRS of the geometries, WKT 2; of those layers that do not name their own.
    as_of
        UTC; the only time that the file carries.
    title, description
        Of the file as a whole, in its metadata.
    metadata
        Of the file as a whole, in XML of ISO/TS 19139: kept beside the others, for catalogues.

    Raises
    ------
    TargetError
        When the file cannot be written.
    ValueError
        When a layer is unknown, comes twice, or does not fit its definition.
    """
    import pyogrio.errors

    given = _by_definition(layers)
    moment = str(np.datetime_as_string(as_of.astype("datetime64[ms]"))) + "Z"
    # GDAL's own failures on a disk; a wrong geometry or field is a defect and passes as it is.
    failures = (pyogrio.errors.DataSourceError, pyogrio.errors.FeatureError, sqlite3.OperationalError, OSError)
    try:
        path.unlink(missing_ok=True)
        with _gdal_options(OGR_CURRENT_DATE=moment, OGR_SQLITE_SYNCHRONOUS="OFF"):
            for definition, layer in given:
                _write_layer(path, definition, layer, crs_wkt)
        about = {"title": title, "description": description, "date": moment}
        _write_descriptions(path, [definition for definition, _ in given], about, metadata)
    except failures as error:
        path.unlink(missing_ok=True)
        raise TargetError(
            f"{path.name}: cannot be written ({error}); look for free space, or name another folder"
        ) from error


def _by_definition(layers: Iterable[Layer]) -> list[tuple[LayerDefinition, Layer]]:
    named: dict[str, Layer] = {}
    for layer in layers:
        if layer.name not in LAYERS or layer.name in named:
            raise ValueError(f"layer {layer.name!r} is unknown or comes twice")
        wanted = {column.name for column in LAYERS[layer.name].columns}
        if wanted != set(layer.columns):
            raise ValueError(f"layer {layer.name!r}: columns {sorted(wanted ^ set(layer.columns))} too many or missing")
        if (layer.geometry is None) is not (LAYERS[layer.name].geometry is None):
            raise ValueError(f"layer {layer.name!r}: geometry is missing or too much")
        sizes = {len(values) for values in layer.columns.values()}
        if len(sizes | ({len(layer.geometry)} if layer.geometry is not None else set())) > 1:
            raise ValueError(f"layer {layer.name!r}: columns are not of one length")
        named[layer.name] = layer
    return [(definition, named[name]) for name, definition in LAYERS.items() if name in named]


@contextmanager
def _gdal_options(**options: str) -> Iterator[None]:
    """Set options of GDAL, which are the process's, and set them back.

    Without syncing at each of GDAL's many commits; who puts the file in place brings it to disk once.
    """
    import pyogrio

    former = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(former)


def _write_layer(path: Path, definition: LayerDefinition, layer: Layer, crs_wkt: str) -> None:
    import pyogrio.raw

    data = [_typed(layer.columns[column.name], column) for column in definition.columns]
    fields = [column.name for column in definition.columns]
    more: dict[str, Any] = {
        "layer": layer.name,
        "driver": "GPKG",
        "layer_options": {
            "IDENTIFIER": layer.name.replace("_", " "),
            "DESCRIPTION": definition.meaning,
            "GEOMETRY_NAME": _GEOMETRY,
        },
    }
    if not path.exists():
        more["dataset_options"] = {"VERSION": "1.3"}
    if definition.geometry is not None:
        more |= {"geometry_type": definition.geometry, "crs": layer.crs or crs_wkt, "promote_to_multi": False}
        more |= {"field_mask": [null for _, null in data], "gdal_tz_offsets": _utc(data, fields)}
        pyogrio.raw.write(path, _wkb(layer, definition.geometry), [v for v, _ in data], fields, **more)
        return
    # Times as text into columns of times that are there already: GDAL reads them, in a third of the time.
    pyogrio.raw.write(path, None, [v[:0] for v, _ in data], fields, **more)
    if len(layer):
        texts = [_iso(v) if v.dtype.kind == "M" else v for v, _ in data]
        pyogrio.raw.write(
            path, None, texts, fields, field_mask=[m for _, m in data], layer=layer.name, driver="GPKG", append=True
        )


def _typed(values: Values, column: Column) -> tuple[Values, npt.NDArray[np.bool_] | None]:
    """Return a column as its type in the file, and where it is null when its values cannot tell."""
    if column.kind in ("text", "id"):
        return np.asarray(values, dtype=object), None
    if column.kind == "float":
        return np.asarray(values, dtype=np.float64), None
    if column.kind == "choice":
        # The code -1 takes the last one.
        return np.array([*column.choices, None], dtype=object).take(values), None
    if column.kind == "time":
        return np.asarray(values, dtype="datetime64[ms]"), None
    null = np.isnan(values) if values.dtype.kind == "f" else np.zeros(len(values), dtype=bool)
    target = np.bool_ if column.kind == "boolean" else np.int64
    return np.where(null, 0, values).astype(target), null if null.any() else None


def _utc(data: Iterable[tuple[Values, object]], fields: Iterable[str]) -> dict[str, Values]:
    """Return GDAL's sign for UTC for every time."""
    return {n: np.full(len(v), 100) for (v, _), n in zip(data, fields, strict=True) if v.dtype.kind == "M"}


def _iso(times: Values) -> Values:
    texts = (np.datetime_as_string(times, unit="ms").astype(object)) + "Z"
    texts[np.isnat(times)] = None
    return texts


def _wkb(layer: Layer, geometry_type: str) -> Values:
    """Return the geometries as ISO WKB, null for none."""
    import shapely

    geometry = np.asarray(layer.geometry, dtype=object)
    kind = shapely.GeometryType[geometry_type.removesuffix(" Z").upper()]
    found = shapely.get_type_id(geometry)
    if not np.isin(found, [-1, kind]).all():
        raise ValueError(f"layer {layer.name!r}: geometries of types {sorted(set(found.tolist()))}, not {kind.name}")
    dimension = 3 if geometry_type.endswith("Z") else 2
    wkb: Values = shapely.to_wkb(geometry, output_dimension=dimension, flavor="iso")
    return wkb


def _write_descriptions(
    path: Path, definitions: list[LayerDefinition], about: Mapping[str, str], iso: str | None
) -> None:
    """Describe file and columns, and store the styles. Closed before anyone else opens or hashes the file."""
    styled = [definition for definition in definitions if definition.styled]
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN IMMEDIATE")
        for statement in _TABLES:
            connection.execute(statement)
        connection.executemany("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)", _EXTENSIONS)
        _describe_columns(connection, definitions)
        _describe_file(connection, about)
        if iso is not None:
            _add_metadata(connection, _ISO_19139, iso, about["date"])
        _store_styles(connection, styled, about["date"])
        connection.execute("COMMIT")


def _describe_columns(connection: sqlite3.Connection, definitions: list[LayerDefinition]) -> None:
    connection.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, title, description) VALUES (?, ?, ?, ?)",
        [
            (definition.name, column.name, _title(column), _explained(column))
            for definition in definitions
            for column in definition.columns
        ],
    )


def _describe_file(connection: sqlite3.Connection, about: Mapping[str, str]) -> None:
    """Say what the file is, in Dublin Core's terms.

    Not in GDAL's own form: reading that, GDAL leaves a file of its own beside ours.
    """
    root = ET.Element("metadata", {"xmlns:dc": _DUBLIN_CORE})
    for term, text in about.items():
        ET.SubElement(root, f"dc:{term}").text = text
    _add_metadata(connection, _DUBLIN_CORE, ET.tostring(root, encoding="unicode"), about["date"])


def _add_metadata(connection: sqlite3.Connection, standard: str, text: str, moment: str) -> None:
    """Add what is said of the file as a whole, in XML of the standard with that URI."""
    row = connection.execute(
        "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, mime_type, metadata) "
        "VALUES ('dataset', ?, 'text/xml', ?)",
        [standard, text],
    )
    connection.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, ?, NULL)",
        [moment, row.lastrowid],
    )


def _title(column: Column) -> str:
    return f"{column.name} [{column.unit}]" if column.unit else column.name


def _explained(column: Column) -> str:
    unit = f" [{column.unit}]" if column.unit else ""
    choices = f"; one of: {', '.join(column.choices)}" if column.choices else ""
    return f"{column.meaning}{unit}{choices}"


def _store_styles(connection: sqlite3.Connection, styled: list[LayerDefinition], moment: str) -> None:
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
        "styleQML, useAsDefault, description, owner, update_time) VALUES ('', '', ?, ?, ?, ?, 1, ?, '', ?)",
        [(d.name, _GEOMETRY, d.name, style_qml(d), d.meaning, moment) for d in styled],
    )
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES ('layer_styles', 'attributes', 'layer styles', 'how a GIS draws the layers', ?, 0)",
        [moment],
    )
