"""Check shots, dates, levels and the order of the work in a load."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import LOADS, search_load

if TYPE_CHECKING:
    from asbuilt.model import Finding

HEAD = {"point": "1", "pile_id": "P010", "level": 3.3, "object": "head", "surveyed_at": "2026-03-20T16:00"}


def search(**tables: list[Row]) -> list[Finding]:
    """Search rows that are all of the load."""
    survey = days.with_control(to_survey(replace(days.site_of("pit"), **tables)))
    fresh = {name: np.ones(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    return list(search_load(survey, fresh, now=days.NOW))


def head(**more: Any) -> Row:
    place = next(row for row in days.site_of("pit").design if row["pile_id"] == "P010")
    return {**HEAD, "easting": place["easting"], "northing": place["northing"], **more}


def told(found: list[Finding]) -> list[tuple[str, str, str]]:
    return [(one.kind, one.item, one.column) for one in found]


def test_a_good_head_raises_nothing() -> None:
    assert search(pickups=[head()]) == []


# ---- check shots


def check(point: str, e: float, n: float) -> Row:
    return {**HEAD, "point": point, "pile_id": None, "object": "check", "easting": e, "northing": n}


@pytest.mark.parametrize(("off", "is_found"), [(0.020, False), (0.030, True)])
def test_a_check_shot_against_control(off: float, is_found: bool) -> None:
    e, n = days.CONTROL["CP1"]
    # one point: 13.8 · (5² + 4² + 2²) mm² is 24.9² mm²
    assert told(search(pickups=[check("CP1", e + off, n)])) == [("check_shot", "CP1", "point")] * is_found


def test_a_check_shot_on_a_point_that_is_not_there() -> None:
    found = search(pickups=[check("CP9", 500.0, 2000.0)])
    assert told(found) == [("check_shot", "CP9", "point")]
    assert "CP1, CP2, CP3" in found[0].text


def test_a_check_shot_in_map_coordinates_is_called_so() -> None:
    e, n = days.CONTROL["CP2"]
    found = search(pickups=[check("CP2", e + 500_000.0, n + 6_000_000.0)])
    assert told(found) == [("check_shot", "CP2", "point")]
    assert "map coordinates" in found[0].text


# ---- dates


@pytest.mark.parametrize(
    ("at", "is_found"),
    [
        ("2026-03-20T18:10", False),  # a clock ten minutes fast
        ("2026-03-20T18:30", True),
        ("2026-03-20T23:59:59", False),  # today, without a time
        ("2026-03-21T23:59:59", True),
        ("2094-03-20T16:00", True),
    ],
)
def test_a_date_after_the_load(at: str, is_found: bool) -> None:
    assert told(search(pickups=[head(surveyed_at=at)])) == [("future_date", "P010", "surveyed_at")] * is_found


def test_a_date_ahead_on_many_rows_of_a_pile_is_told_once() -> None:
    record = {"pile_id": "P010", "drilled_at": "2026-04-20T12:00", "concreted_at": "2026-04-20T15:00"}
    found = search(records=[record, {**record, "pile_id": "P011", "concreted_at": None}])
    assert told(found) == [
        ("future_date", "P010", "concreted_at"),
        ("future_date", "P010", "drilled_at"),
        ("future_date", "P011", "drilled_at"),
    ]


def test_concreted_before_it_was_drilled() -> None:
    record = {"pile_id": "P010", "drilled_at": "2026-03-10T12:00", "concreted_at": "2026-03-10T09:00"}
    assert told(search(records=[record])) == [("time_order", "P010", "concreted_at")]
    # a date alone counts as any time of its day
    assert search(records=[{**record, "drilled_at": "2026-03-10T23:59:59"}]) == []


def test_a_head_shot_before_its_pile_was_drilled() -> None:
    record = {"pile_id": "P010", "drilled_at": "2026-03-20T17:00", "attempt": 1}
    assert told(search(pickups=[head()], records=[record])) == [("time_order", "P010", "surveyed_at")]
    assert search(pickups=[head(object="casing")], records=[record]) == []
    assert search(pickups=[head()], records=[{**record, "attempt": 2}]) == []


# ---- levels


@pytest.mark.parametrize(("level", "is_found"), [(9.9, False), (10.1, True), (-39.0, False), (-41.0, True)])
def test_a_level_outside_the_sites_range(level: float, is_found: bool) -> None:
    found = [one for one in search(pickups=[head(level=level)]) if one.kind == "level_range"]
    assert told(found) == [("level_range", "P010", "level")] * is_found


@pytest.mark.parametrize(("level", "is_found"), [(3.2, False), (3.45, False), (4.0, True), (2.8, True)])
def test_a_trimmed_head_stands_at_its_cut_off(level: float, is_found: bool) -> None:
    found = search(pickups=[head(object="trimmed", level=level)])
    assert told(found) == [("level_range", "P010", "level")] * is_found


def test_the_platforms_level_for_cut_off_is_called_so() -> None:
    assert "commencing surface" in search(pickups=[head(object="trimmed", level=4.0)])[0].text


@pytest.mark.parametrize(("toe", "is_found"), [(-14.1, False), (4.2, True)])
def test_a_toe_above_cut_off(toe: float, is_found: bool) -> None:
    found = search(records=[{"pile_id": "P010", "toe_level": toe}])
    assert told(found) == [("level_range", "P010", "toe_level")] * is_found


def test_depths_counted_from_a_level_that_cannot_be() -> None:
    reading = {"pile_id": "P010", "read_at": "2026-03-10T08:00", "depth": 2.0, "tilt_a": 1.0, "tilt_b": 1.0}
    found = search(tilts=[{**reading, "unit": "mm/m", "bearing_a_deg": 0.0, "from_level": 40.0}])
    assert told(found) == [("level_range", "P010", "from_level")]
