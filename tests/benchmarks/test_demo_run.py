"""How long a run of the demonstration takes, against what no run can do without.

``python -m pytest tests/benchmarks/test_demo_run.py -s`` prints both. Processor time is compared, not the clock, so
that a busy machine does not decide; the best of several runs of each counts.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

resource = pytest.importorskip("resource", reason="processor time of child processes")

ROOT = Path(__file__).resolve().parents[2]
RUNS = 5
#: The aim is twice the floor.
AIM = 2.0

#: Import what knows layers and what draws, and draw the same page empty: its paper and its frame's words, no wall.
FLOOR = """
import sys
import geopandas
from matplotlib import rc_context
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
figure = Figure(figsize=(420 / 25.4, 297 / 25.4))
FigureCanvasPdf(figure)
if len(sys.argv) > 2:
    for k in range(80):
        figure.text(0.65, 0.98 - k / 82, f"a line of the legend, the notes or the title block {k}", fontsize=9)
with rc_context({"pdf.fonttype": 42}):
    figure.savefig(sys.argv[1])
"""


def seconds(*arguments: str) -> float:
    """Return the processor time [s] of Python with these arguments."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_run_of_the_demonstration_stays_within_its_share(tmp_path):
    floors, blanks, runs = [], [], []
    for _ in range(RUNS):
        floors.append(seconds("-c", FLOOR, str(tmp_path / "empty.pdf"), "words"))
        blanks.append(seconds("-c", FLOOR, str(tmp_path / "blank.pdf")))
        runs.append(seconds("-m", "asbuilt", "run", "demo_survey", "--out", str(tmp_path / "out")))
    floor, blank, run = min(floors), min(blanks), min(runs)
    print(f"\nfloor {floor:.2f} s, run {run:.2f} s, ratio {run / floor:.2f}, aim {AIM}")
    print(f"beside a blank sheet without a word on it ({blank:.2f} s): {run / blank:.2f}")
    assert (tmp_path / "out" / "sheets.pdf").exists()
