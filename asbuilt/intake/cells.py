"""Rows and cells of delimited text, each row with its line.

Two ways lead to the same cells. The quick one hands plain text to pandas' C reader, or parts it by itself where so
little is read that loading pandas would take longer; it returns None as soon as anything is out of the ordinary. The
careful one takes any text, keeps every cell as it was written, and says what is wrong with which line.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from asbuilt.errors import Problem
from asbuilt.intake.text import BLANKS, QUOTES, SEPARATORS, cells_of, is_skipped

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.intake.text import DelimitedText

__all__ = ["Rows", "read_carefully", "read_quickly"]

Lines = npt.NDArray[np.int32]
BLANK_BYTES = np.frombuffer(BLANKS.encode(), dtype=np.uint8)
PLAIN_NUMBERS = frozenset("0123456789+-.eE")
LONGEST_TIME = 40
"""Bytes of a cell that can still be a date and time."""
LONGEST_CELL_LINES = 100
"""Lines over which a quoted cell may run; a quote still open then was never meant to be one."""


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Columns by their place in the file, and the line of each row.

    A column is of objects: text without blanks around it, None for a blank cell. The quick way may give
    float64 for numbers (NaN for blank), a pandas Categorical for choices, bytes (length, n) for times equally
    long. ``problems`` are rows that could not be split; they are left out.
    """

    columns: Mapping[int, Any]
    lines: Lines
    problems: tuple[Problem, ...] = field(default=())


def read_quickly(
    text: DelimitedText, *, headed: bool, width: int, kinds: Mapping[int, str], light: bool = False
) -> Rows | None:
    """Return the rows of plain text; None where the careful way is needed.

    Parameters
    ----------
    text
        The file.
    headed
        Whether the first row is a header.
    width
        Cells in each row.
    kinds
        Place of each column that is wanted, and what it holds: ``number``, ``choice``, ``time`` or ``text``.
    light
        Do without pandas.
    """
    body, lines = _plain_lines(text, headed)
    if body is None:
        return None
    if not lines.size:
        return Rows(columns={place: np.empty(0, dtype=object) for place in kinds}, lines=lines)
    letters = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero((letters == ord(text.separator)) | (letters == 10))
    # Each row has so many cells when every last end is a line's and there are as many ends as there should be.
    if ends.size != lines.size * width or not (letters[ends[width - 1 :: width]] == 10).all():
        return None
    columns: dict[int, Any] = {}
    for place, kind in kinds.items():
        equal = _equally_long(letters, ends, width, place) if kind == "time" else None
        if equal is not None:
            columns[place] = equal
    rest = {place: kind for place, kind in kinds.items() if place not in columns}
    if light:
        parted = _part_plain(body, text.separator, width, rest)
        return None if parted is None else Rows(columns={**columns, **parted}, lines=lines)
    frame = _read_csv(body, text.separator, rest)
    if frame is None or len(frame) != lines.size:
        return None
    padded = _is_padded(letters, ends)
    blanks = bool(ends[0] == 0 or (np.diff(ends) == 1).any())
    for place, kind in rest.items():
        if kind in {"number", "choice"}:
            columns[place] = frame[place].array if kind == "choice" else frame[place].to_numpy()
        else:
            columns[place] = _texts(frame[place].to_numpy(), padded=padded, blanks=blanks)
    return Rows(columns=columns, lines=lines)


def _without_quotes(body: bytes, separator: str) -> bytes | None:
    """Return text without its quotes where they stand around whole cells and hide nothing, else None."""
    letters = np.frombuffer(body, dtype=np.uint8)
    quotes = np.flatnonzero(letters == 34)
    if quotes.size % 2:
        return None
    opening, closing = quotes[::2], quotes[1::2]
    is_end = (letters == ord(separator)) | (letters == 10)
    outside = (opening == 0) | is_end[opening - 1]
    ends_before = np.cumsum(is_end, dtype=np.int32)
    hidden = ends_before[opening] != ends_before[closing]
    if hidden.any() or not (outside & is_end[closing + 1]).all():
        return None
    return body.replace(b'"', b"")


