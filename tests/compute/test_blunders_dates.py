"""Dates of a load that lie long before anything else of the site."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import LOADS, search_load

if TYPE_CHECKING:
    from asbuilt.model import Finding

OLD = "2026-03-05T10:00"


def search(at: str, *, old: str | None = OLD, piles: int = 1) -> list[Finding]:
    """Search heads of some piles shot at ``at``, one other pile having been shot at ``old``."""
    site = days.site_of("pit")
    before = [] if old is None else [head(site.design[150], old, "pickups/old.csv")]
    rows = [*before, *(head(row, at, "pickups/new.csv") for row in site.design[: 6 * piles : 6])]
    survey = to_survey(replace(site, pickups=rows))
    fresh = {name: np.zeros(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    fresh["pickups"][len(before) :] = True
    return list(search_load(survey, fresh, now=days.NOW))


def head(pile: Row, at: str, file: str) -> Row:
    place = {name: pile[name] for name in ("pile_id", "easting", "northing")}
    return {**place, "point": pile["pile_id"], "level": 3.3, "object": "head", "surveyed_at": at, "file": file}


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("2026-02-20T10:00", None),
        ("2026-01-06T10:00", None),  # 58 days before, and 6 January's other reading is after the load
        ("2026-01-02T10:00", "mistaken, or it is older work"),
        ("2016-03-10T10:00", "a mistaken year; 2026-03-10 would fit"),
        ("2025-03-10T10:00", "a mistaken year; 2026-03-10 would fit"),
    ],
)
def test_a_date_before_anything_else(at: str, words: str | None) -> None:
    found = search(at)
    assert [(one.kind, one.column) for one in found] == [("time_order", "surveyed_at")] * (words is not None)
    assert all(words in one.text for one in found)


def test_day_and_month_exchanged() -> None:
    # 3 February for 2 March, 30 days before the first row
    (one,) = search("2026-02-03T10:00", old="2026-03-01T10:00")
    assert one.kind == "time_order"
    assert "26 days before 2026-03-01" in one.text
    assert "day and month exchanged, read as day 03 of month 02; 2026-03-02 would fit" in one.text


def test_a_whole_file_is_one_finding() -> None:
    (one,) = search("2016-03-10T10:00", piles=4)
    assert (one.kind, one.item, one.line) == ("time_order", "pickups/new.csv", 2)
    assert one.text.startswith("4 of 4 piles (")


def test_the_first_load_of_a_folder_has_nothing_to_be_before() -> None:
    assert search("2016-03-10T10:00", old=None, piles=4) == []


def test_a_future_date_is_told_to_the_minute() -> None:
    (one,) = search("2026-03-20T19:30")
    assert "2026-03-20 19:30 UTC lies after the time of loading, 2026-03-20 18:00 UTC" in one.text
