"""Design piles and clear outline from vector files: GeoPackage and GeoJSON, read with Fiona.

Coordinates are taken as site-grid coordinates, whatever the file says of its CRS; a layer in degrees is
refused. What is wrong is named by the number of the feature, counted from 1 in the order of the layer.
"""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from asbuilt.errors import Problem
from asbuilt.intake.mapping import called, lacking
from asbuilt.intake.tables import STRUCTURE, empty_part, part_of_cells
from asbuilt.intake.values import short
from asbuilt.intake.vector_bytes import Refused, json_of_texts, sound_geopackage

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from asbuilt.columns import TableDefinition
    from asbuilt.intake.sources import Source
    from asbuilt.intake.tables import Part

__all__ = ["read_vector_design", "read_vector_outline"]

OUTLINE = "one polygon that does not cross itself"


@dataclass(frozen=True, kw_only=True)
class _Feature:
    """One feature: its number, its geometry (Shapely, None for none) and its fields."""

    number: int
    geometry: Any
    fields: Mapping[str, Any]


def read_vector_design(
    source: Source, definition: TableDefinition, *, layer: str | None, fields: Mapping[str, str]
) -> Part:
    """Return the design piles of a vector file, with everything that is wrong in it.

    Parameters
    ----------
    source
        The file.
    definition
        The design table.
    layer
        The layer's name; None where there is only one.
    fields
        Our column to the layer's field, where they differ.

    Notes
    -----
    Easting and northing come from the fields of these names; where there are none, from the points.
    """
    try:
        features = _features(source, layer, "points")
    except Refused as refused:
        return empty_part(source.path, definition, problems=[refused.problem(source)])
    names = {column.name: fields.get(column.name, column.name) for column in definition.columns}
    there = dict.fromkeys(name for feature in features for name in feature.fields)
    filled = {name for feature in features for name, value in feature.fields.items() if _text(value)}
    asked_for = {column.name for column in definition.columns if column.needed or column.column_needed}
    # A field that is blank throughout gives as little as none; said once, not for each feature.
    places = {o: theirs for o, theirs in names.items() if theirs in (filled if o in asked_for else there)}
    unknown = [name for name in there if name not in names.values()]
    from_points = [name for name in ("easting", "northing") if names[name] not in there and name not in fields]
    problems: list[Problem] = []
    missing = {o: names[o] for o in names if o in {*asked_for, *fields} - {*places, *from_points}}
    unsound = set(missing)
    problems.extend(_missing_fields(source, missing, there, unknown, filled))
    cells = {ours: _texts([feature.fields.get(theirs) for feature in features]) for ours, theirs in places.items()}
    if from_points:
        points = [_point(source, feature, problems) for feature in features]
        unsound.update({STRUCTURE} if None in points else ())
        for axis, name in enumerate(("easting", "northing")):
            if name in from_points:
                cells[name] = _texts([None if point is None else point[axis] for point in points])
                # A feature without a point has its own line already; a number keeps it from a second one.
                cells[name][[point is None for point in points]] = "0"
    return part_of_cells(
        source,
        definition,
        cells,
        np.array([feature.number for feature in features], dtype=np.int32),
        zone=ZoneInfo("UTC"),
        comma=False,
        problems=problems,
        unsound=unsound,
        unknown=tuple(unknown),
        feature=True,
    )


def _missing_fields(
    source: Source,
    missing: Mapping[str, str],
    there: Collection[str],
    unknown: Collection[str],
    filled: Collection[str],
) -> Iterator[Problem]:
    """Yield one line on the fields that a layer lacks, with those it has."""
    if not missing:
        return
    found = [name if name in filled else f"{name} (blank throughout)" for name in there]
    one = next(iter(missing)) if len(missing) == 1 else ""
    expected = called(missing[one], unknown, what="field") if one else "fields of these names"
    yield Problem(
        file=source.path,
        column=one,
        text=lacking(missing, found, what="field"),
        expected=f"{expected}; where they have other names, [design.fields] of site.toml says which",
    )


def read_vector_outline(source: Source, *, layer: str | None) -> tuple[Any, list[Problem]]:
    """Return the clear outline as a Shapely polygon in site grid, or None with what is wrong with it.

    Parameters
    ----------
    source
        The file.
    layer
        The layer's name; None where there is only one.
    """
    try:
        features = _features(source, layer, "one polygon")
    except Refused as refused:
        return None, [refused.problem(source)]
    problems: list[Problem] = []
    polygons: list[Any] = []
    for feature in features:
        parts = _polygons(feature.geometry)
        if isinstance(parts, str):
            text = f"feature {feature.number}: {parts}"
            problems.append(Problem(file=source.path, line=feature.number, text=text, expected=OUTLINE))
        else:
            polygons.extend(parts)
    if len(polygons) > 1:
        problems.append(Problem(file=source.path, text=f"{len(polygons)} polygons", expected=OUTLINE))
    return (None, problems) if problems else (polygons[0], [])


