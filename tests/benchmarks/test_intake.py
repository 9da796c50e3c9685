"""How long a large folder takes to read, beside the floor: the C reader of delimited text over the same files.

Run with ``pytest tests/benchmarks/test_intake.py --benchmark-enable``. The ratio stands in ``extra_info`` of each
result. No time is asserted here, as other work on the machine would decide it.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from big_folder import make

from asbuilt.intake.survey import read_survey

PILES = 100_000
TILTS = 6


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make(tmp_path_factory.mktemp("big"), PILES, tilts_per_pile=TILTS)


def floor(folder):
    """Read every table with default options, dates as texts; nothing is checked."""
    return [pd.read_csv(path) for path in sorted(folder.rglob("*.csv"))]


def measured(work, *arguments):
    began = time.perf_counter(), time.process_time()
    result = work(*arguments)
    return result, time.perf_counter() - began[0], time.process_time() - began[1]


def test_read_survey(benchmark, folder):
    survey = benchmark.pedantic(read_survey, args=(folder,), rounds=3, warmup_rounds=1)
    assert len(survey.design) == PILES
    assert len(survey.tilts) == PILES * TILTS
    assert survey.tilts.pile[-1] == PILES - 1
    walls, processors = [], []
    for _ in range(3):
        _, floor_wall, floor_processor = measured(floor, folder)
        _, wall, processor = measured(read_survey, folder)
        walls.append(wall / floor_wall)
        processors.append(processor / floor_processor)
    benchmark.extra_info["ratio_to_floor_wall"] = round(sorted(walls)[1], 2)
    benchmark.extra_info["ratio_to_floor_processor"] = round(sorted(processors)[1], 2)


def test_peak_memory(benchmark, folder):
    """In a process of its own: what the reading adds to the imports. Linux only."""
    code = (
        "import re, sys, pandas, shapely\n"
        "from asbuilt.intake.survey import read_survey\n"
        "def peak(): return re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]\n"
        "before = peak()\n"
        "survey = read_survey(sys.argv[1])\n"
        "print(before, peak())\n"
    )

    def run():
        done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True)
        return [int(number) / 1024 for number in done.stdout.split()]

    before, peak = benchmark.pedantic(run, rounds=1)
    benchmark.extra_info["peak_mb"] = round(peak)
    benchmark.extra_info["imports_mb"] = round(before)
    assert peak < 1000


@pytest.mark.parametrize("odd", ["quoted", "commas in quotes", "comments", "decimal commas"])
def test_unusual_file(benchmark, tmp_path, odd):
    """A tenth of the folder with its readings spelt otherwise; a comma in quotes takes the careful way."""
    small = make(tmp_path / "small", PILES // 10, tilts_per_pile=TILTS)
    path = small / "tilts" / "load_001.csv"
    text = path.read_text()
    if odd == "quoted":
        text = text.replace("mm/m", '"mm/m"')
    elif odd == "commas in quotes":
        text = text.replace("Rig 1", '"Rig 1, east"')
    elif odd == "comments":
        text = text.replace("\n", "\n# checked\n", 3)
    else:
        text = text.replace(",", ";").replace(".", ",")
    path.write_text(text)
    survey = benchmark.pedantic(read_survey, args=(small,), rounds=3)
    assert len(survey.tilts) == PILES // 10 * TILTS
    _, wall, _ = measured(floor, small)
    benchmark.extra_info["ratio_to_floor_wall"] = (
        round(benchmark.stats.stats.median / wall, 2) if benchmark.enabled else None
    )
