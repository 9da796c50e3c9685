"""Pickups to governing centres: grouping, adjustment, which group governs, what is said of the others."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall
from steps import record, shot, steps

from asbuilt.columns import OBJECTS

A, B = "pickups/a.csv", "pickups/b.csv"


def wall(*pickups, records=(), e0=0.0, n0=0.0, **changes):
    return Site(
        toml=site_file(**changes),
        design=straight_wall(2, e0=e0, n0=n0),
        pickups=list(pickups),
        records=list(records),
    )


def centres(*pickups, **more):
    return steps(wall(*pickups, **more)).centres


def edges(*bearings_deg, centre=(0.0, 0.0), radius=0.44, **more):
    return [
        shot(
            "P1",
            centre[0] + radius * math.sin(math.radians(b)),
            centre[1] + radius * math.cos(math.radians(b)),
            shot="edge",
            **more,
        )
        for b in bearings_deg
    ]


def kinds(found):
    return [(f.kind, f.item) for f in found.findings]


# ------------------------------------------------------------------------------------------ groups


@pytest.mark.parametrize(
    ("other", "groups"),
    [
        ({}, 1),
        ({"object": "casing"}, 2),
        ({"setup": "S2"}, 2),
        ({"file": B}, 1),
        ({"level": 3.49}, 1),
        ({"level": 3.51}, 2),
        ({"surveyed_at": "2025-03-06T09:00"}, 1),
    ],
    ids=[
        "alike",
        "object",
        "set-up",
        "file of one set-up",
        "level within 0.3 m",
        "level beyond 0.3 m",
        "never by date",
    ],
)
def test_what_makes_a_group(other, groups):
    first = {"object": "head", "setup": "S1", "file": A}
    found = centres(shot("P1", 0, 0, **first), shot("P1", 0.01, 0, **{**first, **other}))
    assert len(found.groups["pile"]) == groups


def test_without_a_set_up_the_file_is_one():
    found = centres(shot("P1", 0, 0, file=A), shot("P2", 0.75, 0, file=A))
    assert found.setup[0] == found.setup[1]


def test_without_a_set_up_two_files_are_two():
    found = centres(shot("P1", 0, 0, file=A), shot("P2", 0.75, 0, file=B))
    assert found.setup[0] != found.setup[1]


def test_groups_are_found_whatever_the_order_of_rows():
    found = centres(shot("P2", 0.75, 0), shot("P1", 0.01, 0), shot("P2", 0.77, 0), shot("P1", 0.03, 0))
    assert found.shots.tolist() == [2, 2]


# ------------------------------------------------------------------------------------------ centre shots


def test_one_centre_shot_is_the_centre():
    assert steps(wall(shot("P1", 0.012, -0.034))).centre("P1") == pytest.approx((0.012, -0.034), abs=1e-12)


def test_several_centre_shots_give_their_weighted_mean():
    rows = [shot("P1", 0.000, 0.008, sigma_mm=2.0), shot("P1", 0.010, -0.002, sigma_mm=4.0)]
    assert steps(wall(*rows)).centre("P1") == pytest.approx((0.002, 0.006), abs=1e-12)


def test_covariance_of_a_weighted_mean():
    found = centres(shot("P1", 0, 0, sigma_mm=2.0), shot("P1", 0, 0, sigma_mm=4.0))
    variance = 1e-6 / (1 / 4 + 1 / 16)
    assert found.cov[0] == pytest.approx([variance, 0.0, variance])


def test_a_shot_without_a_sigma_has_the_sites():
    assert centres(shot("P1", 0, 0), pickup_mm=7).cov[0, 0] == pytest.approx(49e-6)


def test_averaging_does_not_reduce_what_a_set_up_has_in_common():
    assert centres(*[shot("P1", 0, 0)] * 9, setup_mm=3).setup_var == pytest.approx(9e-6)


def test_level_is_the_mean_of_the_groups_shots():
    assert centres(shot("P1", 0, 0, 3.1), shot("P1", 0, 0, 3.1), shot("P1", 0, 0, 3.25)).level[0] == pytest.approx(3.15)


def test_map_size_coordinates_lose_nothing():
    found = steps(wall(shot("P1", 500_000.12345, 6_000_000.67891), e0=500_000.0, n0=6_000_000.5))
    assert found.centre("P1") == pytest.approx((500_000.12345, 6_000_000.67891), abs=1e-9)


# the spread of two shots is d²/(2·5²): 11.8 at 24.29 mm
@pytest.mark.parametrize(("apart", "findings"), [(0.0242, []), (0.0244, [("repeated_pile", "P1")])])
def test_two_centre_shots_that_differ_too_much(apart, findings):
    assert kinds(centres(shot("P1", 0, 0), shot("P1", 0, apart))) == findings


def test_spread_is_measured_by_the_shots_own_sigma():
    pair = [shot("P1", 0, 0, sigma_mm=9.0), shot("P1", 0, 0.03, sigma_mm=9.0)]
    assert kinds(centres(*pair)) == []


def test_of_many_shots_one_that_stands_apart_is_found():
    assert kinds(centres(*[shot("P1", 0, 0)] * 5, shot("P1", 0.03, 0))) == [("repeated_pile", "P1")]


def test_repeated_pile_names_file_and_line_of_the_group():
    (finding,) = centres(shot("P2", 0.75, 0, file=A), shot("P1", 0, 0, file=A), shot("P1", 0.1, 0, file=A)).findings
    assert (finding.file, finding.line) == (A, 3)


# ------------------------------------------------------------------------------------------ edge shots


def test_edge_shots_give_the_centre_of_their_circle():
    found = steps(wall(*edges(10, 130, 250, centre=(0.02, -0.01))))
    assert found.centre("P1") == pytest.approx((0.02, -0.01), abs=1e-9)


def test_edge_shots_are_held_against_half_the_diameter_of_the_recorded_casing():
    found = centres(*edges(10, 130, 250, radius=0.375), records=[record("P1", casing_od_mm=750)])
    assert kinds(found) == []


def test_edge_shots_and_a_centre_shot_are_one_adjustment():
    # along the arc only the centre shot speaks, across it the edge shots have most of the weight
    arc = edges(-20, 0, 20)
    found = steps(wall(*arc, shot("P1", 0.004, 0.004, sigma_mm=5.0), radius_mm=0.01)).centre("P1")
    sines, cosines = (sum(f(math.radians(b)) ** 2 for b in (-20, 0, 20)) for f in (math.sin, math.cos))
    assert found == pytest.approx((0.004 / (1 + sines), 0.004 / (1 + cosines)), abs=2e-5)


# four shots of 5 mm against a radius known to 5 mm: four fifths of the difference are fitted, 25 mm are allowed
@pytest.mark.parametrize(("larger", "findings"), [(0.0310, []), (0.0315, [("edge_radius", "P1")])])
def test_fitted_radius_against_the_diameter_shot(larger, findings):
    assert kinds(centres(*edges(0, 90, 180, 270, radius=0.44 + larger))) == findings


@pytest.mark.parametrize(("arc", "findings"), [(118, [("short_arc", "P1")]), (122, [])])
def test_an_arc_under_120_degrees_leaves_the_radius_unchecked(arc, findings):
    assert kinds(centres(*edges(0, arc / 2, arc))) == findings


def test_an_arc_whose_mirror_image_fits_as_well_gives_no_centre():
    assert np.isnan(centres(*edges(-4, 0, 4)).e[0])


def test_an_arc_whose_mirror_image_fits_as_well_is_a_finding():
    assert kinds(centres(*edges(-4, 0, 4))) == [("short_arc", "P1")]


def test_a_refused_arc_says_why_there_is_no_centre():
    assert centres(*edges(-4, 0, 4)).reason[0] == "edge shots on so short an arc that two centres fit"


DEGENERATE = {
    "one point three times": [(0.44, 0.0)] * 3,
    "the design centre three times": [(0.0, 0.0)] * 3,
    "a straight line through the design centre": [(-0.1, 0.0), (0.0, 0.0), (0.1, 0.0)],
}


@pytest.mark.parametrize("points", DEGENERATE.values(), ids=DEGENERATE.keys())
def test_edge_shots_that_span_no_circle_give_no_centre(points):
    found = centres(*(shot("P1", e, n, shot="edge") for e, n in points), shot("P2", 0.75, 0.0))
    assert np.isnan(found.e).tolist() == [True, False]


def test_two_edge_shots_give_no_centre():
    assert np.isnan(centres(*edges(0, 90)).e[0])


def test_two_edge_shots_are_a_finding():
    assert kinds(centres(*edges(0, 90))) == [("too_few_shots", "P1")]


def test_two_edge_shots_say_why_there_is_no_centre():
    assert centres(*edges(0, 90)).reason[0] == "fewer than three edge shots and no centre shot"


def test_a_pile_that_was_not_shot_gives_no_reason():
    assert centres(shot("P2", 0.75, 0)).reason[0] is None


def test_a_poor_group_gives_no_reason_where_another_governs():
    assert centres(*edges(0, 90), shot("P1", 0, 0, object="casing")).reason[0] is None


@pytest.mark.parametrize(("name", "value"), [("fit_radius", 0.44), ("fit_arc_deg", 240.0), ("fit_rms", 0.0)])
def test_fit_is_reported(name, value):
    assert getattr(centres(*edges(0, 120, 240)), name)[0] == pytest.approx(value, abs=1e-5)


@pytest.mark.parametrize("name", ["fit_radius", "fit_arc_deg", "fit_rms"])
def test_centre_shots_have_no_fit(name):
    assert np.isnan(getattr(centres(shot("P1", 0, 0)), name)[0])


# ------------------------------------------------------------------------------------------ which group governs

OLD, NEW, NEWEST = ("2025-03-01T09:00", "2025-03-03T09:00", "2025-03-08T09:00")


def governing(*rows, **more):
    """Which of several shots of one pile governs: its place."""
    placed = [{**row, "easting": 0.001 * k} for k, row in enumerate(rows)]
    return round(steps(wall(*placed, **more)).centre("P1")[0] * 1000)


def head(at=NEW, **more):
    return shot("P1", 0, 0, object="head", surveyed_at=at, **more)


def test_the_newer_head_supersedes_the_older():
    assert governing(head(NEW, setup="S1"), head(OLD, setup="S2")) == 0


@pytest.mark.parametrize(("casing", "place"), [(OLD, 0), (NEWEST, 1)])
def test_the_newest_of_head_and_casing_governs(casing, place):
    assert governing(head(NEW), shot("P1", 0, 0, object="casing", surveyed_at=casing)) == place


def test_a_trimmed_head_governs_though_older():
    assert governing(head(NEWEST), shot("P1", 0, 0, object="trimmed", surveyed_at=OLD)) == 1


def test_of_two_trimmed_heads_the_newer_governs():
    rows = [shot("P1", 0, 0, object="trimmed", surveyed_at=at, setup=at) for at in (NEW, NEWEST, OLD)]
    assert governing(*rows) == 1


@pytest.mark.parametrize("object_", ["face", "check"])
def test_never_governs(object_):
    assert governing(head(OLD), shot("P1", 0, 0, object=object_, surveyed_at=NEWEST)) == 0


def test_face_shots_alone_give_no_centre():
    assert np.isnan(centres(shot("P1", 0, 0, object="face")).e[0])


def test_a_refused_group_does_not_govern_though_newer():
    found = centres(head(OLD), *edges(-4, 0, 4, object="casing", surveyed_at=NEWEST))
    assert OBJECTS[found.object[0]] == "head"


def test_of_equal_times_the_group_nearest_to_cut_off_governs():
    assert governing(head(level=2.6, setup="S1"), head(level=3.3, setup="S2"), head(level=4.0, setup="S3")) == 1


def test_then_the_group_of_more_shots_governs():
    found = centres(head(setup="S1"), head(setup="S2"), head(setup="S2"))
    assert found.shots[0] == 2


def test_then_the_first_file_governs():
    assert governing(head(file=B), head(file=A), head(file=A, setup="S")) == 0


def test_then_the_first_line_governs():
    assert governing(head(setup="S2", line=7), head(setup="S1", line=4)) == 1


def test_time_of_a_group_is_its_newest_shot():
    rows = [head(OLD, setup="S1"), head(NEWEST, setup="S1"), head(NEW, setup="S2")]
    assert centres(*rows).surveyed_at[0] == np.datetime64(NEWEST, "ms")


def test_the_greatest_attempt_governs_though_older():
    assert governing(head(NEWEST), head(OLD, attempt=2)) == 1


def test_rows_of_a_lower_attempt_never_serve():
    assert np.isnan(centres(head(), records=[record("P1", attempt=2)]).e[0])


# ------------------------------------------------------------------------------------------ what is said of the others


def said(*rows, **more):
    return centres(*rows, **more).superseded_by.tolist()


def test_superseded_by_names_file_and_first_line_of_the_governing_group():
    rows = [head(OLD, file=A), head(NEW, file=B, line=5), head(NEW, file=B, line=9)]
    assert said(*rows) == [f"{B}:5", None, None]


def test_used_is_true_for_the_rows_of_the_governing_group_alone():
    assert centres(head(OLD, setup="S1"), head(NEW, setup="S2"), head(NEW, setup="S2")).used.tolist() == [
        False,
        True,
        True,
    ]


def test_a_check_shot_is_said_to_be_one():
    assert said(shot(None, 1, 1, object="check"), head()) == ["a check shot", None]


def test_a_check_shot_that_names_a_pile_is_said_to_be_one():
    assert said(shot("P1", 1, 1, object="check"), head()) == ["a check shot", None]


def test_a_lower_attempt_is_said_not_to_govern():
    assert said(head(), head(attempt=2)) == ["an attempt that does not govern", None]


def test_too_few_shots_are_said_to_be():
    assert said(*edges(0, 90)) == ["too few shots"] * 2


def test_a_refused_arc_is_said_to_be():
    assert said(*edges(-4, 0, 4)) == ["refused: its mirror image fits as well"] * 3


def test_a_face_shot_alone_is_said_to_be_compared_only():
    assert said(shot("P1", 0, 0, object="face")) == ["a face shot, compared only"]


def test_a_face_shot_is_not_superseded_by_a_head():
    assert said(head(), shot("P1", 0, 0, object="face", level=-2.0)) == [None, "a face shot, compared only"]


def test_without_pickups_no_pile_has_a_centre():
    assert np.isnan(centres().e).all()
