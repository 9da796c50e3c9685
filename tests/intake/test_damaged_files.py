"""Whatever is done to the files of a good folder, reading it gives a survey or the list of what is wrong."""

from __future__ import annotations

import json
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from folder_maker import FILES, Folder
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asbuilt.columns import TABLES
from asbuilt.errors import InputError
from asbuilt.intake import tables
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.intake.tables import read_table
from asbuilt.model import Survey
from asbuilt.settings import draft_settings

POINTS = [
    {
        "type": "Feature",
        "properties": {
            "pile_id": f"P{number}",
            "wall": "A",
            "position": number,
            "kind": "other",
            "diameter_mm": 880,
            "toe_level": -12.0,
        },
        "geometry": {"type": "Point", "coordinates": [500000.0 + number, 6000000.0]},
    }
    for number in range(1, 5)
]
RING = [[499999.0, 6000001.0], [500004.0, 6000001.0], [500004.0, 6000009.0], [499999.0, 6000001.0]]
WORKS = [{"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [RING]}}]
MAPPINGS = """
[columns.pickups]
point = "PtNo"
[columns.pickups.bare]
order = ["point", "easting", "northing", "level", "code"]
pile_id_from = "^(P[0-9]+)"
date_from_name = "%Y%m%d"
object_from = { CSG = "casing" }
"""
EVERY = {
    **FILES,
    "site.toml": FILES["site.toml"] + MAPPINGS,
    "pickups/20260302.csv": "P1 a;500000,1;6000000,2;3,5;CSG\nP2 b;500000,8;6000000,1;3,5;CSG\n",
    "design/clear_outline.geojson": json.dumps({"type": "FeatureCollection", "features": WORKS}),
    "control/points.csv": "point,easting,northing,map_e,map_n,sigma_mm\nC1,0,0,5,5,3\n",
    "set_out/approved.csv": "pile_id,easting,northing,approved_by,at\nP3,1,2,Engineer 1,2026-03-01\n",
    "decisions.csv": "at,by,item,effect,down_to_level,reason\n2026-03-05,Engineer 1,P1,accept,-3.0,seen\n",
    "ledger.csv": "at,by,action,file,sha256,options,note,previous_sha256\n"
    "2026-03-02T00:00:00.000Z,A,load,pickups/day1.csv,ab,,,\n",
}
VECTOR = json.dumps({"type": "FeatureCollection", "features": POINTS})
TO_VECTOR = '[design]\npiles = "design/wall.geojson"\n'

SCRAPS = [
    *(b",", b";", b"\t", b'"', b"\n", b"\r", b"#", b"\0", b"'", b"{", b"}", b"[", b"]", b"="),
    *(b"nan", b"-inf", b"1e400", b"1e9", b"-0", b"99999999999999999999", b"true", b"null"),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"\xe2\x80\xa8", b"2026-02-30", b"0001-01-01", b"9999-12-31T23:59:59-12:00"),
    *(b"P1", b"A", b"planned", b"added", b"omitted"),
]
scraps = st.one_of(st.binary(max_size=4), st.sampled_from(SCRAPS))
#: Where (a share of the file), how many bytes are cut there, and what is put in.
damage = st.tuples(st.floats(0, 1), st.sampled_from([0, 0, 1, 2, 5, 40]), scraps)
swaps = st.tuples(st.sampled_from(["cell", "row"]), st.integers(0, 30), st.integers(0, 30))


def damaged(content: bytes, cuts, exchanges):
    for kind, one, other in exchanges:
        parts = content.split(b"," if kind == "cell" else b"\n")
        here, there = one % len(parts), other % len(parts)
        parts[here], parts[there] = parts[there], parts[here]
        content = (b"," if kind == "cell" else b"\n").join(parts)
    for share, count, scrap in cuts:
        place = int(share * len(content))
        content = content[:place] + scrap + content[place + count :]
    return content


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("damaged")


def outcome(folder):
    """The survey, or None with problems that say where and what; any other exception is a failure."""
    problems = ()
    try:
        return read_survey(folder.path)
    except InputError as error:
        problems = error.problems
    assert problems
    assert all(problem.file and problem.text and problem.line >= 0 for problem in problems)
    return None


def test_the_folder_is_good_undamaged(place):
    folder = Folder(place)
    for name, content in EVERY.items():
        folder.write(name, content)
    assert isinstance(outcome(folder), Survey)
    folder.add("site.toml", TO_VECTOR).write("design/wall.geojson", VECTOR)
    assert len(outcome(folder).design) == 4


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(sorted(EVERY)),
    cuts=st.lists(damage, min_size=1, max_size=3),
    exchanges=st.lists(swaps, max_size=2),
)
def test_damaged_file(place, name, cuts, exchanges):
    folder = Folder(place)
    for other, content in EVERY.items():
        folder.write(other, content)
    folder.write(name, damaged(EVERY[name].encode(), cuts, exchanges))
    outcome(folder)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(damage, min_size=1, max_size=3), exchanges=st.lists(swaps, max_size=2))
def test_damaged_vector_design(place, cuts, exchanges):
    folder = Folder(place)
    for other, content in EVERY.items():
        folder.write(other, content)
    folder.add("site.toml", TO_VECTOR)
    folder.write("design/wall.geojson", damaged(VECTOR.encode(), cuts, exchanges))
    outcome(folder)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(damage, min_size=1, max_size=3))
def test_damaged_geopackage(place, cuts):
    import fiona

    path = place / "whole.gpkg"
    if not path.exists():
        schema = {
            "geometry": "Point",
            "properties": {name: "int" if name == "position" else "str" for name in POINTS[0]["properties"]},
        }
        with fiona.open(path, "w", driver="GPKG", layer="piles", schema=schema) as out:
            out.writerecords(POINTS)
    folder = Folder(place)
    for other, content in EVERY.items():
        folder.write(other, content)
    folder.add("site.toml", TO_VECTOR.replace("geojson", "gpkg"))
    folder.write("design/wall.gpkg", damaged(path.read_bytes(), cuts, []))
    outcome(folder)


TABLE_OF = {name: name.split("/")[0] for name in EVERY if name.split("/")[0] in TABLES and name.endswith(".csv")}
TABLE_OF |= {"design/piles.csv": "design", "control/points.csv": "control", "set_out/approved.csv": "set_out"}


@settings(max_examples=300, deadline=None)
@given(
    name=st.sampled_from(sorted(TABLE_OF)),
    cuts=st.lists(damage, max_size=2),
    exchanges=st.lists(swaps, max_size=2),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_quick_and_careful_ways_agree_on_any_file(name, cuts, exchanges, separator):
    """The quick way either gives what the careful one gives, or leaves the file to it."""
    content = damaged(EVERY[name].encode(), cuts, exchanges).replace(b",", separator.encode())
    definition = TABLES[TABLE_OF[name]]
    source = Source(path=name, table=definition.name, data=content)
    mappings = draft_settings(EVERY["site.toml"]).columns.get(definition.name, {})
    either = read_table(source, definition, mappings=mappings, zone=ZoneInfo("UTC"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables, "read_quickly", lambda *_args, **_more: None)
        careful = read_table(source, definition, mappings=mappings, zone=ZoneInfo("UTC"))
    assert either.problems == careful.problems
    assert either.lines.tolist() == careful.lines.tolist()
    assert either.names.tolist() == careful.names.tolist()
    assert either.codes.tolist() == careful.codes.tolist()
    for column, values in careful.columns.items():
        assert values.dtype == either.columns[column].dtype
        assert np.array_equal(values, either.columns[column], equal_nan=values.dtype.kind in "fM"), column
