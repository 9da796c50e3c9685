"""What commands share: times, wrapping, colour, JSON, progress."""

from __future__ import annotations

import io
import json
import sys
import time

import numpy as np
import pytest

from asbuilt.commands import _shared as shared
from asbuilt.errors import UsageError
from asbuilt.settings import Site


@pytest.mark.parametrize(
    ("text", "zone", "utc"),
    [
        ("2025-05-16", "UTC", "2025-05-16T23:59:59"),
        ("2025-05-16", "Etc/GMT-3", "2025-05-16T20:59:59"),
        ("2025-05-16T18:00", "Etc/GMT-3", "2025-05-16T15:00"),
        ("2025-05-16T18:00+01:00", "Etc/GMT-3", "2025-05-16T17:00"),
        ("2025-07-01 12:00", "Europe/Paris", "2025-07-01T10:00"),
        ("2025-05-24 21:59:59 UTC", "Etc/GMT-3", "2025-05-24T21:59:59"),
        ("2025-05-24 21:59 UTC", "Etc/GMT-3", "2025-05-24T21:59"),
        ("2025-05-24 21:59:59 Z", "Etc/GMT-3", "2025-05-24T21:59:59"),
        ("2025-05-24 21:59:59.250 UTC", "Etc/GMT-3", "2025-05-24T21:59:59.250"),
        ("2025-05-24 21:59 +02:00", "Etc/GMT-3", "2025-05-24T19:59"),
        ("2025-05-24T21:59 -02", "Etc/GMT-3", "2025-05-24T23:59"),
    ],
)
def test_as_of_is_read_in_the_sites_zone(text, zone, utc):
    assert shared.moment(text, zone) == np.datetime64(utc)


@pytest.mark.parametrize("value", ["2025-05-16T18:00", "2025-05-16T23:59:59", "2025-05-16T18:00:00.250"])
def test_what_is_printed_is_read_back(value):
    moment = np.datetime64(value, "ms")
    for zone in ("UTC", "Etc/GMT-3", "Europe/Berlin"):
        for text in (Site(name="x", time_zone=zone).time_text(moment), shared.iso_time(moment)):
            assert shared.moment(text, "Etc/GMT-3") == moment


@pytest.mark.parametrize("text", ["2025-05-16 UTC", "2025-05-16 +02:00", "2025-05-16T18:00 PST"])
def test_a_zone_that_cannot_be_meant_is_refused(text):
    with pytest.raises(UsageError, match="is not a date and time, expected a date or"):
        shared.moment(text, "UTC")


def test_no_as_of_is_none():
    assert shared.moment(None, "UTC") is None


def test_a_time_that_a_zone_skips_is_refused():
    with pytest.raises(UsageError, match="does not occur"):
        shared.moment("2025-03-30T02:30", "Europe/Paris")


@pytest.mark.parametrize(
    ("value", "iso", "people"),
    [
        ("2025-05-16T18:00", "2025-05-16T18:00:00Z", "2025-05-16 18:00 UTC"),
        ("2025-05-16T23:59:59", "2025-05-16T23:59:59Z", "2025-05-16 23:59:59 UTC"),
        ("2025-05-16T18:00:00.250", "2025-05-16T18:00:00.250Z", "2025-05-16 18:00:00.250 UTC"),
        ("NaT", None, "no dated input"),
    ],
)
def test_times_in_answers(value, iso, people):
    moment = np.datetime64(value, "ms")
    assert shared.iso_time(moment) == iso
    assert Site(name="x").time_text(moment) == people


@pytest.mark.parametrize(
    ("value", "zone", "people"),
    [
        ("2026-11-09T06:15", "Europe/Berlin", "2026-11-09 07:15 +01:00"),
        ("2026-07-09T22:30:05.250", "Europe/Berlin", "2026-07-10 00:30:05.250 +02:00"),
        ("2026-01-01T02:00", "America/New_York", "2025-12-31 21:00 -05:00"),
        ("1970-01-01", "Europe/Berlin", "no dated input"),
    ],
)
def test_people_read_times_in_the_sites_zone_with_its_offset(value, zone, people):
    assert Site(name="x", time_zone=zone).time_text(np.datetime64(value, "ms")) == people


def test_a_figure_is_not_parted_from_its_unit():
    text = "x" * 72 + " 12.5 mm/m, 3 mm"
    assert shared.wrapped(text, first="> ") == ["> " + "x" * 72, "  12.5 mm/m, 3 mm"]


def test_wrapping_nothing_leaves_what_stands_before_it():
    assert shared.wrapped("", first="  A1  ") == ["  A1"]


def test_json_has_no_numpy_no_nan_and_no_nat(capsys):
    shared.print_json(
        {
            "a": np.float64("nan"),
            "b": np.array([1.5, np.nan]),
            "c": (np.int64(3), np.bool_(True), None),
            "d": np.datetime64("NaT", "ms"),
            "e": float("nan"),
        }
    )
    answer = json.loads(capsys.readouterr().out)
    assert list(answer) == ["format", "tool_version", "a", "b", "c", "d", "e"]
    assert [answer[key] for key in "abcde"] == [None, [1.5, None], [3, True, None], None, None]


class Terminal(io.StringIO):
    """A terminal as far as anybody can tell."""

    def isatty(self) -> bool:
        return True


def test_colour_is_for_terminals_only(monkeypatch):
    line = shared.painted("X outside", "outside")
    assert line != "X outside"
    for stream, coloured in ((io.StringIO(), False), (Terminal(), True)):
        monkeypatch.delenv("NO_COLOR", raising=False)
        monkeypatch.setattr(sys, "stdout", stream)
        shared.print_lines([line])
        assert ("\x1b[" in stream.getvalue()) is coloured
        assert "X outside" in stream.getvalue()


def test_no_color_is_kept(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    stream = Terminal()
    monkeypatch.setattr(sys, "stdout", stream)
    shared.print_lines([shared.painted("X outside", "outside")])
    assert stream.getvalue() == "X outside\n"


def test_progress_is_shown_on_a_terminal_once_it_has_taken_long(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    with shared.progress_on(patience=0.01) as step:
        step("reading", 0.5)
        deadline = time.monotonic() + 20
        while "reading (50%)" not in stream.getvalue() and time.monotonic() < deadline:
            time.sleep(0.02)
        step("writing")
    assert "reading (50%)" in stream.getvalue()


def test_quick_work_shows_no_progress(monkeypatch):
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    with shared.progress_on(patience=60) as step:
        step("reading")
    assert stream.getvalue() == ""


def test_progress_is_not_for_files(monkeypatch):
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    with shared.progress_on(patience=0.0) as step:
        step("reading", 0.1)
        time.sleep(0.05)
    assert stream.getvalue() == ""
