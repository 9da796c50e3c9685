"""A ring that closes: room left against room needed, running misclosure, forecast."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from builders import Site, site_file, to_survey
from steps import record, shot

from asbuilt.compute.closure import closure, projected
from asbuilt.reconcile import reconcile

SIDE, SPACING = 3.0, 0.75
CLOSED = "[walls.A]\nclosed = true"


def square():
    """Design rows P1 to P16 of a square of 3 m, corners at P1, P5, P9, P13, anticlockwise from (0, 0)."""
    corners = [(0.0, 0.0), (SIDE, 0.0), (SIDE, SIDE), (0.0, SIDE), (0.0, 0.0)]
    rows = []
    for (e1, n1), (e2, n2) in itertools.pairwise(corners):
        for k in range(4):
            rows.append(
                {
                    "pile_id": f"P{len(rows) + 1}",
                    "wall": "A",
                    "position": len(rows) + 1,
                    "kind": "other",
                    "easting": e1 + (e2 - e1) * k / 4,
                    "northing": n1 + (n2 - n1) * k / 4,
                    "diameter_mm": 880.0,
                    "toe_level": -12.0,
                }
            )
    return rows


def ring(moved_mm, *, drilled=(), walls=CLOSED, **changes):
    """Return how the square closes with some piles surveyed, each moved east and north [mm] from design."""
    design = square()
    at = {row["pile_id"]: (row["easting"], row["northing"]) for row in design}
    site = Site(
        toml=site_file(walls=walls, **changes),
        design=design,
        pickups=[shot(p, at[p][0] + e / 1000, at[p][1] + n / 1000) for p, (e, n) in moved_mm.items()],
        records=[record(p) for p in drilled],
    )
    return closure(reconcile(to_survey(site)), "A")


def row_of(*east_mm):
    """P1, P2, … surveyed, moved along the first side."""
    return {f"P{k + 1}": (east, 0.0) for k, east in enumerate(east_mm)}


def mm(values):
    return np.asarray(values) * 1000


def test_room_is_design_spacing_and_the_movement_of_the_ends():
    found = ring(row_of(0, 2, 4, 6))
    assert found.joints.tolist() == [1, 1, 1, 13]
    assert mm(found.needs) == pytest.approx([750, 750, 750, 13 * 750])
    # P1 has not moved along the last side, north to south
    assert mm(found.has - found.needs) == pytest.approx([2, 2, 2, -6])


def test_running_misclosure_gathers_pile_by_pile():
    assert mm(ring(row_of(1, 5, 2, 8)).running) == pytest.approx([0, 4, 1, 7])


def test_steady_drift_is_carried_on_over_the_piles_that_remain():
    found = ring(row_of(0, 2, 4, 6))
    assert (found.remaining, found.last, found.gap.tolist()) == (12, 3, [3])
    assert mm([found.drift, found.drift_error, found.scatter]) == pytest.approx([2, 0, 0], abs=1e-6)
    # 6 mm less room already, and 12 piles that take 2 mm more each
    assert mm([found.low, found.forecast, found.high]) == pytest.approx([-30, -30, -30], abs=1e-6)


def test_band_of_the_forecast():
    """Drifts 1, 3, 2 mm: mean 2, scatter 1, standard error √(1/3); variance 144/3 + 12, Student's t 4.302653."""
    found = ring(row_of(0, 1, 4, 6))
    assert mm([found.scatter, found.drift_error]) == pytest.approx([1, math.sqrt(1 / 3)])
    assert mm([found.forecast, found.high - found.forecast]) == pytest.approx([-30, 4.302653 * math.sqrt(60)], rel=1e-6)
    assert found.forecast - found.low == pytest.approx(found.high - found.forecast)


def test_one_leg_tells_a_drift_but_no_band():
    found = ring(row_of(0, 3))
    assert mm([found.drift, found.forecast]) == pytest.approx([3, -3 - 14 * 3])
    assert np.isnan([found.low, found.high, found.scatter, found.drift_error]).all()


