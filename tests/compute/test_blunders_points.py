"""Check shots: against control, against the same set-up, and without control against other set-ups."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import search_load
from asbuilt.compute.blunders_groups import plan_limit

if TYPE_CHECKING:
    from asbuilt.model import Finding

CP1, CP2 = (np.array(days.CONTROL[name]) for name in ("CP1", "CP2"))
#: Of a shot and of a set-up [mm²], as the presets have them.
SHOT, BATCH = 25.0, 16.0


def check(point: str, place: np.ndarray, *, e_mm: float = 0.0, file: str = "pickups/new.csv", **more: str) -> Row:
    row = {"point": point, "easting": place[0] + e_mm / 1000, "northing": place[1], "level": 3.3, "object": "check"}
    return {**row, "surveyed_at": "2026-03-20T16:00", "file": file, **more}


def before(point: str, place: np.ndarray, *, day: int = 1, **more: float) -> Row:
    file = f"pickups/day{day}.csv"
    return check(point, place, file=file, **{"surveyed_at": f"2026-03-{day:02d}T16:00", **more})


def search(rows: list[Row], *, control: bool = False) -> list[Finding]:
    """Search check shots; those of new.csv are the load."""
    survey = to_survey(replace(days.site_of("pit"), pickups=rows))
    fresh = np.array([survey.files[place].path == "pickups/new.csv" for place in survey.pickups.file])
    return list(search_load(days.with_control(survey) if control else survey, {"pickups": fresh}, now=days.NOW))


def told(found: list[Finding]) -> list[tuple[str, str]]:
    return [(one.kind, one.item) for one in found]


NOTE = ("check_without_control", "pickups/new.csv")


# ---- without a control table


def test_without_control_check_shots_have_a_note_that_nothing_can_be_said() -> None:
    found = search([check("CP1", CP1), check("CP2", CP2)])
    assert [(told([one])[0], one.severity, one.line, one.column) for one in found] == [(NOTE, "note", 2, "point")]
    assert "2 check shots, and no control table (control/points.csv)" in found[0].text
    assert found[0].text.count("was not shot from another set-up before") == 2


@pytest.mark.parametrize(("off", "is_found"), [(33.5, False), (33.8, True)])
def test_the_same_point_from_another_set_up(off: float, is_found: bool) -> None:
    # one comparison: 13.8 · 2 · (5² + 4²) mm² is 33.66² mm²
    assert math.sqrt(plan_limit(1) * 2 * (SHOT + BATCH)) == pytest.approx(33.66, abs=0.005)
    found = search([before("CP1", CP1), check("CP1", CP1, e_mm=off)])
    assert told(found) == [("check_shot", "CP1")] * is_found + [NOTE]
    assert f"CP1 lies {round(off)} mm from where 1 other set-up had it" in found[-1].text


def test_a_point_that_moved_says_which_way_and_what_can_be_explained() -> None:
    found = search([before("CP1", CP1), check("CP1", CP1, e_mm=50.0)])
    assert (found[0].severity, found[0].file, found[0].line) == ("query", "pickups/new.csv", 2)
    assert "CP1 found 50 mm from where another set-up found it (E +50 mm, N +0 mm; 34 mm can be" in found[0].text
    assert "a wrong backsight" in found[0].text


@pytest.mark.parametrize("setups", [3, 5])
def test_many_set_ups_tell_a_smaller_error(setups: int) -> None:
    least = math.sqrt(plan_limit(1) * (SHOT + BATCH) * (1 + math.pi / (2 * setups)))
    old = [before("CP1", CP1, day=day) for day in range(1, setups + 1)]
    assert told(search([*old, check("CP1", CP1, e_mm=least - 0.1)])) == [NOTE]
    assert told(search([*old, check("CP1", CP1, e_mm=least + 0.1)])) == [("check_shot", "CP1"), NOTE]


def test_one_bad_day_among_earlier_ones_does_not_count() -> None:
    old = [before("CP1", CP1, day=day, e_mm=5000.0 if day == 2 else 0.0) for day in (1, 2, 3)]
    assert told(search([*old, check("CP1", CP1)])) == [NOTE]


def test_of_two_set_ups_of_one_load_the_later_is_told() -> None:
    rows = [
        check("CP1", CP1, setup="S1", surveyed_at="2026-03-20T09:00"),
        check("CP1", CP1, e_mm=60.0, setup="S2", surveyed_at="2026-03-20T14:00"),
    ]
    found = search(rows)
    assert [(one.kind, one.line) for one in found] == [("check_shot", 3), ("check_without_control", 2)]


def test_the_chance_of_an_alarm_is_shared_among_the_points() -> None:
    # two comparisons: 15.2 · 82 mm² is 35.3² mm²
    old = [before("CP1", CP1), before("CP2", CP2)]
    assert told(search([*old, check("CP1", CP1, e_mm=34.5), check("CP2", CP2)])) == [NOTE]


def test_a_file_in_millimetres_is_compared_in_metres() -> None:
    day = days.a_day(15, earlier=1)
    day.control = False
    for row in day.pickups:
        for name in ("easting", "northing", "level"):
            row[name] *= 1000.0
    assert told(list(day.search())) == [("wrong_unit", days.LOAD), ("check_without_control", days.LOAD)]


# ---- within a set-up


@pytest.mark.parametrize("control", [True, False])
def test_a_station_that_was_disturbed_meanwhile(control: bool) -> None:
    first = check("CP1", CP1, e_mm=-8.0, surveyed_at="2026-03-20T09:00")
    last = check("CP1", CP1, e_mm=22.0, surveyed_at="2026-03-20T16:00")
    found = [one for one in search([first, last], control=control) if one.severity == "query"]
    # 30 mm, and two comparisons with control or none beside this one: at most 16 · 2 · 5² mm² is 28.3² mm²
    assert [(one.kind, one.item, one.line) for one in found] == [("check_shot", "CP1", 3)]
    assert "found 30 mm from where the same set-up had it before" in found[0].text


def test_an_end_of_the_day_that_agrees_raises_nothing() -> None:
    rows = [check("CP1", CP1, e_mm=k, surveyed_at=f"2026-03-20T{9 + k:02d}:00") for k in (0, 3, 6)]
    assert search(rows, control=True) == []


# ---- what they prove of the load


def test_agreement_with_other_set_ups_says_that_the_piles_moved() -> None:
    day = days.a_day(25, earlier=2)
    day.control = False
    for row in day.heads():
        row["easting"] += 0.05
    found = {one.kind: one for one in day.search()}
    assert set(found) == {"shifted_load", "check_without_control"}
    assert "its check shots (CP1, CP2) agree with other set-ups within" in found["shifted_load"].text


def test_a_difference_from_other_set_ups_says_that_the_survey_is_wrong() -> None:
    day = days.a_day(26, earlier=2)
    day.control = False
    days.shift(day, 0.08)
    found = {one.kind: one for one in day.search()}
    assert set(found) == {"shifted_load", "check_shot", "check_without_control"}
    assert "lie off those of other set-ups too: the survey is wrong" in found["shifted_load"].text


def test_check_shots_that_nothing_can_be_held_against_prove_nothing() -> None:
    day = days.a_day(25)
    day.control = False
    days.shift(day, 0.05)
    found = {one.kind: one for one in day.search()}
    assert set(found) == {"shifted_load", "check_without_control"}
    assert "only check shots on control points can tell" in found["shifted_load"].text
