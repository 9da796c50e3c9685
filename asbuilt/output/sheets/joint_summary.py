"""Sheets that list the joints that cannot be drawn: what is missing, and which stages they hold."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.figures import level_figure
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.joint_words import lacking
from asbuilt.output.sheets.lettering import wrap
from asbuilt.output.sheets.notes import CAUTION, sheet_notes
from asbuilt.output.sheets.table import Column, Table, draw_page, least_width, paginate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from asbuilt.model import Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.table import Page

__all__ = ["summary_sheets"]

TITLE = "Joints not surveyed"
SAID = (
    "A pile of each of these joints has no surveyed centre: they cannot be drawn. What is not measured is not known to "
    "interlock."
)
GAP = 3.0
#: Cells of so many letters are not wrapped.
SHORT = 16


def summary_sheets(
    result: Reconciliation, rows: Integers, holds: Mapping[str, tuple[str, ...]], area: Box, text: float
) -> list[Sheet]:
    """Return the sheets that list joints, in the order of ``rows``: as many as fit a sheet, in columns."""
    if not len(rows):
        return []
    table = _table(result, rows, holds)
    inner = area.inset(GAP)
    head = (len(wrap(SAID, inner.width, text)) * 1.5 + 3.6) * text
    columns = max(1, int((inner.width + 2 * GAP) / (1.15 * least_width(table, text) + 2 * GAP)))
    width = (inner.width - (columns - 1) * 2 * GAP) / columns
    part = Box(left=inner.left, bottom=inner.bottom, width=width, height=inner.height - head)
    pages = paginate(table, part, text)
    groups = [pages[k : k + columns] for k in range(0, len(pages), columns)]
    return [_sheet(result, rows, group, inner, width, text) for group in groups]


def _table(result: Reconciliation, rows: Integers, holds: Mapping[str, tuple[str, ...]]) -> Table:
    joints = result.joints
    ids = [str(name) for name in joints["joint_id"][rows]]
    ends = zip(joints["range_top"][rows].tolist(), joints["range_bottom"][rows].tolist(), strict=True)
    ranges = [" to ".join(level_figure(end) for end in pair) for pair in ends]
    columns = [
        Column(title="Joint", cells=ids),
        Column(title="Range", unit="m", cells=ranges),
        Column(title="Missing", cells=[_missing(result, row) for row in rows.tolist()], wraps=True, least=15.0),
    ]
    if result.stages:
        held = [_held(result, holds.get(name, ())) for name in ids]
        columns.append(Column(title="Holds", cells=held, wraps=max(map(len, held)) > SHORT))
    return Table(columns=tuple(columns))


def _missing(result: Reconciliation, row: int) -> str:
    """Return what is missing in few words: what both piles lack is said once."""
    first, second = lacking(result, row)
    if first[1] == second[1]:
        return f"{' and '.join(first[1])} of both"
    return "; ".join(f"{' and '.join(lack)} of {name}" for name, lack in (first, second) if lack)


def _held(result: Reconciliation, names: Sequence[str]) -> str:
    if names and len(names) == len(result.stages):
        return "all stages"
    return ", ".join(names) or "none"


def _sheet(
    result: Reconciliation, rows: Integers, pages: Sequence[Page], inner: Box, width: float, text: float
) -> Sheet:
    listed = [str(name) for page in pages for name in result.joints["joint_id"][rows[page.start : page.stop]]]

    def draw(canvas: Canvas) -> None:
        canvas.text(inner.left, inner.top - 1.6 * text, TITLE, height=1.3 * text)
        for number, line in enumerate(wrap(SAID, inner.width, text)):
            canvas.text(inner.left, inner.top - (3.4 + 1.5 * number) * text, line, height=text)
        for number, page in enumerate(pages):
            draw_page(canvas, replace(page, left=inner.left + number * (width + 2 * GAP)))

    return Sheet(
        title=f"{TITLE}: {listed[0]} to {listed[-1]}" if len(listed) > 1 else f"{TITLE}: {listed[0]}",
        scale=None,
        draw=draw,
        notes=sheet_notes(result, text, shown="Range: the levels between which the joint must interlock."),
        caution=CAUTION,
        scale_text="list, no scale",
        items=tuple(listed),
    )
