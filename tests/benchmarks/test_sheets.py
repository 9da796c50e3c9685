"""How long the sheets take beside the floor: empty pages of the same size with as many labels.

Run with ``pytest tests/benchmarks/test_sheets.py --benchmark-enable``; the ratios stand in ``extra_info``.
"""

from __future__ import annotations

import io
import time

import pdf_pages
import pytest
import wall_folders
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure

from asbuilt import read_survey, reconcile
from asbuilt.output.sheets.book import KINDS, write_sheets
from asbuilt.output.sheets.canvas import page_settings
from asbuilt.output.sheets.job import Job
from asbuilt.reconcile import views_of

ROUNDS = 3
#: The plan alone and the whole book may take this much of the floor's time.
MOST = 1.5


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    result = reconcile(read_survey(wall_folders.make(tmp_path_factory.mktemp("wall") / "wall", "straight_130")))
    return Job(result=result, views=views_of(result), paper="A3", piles=tuple(range(0, 130, 13)))


def seconds(work) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def plain_pages(pages: list[list[str]]) -> None:
    """Write labels, and nothing else, on pages of A3."""
    with page_settings(), PdfPages(io.BytesIO()) as pdf:
        for labels in pages:
            figure = Figure(figsize=(420 / 25.4, 297 / 25.4))
            FigureCanvasPdf(figure)
            for k, label in enumerate(labels):
                x, y = 0.05 + 0.9 * (k % 10) / 10, 0.05 + 0.9 * (k // 10 % 40) / 40
                figure.text(x, y, label, fontsize=9.7, parse_math=False)
            pdf.savefig(figure)


@pytest.mark.parametrize("kind", [*KINDS, "whole book"])
def test_pages_of_130_piles(benchmark, job, tmp_path, kind):
    path = tmp_path / "sheets.pdf"
    kinds = () if kind == "whole book" else (kind,)

    def write() -> int:
        return write_sheets(path, job, tool_version="0.1.0", inputs_sha256="ab12" * 16, kinds=kinds).pages

    pages = benchmark.pedantic(write, rounds=1, warmup_rounds=1)
    labels = [[text.text for text in page.texts] for page in pdf_pages.read_pages(path)]
    # Taken in turn, so that what else the machine does meets both alike.
    pairs = [(seconds(write), seconds(lambda: plain_pages(labels))) for _ in range(ROUNDS)]
    ratio = min(ours for ours, _ in pairs) / min(floor for _, floor in pairs)
    benchmark.extra_info["pages"] = pages
    benchmark.extra_info["labels"] = sum(map(len, labels))
    benchmark.extra_info["ratio"] = round(ratio, 2)
    assert pages == len(labels)
    assert ratio <= MOST


def test_ten_thousand_piles(benchmark, tmp_path):
    """Plans, elevation, stages and schedules of a wall of 10 000 piles, and the joint sheets of what is not within."""
    centres = wall_folders.bent(10_000)
    folder = wall_folders.write(tmp_path / "wall", centres, closed=False, share=1.0, name="Invented wall of 10 000")
    result = reconcile(read_survey(folder))
    job = Job(result=result, views=views_of(result), paper="A3")
    told: list[str] = []

    def write() -> int:
        return write_sheets(
            tmp_path / "sheets.pdf", job, tool_version="0.1.0", inputs_sha256="ab12" * 16, progress=told.append
        ).pages

    pages = benchmark.pedantic(write, rounds=1)
    benchmark.extra_info["pages"] = pages
    assert told[-1] == f"drawing sheet {pages} of {pages}"
