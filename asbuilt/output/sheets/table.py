"""A ruled table on paper: columns as wide as they need, rows that wrap, repeated headers over several sheets.

Widths are worked out for all rows at once, so that a table of thousands of rows costs little beyond its labels.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from asbuilt.output.sheets.canvas import FINE, HAIR, INK, MEDIUM, Box
from asbuilt.output.sheets.chart import GRID
from asbuilt.output.sheets.figures import MINUS
from asbuilt.output.sheets.lettering import ELLIPSIS, clean, fit, text_width, wrap
from asbuilt.output.sheets.symbols import LOOKS, draw_markers

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["Column", "Page", "Table", "draw_page", "least_width", "longest_part", "paginate", "text_widths"]

Align = Literal["left", "centre", "figure"]

#: Distance of lines, height of a row of one line, its first baseline and a marker's room, in heights of text.
LINE, ROW, BASELINE, MARK = 1.5, 1.9, 1.44, 1.55
#: Room at both sides of a cell in heights of text: as wished, and where the table is crowded.
PAD, TIGHT_PAD = 0.55, 0.3
#: Lines of a cell or remark at most; what is longer ends in an ellipsis.
MOST_LINES = 12
#: Every fifth row is shaded, so lightly that text on it keeps its contrast.
SHADE, SHADED_EVERY = "#F0F0F0", 5
#: What a figure is written with.
_FIGURES = frozenset(f"+-{MINUS}0123456789.<> ")
#: A name that is too long for its column goes on after one of these.
_PARTS = re.compile(r"(?<=[~_./\-])")


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a table, and its cells from the top down.

    ``align``: words ``left``; ``centre``; ``figure``: on the decimal point, what is no figure in the middle. ``marks``
    are codes of verdicts whose markers stand before the text, -1 for none. Neighbours of one ``group`` stand under one
    heading. A column that ``wraps`` may be as narrow as ``least`` heights of text. A title takes ``title_lines``
    lines at most. ``beside`` are the cells of another table of the same columns that is to be as wide.
    """

    title: str
    cells: Sequence[str]
    unit: str = ""
    align: Align = "left"
    group: str = ""
    marks: Integers | None = None
    wraps: bool = False
    least: float = 8.0
    title_lines: int = 3
    beside: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table: columns of n cells each; ``remarks`` (n, or none at all) run the full width under their row."""

    columns: tuple[Column, ...]
    remarks: Sequence[str] = ()

    def __len__(self) -> int:
        return len(self.columns[0].cells) if self.columns else 0


@dataclass(frozen=True)
class _Cells:
    """A column as laid out: single lines with their widths and, for figures, widths before the point [mm]."""

    lines: list[list[str]] | None
    texts: list[str]
    width: Floats
    before: Floats
    figure: Booleans
    block: float
    """Width of the widest content, marker included [mm]."""
    mark: float


@dataclass(frozen=True)
class _Laid:
    columns: tuple[Column, ...]
    cells: tuple[_Cells, ...]
    remarks: list[list[str]]
    left: Floats
    """Left edges of the columns from the table's own, and its right edge (c + 1,) [mm]."""
    pad: float
    titles: tuple[list[str], ...]
    lines: Integers
    height: Floats
    header: float
    text: float


@dataclass(frozen=True, kw_only=True)
class Page:
    """The rows ``start`` to ``stop`` of a table as they stand on one sheet; none where the table begins on the next.

    ``bottom`` is where it ends on the paper [mm].
    """

    start: int
    stop: int
    left: float
    top: float
    bottom: float
    laid: _Laid


def text_widths(texts: Sequence[str], height: float) -> Floats:
    """Return how wide cleaned texts run (n,) [mm], as :func:`~asbuilt.output.sheets.lettering.text_width` of each."""
    ends = np.cumsum(np.fromiter(map(len, texts), dtype=np.int64, count=len(texts)))
    codes = np.frombuffer("".join(texts).encode("utf-32-le"), dtype=np.uint32)
    known, place = np.unique(codes, return_inverse=True)
    advance = np.array([text_width(chr(code), height) for code in known.tolist()], dtype=np.float64)
    run = np.concatenate([[0.0], np.cumsum(advance[place])]) if len(codes) else np.zeros(1)
    width: Floats = run[ends] - run[np.concatenate([[0], ends[:-1]]).astype(np.int64)] if len(ends) else np.empty(0)
    return width


