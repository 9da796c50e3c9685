"""The best centre among points, in the open plane and within limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from asbuilt.compute.setting_out_geometry import (
    Allowed,
    best_centre,
    least_on_circle,
    least_on_line,
    shortfall,
    smallest_circle,
)

NONE = {"normals": np.empty((0, 2)), "offsets": np.empty(0)}


def allowed(play=100.0, line=None, **more):
    return Allowed(play=play, line=None if line is None else np.array(line), **{**NONE, **more})


def best(points, reach, **limits):
    found = best_centre(np.array(points, dtype=float), np.array(reach, dtype=float), allowed(**limits))
    return tuple(found.centre), found.shortfall, found.held_by


# ------------------------------------------------------------------------------------------ open plane


def test_one_point():
    centre, value = smallest_circle(np.array([[3.0, 4.0]]), np.array([0.5]))
    assert (*centre, value) == pytest.approx((3, 4, -0.5))


def test_two_points_of_one_reach_meet_half_way():
    centre, value = smallest_circle(np.array([[0.0, 0.0], [2.0, 0.0]]), np.array([0.8, 0.8]))
    assert (*centre, value) == pytest.approx((1, 0, 0.2))


def test_the_point_of_the_shorter_reach_is_nearer():
    centre, value = smallest_circle(np.array([[0.0, 0.0], [2.0, 0.0]]), np.array([0.9, 0.7]))
    assert (*centre, value) == pytest.approx((1.1, 0, 0.2))


def test_a_point_well_within_its_reach_does_not_count():
    centre, value = smallest_circle(np.array([[0.0, 0.0], [0.5, 0.0]]), np.array([0.1, 0.7]))
    assert (*centre, value) == pytest.approx((0, 0, -0.1))


def test_three_points_fix_the_circle_around_a_sharp_triangle():
    # the triangle 13, 14, 15 has a circumradius of 65/8
    points = np.array([[0.0, 0.0], [14.0, 0.0], [5.0, 12.0]])
    centre, value = smallest_circle(points, np.zeros(3))
    assert (*centre, value) == pytest.approx((7, 33 / 8, 65 / 8))


def test_three_points_of_unequal_reach_around_the_centre():
    """9, 8 and 7 away on three sides, with 1, 2 and 3 to add: a circle of 10 holds them, and none that is smaller."""
    angle = np.radians([90.0, 200.0, 330.0])
    points = np.array([[9.0], [8.0], [7.0]]) * np.column_stack([np.cos(angle), np.sin(angle)]) + [5.0, -3.0]
    centre, value = smallest_circle(points, -np.array([1.0, 2.0, 3.0]))
    assert (*centre, value) == pytest.approx((5, -3, 10))


def test_two_circles_that_hold_a_third_between_them():
    """Circles of radii 1, 2, 3 that touch one another: the two greater ones alone fix the circle of 5 around them."""
    points = np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]])
    centre, value = smallest_circle(points, -np.array([1.0, 2.0, 3.0]))
    assert (*centre, value) == pytest.approx((1.2, 2.4, 5))


@pytest.mark.parametrize("seed", range(30))
def test_many_points_of_one_reach_lie_in_the_smallest_circle(seed):
    points = np.random.default_rng(seed).normal(size=(60, 2)) * [1.0, 0.05]
    centre, value = smallest_circle(points, np.full(60, 0.83))
    cloud = shapely.MultiPoint(points)
    assert value + 0.83 == pytest.approx(shapely.minimum_bounding_radius(cloud), abs=1e-9)
    circle = shapely.minimum_bounding_circle(cloud).centroid
    assert tuple(centre) == pytest.approx((circle.x, circle.y), abs=1e-6)


# ------------------------------------------------------------------------------------------ lines and circles


@pytest.mark.parametrize("seed", range(20))
def test_along_a_line_every_point_falls_as_short_or_shorter_elsewhere(seed):
    rng = np.random.default_rng(seed)
    points, reach = rng.normal(size=(12, 2)), rng.uniform(0.0, 1.0, 12)
    u = np.array([0.6, 0.8])
    t = least_on_line(points, reach, origin=np.array([0.1, -0.2]), direction=u, low=-2.0, high=2.0)
    every = np.array([0.1, -0.2]) + np.r_[t, np.linspace(-2, 2, 20001)][:, None] * u
    values = shortfall(every, points, reach)
    assert values[0] <= values[1:].min() + 1e-12
    # the line is gone along in steps of 0.2 mm
    assert values[0] == pytest.approx(values[1:].min(), abs=2e-4)


def test_along_a_line_the_end_is_best_where_all_lie_beyond_it():
    t = least_on_line(
        np.array([[5.0, 1.0]]), np.array([1.0]), origin=np.zeros(2), direction=np.array([1.0, 0.0]), low=-1, high=2
    )
    assert t == 2


@pytest.mark.parametrize("seed", range(20))
def test_around_a_circle_none_falls_less_short(seed):
    rng = np.random.default_rng(seed)
    points, reach = rng.normal(size=(8, 2)), rng.uniform(0.0, 1.0, 8)
    centre, radius = np.array([0.3, 0.1]), 0.7
    found = least_on_circle(points, reach, centre=centre, radius=radius)
    angle = np.linspace(0, 2 * math.pi, 200001)
    values = shortfall(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]), points, reach)
    assert np.hypot(*(found - centre).T) == pytest.approx(np.full(len(found), radius))
    least = shortfall(found, points, reach).min()
    assert least <= values.min() + 1e-11
    # the rim is gone along in steps of 22 micrometres
    assert least == pytest.approx(values.min(), abs=2.2e-5)


# ------------------------------------------------------------------------------------------ limits


def test_no_farther_than_the_play():
    centre, value, held = best([[-3.0, 0.0]], [1.0], play=0.015)
    assert centre == pytest.approx((-0.015, 0), abs=1e-9)
    assert value == pytest.approx(3.0 - 0.015 - 1.0)
    assert held == ("play",)


def test_only_along_the_line():
    # the nearest place to (3, 4) on the line (1, 0) is (3, 0)
    centre, value, held = best([[3.0, 4.0]], [0.0], line=[1.0, 0.0])
    assert centre == pytest.approx((3, 0))
    assert (value, held) == (pytest.approx(4.0), ())


def test_no_farther_than_a_half_plane():
    pit = {"normals": np.array([[0.0, 1.0]]), "offsets": np.array([0.5])}
    centre, value, held = best([[0.0, 2.0], [1.0, 2.0]], [0.0, 0.0], **pit)
    assert centre == pytest.approx((0.5, 0.5))
    assert value == pytest.approx(math.hypot(0.5, 1.5))
    assert held == ("pit",)


def test_between_two_half_planes_and_the_play():
    pit = {"normals": np.array([[0.0, 1.0], [1.0, 0.0]]), "offsets": np.array([0.01, 0.005])}
    centre, _, held = best([[2.0, 2.0]], [0.0], play=0.1, **pit)
    assert centre == pytest.approx((0.005, 0.01))
    assert held == ("pit",)


def test_clear_of_a_straight_outline():
    outline = shapely.box(-5, 0.5, 5, 3)
    centre, _, held = best([[0.2, 2.0]], [0.0], play=1.0, outline=outline, clear=0.44)
    assert centre == pytest.approx((0.2, 0.06))
    assert held == ("clear outline",)


def test_round_the_corner_of_an_outline():
    """The centre keeps 0.44 from the corner at (0, 0.5): on the circle about it, nearest to the point wanted."""
    outline = shapely.Polygon([(0, 0.5), (2, 2.5), (-2, 2.5)])
    centre, _, held = best([[0.1, 0.3]], [0.0], play=1.0, outline=outline, clear=0.44)
    away = math.hypot(0.1, -0.2)
    assert centre == pytest.approx((0.1 / away * 0.44, 0.5 - 0.2 / away * 0.44))
    assert held == ("clear outline",)


def test_along_the_line_no_farther_than_a_slanting_outline_permits():
    # the edge through (1, 0) rises at 45 degrees: 0.44 off it the line (1, 0) is met at 1 − 0.44·√2
    outline = shapely.Polygon([(-1, 2), (1, 0), (3, -2), (5, 5)])
    centre, _, held = best([[2.0, 0.0]], [0.0], line=[1.0, 0.0], play=5.0, outline=outline, clear=0.44)
    assert centre == pytest.approx((1 - 0.44 * math.sqrt(2), 0))
    assert held == ("clear outline",)


def test_round_a_corner_as_far_as_the_play_goes():
    """Where x² + y² = 0.2² and x² + (y − 0.5)² = 0.44² meet."""
    outline = shapely.Polygon([(0, 0.5), (2, 2.5), (-2, 2.5)])
    centre, _, held = best([[0.2, 0.5]], [0.0], play=0.2, outline=outline, clear=0.44)
    y = 0.25 - (0.44**2 - 0.2**2) / (2 * 0.5)
    assert centre == pytest.approx((math.sqrt(0.04 - y * y), y), abs=1e-9)
    assert held == ("play", "clear outline")


def test_round_a_corner_as_far_as_a_half_plane():
    outline = shapely.Polygon([(0, 0.5), (2, 2.5), (-2, 2.5)])
    pit = {"normals": np.array([[1.0, 0.0]]), "offsets": np.array([0.1])}
    centre, _, held = best([[1.0, 0.3]], [0.0], play=1.0, outline=outline, clear=0.44, **pit)
    assert centre == pytest.approx((0.1, 0.5 - math.sqrt(0.44**2 - 0.1**2)))
    assert held == ("pit", "clear outline")


def test_along_the_line_no_nearer_to_a_corner_than_permitted():
    outline = shapely.Polygon([(0.3, 0.2), (1.3, 5.2), (-0.7, 5.2)])
    centre, _, held = best([[0.3, 0.0]], [0.0], line=[1.0, 0.0], play=1.0, outline=outline, clear=0.3)
    assert centre == pytest.approx((0.3 - math.sqrt(0.3**2 - 0.2**2), 0))
    assert held == ("clear outline",)


def test_in_a_notch_of_an_outline_both_edges_hold():
    outline = shapely.Polygon([(-3, -3), (0, 1), (3, -3), (3, 4), (-3, 4)])
    centre, _, _ = best([[0.0, 3.0]], [0.0], play=3.0, outline=outline, clear=0.3)
    # both edges 4:3; 0.3 off each the centre lies 0.3/0.6 below the tip
    assert centre == pytest.approx((0, 0.5))


def test_no_farther_inside_where_the_face_may_stand_inside():
    outline = shapely.box(-5, -0.1, 5, 3)
    centre, _, _ = best([[0.0, 2.0]], [0.0], play=1.0, outline=outline, clear=-0.15)
    assert centre == pytest.approx((0, 0.05))


def test_without_play_it_stays():
    centre, value, held = best([[1.0, 0.0]], [0.4], play=0.0)
    assert (centre, value, held) == ((0, 0), pytest.approx(0.6), ("play",))
