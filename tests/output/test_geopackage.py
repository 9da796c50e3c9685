"""The GeoPackage: every value arrives, it explains itself, it is valid, and the same layers give the same bytes."""

from __future__ import annotations

import hashlib
import math
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely
from pyproj import CRS, Transformer
from synthetic_layers import STRANGE, synthetic_layer, synthetic_layers

from asbuilt.columns import LAYERS, VERDICT_LOOKS, VERDICTS
from asbuilt.compute.grid import derived_crs, engineering_crs_wkt, map_crs, similarity
from asbuilt.errors import TargetError
from asbuilt.output._styles import EXAGGERATION, style_qml
from asbuilt.output.geopackage import write_geopackage

if TYPE_CHECKING:
    from asbuilt.model import Layer

ROOT = Path(__file__).resolve().parents[2]
AS_OF = np.datetime64("2025-05-16T21:59:59", "s")
SITE = 'The "Old" Yard'
ROWS = 40
TYPES = {
    "text": "TEXT",
    "id": "TEXT",
    "choice": "TEXT",
    "float": "REAL",
    "integer": "INTEGER",
    "boolean": "BOOLEAN",
    "time": "DATETIME",
}
VALIDATED = pytest.mark.skipif(find_spec("osgeo_utils") is None, reason="needs gdal-utils (without its dependencies)")
WRITES_ONE = """
import sys
sys.path.insert(0, "tests")
from pathlib import Path
import numpy as np
from synthetic_layers import synthetic_layers
from asbuilt.compute.grid import engineering_crs_wkt
from asbuilt.errors import TargetError
from asbuilt.output.geopackage import write_geopackage
layers = synthetic_layers(int(sys.argv[2]))
if len(sys.argv) > 3:
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
try:
    write_geopackage(Path(sys.argv[1]), layers, crs_wkt=engineering_crs_wkt("Yard"),
                     as_of=np.datetime64("2025-05-16"), title="t", description="d")
except TargetError as error:
    print(error)
"""


def write(path: Path, layers: list[Layer], as_of: np.datetime64 = AS_OF) -> Path:
    write_geopackage(
        path, layers, crs_wkt=engineering_crs_wkt(SITE), as_of=as_of, title="Wall of <A> & B", description="Invented."
    )
    return path


def python(*arguments: object, **environment: str) -> str:
    return subprocess.run(
        [sys.executable, *map(str, arguments)],
        cwd=ROOT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def query(path: Path, sql: str, *values: object) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql, values).fetchall()


@pytest.fixture(scope="module")
def layers():
    return {layer.name: layer for layer in synthetic_layers(ROWS)}


@pytest.fixture(scope="module")
def written(layers, tmp_path_factory):
    # Handed over in another order than that of the dictionary.
    return write(tmp_path_factory.mktemp("gpkg") / "asbuilt.gpkg", list(reversed(layers.values())))


def test_layers_stand_in_the_order_of_the_dictionary(written):
    found = pyogrio.list_layers(written)
    expected = [[name, definition.geometry] for name, definition in LAYERS.items()]
    assert found.tolist() == [*expected, ["layer_styles", None]]


@pytest.mark.parametrize("name", LAYERS)
def test_columns_have_the_types_of_the_dictionary(written, name):
    found = [(column, type_) for _, column, type_, *_ in query(written, f"PRAGMA table_info({name})")]
    geometry = LAYERS[name].geometry
    expected = [("fid", "INTEGER"), *([("geom", geometry.split()[0].upper())] if geometry else [])]
    assert found == expected + [(column.name, TYPES[column.kind]) for column in LAYERS[name].columns]


def expected_cells(layer: Layer) -> dict[str, list[object]]:
    """Return the values as SQLite gives them back, written down without the code under test."""
    cells = {}
    for column in LAYERS[layer.name].columns:
        values = layer.columns[column.name].tolist()
        if column.kind == "choice":
            values = [None if code == -1 else column.choices[code] for code in values]
        elif column.kind == "time":
            values = [None if t is None else t.isoformat(timespec="milliseconds") + "Z" for t in values]
        elif column.kind not in ("text", "id"):
            values = [None if math.isnan(value) else value for value in values]
        cells[column.name] = values
    return cells


