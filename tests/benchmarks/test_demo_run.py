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
#: The aim is twice the floor. Beyond it: drawing text (its font is cut down to the letters used) and statistics.
AIM = 2.0
MOST = 3.0

#: Import what knows layers and what draws, and draw one empty page.
FLOOR = """
import sys
import geopandas
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
figure = Figure(figsize=(16.5, 11.7))
FigureCanvasPdf(figure)
figure.savefig(sys.argv[1])
"""


def seconds(*arguments: str) -> float:
    """Return the processor time [s] of Python with these arguments."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_run_of_the_demonstration_stays_within_its_share(tmp_path):
    floors, runs = [], []
    for _ in range(RUNS):
        floors.append(seconds("-c", FLOOR, str(tmp_path / "empty.pdf")))
        runs.append(seconds("-m", "asbuilt", "run", "demo_survey", "--out", str(tmp_path / "out")))
    floor, run = min(floors), min(runs)
    print(f"\nfloor {floor:.2f} s, run {run:.2f} s, ratio {run / floor:.2f}, aim {AIM}")
    assert run <= MOST * floor
