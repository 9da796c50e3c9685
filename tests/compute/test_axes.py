"""Pile axes under both lean models and from profiles: where they pass, and how uncertain they are at every level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall
from reference_rows import each, expected, rows
from steps import logged, record, shot, steps, tilt

from asbuilt.columns import METHODS

#: Surveyed centre of P1 and its level.
HEAD = (0.010, -0.020)
COMMENCE = 4.0


def site(*tilts, profile=(), level=3.2, records=(), **changes):
    """P1 surveyed at ``level`` with these readings; P2 with nothing."""
    return Site(
        toml=site_file(**{"commence": COMMENCE, **changes}),
        design=straight_wall(2),
        pickups=[shot("P1", *HEAD, level)],
        tilts=list(tilts),
        profiles=list(profile),
        records=list(records),
    )


def moved(site_, *levels, other=False):
    """Axis of P1 less its surveyed centre [mm]."""
    return 1000 * (steps(site_).axis("P1", *levels, other=other) - HEAD)


#: Readings 3, 7 and 10 m down: levels 1, -3 and -6; slopes [mm/m].
STEPS = [(3.0, 2.0, 1.0), (7.0, 5.0, -1.0), (10.0, -4.0, 3.0)]


def stepped(level=3.2, **changes):
    return site(*(tilt("P1", *row) for row in STEPS), level=level, axis="stepped", **changes)


def straight(level=3.2, **changes):
    return site(*(tilt("P1", *row) for row in STEPS), level=level, **changes)


# ------------------------------------------------------------------------------------------ straight


def test_straight_axis_follows_the_deepest_reading():
    assert moved(straight(), 3.2, -6.8, 4.2) == pytest.approx(np.array([(0, 0), (-40, 30), (4, -3)]), abs=1e-9)


def test_straight_axis_follows_the_mean_of_the_readings_at_the_greatest_depth():
    readings = [tilt("P1", 5.0, 90.0), tilt("P1", 10.0, 2.0, 4.0), tilt("P1", 10.0, 4.0, 1.0)]
    assert moved(site(*readings), -6.8) == pytest.approx(np.array([(30, 25)]), abs=1e-9)


@each("readings", "carried")
def test_published_lean_is_carried(row):
    found = moved(site(tilt("P1", 20.0, float(row["value_a"]))), 3.2 - float(row["base_mm"]) / 1000)
    assert found[0, 0] == expected(row, "expected_a")


# ------------------------------------------------------------------------------------------ stepped


def held_down(z_s, z):
    """Movement from z_s to z [mm]: the reading at each level holds from the one above it down to it."""
    edges = [(math.inf, 1.0), (1.0, -3.0), (-3.0, -math.inf)]
    low, high, sign = (z, z_s, 1.0) if z <= z_s else (z_s, z, -1.0)
    run = np.zeros(2)
    for (top, foot), (_, east, north) in zip(edges, STEPS, strict=True):
        run += sign * max(0.0, min(top, high) - max(foot, low)) * np.array([east, north])
    return run


@pytest.mark.parametrize("level", [5.0, 3.2, 1.0, -1.0, -3.0, -5.0, -6.0, -9.0])
def test_stepped_axis_from_a_centre_surveyed_at_any_level(level):
    levels = [6.0, 4.0, 2.0, 1.0, 0.0, -3.0, -4.5, -6.0, -11.0]
    expected_run = np.array([held_down(level, z) for z in levels])
    assert moved(stepped(level), *levels) == pytest.approx(expected_run, abs=1e-9)


def test_stepped_axes_of_several_piles_do_not_mix():
    design = straight_wall(3)
    many = Site(
        toml=site_file(axis="stepped"),
        design=design,
        pickups=[shot("P1", 0, 0), shot("P2", 0.75, 0, -1.0), shot("P3", 1.5, 0)],
        tilts=[tilt(p, *row) for p in ("P1", "P2") for row in STEPS] + [tilt("P3", 2.0, 1.0), tilt("P3", 9.0, 9.0)],
    )
    found = 1000 * (steps(many).axis("P2", -7.0) - (0.75, 0))
    assert found == pytest.approx(np.array([held_down(-1.0, -7.0)]), abs=1e-9)


def test_the_other_model_stands_beside_the_one_that_governs():
    assert moved(straight(), -6.8, other=True) == pytest.approx(moved(stepped(), -6.8), abs=1e-9)


def test_the_site_file_says_which_model_governs():
    assert [METHODS[steps(s).axes.method[0]] for s in (straight(), stepped())] == ["straight", "stepped"]


# ------------------------------------------------------------------------------------------ profiles

#: Levels 4, 2, -1, -5.
LOG = [(0.0, 3.0, 0.0), (2.0, 5.0, 1.0), (5.0, 11.0, -2.0), (9.0, 19.0, 2.0)]


def profiled(level=3.2, log=LOG, **changes):
    return site(profile=logged("P1", *log), level=level, **changes)


def test_a_profile_counts_by_differences_only():
    shifted = [(d, e + 70.0, n - 30.0) for d, e, n in LOG]
    levels = (4.0, 1.0, -3.0, -9.0)
    assert moved(profiled(log=shifted), *levels) == pytest.approx(moved(profiled(), *levels), abs=1e-9)


def interpolated(z_s, z):
    depths, east, north = np.array(LOG).T
    at = [COMMENCE - z_s, COMMENCE - z]
    return [np.interp(at, depths, f)[1] - np.interp(at, depths, f)[0] for f in (east, north)]


@pytest.mark.parametrize("level", [4.0, 3.2, 2.0, 0.3, -5.0])
def test_a_profile_is_linear_between_its_rows(level):
    levels = [4.0, 3.0, 2.0, 1.1, -1.0, -4.2, -5.0]
    assert moved(profiled(level), *levels) == pytest.approx(
        np.array([interpolated(level, z) for z in levels]), abs=1e-9
    )


def test_above_its_first_row_a_profile_goes_on_with_its_first_slope():
    assert moved(profiled(4.0), 6.0) == pytest.approx(np.array([(-2.0, -1.0)]), abs=1e-9)


def test_a_centre_above_the_first_row_is_reached_by_the_first_slope():
    log = [(1.0, 0.0, 0.0), *[(d + 1.0, e - 3.0, n) for d, e, n in LOG[1:]]]
    # 0.5 m above the first row, whose interval leans 1.0 and 0.5 mm/m
    assert moved(profiled(3.5, log=log), 3.0) == pytest.approx(np.array([(0.5, 0.25)]), abs=1e-9)


def test_below_its_deepest_row_a_profile_goes_on_with_the_slope_of_its_deepest_3_m():
    # 3 m above the foot lie inside the last interval: 8 mm and 4 mm in 4 m
    assert moved(profiled(-5.0), -7.0) == pytest.approx(np.array([(4.0, 2.0)]), abs=1e-9)


def test_the_deepest_3_m_may_span_several_rows():
    log = [(0.0, 0.0, 0.0), (4.0, 8.0, 0.0), (6.0, 10.0, 6.0), (7.0, 14.0, 3.0)]
    # at a depth of 4 m: (8, 0); at 7 m: (14, 3)
    assert moved(profiled(-3.0, log=log), -6.0) == pytest.approx(np.array([(6.0, 3.0)]), abs=1e-9)


def test_a_profile_shorter_than_3_m_goes_on_with_its_whole_slope():
    log = [(0.5, 0.0, 0.0), (1.0, 3.0, 0.0), (2.5, 4.0, -6.0)]
    assert moved(profiled(1.5, log=log), -0.5) == pytest.approx(np.array([(4.0, -6.0)]), abs=1e-9)


def test_one_row_is_no_profile():
    assert METHODS[steps(profiled(log=LOG[:1])).axes.method[0]] == "none"


def test_rows_may_stand_in_any_order():
    assert moved(profiled(log=LOG[::-1]), -4.0) == pytest.approx(moved(profiled(), -4.0), abs=1e-12)


def test_a_row_that_is_there_twice_changes_nothing():
    assert moved(profiled(log=[*LOG, LOG[1]]), -4.0) == pytest.approx(moved(profiled(), -4.0), abs=1e-12)


def test_the_newest_log_of_a_pile_serves():
    newer = logged("P1", (0.0, 0.0, 0.0), (9.0, 90.0, 0.0), read_at="2025-03-09T15:00")
    assert moved(site(profile=[*newer, *logged("P1", *LOG)]), -4.8) == pytest.approx(np.array([(80, 0)]), abs=1e-9)


def test_a_profile_of_a_lower_attempt_does_not_serve():
    both = site(tilt("P1", 9.0, attempt=2), profile=logged("P1", *LOG), records=[record("P1", attempt=2)])
    both.pickups[0]["attempt"] = 2
    assert METHODS[steps(both).axes.method[0]] == "straight"


def test_a_profile_governs_before_tilts():
    both = site(tilt("P1", 10.0, 50.0), profile=logged("P1", *LOG))
    assert moved(both, -4.0) == pytest.approx(moved(profiled(), -4.0), abs=1e-12)


def test_a_profile_is_the_same_under_both_models():
    assert moved(profiled(), -4.0, other=True) == pytest.approx(moved(profiled(), -4.0), abs=1e-12)


# ------------------------------------------------------------------------------------------ no axis


def test_without_readings_the_centre_is_carried_without_slope():
    assert moved(site(), 2.0) == pytest.approx(np.array([(0, 0)]), abs=1e-12)


@pytest.mark.parametrize(("level", "known"), [(1.21, True), (1.19, False), (5.19, True), (5.21, False)])
def test_without_readings_the_centre_is_known_2_m_about_its_level(level, known):
    assert np.isfinite(steps(site()).q2("P1", level)[0]) == known


def test_without_readings_half_the_verticality_limit_per_metre_is_uncertain():
    q = np.sqrt(steps(site(verticality='"1:100"')).q2("P1", 1.7))
    assert 1000 * q == pytest.approx([0.5 * 10 * 1.5])


def test_at_the_surveyed_level_nothing_is_added_without_readings():
    assert steps(site()).q2("P1", 3.2)[0] == 0.0


def test_a_pile_that_was_not_surveyed_has_no_position():
    assert np.isnan(steps(site()).axis("P2", 3.2)).all()


# ------------------------------------------------------------------------------------------ uncertainty

U = {"tilt_mm_per_m": 1.1, "tilt_systematic_mm_per_m": 0.7, "wander_mm_per_m": 0.4}
LEVELS = [6.0, 4.0, 3.0, 1.0, 0.2, -3.0, -4.0, -6.0, -8.5, -13.0]


def test_variance_of_a_straight_axis():
    # deepest reading at -6, toe at -12
    found = steps(straight(**U)).q2("P1", *LEVELS)
    h2 = (3.2 - np.array(LEVELS)) ** 2
    assert 1e6 * found == pytest.approx(h2 * (1.1**2 + 0.7**2 + 0.4**2 * 6.0), rel=1e-12)


def test_variance_of_the_mean_of_several_readings():
    found = steps(site(*[tilt("P1", 10.0)] * 4, **U)).q2("P1", -6.8)
    assert 1e6 * found == pytest.approx([100 * (1.1**2 / 4 + 0.7**2 + 0.4**2 * 6.0)], rel=1e-12)


@pytest.mark.parametrize(("toe", "unread"), [(-9.0, 3.0), (-5.0, 0.0)])
def test_what_was_not_read_ends_at_the_recorded_toe(toe, unread):
    found = steps(site(tilt("P1", 10.0), records=[record("P1", toe_level=toe)], **U)).q2("P1", -6.8)
    assert 1e6 * found == pytest.approx([100 * (1.1**2 + 0.7**2 + 0.4**2 * unread)], rel=1e-12)


def variance_of_steps(z_s, z, counts=(1, 1, 1)):
    """Variance [mm²] of the stepped model, written out by the length of each reading's interval between z_s and z."""
    intervals = [(math.inf, 1.0), (1.0, -3.0), (-3.0, -math.inf)]
    low, high = min(z, z_s), max(z, z_s)
    crossed = [max(0.0, min(top, high) - max(foot, low)) for top, foot in intervals]
    unread = max(0.0, min(-6.0, high) - min(-6.0, low))
    readings = sum((U["tilt_mm_per_m"] * length) ** 2 / m for length, m in zip(crossed, counts, strict=True))
    systematic = (U["tilt_systematic_mm_per_m"] * sum(crossed)) ** 2
    return readings + systematic + U["wander_mm_per_m"] ** 2 * unread**3 / 3


