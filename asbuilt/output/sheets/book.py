"""Sheets bound to one PDF: paper, frame and title block from the settings, the same bytes from the same inputs."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages

from asbuilt.errors import TargetError
from asbuilt.output.sheets.canvas import page_settings
from asbuilt.output.sheets.control import control_sheets
from asbuilt.output.sheets.elevation import elevation_sheets
from asbuilt.output.sheets.frame import COLUMN, Frame, Title
from asbuilt.output.sheets.joint import joint_sheets
from asbuilt.output.sheets.level_plan import level_sheets
from asbuilt.output.sheets.pile import pile_sheets
from asbuilt.output.sheets.plan import plan_sheets
from asbuilt.output.sheets.scatter import scatter_sheets
from asbuilt.output.sheets.schedule import schedule_sheets
from asbuilt.output.sheets.stage import stage_sheets

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping
    from pathlib import Path

    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.frame import Sheet
    from asbuilt.output.sheets.job import Job, Maker

__all__ = ["KINDS", "Book", "write_sheets"]

#: The kinds of sheet in the order of the book, and what makes them.
KINDS: Mapping[str, Maker] = {
    "plan": plan_sheets,
    "level": level_sheets,
    "elevation": elevation_sheets,
    "stage": stage_sheets,
    "joint": joint_sheets,
    "pile": pile_sheets,
    "scatter": scatter_sheets,
    "schedule": schedule_sheets,
    "control": control_sheets,
}
#: Widths of a column that are tried before there is one more, in heights of text.
WIDTHS = (COLUMN, 56.0, 66.0)
MOST_COLUMNS = 3


@dataclass(frozen=True, kw_only=True)
class Book:
    """What was written: how many pages, and the page of each pile or joint, the one that is about little else."""

    pages: int
    page_of: Mapping[str, int]


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """A sheet and how the columns beside it are laid out."""

    sheet: Sheet
    columns: int
    width: float
    tight: bool

    def frame(self, title: Title, paper: str) -> Frame:
        return Frame(paper, title, columns=self.columns, width=self.width, tight=self.tight)


def write_sheets(
    path: Path,
    job: Job,
    *,
    tool_version: str,
    inputs_sha256: str,
    kinds: Collection[str] = (),
    makers: Mapping[str, Maker] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Book:
    """Write the drawings of a reconciliation.

    Parameters
    ----------
    path : Path
        The PDF file.
    job : Job
        What is drawn, on which paper.
    tool_version : str
        Version that the title block names.
    inputs_sha256 : str
        Hash over all inputs, hexadecimal; the title block shows its first twelve digits, the file's properties all.
    kinds : collection of str
        Kinds out of ``makers``; default: all.
    makers : mapping of str to Maker, optional
        What makes each kind; default: :data:`KINDS`, those of a book.
    progress : callable, optional
        Told what is being drawn.

    Returns
    -------
    Book

    Raises
    ------
    TargetError
        When the file cannot be written.
    """
    step = progress or (lambda _text: None)
    result = job.result
    buffer = io.BytesIO()
    page_of: dict[str, int] = {}
    with page_settings(), PdfPages(buffer, metadata=_properties(result, tool_version, inputs_sha256)) as pdf:
        laid: list[_Laid] = []
        for kind, make in (makers or KINDS).items():
            if not kinds or kind in kinds:
                step(f"laying out sheets: {kind}")
                laid.extend(_lay_out(make, job))
        for page, one in enumerate(laid, start=1):
            step(f"drawing sheet {page} of {len(laid)}")
            title = _title(result, tool_version, inputs_sha256, page=page, pages=len(laid))
            if job.extract:
                title = replace(title, drawing_number=f"{title.drawing_number} extract".strip())
            frame = one.frame(title, job.paper)
            frame.draw(one.sheet)
            pdf.savefig(frame.canvas.figure)
        for page, one in sorted(enumerate(laid, start=1), key=lambda of: (-len(of[1].sheet.items), -of[0])):
            page_of.update(dict.fromkeys(one.sheet.items, page))
    try:
        path.write_bytes(buffer.getvalue())
    except OSError as error:
        raise TargetError(f"{path}: the sheets cannot be written: {error.strerror or error}") from error
    return Book(pages=len(laid), page_of=page_of)


def _lay_out(make: Maker, job: Job) -> Iterator[_Laid]:
    """Lay the sheets of one kind out beside the narrowest columns of legend and notes that hold those of all."""
    title = _title(job.result, "", "", page=999, pages=999)
    for columns in range(1, MOST_COLUMNS + 1):
        for width in WIDTHS:
            frame = Frame(job.paper, title, columns=columns, width=width)
            sheets = make(job, frame.drawing, frame.text)
            frames = [Frame(job.paper, title, columns=columns, width=width, tight=tight) for tight in (False, True)]
            fits = [[frame.flow(sheet) is not None for frame in frames] for sheet in sheets]
            if all(map(any, fits)):
                for sheet, fit in zip(sheets, fits, strict=True):
                    yield _Laid(sheet=sheet, columns=columns, width=width, tight=not fit[0])
                return
    raise AssertionError  # notes and legend are bounded: three columns hold them on every paper


def _time(result: Reconciliation) -> datetime | None:
    """Return the as-of date; None where nothing in the inputs is dated, for which the epoch stands."""
    if np.isnat(result.as_of) or result.as_of == np.datetime64(0, "ms"):
        return None
    milliseconds = int(result.as_of.astype("datetime64[ms]").astype(np.int64))
    return datetime.fromtimestamp(milliseconds / 1000.0, UTC)


def _title(result: Reconciliation, tool_version: str, inputs_sha256: str, *, page: int, pages: int) -> Title:
    settings = result.survey.settings
    return Title(
        job=settings.site.name,
        as_of=settings.site.time_text(result.as_of),
        tool=f"asbuilt {tool_version}",
        inputs=inputs_sha256[:12],
        drawing_number=settings.sheets.drawing_number or "",
        revision=settings.sheets.revision or "",
        originator=settings.sheets.originator or "",
        revisions=tuple(settings.sheets.revisions),
        page=page,
        pages=pages,
    )


def _properties(result: Reconciliation, tool_version: str, inputs_sha256: str) -> dict[str, str | datetime | None]:
    """Return the file's properties: the job's full name, and the as-of date in place of the time of writing."""
    at = _time(result) or datetime(1970, 1, 1, tzinfo=UTC)
    return {
        "Title": f"{result.survey.settings.site.name}: as-built sheets",
        "Subject": "Geometry only. Not a permit to dig.",
        "Keywords": f"inputs sha256 {inputs_sha256}",
        "Creator": f"asbuilt {tool_version}",
        "CreationDate": at,
        "ModDate": at,
    }
