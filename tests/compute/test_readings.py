"""Lean readings to slopes: directions, units and senses; which serve, in which order, and whether the lean changed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall
from reference_rows import each, expected
from scipy.stats import chi2
from steps import record, steps, tilt


def site(*tilts, design=None, walls=None, records=(), **changes):
    if walls is not None:
        changes["walls"] = walls
    return Site(
        toml=site_file(**changes),
        design=straight_wall(3) if design is None else design,
        tilts=list(tilts),
        records=list(records),
    )


def slope(**reading):
    """Slope (east, north) [mm/m] of one reading; its site's settings under ``site``."""
    changes = reading.pop("site", {})
    row = {"pile_id": "P2", "read_at": "2025-03-02T10:00", "depth": 6.0, "tilt_b": 0.0, "unit": "mm/m", **reading}
    w = steps(site(row, **changes))
    return 1000 * w.slope_e[0], 1000 * w.slope_n[0]


# ------------------------------------------------------------------------------------------ directions


@pytest.mark.parametrize(
    ("bearing", "towards"), [(0, (0, 1)), (90, (1, 0)), (180, (0, -1)), (-90, (-1, 0)), (30, (0.5, math.sqrt(0.75)))]
)
def test_bearings_count_clockwise_from_north(bearing, towards):
    assert slope(tilt_a=1.0, bearing_a_deg=bearing) == pytest.approx(towards, abs=1e-12)


@pytest.mark.parametrize(("bearing", "towards"), [(0, (1, 0)), (90, (0, -1)), (200, (-0.9396926, 0.3420201))])
def test_b_is_90_degrees_clockwise_of_a(bearing, towards):
    assert slope(tilt_a=0.0, tilt_b=1.0, bearing_a_deg=bearing) == pytest.approx(towards, abs=1e-7)


def test_b_with_a_bearing_of_its_own():
    assert slope(tilt_a=0.0, tilt_b=1.0, bearing_a_deg=0, bearing_b_deg=-90) == pytest.approx((-1, 0), abs=1e-12)


def test_the_two_directions_add():
    assert slope(tilt_a=3.0, tilt_b=4.0, bearing_a_deg=90) == pytest.approx((3, -4), abs=1e-12)


@pytest.mark.parametrize(("side", "north"), [("left", 1), ("right", -1)])
def test_a_without_a_bearing_is_towards_the_pit(side, north):
    walls = f'[walls.A]\nclosed = false\npit_side = "{side}"'
    assert slope(tilt_a=1.0, site={"walls": walls}) == pytest.approx((0, north), abs=1e-12)


def test_b_of_a_towards_the_pit_is_clockwise_of_it():
    assert slope(tilt_a=0.0, tilt_b=1.0) == pytest.approx((1, 0), abs=1e-12)


# ------------------------------------------------------------------------------------------ units and senses


@pytest.mark.parametrize(
    ("unit", "value", "slope_mm_per_m"),
    [
        ("mm/m", 5.0, 5.0),
        ("1:n", 200.0, 5.0),
        ("1:n", -200.0, -5.0),
        ("%", 0.5, 5.0),
        ("deg", 45.0, 1000.0),
        ("deg", -0.2864765, -5.0),
        ("mm", 6.0, 5.0),
    ],
)
def test_units(unit, value, slope_mm_per_m):
    assert slope(tilt_a=value, unit=unit, bearing_a_deg=0)[1] == pytest.approx(slope_mm_per_m, abs=1e-6)


@pytest.mark.parametrize("unit", ["mm/m", "1:n", "%", "deg", "mm"])
def test_zero_is_plumb_in_every_unit(unit):
    assert slope(tilt_a=0.0, tilt_b=0.0, unit=unit, bearing_a_deg=0) == (0.0, 0.0)


