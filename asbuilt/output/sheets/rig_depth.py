"""Overlap against depth for each neighbour of a pile that is being drilled, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, MEDIUM, THIN, Box
from asbuilt.output.sheets.chart import Axis, Chart, round_range, tag
from asbuilt.output.sheets.lettering import fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Floats
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["RigJoint", "draw_joints"]

TEXT, LEAST = 2.0, 1.5
BAND = "#DADADA"
LOST = "#8F2A06"
NEED_DASH = (1.6, 0.9)
#: As many panels fit side by side.
MOST = 4
GAP = 7.0


@dataclass(frozen=True, kw_only=True)
class RigJoint:
    """The overlap [mm] with one neighbour at depths (k,) [m]; empty without a reading."""

    title: str
    note: str
    required: float
    depth: Floats
    overlap: Floats
    low: Floats
    high: Floats
    top: float
    """Depths of the range's ends [m]."""
    bottom: float
    lost: float
    """Depth from which the overlap is less than asked for; NaN for none."""


def draw_joints(
    canvas: Canvas, joints: Sequence[RigJoint], area: Box, *, formation: float, read_to: float
) -> None:
    """Draw one panel for each neighbour, all to one scale; depth goes down."""
    shown = joints[:MOST]
    if not shown:
        canvas.text(*area.middle, "no joint of this pile", height=TEXT, anchor="centre")
        return
    ends = [one for joint in shown for one in (joint.top, joint.bottom)] + [0.0]
    deepest = max(ends) + 0.5
    figures = np.concatenate([np.r_[joint.low, joint.high, joint.overlap, joint.required, 0.0] for joint in shown])
    low, high = round_range(figures, most=4)
    # a figure under an end would meet that of the next panel
    low, high = low - 0.08 * (high - low), high + 0.08 * (high - low)
    width = (area.width - GAP * (len(shown) - 1)) / len(shown)
    for number, joint in enumerate(shown):
        box = Box(left=area.left + number * (width + GAP), bottom=area.bottom, width=width, height=area.height)
        y = Axis(low=deepest, high=0.0, label="" if number else "depth [m]")
        chart = Chart(box, x=Axis(low=low, high=high, label="overlap [mm]"), y=y)
        _panel(canvas, chart, joint, formation=formation, read_to=read_to, named=number == 0)
    if len(joints) > MOST:
        more = f"and {len(joints) - MOST} more, in the text"
        canvas.text(area.right, area.bottom - 10.0, more, height=TEXT, anchor="right")


def _panel(
    canvas: Canvas, chart: Chart, joint: RigJoint, *, formation: float, read_to: float, named: bool
) -> None:
    box = chart.box
    for line, y in ((joint.title, box.top + 5.2), (joint.note, box.top + 1.6)):
        text, height = fit(line, box.width + GAP - 1.0, TEXT, least=LEAST)
        canvas.text(box.left, y, text, height=height)
    if len(joint.depth):
        chart.between(canvas, joint.depth, joint.low, joint.high, fill=BAND)
    chart.axes(canvas, TEXT)
    chart.up(canvas, 0.0, width=MEDIUM)
    chart.up(canvas, joint.required, width=FINE, dash=NEED_DASH)
    for depth, text in ((formation, "formation"), (read_to, "read")):
        if np.isfinite(depth) and depth < chart.y.low:
            chart.across(canvas, depth, width=THIN, colour=GREY, dash=(0.5, 0.7))
            if named:
                at = chart.at(chart.x.high, depth)
                tag(canvas, float(at[0]) - 0.6, float(at[1]), text, height=LEAST, anchor="right", colour=GREY)
    if len(joint.depth):
        chart.line(canvas, joint.overlap, joint.depth, width=BOLD)
        if np.isfinite(joint.lost):
            chart.across(canvas, joint.lost, width=FINE, colour=LOST)
            at = chart.at(chart.x.low, joint.lost)
            tag(canvas, float(at[0]) + 0.6, float(at[1]) + 2.2, "lost below", height=LEAST, colour=LOST)
    else:
        tag(canvas, *box.middle, "no reading", height=TEXT, anchor="centre")