def _polygons(shape: Any) -> list[Any] | str:
    """Return the polygons of one feature, or what is wrong with it."""
    from shapely import force_2d, is_valid_reason

    if shape is None or shape.is_empty:
        return "no geometry"
    if shape.geom_type not in {"Polygon", "MultiPolygon"}:
        return f"a {shape.geom_type}"
    if not np.isfinite(shape.bounds).all():
        return "a coordinate is not a finite number"
    flat = force_2d(shape)
    if not flat.is_valid:
        return f"crosses or touches itself: {is_valid_reason(flat)}"
    return [flat] if flat.geom_type == "Polygon" else list(flat.geoms)


def _features(source: Source, layer: str | None, holding: str) -> list[_Feature]:
    """Return the features of one layer, at least one; raises :class:`Refused`."""
    fiona = _import_fiona()
    is_json = not source.path.lower().endswith(".gpkg")
    expected = f"{'GeoJSON' if is_json else 'a GeoPackage'} with a layer of {holding}"
    ending = ".geojson" if is_json else ".gpkg"
    if is_json:
        data, options = json_of_texts(source.data, expected), {"driver": "GeoJSON", "DATE_AS_STRING": "YES"}
    else:
        data, layers = sound_geopackage(source.data, expected)
        options = {"driver": "GPKG", "layer": _choose(layers, layer)}
    # CPLE_BaseError is GDAL's own word on what Fiona did not foresee; Fiona does not offer it elsewhere.
    errors = (
        fiona.errors.FionaError,
        fiona._err.CPLE_BaseError,
        OSError,
        ValueError,
        LookupError,
        TypeError,
        RuntimeError,
    )
    try:
        # From the bytes that were hashed; a GeoPackage opened in place could be written to.
        with fiona.Env(), fiona.MemoryFile(data, ext=ending) as memory, memory.open(**options) as records:
            if not is_json and records.crs and records.crs.is_geographic:
                raise Refused("a layer in degrees", "site-grid coordinates in metres")
            features = [_feature(number, record) for number, record in enumerate(records, 1)]
    except errors as error:
        raise Refused("cannot be read", expected) from error
    if not features:
        raise Refused("no features", expected)
    return features


def _import_fiona() -> Any:
    """Import Fiona.

    Its own copy of PROJ fails on the database of another version, to which installers of other programs point
    these variables; without them it uses its own.
    """
    os.environ.pop("PROJ_LIB", None)
    os.environ.pop("PROJ_DATA", None)
    import fiona
    import fiona._err
    import fiona.errors

    # GDAL's messages come back as problems; without a handler Python would print them too.
    logging.getLogger("fiona").addHandler(logging.NullHandler())
    return fiona


def _choose(layers: Sequence[str], wanted: str | None) -> str:
    there = ", ".join(layers)
    if wanted is not None and wanted not in layers:
        raise Refused(f"no layer {short(wanted)}", f"one of {there}" if layers else "a layer")
    if wanted is None and len(layers) != 1:
        raise Refused(f"layers {there}" if layers else "no layer", "one layer, or its name in the site file")
    return layers[0] if wanted is None else wanted


def _feature(number: int, record: Any) -> _Feature:
    from shapely.geometry import shape

    geometry = None if record["geometry"] is None else shape(record["geometry"])
    return _Feature(number=number, geometry=geometry, fields=dict(record["properties"]))


def _point(source: Source, feature: _Feature, problems: list[Problem]) -> tuple[float, float] | None:
    shape = feature.geometry
    if shape is not None and shape.geom_type == "MultiPoint" and len(shape.geoms) == 1:
        shape = shape.geoms[0]
    if shape is not None and shape.geom_type == "Point" and not shape.is_empty:
        return float(shape.x), float(shape.y)
    what = "no geometry" if shape is None or shape.is_empty else f"a {shape.geom_type}"
    text = f"feature {feature.number}: {what}"
    problems.append(Problem(file=source.path, line=feature.number, text=text, expected="a point"))
    return None


def _texts(values: Sequence[Any]) -> Any:
    """Return fields as the cells that a table would hold."""
    cells = np.empty(len(values), dtype=object)
    cells[:] = [_text(value) for value in values]
    return cells


def _text(value: Any) -> str | None:
    return None if value is None else (str(value).strip(" \t") or None)