def _equally_long(
    letters: npt.NDArray[np.uint8], ends: npt.NDArray[np.int64], width: int, place: int
) -> npt.NDArray[np.uint8] | None:
    """Return the bytes (length, n) of a column whose cells are all equally long, else None."""
    last = ends[place::width]
    before = ends[place - 1 :: width][: last.size] if place else np.concatenate([[-1], ends[width - 1 : -1 : width]])
    length = int(last[0] - before[0] - 1)
    if not 0 < length <= LONGEST_TIME or not (last - before == length + 1).all():
        return None
    windows = np.lib.stride_tricks.sliding_window_view(letters, length)
    return np.ascontiguousarray(windows[before + 1].T)


def _plain_lines(text: DelimitedText, headed: bool) -> tuple[bytes | None, Lines]:
    """Return the text of the rows without quotes, blank lines and comments, and their lines.

    None where quotes keep a separator, a line end or a quote from being one.
    """
    body = text.data[text.after_first if headed else text.first_at :]
    first = text.first_line + 1 if headed else text.first_line
    if body and not body.endswith(b"\n"):
        body += b"\n"
    if b'"' in body:
        plain = _without_quotes(body, text.separator)
        if plain is None:
            return None, np.empty(0, dtype=np.int32)
        body = plain
    letters = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(letters == 10)
    lines = np.arange(first, first + ends.size, dtype=np.int32)
    if not ends.size:
        return body, lines
    starts = np.concatenate([[0], ends[:-1] + 1])
    if not np.isin(letters[starts], np.frombuffer(b"\n #\t", dtype=np.uint8)).any():
        return body, lines
    every = body.split(b"\n")[:-1]
    kept = [place for place, line in enumerate(every) if not is_skipped(line.decode("utf-8"))]
    if len(kept) == len(every):
        return body, lines
    body = b"\n".join([every[place] for place in kept]) + b"\n" if kept else b""
    return body, lines[kept]


def _read_csv(body: bytes, separator: str, kinds: Mapping[int, str]) -> Any:
    """Return a frame, or None where a number is none."""
    import pandas as pd

    types = {place: {"number": "float64", "choice": "category"}.get(kind, object) for place, kind in kinds.items()}
    # With a decimal comma first, as a comma may also stand in a text.
    for decimal in (",", ".") if separator != "," and b"," in body else (".",):
        try:
            return pd.read_csv(
                io.BytesIO(body),
                header=None,
                sep=separator,
                decimal=decimal,
                usecols=list(kinds),
                dtype=types,
                na_values=[""],
                keep_default_na=False,
                quoting=csv.QUOTE_NONE,
                skip_blank_lines=False,
                encoding="utf-8",
            )
        except (ValueError, OverflowError):
            continue
    return None


def _part_plain(body: bytes, separator: str, width: int, kinds: Mapping[int, str]) -> dict[int, Any] | None:
    """Return the columns of text whose rows all have ``width`` cells, or None where a number is none."""
    cells = body.decode("utf-8")[:-1].replace("\n", separator).split(separator)
    columns: dict[int, Any] = {}
    for place, kind in kinds.items():
        texts = [cell.strip(BLANKS) for cell in cells[place::width]]
        if kind != "number":
            columns[place] = np.empty(len(texts), dtype=object)
            columns[place][:] = [text or None for text in texts]
        elif PLAIN_NUMBERS.issuperset("".join(texts)):
            try:
                columns[place] = np.array([float(text) if text else np.nan for text in texts], dtype=np.float64)
            except ValueError:
                return None
        else:
            return None
    return columns


def _is_padded(letters: npt.NDArray[np.uint8], ends: npt.NDArray[np.int64]) -> bool:
    """Tell whether any cell has a blank or tab at one of its ends (a tab that separates is an end itself)."""
    if letters[0] in BLANK_BYTES or np.isin(letters[ends[:-1] + 1], BLANK_BYTES).any():
        return True
    return bool(np.isin(letters[ends - 1], BLANK_BYTES).any())


def _texts(cells: npt.NDArray[Any], *, padded: bool, blanks: bool) -> npt.NDArray[Any]:
    """Return texts without blanks around them; None for a blank cell."""
    import pandas as pd

    if blanks:
        cells = cells.copy()
        cells[pd.isna(cells)] = None
    if padded:
        stripped = np.empty(len(cells), dtype=object)
        stripped[:] = [text.strip(BLANKS) or None if text else None for text in cells.tolist()]
        return stripped
    return cells