@pytest.mark.parametrize("level", [3.2, 1.0, -1.3, -4.0, -8.0])
def test_variance_of_a_stepped_axis_up_and_down(level):
    found = steps(stepped(level, **U)).q2("P1", *LEVELS)
    assert 1e6 * found == pytest.approx([variance_of_steps(level, z) for z in LEVELS], rel=1e-9, abs=1e-9)


def test_variance_of_a_step_that_was_read_several_times():
    readings = [tilt("P1", *row) for row in (STEPS[0], STEPS[1], STEPS[1], STEPS[2])]
    found = steps(site(*readings, axis="stepped", **U)).q2("P1", -9.0)
    assert 1e6 * found == pytest.approx([variance_of_steps(3.2, -9.0, (1, 2, 1))], rel=1e-9)


@pytest.mark.parametrize("level", [3.2, 0.3])
def test_variance_of_a_profile(level):
    found = steps(profiled(level, profile_mm=1.5, profile_mm_per_m=0.3, wander_mm_per_m=0.4)).q2("P1", *LEVELS)
    h = np.abs(level - np.array(LEVELS))
    unread = np.maximum(0.0, -5.0 - np.array(LEVELS))
    variance = 2 * 1.5**2 * np.minimum(1.0, h) + (0.3 * h) ** 2 + 0.4**2 * unread**3 / 3
    assert 1e6 * found == pytest.approx(variance, rel=1e-9, abs=1e-12)


