"""How long the computation takes beside the floor of the intake, how both grow, and how much memory a run needs.

Run with ``pytest tests/benchmarks/test_computation.py --benchmark-enable -s``. The floor is reading the same text with
pandas alone, taken in turn with the computation, so that what else the machine does meets both alike.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import big_folder
import pandas as pd
import pytest

from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ROUNDS = 5


def seconds(function: Callable[[], object]) -> float:
    begin = time.perf_counter()
    function()
    return time.perf_counter() - begin


@pytest.fixture(scope="module", params=[10_000, 100_000])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return big_folder.make(tmp_path_factory.mktemp("big"), request.param)


def test_computation_beside_the_intake_floor(folder: Path, benchmark) -> None:
    tables = sorted(folder.glob("*/*.csv"))
    survey = read_survey(folder)
    result = reconcile(survey)
    floors, ours = [], []
    for _ in range(ROUNDS):
        floors.append(seconds(lambda: [pd.read_csv(path) for path in tables]))
        ours.append(seconds(lambda: reconcile(survey)))
    benchmark.extra_info["piles"] = len(result.piles)
    benchmark.extra_info["floor_s"] = round(statistics.median(floors), 4)
    benchmark.extra_info["ratio"] = round(statistics.median(ours) / statistics.median(floors), 3)
    print(benchmark.extra_info)
    benchmark.pedantic(reconcile, args=(survey,), rounds=3)
    assert len(result.joints) == len(result.piles)


def test_peak_memory_of_a_whole_run(folder: Path, benchmark, tmp_path: Path) -> None:
    script = (
        "import resource, sys; from asbuilt.__main__ import main\n"
        "try: main()\n"
        "finally: print('PEAK', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )

    def run() -> str:
        out = str(tmp_path / "out")
        command = [sys.executable, "-c", script, "run", str(folder), "--out", out, "--only", "geopackage"]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    printed = benchmark.pedantic(run, rounds=1)
    peak = int(printed.rsplit("PEAK", 1)[1]) / 1024
    benchmark.extra_info["peak_mib"] = round(peak)
    print(benchmark.extra_info)
    assert peak > 0
