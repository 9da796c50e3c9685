"""The paper of a sheet: ISO 216 size, margins and frame, title block, and the columns that carry legend and notes.

Lettering is never lower than 2.5 mm on A3 and larger (ISO 3098-1); the frame's margins are those of ISO 5457, wide at
the left for filing; the title block's fields follow ISO 7200.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, HEAVY, INK, Box, Canvas
from asbuilt.output.sheets.lettering import fit, wrap

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from asbuilt.model import Floats
    from asbuilt.settings import Revision

__all__ = ["COLUMN", "PAPER", "TEXT", "Entry", "Frame", "Sheet", "Title", "Viewport"]

#: Landscape sizes [mm], ISO 216.
PAPER = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "A2": (594.0, 420.0), "A1": (841.0, 594.0), "A0": (1189.0, 841.0)}
#: Height of a capital letter of running text [mm].
TEXT = {"A4": 1.8, "A3": 2.5, "A2": 2.5, "A1": 3.5, "A0": 3.5}
FILING_MARGIN, MARGIN = 20.0, 10.0
GAP = 3.0
#: Sizes of the column and its parts in heights of text.
COLUMN, SAMPLE = 46.0, 8.4
#: Distance of lines in heights of text, and where that saves a column.
LINE, TIGHT_LINE = 1.6, 1.42


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One line of the legend or one paragraph of the notes.

    ``sample`` draws its figure in a box; ``height`` is that box's height in heights of text, ``heading`` starts a part.
    """

    text: str
    sample: Callable[[Canvas, Box], None] | None = None
    height: float = 0.0
    heading: bool = False


@dataclass(frozen=True, kw_only=True)
class Title:
    """What the title block says beside the sheet's own title and scale."""

    job: str
    as_of: str
    tool: str
    inputs: str
    drawing_number: str = ""
    revision: str = ""
    originator: str = ""
    revisions: tuple[Revision, ...] = ()
    page: int = 1
    pages: int = 1


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """One drawing: its title, scale (None: not to scale), how it is drawn, its legend, notes and caution.

    ``scale_text`` stands in the title block instead of the scale where one number does not say it. ``items`` are the
    piles and joints that the sheet is about: whoever looks for one is sent to this page.
    """

    title: str
    scale: int | None
    draw: Callable[[Canvas], None]
    legend: tuple[Entry, ...] = ()
    notes: tuple[Entry, ...] = ()
    caution: str = ""
    scale_text: str = ""
    items: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Viewport:
    """A window of the paper that shows the site true to scale: 1 m is 1000/scale mm on paper.

    ``easting`` and ``northing`` [m] are what lies in the middle of ``box``.
    """

    box: Box
    scale: float
    easting: float
    northing: float

    def paper(self, easting: Floats, northing: Floats) -> Floats:
        """Return places on paper (n, 2) [mm] of places on site [m]."""
        x, y = self.box.middle
        per_metre = 1000.0 / self.scale
        return np.stack([x + (easting - self.easting) * per_metre, y + (northing - self.northing) * per_metre], axis=-1)

    def site(self, x: float, y: float) -> tuple[float, float]:
        """Return the place on site [m] of a place on paper [mm]."""
        middle = self.box.middle
        metres = self.scale / 1000.0
        return self.easting + (x - middle[0]) * metres, self.northing + (y - middle[1]) * metres


@dataclass(frozen=True, kw_only=True)
class _Piece:
    height: float
    draw: Callable[[Canvas, float, float], None]
    keep: bool = field(default=False)