def read_carefully(text: DelimitedText, *, headed: bool, width: int, wanted: Sequence[int]) -> Rows:
    """Return the rows of any text, every cell as written, and what is wrong with rows that are not split."""
    rows: list[list[str]] = []
    lines: list[int] = []
    problems: list[Problem] = []
    parted_otherwise: dict[str, list[int]] = {}
    expected = f"{width}, as in the header row" if headed else f"{width}, as in the order of the site file"
    for number, record in _records(text, headed):
        if isinstance(record, str):
            problems.append(Problem(file=text.file, line=number, text=record, expected=QUOTES))
            continue
        cells = [cell.strip(BLANKS) for cell in record]
        if not any(cells):
            # As spreadsheets write a blank line: nothing but separators.
            continue
        if len(cells) != width:
            other = _other_separator(record, text.separator, width)
            if other:
                parted_otherwise.setdefault(other, []).append(number)
                continue
            count = "1 cell" if len(cells) == 1 else f"{len(cells)} cells"
            problems.append(Problem(file=text.file, line=number, text=count, expected=expected))
            continue
        rows.append(cells)
        lines.append(number)
    problems.extend(_odd_separators(text, parted_otherwise, headed))
    columns = {}
    for place in wanted:
        column = np.empty(len(rows), dtype=object)
        column[:] = [row[place] or None for row in rows]
        columns[place] = column
    return Rows(columns=columns, lines=np.array(lines, dtype=np.int32), problems=tuple(problems))


def _other_separator(record: Sequence[str], separator: str, width: int) -> str:
    """Return the separator by which a row would have the right number of cells, "" for none."""
    line = separator.join(record)
    others = [other for other in SEPARATORS if other != separator and width > 1]
    return next((other for other in others if len(cells_of(line, other)) == width and other in line), "")


def _odd_separators(text: DelimitedText, rows: Mapping[str, Sequence[int]], headed: bool) -> Iterator[Problem]:
    """Yield one line for all rows that one other separator parts."""
    names = {"\t": "tab", ";": "';'", ",": "','"}
    for other, numbers in rows.items():
        count = "a row" if len(numbers) == 1 else f"{len(numbers)} rows"
        whole = "the header" if headed else "the first row"
        what = f"{count} parted by {names[other]}, {whole} by {names[text.separator]}"
        yield Problem(file=text.file, line=numbers[0], text=what, expected="one separator in the whole file")


def _records(text: DelimitedText, headed: bool) -> Iterator[tuple[int, list[str] | str]]:
    """Yield each row's first line and its cells, or what is wrong with its quotes."""
    body = text.data[text.after_first if headed else text.first_at :].decode("utf-8")
    every = body.split("\n")
    first = text.first_line + 1 if headed else text.first_line
    at_once = _all_at_once(every, text.separator)
    if at_once is not None:
        yield from ((first + place, cells) for place, cells in at_once)
        return
    place = 0
    while place < len(every):
        line, at = every[place], place
        place += 1
        if is_skipped(line):
            continue
        cells = cells_of(line, text.separator)
        if isinstance(cells, str) and "not closed" in cells:
            for last in range(place, min(place + LONGEST_CELL_LINES, len(every))):
                longer = cells_of("\n".join(every[at : last + 1]), text.separator)
                if isinstance(longer, list):
                    cells, place = longer, last + 1
                if isinstance(longer, list) or "not closed" not in longer:
                    break
        yield first + at, cells


def _all_at_once(every: list[str], separator: str) -> Iterator[tuple[int, list[str]]] | None:
    """Return the place and cells of every row where each stands on a line of its own, else None."""
    if any(line.count('"') % 2 for line in every):
        return None
    kept = [place for place, line in enumerate(every) if not is_skipped(line)]
    try:
        rows = list(csv.reader([every[place] for place in kept], delimiter=separator, strict=True))
    except csv.Error:
        return None
    return zip(kept, rows, strict=True) if len(rows) == len(kept) else None
