"""Whether ``decisions.csv`` was edited: lines may be put at its end, by hand too, and nothing else may be done to it.

What the ledger last recorded of it is what counts. An edited file is not recorded, so it stays found until the recorded
content is put back.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.errors import Problem
from asbuilt.intake.decisions import DECISIONS, broken_decisions, carries_on, lines_kept
from asbuilt.intake.history import copy_of
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from asbuilt.intake.ledger_lines import Line
    from asbuilt.intake.tables import Part

__all__ = ["Edited", "edited_decisions", "edited_in", "lines_beside"]


@dataclass(frozen=True, kw_only=True)
class Edited:
    """What was done to the file."""

    text: str
    copy: str
    """Path of the copy of what was recorded last; "" where nothing was."""
    recorded: bytes | None
    """That content; None where nothing was recorded, or the copy is lost."""

    @property
    def remedy(self) -> str:
        """What is to be done."""
        if not self.copy:
            return "put back the lines as they were written"
        return f"put back {self.copy}, then add lines at the end only"

    @property
    def finding(self) -> Finding:
        """The finding that marks every output."""
        text = f"{self.text}; no accept in it counts, and every hold does, also those that were removed: {self.remedy}"
        return Finding(severity="query", kind="changed_file", item=DECISIONS, text=text, file=DECISIONS)

    @property
    def problem(self) -> Problem:
        """Why nothing is added to it."""
        return Problem(file=DECISIONS, text=self.text, expected=f"the recorded lines as they were: {self.remedy}")


def edited_decisions(folder: Path, lines: Iterable[Line], data: bytes | None) -> Edited | None:
    """Return what was done to the file beside adding lines; None for nothing.

    Parameters
    ----------
    folder, lines
        The survey folder, whose history has the recorded content, and its ledger.
    data
        What stands in the file; None where there is none.
    """
    named = [line for line in lines if line.file == DECISIONS and line.sha256]
    if not named:
        broken = broken_decisions(data) if data and data.strip() else []
        return Edited(text=f"edited by hand: {_first(broken)}", copy="", recorded=None) if broken else None
    last = named[-1]
    if data is not None and hashlib.sha256(data).hexdigest() == last.sha256:
        copy, recorded = copy_of(folder, last)[0], data
    else:
        copy, kept = copy_of(folder, last)
        since = f"on {last.at[:16].replace('T', ' ')} UTC"
        if data is None:
            return Edited(text=f"removed by hand; it was recorded {since}", copy=copy, recorded=kept)
        if kept is None:
            text = f"not what was recorded {since}, and {copy}, the copy of that, is missing or changed"
            return Edited(text=text, copy=copy, recorded=None)
        if not carries_on(kept, data):
            text = f"edited by hand: a line that was recorded {since} is changed, moved or removed"
            return Edited(text=text, copy=copy, recorded=kept)
        recorded = kept
    broken = broken_decisions(data) if data.strip() else []
    return Edited(text=f"edited by hand: {_first(broken)}", copy=copy, recorded=recorded) if broken else None


def _first(broken: list[str]) -> str:
    return f"line {broken[0].removeprefix(f'{DECISIONS}:')}{f'; and {len(broken) - 1} more' if broken[1:] else ''}"


def edited_in(folder: Path, lines: Iterable[Line]) -> Edited | None:
    """Return what was done to the file that stands in a folder; raises OSError where it cannot be read."""
    place = folder / DECISIONS
    return edited_decisions(folder, lines, place.read_bytes() if place.is_file() else None)


def lines_beside(part: Part, data: bytes, edited: Edited) -> Part:
    """Return the rows of an edited file that do not stand in the recorded content as well."""
    kept = set() if edited.recorded is None else lines_kept(edited.recorded, data)
    rows = np.array([line not in kept for line in part.lines.tolist()], dtype=np.bool_)
    columns = {name: values[rows] for name, values in part.columns.items()}
    return replace(part, columns=columns, lines=part.lines[rows], codes=part.codes[rows])