def test_every_second_pile_makes_legs_of_two_joints():
    """Drift per joint by least squares: legs of two joints scatter by twice the variance of one."""
    found = ring({"P1": (0, 0), "P3": (4, 0), "P5": (10, 0)})
    assert found.joints.tolist() == [2, 2, 12]
    assert found.to_drill.tolist() == [1, 1, 11]
    assert mm(found.drift) == pytest.approx(2.5)
    assert mm(found.scatter) == pytest.approx(math.sqrt((1 / 2 + 1 / 2) / 1))


def test_the_greatest_gap_comes_last_and_what_is_built_runs_up_to_it():
    # P14, P15, P16, P1, P2 built: the gap is P3 to P13, and the run begins at P14
    found = ring({f"P{k}": (0, 0) for k in (14, 15, 16, 1, 2)})
    design = [row["pile_id"] for row in square()]
    assert [design[p] for p in found.pile] == ["P14", "P15", "P16", "P1", "P2"]
    assert found.to_drill.tolist() == [0, 0, 0, 0, 11]


def test_a_drilled_pile_that_is_not_surveyed_does_not_remain():
    found = ring({**row_of(0, 2), "P4": (6, 0)}, drilled=["P3"])
    assert found.joints.tolist() == [1, 2, 13]
    assert found.to_drill.tolist() == [0, 0, 12]
    assert found.gap.tolist() == [2]


def test_a_ring_moved_as_a_whole_closes():
    found = ring({row["pile_id"]: (17.0, -9.0) for row in square()})
    assert mm(found.total) == pytest.approx(0, abs=1e-9)
    assert (found.remaining, found.last, len(found.gap)) == (0, -1, 0)
    assert np.isnan([found.forecast, found.low, found.high]).all()


def test_a_ring_grown_by_a_hundredth_is_a_hundredth_longer():
    moved = {row["pile_id"]: (10 * row["easting"], 10 * row["northing"]) for row in square()}
    assert mm(ring(moved).total) == pytest.approx(0.01 * 4 * 3000)


def test_uncertainty_of_the_room_is_that_of_its_two_ends():
    found = ring(row_of(0, 2, 4, 6), pickup_mm=4, setup_mm=3)
    # one centre shot each, on the head at cut-off
    assert mm(found.sigma) == pytest.approx([math.sqrt(2) * 5] * 4)


def test_nothing_is_said_of_an_open_wall():
    assert ring(row_of(0, 2, 4), walls='[walls.A]\nclosed = false\npit_side = "left"') is None


def test_nothing_is_said_with_one_pile_surveyed():
    assert ring(row_of(3)) is None


def test_the_forecast_pile_by_pile_ends_where_the_last_joint_is_left_what_the_forecast_says():
    """The pile that closes the ring does not move: what is left for the last joint is the total less the run."""
    found = ring(row_of(0, 1, 4, 6))
    ahead = projected(found)
    assert len(ahead.running) == 13
    assert mm(ahead.running[[0, 1, 12]]) == pytest.approx([6, 8, 30])
    assert mm(found.total - ahead.running[-1]) == pytest.approx(mm(found.forecast))
    assert ahead.high[-1] - ahead.low[-1] == pytest.approx(found.high - found.low)


def test_the_band_of_the_forecast_widens_from_nothing():
    """After one pile: variance 1/3 + 1, Student's t 4.302653."""
    ahead = projected(ring(row_of(0, 1, 4, 6)))
    assert mm(ahead.high[:2] - ahead.running[:2]) == pytest.approx([0, 4.302653 * math.sqrt(4 / 3)], rel=1e-6)


def test_the_forecast_follows_on_from_the_last_surveyed_pile():
    ahead = projected(ring(row_of(0, 1, 4, 6)))
    assert ahead.chainage[[0, 12]].tolist() == pytest.approx([3 * 0.75, 15 * 0.75])


def test_nothing_is_carried_on_without_a_gap():
    assert projected(ring({row["pile_id"]: (0.0, 0.0) for row in square()})) is None
