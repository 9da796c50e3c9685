"""One A5 page for the rig: which leans keep the pile's joints, where the lean read lies, and the overlap with depth.

What is drawn comes as :class:`RigPicture`, in the reader's own directions, sense and unit; nothing is worked out here.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE, Box, Canvas, page_settings
from asbuilt.output.sheets.chart import Axis, Chart, tag
from asbuilt.output.sheets.figures import true_minus
from asbuilt.output.sheets.lettering import clean, fit, text_width, wrap
from asbuilt.output.sheets.rig_depth import RigJoint, draw_joints

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from asbuilt.model import Floats

__all__ = ["A5", "Mark", "RigPicture", "drawn", "pdf_bytes"]

#: Landscape [mm], ISO 216.
A5 = (210.0, 148.0)
MARGIN = 7.0
#: Heights of a capital letter [mm]: the answer, what is read, the rest.
HEAD, TEXT, SMALL = 4.6, 2.5, 2.0
DPI = 200
SURE_FILL = "#D5E6F2"
MOVE = "#8F2A06"
WINDOW_DASH = (2.4, 1.0)
#: Room around what is drawn, as a factor.
ROOM = 1.35
_PLOT = Box(left=21.0, bottom=33.0, width=82.0, height=82.0)
_DEPTH = Box(left=116.0, bottom=33.0, width=86.0, height=76.0)


@dataclass(frozen=True, kw_only=True)
class Mark:
    """What lies in a direction: a unit vector (2,) in readings (a, b), and its name."""

    way: Floats
    text: str


@dataclass(frozen=True, kw_only=True)
class RigPicture:
    """What the page shows. Rings and points are readings (a, b) in the unit that the labels name."""

    answer: str
    lines: tuple[str, ...]
    footer: tuple[str, ...]
    label_a: str
    label_b: str
    b_right: bool
    """Whether plus b is to the right of plus a, seen from above."""
    window: Floats
    """(m, 2) closed ring; empty for none."""
    sure_window: Floats
    empty_text: str
    """What is said where there is no window, or no sure one."""
    reading: Floats | None
    ellipse: Floats
    """(m, 2) closed ring around the reading; empty without one."""
    trail: Floats
    """(k, 2) earlier readings, in the order they were made."""
    target: Floats | None
    """Where a correction leads; None for none."""
    least_bad: Floats | None
    """The lean that breaks least; None where there is a window."""
    marks: tuple[Mark, ...]
    joints: tuple[RigJoint, ...]
    formation_depth: float
    reading_depth: float
    """NaN without a reading."""
    keywords: str
    at: datetime


def drawn(picture: RigPicture) -> tuple[bytes, bytes]:
    """Return the page as PDF and as PNG."""
    png = io.BytesIO()
    with page_settings():
        canvas = Canvas(*A5, dpi=DPI)
        _draw(canvas, picture)
        # without a ground a picture is clear, and dark on a dark screen
        canvas.figure.set_frameon(True)
        canvas.figure.savefig(png, format="png", dpi="figure", facecolor=WHITE, metadata={"Software": None})
        page = Canvas(*A5)
        _draw(page, picture)
        pdf = pdf_bytes([page], title=picture.answer, keywords=picture.keywords, at=picture.at)
    return pdf, png.getvalue()


def pdf_bytes(pages: Sequence[Canvas], *, title: str, keywords: str, at: datetime) -> bytes:
    """Return drawn pages as one PDF; ``at`` stands in place of the time of writing."""
    buffer = io.BytesIO()
    properties = {
        "Title": title,
        "Subject": "Geometry only. Not a permit to dig.",
        "Keywords": keywords,
        "CreationDate": at,
        "ModDate": at,
    }
    with page_settings(), PdfPages(buffer, metadata=properties) as pdf:
        for page in pages:
            pdf.savefig(page.figure)
    return buffer.getvalue()


def _draw(canvas: Canvas, picture: RigPicture) -> None:
    _head(canvas, picture)
    _window(canvas, picture)
    draw_joints(canvas, picture.joints, _DEPTH, formation=picture.formation_depth, read_to=picture.reading_depth)
    _legend(canvas, picture)
    width = A5[0] - 2 * MARGIN
    for number, line in enumerate(reversed(picture.footer)):
        text, height = fit(line, width, SMALL, least=1.4)
        canvas.text(MARGIN, MARGIN - 1.0 + number * 3.2, text, height=height, colour=GREY)


def _head(canvas: Canvas, picture: RigPicture) -> None:
    width = A5[0] - 2 * MARGIN
    text, height = fit(true_minus(picture.answer), width, HEAD, least=2.8)
    y = A5[1] - MARGIN - HEAD + 1.0
    canvas.text(MARGIN, y, text, height=height)
    y -= 0.9
    for line in picture.lines:
        for part in wrap(true_minus(line), width, TEXT):
            y -= 1.7 * TEXT
            canvas.text(MARGIN, y, part, height=TEXT)
    canvas.lines([[(MARGIN, y - 2.2), (A5[0] - MARGIN, y - 2.2)]], width=THIN)


def _chart(picture: RigPicture) -> Chart:
    """Return the plane of readings: plus a up, plumb in the middle, b as seen from above."""
    known = [picture.window, picture.sure_window, picture.ellipse, picture.trail]
    known += [one[None, :] for one in (picture.reading, picture.target, picture.least_bad) if one is not None]
    points = np.concatenate([np.asarray(one, dtype=np.float64).reshape(-1, 2) for one in known])
    reach = ROOM * float(np.abs(points).max(initial=0.0)) or 1.0
    sign = 1.0 if picture.b_right else -1.0
    return Chart(
        _PLOT,
        x=Axis(low=-sign * reach, high=sign * reach, label=picture.label_b, signed=True),
        y=Axis(low=-reach, high=reach, label=picture.label_a, signed=True),
    )


def _window(canvas: Canvas, picture: RigPicture) -> None:
    """Draw the two windows, what lies where, and over them the readings."""
    chart = _chart(picture)

    def at(points: Floats) -> Floats:
        return chart.at(points[..., 1], points[..., 0])

    sure = len(picture.sure_window) > 0
    if sure:
        canvas.shapes([at(picture.sure_window)], fill=SURE_FILL, clip=_PLOT)
    chart.axes(canvas, SMALL)
    chart.across(canvas, 0.0, width=THIN, colour=GREY)
    chart.up(canvas, 0.0, width=THIN, colour=GREY)
    if sure:
        canvas.lines([at(picture.sure_window)], width=MEDIUM, clip=_PLOT)
    if len(picture.window):
        canvas.lines([at(picture.window)], width=MEDIUM, dash=WINDOW_DASH, clip=_PLOT)
    _marks(canvas, picture)
    for number, line in enumerate(wrap(picture.empty_text, 0.9 * _PLOT.width, TEXT)):
        y = _PLOT.bottom + 0.24 * _PLOT.height - number * 1.8 * TEXT
        tag(canvas, _PLOT.middle[0], y, line, height=TEXT, anchor="centre")
    _readings(canvas, picture, at)
    if picture.least_bad is not None:
        _cross(canvas, at(picture.least_bad))


def _readings(canvas: Canvas, picture: RigPicture, at: Callable[[Floats], Floats]) -> None:
    """Draw the earlier readings as a trail, the newest with its ellipse, and the correction."""
    here = None if picture.reading is None else at(picture.reading)
    if len(picture.trail):
        trail = at(picture.trail)
        canvas.lines(
            [trail if here is None else np.concatenate([trail, here[None, :]])], width=THIN, colour=GREY, clip=_PLOT
        )
        canvas.circles(trail, 0.8, width=FINE, colour=INK, fill=WHITE, clip=_PLOT)
    if here is not None:
        canvas.lines([at(picture.ellipse)], width=FINE, clip=_PLOT)
        if picture.target is not None:
            _arrow(canvas, here, at(picture.target))
        canvas.circles([here], 1.1, fill=INK, clip=_PLOT)


def _cross(canvas: Canvas, at: Floats, size: float = 1.6) -> None:
    arms = [[(-size, -size), (size, size)], [(-size, size), (size, -size)]]
    canvas.lines(at + np.array(arms), width=BOLD, clip=None)


def _arrow(canvas: Canvas, start: Floats, end: Floats) -> None:
    """Draw a correction; one too short for a head is a line."""
    step = end - start
    length = float(np.hypot(*step))
    if length < 0.05:
        return
    along = step / length
    head = min(2.8, 0.6 * length)
    foot, across = end - head * along, 0.4 * head * np.array([-along[1], along[0]])
    canvas.lines([[start, foot]], width=BOLD, colour=MOVE)
    canvas.shapes([[end, foot + across, foot - across]], fill=MOVE)


def _marks(canvas: Canvas, picture: RigPicture) -> None:
    """Name what lies in each direction, in the band along the border, where nothing else is drawn.

    A triangle on the border points there; names on one side of it that would meet are moved apart along it.
    """
    sides: dict[tuple[int, int], list[tuple[float, float, str]]] = {}
    middle, reach = np.array(_PLOT.middle), 0.5 * np.array([_PLOT.width, _PLOT.height])
    for mark in picture.marks:
        a, b = mark.way
        way = np.array([b if picture.b_right else -b, a])
        edge = middle + way * float(np.min(reach / np.maximum(np.abs(way), 1e-9)))
        square = np.array([-way[1], way[0]])
        canvas.shapes([[edge, edge - 2.0 * way + square, edge - 2.0 * way - square]], fill=INK)
        across = int(abs(way[0]) * reach[1] > abs(way[1]) * reach[0])
        side = across, int(np.sign(way[1 - across]))
        half = text_width(clean(mark.text), SMALL) / 2 + 1.4
        sides.setdefault(side, []).append((float(edge[across]), half, mark.text))
    for (across, sign), found in sides.items():
        for along, half, text in _apart(sorted(found), float(middle[across]), float(reach[across]) - 8.0 * across):
            _name(canvas, text, along, half, across=across == 1, sign=sign)


def _apart(
    found: Sequence[tuple[float, float, str]], middle: float, reach: float
) -> list[tuple[float, float, str]]:
    """Return names with their places along a border, moved so that none meets the next or leaves the border."""
    at = [float(np.clip(along, middle - reach + half, middle + reach - half)) for along, half, _ in found]
    for k in range(1, len(at)):
        at[k] = max(at[k], at[k - 1] + found[k - 1][1] + found[k][1])
    limit = middle + reach
    for k in reversed(range(len(at))):
        at[k] = min(at[k], limit - found[k][1])
        limit = at[k] - found[k][1]
    return [(place, half, text) for place, (_, half, text) in zip(at, found, strict=True)]


def _name(canvas: Canvas, text: str, along: float, half: float, *, across: bool, sign: int) -> None:
    """Write a name along the border: upright at the left and right."""
    middle, reach = _PLOT.middle[0 if across else 1], 0.5 * (_PLOT.width if across else _PLOT.height) - 4.6
    at, thick = middle + sign * reach, 0.9 * SMALL
    if across:
        ground = Box(left=at - thick, bottom=along - half, width=2 * thick, height=2 * half)
    else:
        ground = Box(left=along - half, bottom=at - thick, width=2 * half, height=2 * thick)
    canvas.shapes([ground.corners], fill=WHITE)
    x, y = (at + SMALL / 2, along) if across else (along, at - SMALL / 2)
    canvas.text(x, y, text, height=SMALL, anchor="centre", angle=90.0 if across else 0.0)


def _legend(canvas: Canvas, picture: RigPicture) -> None:
    """Say what each line is, in one row below both pictures."""
    y, x = 17.6, MARGIN
    box = Box(left=x, bottom=y - 0.6, width=6.0, height=3.0)
    canvas.shapes([box.corners], fill=SURE_FILL, colour=INK, width=MEDIUM)
    canvas.text(x + 7.5, y, "sure window", height=SMALL)
    x += 31.0
    canvas.lines([[(x, y + 1.0), (x + 6.0, y + 1.0)]], width=MEDIUM, dash=WINDOW_DASH)
    canvas.text(x + 7.5, y, "window (even chance)", height=SMALL)
    x += 44.0
    canvas.circles([(x + 2.0, y + 1.0)], 0.9, fill=INK)
    canvas.circles([(x + 2.0, y + 1.0)], 2.0, width=FINE, colour=INK)
    canvas.text(x + 5.5, y, "reading, 95 %", height=SMALL)
    x += 30.0
    canvas.lines([[(x, y + 1.0), (x + 5.0, y + 1.0)]], width=THIN, colour=GREY)
    canvas.circles([(x + 2.5, y + 1.0)], 0.8, width=FINE, colour=INK, fill=WHITE)
    canvas.text(x + 6.5, y, "earlier", height=SMALL)
    x += 20.0
    if picture.target is not None:
        _arrow(canvas, np.array([x, y + 1.0]), np.array([x + 6.0, y + 1.0]))
        canvas.text(x + 7.5, y, "correction", height=SMALL)
    elif picture.least_bad is not None:
        _cross(canvas, np.array([x + 2.5, y + 1.0]), 1.2)
        canvas.text(x + 5.5, y, "least bad lean", height=SMALL)
    canvas.lines([[(MARGIN, y - 2.2), (A5[0] - MARGIN, y - 2.2)]], width=HAIR)
