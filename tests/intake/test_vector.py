"""Design and clear outline from GeoPackage and GeoJSON."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys

import pytest

from asbuilt.columns import TABLES

FIELDS = {
    "pile_id": "str",
    "wall": "str",
    "position": "int",
    "kind": "str",
    "diameter_mm": "float",
    "toe_level": "float",
}
NAMES = ("P1", "P2", "P3", "P4")


def point(number):
    return {"type": "Point", "coordinates": [500000.0 + 0.75 * number, 6000000.0]}


def feature(number, *, geometry=None, **changes):
    fields = {
        "pile_id": NAMES[number],
        "wall": "A",
        "position": number + 1,
        "kind": "primary",
        "diameter_mm": 880.0,
        "toe_level": -12.0,
    }
    return {"type": "Feature", "properties": {**fields, **changes}, "geometry": geometry or point(number)}


def geojson(*features, **more):
    return json.dumps({"type": "FeatureCollection", "features": list(features), **more})


GOOD = [feature(number) for number in range(4)]
SQUARE = [
    [499999.0, 6000001.0],
    [500004.0, 6000001.0],
    [500004.0, 6000009.0],
    [499999.0, 6000009.0],
    [499999.0, 6000001.0],
]
BOW = [
    [499999.0, 6000001.0],
    [500004.0, 6000009.0],
    [500004.0, 6000001.0],
    [499999.0, 6000009.0],
    [499999.0, 6000001.0],
]


def outline(*geometries):
    return geojson(*({"type": "Feature", "properties": {}, "geometry": shape} for shape in geometries))


def polygon(*rings):
    return {"type": "Polygon", "coordinates": list(rings)}


def write_gpkg(path, *layers, features=None, crs=None, geometry="Point"):
    import fiona

    for layer in layers:
        schema = {"geometry": geometry, "properties": FIELDS if geometry == "Point" else {}}
        with fiona.open(path, "w", driver="GPKG", layer=layer, schema=schema, crs=crs) as out:
            out.writerecords(features if features is not None else GOOD)


@pytest.fixture
def vector(folder):
    """The folder with its design in a vector file that the test writes: ``vector(name, text, …)``."""

    def make(name, content=None, **design):
        if content is not None:
            folder.write(name, content)
        lines = "".join(f'{key} = "{value}"\n' for key, value in design.items())
        folder.add("site.toml", f'\n[design]\npiles = "{name}"\n{lines}')
        return folder

    return make


def only(lines):
    (line,) = lines
    return line


# ----------------------------------------------------------------------------------------------------- design


def check_same_as_csv(survey):
    assert survey.design["pile_id"].tolist() == list(NAMES)
    assert survey.design["easting"].tolist() == [500000.0, 500000.75, 500001.5, 500002.25]
    assert survey.design["northing"].tolist() == [6000000.0] * 4
    assert survey.design["position"].tolist() == [1, 2, 3, 4]
    assert survey.design["cut_off_level"].tolist() == [3.2] * 4
    assert survey.design["status"].tolist() == [0] * 4
    assert survey.design.line.tolist() == [1, 2, 3, 4]
    assert survey.pickups.pile.tolist() == [0, 1]


def test_geojson(vector):
    survey = vector("design/wall.geojson", geojson(*GOOD)).survey()
    check_same_as_csv(survey)
    design = next(file for file in survey.files if file.table == "design")
    assert (design.path, design.rows) == ("design/wall.geojson", 4)
    assert len(survey.design.columns) == len(TABLES["design"].columns)


def test_geopackage(vector, folder):
    folder.write("design/x", "")
    write_gpkg(folder.path / "design/wall.gpkg", "piles", crs="EPSG:32633")
    before = sorted(entry.name for entry in (folder.path / "design").iterdir())
    content = (folder.path / "design/wall.gpkg").read_bytes()
    check_same_as_csv(vector("design/wall.gpkg").survey())
    assert (folder.path / "design/wall.gpkg").read_bytes() == content
    assert sorted(entry.name for entry in (folder.path / "design").iterdir()) == before


def test_layer_is_chosen_by_name(vector, folder):
    write_gpkg(folder.path / "design/wall.gpkg", "other", "piles")
    vector("design/wall.gpkg", layer="piles")
    check_same_as_csv(folder.survey())
    folder.change("site.toml", 'layer = "piles"', 'layer = "pile"')
    assert folder.problems() == ["design/wall.gpkg: no layer 'pile', expected one of other, piles"]
    folder.change("site.toml", 'layer = "pile"', "")
    assert folder.problems() == [
        "design/wall.gpkg: layers other, piles, expected one layer, or its name in the site file"
    ]


def test_fields_of_other_names(vector):
    features = [json.loads(json.dumps(one).replace('"pile_id"', '"Pile"').replace('"wall"', '"W"')) for one in GOOD]
    folder = vector("design/wall.geojson", geojson(*features)).add(
        "site.toml", '[design.fields]\npile_id = "Pile"\nwall = "W"\n'
    )
    check_same_as_csv(folder.survey())
    assert folder.survey().notes[0].kind == "not_in_ledger"
    folder.change("site.toml", '"Pile"', '"pile"')
    assert folder.problems() == [
        (
            "design/wall.geojson: pile_id: missing field; found 'Pile', 'W', 'position', 'kind', "
            "'diameter_mm', 'toe_level', expected a field called pile, perhaps 'Pile'; where they have other names, "
            "[design.fields] of site.toml says which"
        )
    ]


def test_several_fields_missing_are_one_line(vector):
    features = [json.loads(json.dumps(one).replace('"pile_id"', '"Pile"').replace('"wall"', '"W"')) for one in GOOD]
    folder = vector("design/wall.geojson", geojson(*features)).add("site.toml", '[design.fields]\nwall = "Wand"\n')
    assert folder.problems() == [
        (
            "design/wall.geojson: missing fields pile_id, wall (as 'Wand'); "
            "found 'Pile', 'W', 'position', 'kind', 'diameter_mm', 'toe_level', "
            "expected fields of these names; where they have other names, [design.fields] of site.toml says which"
        )
    ]


@pytest.mark.parametrize("name", ["wall", "position", "diameter_mm"])
def test_a_needed_field_that_is_blank_throughout_is_told_once(vector, name):
    features = [{**one, "properties": {**one["properties"], name: None}} for one in GOOD]
    (line,) = vector("design/wall.geojson", geojson(*features)).problems()
    assert line.startswith(f"design/wall.geojson: {name}: missing field; found ")
    assert f"'{name} (blank throughout)'" in line


def test_a_blank_field_of_eastings_is_not_made_up_for_by_the_points(vector):
    features = [{**one, "properties": {**one["properties"], "easting": None}} for one in GOOD]
    (line,) = vector("design/wall.geojson", geojson(*features)).problems()
    assert line.startswith("design/wall.geojson: easting: missing field; found ")


def test_field_that_is_not_one_of_ours(vector):
    folder = vector("design/wall.geojson", geojson(*GOOD)).add("site.toml", '[design.fields]\npile = "x"\n')
    assert folder.problems() == ["site.toml:25: design.fields.pile: unknown column, expected perhaps pile_id"]


def test_coordinates_in_fields_come_before_points(vector):
    moved = [feature(n, easting=500000.0 + n, northing=6000000.5) for n in range(4)]
    design = vector("design/wall.geojson", geojson(*moved)).survey().design
    assert design["easting"].tolist() == [500000.0, 500001.0, 500002.0, 500003.0]
    assert design["northing"].tolist() == [6000000.5] * 4


def test_unknown_field_is_noted(vector):
    note = vector("design/wall.geojson", geojson(*(feature(n, rig="R1") for n in range(4)))).survey().notes[0]
    assert (note.kind, note.item, note.column) == ("unknown_column", "design/wall.geojson", "rig")


def test_whole_number_serves_as_an_id(vector, folder):
    for name in ("pickups/day1.csv", "tilts/day1.csv", "profiles/log1.csv", "records/day1.csv"):
        folder.remove(name)
    features = [feature(n, pile_id=101 + n) for n in range(4)]
    assert vector("design/wall.geojson", geojson(*features)).survey().design["pile_id"].tolist() == [
        "101",
        "102",
        "103",
        "104",
    ]


LINE = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}
EMPTY = {"type": "Point", "coordinates": []}
TWO = {"type": "MultiPoint", "coordinates": [[0, 0], [1, 1]]}


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        (feature(2, geometry=LINE), ":3: feature 3: a LineString, expected a point"),
        (feature(2, geometry=EMPTY), ":3: feature 3: no geometry, expected a point"),
        (feature(2, geometry=TWO), ":3: feature 3: a MultiPoint, expected a point"),
        (feature(2) | {"geometry": None}, ":3: feature 3: no geometry, expected a point"),
        (feature(2, toe_level="deep"), ":3: toe_level: feature 3: 'deep' is not a number, expected a number"),
        (feature(2, toe_level=None), ":3: toe_level: feature 3: blank, expected a number"),
        (feature(2, position=2.5), ":3: position: feature 3: '2.5' is not a whole number, expected a whole number"),
        (feature(2, diameter_mm=20), ":3: diameter_mm: feature 3: '20' is out of range, expected 50 to 10000 mm"),
        (feature(2, kind="big"), ":3: kind: feature 3: unknown value 'big', expected one of primary, secondary, other"),
        (feature(2, kind=True), ":3: kind: feature 3: unknown value 'True', expected one of primary, secondary, other"),
        (
            feature(2, pile_id="P 3"),
            ":3: pile_id: feature 3: 'P 3' is not a pile id, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'",
        ),
        (
            feature(2, pile_id="P2"),
            ":3: pile_id: feature 3: 'P2' is there already, at feature 2, expected an id of its own",
        ),
    ],
)
def test_wrong_feature_is_named_by_its_number(vector, wrong, expected):
    folder = vector("design/wall.geojson", geojson(GOOD[0], GOOD[1], wrong, GOOD[3]))
    assert folder.problems() == [f"design/wall.geojson{expected}"]


def test_point_of_one_in_a_multipoint(vector):
    one = {"type": "MultiPoint", "coordinates": [[500001.5, 6000000.0]]}
    check_same_as_csv(vector("design/wall.geojson", geojson(*GOOD[:2], feature(2, geometry=one), GOOD[3])).survey())


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("", "not JSON, at line 1: expecting value, expected GeoJSON with a layer of points"),
        (
            '{"type":\n"Feature',
            "not JSON, at line 2: unterminated string starting at, expected GeoJSON with a layer of points",
        ),
        (b"\xff\xfe\x00", "not UTF-8 text, expected GeoJSON with a layer of points"),
        ("[1, 2]", "no features, expected GeoJSON with a layer of points"),
        ("[" * 100000, "not JSON: nested too deeply, expected GeoJSON with a layer of points"),
        (geojson(), "no features, expected GeoJSON with a layer of points"),
        (
            geojson(*GOOD, crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}),
            "coordinates in degrees, expected site-grid coordinates in metres",
        ),
    ],
)
def test_broken_geojson(vector, content, expected):
    assert vector("design/wall.geojson", content).problems() == [f"design/wall.geojson: {expected}"]


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\x00 and no more", b"GIF89a", "cut"])
def test_broken_geopackage(vector, folder, content, capfd):
    path = folder.path / "design/wall.gpkg"
    if content == "cut":
        write_gpkg(path, "piles")
        content = path.read_bytes()[:30000]
    vector("design/wall.gpkg", content)
    capfd.readouterr()
    assert folder.problems() == ["design/wall.gpkg: cannot be read, expected a GeoPackage with a layer of points"]
    assert capfd.readouterr() == ("", "")


def test_layer_in_degrees(vector, folder):
    write_gpkg(folder.path / "design/wall.gpkg", "piles", crs="EPSG:4326")
    assert only(vector("design/wall.gpkg").problems()) == (
        "design/wall.gpkg: a layer in degrees, expected site-grid coordinates in metres"
    )


def test_geopackage_that_another_program_has_open(vector, folder):
    path = folder.path / "design/wall.gpkg"
    write_gpkg(path, "piles")
    held = sqlite3.connect(path)
    held.execute("PRAGMA journal_mode=WAL")
    held.execute("CREATE TABLE more (a)")
    held.commit()
    try:
        assert only(vector("design/wall.gpkg").problems()) == (
            "design/wall.gpkg: another program has it open, and part of it is in a file of its own, "
            "expected a file that is closed"
        )
    finally:
        held.close()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("design/wall.shp", "unknown kind of file, expected one of .csv, .txt, .gpkg, .geojson, .json"),
        ("../wall.csv", None),
        ("/wall.csv", None),
    ],
)
def test_design_file_that_cannot_be_used(vector, name, expected):
    end = f": {expected}" if expected else " cannot be used, expected a path in the survey folder"
    assert vector(name).problems() == [f"site.toml:23: design.piles: '{name}'{end}"]


def test_design_file_missing(vector):
    assert vector("design/wall.gpkg").problems() == ["design/wall.gpkg: missing, expected a file"]


# ---------------------------------------------------------------------------------------------- clear outline


def test_outline(folder):
    assert folder.survey().clear_outline is None
    folder.write("design/clear_outline.geojson", outline(polygon(SQUARE)))
    shape = folder.survey().clear_outline
    assert shape.geom_type == "Polygon"
    assert shape.area == 40.0
    assert [file.table for file in folder.survey().files if "outline" in file.path] == ["clear_outline"]


def test_outline_elsewhere_and_in_a_multipolygon(folder):
    folder.write("design/o.json", outline({"type": "MultiPolygon", "coordinates": [[SQUARE]]}))
    folder.add("site.toml", '[design]\nclear_outline = "design/o.json"\n')
    assert folder.survey().clear_outline.area == 40.0


def test_outline_with_heights_and_from_a_geopackage(folder):
    flat = {"type": "Feature", "properties": {}, "geometry": polygon(SQUARE)}
    write_gpkg(folder.path / "design/o.gpkg", "works", "other", features=[flat], geometry="Polygon")
    folder.add("site.toml", '[design]\nclear_outline = "design/o.gpkg"\nclear_outline_layer = "works"\n')
    assert folder.survey().clear_outline.area == 40.0
    folder.change("site.toml", '"works"', '"walls"')
    assert folder.problems() == ["design/o.gpkg: no layer 'walls', expected one of works, other"]
    folder.change("site.toml", "design/o.gpkg", "design/z.geojson")
    high = outline(polygon([[*corner, 4.0] for corner in SQUARE]))
    assert not folder.write("design/z.geojson", high).survey().clear_outline.has_z


def test_a_bare_geometry_is_an_outline(folder):
    folder.write("design/clear_outline.geojson", json.dumps(polygon(SQUARE)))
    assert folder.survey().clear_outline.area == 40.0


ONE = "expected one polygon that does not cross itself"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (outline(polygon(SQUARE), polygon(SQUARE)), [f": 2 polygons, {ONE}"]),
        (outline({"type": "MultiPolygon", "coordinates": [[SQUARE], [BOW]]}), None),
        (outline(point(0)), [f":1: feature 1: a Point, {ONE}"]),
        (outline(polygon(SQUARE), None), [f":2: feature 2: no geometry, {ONE}"]),
        (outline(polygon(BOW)), None),
        ("{}", [": no features, expected GeoJSON with a layer of one polygon"]),
        (
            outline(polygon([[10.0, 50.0], [11.0, 50.0], [11.0, 51.0], [10.0, 50.0]])),
            [": lies 6020746 m from the design piles, expected site-grid coordinates, as theirs"],
        ),
    ],
)
def test_wrong_outline(folder, content, expected):
    found = folder.write("design/clear_outline.geojson", content).problems()
    if expected is None:
        line = only(found)
        assert line.startswith("design/clear_outline.geojson:1: feature 1: crosses or touches itself: ")
        assert line.endswith(ONE)
    else:
        assert found == [f"design/clear_outline.geojson{line}" for line in expected]


def test_outline_that_is_named_must_be_there(folder):
    folder.add("site.toml", '[design]\nclear_outline = "design/o.geojson"\n')
    assert folder.problems() == ["design/o.geojson: missing, expected a file"]


# ------------------------------------------------------------------------------------------ Fiona and its PROJ


def run(folder, code, **environment):
    command = (
        f"from asbuilt.intake.survey import read_survey; import os, sys; s = read_survey({str(folder.path)!r}); {code}"
    )
    done = subprocess.run(
        [sys.executable, "-c", command], capture_output=True, text=True, env={**os.environ, **environment}
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_fiona_is_imported_only_for_vector_files(vector, folder):
    code = "print('fiona' in sys.modules)"
    assert run(folder, code) == "False"
    vector("design/wall.geojson", geojson(*GOOD))
    assert run(folder, code) == "True"


def test_proj_of_another_program_in_the_environment(vector, folder, tmp_path):
    write_gpkg(folder.path / "design/wall.gpkg", "piles", crs="EPSG:32633")
    vector("design/wall.gpkg")
    (tmp_path / "proj").mkdir()
    (tmp_path / "proj" / "proj.db").write_bytes(b"of another version")
    code = "print(len(s.design), 'PROJ_LIB' in os.environ, 'PROJ_DATA' in os.environ)"
    places = {"PROJ_LIB": str(tmp_path / "proj"), "PROJ_DATA": str(tmp_path / "proj")}
    assert run(folder, code, **places) == "4 False False"
