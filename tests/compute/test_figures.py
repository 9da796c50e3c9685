"""The figures that a decision is made on: as text and back, compared, worded then and now."""

from __future__ import annotations

import pytest
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of, piles_of

from asbuilt.compute.figures import (
    difference,
    figures_from_text,
    figures_of,
    figures_text,
    figures_words,
    is_worse,
    printed_figures,
)

JOINT = {"verdict": "unresolved", "least_overlap_mm": 61.2, "least_level": -9.5, "sure_level": -5.1234}
JOINT |= {"p_interlock": 0.8123}
DESIGN = to_survey(Site(toml=site_file(), design=straight_wall(2))).design


def results(**joint):
    stated = {"verdict": ["unresolved"], "least_overlap_mm": 61.249, "sure_level": -5.12344, "p_interlock": 0.81234}
    joints = joints_of(DESIGN, [(0, 1)], **{**stated, "least_level": -9.5, **joint})
    return piles_of(DESIGN, verdict=["within", "outside"], offset_mm=[12.34, 40.0]), joints


def test_a_joint_has_its_own_figures_rounded():
    assert figures_of("P1~P2", *results()) == JOINT


def test_a_pile_has_its_own_figures_and_what_is_not_known_is_left_out():
    assert figures_of("P1", *results()) == {"verdict": "within", "offset_mm": 12.3}


def test_a_finding_has_none():
    assert figures_of("drift:P1", *results()) == {}


def test_a_check_that_is_not_asked_for_gives_no_verdict():
    piles = piles_of(DESIGN, offset_mm=[1.0, 2.0])
    assert figures_of("P1", piles, results()[1]) == {"offset_mm": 1.0}


def test_no_figure_is_minus_nought():
    piles = piles_of(DESIGN, worst_towards_pit_mm=[-0.01, 0.0])
    assert figures_text(figures_of("P1", piles, results()[1])) == "worst_towards_pit_mm=0.0"


def test_as_text_and_back():
    text = figures_text(JOINT)
    assert text.startswith("verdict=unresolved; least_overlap_mm=61.2; ")
    assert figures_from_text(text) == JOINT


@pytest.mark.parametrize(
    "text", ["", "seen on site", "verdict=good", "offset_mm=nan", "offset_mm=inf", "x=1", "p_plan="]
)
def test_what_was_written_by_hand_is_left_out(text):
    assert figures_from_text(text) == {}


@pytest.mark.parametrize(
    "now",
    [
        {"verdict": "outside"},
        {"verdict": "not surveyed"},
        {"verdict": None},
        {"least_overlap_mm": 61.1},
        {"least_overlap_mm": None},
        {"sure_level": -5.1},
        {"lost_level": -9.0},
        {"open_level": -9.4},
        {"p_interlock": 0.81},
        {"p_interlock": None},
    ],
    ids=str,
)
def test_worse(now):
    assert is_worse(JOINT, {name: value for name, value in {**JOINT, **now}.items() if value is not None})


@pytest.mark.parametrize(
    "now",
    [
        {},
        {"verdict": "within"},
        {"least_overlap_mm": 61.3},
        {"sure_level": -5.2},
        {"sure_level": None},
        {"least_level": -3.0},
        {"p_interlock": 0.9},
    ],
    ids=str,
)
def test_no_worse(now):
    assert not is_worse(JOINT, {name: value for name, value in {**JOINT, **now}.items() if value is not None})


def test_one_figure_that_is_worse_outweighs_all_that_are_better():
    assert is_worse({"offset_mm": 10.0, "incline_mm_per_m": 5.0}, {"offset_mm": 1.0, "incline_mm_per_m": 5.1})


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("offset_mm", 10.0, 10.1),
        ("incline_mm_per_m", 5.0, 5.01),
        ("worst_towards_pit_mm", -3.0, -2.0),
        ("face_inside_mm", -40.0, -30.0),
        ("toe_level", -12.0, -11.9),
        ("p_plan", 0.99, 0.98),
        ("p_vertical", 0.99, 0.98),
        ("p_encroach", 0.99, 0.98),
    ],
)
def test_which_way_a_figure_of_a_pile_is_worse(name, old, new):
    assert is_worse({name: old}, {name: new})
    assert not is_worse({name: new}, {name: old})


def test_what_differs_is_worded_old_and_new():
    now = {**JOINT, "verdict": "outside", "least_overlap_mm": 12.0, "lost_level": -8.254}
    assert difference(JOINT, now) == (
        "verdict unresolved -> outside, least overlap 61.2 -> 12.0 mm, lost from none -> -8.25"
    )


@pytest.mark.parametrize(
    ("value", "said"),
    [(-207.3, "face 207.3 mm clear of the clear outline"), (12.0, "face 12.0 mm inside the clear outline")],
)
def test_a_face_is_inside_the_clear_outline_or_clear_of_it(value, said):
    assert figures_words({"face_inside_mm": value}) == said


def test_a_face_that_came_inside_is_worded_so():
    assert difference({"face_inside_mm": -7.3}, {"face_inside_mm": 4.0}) == (
        "face 7.3 mm clear of the clear outline -> 4.0 mm inside the clear outline"
    )


def test_figures_of_all_items_are_those_that_people_read():
    found = printed_figures(*results(least_level=-9.504))
    assert found["P1~P2"] == {**JOINT, "sure_level": -5.12}
    assert found["P1"] == {"verdict": "within", "offset_mm": 12.3}
    assert list(found) == ["P1", "P2", "P1~P2"]


def test_what_was_not_known_is_said():
    assert difference({"p_plan": 0.5}, {"toe_level": -12.0}) == (
        "probability of plan 0.5000 -> not known, toe level not known -> -12.00"
    )


def test_two_figures_that_differ_never_read_the_same():
    assert difference({"sure_level": -5.1234}, {"sure_level": -5.1231}) == "not sure from -5.1234 -> -5.1231"


def test_nothing_is_said_of_what_is_the_same():
    assert difference(JOINT, dict(JOINT)) == ""


def test_figures_in_words():
    assert figures_words(JOINT) == (
        "verdict unresolved, least overlap 61.2 mm, least level -9.50, not sure from -5.12, probability 0.8123"
    )
