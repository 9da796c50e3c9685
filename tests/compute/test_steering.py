"""Steering: what is taken from a survey, and windows with figures worked out by hand."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import builders

from asbuilt.compute.steering import WIDEST, constraints_of, sure_window, window
from asbuilt.compute.steering_input import steer_input
from asbuilt.compute.steering_window import BOUND, LIMIT
from asbuilt.reconcile import reconcile

# three piles of 880 mm, 750 mm apart along the east axis: overlap 130 mm, asked for 50; cut-off +3.2, joint to −9.5


def pickup(pile, e, n, level=3.2, setup="S1", **more):
    return {
        "point": pile,
        "pile_id": pile,
        "easting": e,
        "northing": n,
        "level": level,
        "object": "casing",
        "surveyed_at": "2025-03-03T08:00",
        "setup": setup,
        **more,
    }


def tilt(pile, depth, east, north, at="2025-03-02T10:00"):
    return {
        "pile_id": pile,
        "read_at": at,
        "depth": depth,
        "tilt_a": east,
        "tilt_b": north,
        "unit": "mm/m",
        "bearing_a_deg": 90.0,
        "bearing_b_deg": 0.0,
    }


def wall(*, pickups=(), tilts=(), profiles=(), set_out=(), design=None, **changes):
    site = builders.Site(
        toml=builders.site_file(**changes),
        design=builders.straight_wall(3) if design is None else design,
        pickups=list(pickups),
        tilts=list(tilts),
        profiles=list(profiles),
        set_out=list(set_out),
    )
    return reconcile(builders.to_survey(site))


def absolute(result, point):
    return np.array(point) + np.array(result.survey.origin)


BOTH = (pickup("P1", 0.0, 0.0), pickup("P3", 1.5, 0.0))
PLUMB = (tilt("P1", 12.0, 0, 0), tilt("P3", 12.0, 0, 0))
NO_PIT = {"more_tolerance": "toe_mm = 100"}


def test_the_centre_is_the_governing_pickup_with_its_uncertainty():
    result = wall(pickups=[*BOTH, pickup("P2", 0.76, 0.01, level=3.6, sigma_mm=4.0)], tilts=PLUMB)
    given = steer_input(result, 1)
    assert absolute(result, given.centre).tolist() == pytest.approx([0.76, 0.01])
    assert (given.centre_is, given.level) == ("pickup", 3.6)
    assert given.cov.tolist() == pytest.approx([16e-6, 0, 16e-6])
    assert [(one.joint_id, one.pile_id, one.is_built, one.lean) for one in given.neighbours] == [
        ("P1~P2", "P1", "as-built", "read"),
        ("P2~P3", "P3", "as-built", "read"),
    ]
    # one set-up: what its shots have in common cancels
    assert [one.shared for one in given.neighbours] == [True, True]
    assert given.difference(given.neighbours[0]).tolist() == pytest.approx([41e-6, 0, 41e-6])


def test_without_a_pickup_it_is_where_the_pile_was_set_out_at_the_commencing_surface():
    moved = {"pile_id": "P2", "easting": 0.76, "northing": 0.0, "approved_by": "E. N.", "at": "2025-03-01T08:00"}
    result = wall(pickups=BOTH, tilts=PLUMB, set_out=[moved])
    given = steer_input(result, 1)
    assert absolute(result, given.centre).tolist() == pytest.approx([0.76, 0.0])
    assert absolute(result, given.design).tolist() == pytest.approx([0.75, 0.0])
    assert (given.centre_is, given.level) == ("set out", 4.0)
    assert steer_input(wall(pickups=BOTH), 1).centre_is == "design"
    # another set-up than the neighbour's: each adds what its shots have in common
    assert given.difference(given.neighbours[0]).tolist() == pytest.approx([68e-6, 0, 68e-6])


def test_a_pickup_of_another_attempt_does_not_serve():
    result = wall(pickups=[*BOTH, pickup("P2", 0.9, 0.0)], tilts=PLUMB)
    assert steer_input(result, 1, attempt=1).centre_is == "pickup"
    assert steer_input(result, 1, attempt=2).centre_is == "design"


def test_a_neighbour_not_surveyed_stands_plumb_where_it_was_set_out_and_is_certain():
    moved = {"pile_id": "P3", "easting": 1.52, "northing": 0.0, "approved_by": "E. N.", "at": "2025-03-01T08:00"}
    result = wall(pickups=[pickup("P2", 0.75, 0.0)], set_out=[moved])
    one = steer_input(result, 1).neighbours[1]
    assert (one.is_built, one.lean) == ("design", "design")
    assert absolute(result, [one.axes.anchor_e[0], one.axes.anchor_n[0]]).tolist() == pytest.approx([1.52, 0.0])
    assert one.cov.tolist() == [0, 0, 0]
    # only the pile's own set-up counts
    assert steer_input(result, 1).difference(one).tolist() == pytest.approx([34e-6, 0, 34e-6])


def test_between_two_plumb_neighbours_the_window_is_the_lens_of_their_deepest_discs():
    result = wall(pickups=[*BOTH, pickup("P2", 0.75, 0.0)], tilts=PLUMB, verticality='"1:50"', **NO_PIT)
    win = window(steer_input(result, 1))
    # |0.75 ± s·12.7| <= 0.83 at the bottom: half width 80 mm over 12.7 m; the limit 20 mm/m cuts off the tips
    assert sorted((edge.of, edge.level) for edge in win.edges if edge.of >= 0) == [(0, -9.5), (1, -9.5)]
    assert sum(edge.of == LIMIT for edge in win.edges) == 2
    assert win.margin(np.zeros(2)) == pytest.approx(0.080 / 12.7)
    assert win.nearest(np.array([0.01, 0.0])) == pytest.approx([0.080 / 12.7, 0.0])
    assert win.nearest(np.array([0.0, 0.05])) == pytest.approx([0.0, 0.02])


def test_a_disc_for_a_level_above_the_centre_is_turned_around():
    # shot 10 m down: a lean towards P3 at the toe is one towards P1 at cut-off
    ends = [*BOTH[:1], pickup("P3", 3.0, 0.0), pickup("P2", 0.78, 0.0, level=-6.8)]
    given = steer_input(wall(pickups=ends, tilts=PLUMB, verticality='"1:50"', **NO_PIT), 1)
    constraints = constraints_of(given)
    at = int(np.flatnonzero((constraints.of == 0) & (constraints.level == 3.2))[0])
    # P1 at cut-off, 10 m above: away by 0.78 − 10·s, to be at most 0.83
    assert constraints.centre[at].tolist() == pytest.approx([0.078, 0.0])
    assert constraints.radius[at] == pytest.approx(0.083)
    assert constraints.outside(np.array([[-0.005, 0.0]]))[0, at] == pytest.approx(0.0, abs=1e-12)
    # and 2.7 m below: 0.78 + 2.7·s <= 0.83
    low = int(np.flatnonzero((constraints.of == 0) & (constraints.level == -9.5))[0])
    assert constraints.outside(np.array([[0.05 / 2.7, 0.0]]))[0, low] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("e", "empty"), [(0.79, False), (0.82, False), (0.84, True)])
def test_at_the_level_of_the_centre_every_lean_keeps_the_joint_or_none(e, empty):
    given = steer_input(wall(pickups=[pickup("P1", 0, 0), pickup("P2", e, 0.0)], tilts=PLUMB, **NO_PIT), 1)
    assert constraints_of(given).fixed_excess.max() == pytest.approx(e - 0.83, abs=1e-8)
    assert window(given).empty is empty


def test_without_a_limit_the_window_ends_at_one_in_five():
    given = steer_input(wall(pickups=BOTH, verticality="{ primary = 5.0 }", **NO_PIT), 1)
    assert math.isnan(given.limit)
    constraints = constraints_of(given)
    assert constraints.radius[constraints.of == BOUND].tolist() == [WIDEST]


def test_the_pit_is_kept_off_at_cut_off_and_at_formation():
    tolerance = "encroach_mm = 40\nencroach_growth_mm_per_m = 1"
    result = wall(pickups=[pickup("P2", 0.75, 0.012, level=3.7)], more_tolerance=tolerance)
    constraints = constraints_of(steer_input(result, 1))
    # the pit is north. At cut-off, 0.5 m down: 12 + 500·s <= 40; at formation, 11.7 m: 12 + 11 700·s <= 40 + 11.2
    assert constraints.normal.tolist() == pytest.approx(np.array([[0, 1], [0, 1]]))
    assert constraints.offset.tolist() == pytest.approx([0.028 / 0.5, 0.0392 / 11.7])
    assert constraints.line_level.tolist() == [3.2, -8.0]


def test_a_pile_on_a_corner_is_kept_off_the_pit_in_two_directions():
    design = builders.straight_wall(3)
    design[2] |= {"easting": 0.75, "northing": 0.75}
    given = steer_input(wall(design=design), 1)
    assert sorted(np.round(given.pits, 9).tolist()) == [[-1.0, 0.0], [0.0, 1.0]]
    assert len(constraints_of(given).offset) == 4
    assert len(steer_input(wall(), 1).pits) == 1


def test_the_gap_that_an_omitted_pile_leaves_is_not_steered_by():
    design = builders.straight_wall(4)
    design[2]["status"] = "omitted"
    given = steer_input(wall(design=design), 1)
    assert [(one.joint_id, one.counts) for one in given.neighbours] == [("P1~P2", True), ("P2~P4", False)]
    assert set(constraints_of(given).of.tolist()) == {0, LIMIT}


def test_every_vertex_of_a_stepped_neighbour_asks_for_its_own_disc():
    steps = [tilt("P1", 4.0, 0, 0), tilt("P1", 8.0, -6.0, 0), tilt("P1", 12.0, 6.0, 0)]
    given = steer_input(wall(pickups=[*BOTH, pickup("P2", 0.75, 0)], tilts=steps, axis="stepped", **NO_PIT), 1)
    constraints = constraints_of(given)
    assert constraints.level[constraints.of == 0].tolist() == [0.0, -4.0, -9.5]
    # 6 mm/m away over 4 m: at −4 the neighbour stands 24 mm farther off, 7.2 m below the centre
    at = int(np.flatnonzero((constraints.of == 0) & (constraints.level == -4.0))[0])
    assert constraints.centre[at].tolist() == pytest.approx([-0.774 / 7.2, 0.0])


def sure_half_width(given, z, *, sigma):
    """East of which lean the joint with P1 ceases to be sure at level z: by the greatest length that is."""
    from scipy.optimize import brentq
    from scipy.stats import ncx2

    length = brentq(lambda d: ncx2.cdf((0.83 / sigma) ** 2, 2, (d / sigma) ** 2) - 0.95, 0.3, 0.83)
    return (length - 0.75) / (given.level - z)


def test_the_sure_window_ends_where_the_chance_is_the_confidence():
    result = wall(pickups=[*BOTH, pickup("P2", 0.75, 0.0)], tilts=PLUMB, verticality='"1:50"', **NO_PIT)
    given = steer_input(result, 1)
    # read down to −4: 8 m to the toe at −12 are not; h 12.7 m. P1 read to −8, 4 m are not
    own = 1.0 + 0.25 + 0.09 * 8
    neighbour = 1.0 + 0.25 + 0.09 * 4
    sigma = math.sqrt(2 * 25 + 12.7**2 * (own + neighbour)) / 1000
    win = sure_window(given, read_to=-4.0)
    assert win.margin(np.zeros(2)) == pytest.approx(sure_half_width(given, -9.5, sigma=sigma), abs=1e-7)
    # two readings averaged, and read to the toe: more is sure
    assert sure_window(given, read_to=-12.0, count=2).margin(np.zeros(2)) > win.margin(np.zeros(2)) + 2e-4


def test_a_neighbour_never_read_is_uncertain_by_half_its_limit():
    result = wall(pickups=[*BOTH, pickup("P2", 0.75, 0.0)], **NO_PIT)
    given = steer_input(result, 1)
    assert {one.lean for one in given.neighbours} == {"assumed"}
    own, half = 1.0 + 0.25 + 0.09 * 8, 2.5
    sigma = math.sqrt(2 * 25 + 12.7**2 * (own + half**2)) / 1000
    win = sure_window(given, read_to=-4.0)
    assert win.margin(np.zeros(2)) == pytest.approx(sure_half_width(given, -9.5, sigma=sigma), abs=1e-7)


def test_beside_a_neighbour_never_read_and_without_limit_no_lean_is_sure():
    given = steer_input(wall(pickups=[*BOTH, pickup("P2", 0.75, 0)], verticality="{ secondary = 5.0 }", **NO_PIT), 1)
    assert not window(given).empty
    assert sure_window(given, read_to=-4.0).empty


def test_the_sure_window_is_empty_where_the_survey_is_too_poor_for_any_lean():
    given = steer_input(wall(pickups=[*BOTH, pickup("P2", 0.75, 0)], tilts=PLUMB, pickup_mm=40, **NO_PIT), 1)
    assert not window(given).empty
    assert sure_window(given, read_to=-4.0).empty


@pytest.mark.parametrize("lean", [(0.0, 0.0), (2.0, 1.0), (3.4, 0.0), (4.4, 1.0), (-2.5, -2.0)])
def test_a_lean_is_sure_exactly_where_the_joints_would_be_judged_within(lean):
    piles = [*BOTH, pickup("P2", 0.752, 0.003)]
    own = tilt("P2", 8.0, *lean)
    given = steer_input(wall(pickups=piles, tilts=PLUMB, axis="straight"), 1)
    p = wall(pickups=piles, tilts=[*PLUMB, own], axis="straight").joints["p_interlock"]
    assert bool(sure_window(given, read_to=-4.0).contains(np.array(lean) / 1000)) == bool(np.all(p >= 0.95))


def test_turning_the_site_turns_the_windows():
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])

    def turned(rows):
        out = []
        for row in rows:
            e, n = turn @ [row["easting"], row["northing"]]
            out.append({**row, "easting": e, "northing": n})
        return out

    angle = math.degrees(math.atan2(0.8, 0.6))
    piles = [*BOTH, pickup("P2", 0.752, 0.003)]
    reads = [tilt("P1", 9.0, -2.0, 1.0), tilt("P3", 9.0, 1.5, 0.5)]
    turned_reads = [{**r, "bearing_a_deg": 90.0 - angle, "bearing_b_deg": -angle} for r in reads]
    here = steer_input(wall(pickups=piles, tilts=reads), 1)
    design = turned(builders.straight_wall(3))
    there = steer_input(wall(pickups=turned(piles), tilts=turned_reads, design=design), 1)
    leans = np.random.default_rng(1).uniform(-0.01, 0.01, (50, 2))
    for one, other in (
        (window(here), window(there)),
        (sure_window(here, read_to=-3.0), sure_window(there, read_to=-3.0)),
    ):
        assert not one.empty
        assert other.margin(leans @ turn.T) == pytest.approx(one.margin(leans), abs=1e-9)


def test_no_large_package_is_needed_to_answer():
    code = (
        "import sys, asbuilt.compute.steering_advice;"
        "print(sorted({'scipy', 'pandas', 'matplotlib', 'shapely', 'pydantic'} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