def test_millimetres_are_over_the_sites_level_length():
    assert slope(tilt_a=6.0, unit="mm", bearing_a_deg=0, site={"level_length_mm": 2000})[1] == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("sites", "own", "sign"), [("toe", None, 1), ("top", None, -1), ("toe", "top", -1), ("top", "toe", 1)]
)
def test_readings_of_where_the_top_leans_are_negated(sites, own, sign):
    found = slope(tilt_a=2.0, tilt_b=1.0, bearing_a_deg=0, sense=own, site={"sense": sites})
    assert found == pytest.approx((1.0 * sign, 2.0 * sign), abs=1e-12)


@each("readings", "tilt")
@pytest.mark.parametrize(("column", "of"), [("expected_a", 1), ("expected_b", 0), ("expected", None)])
def test_published_tilts(row, column, of):
    found = slope(tilt_a=float(row["value_a"]), tilt_b=float(row["value_b"]), unit="deg", bearing_a_deg=0)
    length = math.hypot(*found) if of is None else found[of]
    assert length * float(row["base_mm"]) / 1000 == expected(row, column)


# ------------------------------------------------------------------------------------------ collected


def collected(*tilts, **more):
    return steps(site(*tilts, **more)).readings


def test_readings_stand_by_pile_and_from_the_top_down():
    found = collected(tilt("P2", 4.0), tilt("P1", 9.0), tilt("P1", 3.0), tilt("P2", 2.0))
    assert (found.start.tolist(), found.level.tolist()) == ([0, 2, 4, 4], [1.0, -5.0, 2.0, 0.0])


def test_depths_count_from_the_commencing_surface():
    assert collected(tilt("P1", 3.0), commence=4.25).level[0] == 1.25


def test_depths_count_from_a_level_of_their_own():
    assert collected(tilt("P1", 3.0, from_level=3.6)).level[0] == pytest.approx(0.6)


def test_readings_at_one_level_are_averaged():
    found = collected(tilt("P1", 9.0, 2.0, 1.0), tilt("P1", 9.0, 5.0, 3.0), tilt("P1", 9.0, 2.0, 5.0))
    assert (found.slope_e[0], found.slope_n[0], found.count[0]) == pytest.approx((0.003, 0.003, 3))


def test_newest_is_the_time_of_the_deepest_reading():
    rows = [tilt("P1", 9.0, read_at="2025-03-01T09:00"), tilt("P1", 3.0, read_at="2025-03-04T09:00")]
    assert collected(*rows).newest[0] == np.datetime64("2025-03-01T09:00", "ms").astype(np.int64)


def test_readings_of_the_greatest_attempt_alone_serve():
    found = collected(tilt("P1", 9.0, 1.0), tilt("P1", 9.0, 4.0, attempt=2))
    assert found.slope_e.tolist() == pytest.approx([0.004])


def test_used_marks_the_readings_that_serve():
    found = collected(tilt("P1", 9.0), tilt("P2", 9.0), records=[record("P1", attempt=2)])
    assert found.used.tolist() == [False, True]


def test_mean_of_all_readings():
    found = collected(tilt("P1", 3.0, 1.0, 0.0), tilt("P1", 6.0, 2.0, 0.0), tilt("P1", 9.0, 6.0, -3.0))
    assert (found.mean_e[0], found.mean_n[0]) == pytest.approx((0.003, -0.001))


# ------------------------------------------------------------------------------------------ drift


def test_drift_is_the_scatter_over_its_1_percent_point():
    rows = [(1.0, 0.5), (2.5, -0.5), (3.0, 2.0), (5.5, 1.0)]
    found = collected(*(tilt("P1", 3.0 * k, *s) for k, s in enumerate(rows, 1)), tilt_mm_per_m=0.8)
    square = sum(np.sum((np.array(rows) - np.mean(rows, axis=0)) ** 2, axis=0)) / 0.8**2
    assert found.drift[0] == pytest.approx(square / chi2.ppf(0.99, 2 * (len(rows) - 1)), rel=1e-9)


def test_one_reading_shows_no_drift():
    assert collected(tilt("P1", 9.0, 30.0)).drift[0] == 0.0


def test_equal_readings_show_no_drift():
    assert collected(tilt("P1", 3.0, 4.0), tilt("P1", 6.0, 4.0)).drift[0] == pytest.approx(0.0, abs=1e-12)
