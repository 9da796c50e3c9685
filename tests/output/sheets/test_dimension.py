"""Dimension lines and callouts: what they draw on the canvas."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.canvas import WHITE, Canvas
from asbuilt.output.sheets.dimension import HEAD, Callout, block_size, dimension, end_marks
from asbuilt.output.sheets.lettering import text_width


class Recorder(Canvas):
    """A sheet that remembers what was drawn on it."""

    def __init__(self):
        super().__init__(200.0, 100.0)
        self.drawn, self.filled, self.written = [], [], []

    def lines(self, segments, **look):
        self.drawn.extend(np.asarray(segments, dtype=float).reshape(-1, 2, 2))
        super().lines(segments, **look)

    def shapes(self, corners, *, fill, **look):
        self.filled.extend((fill, np.asarray(part)) for part in np.asarray(corners, dtype=float))
        super().shapes(corners, fill=fill, **look)

    def text(self, x, y, text, **look):
        self.written.append((text, x, y, look.get("angle", 0.0)))
        super().text(x, y, text, **look)

    @property
    def heads(self):
        return [part for fill, part in self.filled if fill != WHITE]

    @property
    def grounds(self):
        return [part for fill, part in self.filled if fill == WHITE]


def test_heads_stand_inside_where_there_is_room():
    canvas = Recorder()
    assert end_marks(canvas, [(10.0, 50.0)], [(30.0, 50.0)])
    first, last = canvas.heads
    assert first[0] == pytest.approx((10.0, 50.0))
    assert first[1:, 0] == pytest.approx([10.0 + HEAD] * 2)
    assert last[1:, 0] == pytest.approx([30.0 - HEAD] * 2)


def test_heads_point_from_outside_at_what_is_too_short_for_them():
    canvas = Recorder()
    assert not end_marks(canvas, [(10.0, 50.0)], [(10.3, 50.0)])
    first, last = canvas.heads
    assert first[0] == pytest.approx((10.0, 50.0))
    assert first[1:, 0] == pytest.approx([10.0 - HEAD] * 2)
    assert last[0] == pytest.approx((10.3, 50.0))
    assert last[1:, 0] == pytest.approx([10.3 + HEAD] * 2)


def test_two_points_that_are_one_have_heads_all_the_same():
    canvas = Recorder()
    end_marks(canvas, [(10.0, 50.0)], [(10.0, 50.0)])
    assert len(canvas.heads) == 2
    assert all(np.isfinite(part).all() for part in canvas.heads)


def test_figures_stand_in_the_middle_on_a_white_ground():
    canvas = Recorder()
    box = dimension(canvas, (10.0, 50.0), (60.0, 50.0), ["546 mm"], height=2.5)
    (ground,) = canvas.grounds
    assert ground.mean(axis=0) == pytest.approx((35.0, 50.0))
    ((said, x, _, angle),) = canvas.written
    assert (said, angle) == ("546 mm", 0.0)
    assert x + text_width(said, 2.5) / 2 == pytest.approx(35.0)
    assert (box.left, box.right) == pytest.approx((ground[:, 0].min(), ground[:, 0].max()))


def test_figures_without_room_stand_beyond_the_end():
    canvas = Recorder()
    box = dimension(canvas, (10.0, 50.0), (12.0, 50.0), ["20 mm"], height=2.5)
    assert box.left > 12.0 + HEAD


@pytest.mark.parametrize(
    ("end", "angle"), [((10.0, 80.0), 90.0), ((10.0, 20.0), 90.0), ((-40.0, 50.0), 0.0), ((45.36, 85.36), 45.0)]
)
def test_figures_are_read_from_below_or_from_the_right(end, angle):
    canvas = Recorder()
    dimension(canvas, (10.0, 50.0), end, ["7 m"], height=2.5)
    ((_, _, _, turned),) = canvas.written
    assert turned == pytest.approx(angle, abs=0.01)


def test_an_offset_dimension_has_extension_lines_that_stay_off_what_is_measured():
    canvas = Recorder()
    dimension(canvas, (10.0, 50.0), (60.0, 50.0), ["5 m"], height=2.5, offset=8.0)
    first, last, line = canvas.drawn[:3]
    assert first == pytest.approx(np.array([(10.0, 50.5), (10.0, 59.0)]))
    assert last == pytest.approx(np.array([(60.0, 50.5), (60.0, 59.0)]))
    assert line == pytest.approx(np.array([(10.0, 58.0), (60.0, 58.0)]))


def test_without_figures_marks_stand_alone():
    canvas = Recorder()
    assert dimension(canvas, (10.0, 50.0), (60.0, 50.0), [], height=2.5) is None
    assert canvas.written == []
    assert len(canvas.heads) == 2


def test_a_leader_ends_at_the_edge_of_the_ground():
    canvas = Recorder()
    callout = Callout(foot=np.array([50.0, 20.0]), middle=np.array([50.0, 40.0]), lines=("open", "7 mm"), height=2.5)
    callout.draw(canvas)
    (leader,) = canvas.drawn
    assert leader == pytest.approx(np.array([(50.0, 20.0), (50.0, 40.0 - callout.size[1] / 2)]))


def test_lines_of_a_callout_lie_within_its_ground():
    canvas = Recorder()
    callout = Callout(
        foot=np.array([50.0, 20.0]), middle=np.array([80.0, 40.0]), lines=("A1~A2: open", "q"), height=2.5
    )
    callout.draw(canvas)
    (ground,) = canvas.grounds
    low, high = ground.min(axis=0), ground.max(axis=0)
    for said, x, y, _ in canvas.written:
        assert low[0] <= x
        assert x + text_width(said, 2.5) <= high[0]
        assert low[1] <= y - 0.33 * 2.5 + 1e-9
        assert y + 2.5 <= high[1]
    assert (high - low) == pytest.approx(block_size(callout.lines, 2.5))
