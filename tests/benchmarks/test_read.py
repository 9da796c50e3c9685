"""How long one reading at the rig takes, against importing what no answer can do without.

``python -m pytest tests/benchmarks/test_read.py -s`` prints both. Processor time is compared, not the clock, so that a
busy machine does not decide; the middle of several pairs of runs counts. Both run from compiled modules, as installed.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys

import pytest
import small_folder

resource = pytest.importorskip("resource", reason="processor time of child processes")

RUNS = 9
#: No more than three times the floor.
AIM = 3.0
FLOOR = ("-c", "import numpy, shapely")


@pytest.fixture
def seconds(tmp_path):
    """Return a function that gives the processor time [s] of Python with some arguments."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(tmp_path / "compiled")

    def taken(*arguments: str) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *arguments], env=environment, check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return taken


def reading(folder, pile: str, number: int) -> tuple[str, ...]:
    """Return the command for the reading of a number, each deeper and later than the one before."""
    figures = ("--tilt-a", f"1.{number}", "--tilt-b", "-1.2", "--unit", "mm/m", "--depth", f"{2 + number / 2}")
    at = ("--at", f"2025-03-07T10:{number:02d}", "--by", "A. Driller")
    return ("-m", "asbuilt", "read", str(folder), pile, *figures, *at)


def test_a_reading_is_answered_within_its_share(tmp_path, seconds):
    folder = small_folder.make(tmp_path / "wall")
    seconds(*reading(folder, "P8", 0))
    seconds(*FLOOR)
    pairs = [(seconds(*FLOOR), seconds(*reading(folder, "P8", number))) for number in range(1, RUNS + 1)]
    floor, answer = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"\nfloor {floor:.3f} s, read {answer:.3f} s, ratio {answer / floor:.2f}")
    assert answer / floor <= AIM