@each("readings", "inclinometer")
def test_published_accuracy_of_an_inclinometer_is_the_preset(row):
    preset = site_file().replace("profile_mm = 2", "profile_mm = 1e-6").replace("profile_mm_per_m = 0.25", "")
    found = profiled()
    found.toml = preset.replace("wander_mm_per_m = 0.3", "wander_mm_per_m = 0")
    q = np.sqrt(steps(found).q2("P1", 3.2 - float(row["base_mm"]) / 1000)[0])
    assert 1000 * q == expected(row)


# ------------------------------------------------------------------------------------------ levels


def test_deepest_is_the_level_of_the_deepest_reading():
    assert steps(straight()).axes.deepest.tolist() == pytest.approx([-6.0, math.nan], nan_ok=True)


def test_newest_is_the_time_of_the_deepest_row_of_a_profile():
    assert steps(profiled()).newest[0] == np.datetime64("2025-03-02T15:00", "ms").astype(np.int64)


def test_a_map_size_axis_loses_nothing():
    far = straight()
    for row in (*far.design, *far.pickups):
        row["easting"] += 500_000.0
        row["northing"] += 6_000_000.0
    found = steps(far).axis("P1", -6.8)[0] - (500_000.0, 6_000_000.0)
    assert 1000 * (found - HEAD) == pytest.approx([-40, 30], abs=2e-6)


