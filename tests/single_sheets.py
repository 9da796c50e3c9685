"""One sheet at a time, without its frame: drawn to a file and read back, or just what is written on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pdf_pages

from asbuilt.output.sheets.canvas import Canvas, page_settings
from asbuilt.output.sheets.frame import PAPER, Frame, Title

if TYPE_CHECKING:
    from pathlib import Path

    from asbuilt.output.sheets.canvas import Box
    from asbuilt.output.sheets.frame import Sheet


def area_of(paper: str) -> Box:
    """Return the part of the paper that is left for a drawing beside one column."""
    return Frame(paper, Title(job="Invented", as_of="", tool="", inputs="")).drawing


class _Written(Canvas):
    def texts(self) -> list[pdf_pages.Written]:
        return [
            pdf_pages.Written(one.text, one.x, one.y, one.angle, one.height, pdf_pages.rgb(one.colour))
            for one in self._lettering.texts
        ]


def read(sheet: Sheet, path: Path, paper: str = "A3") -> pdf_pages.Page:
    """Draw a sheet to a file and read it back."""
    canvas = Canvas(*PAPER[paper])
    sheet.draw(canvas)
    with page_settings():
        canvas.figure.savefig(path)
    (page,) = pdf_pages.read_pages(path)
    return page


def written(sheet: Sheet, paper: str = "A3") -> pdf_pages.Page:
    """Return the texts of a sheet as it asks the canvas to write them; quick, as no file is made."""
    canvas = _Written(*PAPER[paper])
    sheet.draw(canvas)
    return pdf_pages.Page(width=canvas.width, height=canvas.height, texts=canvas.texts())
