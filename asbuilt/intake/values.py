"""Cells to the values of the column dictionary, and what is wrong with those that cannot be meant."""

from __future__ import annotations

import difflib
import math
import re
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from asbuilt.intake.text import BLANKS
from asbuilt.intake.times import EXPECTED as TIME_EXPECTED
from asbuilt.intake.times import parse_times

if TYPE_CHECKING:
    from collections.abc import Iterable
    from zoneinfo import ZoneInfo

    from asbuilt.columns import Column

__all__ = ["Converted", "blank_values", "convert", "distinct", "nearest", "short"]

FARTHEST = 1e9
"""No length, level, coordinate or count of a site is larger."""
IDS = re.compile(r"(?:[A-Za-z0-9._-]{1,24}\n)*[A-Za-z0-9._-]{1,24}", re.ASCII)
ID = re.compile(r"[A-Za-z0-9._-]{1,24}", re.ASCII)
NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?", re.ASCII)
NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)

Wrong = tuple[str, str]


@dataclass(kw_only=True)
class Converted:
    """One column's values, and row to (what is wrong, what was expected).

    ``codes`` and ``names`` are there for ids: the place of each row's id in the distinct ids, -1 for blank.
    ``commas`` and ``points`` are the rows whose number has a decimal comma, or a decimal point.
    """

    values: npt.NDArray[Any]
    bad: dict[int, Wrong] = field(default_factory=dict)
    codes: npt.NDArray[np.int64] | None = None
    names: npt.NDArray[Any] | None = None
    commas: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    points: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))


def convert(column: Column, cells: Any, *, zone: ZoneInfo, comma: bool) -> Converted:
    """Return the values of one column.

    Parameters
    ----------
    column
        Its entry in the dictionary.
    cells
        As in :class:`asbuilt.intake.cells.Rows`.
    zone
        Time zone of times without an offset.
    comma
        Whether a decimal comma can be meant.
    """
    if column.kind in {"float", "integer"}:
        return _numbers(column, cells, comma)
    if column.kind == "choice":
        return _choices(column, cells)
    if column.kind == "time":
        moments = parse_times(cells, zone=zone)
        converted = Converted(values=moments.values, bad=dict(moments.bad))
        if column.needed:
            _mark_blank(converted, column, np.isnat(converted.values))
        return converted
    if column.kind == "id":
        return _ids(column, cells)
    converted = Converted(values=cells)
    if column.needed:
        _mark_blank(converted, column, _is_none(cells))
    return converted


def blank_values(column: Column, count: int) -> npt.NDArray[Any]:
    """Return ``count`` values for a column that a file has not: its default, else blank."""
    if column.kind in {"text", "id"}:
        return np.full(count, column.default or None, dtype=object)
    if column.kind == "choice":
        code = column.choices.index(column.default) if column.default else -1
        return np.full(count, code, dtype=np.int8)
    if column.kind == "time":
        return np.full(count, np.datetime64("NaT", "ms"), dtype="datetime64[ms]")
    if column.kind == "integer" and column.default:
        return np.full(count, int(column.default), dtype=np.int64)
    return np.full(count, np.nan)


def nearest(word: str, known: Iterable[str], *, what: str = "one of") -> str:
    """Return what was expected in place of ``word``: the nearest known name, else all of them."""
    names = list(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5) if len(names) < 2000 else []
    if close:
        return f"perhaps {close[0]}"
    return f"{what} {', '.join(names)}" if names else "none"


def short(text: str) -> str:
    """Return a cell's text in quotes, cut where it is long."""
    return repr(text if len(text) <= 40 else text[:39] + "…")


def _expected(column: Column) -> str:
    if column.kind == "time":
        return TIME_EXPECTED
    if column.kind == "id":
        return "1 to 24 letters A to Z, digits, '.', '_' or '-'"
    if column.kind == "choice":
        return ("one of " if len(column.choices) > 1 else "") + ", ".join(column.choices)
    if column.kind == "integer":
        return "a whole number"
    return "a number" if column.kind == "float" else "some text"


def _mark_blank(converted: Converted, column: Column, blank: npt.NDArray[np.bool_]) -> None:
    for row in np.flatnonzero(blank).tolist():
        converted.bad.setdefault(row, ("blank", _expected(column)))


