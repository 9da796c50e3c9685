"""Check shots, dates, levels and the order of the work in a load."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute import blunders
from asbuilt.compute.blunders import LOADS, search_load
from asbuilt.reconcile import reconcile

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


@pytest.mark.parametrize(("off", "is_found"), [(0.018, False), (0.022, True)])
def test_check_shots_of_one_set_up_are_judged_together(off: float, is_found: bool) -> None:
    # two points: 15.8... · (5²/2 + 3² + 2²/2) mm² is 19.4² mm²; one by one 26 mm could be explained
    shots = [check(name, days.CONTROL[name][0], days.CONTROL[name][1] - off) for name in ("CP1", "CP2")]
    found = search(pickups=shots)
    assert told(found) == [("check_shot", "CP1", "point")] * is_found
    assert all("CP1 and CP2 found 22 mm from their control coordinates on average" in one.text for one in found)


def test_how_far_check_shots_lie_is_told() -> None:
    survey = days.with_control(to_survey(replace(days.site_of("pit"), pickups=[check("CP1", 480.003, 1989.996)])))
    fresh = {name: np.ones(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    (one,) = blunders.search(survey, fresh, now=days.NOW).checked
    assert (one.point, one.explained, one.by_control) == ("CP1", True, True)
    assert (one.off_mm, one.e_mm, one.n_mm) == (pytest.approx(5.0), pytest.approx(3.0), pytest.approx(-4.0))


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


def test_a_casing_shot_days_before_its_pile_was_drilled() -> None:
    casing = head(object="casing", level=4.3, surveyed_at="2026-03-10T16:00")
    for drilled, is_found in (("2026-03-13T15:00", False), ("2026-03-13T17:00", True)):
        found = search(pickups=[casing], records=[{"pile_id": "P010", "drilled_at": drilled}])
        assert told(found) == [("time_order", "P010", "surveyed_at")] * is_found


def test_a_new_record_is_held_against_shots_of_the_folder() -> None:
    survey = to_survey(
        replace(
            days.site_of("pit"),
            pickups=[head(surveyed_at="2026-03-10T16:00", file="pickups/old.csv")],
            records=[{"pile_id": "P010", "drilled_at": "2026-03-12T15:00", "file": "records/new.csv"}],
        )
    )
    fresh = {name: np.full(len(getattr(survey, name)), name == "records") for name in LOADS}
    (one,) = search_load(survey, fresh, now=days.NOW)
    assert (one.kind, one.file, one.line, one.column) == ("time_order", "records/new.csv", 2, "drilled_at")
    assert "its head was shot 2026-03-10 16:00 UTC already (pickups/old.csv:2)" in one.text


# ---- levels


@pytest.mark.parametrize(("level", "is_found"), [(5.9, False), (6.1, True), (2.3, False), (2.1, True)])
def test_a_level_where_no_head_can_be(level: float, is_found: bool) -> None:
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


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (-3.3, "(+3.30 would fit): the sign is lost or turned round"),
        (33.0, "(+3.30 would fit): the decimal point has slipped"),
        (3300.0, "(+3.30 would fit): millimetres"),
        (-25.0, ": another surface, or another datum"),
    ],
)
def test_a_level_comes_with_what_would_fit(level: float, words: str) -> None:
    (one,) = [one for one in search(pickups=[head(level=level)]) if one.kind == "level_range"]
    assert words in one.text


def reading(depth: float, pile: str = "P010") -> Row:
    return {
        "pile_id": pile,
        "read_at": "2026-03-10T08:00",
        "depth": depth,
        "tilt_a": 1.0,
        "tilt_b": 1.5,
        "unit": "mm/m",
        "bearing_a_deg": 0.0,
        "file": "tilts/new.csv",
    }


@pytest.mark.parametrize(("depth", "is_found"), [(18.9, False), (19.1, True)])
def test_a_reading_below_the_toe(depth: float, is_found: bool) -> None:
    # commencing surface +4, toe -14
    assert told(search(tilts=[reading(depth)])) == [("level_range", "P010", "depth")] * is_found


def test_depths_in_centimetres_are_one_finding() -> None:
    (one,) = search(tilts=[reading(1700.0, pile) for pile in ("P010", "P020", "P030")])
    assert (one.kind, one.item) == ("level_range", "tilts/new.csv")
    assert "centimetres (17.00 m would fit)" in one.text


def test_a_run_tells_of_a_reading_below_the_toe_and_predicts_none_above_it() -> None:
    result = reconcile(to_survey(replace(days.site_of("pit"), pickups=[head()], tilts=[reading(35.0)])))
    assert ("level_range", "P010") in {(one.kind, one.item) for one in result.findings}
    place = result.piles["pile_id"].tolist().index("P010")
    assert result.piles["predicted_below"][place] == -14.0
