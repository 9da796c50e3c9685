"""Sheets bound to one PDF: paper, frame and title block from the settings, the same bytes from the same inputs."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages

from asbuilt.errors import TargetError
from asbuilt.output.sheets.canvas import page_settings
from asbuilt.output.sheets.frame import COLUMN, TEXT, Frame, Sheet, Title
from asbuilt.output.sheets.plan import deviation_plan

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.canvas import Box

__all__ = ["SHEETS", "write_sheets"]

#: The sheets of the book in their order: each laid out on the part of the paper that is left for it, with the
#: height of its text.
SHEETS: tuple[Callable[[Reconciliation, Box, float], Sheet], ...] = (deviation_plan,)
#: Widths of a column that are tried before there is one more, in heights of text.
WIDTHS = (COLUMN, 56.0, 66.0)
MOST_COLUMNS = 3


def write_sheets(path: Path, result: Reconciliation, *, tool_version: str, inputs_sha256: str) -> int:
    """Write the drawings of a reconciliation.

    Parameters
    ----------
    path : Path
        The PDF file.
    result : Reconciliation
    tool_version : str
        Version that the title block names.
    inputs_sha256 : str
        Hash over all inputs, hexadecimal; the title block shows its first twelve digits, the file's properties all.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    TargetError
        When the file cannot be written.
    """
    buffer = io.BytesIO()
    with page_settings(), PdfPages(buffer, metadata=_properties(result, tool_version, inputs_sha256)) as pdf:
        for page, make in enumerate(SHEETS, start=1):
            title = _title(result, tool_version, inputs_sha256, page=page, pages=len(SHEETS))
            frame, sheet = _lay_out(make, result, title)
            frame.draw(sheet)
            pdf.savefig(frame.canvas.figure)
    try:
        path.write_bytes(buffer.getvalue())
    except OSError as error:
        raise TargetError(f"{path}: the sheets cannot be written: {error.strerror or error}") from error
    return len(SHEETS)


def _lay_out(
    make: Callable[[Reconciliation, Box, float], Sheet], result: Reconciliation, title: Title
) -> tuple[Frame, Sheet]:
    """Lay a sheet out beside the narrowest columns of legend and notes that hold them."""
    paper = result.survey.settings.sheets.paper
    for columns in range(1, MOST_COLUMNS + 1):
        for width in WIDTHS:
            frame = Frame(paper, title, columns=columns, width=width)
            sheet = make(result, frame.drawing, TEXT[paper])
            for tight in (False, True):
                frame = Frame(paper, title, columns=columns, width=width, tight=tight)
                if frame.flow(sheet) is not None:
                    return frame, sheet
    raise AssertionError  # notes and legend are bounded: three columns hold them on every paper


def _time(result: Reconciliation) -> datetime | None:
    if np.isnat(result.as_of):
        return None
    milliseconds = int(result.as_of.astype("datetime64[ms]").astype(np.int64))
    return datetime.fromtimestamp(milliseconds / 1000.0, UTC)


def _title(result: Reconciliation, tool_version: str, inputs_sha256: str, *, page: int, pages: int) -> Title:
    settings = result.survey.settings
    at = _time(result)
    return Title(
        job=settings.site.name,
        as_of=f"{at:%Y-%m-%d %H:%M} UTC" if at else "no dated input",
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
    at = _time(result)
    return {
        "Title": f"{result.survey.settings.site.name}: as-built sheets",
        "Subject": "Geometry only. Not a permit to dig.",
        "Keywords": f"inputs sha256 {inputs_sha256}",
        "Creator": f"asbuilt {tool_version}",
        "CreationDate": at,
        "ModDate": at,
    }