# ------------------------------------------------------------------------------------------ survey arithmetic


def directional(inclination, azimuth):
    """Unit vectors (k, 3) north, east, down of inclinations and azimuths [deg]."""
    i, a = np.radians(inclination), np.radians(azimuth)
    return np.column_stack([np.sin(i) * np.cos(a), np.sin(i) * np.sin(a), np.cos(i)])


def balanced_tangential(length, inclination, azimuth):
    """Steps (k, 3) between stations (k + 1,) at measured depths, by the mean of both directions."""
    d = directional(inclination, azimuth)
    return (d[1:] + d[:-1]) / 2 * np.asarray(length)[:, None]


def minimum_curvature(length, inclination, azimuth):
    """Steps (k, 3) along circular arcs."""
    return balanced_tangential(length, inclination, azimuth) * ratio_factor(inclination, azimuth)[:, None]


def ratio_factor(inclination, azimuth):
    d = directional(inclination, azimuth)
    bend = np.arccos(np.clip(np.sum(d[1:] * d[:-1], axis=1), -1.0, 1.0))
    return np.where(bend > 1e-7, 2 / np.where(bend > 1e-7, bend, 1.0) * np.tan(bend / 2), 1.0)


def arithmetic(row, function):
    inclination, azimuth = ([float(row[f"{name}_{k}"]) for k in (1, 2)] for name in ("inclination", "azimuth"))
    return function([float(row["depth_2"]) - float(row["depth_1"])], inclination, azimuth)[0]


