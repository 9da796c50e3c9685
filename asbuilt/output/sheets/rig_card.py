"""Blank cards for the rig, of A5 size, two on a page of A4: limits by depth, a sketch of which way is which, lines.

The lines to write on carry the columns of the tilts table, so that a card can be typed in as it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import UNITS
from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE, Box, Canvas
from asbuilt.output.sheets.chart import tag
from asbuilt.output.sheets.figures import figure
from asbuilt.output.sheets.lettering import fit, text_width, wrap
from asbuilt.output.sheets.rig import pdf_bytes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from asbuilt.model import Floats

__all__ = ["CardLimit", "CardNeighbour", "RigCard", "drawn_cards"]

#: A4 upright [mm], and how many cards it holds.
A4 = (210.0, 297.0)
ON_PAGE = 2
MARGIN = 8.0
HEAD, TEXT, SMALL = 4.2, 2.5, 1.9
LINES = 6
#: Places of the columns of the limits, from the left of the table [mm].
_COLUMNS = (0.0, 34.0, 56.0, 82.0, 104.0)


@dataclass(frozen=True, kw_only=True)
class CardLimit:
    """What both directions may show at a depth [m]: lowest and highest in the card's unit; None: no lean is sure."""

    depth: float
    name: str
    a: tuple[float, float] | None
    b: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True)
class CardNeighbour:
    """A neighbour in the sketch: its place (2,) along a and b from the pile, and its radius [m]."""

    name: str
    at: Floats
    radius: float
    built: bool


@dataclass(frozen=True, kw_only=True)
class RigCard:
    """One blank card."""

    pile_id: str
    heading: str
    how: str
    check: str
    """What has to be checked before anybody goes by the card; "" for nothing."""
    made_for: tuple[str, str]
    """What the limits hold for, in two lines."""
    bearings: tuple[str, str]
    b_right: bool
    unit: str
    sense: str
    bearing_deg: tuple[float, float]
    limits: tuple[CardLimit, ...]
    radius: float
    pits: tuple[Floats, ...]
    neighbours: tuple[CardNeighbour, ...]
    columns: tuple[str, ...]
    written: Mapping[str, str]
    """What stands in the first line already, by column."""
    footer: tuple[str, ...]
    keywords: str
    at: datetime


def drawn_cards(cards: Sequence[RigCard]) -> bytes:
    """Return cards as a PDF, two on a page."""
    pages = []
    for first in range(0, len(cards), ON_PAGE):
        canvas = Canvas(*A4)
        height = A4[1] / ON_PAGE
        for number, card in enumerate(cards[first : first + ON_PAGE]):
            _draw(canvas, card, Box(left=0.0, bottom=A4[1] - (number + 1) * height, width=A4[0], height=height))
        canvas.lines([[(0.0, height), (A4[0], height)]], width=HAIR, colour=GREY, dash=(2.0, 2.0))
        pages.append(canvas)
    title = f"Cards for the rig: {', '.join(card.pile_id for card in cards)}"
    return pdf_bytes(pages, title=title, keywords=cards[0].keywords, at=cards[0].at)


def _draw(canvas: Canvas, card: RigCard, area: Box) -> None:
    inner = area.inset(MARGIN)
    text, height = fit(card.heading, inner.width, HEAD, least=2.8)
    canvas.text(inner.left, inner.top - HEAD, text, height=height)
    text, height = fit(f"{card.check} {card.how}".strip(), inner.width, TEXT, least=1.6)
    canvas.text(inner.left, inner.top - HEAD - 5.2, text, height=height)
    canvas.lines([[(inner.left, inner.top - 12.2), (inner.right, inner.top - 12.2)]], width=THIN)
    _sketch(canvas, card, Box(left=inner.left, bottom=inner.top - 66.0, width=62.0, height=52.0))
    _limits(canvas, card, Box(left=inner.left + 68.0, bottom=inner.top - 66.0, width=126.0, height=52.0))
    for number, line in enumerate(card.made_for):
        said, size = fit(line, inner.width, SMALL, least=1.4)
        canvas.text(inner.left, inner.top - 68.9 - number * 3.0, said, height=size)
    _form(canvas, card, Box(left=inner.left, bottom=inner.bottom + 10.0, width=inner.width, height=49.5))
    for number, line in enumerate(reversed(card.footer)):
        said, size = fit(line, inner.width, SMALL, least=1.4)
        canvas.text(inner.left, inner.bottom - 1.0 + number * 3.0, said, height=size, colour=GREY)


