"""How long a run of the demonstration takes, against what no run can do without.

``python -m pytest tests/benchmarks/test_demo_run.py -s`` prints both. Processor time is compared, not the clock, so
that a busy machine does not decide; the best of several runs of each counts.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pdf_pages
import pytest

resource = pytest.importorskip("resource", reason="processor time of child processes")

ROOT = Path(__file__).resolve().parents[2]
RUNS = 5
#: The aim is twice the floor.
AIM = 2.0

#: Import what knows layers and what draws, and write a book of as many pages with as many words on each, and no wall.
FLOOR = """
import sys
import geopandas
from matplotlib import rc_context
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure
path, pages, words = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with rc_context({"pdf.fonttype": 42}), PdfPages(path) as pdf:
    for _ in range(pages):
        figure = Figure(figsize=(420 / 25.4, 297 / 25.4))
        FigureCanvasPdf(figure)
        for k in range(words):
            figure.text(0.1 + 0.6 * (k % 2), 0.98 - (k % 160) / 165, f"one of the words of a sheet {k}", fontsize=9)
        pdf.savefig(figure)
"""


def seconds(*arguments: str) -> float:
    """Return the processor time [s] of Python with these arguments."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_run_of_the_demonstration_stays_within_its_share(tmp_path):
    out = tmp_path / "out"
    seconds("-m", "asbuilt", "run", "demo_survey", "--out", str(out))
    pages = pdf_pages.read_pages(out / "sheets.pdf")
    words = sum(len(page.texts) for page in pages) // len(pages)
    floors, runs = [], []
    for _ in range(RUNS):
        floors.append(seconds("-c", FLOOR, str(tmp_path / "floor.pdf"), str(len(pages)), str(words)))
        runs.append(seconds("-m", "asbuilt", "run", "demo_survey", "--out", str(out)))
    floor, run = min(floors), min(runs)
    print(f"\n{len(pages)} pages, {words} words on each: floor {floor:.2f} s, run {run:.2f} s, ratio {run / floor:.2f}")
    assert run / floor <= AIM
