"""The page's data: its columns are the layers', null stands for what is not known, and offsets fit."""

from __future__ import annotations

import json

import numpy as np
import pytest
import review_pages
import wall_folders
from builders import Site, site_file, straight_wall, to_survey

from asbuilt.columns import DECISION_DRAFT, LAYERS, VERDICTS
from asbuilt.intake.survey import read_survey
from asbuilt.output.review.data import FORMAT
from asbuilt.reconcile import reconcile, views_of
from asbuilt.views import Change, Changes, StageChange

TWO_WALLS = '[walls.A]\nclosed = false\npit_side = "left"\n[walls.B]\nclosed = false\npit_side = "left"'
STAGES = '\n[[stages]]\nname = "dig 1"\nlevel = 0.5\njoints_to = -3.0\n'


def made(site):
    return reconcile(to_survey(site))


def surveyed(design):
    """A centre and a reading for each pile: nothing is out of place."""
    pickups = [
        {"pile_id": one["pile_id"], "easting": one["easting"], "northing": one["northing"], "level": 3.3}
        | {"surveyed_at": "2025-03-05T12:00", "shot": "centre", "attempt": 1, "object": "head"}
        for one in design
    ]
    tilts = [
        {"pile_id": one["pile_id"], "read_at": "2025-03-03T10:00", "depth": 14.0, "tilt_a": 0.4, "tilt_b": 0.2}
        | {"unit": "mm/m"}
        for one in design
    ]
    return {"pickups": pickups, "tilts": tilts}


def of(design, toml=None, **tables):
    return made(Site(toml=toml or site_file(), design=design, **tables))


def second_wall():
    first, second = straight_wall(3), straight_wall(3, n0=20.0)
    for one in second:
        one.update(pile_id=one["pile_id"].replace("P", "Q"), wall="B")
    return [*first, *second]


def added():
    """A wall, and a pile behind it that belongs to no place: joined to two of the wall."""
    design = straight_wall(4)
    extra = {"pile_id": "P2X", "wall": "A", "kind": "secondary", "easting": 1.1, "northing": -0.7, "status": "added"}
    return [*design, {**extra, "diameter_mm": 880.0, "toe_level": -12.0}]


CASES = {
    "nothing surveyed": lambda: of(straight_wall(4)),
    "one pile": lambda: of(straight_wall(1), **surveyed(straight_wall(1))),
    "no joints": lambda: of(straight_wall(1)),
    "no stages": lambda: of(straight_wall(3), **surveyed(straight_wall(3))),
    "stages": lambda: of(straight_wall(3), site_file() + STAGES, **surveyed(straight_wall(3))),
    "two walls": lambda: of(second_wall(), site_file(walls=TWO_WALLS), **surveyed(second_wall())),
    "extra joints": lambda: of(
        added(),
        site_file(walls='[walls.A]\nclosed = false\npit_side = "left"\nextra_joints = [["P2", "P2X"], ["P2X", "P3"]]'),
        **surveyed(added()),
    ),
}


@pytest.fixture(scope="module", params=["demo", "ring", *CASES])
def case(request, tmp_path_factory):
    """A result and the data of its page."""
    if request.param == "demo":
        result = reconcile(read_survey(review_pages.DEMO))
    elif request.param == "ring":
        result = reconcile(read_survey(wall_folders.make(tmp_path_factory.mktemp("ring") / "ring", "ring_60")))
    else:
        result = CASES[request.param]()
    return request.param, result, review_pages.data_of(result)


def layer_of(result, name):
    return {"asbuilt_piles": result.layers["asbuilt_piles"], "joints": result.layers["joints"]}[name]


