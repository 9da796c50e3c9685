"""Bytes to delimited text: checked to be text, with one kind of line end, its separator and its first row."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy.typing as npt

__all__ = ["BLANKS", "QUOTES", "SEPARATORS", "DelimitedText", "cells_of", "is_skipped", "open_text"]

BLANKS = " \t"
"""Characters that do not count around a cell."""
SEPARATORS = ("\t", ";", ",")
UTF8_MARK = b"\xef\xbb\xbf"
QUOTES = "quotes around whole cells, in pairs"
TEXT = "a table as UTF-8 text"
SAVED = TEXT + ": save it anew as CSV UTF-8"
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]")


@dataclass(frozen=True, kw_only=True)
class DelimitedText:
    """A table's text. ``data`` has line feeds only and no byte-order mark.

    ``first`` are the cells of the first line that is neither blank nor a comment, ``first_line`` is its
    number, ``first_at`` and ``after_first`` are the places in ``data`` where it begins and where the next
    line does.
    """

    file: str
    data: bytes
    separator: str
    first: tuple[str, ...]
    first_line: int
    first_at: int
    after_first: int


def open_text(file: str, data: bytes, *, known: Collection[str], widths: Collection[int]) -> DelimitedText | Problem:
    """Return the text in ``data``, or what is wrong with it as a whole.

    Parameters
    ----------
    file
        Path for messages.
    data
        The file's bytes.
    known
        Column names by which the separator is recognised.
    widths
        Number of cells in the rows of files without a header, where the site file has such.
    """
    wrong = _not_text(file, data)
    if wrong is not None:
        return wrong
    data = data.removeprefix(UTF8_MARK)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    number, start = 1, 0
    while start < len(data):
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        line = data[start:end].decode("utf-8")
        if not is_skipped(line):
            separator = _separator(line, known, widths)
            cells = cells_of(line, separator)
            if isinstance(cells, str):
                return Problem(file=file, line=number, text=cells, expected=QUOTES)
            return DelimitedText(
                file=file,
                data=data,
                separator=separator,
                first=tuple(cell.strip(BLANKS) for cell in cells),
                first_line=number,
                first_at=start,
                after_first=min(end + 1, len(data)),
            )
        number, start = number + 1, end + 1
    return Problem(file=file, text="no header row", expected="a table with a header row")


def is_skipped(line: str) -> bool:
    """Tell whether a line is blank or a comment."""
    return not line.strip(BLANKS) or line.lstrip(" ").startswith("#")


def cells_of(line: str, separator: str) -> list[str] | str:
    """Return the cells of one row, or what is wrong with its quotes."""
    if '"' not in line:
        return line.split(separator)
    try:
        return next(csv.reader([line], delimiter=separator, strict=True))
    except csv.Error as error:
        reason = str(error)
        if "unexpected end" in reason:
            return "a quote is opened and not closed"
        if "limit" in reason:
            return "a cell of more than 131072 characters"
        return "text after a closing quote"


def _not_text(file: str, data: bytes) -> Problem | None:
    if not data:
        return Problem(file=file, text="empty", expected="a table with a header row")
    if data.startswith((b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")):
        return Problem(file=file, text="UTF-16 or UTF-32 text", expected=SAVED)
    nul = data.find(b"\0")
    try:
        if not data.isascii():
            data.decode("utf-8")
    except UnicodeDecodeError as error:
        if _CONTROL.search(data):
            return Problem(file=file, text="a binary file", expected=SAVED)
        what = f"byte 0x{data[error.start]:02x} is not UTF-8"
        return Problem(file=file, line=_line_at(data, error.start), text=what, expected=SAVED)
    if nul < 0:
        return None
    if _looks_like_utf16(data):
        return Problem(file=file, text="UTF-16 text without a byte-order mark", expected=SAVED)
    count = data.count(b"\0")
    what = "a NUL byte" if count == 1 else f"{count} NUL bytes, the first here"
    return Problem(file=file, line=_line_at(data, nul), text=what, expected=TEXT)


def _looks_like_utf16(data: bytes) -> bool:
    """Tell whether nearly every second byte is NUL, as in Latin text of two bytes a letter."""
    zero: npt.NDArray[np.bool_] = np.frombuffer(data[:4096], dtype=np.uint8) == 0
    even, odd = float(zero[::2].mean()), float(zero[1::2].mean()) if zero.size > 1 else 0.0
    return max(even, odd) > 0.7 and min(even, odd) < 0.1


def _line_at(data: bytes, place: int) -> int:
    before = data[:place]
    return before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n") + 1


def _separator(line: str, known: Collection[str], widths: Collection[int]) -> str:
    """Return the separator under which most cells of the first row are known names, else the likeliest."""

    def score(separator: str) -> tuple[int, bool, bool]:
        cells = cells_of(line, separator)
        cells = cells if isinstance(cells, list) else line.split(separator)
        names = sum(cell.strip(BLANKS) in known for cell in cells)
        return names, len(cells) in widths, len(cells) > 1

    return max(SEPARATORS, key=score)