def longest_part(names: Sequence[str]) -> float:
    """Return how wide the widest part runs, in heights of text, that names can be broken into without a broken word."""
    parts = [part for name in names for word in clean(name).split() for part in _PARTS.split(word)]
    return float(text_widths(parts, 1.0).max(initial=0.0))


def least_width(table: Table, text: float) -> float:
    """Return the width [mm] below which cells of the table, lettered ``text`` mm high, would have to be cut."""
    least = [_least(column, _measure(column, text), text) for column in table.columns]
    return float(sum(least)) + 2 * TIGHT_PAD * text * len(table.columns)


def paginate(table: Table, box: Box, text: float, *, first: Box | None = None) -> list[Page]:
    """Lay a table out over as many sheets as it needs.

    Parameters
    ----------
    table : Table
    box : Box
        The part of every sheet that it may fill [mm].
    text : float
        Height of a capital letter [mm].
    first : Box, optional
        What is left of the first sheet, of the same width. Where that does not hold the header and one row, the first
        page has no rows.

    Returns
    -------
    list of Page
        No page where the table has no rows.
    """
    if not len(table):
        return []
    laid = _lay_out(table, box.width, text)
    foot = np.concatenate([[0.0], np.cumsum(laid.height)])
    pages: list[Page] = []
    start, room = 0, first or box
    while start < len(table):
        stop = int(np.searchsorted(foot, foot[start] + room.height - laid.header + 1e-6, side="right")) - 1
        if room is box:
            stop = max(stop, start + 1)
        stop = max(stop, start)
        taken = laid.header + float(foot[stop] - foot[start]) if stop > start else 0.0
        pages.append(Page(start=start, stop=stop, left=room.left, top=room.top, bottom=room.top - taken, laid=laid))
        start, room = stop, box
    return pages


def draw_page(canvas: Canvas, page: Page) -> None:
    """Draw the rows of one page under the table's header."""
    if page.stop == page.start:
        return
    laid = page.laid
    edges = page.top - laid.header - np.concatenate([[0.0], np.cumsum(laid.height[page.start : page.stop])])
    left, right = page.left, page.left + float(laid.left[-1])
    rows = np.arange(page.start, page.stop)
    shaded = np.flatnonzero(rows % SHADED_EVERY == SHADED_EVERY - 1)
    across = np.array([left, right, right, left])
    up = np.stack([edges[shaded + 1], edges[shaded + 1], edges[shaded], edges[shaded]], axis=1)
    canvas.shapes(np.stack([np.broadcast_to(across, up.shape), up], axis=2), fill=SHADE)
    inner = edges[1:-1]
    rules = np.stack([np.stack([np.full(len(inner), x), inner], axis=1) for x in (left, right)], axis=1)
    canvas.lines(rules, width=HAIR, colour=GRID)
    _draw_header(canvas, page)
    canvas.lines([[(left, edges[0]), (right, edges[0])], [(left, edges[-1]), (right, edges[-1])]], width=FINE)
    marks: list[tuple[Integers, Floats]] = []
    for number in range(len(laid.columns)):
        marks.extend(_draw_column(canvas, page, number, edges[:-1]))
    for code, look in enumerate(LOOKS):
        at = [places[codes == code] for codes, places in marks]
        if at:
            draw_markers(canvas, look, np.concatenate(at), 0.95 * laid.text)
    _draw_remarks(canvas, page, edges[:-1])


def _measure(column: Column, text: float) -> _Cells:
    """Return a column's cells as single lines, measured."""
    texts = [clean(cell) for cell in column.cells]
    width = text_widths(texts, text)
    figure = np.zeros(len(texts), dtype=np.bool_)
    before = np.zeros(len(texts))
    mark = MARK * text if column.marks is not None else 0.0
    block = float(width.max(initial=0.0)) + mark
    if column.align == "figure":
        figure = np.fromiter((bool(cell) and _FIGURES.issuperset(cell) for cell in texts), np.bool_, len(texts))
        before = np.where(figure, text_widths([cell.partition(".")[0] for cell in texts], text), 0.0)
        after = np.where(figure, width - before, 0.0)
        block = max(float(before.max(initial=0.0) + after.max(initial=0.0)), block)
    if column.beside:
        block = max(block, float(text_widths([clean(cell) for cell in column.beside], text).max()) + mark)
    return _Cells(None, texts, width, before, figure, block, mark)