@each("survey_arithmetic")
@pytest.mark.parametrize(("column", "place"), [("north", 0), ("east", 1), ("depth", 2)])
def test_survey_arithmetic_of_these_tests_against_the_published_example(row, column, place):
    function = {"balanced tangential": balanced_tangential, "minimum curvature": minimum_curvature}[row["check"]]
    assert arithmetic(row, function)[place] == expected(row, column)


def test_ratio_factor_of_these_tests_against_the_published_example():
    (row,) = rows("survey_arithmetic", "minimum curvature")
    found = ratio_factor([float(row["inclination_1"]), float(row["inclination_2"])], [20.0, 45.0])
    assert found[0] == pytest.approx(float(row["factor"]), abs=2e-6)


#: A bore read every 2 m [mm/m].
BORE = [(2.0, 1.0, 2.0), (4.0, 2.5, 1.5), (6.0, 4.0, -1.0), (8.0, 3.0, -3.0), (10.0, 6.0, -2.0), (12.0, 7.5, -4.5)]


def arcs_of_bore():
    """Offsets east and north at each reading below the first, by minimum curvature [mm]."""
    _, east, north = np.array(BORE).T
    slope = np.hypot(east, north) / 1000
    inclination, azimuth = np.degrees(np.arctan(slope)), np.degrees(np.arctan2(east, north))
    length = 2.0 * np.sqrt(1 + slope[1:] ** 2)
    walked = np.cumsum(minimum_curvature(length, inclination, azimuth), axis=0)
    return 1000 * walked[:, [1, 0]]


def test_stepped_axis_agrees_with_minimum_curvature_within_half_of_each_change_of_slope():
    """A step takes the lower reading for an interval, arcs take both: half of each change times its length apart."""
    found = moved(site(*(tilt("P1", *row) for row in BORE), level=2.0, axis="stepped"), 0, -2, -4, -6, -8)
    changes = np.abs(np.diff(np.array(BORE)[:, 1:], axis=0)) / 2 * 2.0
    bound = np.cumsum(changes, axis=0) + 0.01
    assert np.all(np.abs(found - arcs_of_bore()) <= bound)


def test_stepped_axis_read_in_the_middle_of_each_step_agrees_with_minimum_curvature():
    """With the mean of both readings on each interval the two differ by terms of the second order: 0.01 mm."""
    mean = (np.array(BORE)[1:] + np.array(BORE)[:-1]) / 2
    readings = [tilt("P1", 2.0), *(tilt("P1", d + 1.0, e, n) for d, e, n in mean)]
    found = moved(site(*readings, level=2.0, axis="stepped"), 0, -2, -4, -6, -8)
    assert found == pytest.approx(arcs_of_bore(), abs=0.01)


def test_a_profile_reduced_by_minimum_curvature_is_reproduced_at_its_rows():
    log = [(2.0, 0.0, 0.0), *((d, *offset) for (d, _, _), offset in zip(BORE[1:], arcs_of_bore(), strict=True))]
    assert moved(profiled(2.0, log=log), 0, -2, -4, -6, -8) == pytest.approx(arcs_of_bore(), abs=1e-9)
