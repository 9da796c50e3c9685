"""Whole books of sheets of invented walls and of the demo, each written once and read back."""

from __future__ import annotations

import atexit
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pdf_pages
import wall_folders

from asbuilt import read_survey, reconcile
from asbuilt.output.sheets.book import write_sheets
from asbuilt.output.sheets.job import Job
from asbuilt.reconcile import views_of

DEMO = Path(__file__).parents[1] / "demo_survey"
JOBS = [*wall_folders.WALLS, "demo"]
#: Piles of the demo that the book has sheets of: edge shots, a profile, steps, one not surveyed.
DEMO_PILES = ("A073", "A018", "A044")


class Written:
    """A job's book: the file, its pages as read back, the job it was made from."""

    def __init__(self, path: Path, job: Job) -> None:
        self.path, self.job = path, job
        self.book = write_sheets(path, job, tool_version="0.1.0", inputs_sha256="ab12" * 16)
        self.pages = pdf_pages.read_pages(path)

    def number(self, start: str) -> int:
        """Return the number of the first page whose title begins with ``start``."""
        return next(k for k, page in enumerate(self.pages, start=1) if title(page).startswith(start))


@cache
def _kept() -> TemporaryDirectory[str]:
    folder = TemporaryDirectory(prefix="sheet_books.")
    atexit.register(folder.cleanup)
    return folder


def _folder() -> Path:
    """Return a folder that is removed when the tests end."""
    return Path(_kept().name)


@cache
def book(name: str) -> Written:
    """Return the book of a wall of ``wall_folders``, or of the demo."""
    survey = DEMO if name == "demo" else wall_folders.make(_folder() / name, name)
    result = reconcile(read_survey(survey))
    ids = result.piles["pile_id"].tolist()
    piles = tuple(ids.index(i) for i in DEMO_PILES) if name == "demo" else (0, 5)
    job = Job(result=result, views=views_of(result), paper="A3", piles=piles)
    return Written(_folder() / f"{name}.pdf", job)


def title(page: pdf_pages.Page) -> str:
    """Return what stands in the title block under the caption Sheet."""
    caption = next(text for text in page.texts if text.text == "Sheet")
    below = [text for text in page.texts if abs(text.x - caption.x) < 0.1 and text.y < caption.y]
    return max(below, key=lambda text: text.y).text
