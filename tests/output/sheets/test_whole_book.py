"""What every sheet of every kind keeps to, measured on the PDF itself, over invented walls and the demo."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pdf_pages
import pikepdf
import pytest
from golden_files import rendered
from sheet_books import JOBS, book, title

from asbuilt import read_survey, reconcile
from asbuilt.output.sheets.book import KINDS, write_sheets
from asbuilt.output.sheets.canvas import INK, Canvas, page_settings
from asbuilt.output.sheets.frame import FILING_MARGIN, MARGIN, TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.notes import CAUTION
from asbuilt.output.sheets.symbols import LOOKS, draw_markers, draw_piles
from asbuilt.reconcile import views_of

PDFTOTEXT = shutil.which("pdftotext") or ""
poppler = pytest.mark.skipif(not PDFTOTEXT, reason="needs poppler's pdftotext and pdftoppm")
#: Sheets that may be words alone.
WORDS_ALONE = ("Joints not surveyed", "Stage")
#: A hyphen where a minus belongs, or a range's dash; dates, which have hyphens of their own.
HYPHEN, DATE = re.compile(r"-\s?\.?\d|-$"), re.compile(r"\d{4}-\d{2}-\d{2}")
#: ISO 216, trimmed sizes [mm], from memory.
A3 = (420.0, 297.0)


@pytest.fixture(scope="session")
def books():
    return book


@pytest.mark.parametrize("name", JOBS)
def test_every_page_is_a3_and_nothing_is_drawn_outside_the_frame(books, name):
    left, bottom, right, top = FILING_MARGIN, MARGIN, A3[0] - MARGIN, A3[1] - MARGIN
    outside = []
    for number, page in enumerate(books(name).pages, start=1):
        assert (page.width, page.height) == pytest.approx(A3, abs=0.5)
        for drawn in page.drawn:
            low, high = pdf_pages.visible(drawn)
            # The frame's own line stands astride its edge.
            if np.any(low < (left - 0.36, bottom - 0.36)) or np.any(high > (right + 0.36, top + 0.36)):
                outside.append((number, low, high))
        for text in page.texts:
            corners = pdf_pages.text_corners(text)
            if np.any(corners < (left, bottom)) or np.any(corners > (right, top)):
                outside.append((number, text.text))
    assert not outside


@pytest.mark.parametrize("name", JOBS)
def test_text_is_high_and_dark_enough_to_read(books, name):
    for page in books(name).pages:
        assert min(text.height for text in page.texts) >= TEXT["A3"] - 0.01
        assert min(pdf_pages.contrast_on_white(text.colour) for text in page.texts) >= 4.5


@pytest.mark.parametrize("name", JOBS)
def test_every_page_carries_title_block_caution_and_its_number(books, name):
    pages = books(name).pages
    job = books(name).job.result.survey.settings.site.name
    for number, page in enumerate(pages, start=1):
        words = [text.text for text in page.texts]
        said = " ".join(words)
        for caption in ("Job", "Sheet", "Scale", "As of", "Prepared", "Checked", "Approved", "Notes"):
            assert caption in words, (number, caption)
        # Lists of words alone have nothing to explain.
        assert "Legend" in words or title(page).startswith(WORDS_ALONE), number
        assert f"{number} of {len(pages)}" in words
        assert any(text.startswith(job[:12]) for text in words)
        assert "asbuilt 0.1.0, inputs sha256 ab12ab12ab12" in words
        assert CAUTION in said


def names_in(job: Job) -> list[str]:
    """Return what people have named and a sheet may write, the longest first; the parts of paths apart."""
    survey, result = job.result.survey, job.result
    paths = [part for file in survey.files for part in Path(file.path).parts]
    ids = [*result.piles["pile_id"], *result.joints["joint_id"], *(stage.stage for stage in result.stages)]
    ids += [one.reference for one in result.decisions]
    return sorted({*ids, *paths, *(survey.settings.sheets.drawing_number or "",)} - {""}, key=len, reverse=True)


def hyphens(texts: list[pdf_pages.Written], names: list[str]) -> list[str]:
    """Return the texts with a hyphen before a digit that belongs to neither a name nor a date."""
    found = []
    for text in texts:
        rest = text.text
        if "-" in rest:
            for name in names:
                rest = rest.replace(name, "name") if "-" in name else rest
        if HYPHEN.search(DATE.sub("date", rest)):
            found.append(text.text)
    return found


@pytest.mark.parametrize("said", ["open -3 mm", "o-3 mm", "from +0.50 to -8.00", "-.5", "1.2e-05", "\u00b1-4", "o -"])
def test_a_hyphen_for_a_minus_is_found(said):
    assert hyphens([pdf_pages.Written(said, 0.0, 0.0, 0.0, 2.5, (0.0, 0.0, 0.0))], ["A-1"]) == [said]


@pytest.mark.parametrize("said", ["A-1~A-12 open \u22123 mm", "2024-10-11 19:27 UTC", "as-built", "as-of 3 m"])
def test_hyphens_of_names_and_dates_are_no_minus(said):
    assert not hyphens([pdf_pages.Written(said, 0.0, 0.0, 0.0, 2.5, (0.0, 0.0, 0.0))], ["A-12", "A-1"])


@pytest.mark.parametrize("name", JOBS)
def test_negative_figures_have_a_true_minus_on_every_page(books, name):
    pages, names = books(name).pages, names_in(books(name).job)
    wrong = [(k, said) for k, page in enumerate(pages, start=1) for said in hyphens(page.texts, names)]
    assert not wrong
    assert any(re.search(r"\u2212\d", text.text) for page in pages for text in page.texts)


@pytest.mark.parametrize("name", JOBS)
def test_no_text_runs_over_another(books, name):
    over = []
    for number, page in enumerate(books(name).pages, start=1):
        boxes = [pdf_pages.text_corners(text) for text in page.texts]
        low = np.array([box.min(axis=0) for box in boxes]) + 0.15
        high = np.array([box.max(axis=0) for box in boxes]) - 0.15
        meet = np.all((low[:, None] < high[None]) & (low[None] < high[:, None]), axis=2)
        for i, j in np.argwhere(np.triu(meet, 1)):
            if _apart(boxes[i], boxes[j]):
                continue
            over.append((number, page.texts[i].text, page.texts[j].text))
    assert not over


def _apart(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two rectangles are apart, by more than they touch: separating axes."""
    for box in (a, b):
        for edge in (box[1] - box[0], box[3] - box[0]):
            axis = edge / max(float(np.hypot(*edge)), 1e-9)
            one, two = a @ axis, b @ axis
            if one.max() < two.min() + 0.15 or two.max() < one.min() + 0.15:
                return True
    return False


