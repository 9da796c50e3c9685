"""Measure how often seeded blunders are found and clean loads raise a query: the tables of docs/blunders.md.

``python tests/benchmarks/blunder_rates.py`` prints it; ``--write`` puts it into the page; ``--days N`` sets how many
days are simulated for each row (a clean day is simulated ten times as often).
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]

from generated import put_between  # noqa: E402
from simulated_loads import BLUNDERS, PILES, Rate, catch_rate, false_alarms, no_control  # noqa: E402

PAGE = TESTS.parent / "docs" / "blunders.md"
BEGIN, END = "<!-- begin measured: catch rates -->\n", "<!-- end measured -->"
CLEAN = [(shape, earlier, True) for shape in ("pit", "line") for earlier in (0, 1, 3, 6)]
CLEAN += [("pit", 1, False), ("pit", 6, False)]
SHAPES = {"pit": "pit of 40 m by 25 m", "line": "straight wall of 40 m"}


def _caught(task: tuple[int, int]) -> Rate:
    return catch_rate(BLUNDERS[task[0]], task[1])


def _clean(task: tuple[str, int, bool, int]) -> Rate:
    shape, earlier, control, count = task
    return false_alarms(count, shape=shape, earlier=earlier, change=None if control else (no_control, 0.0))


def table(days: int) -> str:
    """Return both tables as Markdown."""
    with ProcessPoolExecutor(2) as pool:
        clean = list(pool.map(_clean, [(*case, days * 10 // len(CLEAN)) for case in CLEAN]))
        rates = list(pool.map(_caught, [(k, days) for k in range(len(BLUNDERS))]))
    every = sum(rate.days for rate in clean)
    lines = [f"{days} days for each row, {PILES} piles a day.", ""]
    lines += ["| blunder | found | asked for | with another query beside it |", "| --- | --- | --- | --- |"]
    for one, rate in zip(BLUNDERS, rates, strict=True):
        asked = "" if one.asked is None else f"{one.asked:.0%}"
        lines.append(f"| {one.says} | {rate.found / rate.days:.1%} | {asked} | {rate.others / rate.days:.1%} |")
    lines += ["", f"{every} clean days:", ""]
    lines += ["| clean loads | days | with any query |", "| --- | --- | --- |"]
    for (shape, earlier, control), rate in zip(CLEAN, clean, strict=True):
        before = "no earlier load" if not earlier else f"{earlier} earlier load{'s' if earlier > 1 else ''}"
        before += "" if control else ", no control table"
        lines.append(f"| {SHAPES[shape]}, {before} | {rate.days} | {rate.found / rate.days:.2%} |")
    total = sum(rate.found for rate in clean)
    lines.append(f"| all of them | {every} | {total / every:.2%} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--write", action="store_true", help="put the table into docs/blunders.md")
    given = parser.parse_args()
    made = table(given.days)
    print(made)
    if given.write:
        put_between(PAGE, BEGIN, END, made)


if __name__ == "__main__":
    main()
