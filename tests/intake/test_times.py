"""Dates and times to moments in UTC."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from asbuilt.intake.times import EXPECTED, parse_times

UTC = ZoneInfo("UTC")
#: Summer time from 29 March 2026, 02:00 local, to 25 October 2026, 03:00 local.
CLOCK_CHANGES = ZoneInfo("Europe/Berlin")


def cells(*texts):
    column = np.empty(len(texts), dtype=object)
    column[:] = texts
    return column


def letters(*texts):
    """The same as bytes, as the quick way hands them over."""
    return np.array([list(text.encode()) for text in texts], dtype=np.uint8).T.copy()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-01T14:30:05Z", "2026-03-01T14:30:05.000"),
        ("2026-03-01 14:30:05Z", "2026-03-01T14:30:05.000"),
        ("2026-03-01T14:30", "2026-03-01T14:30:00.000"),
        ("2026-03-01 14:30:05", "2026-03-01T14:30:05.000"),
        ("2026-03-01T14:30:05.25", "2026-03-01T14:30:05.250"),
        ("2026-03-01T14:30:05,123456789Z", "2026-03-01T14:30:05.123"),
        ("2026-03-01T14:30:05+03:00", "2026-03-01T11:30:05.000"),
        ("2026-03-01T14:30:05-0930", "2026-03-02T00:00:05.000"),
        ("2026-03-01T00:30+01", "2026-02-28T23:30:00.000"),
        ("2026-03-01", "2026-03-01T23:59:59.000"),
        ("2024-02-29", "2024-02-29T23:59:59.000"),
    ],
)
@pytest.mark.parametrize("given", [cells, letters])
def test_spellings(text, expected, given):
    found = parse_times(given(text), zone=UTC)
    assert found.values.dtype == np.dtype("datetime64[ms]")
    assert found.values.tolist() == [np.datetime64(expected, "ms").tolist()]
    assert not found.bad


@pytest.mark.parametrize(
    "text",
    [
        "2026-3-1",
        "01.03.2026",
        "20260301T143000",
        "2026-03-01T14",
        "now",
        "NaT",
        "2026-W10-1",
        "2026-03-01T14:30:05z",
        "x",
    ],
)
@pytest.mark.parametrize("given", [cells, letters])
def test_other_spellings_are_refused(text, given):
    found = parse_times(given(text), zone=UTC)
    assert np.isnat(found.values).all()
    assert found.bad == {0: (f"'{text}' is not a date and time", EXPECTED)}


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-29",
        "2026-13-01",
        "2026-00-01",
        "2026-01-00",
        "2026-04-31T10:00",
        "2026-03-01T24:00",
        "2026-03-01T10:60",
        "2026-03-01T10:00:60",
        "2026-03-01T10:00:00+24:00",
        "1899-12-31",
        "2200-01-01",
        "0000-01-01",
    ],
)
@pytest.mark.parametrize("given", [cells, letters])
def test_days_and_times_that_do_not_exist_are_refused(text, given):
    found = parse_times(given(text), zone=UTC)
    assert np.isnat(found.values).all()
    assert found.bad == {0: (f"'{text}' is no day and time of the calendar", "a real one from 1900 to 2199")}


@pytest.mark.parametrize("given", [cells, letters])
def test_site_zone_holds_without_an_offset_only(given):
    found = parse_times(given("2026-01-15T12:00:00", "2026-07-15T12:00:00"), zone=CLOCK_CHANGES)
    assert found.values.tolist() == np.array(["2026-01-15T11:00", "2026-07-15T10:00"], "M8[ms]").tolist()
    assert parse_times(given("2026-07-15T12:00:00Z"), zone=CLOCK_CHANGES).values == np.datetime64("2026-07-15T12:00")


def test_end_of_a_day_is_the_sites():
    assert parse_times(cells("2026-07-15"), zone=CLOCK_CHANGES).values == np.datetime64("2026-07-15T21:59:59")
    assert parse_times(cells("2026-07-15"), zone=ZoneInfo("Etc/GMT+5")).values == np.datetime64("2026-07-16T04:59:59")


def test_times_that_the_clock_skips_or_shows_twice_need_an_offset():
    found = parse_times(
        cells("2026-03-29T01:59:59", "2026-03-29T02:00:00", "2026-10-25T02:30", "2026-10-25T02:30+01:00"),
        zone=CLOCK_CHANGES,
    )
    assert found.bad == {
        1: ("'2026-03-29T02:00:00' does not occur in the time zone Europe/Berlin", "a time with its offset"),
        2: ("'2026-10-25T02:30' occurs twice in the time zone Europe/Berlin", "a time with its offset"),
    }
    assert found.values[0] == np.datetime64("2026-03-29T00:59:59")
    assert found.values[3] == np.datetime64("2026-10-25T01:30")


def test_many_spellings_in_one_column():
    texts = ["2026-03-01", None, "2026-03-01T10:00", "bad", "2026-03-01T10:00:00Z", "2026-03-01T10:00:00.5-01:00"]
    texts += ["2026-03-01 10:00", "2026-03-01T10:00+01", "2026-03-01T10:00:01.25", "é" * 50]
    found = parse_times(cells(*texts), zone=UTC)
    expected = ["2026-03-01T23:59:59", "NaT", "2026-03-01T10:00", "NaT", "2026-03-01T10:00", "2026-03-01T11:00:00.5"]
    expected += ["2026-03-01T10:00", "2026-03-01T09:00", "2026-03-01T10:00:01.25", "NaT"]
    assert np.array_equal(found.values, np.array(expected, "M8[ms]"), equal_nan=True)
    assert sorted(found.bad) == [3, 9]


def test_blank_cells_are_no_time():
    found = parse_times(cells(None, None), zone=UTC)
    assert np.isnat(found.values).all()
    assert not found.bad
    assert len(parse_times(cells(), zone=UTC).values) == 0


def test_quick_and_one_by_one_agree():
    rng = np.random.default_rng(7)
    moments = rng.integers(
        np.datetime64("1990-01-01", "s").astype(int), np.datetime64("2030-01-01", "s").astype(int), 500
    )
    texts = np.datetime_as_string(moments.astype("M8[s]")).tolist()
    odd = ["2026-01-01 x"] * 1
    alike = parse_times(letters(*texts), zone=CLOCK_CHANGES)
    mixed = parse_times(cells(*texts, *odd), zone=CLOCK_CHANGES)
    assert np.array_equal(alike.values, mixed.values[:-1], equal_nan=True)
    assert mixed.bad.keys() - {500} == alike.bad.keys()