@pytest.mark.parametrize(("part", "name"), [("piles", "asbuilt_piles"), ("joints", "joints")])
def test_figures_are_the_layers(case, part, name):
    _, result, data = case
    layer, found = layer_of(result, name).columns, data[part]["figures"]
    floats = {column.name for column in LAYERS[name].columns if column.kind == "float"}
    assert set(found) == floats
    rows = {identity: place for place, identity in enumerate(data[part]["id"])}
    places = [rows[identity] for identity in layer[LAYERS[name].columns[0].name].tolist()]
    for column, values in found.items():
        ours = np.array([np.nan if values[k] is None else values[k] for k in places], dtype=np.float64)
        np.testing.assert_allclose(ours, np.asarray(layer[column], dtype=np.float64), rtol=0, atol=6e-7, err_msg=column)


def test_there_is_no_nan_in_the_json(case):
    _, _, data = case
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again == data


def test_verdicts_reasons_and_ids_are_the_results(case):
    _, result, data = case
    expected = np.where(result.piles.expected, np.asarray(result.piles["verdict"]), -1).tolist()
    assert data["piles"]["verdict"] == expected
    assert data["joints"]["verdict"] == np.asarray(result.joints["verdict"]).tolist()
    assert data["piles"]["id"] == result.piles["pile_id"].tolist()
    assert data["joints"]["id"] == result.joints["joint_id"].tolist()
    assert data["joints"]["reasons"] == [text or "" for text in result.joints["reasons"].tolist()]


def ragged_parts(data):
    piles, joints = data["piles"], data["joints"]
    sizes = len(piles["id"]), len(joints["id"])
    yield sizes[0], piles["axes"]["start"], [piles["axes"][name] for name in ("top", "z0", "e", "n", "se", "sn")]
    profile = piles["profile"]
    yield sizes[0], profile["start"], [profile[name] for name in ("level", "a_mm", "b_mm", "ua_mm", "ub_mm")]
    readings = ("reading_level", "reading_a_mm_per_m", "reading_b_mm_per_m", "reading_count")
    yield sizes[0], profile["reading_start"], [profile[name] for name in readings]
    sources = piles["sources"]
    yield sizes[0], sources["start"], [sources[name] for name in ("table", "file", "line")]
    yield sizes[1], joints["bands"]["start"], [joints["bands"][name] for name in ("top", "bottom", "state")]
    profile = joints["profile"]
    yield sizes[1], profile["start"], [profile[name] for name in ("level", "overlap_mm", "low_mm", "other_mm", "p")]


def test_offsets_fit_their_arrays(case):
    for count, start, arrays in ragged_parts(case[2]):
        assert len(start) == count + 1
        assert start == sorted(start)
        assert {len(array) for array in arrays} == {start[-1]}


def test_columns_are_as_long_as_their_tables(case):
    for part in (case[2]["piles"], case[2]["joints"]):
        lengths = {name: len(column) for name, column in part.items() if isinstance(column, list)}
        lengths |= {name: len(column) for name, column in part["figures"].items()}
        assert set(lengths.values()) == {len(part["id"])}, lengths


def test_axes_are_those_of_the_results(case):
    """By the page's own formula, at levels between cut-off and toe, whole piles at once."""
    _, result, data = case
    axes, views = data["piles"]["axes"], views_of(result)
    for level in (2.1, -1.7, -5.3, -8.0):
        at = views.at_level(level)
        for pile in range(len(data["piles"]["id"])):
            own = range(axes["start"][pile], axes["start"][pile + 1])
            if not own or np.isnan(at.e[pile]):
                continue
            tops = [np.inf if axes["top"][k] is None else axes["top"][k] for k in own]
            k = own[max(place for place, top in enumerate(tops) if top >= level or place == 0)]
            depth = axes["z0"][k] - level
            centre = (axes["e"][k] + axes["se"][k] * depth, axes["n"][k] + axes["sn"][k] * depth)
            assert centre == pytest.approx((at.e[pile], at.n[pile]), abs=2e-6)


