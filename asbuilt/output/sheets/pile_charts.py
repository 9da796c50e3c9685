"""The upright pictures of a pile sheet: the axis against depth in two directions, with limits and readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN
from asbuilt.output.sheets.chart import GRID, round_step, tag
from asbuilt.output.sheets.figures import figure, level_figure, true_minus
from asbuilt.output.sheets.lettering import text_width
from asbuilt.output.sheets.levels import lead_to_names
from asbuilt.output.sheets.stacking import spread
from asbuilt.output.sheets.symbols import OTHER_DASH, PREDICTED_DASH

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Floats
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.chart import Chart

__all__ = [
    "BAND",
    "DIRECTION_LIMIT",
    "DOT",
    "LIMIT_DASH",
    "RATIOS",
    "TOLERANCE_DASH",
    "Plumb",
    "choose_ratio",
    "draw_levels",
    "draw_plumb",
    "level_ticks",
    "ratio_text",
]

#: Fill of the uncertainty band.
BAND = "#DEDEDE"
#: Dashes [mm]: limits of lean, of plan and towards the pit.
LIMIT_DASH = (3.2, 0.8)
TOLERANCE_DASH = (1.2, 0.7)
DIRECTION_LIMIT = (4.0, 0.7, 0.5, 0.7, 0.5, 0.7)
#: Half of the central 95 % of a normal distribution, in standard deviations.
WITHIN_95 = 1.959964
#: Millimetres on site for one on paper.
RATIOS = tuple(step * 10.0**power for power in range(-2, 6) for step in (1.0, 2.0, 2.5, 5.0))
DOT = 0.75


def choose_ratio(reach: float, room: float, ratios: Sequence[float] = RATIOS) -> float:
    """Return how many mm on site are one on paper: the least round number at which ``reach`` goes into ``room``."""
    return next((ratio for ratio in ratios if reach <= ratio * room * (1 + 1e-9)), ratios[-1])


def ratio_text(ratio: float) -> str:
    """Return a ratio as a scale: 1:5, or 2:1 where the paper shows it larger than it is."""
    return f"1:{ratio:g}" if ratio >= 1 else f"{1 / ratio:g}:1"


@dataclass(frozen=True, kw_only=True)
class Plumb:
    """What one verticality plot shows: deviation [mm] in one direction against level [m]."""

    title: str
    level: Floats
    deviation: Floats
    sigma: Floats
    other: Floats
    predicted_below: float
    cut_off: float
    funnel: tuple[float, float, float] | None
    """Where it opens [mm], its slope [mm/m], the level of its foot."""
    from_design: bool
    """Whether it opens from the design centre, since no centre is known at cut-off."""
    plan_allowed: float
    pit: tuple[float, float, float] | None
    """Movement allowed at cut-off [mm], its growth [mm/m], and the level that it is judged down to."""
    reading_level: Floats
    reading_slope: Floats
    reading_at: Floats
    """NaN where the pile is not surveyed: the slopes are then drawn about zero."""
    row_level: Floats
    row_at: Floats
    words: tuple[str, ...] = ()

    @property
    def figures(self) -> tuple[Floats, Floats, str, int]:
        """What stands in the lane: levels, values, unit, digits; the readings, else the rows of a profile."""
        if len(self.reading_level):
            return self.reading_level, self.reading_slope, "mm/m", 1
        return self.row_level, self.row_at, "mm", 0

    @property
    def reach(self) -> float:
        """The greatest deviation that must find room [mm]."""
        parts: list[float] = [1.0, self.plan_allowed]
        for values in (
            np.abs(self.deviation) + np.nan_to_num(WITHIN_95 * self.sigma),
            np.abs(self.other),
            np.abs(self.reading_at),
            np.abs(self.row_at),
        ):
            parts += values[np.isfinite(values)].tolist()
        if self.funnel:
            start, slope, foot = self.funnel
            parts.append(abs(start) + slope * max(0.0, self.cut_off - foot))
        if self.pit:
            allowed, growth, foot = self.pit
            parts.append(allowed + growth * max(0.0, self.cut_off - foot))
        return float(np.nanmax(parts))


def draw_plumb(canvas: Canvas, plot: Plumb, chart: Chart, lane: Box, text: float) -> None:
    """Draw one verticality plot into its window, and its readings' values into the lane beside it.

    Parameters
    ----------
    canvas : Canvas
    plot : Plumb
    chart : Chart
        The window: deviation [mm] across, level [m] up.
    lane : Box
        Where the values of the readings stand, at their levels.
    text : float
        Height of a capital letter [mm].
    """
    z, d = plot.level, plot.deviation
    low, high = d - WITHIN_95 * plot.sigma, d + WITHIN_95 * plot.sigma
    chart.between(canvas, z, low, high, fill=BAND)
    _grid(canvas, chart, text)
    chart.up(canvas, 0.0, width=THIN, colour=GREY)
    _limits(canvas, plot, chart)
    chart.line(canvas, plot.other, z, width=FINE, dash=OTHER_DASH)
    measured = z >= plot.predicted_below - 1e-9 if np.isfinite(plot.predicted_below) else np.zeros(len(z), dtype=bool)
    chart.line(canvas, np.where(measured, d, np.nan), z, width=BOLD + 0.1)
    below = ~measured
    below[:-1] |= ~measured[1:]
    chart.line(canvas, np.where(below, d, np.nan), z, width=BOLD + 0.1, dash=PREDICTED_DASH)
    _readings(canvas, plot, chart)
    rows = chart.at(plot.row_at, plot.row_level)
    canvas.circles(rows[np.isfinite(rows).all(axis=1)], 0.55, fill=INK, clip=chart.box)
    canvas.rectangle(chart.box, width=FINE)
    if len(plot.figures[0]):
        canvas.rectangle(lane, width=THIN)
        _figures(canvas, plot, chart, lane, text)
    canvas.text(chart.box.middle[0], chart.box.top + 0.8 * text, plot.title, height=1.15 * text, anchor="centre")
    for number, line in enumerate(plot.words):
        tag(canvas, chart.box.middle[0], chart.box.middle[1] - 1.9 * text * number, line, height=text, anchor="centre")


def _grid(canvas: Canvas, chart: Chart, text: float) -> None:
    box = chart.box
    ticks = chart.x.ticks(max(4, int(box.width / (5.0 * text))))
    at = chart.at(ticks, np.full(len(ticks), chart.y.low))[:, 0]
    levels = chart.y.ticks(max(2, int(box.height / (3.0 * text))))
    up = chart.at(np.zeros(len(levels)), levels)[:, 1]
    canvas.lines([[(a, box.bottom), (a, box.top)] for a in at], width=HAIR, colour=GRID)
    canvas.lines([[(box.left, b), (box.right, b)] for b in up], width=HAIR, colour=GRID)
    canvas.lines([[(a, box.bottom), (a, box.bottom - 1.0)] for a in at], width=THIN)
    for value, a in zip(ticks, at, strict=True):
        label = figure(float(value), digits=0, plus=True)
        half = text_width(label, text) / 2
        if box.left - 2 * text < a - half and a + half < box.right + 0.5 * text:
            canvas.text(a, box.bottom - 1.6 - text, label, height=text, anchor="centre")


def _limits(canvas: Canvas, plot: Plumb, chart: Chart) -> None:
    """Draw the funnel of the lean, the plan tolerance as ticks at cut-off, and the limit towards the pit."""
    if plot.funnel:
        start, slope, foot = plot.funnel
        wide = slope * (plot.cut_off - foot)
        for side in (-1.0, 1.0):
            chart.line(canvas, [start, start + side * wide], [plot.cut_off, foot], width=FINE, dash=LIMIT_DASH)
    if np.isfinite(plot.plan_allowed):
        for x, y in chart.at(np.array([-1.0, 1.0]) * plot.plan_allowed, [plot.cut_off, plot.cut_off]):
            canvas.lines([[(x, y - 2.0), (x, y + 2.0)]], width=MEDIUM, clip=chart.box)
    if plot.pit:
        allowed, growth, foot = plot.pit
        deep = max(0.0, plot.cut_off - foot)
        chart.line(canvas, [allowed, allowed + growth * deep], [plot.cut_off, foot], width=MEDIUM, dash=DIRECTION_LIMIT)


def _readings(canvas: Canvas, plot: Plumb, chart: Chart) -> None:
    """Draw the readings as points, or as strokes of their slope where no position is known."""
    at = chart.at(plot.reading_at, plot.reading_level)
    known = np.isfinite(at).all(axis=1)
    canvas.circles(at[known], DOT + 0.35, fill="#FFFFFF", clip=chart.box)
    canvas.circles(at[known], DOT, width=FINE, colour=INK, clip=chart.box)
    for level, slope in zip(plot.reading_level[~known], plot.reading_slope[~known], strict=True):
        chart.line(canvas, [-slope, slope], [level + 1.0, level - 1.0], width=MEDIUM)


def _figures(canvas: Canvas, plot: Plumb, chart: Chart, lane: Box, text: float) -> None:
    """Write the values of readings or rows at their levels; those between are left out where there is no room."""
    levels, values, unit, digits = plot.figures
    canvas.text(lane.middle[0], lane.bottom - 1.6 - text, unit, height=text, anchor="centre")
    up = chart.at(np.zeros(len(levels)), levels)[:, 1]
    gap = 1.45 * text
    most = max(1, int((lane.height - text) / gap))
    shown = np.unique(np.linspace(0, len(up) - 1, min(most, len(up))).astype(int))
    places = spread(up[shown], gap, lane.bottom + 0.8 * text, lane.top - 0.8 * text, downwards=True)
    for k, y in zip(shown, places, strict=True):
        canvas.lines([[(lane.left, up[k]), (lane.left + 0.8 * text, y)]], width=HAIR)
        value = figure(float(values[k]), digits=digits, plus=True)
        canvas.text(lane.right - 0.5 * text, y - text / 2, value, height=text, anchor="right")


def draw_levels(
    canvas: Canvas, named: Sequence[tuple[str, float]], charts: Sequence[Chart], lanes: Sequence[Box], text: float
) -> None:
    """Draw named levels across plots that stand side by side, and their names right of the last lane."""
    last = lanes[-1]
    up = [float(charts[0].at(0.0, level)[1]) for _, level in named]
    for name, level in named:
        for chart in charts:
            chart.across(canvas, level, width=FINE if name == "cut-off" else THIN, colour=GREY)
    places = lead_to_names(canvas, up, last, text)
    for (name, level), place in zip(named, places, strict=True):
        canvas.text(last.right + 2.5 * text, place - text / 2, f"{name} {level_figure(level)}", height=text)


def level_ticks(cut_off: float, low: float, high: float, most: int) -> Iterator[tuple[float, str]]:
    """Yield levels at round depths below cut-off, and the depths as printed [m]."""
    step = round_step(high - low, most)
    for k in range(int(np.ceil((cut_off - high) / step)), int(np.floor((cut_off - low) / step)) + 1):
        yield cut_off - k * step, true_minus(f"{k * step:g}")
