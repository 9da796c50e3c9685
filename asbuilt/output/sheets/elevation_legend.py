"""Beside and below an elevation: its legend, the notes of its own, the bars of its two scales, which part it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.bands import band_sample, draw_bands, predicted_sample
from asbuilt.output.sheets.canvas import FINE, GREY, HEAVY, THIN, Box
from asbuilt.output.sheets.elevation_marks import joint_marks, level_label, pile_marks
from asbuilt.output.sheets.elevation_panel import CONTOUR, built_toes
from asbuilt.output.sheets.elevation_walls import level_lines
from asbuilt.output.sheets.figures import counted
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.lettering import fit
from asbuilt.output.sheets.scaling import scale_bar
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.elevation_panel import Panel
    from asbuilt.output.sheets.elevation_walls import Stretch

__all__ = ["draw_scales", "elevation_legend", "elevation_remarks"]

MEANING = {
    "open": "open: a gap, or below a toe as built",
    "lost": "lost: less than the overlap asked for",
    "not sure": "not sure: enough, not beyond doubt",
    "sure": "sure",
    "not surveyed": "not surveyed, so not known",
}
ROW = 2.3
"""Height of a sample in heights of text."""


def elevation_legend(
    panels: Sequence[Panel], holds: Sequence[tuple[str, Booleans, Booleans]], left_out: int
) -> tuple[Entry, ...]:
    """Return the legend of what is on one sheet.

    Parameters
    ----------
    panels : sequence of Panel
        What the sheet shows.
    holds : sequence of tuple
        Stage, which joints hold it, which piles.
    left_out : int
        Ids of joints that find no room.
    """
    return (*_states(panels), *_signs(panels, holds), *_remarks(left_out))


def _states(panels: Sequence[Panel]) -> Iterator[Entry]:
    for state, name in enumerate(JOINT_STATES):
        joints = [panel.bands.joint[panel.own][panel.bands.state[panel.own] == state] for panel in panels]
        number = len(np.unique(np.concatenate(joints)))
        if number:
            yield Entry(text=f"{MEANING[name]}; in {counted(number, 'joint')}", sample=band_sample(state), height=ROW)


def _signs(panels: Sequence[Panel], holds: Sequence[tuple[str, Booleans, Booleans]]) -> Iterator[Entry]:
    if any(len(panel.predicted) for panel in panels):
        yield Entry(text="only predicted: below the last reading", sample=predicted_sample, height=ROW)
    if any(len(panel.contour) for panel in panels):
        yield Entry(text="contour of the overlap asked for", sample=_contour, height=ROW)
    toes = np.concatenate([built_toes(panel)[0] for panel in panels])
    if toes.any():
        missing = int((~toes).sum())
        without = f"; {missing} not recorded" if missing else ""
        yield Entry(text=f"toe: as built thick, as designed thin{without}", sample=_toe, height=1.8)
    elif len(toes):
        yield Entry(text="toe as designed; none recorded", sample=_design_toe, height=1.8)
    joints = any(held[panel.joints].any() for panel in panels for _, held, _ in holds)
    piles = any(held[panel.stretch.wall.pile[panel.piles]].any() for panel in panels for _, _, held in holds)
    if joints:
        yield Entry(text="joint that holds the stage of its row", sample=_joint_mark, height=1.6)
    if piles:
        yield Entry(text="pile that holds it (toe, movement to pit)", sample=_pile_mark, height=1.6)


def _remarks(left_out: int) -> Iterator[Entry]:
    if left_out:
        yield Entry(text=f"Left out for lack of room: {counted(left_out, 'id')} of joints not sure.")


def elevation_remarks(panels: Sequence[Panel]) -> list[str]:
    """Return the notes of an elevation that say how it is laid out, and what lies outside of it."""
    layout = (
        "Each strip is a joint, between the chainages of its two piles; chainage is the running sum of the design "
        "spacing from the first position. Ids stand above joints that are not within."
    )
    said = [layout]
    beyond: dict[str, None] = {}
    for panel in panels:
        for line in level_lines(panel.result, panel.stretch.wall.name):
            if not panel.box.bottom <= panel.height(line.level) <= panel.box.top:
                beyond[level_label(line.name, line.level)] = None
    if beyond:
        said.append(f"Beyond the levels drawn: {', '.join(beyond)} m.")
    off = sum(int(built_toes(panel)[1].sum()) for panel in panels)
    if off:
        said.append(f"Beyond the levels drawn: {counted(off, 'toe')} as built.")
    return said


def draw_scales(canvas: Canvas, strip: Box, scales: tuple[int, int], page: Sequence[Stretch], text: float) -> None:
    """Draw the bars of both scales, and which part of its wall the sheet shows."""
    h, v = scales
    width = min(24.0 * text, 0.26 * strip.width)
    if h == v:
        scale_bar(canvas, strip.left + text, strip.bottom, f"Scale 1:{h}", 1000.0 / h, width, text)
    else:
        scale_bar(canvas, strip.left + text, strip.bottom, f"Horizontal 1:{h}", 1000.0 / h, width, text)
        scale_bar(canvas, strip.left + 0.34 * strip.width, strip.bottom, f"Vertical 1:{v}", 1000.0 / v, width, text)
    parts = [stretch for stretch in page if stretch.parts > 1]
    if parts:
        _key(canvas, Box(left=strip.right - width, bottom=strip.bottom, width=width, height=strip.height), parts, text)


def _key(canvas: Canvas, box: Box, parts: Sequence[Stretch], text: float) -> None:
    """Draw the last wall of the page that has several parts as one line, what is on this page bold."""
    wall = parts[-1].wall
    bar = box.bottom + 2.6 * text
    x = [
        [box.left + box.width * at / wall.length for at in (stretch.first, stretch.last)]
        for stretch in parts
        if stretch.wall is wall
    ]
    ends = [box.left, box.right]
    canvas.lines([[(box.left, bar), (box.right, bar)]], width=FINE, colour=GREY)
    canvas.lines([[(a, bar), (b, bar)] for a, b in x], width=3 * HEAVY)
    canvas.lines([[(a, bar - 1.4), (a, bar + 1.4)] for a in [*ends, *np.ravel(x)]], width=FINE)
    title, _ = fit(f"Wall {wall.name}: this page bold", box.width, text, least=text)
    canvas.text(box.left, bar + 2.4, title, height=text)
    canvas.text(box.left, bar - 2.1 * text, "0", height=text)
    canvas.text(box.right, bar - 2.1 * text, f"{wall.length:.1f} m", height=text, anchor="right")


def _strip(box: Box) -> Box:
    return Box(left=box.left + 0.5, bottom=box.bottom + 0.3, width=0.55 * box.width, height=box.height - 0.6)


def _contour(canvas: Canvas, box: Box) -> None:
    strip = _strip(box)
    middle, (x, y) = strip.left + strip.width / 2, strip.middle
    low = strip.bottom + 0.35 * strip.height
    boxes = [[strip.left, strip.bottom, middle, y], [middle, strip.bottom, strip.right, low]]
    draw_bands(canvas, np.array(boxes), np.array([JOINT_STATES.index("lost")] * 2))
    canvas.lines([[(strip.left, y), (x, y), (x, low), (strip.right, low)]], width=CONTOUR)


def _toe(canvas: Canvas, box: Box) -> None:
    x, y = box.left + 0.3 * box.width, box.middle[1]
    canvas.lines([[(x - 1.6, y + 0.8), (x + 1.6, y + 0.8)]], width=THIN)
    canvas.lines([[(x - 1.1, y - 0.8), (x + 1.1, y - 0.8)]], width=HEAVY)


def _design_toe(canvas: Canvas, box: Box) -> None:
    x, y = box.left + 0.3 * box.width, box.middle[1]
    canvas.lines([[(x - 1.6, y), (x + 1.6, y)]], width=THIN)


def _joint_mark(canvas: Canvas, box: Box) -> None:
    joint_marks(canvas, np.array([box.left + 0.3 * box.width]), box.middle[1] + 1.0, 2.0)


def _pile_mark(canvas: Canvas, box: Box) -> None:
    pile_marks(canvas, np.array([box.left + 0.3 * box.width]), box.middle[1], 2.0)
