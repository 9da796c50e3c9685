"""Marks near their own joints: places on a line, and rings too small for every mark on the pit side."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.flags import free_room, joint_flags
from asbuilt.output.sheets.nearness import crosses_circles, nearest_is_own
from asbuilt.output.sheets.plan_layout import lay_out

BOX = Box(left=20.0, bottom=30.0, width=260.0, height=250.0)


def ring(job, n, across):
    """Return the plan of a closed ring none of whose joints is within."""
    spacing = across * np.sin(np.pi / n)
    result = job(n, spacing=spacing, diameter_mm=1200.0 * spacing)
    result.joints.columns["verdict"][:] = 1 + np.arange(n) % 3
    return result


def whole(result, box):
    """Return everything laid out on one page, at the first scale that takes it."""
    tried = (lay_out(result, box, 2.5, scale=scale) for scale in (50, 100, 200, 250, 500))
    return next(pages[0] for pages in tried if len(pages) == 1)


def owners(plan, at):
    """Return the joint nearest to each point."""
    return np.argmin(np.hypot(*(at[:, None] - plan.joint_middle[None]).transpose(2, 0, 1)), axis=1)


@pytest.mark.parametrize(("n", "across"), [(3, 1.0), (8, 2.0), (16, 3.7), (60, 15.0)])
@pytest.mark.parametrize("box", [BOX, Box(left=20.0, bottom=30.0, width=85.0, height=85.0)], ids=["large", "small"])
def test_every_joint_mark_is_nearest_to_a_joint_of_its_own_verdict(n, across, box, job):
    plan = whole(ring(job, n, across), box)
    flags = joint_flags(plan, free_room(plan))
    placed = 0
    for code, at in flags.markers:
        nearest = owners(plan, at)
        assert plan.joint_verdict[nearest].tolist() == [code] * len(at)
        assert len(set(nearest.tolist())) == len(at)
        placed += len(at)
    assert placed + flags.left_out == n


@pytest.mark.parametrize(("n", "across"), [(3, 1.0), (8, 2.0), (16, 3.7)])
def test_no_joint_mark_is_left_out_on_a_small_ring(n, across, job):
    plan = whole(ring(job, n, across), BOX)
    assert joint_flags(plan, free_room(plan)).left_out == 0


@pytest.mark.parametrize(("n", "across"), [(3, 1.0), (8, 2.0), (16, 3.7)])
def test_the_wall_of_a_small_ring_is_named(n, across, job, sheet_of):
    said = sheet_of(ring(job, n, across)).words()
    assert "Wall A" in said


def test_a_name_outside_a_ring_does_not_say_inside(job, sheet_of):
    said = sheet_of(ring(job, 3, 1.0)).words()
    assert "pit: inside the ring" in said
    assert "inside: pit" not in said


def test_a_point_is_its_own_where_it_is_clearly_nearest():
    places = np.array([[0.0, 0.0], [10.0, 0.0]])
    at = np.array([[4.0, 3.0], [5.0, 0.0], [6.0, 0.0], [np.nan, 0.0]])
    assert nearest_is_own(at, np.zeros(4, dtype=np.int64), places).tolist() == [True, False, False, False]


def test_a_line_through_a_circle_crosses_it():
    start = np.array([[0.0, 0.0], [0.0, 3.0]])
    end = np.array([[10.0, 0.0], [10.0, 3.0]])
    assert crosses_circles(start, end, np.array([[5.0, 0.0]]), np.array([2.0])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("centre", "radius", "crossed"),
    [
        # between samples of the line, small, and beside a large circle whose centre is nearer
        ((31.7, 0.1), 0.3, True),
        ((31.7, 0.4), 0.3, False),
        ((0.0, 0.2), 0.3, True),
        ((100.4, 0.0), 0.3, False),
        ((31.7, 0.295), 0.3, False),
    ],
)
def test_a_small_circle_is_crossed_wherever_it_lies_on_a_line(centre, radius, crossed):
    start, end = np.array([[0.0, 0.0]]), np.array([[100.0, 0.0]])
    centres = np.array([centre, (31.7, 30.0), (50.0, 40.0)])
    assert crosses_circles(start, end, centres, np.array([radius, 29.0, 1.0])).tolist() == [crossed]


def test_crossings_are_those_of_a_geometry_library():
    import shapely

    rng = np.random.default_rng(3)
    start, end = rng.uniform(0.0, 60.0, (300, 2)), rng.uniform(0.0, 60.0, (300, 2))
    end[:100] = start[:100] + rng.normal(0.0, 2.0, (100, 2))
    centre, radius = rng.uniform(0.0, 60.0, (40, 2)), rng.uniform(0.2, 4.0, 40)
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    apart = shapely.distance(lines[:, None], shapely.points(centre)[None, :])
    expected = (apart < 0.98 * radius).any(axis=1)
    assert 50 < expected.sum() < 250
    assert crosses_circles(start, end, centre, radius).tolist() == expected.tolist()


def test_what_is_not_known_crosses_nothing():
    start, end = np.array([[0.0, 0.0], [np.nan, 0.0]]), np.array([[9.0, 0.0], [9.0, 0.0]])
    centre = np.array([[np.nan, 0.0], [5.0, 0.0]])
    assert crosses_circles(start, end, centre, np.array([2.0, 1.0])).tolist() == [True, False]
    assert crosses_circles(start, end, centre[:1], np.array([2.0])).tolist() == [False, False]
