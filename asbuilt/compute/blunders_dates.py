"""Dates of a fresh load that cannot be meant: after its loading, or long before anything else of the site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.blunders_told import at_row, item_of
from asbuilt.compute.repeats import date_alone

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Finding, Floats, Survey, Table, Times
    from asbuilt.settings import Settings

__all__ = ["TIMES", "date_findings", "minute", "old_date_findings"]

TIMES = {
    "pickups": ("surveyed_at",),
    "tilts": ("read_at",),
    "profiles": ("read_at",),
    "records": ("drilled_at", "concreted_at"),
}
"""Columns of the tables that come in loads that say when something was done."""

#: Clocks of instruments may be fast by this much.
_FAST = np.timedelta64(15, "m")
_DAY = np.timedelta64(24, "h")
#: So long before the first row of a folder nothing is expected any more [days].
_LONG_BEFORE = 60.0
#: Where day and month exchanged, or another year, fit the folder's days, less is enough [days].
_SOME_TIME_BEFORE = 14.0
_MS_A_DAY = 86_400_000.0


def minute(settings: Settings, time: np.datetime64) -> str:
    """Return a time to the minute as it is read at the site; the day alone where nothing else was given."""
    text = settings.site.time_text(time.astype("datetime64[m]"))
    return text.partition(" ")[0] if bool(date_alone(np.array([time]))[0]) else text


def date_findings(
    survey: Survey, ground: Ground, fresh: Mapping[str, Booleans], *, now: np.datetime64
) -> tuple[list[Finding], dict[str, Booleans]]:
    """Return a finding for each time after ``now``, one for a pile and date, and which rows have one, by table.

    A date alone is read as the end of that day: up to a day ahead such a time is today's.
    """
    found, wrong = [], {}
    moment, s = now.astype("datetime64[ms]"), survey.settings
    for name, columns in TIMES.items():
        table: Table = getattr(survey, name)
        wrong[name] = np.zeros(len(table), dtype=np.bool_)
        for column in columns:
            time = table[column].astype("datetime64[ms]")
            late = fresh[name] & (time > moment + np.where(date_alone(time), _DAY, _FAST))
            wrong[name] |= late
            for row, count in _by_item_and_day(table, np.flatnonzero(late).tolist(), time):
                text = (
                    f"{minute(s, time[row])} lies after the time of loading, {minute(s, moment)}"
                    + (f" ({count} rows)" if count > 1 else "")
                    + ": a mistyped year or month, or a clock that is set wrong"
                )
                found.append(at_row(table, ground, row, kind="future_date", text=text, column=column))
    return found, wrong


def _by_item_and_day(table: Table, rows: list[int], time: Times) -> Iterator[tuple[int, int]]:
    """Yield the first row of each pile and day, and how many there are."""
    keys = [(item_of(table, row), str(time[row])[:10]) for row in rows]
    for key, row in dict(reversed(list(zip(keys, rows, strict=True)))).items():
        yield row, keys.count(key)


def old_date_findings(
    survey: Survey, ground: Ground, fresh: Mapping[str, Booleans], *, now: np.datetime64
) -> tuple[list[Finding], dict[str, Booleans]]:
    """Return a finding for each date long before anything else of the site, and which rows have one, by table.

    Notes
    -----
    Held against the days of the rows that are in the folder already; in an empty folder against the middle of the
    file's own days. More than 60 days before the first of them is asked about; from 14 days on where the day and month
    exchanged, or the folder's year, bring the date to within 14 days of them, and not after the time of loading.
    """
    days = {name: [_days(getattr(survey, name)[column]) for column in columns] for name, columns in TIMES.items()}
    old = [day[~fresh[name] & (day <= _days(np.array([now]))[0])] for name, every in days.items() for day in every]
    known = np.concatenate(old)
    known = known[~np.isnan(known)]
    last = float(_days(np.array([now]))[0])
    found: list[Finding] = []
    wrong = {name: np.zeros(len(getattr(survey, name)), dtype=np.bool_) for name in TIMES}
    for name, columns in TIMES.items():
        table: Table = getattr(survey, name)
        for column, day in zip(columns, days[name], strict=True):
            rows = np.flatnonzero(fresh[name] & ~np.isnan(day))
            first, newest = _span(table, day, rows, known)
            early = day[rows] < first - _SOME_TIME_BEFORE
            told = []
            for k in np.flatnonzero(early).tolist():
                row = int(rows[k])
                meant = _meant(table[column][row], survey.settings, (first[k], min(newest[k], last), last))
                if meant or day[row] < first[k] - _LONG_BEFORE:
                    told.append((row, float(first[k]), meant))
            wrong[name][[row for row, _, _ in told]] = True
            found += _told(survey, ground, table, column, told)
    return found, wrong


def _days(time: Times) -> Floats:
    """Return times as days since 1970, NaN for none."""
    milliseconds = time.astype("datetime64[ms]")
    return np.where(np.isnat(milliseconds), np.nan, milliseconds.astype(np.int64) / _MS_A_DAY)


def _span(
    table: Table, day: Floats, rows: np.ndarray[tuple[int], np.dtype[np.int64]], known: Floats
) -> tuple[Floats, Floats]:
    """Return the first and last day (k,) that each of the rows is held against."""
    if len(known):
        return np.full(len(rows), known.min()), np.full(len(rows), known.max())
    middle = np.full(len(rows), np.nan)
    for place in np.unique(table.file[rows]).tolist():
        own = table.file[rows] == place
        middle[own] = np.median(day[rows[own]])
    return middle, middle


def _meant(time: np.datetime64, settings: Settings, span: tuple[float, float, float]) -> str:
    """Return the day that is likely meant: with day and month exchanged, or of another year; "" for none that fits."""
    first, newest, now = span
    text = settings.site.time_text(time.astype("datetime64[m]")).partition(" ")[0]
    year, month, day = text.split("-")
    years = {str(np.datetime64(int(at), "D"))[:4] for at in (first, newest, now)}
    tried = [f"{year}-{day}-{month}", *(f"{other}-{month}-{day}" for other in sorted(years, reverse=True))]
    for one in tried:
        try:
            at = np.datetime64(one, "D").astype(np.int64)
        except ValueError:
            continue
        if one != text and first - _SOME_TIME_BEFORE <= at <= min(newest + _SOME_TIME_BEFORE, now):
            return one
    return ""


def _told(
    survey: Survey, ground: Ground, table: Table, column: str, rows: list[tuple[int, float, str]]
) -> Iterator[Finding]:
    time = table[column].astype("datetime64[ms]")
    about = {row: (first, meant) for row, first, meant in rows}
    for row, count in _by_item_and_day(table, list(about), time):
        first, meant = about[row]
        many = f" ({count} rows)" if count > 1 else ""
        since = np.datetime64(int(first), "D")
        day = survey.settings.site.time_text(time[row].astype("datetime64[m]")).partition(" ")[0]
        year, month, number = day.split("-")
        cause = "the year, month or day is mistaken, or it is older work"
        if meant.startswith(f"{year}-"):
            cause = f"day and month exchanged, read as day {number} of month {month}; {meant} would fit"
        elif meant:
            cause = f"a mistaken year; {meant} would fit"
        before = round(first - float(_days(time[row : row + 1])[0]))
        text = f"{day}{many} lies {before} days before {since}, the first day of anything else here: {cause}"
        yield at_row(table, ground, row, kind="time_order", text=text, column=column)
