"""The legend of a joint sheet: what is on that sheet and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.bands import band_sample
from asbuilt.output.sheets.canvas import FINE, GREY, HAIR, HEAVY, INK, MEDIUM, THIN, WHITE
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.joint_chart import BAND
from asbuilt.output.sheets.joint_slices import BODY, NEIGHBOUR, OPENING
from asbuilt.output.sheets.samples import line_sample
from asbuilt.output.sheets.symbols import BOUND_DASH, DESIGN_DASH, OTHER_DASH, PREDICTED_DASH, UNKNOWN_DASH
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.joint_chart import JointChart
    from asbuilt.output.sheets.joint_slices import Grid

    Sample = Callable[[Canvas, Box], None]

__all__ = ["joint_legend"]

#: Heights of samples in heights of text.
LOW, HIGH = 1.3, 1.7
_STATES = {
    "open": "open: a gap",
    "lost": "lost: less than asked for",
    "not sure": "enough, but not sure",
    "sure": "sure",
    "not surveyed": "not surveyed",
}


def joint_legend(chart: JointChart, grid: Grid) -> tuple[Entry, ...]:
    """Return the legend of the sheet that shows this chart and these slices."""
    return (*_curves(chart), *_strip(chart), *_circles(grid))


def _curves(chart: JointChart) -> Iterator[Entry]:
    p = chart.profile
    known = np.isfinite(p.overlap)
    above = known & ~(p.level < p.predicted_below)
    predicted = bool((known & ~above).any())
    if known.any():
        also = "; dashed: predicted" if predicted else ""
        yield Entry(text=f"overlap, lean model that governs{also}", sample=_governing(predicted), height=LOW)
        sure = f"{chart.confidence * 100:.4g} %"
        yield Entry(text=f"lies right of the left edge with {sure} confidence", sample=_band, height=LOW)
    if np.isfinite(p.other_overlap).any():
        yield Entry(text=f"other lean model, {chart.other_model}; finer: its left edge", sample=_other, height=LOW)


def _strip(chart: JointChart) -> Iterator[Entry]:
    for state in sorted(set(chart.band_states.tolist())):
        yield Entry(text=_STATES[JOINT_STATES[state]], sample=band_sample(state), height=LOW)


def _circles(grid: Grid) -> Iterator[Entry]:
    known = [(cut, k) for cut in grid.cuts for k in (0, 1) if np.isfinite(cut.centres[k, 0]) and cut.stands[k]]
    looks: tuple[tuple[tuple[float, ...], bool], ...] = (((), False), (PREDICTED_DASH, True))
    dashes = [dash for dash, guessed in looks if any(cut.predicted[k] == guessed for cut, k in known)]
    if dashes:
        said = "as built, predicted" if dashes == [PREDICTED_DASH] else "as built"
        also = "; dashed: predicted" if len(dashes) > 1 else ""
        yield Entry(text=f"{said}{also}", sample=_circle(MEDIUM, dashes, fill=BODY), height=HIGH)
    surveyed = [bool(np.isfinite(cut.centres[k, 0])) for cut in grid.cuts for k in (0, 1)]
    if any(surveyed):
        yield Entry(text="as designed", sample=_circle(THIN, [DESIGN_DASH]), height=HIGH)
    if not all(surveyed):
        yield Entry(text="as designed, not surveyed", sample=_circle(MEDIUM, [UNKNOWN_DASH]), height=HIGH)
    if any(len(cut.neighbours) for cut in grid.cuts):
        yield Entry(text="piles beyond, as built", sample=_circle(THIN, [()], colour=NEIGHBOUR), height=HIGH)
    if any(cut.opening is not None for cut in grid.cuts):
        yield Entry(text="opening in plan", sample=_opening, height=LOW)
    if any(cut.outline is not None for cut in grid.cuts):
        sure = f"{grid.confidence * 100:.4g} %"
        dashed = line_sample(width=FINE, dash=BOUND_DASH, share=0.8)
        yield Entry(text=f"not exceeded by an opening, {sure} confidence", sample=dashed, height=LOW)


def _governing(predicted: bool) -> Sample:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        middle, end = (box.left + share * box.width for share in (0.4, 0.8))
        canvas.lines([[(box.left, y), (middle, y)]], width=HEAVY)
        canvas.lines([[(middle, y), (end, y)]], width=HEAVY, dash=PREDICTED_DASH if predicted else ())

    return sample


def _band(canvas: Canvas, box: Box) -> None:
    left, right = box.left, box.left + 0.8 * box.width
    low, high = box.middle[1] - 0.3 * box.height, box.middle[1] + 0.3 * box.height
    canvas.shapes([[(left, low), (right, low), (right, high), (left, high)]], fill=BAND)
    canvas.lines([[(x, low), (x, high)] for x in (left, right)], width=HAIR, colour=GREY)


def _other(canvas: Canvas, box: Box) -> None:
    left, right = box.left, box.left + 0.8 * box.width
    y, off = box.middle[1], 0.2 * box.height
    canvas.lines([[(left, y + off), (right, y + off)]], width=FINE, dash=OTHER_DASH)
    canvas.lines([[(left, y - off), (right, y - off)]], width=HAIR, dash=OTHER_DASH)


def _circle(
    width: float, dashes: Sequence[tuple[float, ...]], *, fill: str = WHITE, colour: str = INK
) -> Sample:
    """Return what draws a circle for each kind of dash, side by side."""

    def sample(canvas: Canvas, box: Box) -> None:
        radius = 0.48 * box.height
        for number, dash in enumerate(dashes):
            at = [[box.left + radius + number * (2.0 * radius + 0.8), box.middle[1]]]
            canvas.circles(at, radius, fill=fill)
            canvas.circles(at, radius, width=width, dash=tuple(0.7 * part for part in dash), colour=colour)

    return sample


def _opening(canvas: Canvas, box: Box) -> None:
    left, right = box.left, box.left + 0.55 * box.width
    low, high = box.bottom + 0.25 * box.height, box.top - 0.25 * box.height
    canvas.shapes([[(left, low), (right, low), (right, high), (left, high)]], fill=OPENING)