def _sketch(canvas: Canvas, card: RigCard, box: Box) -> None:
    """Draw the pile and its neighbours as seen from above, plus a upwards."""
    middle = np.array(box.middle)
    turn = np.array([[0.0, 1.0], [1.0 if card.b_right else -1.0, 0.0]])
    places = [one.at @ turn for one in card.neighbours]
    half = np.array([box.width, box.height]) / 2
    reach = [np.abs(at) + one.radius for one, at in zip(card.neighbours, places, strict=True)]
    reach.append(np.full(2, card.radius))
    scale = float(np.min(half / np.max(reach, axis=0)))
    scale = min(scale, 14.0 / card.radius)
    for one, at in zip(card.neighbours, places, strict=True):
        dash = () if one.built else (1.2, 0.8)
        canvas.circles([middle + scale * at], scale * one.radius, width=FINE, colour=INK, dash=dash, clip=box)
    canvas.circles([middle], scale * card.radius, width=BOLD, colour=INK, fill=WHITE)
    for way, name in ((np.array([1.0, 0.0]), card.bearings[0]), (np.array([0.0, 1.0]), card.bearings[1])):
        end = (way @ turn) * 0.78 * scale * card.radius
        head = (way @ turn) * 2.4
        side = 0.35 * np.array([-head[1], head[0]])
        canvas.lines([[middle, middle + end]], width=MEDIUM)
        canvas.shapes([[middle + end + head, middle + end + side, middle + end - side]], fill=INK)
        at = middle + end + head + ((0.0, 1.6) if abs(head[1]) > 1 else (0.0, 2.6))
        tag(canvas, *_inside(at, f"+{name}", box), f"+{name}", height=SMALL, anchor="centre")
    for one, at in zip(card.neighbours, places, strict=True):
        tag(canvas, *_inside(middle + scale * at - (0, 5.0), one.name, box), one.name, height=SMALL, anchor="centre")
    for pit in card.pits:
        way = pit @ turn
        at = middle + way * float(np.min(np.array([box.width, box.height]) / 2 / np.maximum(np.abs(way), 1e-9)))
        tag(canvas, *_inside(at, "PIT SIDE", box), "PIT SIDE", height=SMALL, anchor="centre")


def _inside(at: Floats, text: str, box: Box) -> tuple[float, float]:
    """Return where the middle of a text goes so that it stays in a box."""
    half = text_width(text, SMALL) / 2 + 0.4
    x = float(np.clip(at[0], box.left + half, box.right - half))
    return x, float(np.clip(at[1], box.bottom + SMALL, box.top - SMALL))


def _limits(canvas: Canvas, card: RigCard, box: Box) -> None:
    y = box.top - TEXT - 1.0
    one_in = card.unit == UNITS[1]
    what = "Not steeper than, in 1:n" if one_in else f"What it may read [{card.unit}]"
    canvas.text(box.left, y, f"{what}, both at once:", height=TEXT)
    y -= 7.0
    ends = ("minus", "plus") if one_in else ("from", "to")
    for x, name in zip(_COLUMNS, ("depth", *(f"{way} {end}" for way in "ab" for end in ends)), strict=True):
        canvas.text(box.left + x, y, name, height=TEXT)
    for limit in card.limits:
        y -= 6.4
        canvas.lines([[(box.left, y + 4.2), (box.right, y + 4.2)]], width=HAIR, colour=GREY)
        canvas.text(box.left, y, limit.name, height=TEXT)
        if limit.a is None or limit.b is None:
            canvas.text(box.left + _COLUMNS[1], y, "no lean is sure: stop and ask", height=TEXT)
            continue
        values = [(value, side) for both in (limit.a, limit.b) for value, side in zip(both, (-1, 1), strict=True)]
        for x, (value, side) in zip(_COLUMNS[1:], values, strict=True):
            said, height = fit(_steepest(value, side) if one_in else _figure(value, card.unit), 21.0, TEXT, least=1.6)
            canvas.text(box.left + x, y, said, height=height)
    y -= 6.0
    said = "Between two depths the upper line counts. Outside either limit: do not go on by this card, ask."
    if one_in:
        said = f"A lower figure is steeper, and 0 is plumb. {said}"
    for line in wrap(said, box.width, TEXT):
        canvas.text(box.left, y, line, height=TEXT)
        y -= 1.7 * TEXT


def _steepest(value: float, side: int) -> str:
    """Return the steepest reading in 1:n to one side, -1 or 1; the least steep one where plumb is not allowed."""
    if value == 0.0:
        return "0 (plumb)"
    minus = "\N{MINUS SIGN}" if value < 0 else ""
    said = f"{minus}1:{abs(value):.0f}"
    return said if value * side > 0 else f"at least {said}"


def _figure(value: float, unit: str) -> str:
    return figure(value, digits=dict(zip(UNITS, (1, 0, 2, 2, 1), strict=True))[unit], plus=True)


def _form(canvas: Canvas, card: RigCard, box: Box) -> None:
    """Draw the lines to write readings on: one column for each of the tilts table."""
    wide = {"read_at": 2.2, "reader": 2.0, "bearing_a_deg": 1.5, "bearing_b_deg": 1.5, "from_level": 1.2}
    shares = np.array([wide.get(name, 1.2) for name in card.columns])
    edges = box.left + np.r_[0.0, np.cumsum(shares) / shares.sum()] * box.width
    head = 7.0
    step = (box.height - head) / LINES
    rows = [box.top, *(box.top - head - k * step for k in range(LINES + 1))]
    canvas.lines([[(box.left, y), (box.right, y)] for y in rows], width=THIN)
    canvas.lines([[(x, box.top), (x, box.bottom)] for x in edges], width=THIN)
    for name, left, right in zip(card.columns, edges[:-1], edges[1:], strict=True):
        text, height = fit(name, right - left - 1.2, SMALL, least=1.3)
        canvas.text(left + 0.7, box.top - 4.6, text, height=height)
        said, size = fit(card.written.get(name, ""), right - left - 1.2, SMALL, least=1.3)
        for y in rows[2:]:
            canvas.text(left + 0.7, y + 2.0, said, height=size, colour=GREY)
