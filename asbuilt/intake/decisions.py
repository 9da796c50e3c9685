"""``decisions.csv``: lines put at its end, each bound to the one before, and what breaks the chain.

A line's hash is taken over its text as it stands in the file, without the line's end. Lines that were written by hand
name no evidence and no line before them; the line that ``asbuilt decide`` puts behind them covers them too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from asbuilt.columns import TABLES, csv_line, line_sha256
from asbuilt.errors import InputError, Problem
from asbuilt.intake.text import BLANKS, UTF8_MARK, cells_of, is_skipped, open_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["DECISIONS", "appended", "broken_decisions", "carries_on", "lines_kept"]

DECISIONS = TABLES["decisions"].where
_NAMES = tuple(column.name for column in TABLES["decisions"].columns)
_PREVIOUS, _EVIDENCE, _LEVEL = "previous_sha256", "evidence_sha256", "down_to_level"


@dataclass(frozen=True, kw_only=True)
class _Written:
    """What stands in the file: its header and where that is, its separator, and its rows with their lines."""

    first_line: int
    header: tuple[str, ...]
    separator: str
    rows: tuple[tuple[int, str], ...]

    def cell(self, text: str, name: str) -> str:
        """Return one cell of a row, "" where there is none."""
        cells = cells_of(text, self.separator)
        place = self.header.index(name) if name in self.header else -1
        return cells[place].strip(BLANKS) if isinstance(cells, list) and 0 <= place < len(cells) else ""


def appended(data: bytes | None, decisions: Sequence[Mapping[str, str]]) -> bytes:
    """Return the file with decisions at its end, written as the file is: its columns, separator and line ends.

    Parameters
    ----------
    data
        What stands there; None where there is no file. Not a byte of it is changed.
    decisions
        Cells by column; the hash of the line before is put in here.

    Raises
    ------
    InputError
        Where the file has no column for something that must be kept.
    """
    if not (data or b"").removeprefix(UTF8_MARK).strip():
        data = f"{csv_line(_NAMES)}\n".encode()
    assert data is not None  # noqa: S101  # it has a header now
    written = _written(data)
    missing = [name for name in _NAMES if name not in written.header]
    if missing:
        what = f"no column{'' if len(missing) == 1 else 's'} {', '.join(missing)}"
        expected = "all columns of a decision: add these at the end of the header row, and a blank cell for each below"
        raise InputError([Problem(file=DECISIONS, line=written.first_line, text=what, expected=expected)])
    last = written.rows[-1][1] if written.rows else ""
    end = "\r\n" if b"\r\n" in data else "\n" if b"\n" in data or b"\r" not in data else "\r"
    comma = any("," in written.cell(text, _LEVEL) for _, text in written.rows)
    whole = data if data.endswith((b"\n", b"\r")) else data + end.encode()
    for decision in decisions:
        cells = {**decision, _PREVIOUS: line_sha256(last) if last else ""}
        if comma:
            cells[_LEVEL] = cells.get(_LEVEL, "").replace(".", ",")
        row = [cells.get(name, "") for name in written.header]
        last = csv_line(row, separator=written.separator)
        if is_skipped(last):
            last = csv_line(row, separator=written.separator, quoted=True)  # else it would be taken for a comment
        whole += (last + end).encode()
    return whole


def _written(data: bytes) -> _Written:
    """Return what stands in the file; raises InputError where it is no table."""
    text = open_text(DECISIONS, data, known=_NAMES, widths=())
    if isinstance(text, Problem):
        raise InputError([text])
    lines = text.data[text.after_first :].decode().split("\n")
    return _Written(
        first_line=text.first_line,
        header=text.first,
        separator=text.separator,
        rows=tuple((number, line) for number, line in enumerate(lines, text.first_line + 1) if not is_skipped(line)),
    )


def broken_decisions(data: bytes) -> list[str]:
    """Return what is wrong with the chain of ``decisions.csv``, line by line; nothing where it holds.

    A last line that was cut off cannot be told from the file alone: the ledger has the hash of the whole.
    """
    try:
        written = _written(data)
    except InputError as error:
        return [str(problem) for problem in error.problems]
    before, found = "", []
    for number, line in written.rows:
        stated = written.cell(line, _PREVIOUS)
        wrong = ""
        if stated and not before:
            wrong = f"{_PREVIOUS}: it names a line before it, and there is none: that was removed"
        elif stated and stated != line_sha256(before):
            wrong = f"{_PREVIOUS}: not that of the line before: one was changed, removed or put between"
        elif before and not stated and written.cell(line, _EVIDENCE):
            wrong = f"{_PREVIOUS}: blank, though the line names its evidence: it was changed"
        if wrong:
            found.append(f"{DECISIONS}:{number}: {wrong}")
        before = line
    return found


def carries_on(recorded: bytes, data: bytes) -> bool:
    """Tell whether a file holds all rows of a former content, as they were and in their order, others only behind them.

    Columns may have been added that are blank in these rows: ``decide`` asks for that where one is missing.
    """
    behind = data[len(recorded) :][:1]
    if data.startswith(recorded) and (recorded.endswith((b"\n", b"\r")) or behind in (b"", b"\n", b"\r")):
        return True
    try:
        was, now = _written(recorded), _written(data)
    except InputError:
        return False
    names = dict.fromkeys([*was.header, *now.header])
    return len(was.rows) <= len(now.rows) and all(
        was.cell(old, name) == now.cell(new, name)
        for (_, old), (_, new) in zip(was.rows, now.rows, strict=False)
        for name in names
    )


def lines_kept(recorded: bytes, data: bytes) -> set[int]:
    """Return the numbers of the lines of a file that stand in a former content too, wherever there."""
    try:
        was, now = _written(recorded), _written(data)
    except InputError:
        return set()
    if was.header != now.header or was.separator != now.separator:
        return set()
    former = {text for _, text in was.rows}
    return {number for number, text in now.rows if text in former}