def test_fonts_are_embedded_truetype_and_text_is_found(books):
    with pikepdf.open(books("demo").path) as pdf:
        for page in pdf.pages:
            for font in page.Resources.Font.values():
                inner = font.DescendantFonts[0]
                assert (str(font.Subtype), str(inner.Subtype)) == ("/Type0", "/CIDFontType2")
                assert "/FontFile2" in inner.FontDescriptor
                assert "/ToUnicode" in font


def test_same_inputs_give_the_same_bytes(books, tmp_path):
    book = books("ring_60")
    result = reconcile(read_survey(Path(book.job.result.survey.folder)))
    again = Job(result=result, views=views_of(result), paper="A3", piles=book.job.piles)
    write_sheets(tmp_path / "again.pdf", again, tool_version="0.1.0", inputs_sha256="ab12" * 16)
    assert (tmp_path / "again.pdf").read_bytes() == book.path.read_bytes()


def test_every_joint_that_is_not_within_has_a_page(books):
    for name in JOBS:
        book = books(name)
        joints = book.job.result.joints
        wanted = {str(j) for j, code in zip(joints["joint_id"], joints["verdict"], strict=True) if code > 0}
        assert wanted <= set(book.book.page_of), name


def test_every_kind_is_in_the_book_of_the_demo(books):
    titles = [title(page) for page in books("demo").pages]
    starts = [
        "Deviation plan",
        "Plan at",
        "Developed elevation",
        "Stage",
        "Joint",
        "Pile",
        "Scatter",
        "Schedule of piles",
        "Schedule of joints",
        "Control points",
    ]
    for start in starts:
        assert any(title.startswith(start) for title in titles), (start, titles)
    assert len(KINDS) == 9


@poppler
def test_the_four_verdicts_differ_in_grey(tmp_path):
    """Draw each verdict's pile, stroke and marker in one ink: pixel by pixel no two look alike."""
    pictures = []
    for look in LOOKS:
        canvas = Canvas(60.0, 30.0)
        inked = replace(look, colour=INK)
        at = np.array([[15.0, 15.0]])
        draw_piles(canvas, inked, at, np.array([10.0]))
        canvas.circles(at, 10.0, width=inked.width, colour=INK, dash=inked.dash)
        canvas.lines([[(30.0, 15.0), (45.0, 15.0)]], width=inked.width, dash=inked.dash)
        draw_markers(canvas, inked, np.array([[52.0, 15.0]]), 4.0)
        path = tmp_path / f"{look.letter}.pdf"
        with page_settings():
            canvas.figure.savefig(path)
        pictures.append(rendered(path, 1, dpi=100))
    for one, two in itertools.combinations(pictures, 2):
        assert np.mean(np.abs(one.astype(int) - two.astype(int)) > 64) > 0.005


@poppler
def test_text_can_be_searched(books):
    book = books("demo")
    said = subprocess.run([PDFTOTEXT, "-layout", str(book.path), "-"], capture_output=True, text=True, check=True)
    found = set(re.findall(r"[A-Z0-9]+~[A-Z0-9]+", said.stdout))
    joints = book.job.result.joints
    named = {str(j) for j, code in zip(joints["joint_id"], joints["verdict"], strict=True) if code > 0}
    assert named <= found
