"""How bands are drawn: strokes stay inside their rectangles, fills end where bands end, states differ in grey."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.patches import PathPatch

from asbuilt.output.sheets.bands import (
    BAND_LOOKS,
    HATCH,
    band_sample,
    draw_bands,
    draw_predicted,
    draw_triangles,
    strokes,
)
from asbuilt.output.sheets.canvas import Box, Canvas
from asbuilt.output.sheets.lettering import POINTS_PER_MM
from asbuilt.views import JOINT_STATES

BOXES = np.array([[10.0, 20.0, 14.0, 60.0], [14.2, 20.0, 18.2, 21.0], [30.0, 5.0, 60.0, 8.0]])


def drawn_paths(canvas):
    """Return the paths in the order in which they are drawn."""
    return [artist for artist in canvas.figure.get_children() if isinstance(artist, PathPatch)]


def filled(canvas):
    """Return colour and the points of every filled path, in mm."""
    return {
        patch.get_facecolor(): patch.get_path().vertices
        for patch in drawn_paths(canvas)
        if patch.get_facecolor()[3] > 0 and patch.get_edgecolor()[3] == 0
    }


@pytest.mark.parametrize("falling", [False, True])
def test_strokes_fill_a_rectangle_from_edge_to_edge(falling):
    lines = strokes(BOXES[:1], 1.3, falling=falling)
    left, bottom, right, top = BOXES[0]
    x, y = lines[..., 0], lines[..., 1]
    on_edge = np.minimum.reduce([np.abs(x - left), np.abs(x - right), np.abs(y - bottom), np.abs(y - top)])
    assert np.max(on_edge) < 1e-9
    np.testing.assert_array_equal(lines >= BOXES[0, :2] - 1e-9, True)
    np.testing.assert_array_equal(lines <= BOXES[0, 2:] + 1e-9, True)
    # as many as cross the outline: its projection on the normal, width + height, in steps
    assert len(lines) == pytest.approx((right - left + top - bottom) / 1.3, abs=1)


@pytest.mark.parametrize(("falling", "slope"), [(False, 1.0), (True, -1.0)])
def test_strokes_rise_or_fall_at_45_degrees(falling, slope):
    run = np.diff(strokes(BOXES, 0.9, falling=falling), axis=1)[:, 0]
    np.testing.assert_allclose(run[:, 1], slope * run[:, 0], atol=1e-9)


def test_strokes_of_neighbours_lie_on_the_same_parallels():
    lines = strokes(BOXES[:2], HATCH)
    shift = (lines[:, 0, 1] - lines[:, 0, 0]) / HATCH
    np.testing.assert_allclose(shift, np.round(shift), atol=1e-9)


def test_no_strokes_where_an_edge_is_not_known_or_there_is_no_height():
    assert len(strokes(np.array([[0.0, np.nan, 5.0, 5.0], [0.0, 5.0, 5.0, 5.0], [0.0, 6.0, 5.0, 5.0]]), 1.0)) == 0


@pytest.mark.parametrize("state", [JOINT_STATES.index(name) for name in ("open", "lost", "not sure", "sure")])
def test_a_fill_ends_exactly_where_its_band_ends(state):
    canvas = Canvas(100, 100)
    draw_bands(canvas, BOXES[:1], np.array([state]))
    (points,) = filled(canvas).values()
    np.testing.assert_allclose([points.min(axis=0), points.max(axis=0)], BOXES[0].reshape(2, 2), atol=1e-9)


def test_edges_lie_inside_the_band():
    canvas = Canvas(100, 100)
    draw_bands(canvas, BOXES, np.array([1, 1, 1]))
    (edge,) = [patch for patch in drawn_paths(canvas) if patch.get_edgecolor()[3] > 0]
    half = edge.get_linewidth() / POINTS_PER_MM / 2
    first = edge.get_path().vertices[:4]
    np.testing.assert_allclose(first.min(axis=0) - half, BOXES[0, :2], atol=1e-9)
    np.testing.assert_allclose(first.max(axis=0) + half, BOXES[0, 2:], atol=1e-9)


def test_what_is_not_surveyed_has_no_fill_and_a_dotted_edge_and_triangles():
    canvas = Canvas(100, 100)
    draw_bands(canvas, BOXES[:1], np.array([JOINT_STATES.index("not surveyed")]))
    edge, triangles = drawn_paths(canvas)
    assert edge.get_facecolor()[3] == 0
    assert edge.get_linestyle() == (0, pytest.approx([0.35 * POINTS_PER_MM, 0.65 * POINTS_PER_MM]))
    # 40 mm high: one every 18 mm, rounded; each a closed path of three corners
    assert len(triangles.get_path().vertices) == 2 * 4


def test_without_boxes_there_are_no_triangles():
    canvas = Canvas(100, 100)
    draw_triangles(canvas, np.empty((0, 4)))
    assert drawn_paths(canvas) == []


def test_predicted_is_drawn_over_but_never_outside():
    canvas = Canvas(100, 100)
    draw_predicted(canvas, np.array([[10.0, 20.0, 14.0, 60.0], [20.0, np.nan, 24.0, 60.0]]))
    points = np.concatenate([patch.get_path().vertices for patch in drawn_paths(canvas)])
    np.testing.assert_array_equal(points >= np.array([10.0, 20.0]) - 1e-9, True)
    np.testing.assert_array_equal(points <= np.array([14.0, 60.0]) + 1e-9, True)
    assert len(points) > 10


def test_states_differ_without_colour():
    assert [look.name for look in BAND_LOOKS] == list(JOINT_STATES)

    def grey(colour):
        return sum(w * int(colour[k : k + 2], 16) for w, k in ((0.299, 1), (0.587, 3), (0.114, 5)))

    drawn = {
        (round(grey(look.fill) / 32) if look.fill else None, look.hatched, look.width, bool(look.dash))
        for look in BAND_LOOKS
    }
    assert len(drawn) == len(JOINT_STATES)
    open_, lost = BAND_LOOKS[0].fill, BAND_LOOKS[1].fill
    assert grey(lost) - grey(open_) > 100


def test_a_sample_stays_in_its_box():
    canvas = Canvas(100, 100)
    box = Box(left=20.0, bottom=30.0, width=18.0, height=5.0)
    for state in range(len(JOINT_STATES)):
        band_sample(state)(canvas, box)
    points = np.concatenate([patch.get_path().vertices for patch in drawn_paths(canvas)])
    np.testing.assert_array_equal(points >= [box.left, box.bottom], True)
    np.testing.assert_array_equal(points <= [box.right, box.top], True)