def test_bands_go_from_the_top_of_each_range_to_its_bottom(case):
    joints = case[2]["joints"]
    start = joints["bands"]["start"]
    for joint in range(len(joints["id"])):
        own = slice(start[joint], start[joint + 1])
        top, bottom = joints["bands"]["top"][own], joints["bands"]["bottom"][own]
        assert top[1:] == bottom[:-1]
        if top:
            assert (top[0], bottom[-1]) == (joints["top"][joint], joints["bottom"][joint])


def test_nothing_surveyed_says_null_and_never_0():
    data = review_pages.data_of(CASES["nothing surveyed"]())
    assert data["piles"]["axes"] == {"start": [0] * 5, "top": [], "z0": [], "e": [], "n": [], "se": [], "sn": []}
    measured = {"piles": ("offset_mm", "incline_mm_per_m"), "joints": ("least_overlap_mm", "p_interlock")}
    for part, names in measured.items():
        assert [set(data[part]["figures"][name]) for name in names] == [{None}, {None}]
    assert set(data["joints"]["profile"]["overlap_mm"]) <= {None}
    assert {VERDICTS[code] for code in data["joints"]["verdict"]} == {"not surveyed"}


def test_two_walls_stand_behind_one_another():
    data = review_pages.data_of(CASES["two walls"]())
    (first, second), chainage = data["walls"], data["joints"]["chainage"]
    assert (first["id"], second["id"]) == ("A", "B")
    assert first["end"] < second["start"]
    for wall in (first, second):
        own = [at for at, name in zip(chainage, data["joints"]["wall"], strict=True) if name == wall["id"]]
        assert len(own) == 2
        assert all(wall["start"] < at < wall["end"] for at in own)


def test_extra_joints_stand_behind_their_walls_end():
    data = review_pages.data_of(CASES["extra joints"]())
    (wall,) = data["walls"]
    beside = {
        name for name, at in zip(data["joints"]["id"], data["joints"]["chainage"], strict=True) if at > wall["end"]
    }
    assert beside == {name for name in data["joints"]["id"] if "P2X" in name}
    assert len(beside) == 2


def test_what_the_page_is_told_beside_the_results():
    result = CASES["stages"]()
    since = Changes(
        as_of=np.datetime64("2025-03-01T08:30", "ms"),
        items=(Change(item="P1~P2", was=-1, now=0, text="new"),),
        lapsed=("P1",),
        stages=(StageChange(stage="dig 1", was="", now="no holds", added=(), gone=("P2",)),),
    )
    data = review_pages.data_of(result, since=since, page_of={"P1~P2": 7}, ledger_head="ab")
    assert (data["format"], data["draft_format"], data["ledger_head"]) == (FORMAT, DECISION_DRAFT, "ab")
    assert data["page_of"] == {"P1~P2": 7}
    assert data["since"] == {
        "as_of": "2025-03-01 08:30 UTC",
        "items": [{"item": "P1~P2", "was": -1, "now": 0, "text": "new", "worse": None}],
        "lapsed": ["P1"],
        "stages": [{"stage": "dig 1", "was": "", "now": "no holds", "added": [], "gone": ["P2"]}],
    }
    assert data["as_of"].startswith("2025-03-05T12:00:00")
    assert data["as_of"].endswith("Z")
    assert [one["name"] for one in data["stages"]] == ["dig 1"]


def test_evidence_of_every_item_begins_as_the_results(case):
    _, result, data = case
    items = [*result.piles["pile_id"], *result.joints["joint_id"]]
    assert set(items) <= set(data["evidence"])
    for item in items:
        letters = data["evidence"][item]
        assert len(letters) >= 16
        assert result.evidence(item).startswith(letters)


def test_progress_is_told_pile_by_pile():
    told: list[str] = []
    result = CASES["one pile"]()
    given = review_pages.inputs_of(result)
    review_pages.review_data(result, views_of(result), given, progress=told.append)
    assert told == ["preparing the review page: pile 1 of 1"]
