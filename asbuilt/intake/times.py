"""Dates and times as written in tables, to moments in UTC.

ISO 8601, extended format, with ``T`` or a blank before the time, seconds and their fraction if wished, and an
offset (``Z``, ``+03:00``, ``+0300``, ``+03``) or none: then the site's time zone holds. A date alone is the
end of that day.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from asbuilt.intake.text import BLANKS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

__all__ = ["EXPECTED", "Moments", "parse_times"]

EXPECTED = "ISO 8601, such as 2026-03-01T14:30 or 2026-03-01T14:30:00+03:00"
FIRST_YEAR, LAST_YEAR = 1900, 2199
LONGEST = 40
"""Characters of a cell that can still be a date and time."""
TEMPLATES = 6
"""Spellings that one file may hold before its cells are looked at one by one."""
SAMPLES = 50
"""Cells that are looked at to find the next spelling."""

_FORMAT = re.compile(
    r"(?P<year>\d{4})-(?P<month>\d\d)-(?P<day>\d\d)"
    r"(?:[T ](?P<hour>\d\d):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:[.,](?P<fraction>\d{1,9}))?)?"
    r"(?P<zone>Z|(?P<sign>[+-])(?P<zone_hour>\d\d)(?::?(?P<zone_minute>\d\d))?)?)?",
    re.ASCII,
)
_PARTS = ("year", "month", "day", "hour", "minute", "second", "fraction", "zone_hour", "zone_minute")

Ints = npt.NDArray[np.int64]
_DAY_END = np.timedelta64(24 * 3600 - 1, "s").astype("timedelta64[ms]")


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Moments in UTC (datetime64[ms], NaT for blank or bad) and what is wrong: row to (what, expected)."""

    values: npt.NDArray[np.datetime64]
    bad: dict[int, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """Numbers of many cells of one spelling. ``has`` tells which parts the spelling has."""

    numbers: dict[str, Ints]
    has: frozenset[str]
    utc: bool
    sign: int


def parse_times(cells: npt.NDArray[Any], *, zone: ZoneInfo) -> Moments:
    """Return the moments written in ``cells``.

    Parameters
    ----------
    cells
        Objects (n,): text without blanks around it, or None for a blank cell. Or, where all cells are equally
        long, their bytes (width, n) as uint8.
    zone
        Time zone of cells without an offset.
    """
    if cells.ndim == 2:
        return _parse_letters(cells, zone)
    moments = _nothing(len(cells))
    texts: list[str] = cells.tolist()
    rows = np.arange(len(texts))
    if None in texts:
        rows = np.array([row for row, text in enumerate(texts) if text is not None], dtype=np.int64)
        texts = [text for text in texts if text is not None]
    if not texts:
        return moments
    letters = _letters(texts)
    todo = np.arange(len(texts))
    for _ in range(TEMPLATES if letters is not None else 0):
        samples = map(_FORMAT.fullmatch, (texts[place] for place in todo[:SAMPLES].tolist()))
        match = next((sample for sample in samples if sample is not None), None)
        if match is None or letters is None:
            break
        fits = _fits(letters, todo, match)
        picked = todo[fits]
        numbers = {part: _number(letters, picked, match.span(part)) for part in _PARTS if match[part]}
        _assemble(_Cells(rows[picked], picked, texts), _parts_of(match, numbers), zone, moments)
        todo = todo[~fits]
    _one_by_one(rows[todo], [texts[place] for place in todo.tolist()], zone, moments)
    return moments


def _nothing(count: int) -> Moments:
    return Moments(values=np.full(count, np.datetime64("NaT", "ms"), dtype="datetime64[ms]"))


def _parse_letters(letters: npt.NDArray[np.uint8], zone: ZoneInfo) -> Moments:
    """Return the moments of cells given as bytes; all at once where all are spelt alike."""
    first = letters[:, 0].tobytes().decode("utf-8", "replace")
    match = _FORMAT.fullmatch(first)
    rows = np.arange(letters.shape[1])
    if match is None or not _fits(letters, rows, match).all():
        texts = np.empty(len(rows), dtype=object)
        texts[:] = _texts(letters)
        return parse_times(texts, zone=zone)
    moments = _nothing(len(rows))
    numbers = {part: _number(letters, rows, match.span(part)) for part in _PARTS if match[part]}
    _assemble(_Cells(rows, rows, letters), _parts_of(match, numbers), zone, moments)
    return moments


def _texts(letters: npt.NDArray[np.uint8]) -> list[str | None]:
    return [column.tobytes().decode("utf-8", "replace").strip(BLANKS) or None for column in letters.T]


@dataclass(frozen=True)
class _Cells:
    """Rows of a table, and where the text of each stands in ``source``: texts, or bytes (width, n)."""

    rows: Ints
    places: Ints
    source: list[str] | npt.NDArray[np.uint8]

    def text(self, number: int) -> str:
        place = int(self.places[number])
        if isinstance(self.source, list):
            return _short(self.source[place])
        return _short(_texts(self.source[:, place : place + 1])[0] or "")


def _letters(texts: list[str]) -> npt.NDArray[np.uint8] | None:
    """Return the characters as bytes (width, n), 0 beyond a text's end; None where they are no dates."""
    if max(map(len, texts)) > LONGEST:
        return None
    try:
        joined = np.array(texts, dtype="S")
    except UnicodeEncodeError:
        return None
    return np.ascontiguousarray(joined.view(np.uint8).reshape(len(texts), -1).T)


def _fits(letters: npt.NDArray[np.uint8], rows: Ints, match: re.Match[str]) -> npt.NDArray[np.bool_]:
    """Return which ``rows`` are spelt as ``match``: digits where it has digits, else the same characters."""
    every = rows.size == letters.shape[1]
    fits = np.ones(rows.size, dtype=np.bool_)
    for place in range(len(letters)):
        column = letters[place] if every else letters[place, rows]
        sample = match.string[place] if place < len(match.string) else "\0"
        fits &= column - np.uint8(48) < 10 if sample.isdigit() else column == ord(sample)
    return fits


def _number(letters: npt.NDArray[np.uint8], rows: Ints, span: tuple[int, int]) -> Ints:
    total = np.zeros(rows.size, dtype=np.int64)
    every = rows.size == letters.shape[1]
    for place in range(*span):
        total *= 10
        total += letters[place] if every else letters[place, rows]
        total -= 48
    return total


def _parts_of(match: re.Match[str], numbers: dict[str, Ints]) -> _Parts:
    if "fraction" in numbers:
        digits = len(match["fraction"])
        numbers["fraction"] = numbers["fraction"] * 1000 // 10**digits
    return _Parts(
        numbers=numbers,
        has=frozenset(part for part in _PARTS if match[part]),
        utc=match["zone"] is not None,
        sign=-1 if match["sign"] == "-" else 1,
    )


def _one_by_one(rows: Ints, texts: Sequence[str], zone: ZoneInfo, moments: Moments) -> None:
    """Work through cells of odd spelling, each distinct text once."""
    places: dict[str, list[int]] = {}
    for row, text in zip(rows.tolist(), texts, strict=True):
        places.setdefault(text, []).append(row)
    for text, where in places.items():
        match = _FORMAT.fullmatch(text)
        if match is None:
            moments.bad.update(dict.fromkeys(where, (f"{_short(text)} is not a date and time", EXPECTED)))
            continue
        numbers = {part: np.full(len(where), int(match[part])) for part in _PARTS if match[part]}
        picked = np.zeros(len(where), dtype=np.int64)
        _assemble(_Cells(np.array(where), picked, [text]), _parts_of(match, numbers), zone, moments)


def _assemble(cells: _Cells, parts: _Parts, zone: ZoneInfo, moments: Moments) -> None:
    """Put numbers together into moments."""
    get = parts.numbers
    none = np.int64(0)
    year, month, day = get["year"], get["month"], get["day"]
    hour, minute, second = (get.get(part, none) for part in ("hour", "minute", "second"))
    zone_hour, zone_minute = get.get("zone_hour", none), get.get("zone_minute", none)
    months = (year - 1970).astype("datetime64[Y]").astype("datetime64[M]") + np.clip(month - 1, 0, 11)
    days = months.astype("datetime64[D]") + (day - 1)
    good = (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1)
    good &= days.astype("datetime64[M]") == months
    good &= (hour < 24) & (minute < 60) & (second < 60) & (zone_hour < 24) & (zone_minute < 60)
    clock = ((hour * 60 + minute) * 60 + second) * 1000 + get.get("fraction", none)
    time = np.asarray(clock, dtype="timedelta64[ms]") if "hour" in parts.has else _DAY_END
    values = days.astype("datetime64[ms]") + time
    for number in np.flatnonzero(~good).tolist():
        what = f"{cells.text(number)} is no day and time of the calendar"
        moments.bad[int(cells.rows[number])] = (what, f"a real one from {FIRST_YEAR} to {LAST_YEAR}")
    if parts.utc:
        offset = np.asarray((zone_hour * 60 + zone_minute) * 60_000, dtype="timedelta64[ms]")
        values = values - parts.sign * offset
    else:
        values = _to_utc(values, good, zone, cells, moments)
    moments.values[cells.rows] = np.where(good, values, np.datetime64("NaT", "ms"))


def _to_utc(
    local: npt.NDArray[np.datetime64],
    good: npt.NDArray[np.bool_],
    zone: ZoneInfo,
    cells: _Cells,
    moments: Moments,
) -> npt.NDArray[np.datetime64]:
    """Return local times in UTC; times that the zone skips or has twice are taken out of ``good``."""
    if zone.key in {"UTC", "Etc/UTC"}:
        return local
    # Clocks change at whole quarters of an hour, so one look at the zone serves each quarter.
    quarter = (local.astype(np.int64) // 900_000)[good]
    unique, inverse = np.unique(quarter, return_inverse=True)
    offsets = np.array([_offset_ms(number, zone, 0) for number in unique.tolist()], dtype=np.int64)
    others = np.array([_offset_ms(number, zone, 1) for number in unique.tolist()], dtype=np.int64)
    shift = np.zeros(local.size, dtype=np.int64)
    shift[good] = offsets[inverse]
    odd, skipped = np.zeros(local.size, dtype=np.bool_), np.zeros(local.size, dtype=np.bool_)
    odd[good] = (offsets != others)[inverse]
    skipped[good] = (offsets < others)[inverse]
    for number in np.flatnonzero(odd).tolist():
        what = "does not occur" if skipped[number] else "occurs twice"
        text = f"{cells.text(number)} {what} in the time zone {zone.key}"
        moments.bad[int(cells.rows[number])] = (text, "a time with its offset")
    good &= ~odd
    values: npt.NDArray[np.datetime64] = local - shift.astype("timedelta64[ms]")
    return values


def _offset_ms(quarter: int, zone: ZoneInfo, fold: int) -> int:
    moment = dt.datetime(1970, 1, 1, tzinfo=zone, fold=fold) + dt.timedelta(minutes=15 * quarter)
    offset = moment.replace(fold=fold).utcoffset()
    return round(offset.total_seconds() * 1000) if offset is not None else 0


def _short(text: str) -> str:
    return repr(text if len(text) <= LONGEST else text[: LONGEST - 1] + "…")
