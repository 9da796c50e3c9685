"""Former contents: settings, design, control, approvals and decisions as they were, from their copies in history/.

Each content that the ledger names of them has a copy, ``history/DATE_HASH8_name``. Nothing there is ever replaced.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.errors import Problem
from asbuilt.intake.sources import LOADS, files_of_loads
from asbuilt.settings import draft_settings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.intake.ledger_lines import Line

__all__ = [
    "HEAD",
    "HISTORY",
    "State",
    "copy_of",
    "free_copy",
    "is_load",
    "kept_lines",
    "moment_of",
    "now",
    "state_at",
    "tracked",
]

HISTORY = "history"
HEAD = f"{HISTORY}/ledger_head"
"""Holds the hash of the ledger's last line, so that one that was cut off at its end is found out."""
SITE = "site.toml"
DESIGN = "design/piles.csv"
OUTLINE = "design/clear_outline.geojson"
SINGLE = {"control": "control/points.csv", "set_out": "set_out/approved.csv", "decisions": "decisions.csv"}
"""Tables of one file each, which may be absent."""
_LETTERS = (8, 16, 64)
"""Of the hash in a copy's name: more where another content has the name."""


def tracked(folder: Path) -> Iterator[str]:
    """Yield the paths whose former contents are kept, as site.toml names them, whether they are there or not."""
    design = None
    # Whoever reads the folder says what is wrong with it.
    with suppress(OSError, UnicodeDecodeError):
        design = draft_settings((folder / SITE).read_bytes().decode("utf-8-sig"), look_up_crs=False).design
    yield SITE
    for key, default in (("piles", DESIGN), ("clear_outline", OUTLINE)):
        path = PurePosixPath(getattr(design, key, None) or default)
        if not path.is_absolute() and ".." not in path.parts and str(path).isprintable():
            yield str(path)
    yield from SINGLE.values()


def is_load(path: str) -> bool:
    """Tell whether a path is that of a load: whatever stands there was measured, and is never changed."""
    return path.partition("/")[0] in LOADS


def kept_lines(lines: Iterable[Line]) -> Iterator[Line]:
    """Yield the lines whose content has a copy in history."""
    for line in lines:
        if line.action in ("design", "change") and line.sha256 and not is_load(line.file):
            yield line


def moment_of(line: Line) -> np.datetime64:
    """Return when a line was written, UTC [ms]."""
    return np.datetime64(line.at.removesuffix("Z"), "ms")


def _names(line: Line) -> Iterator[str]:
    name = PurePosixPath(line.file).name
    yield from (f"{HISTORY}/{line.at[:10]}_{line.sha256[:letters]}_{name}" for letters in _LETTERS)


def copy_of(folder: Path, line: Line) -> tuple[str, bytes | None]:
    """Return where the copy of a line's content lies, and the content; None where it is missing or not that content."""
    paths = list(_names(line))
    for path in paths:
        data = _content(folder / path, line)
        if data is not None:
            return path, data
    return paths[0], None


def free_copy(folder: Path, line: Line) -> str | None:
    """Return where a copy of a line's content goes; None where there is one already."""
    for path in _names(line):
        if _content(folder / path, line) is not None:
            return None
        if not os.path.lexists(folder / path):
            return path
    raise ValueError(f"{line.sha256}: two contents of one hash")


def _content(place: Path, line: Line) -> bytes | None:
    """Return what stands in a place when it is a line's content, else None."""
    try:
        data = place.read_bytes()
    except OSError:
        return None
    return data if hashlib.sha256(data).hexdigest() == line.sha256 else None


@dataclass(frozen=True, kw_only=True)
class State:
    """What was known at a moment.

    ``lines`` of the ledger until then. ``files``: former contents by path, None for a file that was not there; what is
    not in it stands as it is. ``hidden``: loads that came in later.
    """

    lines: tuple[Line, ...]
    files: Mapping[str, bytes | None] = field(default_factory=dict)
    hidden: frozenset[str] = frozenset()
    problems: tuple[Problem, ...] = ()


def state_at(folder: Path, lines: Sequence[Line], moment: np.datetime64) -> State:
    """Return what the ledger knew at a moment; at one to come, all that stands in the folder.

    Parameters
    ----------
    folder
        The survey folder, whose history holds the contents.
    lines
        The whole ledger.
    moment
        UTC.

    Notes
    -----
    The first lines of a ledger record what stood in the folder when it began: before them that is taken to have stood
    there as it was recorded, as nothing older is known. What came to be known later was not there, and what no line
    names yet is not known before now.
    """
    if not lines or moment >= max(now(), moment_of(lines[-1])):
        return State(lines=tuple(lines))
    until = tuple(line for line in lines if moment_of(line) <= moment)
    first: dict[str, Line] = {}
    last: dict[str, Line] = {}
    for line in lines:
        if line.action != "withdraw":
            first.setdefault(line.file, line)
    for line in until:
        if line.action != "withdraw":
            last[line.file] = line
    hidden = {path for path in _loads_in(folder) if path not in first}
    files: dict[str, bytes | None] = {path: None for path in tracked(folder) if path not in first}
    problems: list[Problem] = []
    for path, start in first.items():
        from_the_start = start.at == lines[0].at and start.action == "change"
        known = last.get(path) or (start if from_the_start or path == SITE else None)
        if is_load(path):
            if known is None:
                hidden.add(path)
            continue
        files[path] = None
        if known is not None and known.sha256:
            files[path], problem = _former(folder, known)
            problems.extend(problem)
    return State(lines=until, files=files, hidden=frozenset(hidden), problems=tuple(problems))


def now() -> np.datetime64:
    """Return the time, UTC [ms]."""
    return np.datetime64(datetime.now(UTC).replace(tzinfo=None), "ms")


def _loads_in(folder: Path) -> Iterator[str]:
    """Yield the loads in a folder that a line can name."""
    for table in LOADS:
        for path in files_of_loads(folder, table, [])[0]:
            if path.isprintable() and "\\" not in path:
                yield path


def _former(folder: Path, known: Line) -> tuple[bytes | None, list[Problem]]:
    """Return the content that a line names, from history or, while it still stands there, from its own place."""
    copy, data = copy_of(folder, known)
    if data is None:
        data = _content(folder / known.file, known)
    if data is not None:
        return data, []
    lost = "is changed" if os.path.lexists(folder / copy) else "is missing"
    what = f"the copy of what {known.file} held on {known.at[:10]} {lost}"
    return None, [Problem(file=copy, text=what, expected=f"the content with sha256 {known.sha256}")]
