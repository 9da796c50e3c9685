"""Headings, paragraphs and tables one under another, over as many sheets as they need."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.lettering import ELLIPSIS, fit, wrap
from asbuilt.output.sheets.table import draw_page, paginate

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.table import Page, Table

__all__ = ["Flow", "FlowPage"]

#: Distance of lines and room under a paragraph, height of a heading and room under a table, in heights of text.
LINE, GAP, HEADING, AFTER = 1.5, 0.7, 3.0, 1.2
#: Lines of a paragraph at most; what is longer ends in an ellipsis.
MOST_LINES = 12


@dataclass
class FlowPage:
    """One sheet being filled: where the next part begins and the lowest edge [mm], and what is drawn.

    ``rows`` names each table on it, with its first row and the one after its last.
    """

    top: float
    bottom: float
    drawn: list[Callable[[Canvas], None]] = field(default_factory=list)
    rows: list[tuple[str, int, int]] = field(default_factory=list)


class Flow:
    """Parts that follow one another down the sheets.

    Parameters
    ----------
    box : Box
        What they may fill of every sheet [mm].
    text : float
        Height of a capital letter [mm].
    foot : float
        Height that is kept free at the foot of the first sheet [mm].
    """

    def __init__(self, box: Box, text: float, *, foot: float = 0.0) -> None:
        self.box = box
        self.text = text
        self.pages = [FlowPage(box.top, box.bottom + foot)]

    def part(self, height: float, draw: Callable[[Canvas, Box], None]) -> None:
        """Add something of a given height, drawn in the box that it gets."""
        page = self._page(height)
        at = Box(left=self.box.left, bottom=page.top - height, width=self.box.width, height=height)
        page.drawn.append(lambda canvas: draw(canvas, at))
        page.top -= height + GAP * self.text

    def heading(self, words: str) -> None:
        """Add a heading; it stays with at least one line under it."""
        self._page((HEADING + LINE + GAP) * self.text)
        self._heading(words)

    def paragraph(self, words: str) -> None:
        """Add a paragraph."""
        lines = wrap(words, self.box.width, self.text)
        if len(lines) > MOST_LINES:
            lines = [
                *lines[: MOST_LINES - 1],
                fit(lines[MOST_LINES - 1] + ELLIPSIS, self.box.width, self.text, least=self.text)[0],
            ]

        def draw(canvas: Canvas, at: Box) -> None:
            for number, line in enumerate(lines):
                canvas.text(at.left, at.top - (1.2 + LINE * number) * self.text, line, height=self.text)

        self.part(LINE * len(lines) * self.text, draw)

    def table(self, heading: str, table: Table, *, name: str, before: str = "") -> None:
        """Add a table under its heading, which is repeated on every further sheet.

        Its rows are told by ``name``; ``before`` is a sentence between heading and table.
        """
        taken = HEADING * self.text
        said = (LINE * len(wrap(before, self.box.width, self.text)) + GAP) * self.text if before else 0.0
        further = self._rest(self.box.top, self.box.bottom, taken)
        page = self.pages[-1]
        pages = paginate(table, further, self.text, first=self._rest(page.top, page.bottom, taken + said))
        if pages and pages[0].stop == pages[0].start:
            page = self._new()
            pages = paginate(table, further, self.text, first=self._rest(page.top, page.bottom, taken + said))
        for number, part in enumerate(pages):
            page = self._new() if number else page
            self._heading(f"{heading}, continued" if number else heading)
            if before and not number:
                self.paragraph(before)
            self._rows(page, part)
            page.rows.append((name, part.start, part.stop))

    def _rows(self, page: FlowPage, part: Page) -> None:
        page.drawn.append(lambda canvas: draw_page(canvas, part))
        page.top = part.bottom - AFTER * self.text

    def _rest(self, top: float, bottom: float, taken: float) -> Box:
        height = max(top - taken - bottom, 0.0)
        return Box(left=self.box.left, bottom=bottom, width=self.box.width, height=height)

    def _heading(self, words: str) -> None:
        text, page = self.text, self.pages[-1]
        line, height = fit(words, self.box.width, 1.3 * text, least=text)
        y = page.top - 2.1 * text
        page.drawn.append(lambda canvas: canvas.text(self.box.left, y, line, height=height))
        page.top -= HEADING * text

    def _page(self, height: float) -> FlowPage:
        page = self.pages[-1]
        return page if page.top - height >= page.bottom - 1e-6 else self._new()

    def _new(self) -> FlowPage:
        self.pages.append(FlowPage(self.box.top, self.box.bottom))
        return self.pages[-1]