@pytest.mark.parametrize("name", LAYERS)
def test_every_value_arrives_and_what_is_missing_is_null(written, layers, name):
    names = [column.name for column in LAYERS[name].columns]
    quoted = '", "'.join(names)
    rows = query(written, f'SELECT "{quoted}" FROM {name} ORDER BY fid')  # noqa: S608 - names of the dictionary
    found = {column: [row[place] for row in rows] for place, column in enumerate(names)}
    assert found == expected_cells(layers[name])


@pytest.mark.parametrize("name", [name for name, definition in LAYERS.items() if definition.geometry])
def test_every_geometry_arrives_and_what_is_missing_is_null(written, layers, name):
    found = shapely.from_wkb(pyogrio.raw.read(written, layer=name, columns=[])[2])
    expected = layers[name].geometry
    assert [shape is None for shape in found] == [shape is None for shape in expected]
    assert shapely.equals_exact(found, expected, tolerance=0.0)[~shapely.is_missing(expected)].all()
    assert (shapely.has_z(found) == shapely.has_z(expected)).all()


def test_the_invented_layers_hold_nulls_and_every_strange_text(layers):
    texts = set(layers["asbuilt_piles"].columns["reasons"]) | set(layers["joints"].columns["reasons"])
    assert texts == {*STRANGE, None}
    assert np.isnan(layers["pickups"].columns["used"]).any()


def test_a_layer_without_rows_has_its_columns(tmp_path):
    path = write(tmp_path / "x.gpkg", [synthetic_layer("joints", 0), synthetic_layer("readings", 0)])
    for name in ("joints", "readings"):
        info = pyogrio.read_info(path, layer=name, force_feature_count=True)
        assert info["features"] == 0
        assert list(info["fields"]) == [column.name for column in LAYERS[name].columns]


def test_booleans_and_whole_numbers_may_come_as_such(tmp_path):
    layer = synthetic_layer("pickups", 2)
    layer = replace(layer, columns={**layer.columns, "used": np.array([True, False]), "line": np.array([2, 3])})
    path = write(tmp_path / "x.gpkg", [layer])
    assert query(path, "SELECT used, line FROM pickups") == [(1, 2), (0, 3)]


def test_the_crs_reads_back(written):
    found = CRS.from_user_input(pyogrio.read_info(written, layer="joints")["crs"])
    assert (found.name, found.type_name) == (f"Site grid of {SITE}", "Engineering CRS")
    assert [(a.direction, a.unit_name) for a in found.axis_info] == [("east", "metre"), ("north", "metre")]


