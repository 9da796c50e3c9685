"""The running misclosure of a ring of piles, and where it is forecast to end, drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, INK, MEDIUM, Box
from asbuilt.output.sheets.chart import Axis, Chart, round_range, tag
from asbuilt.output.sheets.figures import figure, true_minus
from asbuilt.output.sheets.lettering import wrap
from asbuilt.output.sheets.list_flow import HEADING, LINE
from asbuilt.output.sheets.symbols import PREDICTED_DASH, tint

if TYPE_CHECKING:
    from asbuilt.output._set_out import ClosureView
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["closure_height", "draw_closure"]

#: Height of the chart with its labels, in heights of text.
_HEIGHT = 26.0
#: Room between two sentences, in heights of text.
BREAK = 0.5


def _lines(ring: ClosureView, width: float, text: float) -> list[str]:
    """Return the lines of what is said of a ring, an empty one between two sentences."""
    return [line for said in ring.text for line in (*wrap(true_minus(said), width, text), "")]


def closure_height(ring: ClosureView, width: float, text: float) -> float:
    """Return the height [mm] of what is said and drawn of a ring, lettered ``text`` mm high."""
    lines = sum(LINE if line else BREAK for line in _lines(ring, width, text))
    return (HEADING + lines + (_HEIGHT if len(ring.chainage) > 1 else 0.0)) * text


def draw_closure(canvas: Canvas, at: Box, *, ring: ClosureView, text: float) -> None:
    """Write how a ring closes, and draw its running misclosure under it."""
    canvas.text(at.left, at.top - 2.1 * text, f"How wall {ring.wall} closes", height=1.3 * text)
    y = at.top - (HEADING + 1.2) * text
    for line in _lines(ring, at.width, text):
        canvas.text(at.left, y, line, height=text)
        y -= (LINE if line else BREAK) * text
    if len(ring.chainage) > 1:
        _draw_chart(canvas, Box(left=at.left, bottom=at.bottom, width=at.width, height=_HEIGHT * text), ring, text)


def _draw_chart(canvas: Canvas, at: Box, ring: ClosureView, text: float) -> None:
    """Draw the running misclosure against the length of the ring, the forecast over the piles still to come.

    At the ring's end stands what the misclosure must come to there: how far the forecast ends from it is what the last
    joint gives or takes.
    """
    band = tint(INK, 0.16)
    window = Box(
        left=at.left + 8.0 * text,
        bottom=at.bottom + 5.6 * text,
        width=at.width - 9.0 * text,
        height=at.height - 8.6 * text,
    )
    low, high = round_range(
        1000.0 * np.concatenate([ring.running, ring.forecast, ring.low, ring.high, [ring.total, 0.0]]), most=5
    )
    chart = Chart(
        window,
        x=Axis(low=0.0, high=ring.end, label=f"metres along the ring from {ring.first}"),
        y=Axis(low=low, high=high, label="running misclosure, mm", signed=True),
    )
    if len(ring.ahead) and np.isfinite(ring.low).all():
        x = np.concatenate([ring.ahead, ring.ahead[::-1]])
        edge = chart.at(x, 1000.0 * np.concatenate([ring.low, ring.high[::-1]]))
        canvas.shapes([edge], fill=band, clip=window)
    chart.axes(canvas, text)
    chart.across(canvas, 0.0, colour=GREY)
    chart.line(canvas, ring.chainage, 1000.0 * ring.running, width=MEDIUM)
    if len(ring.ahead):
        chart.line(canvas, ring.ahead, 1000.0 * ring.forecast, width=MEDIUM, dash=PREDICTED_DASH)
    end = chart.at([ring.end], [1000.0 * ring.total])[0]
    reach = 2.0 * text
    canvas.lines([[(end[0] - reach, end[1]), (end[0], end[1])]], width=BOLD)
    y = window.top + 1.6 * text
    said = f"bar at the end: where it must end, {figure(1000.0 * ring.total, digits=0, plus=True)} mm"
    if len(ring.ahead):
        said = f"dashed: forecast over the piles to drill, grey: 95 % band; {said}"
    tag(canvas, window.right, y, said, height=text, anchor="right")
    canvas.lines([[(window.left, window.bottom), (window.left, window.top)]], width=FINE)