def _is_none(cells: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    pandas = sys.modules.get("pandas")
    if pandas is None:
        # what is not loaded is not waited for: the answer is the same
        return np.array([cell is None or cell != cell for cell in cells.tolist()], dtype=np.bool_)
    return np.asarray(pandas.isna(cells), dtype=np.bool_)


def distinct(cells: npt.NDArray[Any]) -> tuple[npt.NDArray[np.int64], npt.NDArray[Any]]:
    """Return the place (n,) of each cell among the distinct ones, -1 for None, and these in the order they come in."""
    pandas = sys.modules.get("pandas")
    if pandas is None:
        known: dict[Any, int] = {}
        places = [-1 if cell is None else known.setdefault(cell, len(known)) for cell in cells.tolist()]
        distinct = np.empty(len(known), dtype=object)
        distinct[:] = list(known)
        return np.array(places, dtype=np.int64), distinct
    codes, names = pandas.factorize(cells)
    return codes, np.asarray(names, dtype=object)


def _numbers(column: Column, cells: npt.NDArray[Any], comma: bool) -> Converted:
    whole = column.kind == "integer"
    if cells.dtype == np.float64:
        # The quick way's numbers; whatever is bad among them is looked at again with its text at hand.
        values, blank = cells, np.isnan(cells)
        wrong = _outside(column, values) | (~np.isfinite(values) & ~blank)
        if whole:
            wrong |= values != np.floor(values)
        converted = Converted(values=values, bad=dict.fromkeys(np.flatnonzero(wrong & ~blank).tolist(), ("", "")))
    else:
        converted = _numbers_of_texts(column, cells, comma)
        values = converted.values
        blank = _is_none(cells)
    if column.needed:
        _mark_blank(converted, column, blank)
    if whole and column.default:
        filled = np.where(np.isnan(values) | ~np.isfinite(values), float(column.default), values)
        converted.values = np.clip(filled, -FARTHEST, FARTHEST).astype(np.int64)
    return converted


def _numbers_of_texts(column: Column, cells: npt.NDArray[Any], comma: bool) -> Converted:
    codes, names = distinct(cells)
    numbers = np.full(len(names) + 1, np.nan)
    wrongs: dict[int, Wrong] = {}
    with_comma, with_point = (
        np.zeros(len(names) + 1, dtype=np.bool_),
        np.zeros(len(names) + 1, dtype=np.bool_),
    )
    for place, name in enumerate(names.tolist()):
        number, wrong = _number(column, name, comma)
        if wrong is not None:
            wrongs[place] = wrong
            continue
        numbers[place] = number
        with_comma[place], with_point[place] = "," in name, "." in name
    converted = Converted(
        values=numbers[codes],  # a blank cell's code is -1, the last place
        commas=np.flatnonzero(with_comma[codes]),
        points=np.flatnonzero(with_point[codes]),
    )
    _mark(converted, codes, wrongs)
    return converted


def _number(column: Column, text: str, comma: bool) -> tuple[float, Wrong | None]:
    """Return the number in one cell, or what is wrong with it."""
    expected = "a whole number" if column.kind == "integer" else "a number"
    if NOT_FINITE.fullmatch(text):
        return math.nan, (
            f"{short(text)} is not a finite number",
            expected + ", or nothing where none was measured",
        )
    if NUMBER.fullmatch(text) is None:
        if re.search(r"\d[., '’]\d{3}([., '’]|\b)", text):
            expected += " without thousands separators"
        return math.nan, (f"{short(text)} is not a number", expected)
    if "," in text and not comma:
        return math.nan, (f"{short(text)} is not a number", expected + " with a decimal point")
    number = float(text.replace(",", "."))
    if not math.isfinite(number):
        return math.nan, (f"{short(text)} is not a finite number", expected)
    if bool(_outside(column, np.array([number]))[0]):
        return math.nan, (f"{short(text)} is out of range", _range(column))
    if column.kind == "integer" and number != math.floor(number):
        return math.nan, (f"{short(text)} is not a whole number", expected)
    return number, None


def _outside(column: Column, values: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    low = -FARTHEST if column.low is None else column.low
    high = FARTHEST if column.high is None else column.high
    below: npt.NDArray[np.bool_] = values <= low if column.low_open else values < low
    return below | (values > high)


def _range(column: Column) -> str:
    unit = f" {column.unit}" if column.unit and not column.unit.startswith("see") else ""
    if column.low is None and column.high is None:
        return f"{-FARTHEST:.0f} to {FARTHEST:.0f}{unit}"
    high = "" if column.high is None else f"{column.high:g}"
    if column.low_open:
        return f"more than {column.low:g}" + (f", {high} or less" if high else "") + unit
    return (f"{column.low:g} to {high}" if high else f"{column.low:g} or more") + unit


def _mark(converted: Converted, codes: npt.NDArray[np.int64], wrongs: dict[int, Wrong]) -> None:
    """Carry what is wrong with distinct texts over to their rows."""
    if wrongs:
        flagged = np.zeros(int(codes.max(initial=0)) + 2, dtype=np.bool_)
        flagged[list(wrongs)] = True
        for row in np.flatnonzero(flagged[codes] & (codes >= 0)).tolist():
            converted.bad[row] = wrongs[int(codes[row])]


def _choices(column: Column, cells: Any) -> Converted:
    if isinstance(cells, np.ndarray):
        codes, names = distinct(cells)
    else:  # a pandas Categorical of the quick way
        codes, names = cells.codes, np.asarray(cells.categories, dtype=object)
    places = np.full(len(names) + 1, -1, dtype=np.int8)
    blank = np.zeros(len(names) + 1, dtype=np.bool_)
    blank[-1] = True
    wrongs: dict[int, Wrong] = {}
    for place, name in enumerate(names.tolist()):
        # pandas turns categories into numbers where all of them are; no choice is one.
        word = str(name).strip(BLANKS)
        blank[place] = not word
        if word in column.choices:
            places[place] = column.choices.index(word)
        elif word:
            wrongs[place] = (f"unknown value {short(word)}", _expected(column))
    if column.default:
        places[blank] = column.choices.index(column.default)
    converted = Converted(values=places[codes])
    _mark(converted, np.asarray(codes, dtype=np.int64), wrongs)
    if column.needed:
        _mark_blank(converted, column, blank[codes])
    return converted


def _ids(column: Column, cells: npt.NDArray[Any]) -> Converted:
    codes, names = distinct(cells)
    wrongs: dict[int, Wrong] = {}
    # All at once, as nearly always all are right; one by one only to tell which is wrong.
    joined = "\n".join(names.tolist())
    if len(names) and (joined.count("\n") != len(names) - 1 or IDS.fullmatch(joined) is None):
        wrongs = {
            place: (f"{short(name)} is not a pile id", _expected(column))
            for place, name in enumerate(names.tolist())
            if ID.fullmatch(name) is None
        }
    converted = Converted(values=cells, codes=codes, names=names)
    _mark(converted, codes, wrongs)
    if column.needed:
        _mark_blank(converted, column, codes < 0)
    return converted