def test_every_layer_with_geometry_has_a_spatial_index(written):
    found = query(written, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")
    assert {name for (name,) in found} == {name for name, definition in LAYERS.items() if definition.geometry}
    indexed = query(written, "SELECT count(*) FROM rtree_asbuilt_piles_geom")
    assert indexed == query(written, "SELECT count(*) FROM asbuilt_piles WHERE geom IS NOT NULL")


def test_layers_are_described(written):
    found = query(written, "SELECT table_name, data_type, description FROM gpkg_contents")[:-1]
    assert found == [
        (name, "features" if definition.geometry else "attributes", definition.meaning)
        for name, definition in LAYERS.items()
    ]


def test_columns_are_described_with_units(written):
    found = query(written, "SELECT table_name, column_name, title, description FROM gpkg_data_columns")
    assert [row[:2] for row in found] == [(n, c.name) for n, d in LAYERS.items() for c in d.columns]
    assert ("joints", "least_level", "least_level [m]", "level of the least overlap [m]") in found
    assert (
        "joints",
        "verdict",
        "verdict",
        "the joint's verdict; one of: within, unresolved, not surveyed, outside",
    ) in found


def test_the_file_carries_title_and_as_of_and_no_other_time(written):
    ((text,),) = query(written, "SELECT metadata FROM gpkg_metadata")
    found = {element.tag: element.text for element in ET.fromstring(text)}  # noqa: S314 - written by the code under test
    core = "{http://purl.org/dc/elements/1.1/}"
    assert found == {
        f"{core}title": "Wall of <A> & B",
        f"{core}description": "Invented.",
        f"{core}date": "2025-05-16T21:59:59.000Z",
    }
    moments = query(
        written,
        "SELECT last_change FROM gpkg_contents UNION SELECT timestamp FROM gpkg_metadata_reference "
        "UNION SELECT update_time FROM layer_styles",
    )
    assert moments == [("2025-05-16T21:59:59.000Z",)]


def test_it_is_geopackage_1_3_in_rollback_mode(written):
    assert query(written, "PRAGMA application_id") == [(0x47504B47,)]  # GPKG
    assert query(written, "PRAGMA user_version") == [(10300,)]
    # Bytes 18 and 19 of a SQLite file: 1 is rollback, 2 is write-ahead log.
    assert written.read_bytes()[18:20] == b"\x01\x01"


def test_neither_writing_nor_reading_leaves_a_file_beside_it(tmp_path):
    path = write(tmp_path / "asbuilt.gpkg", [synthetic_layer("joints", 3)])
    assert list(tmp_path.iterdir()) == [path]
    pyogrio.list_layers(path)
    pyogrio.raw.read(path, layer="joints")
    assert list(tmp_path.iterdir()) == [path]


@VALIDATED
@pytest.mark.parametrize("rows", [0, ROWS])
def test_the_validator_finds_nothing(tmp_path, rows):
    path = write(tmp_path / "x.gpkg", synthetic_layers(rows))
    # Fails with a non-zero exit code otherwise.
    assert python("-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", path) == ""


@VALIDATED
def test_the_validator_would_find_something(tmp_path):
    path = write(tmp_path / "x.gpkg", [synthetic_layer("joints", 3)])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE gpkg_contents SET last_change = 'yesterday'")
        connection.commit()
    with pytest.raises(subprocess.CalledProcessError):
        python("-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", path)


def test_same_layers_same_bytes_in_another_process(tmp_path):
    hashes = set()
    for seed in ("1", "2"):
        python("-c", WRITES_ONE, tmp_path / f"{seed}.gpkg", 25, PYTHONHASHSEED=seed, TZ=f"UTC-{seed}")
        hashes.add(hashlib.sha256((tmp_path / f"{seed}.gpkg").read_bytes()).hexdigest())
    assert len(hashes) == 1


def test_another_as_of_other_bytes(tmp_path):
    layers = [synthetic_layer("joints", 3)]
    one = write(tmp_path / "1.gpkg", layers).read_bytes()
    assert write(tmp_path / "2.gpkg", layers, np.datetime64("2025-05-17")).read_bytes() != one


def test_a_file_that_is_there_is_replaced(tmp_path):
    path = write(tmp_path / "x.gpkg", [synthetic_layer("joints", 3)])
    write(path, [synthetic_layer("findings", 2)])
    assert pyogrio.list_layers(path)[:, 0].tolist() == ["findings", "layer_styles"]


def test_gdal_is_left_as_it_was(tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1999-01-01T00:00:00.000Z"})
    try:
        write(tmp_path / "x.gpkg", [synthetic_layer("joints", 3)])
        found = [pyogrio.get_gdal_config_option(o) for o in ("OGR_CURRENT_DATE", "OGR_SQLITE_SYNCHRONOUS")]
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    assert found == ["1999-01-01T00:00:00.000Z", None]


def test_a_folder_that_is_missing_is_told(tmp_path):
    with pytest.raises(TargetError, match=r"x\.gpkg: cannot be written .*name another folder"):
        write(tmp_path / "none" / "x.gpkg", [synthetic_layer("joints", 1)])


@pytest.mark.parametrize("limit", [20_000, 200_000, 700_000, 1_200_000])
def test_a_full_disk_is_told_and_leaves_nothing(tmp_path, limit):
    said = python("-c", WRITES_ONE, tmp_path / "x.gpkg", 300, limit)
    assert said.startswith("x.gpkg: cannot be written (")
    assert list(tmp_path.iterdir()) == []


def spoilt(**changes: object) -> Layer:
    return replace(synthetic_layer("openings", 3), **changes)


@pytest.mark.parametrize(
    ("layers", "told"),
    [
        ([spoilt(name="gaps")], "'gaps' is unknown"),
        ([spoilt(), spoilt()], "'openings' is unknown or comes twice"),
        ([spoilt(columns={"joint_id": np.array(["a"], dtype=object)})], r"columns \['level', 'opening_mm'\]"),
        ([spoilt(geometry=None)], "geometry is missing"),
        ([spoilt(geometry=np.array([None], dtype=object))], "not of one length"),
        ([spoilt(geometry=shapely.points([[0.0, 0.0]] * 3))], r"types \[0\], not POLYGON"),
    ],
)
def test_a_layer_that_does_not_fit_its_definition_is_a_defect(tmp_path, layers, told):
    with pytest.raises(ValueError, match=told):
        write(tmp_path / "x.gpkg", layers)


def test_styles_are_stored_as_default_where_the_dictionary_asks(written):
    found = query(written, "SELECT f_table_name, f_geometry_column, styleQML, useAsDefault FROM layer_styles")
    assert found == [(n, "geom", style_qml(d), 1) for n, d in LAYERS.items() if d.styled]


def symbols_by_rule(name: str) -> dict[str, ET.Element]:
    """Return the symbol of each rule's filter."""
    root = ET.fromstring(style_qml(LAYERS[name]).split("\n", 1)[1])  # noqa: S314 - written by the code under test
    symbols = {symbol.get("name"): symbol for symbol in root.findall("renderer-v2/symbols/symbol")}
    return {rule.get("filter"): symbols[rule.get("symbol")] for rule in root.findall("renderer-v2/rules/rule")}


def options(symbol: ET.Element, path: str = "layer") -> dict[str, str]:
    """Return the options of the last symbol layer at ``path``, which must stand twice alike."""
    layer = symbol.findall(path)[-1]
    found = {option.get("name"): option.get("value") for option in layer.findall("Option/Option")}
    assert found == {option.get("k"): option.get("v") for option in layer.findall("prop")}
    return found


def rgb(verdict: str) -> str:
    return ",".join(str(byte) for byte in bytes.fromhex(VERDICT_LOOKS[verdict].colour[1:]))


VERDICT_LAYERS = [n for n, d in LAYERS.items() if d.styled and any(c.name == "verdict" for c in d.columns)]


@pytest.mark.parametrize("name", VERDICT_LAYERS)
def test_there_is_one_rule_for_each_verdict_and_one_for_none(name):
    assert set(symbols_by_rule(name)) == {*(f"\"verdict\" = '{word}'" for word in VERDICTS), "ELSE"}


@pytest.mark.parametrize(
    ("verdict", "style", "width"),
    [
        ("within", "solid", "0.25"),
        ("unresolved", "dash dot", "0.5"),
        ("outside", "solid", "1"),
        ("not surveyed", "dot", "0.5"),
    ],
)
@pytest.mark.parametrize("name", ["design_joints", "joints", "offsets"])
def test_lines_look_as_their_verdict(name, verdict, style, width):
    path = "layer/symbol/layer" if name == "offsets" else "layer"
    found = options(symbols_by_rule(name)[f"\"verdict\" = '{verdict}'"], path)
    assert (found["line_color"], found["line_style"], found["line_width"]) == (f"{rgb(verdict)},255", style, width)


@pytest.mark.parametrize(
    ("verdict", "marker", "opacity"),
    [("within", "circle", 0), ("outside", "square", 255), ("not surveyed", "triangle", 0)],
)
def test_markers_look_as_their_verdict(verdict, marker, opacity):
    found = options(symbols_by_rule("asbuilt_piles")[f"\"verdict\" = '{verdict}'"])
    assert (found["name"], found["color"]) == (marker, f"{rgb(verdict)},{opacity}")
    assert found["outline_color"] == f"{rgb(verdict)},255"


def test_the_marker_of_an_unresolved_pile_is_a_hatched_diamond():
    symbol = symbols_by_rule("asbuilt_piles")["\"verdict\" = 'unresolved'"]
    assert options(symbol)["name"] == "diamond"
    inside = [layer.get("class") for layer in symbol.findall("layer/symbol/layer")]
    assert inside == ["LinePatternFill", "SimpleFill"]


@pytest.mark.parametrize(
    ("verdict", "fill", "edge"),
    [
        ("within", "no", "solid"),
        ("unresolved", "no", "dash dot"),
        ("outside", "solid", "solid"),
        ("not surveyed", "no", "dot"),
    ],
)
def test_outlines_look_as_their_verdict(verdict, fill, edge):
    symbol = symbols_by_rule("pile_outlines")[f"\"verdict\" = '{verdict}'"]
    found = options(symbol)
    assert (found["style"], found["outline_style"], found["outline_color"]) == (fill, edge, f"{rgb(verdict)},255")
    hatched = any(layer.get("class") == "LinePatternFill" for layer in symbol.findall("layer"))
    assert hatched is (verdict == "unresolved")


def test_no_verdict_is_thin_and_grey():
    found = options(symbols_by_rule("joints")["ELSE"])
    red, green, blue, opacity = found["line_color"].split(",")
    assert red == green == blue
    assert (opacity, found["line_style"], found["line_width"]) == ("255", "solid", "0.25")


def test_offsets_are_drawn_as_many_times_as_long_as_their_description_says():
    symbol = symbols_by_rule("offsets")["ELSE"]
    generator = symbol.find("layer")
    assert generator.get("class") == "GeometryGenerator"
    expression = next(o.get("value") for o in generator.iter("Option") if o.get("name") == "geometryModifier")
    assert expression.count(f" + {EXAGGERATION} * (") == 2
    assert f"the stored style draws them {EXAGGERATION} times" in LAYERS["offsets"].meaning


def test_a_gap_carries_no_verdict_of_its_own():
    (rule,) = symbols_by_rule("openings").items()
    assert rule[0] is None
    assert options(rule[1])["color"] not in {f"{rgb(verdict)},255" for verdict in VERDICTS}


# ------------------------------------------------------------------------------------------ a site grid on a map


@pytest.fixture(scope="module")
def on_a_map(layers, tmp_path_factory):
    """The same layers on a site grid that is tied to a map whose axes are northing before easting."""
    base = map_crs("EPSG:2326")
    grid = similarity(origin_e=836_000.0, origin_n=819_000.0, rotation_deg=23.5, scale=1.00035)
    on_map = base.to_wkt("WKT2_2019")
    given = [replace(layer, crs=on_map) if name.endswith("_on_map") else layer for name, layer in layers.items()]
    path = tmp_path_factory.mktemp("map") / "asbuilt.gpkg"
    site = derived_crs(SITE, base, grid).to_wkt("WKT2_2019")
    write_geopackage(path, given, crs_wkt=site, as_of=AS_OF, title="Wall", description="Invented.")
    return path


@pytest.mark.parametrize("name", [name for name, definition in LAYERS.items() if definition.geometry])
def test_a_layer_is_in_the_site_grid_or_on_the_map_itself(on_a_map, name):
    crs = CRS.from_user_input(pyogrio.read_info(on_a_map, layer=name)["crs"])
    expected_name = "Hong Kong 1980 Grid System" if name.endswith("_on_map") else f"Site grid of {SITE}"
    assert crs.name == expected_name


def test_a_place_on_the_map_is_stored_easting_first(on_a_map, layers):
    stored = pyogrio.raw.read(on_a_map, layer="piles_on_map")[2]
    given = layers["piles_on_map"].geometry
    found = shapely.get_coordinates(shapely.from_wkb([shape for shape in stored if shape is not None]))
    assert found.tolist() == shapely.get_coordinates(given[given != None]).tolist()  # noqa: E711


def test_a_reader_of_the_site_grid_finds_the_site_on_the_map(on_a_map):
    site = CRS.from_user_input(pyogrio.read_info(on_a_map, layer="design_piles")["crs"])
    found = Transformer.from_crs(site, "EPSG:2326", always_xy=True).transform(1000.0, 0.0)
    turn = np.radians(23.5)
    wanted = 836_000.0 + 1000.35 * np.cos(turn), 819_000.0 - 1000.35 * np.sin(turn)
    assert found == pytest.approx(wanted, abs=1e-3)


def test_programs_that_know_no_wkt_2_know_the_map_crs(on_a_map):
    known = query(on_a_map, "SELECT srs_id, organization FROM gpkg_spatial_ref_sys WHERE definition LIKE 'PROJCS%'")
    assert known == [(2326, "EPSG")]


@VALIDATED
def test_the_validator_finds_nothing_in_a_file_on_a_map(on_a_map):
    assert python("-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", on_a_map) == ""