class Frame:
    """A sheet of paper with its frame, title block and columns.

    Parameters
    ----------
    paper : str
        A name in :data:`PAPER`.
    title : Title
        Contents of the title block.
    columns : int
        Columns at the right for legend and notes; the last one stands above the title block.
    width : float
        Width of a column in heights of text.
    tight : bool
        Whether the lines stand closer.
    """

    def __init__(
        self, paper: str, title: Title, *, columns: int = 1, width: float = COLUMN, tight: bool = False
    ) -> None:
        across, up = PAPER[paper]
        self.paper = paper
        self.title = title
        self.columns = columns
        self.text = TEXT[paper]
        self.line = (TIGHT_LINE if tight else LINE) * self.text
        self.inside = Box(
            left=FILING_MARGIN, bottom=MARGIN, width=across - FILING_MARGIN - MARGIN, height=up - 2 * MARGIN
        )
        self.column_width = width * self.text
        self._size = across, up

    @cached_property
    def canvas(self) -> Canvas:
        """The paper itself, made when it is first drawn on."""
        return Canvas(*self._size)

    @property
    def drawing(self) -> Box:
        """The part of the frame that is left for the drawing."""
        taken = self.columns * self.column_width
        inside = self.inside
        return Box(left=inside.left, bottom=inside.bottom, width=inside.width - taken, height=inside.height)

    def flow(self, sheet: Sheet) -> list[list[tuple[_Piece, float]]] | None:
        """Return the pieces of each column with their upper edges; None when the columns do not hold them."""
        block = self._title_height()
        pieces = list(self._pieces(sheet))
        flowed: list[list[tuple[_Piece, float]]] = []
        place = 0
        for column in range(self.columns):
            floor = self.inside.bottom + GAP + (block if column == self.columns - 1 else 0.0)
            top = self.inside.top - GAP
            held: list[tuple[_Piece, float]] = []
            while place < len(pieces):
                # A heading stays with what follows it.
                needed = pieces[place].height + (pieces[place + 1].height if pieces[place].keep else 0.0)
                if top - needed < floor:
                    break
                held.append((pieces[place], top))
                top -= pieces[place].height
                place += 1
            flowed.append(held)
        return flowed if place == len(pieces) else None

    def draw(self, sheet: Sheet) -> None:
        """Draw the frame, the sheet in it, its legend, notes and title block."""
        sheet.draw(self.canvas)
        inside = self.inside
        left = inside.right - self.columns * self.column_width
        for number, held in enumerate(self.flow(sheet) or []):
            x = left + number * self.column_width
            self.canvas.lines([[(x, inside.bottom), (x, inside.top)]], width=FINE)
            for piece, top in held:
                piece.draw(self.canvas, x + GAP, top)
        self._title_block(sheet)
        self.canvas.rectangle(inside, width=HEAVY)

    def _pieces(self, sheet: Sheet) -> Iterator[_Piece]:
        if sheet.legend:
            yield self._heading("Legend")
            for entry in sheet.legend:
                yield self._entry(entry)
        if sheet.notes:
            yield self._heading("Notes")
            for entry in sheet.notes:
                yield self._entry(entry)
        if sheet.caution:
            yield self._caution(sheet.caution)

    def _heading(self, text: str) -> _Piece:
        t = self.text

        def draw(canvas: Canvas, x: float, top: float) -> None:
            canvas.text(x, top - 1.9 * t, text, height=1.3 * t)

        return _Piece(height=2.7 * t, draw=draw, keep=True)

    def _entry(self, entry: Entry) -> _Piece:
        t = self.text
        indent = SAMPLE * t if entry.sample else 0.0
        lines = wrap(entry.text, self.column_width - 2 * GAP - indent, t)
        height = max(len(lines) * self.line, entry.height * t) + 0.5 * t

        def draw(canvas: Canvas, x: float, top: float) -> None:
            baseline = top - 1.3 * t
            if entry.sample:
                entry.sample(
                    canvas, Box(left=x, bottom=top - height + 0.2 * t, width=indent - GAP, height=height - 0.4 * t)
                )
                baseline = top - height / 2 - t / 2 + (len(lines) - 1) * self.line / 2
            for number, line in enumerate(lines):
                canvas.text(x + indent, baseline - number * self.line, line, height=t)

        return _Piece(height=height, draw=draw)

    def _caution(self, text: str) -> _Piece:
        t = self.text
        lines = wrap(text, self.column_width - 4 * GAP, t)
        height = len(lines) * self.line + 2 * GAP

        def draw(canvas: Canvas, x: float, top: float) -> None:
            width = self.column_width - 2 * GAP
            first = top - GAP - (self.line + t) / 2
            canvas.rectangle(Box(left=x, bottom=top - height + GAP / 2, width=width, height=height - GAP), width=BOLD)
            for number, line in enumerate(lines):
                canvas.text(x + GAP, first - number * self.line, line, height=t)

        return _Piece(height=height, draw=draw)

    def _title_rows(self, sheet: Sheet) -> list[tuple[float, list[tuple[float, str, str]]]]:
        """Return the rows from the top: height in heights of text, and per cell its share, caption and content."""
        t = self.title
        scale = f"1:{sheet.scale} at {self.paper}" if sheet.scale else f"none, {self.paper}"
        scale = sheet.scale_text or scale
        return [
            (4.6, [(1.0, "Job", t.job)]),
            (4.6, [(1.0, "Sheet", sheet.title)]),
            (3.9, [(0.4, "Scale", scale), (0.6, "As of", t.as_of)]),
            (
                3.9,
                [
                    (0.5, "Drawing number", t.drawing_number),
                    (0.25, "Revision", t.revision),
                    (0.25, "Page", f"{t.page} of {t.pages}"),
                ],
            ),
            (2.2, [(1.0, "Originator:", t.originator)]),
            (2.2, [(1.0, "Made by:", f"{t.tool}, inputs sha256 {t.inputs}")]),
            (5.6, [(1 / 3, "Prepared", ""), (1 / 3, "Checked", ""), (1 / 3, "Approved", "")]),
        ]

    def _title_height(self) -> float:
        rows = self._title_rows(Sheet(title="", scale=None, draw=lambda _canvas: None))
        return (sum(height for height, _ in rows) + self._revision_height()) * self.text

    def _revision_height(self) -> float:
        return 2.2 * (min(3, len(self.title.revisions)) + 1) if self.title.revisions else 0.0

    def _title_block(self, sheet: Sheet) -> None:
        t, canvas = self.text, self.canvas
        left, right = self.inside.right - self.column_width, self.inside.right
        top = self.inside.bottom + self._title_height()
        canvas.lines([[(left, top), (right, top)]], width=BOLD)
        top = self._revisions(left, right, top)
        for number, (height, cells) in enumerate(self._title_rows(sheet)):
            bottom = top - height * t
            x = left
            for share, caption, content in cells:
                width = share * self.column_width
                if x > left:
                    canvas.lines([[(x, bottom), (x, top)]], width=FINE)
                self._cell(
                    Box(left=x, bottom=bottom, width=width, height=top - bottom), caption, content, large=number < 2
                )
                x += width
            if bottom > self.inside.bottom + 1e-6:
                canvas.lines([[(left, bottom), (right, bottom)]], width=FINE)
            top = bottom

    def _cell(self, box: Box, caption: str, content: str, *, large: bool) -> None:
        t, canvas = self.text, self.canvas
        pad = 0.6 * t
        if caption.endswith(":"):
            indent = 9.0 * t
            canvas.text(box.left + pad, box.bottom + 0.6 * t, caption[:-1], height=t, colour="#4A4A4A")
            line, height = fit(content, box.width - indent - pad, t, least=t)
            canvas.text(box.left + indent, box.bottom + 0.6 * t, line, height=height)
            return
        canvas.text(box.left + pad, box.top - 1.55 * t, caption, height=t, colour="#4A4A4A")
        line, height = fit(content, box.width - 2 * pad, 1.6 * t if large else 1.15 * t, least=t)
        canvas.text(box.left + pad, box.bottom + 0.65 * t, line, height=height)

    def _revisions(self, left: float, right: float, top: float) -> float:
        """Draw the newest revisions, newest first; return where the next row starts."""
        revisions = self.title.revisions
        if not revisions:
            return top
        t, canvas = self.text, self.canvas
        edges = (left, left + 4.2 * t, left + 13.5 * t, right)
        rows = [("Rev", "Date", "Revision"), *((r.rev, r.date, r.text) for r in revisions[:-4:-1])]
        bottom = top - 2.2 * t * len(rows)
        for number, row in enumerate(rows):
            y = top - 2.2 * t * (number + 1)
            for x, end, content in zip(edges[:-1], edges[1:], row, strict=True):
                line, height = fit(content, end - x - t, t, least=t)
                canvas.text(x + 0.6 * t, y + 0.6 * t, line, height=height)
            canvas.lines([[(left, y), (right, y)]], width=FINE, colour=INK)
        canvas.lines([[(x, bottom), (x, top)] for x in edges[1:-1]], width=FINE)
        return bottom
