"""Catch rates and false alarms on simulated days: a few of each here, many in ``benchmarks/blunder_rates.py``.

The days are seeded, so a share is the same on every run. A few days can only show what fails grossly: the shares asked
for are read from the tables in docs/blunders.md, which the benchmark made.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import simulated_loads as days

PAGE = (Path(__file__).parents[2] / "docs" / "blunders.md").read_text(encoding="utf-8")
ASKED = [one for one in days.BLUNDERS if one.asked is not None]
FEW = 12


@pytest.mark.parametrize("blunder", ASKED, ids=[one.says for one in ASKED])
def test_a_blunder_of_realistic_size_is_found(blunder: days.Blunder) -> None:
    rate = days.catch_rate(blunder, FEW, seed=70_000)
    assert rate.found >= FEW - (blunder.asked < days.GROSS)


@pytest.mark.parametrize(("shape", "earlier"), [("pit", 0), ("pit", 4), ("line", 0)])
def test_a_clean_load_raises_no_query(shape: str, earlier: int) -> None:
    # at 1 % the chance of three or more in 60 days is 2.2 %
    assert days.false_alarms(60, seed=80_000, shape=shape, earlier=earlier).found <= 2


@pytest.mark.parametrize(
    "harmless",
    [
        (days.clean_rim, 0.0),
        (days.repeated_here, 0.0),
        (days.repeated_before, 0.0),
        (days.closing, 0.0),
        (days.check_again, 0.0),
        (days.exported_again, 0.0),
    ],
    ids=[
        *("edge shots", "the pile again in the set-up", "the pile again from an earlier load"),
        *("a check shot again in the set-up", "check shots of two days and no control", "rows exported again"),
    ],
)
def test_what_is_no_blunder_raises_no_query(harmless: tuple) -> None:
    assert days.false_alarms(40, seed=90_000, change=harmless).found <= 2


# ---- the measured tables


def _rows(first: str) -> list[list[str]]:
    table = PAGE.split(f"| {first} |")[1].split("\n\n")[0]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:] if line[:1] == "|"]


def test_the_page_has_a_row_for_each_blunder() -> None:
    assert [row[0] for row in _rows("blunder")] == [one.says for one in days.BLUNDERS]


def test_the_measured_shares_are_those_asked_for() -> None:
    asked = [(row[0], float(row[1].rstrip("%")), float(row[2].rstrip("%"))) for row in _rows("blunder") if row[2]]
    assert len(asked) == len(ASKED)
    assert [row for row in asked if row[1] < row[2]] == []


def test_clean_loads_measured_raise_a_query_in_one_of_a_hundred_at_most() -> None:
    assert max(float(row[2].rstrip("%")) for row in _rows("clean loads")) <= 1.0


def test_the_tables_rest_on_enough_days() -> None:
    each = re.search(r"^(\d+) days for each row, 24 piles a day", PAGE, re.MULTILINE)
    clean = re.search(r"^(\d+) clean days", PAGE, re.MULTILINE)
    assert each is not None and clean is not None  # noqa: PT018
    assert int(each[1]) >= 400
    assert int(clean[1]) >= 4000
