"""The legend of a pile sheet: what is on that sheet and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.pile_charts import BAND, DIRECTION_LIMIT, DOT, LIMIT_DASH, TOLERANCE_DASH
from asbuilt.output.sheets.samples import line_sample
from asbuilt.output.sheets.symbols import OTHER_DASH, PREDICTED_DASH, crosses, pluses

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.pile_charts import Plumb
    from asbuilt.views import PileProfile

__all__ = ["pile_legend"]

ROW = 1.4
"""Height of a sample in heights of text."""


def pile_legend(plots: Sequence[Plumb], profile: PileProfile, *, ellipses: Sequence[str]) -> tuple[Entry, ...]:
    """Return the legend of a pile sheet; ``ellipses`` names the levels whose ellipse is drawn in plan."""
    return (*_axis(plots, profile), *_limits(plots), *_readings(plots), *_plan(profile, ellipses))


def _axis(plots: Sequence[Plumb], profile: PileProfile) -> Iterator[Entry]:
    known = np.isfinite(profile.deviation).all(axis=1)
    if known.any():
        below = float(profile.predicted_below)
        if np.isfinite(below) and (profile.level[known] >= below).any():
            yield Entry(text="axis as measured", sample=line_sample(width=BOLD + 0.1), height=ROW)
        if not np.isfinite(below) or (profile.level[known] < below).any():
            yield Entry(
                text="axis predicted, nothing read",
                sample=line_sample(width=BOLD + 0.1, dash=PREDICTED_DASH),
                height=ROW,
            )
        yield Entry(text="95 % band of the axis at each level", sample=_band, height=ROW)
    if any(np.isfinite(plot.other).any() for plot in plots):
        yield Entry(text="the other lean model", sample=line_sample(width=FINE, dash=OTHER_DASH), height=ROW)


def _limits(plots: Sequence[Plumb]) -> Iterator[Entry]:
    if plots[0].funnel:
        slope = plots[0].funnel[1]
        start = ", from design" if plots[0].from_design else ""
        yield Entry(
            text=f"lean allowed, {slope:.2f} mm/m{start}",
            sample=line_sample(width=FINE, dash=LIMIT_DASH),
            height=ROW,
        )
    if np.isfinite(plots[0].plan_allowed):
        yield Entry(text=f"plan tolerance at cut-off, {plots[0].plan_allowed:.1f} mm", sample=_ticks, height=ROW)
    if any(plot.pit for plot in plots):
        yield Entry(
            text="allowed towards the pit, to formation",
            sample=line_sample(width=MEDIUM, dash=DIRECTION_LIMIT),
            height=ROW,
        )


def _readings(plots: Sequence[Plumb]) -> Iterator[Entry]:
    plot = plots[0]
    if len(plot.reading_level) and np.isfinite(plot.reading_at).any():
        text = "lean reading, as if straight to there"
        yield Entry(text=text, sample=_dot, height=ROW)
    elif len(plot.reading_level):
        text = "lean reading over 2 m, about zero"
        yield Entry(text=text, sample=_slope, height=ROW)
    if len(plot.row_level):
        yield Entry(text="row of the measured profile", sample=_full_dot, height=ROW)


def _plan(profile: PileProfile, ellipses: Sequence[str]) -> Iterator[Entry]:
    if ellipses:
        yield Entry(text=f"plan: 95 % ellipse, {' and '.join(ellipses)}", sample=_ring, height=ROW)
    if profile.shot_edge.any():
        yield from _shots(profile)


def _shots(profile: PileProfile) -> Iterator[Entry]:
    if (profile.shot_edge & profile.shot_used).any():
        yield Entry(text="edge shot, mm outside the circle", sample=_full_dot, height=ROW)
    if (~profile.shot_edge & profile.shot_used).any():
        yield Entry(text="centre shot", sample=_plus, height=ROW)
    if (~profile.shot_used).any():
        yield Entry(text="shot that is not used", sample=_cross, height=ROW)
    if profile.fit is not None:
        yield Entry(text="fitted circle", sample=line_sample(width=MEDIUM), height=ROW)
    yield Entry(text="nominal circle", sample=line_sample(width=FINE, dash=TOLERANCE_DASH), height=ROW)


def _place(box: Box) -> tuple[float, float]:
    return box.left + 0.4 * box.width, box.middle[1]


def _band(canvas: Canvas, box: Box) -> None:
    low, high = box.bottom + 0.1 * box.height, box.top - 0.1 * box.height
    right = box.left + 0.9 * box.width
    canvas.shapes([[(box.left, low), (right, low), (right, high), (box.left, high)]], fill=BAND)


def _ticks(canvas: Canvas, box: Box) -> None:
    x, y = _place(box)
    canvas.lines([[(x + d, y - 1.5), (x + d, y + 1.5)] for d in (-0.38 * box.width, -0.16 * box.width)], width=MEDIUM)
    canvas.circles([(x + 0.22 * box.width, y)], 0.46 * box.height, width=FINE, colour=INK, dash=TOLERANCE_DASH)


def _dot(canvas: Canvas, box: Box) -> None:
    canvas.circles([_place(box)], DOT, width=FINE, colour=INK, fill=WHITE)


def _full_dot(canvas: Canvas, box: Box) -> None:
    canvas.circles([_place(box)], 0.8, fill=INK)


def _slope(canvas: Canvas, box: Box) -> None:
    x, y = _place(box)
    canvas.lines([[(x - 0.5, y + 1.8), (x + 0.5, y - 1.8)]], width=MEDIUM)


def _ring(canvas: Canvas, box: Box) -> None:
    x, y = _place(box)
    at = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    ring = np.stack([x + 3.2 * np.cos(at), y + 0.42 * box.height * np.sin(at)], axis=1)
    canvas.lines([ring], width=THIN, closed=True)


def _plus(canvas: Canvas, box: Box) -> None:
    x, y = _place(box)
    canvas.lines(pluses(np.array([[x, y]]), np.array([1.1])), width=MEDIUM)


def _cross(canvas: Canvas, box: Box) -> None:
    x, y = _place(box)
    canvas.lines(crosses(np.array([[x, y]]), np.array([1.1])), width=FINE)
