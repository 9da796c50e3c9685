"""How long the deviation plan takes beside the floor: an empty page of the same size with as many labels.

Run with ``pytest tests/benchmarks/test_sheets.py --benchmark-enable``; the ratio stands in ``extra_info``.
"""

from __future__ import annotations

import importlib.util
import io
import sys
import time
from pathlib import Path

import pytest
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure

from asbuilt.output.sheets.book import write_sheets
from asbuilt.output.sheets.canvas import page_settings

ROUNDS = 7
JOBS = Path(__file__).parents[1] / "output" / "sheets" / "conftest.py"


@pytest.fixture(scope="module")
def jobs():
    spec = importlib.util.spec_from_file_location("jobs_of_sheets", JOBS)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def seconds(work) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def plain_page(labels: list[str]) -> None:
    """Write labels, and nothing else, on a page of A3."""
    with page_settings():
        figure = Figure(figsize=(420 / 25.4, 297 / 25.4))
        FigureCanvasPdf(figure)
        for k, label in enumerate(labels):
            figure.text(0.05 + 0.9 * (k % 10) / 10, 0.05 + 0.9 * (k // 10) / 40, label, fontsize=9.7, parse_math=False)
        figure.savefig(io.BytesIO(), format="pdf")


def test_page_of_130_piles(benchmark, jobs, tmp_path):
    result = jobs.build(130)
    path = tmp_path / "sheets.pdf"

    def write() -> int:
        return write_sheets(path, result, tool_version="0.1.0", inputs_sha256="ab12" * 16)

    pages = benchmark(write)
    labels = [text.text for text in jobs.read_page(path).texts]
    # Taken in turn, so that what else the machine does meets both alike.
    pairs = [(seconds(write), seconds(lambda: plain_page(labels))) for _ in range(ROUNDS)]
    ratio = min(ours for ours, _ in pairs) / min(floor for _, floor in pairs)
    benchmark.extra_info["labels"] = len(labels)
    benchmark.extra_info["ratio"] = round(ratio, 2)
    assert pages == 1
    assert ratio <= 1.5
