r"""The ledger's lines: how they are written, read back, and bound to one another.

The file is CSV in UTF-8 with ``\n`` behind each line and a header row; nothing but what :func:`text_of` writes is the
ledger, so that every byte of it counts. A line's hash is taken over its bytes without the line's end, and the next
line carries it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from dataclasses import astuple, dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from asbuilt.columns import LAYERS, ledger_line, ledger_line_sha256
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

__all__ = [
    "ACTIONS",
    "HEADER",
    "LEDGER",
    "Line",
    "WrittenLine",
    "is_moment",
    "line_sha256",
    "lines_in",
    "read_ledger",
    "text_of",
]

LEDGER = "ledger.csv"
ACTIONS = ("load", "design", "withdraw", "change")
"""load: a file taken in; design: a revision of the schedule; withdraw: a load, or one pile of it, taken out of use;
change: settings, design, control, approvals or decisions as they are now, or a load that was put in by hand."""
NAMES = tuple(column.name for column in LAYERS["ledger"].columns)
HEADER = ",".join(NAMES)
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,3})?Z")
_HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of ``ledger.csv``, in the order of its columns.

    ``at`` is ISO 8601 in UTC with milliseconds; ``action`` one of :data:`ACTIONS`; ``file`` a path in the folder with
    ``/``; ``sha256`` that of the file's bytes, empty where the file was removed; ``options`` a JSON object with sorted
    keys, empty for none.
    """

    at: str
    by: str
    action: str
    file: str
    sha256: str
    options: str = ""
    note: str = ""
    previous_sha256: str = ""

    def row(self) -> dict[str, str]:
        """Return the cells by column."""
        return dict(zip(NAMES, astuple(self), strict=True))


@dataclass(frozen=True, kw_only=True)
class WrittenLine:
    """A line as it stands in the file: its number, its text, and what it says; ``line`` is None where it is none."""

    number: int
    text: str
    line: Line | None
    wrong: str = ""
    """What is wrong with it, "" for nothing."""
    column: str = ""

    @property
    def sha256(self) -> str:
        """The hash that the line after it carries, of what stands there."""
        return _sha256(self.text)


def line_sha256(line: Line) -> str:
    """Return the hash of a line, written as CSV, without the line's end: what the next line carries."""
    return ledger_line_sha256(line.row())


def text_of(lines: Iterable[Line]) -> str:
    """Return lines as they stand in the file, each with its end, without the header."""
    return "".join(f"{ledger_line(line.row())}\n" for line in lines)


def is_moment(text: str) -> bool:
    """Tell whether a text is a time as a ledger has it: ISO 8601 in UTC, of a day that there is."""
    try:
        return bool(_MOMENT.fullmatch(text)) and datetime.fromisoformat(text) is not None
    except ValueError:
        return False


def lines_in(data: bytes) -> Iterator[WrittenLine]:
    """Yield what stands in a ledger's bytes, the header first, each with what is wrong with it.

    The chain is not looked at, only the lines each on its own.
    """
    # Bytes that are no UTF-8 must not hide; each becomes a sign that no line is written with.
    texts = data.decode("utf-8", "surrogateescape").split("\n")
    unended = texts.pop()
    if unended:
        texts.append(unended)
    for number, text in enumerate(texts, 1):
        end = "" if number < len(texts) or not unended else "the line's end is missing"
        if number == 1:
            wrong = end if text == HEADER else "not the header of a ledger"
            yield WrittenLine(number=1, text=text, line=None, wrong=wrong)
            continue
        yield _written(number, text, end)


def _written(number: int, text: str, end: str) -> WrittenLine:
    line, column, wrong = _parsed(text)
    if line is not None and not wrong and ledger_line(line.row()) != text:
        wrong = "written in another way than a ledger is"
    return WrittenLine(number=number, text=text, line=line, wrong=wrong or end, column=column)


def _parsed(text: str) -> tuple[Line | None, str, str]:
    """Return a line, the column that is wrong, and what is wrong with it."""
    try:
        text.encode()
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except UnicodeEncodeError:
        return None, "", "not UTF-8 text"
    except csv.Error as error:
        return None, "", f"cannot be read: {error}"
    cells = rows[0] if len(rows) == 1 else []
    if len(cells) != len(NAMES):
        return None, "", f"{len(cells)} cell{'' if len(cells) == 1 else 's'}, expected {len(NAMES)}"
    line = Line(**dict(zip(NAMES, cells, strict=True)))
    if not is_moment(line.at):
        return line, "at", f"{line.at!r} is no time in UTC"
    if line.action not in ACTIONS:
        return line, "action", f"{line.action!r} is none of {', '.join(ACTIONS)}"
    if not line.file:
        return line, "file", "no file is named"
    for name in ("sha256", "previous_sha256"):
        value = getattr(line, name)
        if value and not _HASH.fullmatch(value):
            return line, name, f"{value!r} is no SHA-256"
    return line, "", ""


def read_ledger(folder: Path) -> tuple[Line, ...]:
    """Return the lines of a folder's ledger, in their order; none without a ledger.

    Raises
    ------
    InputError
        When the file is no ledger, with each line that is none. Whether the chain holds is not looked at, see
        :func:`asbuilt.intake.ledger.verify_folder`.
    """
    try:
        data = (folder / LEDGER).read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError([Problem(file=LEDGER, text=f"cannot be read: {reason}")]) from error
    written = list(lines_in(data))
    problems = [
        Problem(file=LEDGER, line=one.number, column=one.column, text=one.wrong, expected="what `asbuilt` wrote there")
        for one in written
        if one.wrong
    ]
    if not written:
        problems.append(Problem(file=LEDGER, text="empty", expected="the header of a ledger"))
    if problems:
        raise InputError(problems)
    return tuple(one.line for one in written if one.line is not None)


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()
