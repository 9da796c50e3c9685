"""Rows that the folder has already: a note where they are alike, a query where one shot has two answers."""

from __future__ import annotations

import pytest
import simulated_loads as days


def told(day: days.Day) -> list[tuple[str, str, str]]:
    return [(one.severity, one.kind, one.item) for one in day.search()]


NOTE = ("note", "already_loaded", days.LOAD)
QUERY = ("query", "repeated_pile", days.LOAD)


def test_a_file_exported_again_with_more_rows_has_a_note() -> None:
    day = days.a_day(31)
    days.exported_again(day, 0.0)
    (found,) = day.search()
    assert (found.severity, found.kind, found.item, found.line) == ("note", "already_loaded", days.LOAD, 2)
    assert "12 of its 26 rows stand in another file already" in found.text
    assert "the first in pickups/before.csv:2" in found.text


def test_readings_entered_again_have_a_note() -> None:
    day = days.a_day(32)
    rows = [dict(row) for row in day.tilts[:4]]
    day.tilts += [{**row, "file": "tilts/again.csv"} for row in rows]
    assert told(day) == [("note", "already_loaded", "tilts/again.csv")]


def test_rows_exported_again_do_not_hide_what_is_new() -> None:
    day = days.a_day(33, checks=False)
    days.exported_again(day, 0.0)
    row = day.heads()[20]
    row["level"] *= 10.0
    assert told(day) == [("query", "level_range", row["pile_id"]), NOTE]


def test_rows_exported_again_make_the_scatter_of_loads_no_surer() -> None:
    day, plain = days.a_day(34, earlier=3, checks=False), days.a_day(34, earlier=3, checks=False)
    day.old += [{**row, "file": f"pickups/x{row['file'][-5]}.csv"} for row in day.old]
    for one in (day, plain):
        days.shift(one, 0.05)
    assert [one.text for one in day.search()] == [one.text for one in plain.search()]


@pytest.mark.parametrize("size", [0.0011, 0.005, 0.5])
def test_shots_worked_out_anew_are_one_query(size: float) -> None:
    day = days.a_day(35, checks=False)
    days.worked_out_anew(day, size)
    assert told(day) == [QUERY]


def test_what_they_differ_by_is_said() -> None:
    day = days.a_day(36, checks=False)
    for row in day.heads()[:3]:
        day.old.append({**row, "file": "pickups/before.csv"})
        row["easting"], row["level"] = row["easting"] + 0.006, row["level"] - 0.002
    (found,) = day.search()
    assert "3 shots of the folder with other coordinates (100, 101, 102; the first in pickups/before.csv" in found.text
    assert "up to 6.0 mm apart in plan and 2.0 mm in level" in found.text
    assert "(on average E +6.0 mm, N +0.0 mm, level -2.0 mm)" in found.text
    assert (found.file, found.line, found.column) == (days.LOAD, 2, "easting")


def test_a_date_alone_does_not_make_two_shots_one() -> None:
    day = days.a_day(37, checks=False)
    for row in day.heads():
        row["surveyed_at"] = "2026-03-20T23:59:59"
    days.worked_out_anew(day, 0.005)
    assert told(day) == []


def test_another_attempt_or_point_is_another_shot() -> None:
    for change in ({"attempt": 2}, {"point": "new"}):
        day = days.a_day(38, checks=False)
        days.worked_out_anew(day, 0.005)
        for row in day.heads()[:12]:
            row.update(change)
        assert told(day) == []


def test_a_load_in_another_unit_is_not_told_twice() -> None:
    day = days.a_day(39, checks=False)
    days.worked_out_anew(day, 0.0)
    for row in day.pickups:
        row["easting"], row["northing"] = row["easting"] * 1000.0, row["northing"] * 1000.0
    assert told(day) == [("query", "wrong_unit", days.LOAD)]