def _title_width(title: str, text: float, most: int) -> float:
    """Return the least width [mm] in which a title keeps to its lines without a broken word."""
    words = clean(title).split()
    runs = (" ".join(words[a:b]) for a in range(len(words)) for b in range(a + 1, len(words) + 1))
    longest = max((text_width(word, text) for word in words), default=0.0)
    for width in sorted({max(longest, text_width(run, text)) for run in runs}):
        if len(wrap(title, width + 1e-6, text)) <= most:
            return width + 1e-6
    return longest


def _head_width(column: Column, text: float) -> float:
    return max(_title_width(column.title, text, column.title_lines), text_width(clean(column.unit), text))


def _least(column: Column, cells: _Cells, text: float) -> float:
    """Return the least width of a column [mm], without its padding."""
    block = min(cells.block, column.least * text) if column.wraps else cells.block
    return max(block, _head_width(column, text))


def _share(least: Floats, wished: Floats, width: float) -> Floats:
    """Share ``width`` out: what columns need, then what they wish for, then what is left to all alike."""
    spare = width - float(least.sum())
    if spare <= 0:
        squeezed: Floats = least * (width / float(least.sum()))
        return squeezed
    wish = np.maximum(wished - least, 0.0)
    given = wish * min(1.0, spare / max(float(wish.sum()), 1e-9))
    shares: Floats = least + given + (spare - float(given.sum())) / len(least)
    return shares


def _lay_out(table: Table, width: float, text: float) -> _Laid:
    columns = table.columns
    cells = [_measure(column, text) for column in columns]
    least = np.array([_least(column, cell, text) for column, cell in zip(columns, cells, strict=True)])
    head = np.array([_head_width(column, text) for column in columns])
    wished = np.maximum(np.array([cell.block for cell in cells]), head)
    pad = float(np.clip((width - least.sum()) / (2 * len(columns)), TIGHT_PAD * text, PAD * text))
    shares = _share(least + 2 * pad, wished + 2 * pad, width)
    inner = shares - 2 * pad
    set_ = tuple(_set(*each, text) for each in zip(columns, cells, inner.tolist(), strict=True))
    left = np.concatenate([[0.0], np.cumsum(shares)])
    room = width - float(left[_indent(columns)]) - 2 * pad
    remarks = [_cut(wrap(remark, room, text)) if remark else [] for remark in table.remarks]
    lines = np.ones(len(table), dtype=np.int64)
    for cell in set_:
        if cell.lines is not None:
            np.maximum(lines, np.fromiter(map(len, cell.lines), np.int64, len(table)), out=lines)
    extra = np.fromiter(map(len, remarks), np.int64, len(table)) if remarks else np.zeros(len(table), dtype=np.int64)
    titles = tuple(wrap(c.title, w + 1e-6, text) for c, w in zip(columns, inner.tolist(), strict=True))
    heads = max(map(len, titles)) + any(c.unit for c in columns)
    header = (LINE * heads + 0.7 + (LINE + 0.3 if any(c.group for c in columns) else 0.0)) * text
    height: Floats = np.asarray((ROW + LINE * (lines - 1 + extra)) * text, dtype=np.float64)
    return _Laid(columns, set_, remarks, left, pad, titles, lines, height, header, text)


def _indent(columns: tuple[Column, ...]) -> int:
    """Return the column at whose left edge remarks begin: the second, so that the first stays the one to search by."""
    return min(1, len(columns) - 1)


def _cut(lines: list[str]) -> list[str]:
    return lines if len(lines) <= MOST_LINES else [*lines[: MOST_LINES - 1], f"{lines[MOST_LINES - 1]} {ELLIPSIS}"]


def _broken(cell: str, room: float, text: float) -> list[str]:
    """Return the lines of a cell; a name too long for one goes on after a tilde, else a hyphen, a point or the like."""
    lines, line = [], ""
    for word in cell.split():
        glue = " "
        for part in [word] if text_width(word, text) <= room else _PARTS.split(word):
            for piece in wrap(part, room, text):
                longer = f"{line}{glue}{piece}" if line else piece
                if line and (text_width(longer, text) > room or (not glue and line.endswith("~"))):
                    lines.append(line)
                    longer = piece
                line, glue = longer, ""
    return [*lines, line] if line else lines


def _set(column: Column, cells: _Cells, inner: float, text: float) -> _Cells:
    """Wrap the cells of a column, or fit those that run wider than it, to ``inner`` mm."""
    room = inner - cells.mark + 1e-6
    long = np.flatnonzero(cells.width > room).tolist()
    if not long:
        return cells
    if column.wraps:
        lines = [[cell] for cell in cells.texts]
        for row in long:
            lines[row] = _cut(_broken(cells.texts[row], room, text)) or [""]
        return _Cells(lines, cells.texts, cells.width, cells.before, cells.figure, inner, cells.mark)
    texts = list(cells.texts)
    for row in long:
        texts[row] = fit(texts[row], room, text, least=text)[0]
    width = text_widths(texts, text)
    figure = np.zeros(len(texts), dtype=np.bool_)
    return _Cells(None, texts, width, cells.before, figure, inner, cells.mark)


def _draw_header(canvas: Canvas, page: Page) -> None:
    laid, text = page.laid, page.laid.text
    bottom = page.top - laid.header
    right = page.left + float(laid.left[-1])
    canvas.lines([[(page.left, page.top), (right, page.top)]], width=MEDIUM)
    for name, first, last in _groups(laid.columns):
        a, b = page.left + laid.left[first], page.left + laid.left[last]
        line, height = fit(name, float(b - a) - 2 * laid.pad, text, least=text)
        canvas.text((a + b) / 2, page.top - BASELINE * text, line, height=height, anchor="centre")
        y = page.top - (LINE + 0.45) * text
        canvas.lines([[(a + laid.pad, y), (b - laid.pad, y)]], width=HAIR, colour=INK)
    has_unit = any(column.unit for column in laid.columns)
    for number, column in enumerate(laid.columns):
        a, b = page.left + laid.left[number] + laid.pad, page.left + laid.left[number + 1] - laid.pad
        words = column.align == "left"
        lines = [*laid.titles[number], column.unit] if has_unit else laid.titles[number]
        for up, line in enumerate(reversed(lines)):
            y = bottom + (0.55 + LINE * up) * text
            canvas.text(a if words else (a + b) / 2, y, line, height=text, anchor="left" if words else "centre")


def _groups(columns: tuple[Column, ...]) -> Iterator[tuple[str, int, int]]:
    start = 0
    for number in range(1, len(columns) + 1):
        if number == len(columns) or columns[number].group != columns[start].group:
            if columns[start].group:
                yield columns[start].group, start, number
            start = number


def _draw_column(canvas: Canvas, page: Page, number: int, tops: Floats) -> Iterator[tuple[Integers, Floats]]:
    """Write the cells of one column; yield the codes and places of its markers."""
    laid, column, cells = page.laid, page.laid.columns[number], page.laid.cells[number]
    text, rows = laid.text, slice(page.start, page.stop)
    left = page.left + float(laid.left[number]) + laid.pad
    inner = float(laid.left[number + 1] - laid.left[number]) - 2 * laid.pad
    width = cells.width[rows] + cells.mark
    x = np.full(len(width), left)
    if column.align != "left":
        x = left + (inner - width) / 2
    if column.align == "figure":
        before = cells.before[cells.figure].max(initial=0.0)
        after = (cells.width - cells.before)[cells.figure].max(initial=0.0)
        point = left + (inner - before - after) / 2 + before
        x = np.where(cells.figure[rows], point - cells.before[rows], x)
    elif column.align == "centre" and column.marks is not None:
        x = np.full(len(width), left + (inner - cells.block) / 2)
        x = np.where(column.marks[rows] < 0, left + (inner - cells.width[rows]) / 2 - cells.mark, x)
    baseline = tops - BASELINE * text
    starts = (x + cells.mark).tolist()
    if cells.lines is None:
        for at, y, cell in zip(starts, baseline.tolist(), cells.texts[rows], strict=True):
            canvas.text(at, y, cell, height=text)
    else:
        for at, y, lines in zip(starts, baseline.tolist(), cells.lines[rows], strict=True):
            for down, line in enumerate(lines):
                canvas.text(at, y - down * LINE * text, line, height=text)
    if column.marks is not None:
        yield column.marks[rows], np.stack([x + 0.6 * text, baseline + text / 2], axis=1)


def _draw_remarks(canvas: Canvas, page: Page, tops: Floats) -> None:
    laid = page.laid
    x = page.left + float(laid.left[_indent(laid.columns)]) + laid.pad
    for row, top in zip(range(page.start, page.stop), tops.tolist(), strict=True):
        for down, line in enumerate(laid.remarks[row] if laid.remarks else ()):
            y = top - (BASELINE + LINE * (int(laid.lines[row]) + down)) * laid.text
            canvas.text(x, y, line, height=laid.text)
