"""The ledger of a survey folder: one line for each thing taken in, changed or withdrawn, each bound to the one before.

::

    ledger_lines.py   what a line is, and how it is written
    ledger_lock.py    one at a time, also over a network
    ledger_files.py   files and their lines put in place, all or nothing
    ledger_check.py   whether all is as the ledger says
    history.py        former contents, and what was known at a moment
    ledger.py         the door: taking something in
"""

from __future__ import annotations

import hashlib
import json
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from asbuilt.errors import TargetError, UsageError
from asbuilt.intake.decisions import DECISIONS
from asbuilt.intake.decisions_edited import edited_in
from asbuilt.intake.history import free_copy, is_load, kept_lines, tracked
from asbuilt.intake.ledger_check import Checked, check_folder, verify_folder
from asbuilt.intake.ledger_files import put_in_place, recover, settle
from asbuilt.intake.ledger_lines import ACTIONS, HEADER, LEDGER, Line, line_sha256, read_ledger, text_of
from asbuilt.intake.ledger_lock import Patience, locked
from asbuilt.intake.sources import LOADS, files_of_loads

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

__all__ = [
    "ACTIONS",
    "Checked",
    "Entry",
    "Line",
    "check_folder",
    "line_sha256",
    "read_ledger",
    "recover",
    "taking_in",
    "unrecorded",
    "verify_folder",
]

BY_HAND = "put into the folder by hand"


class Entry:
    """What is being taken in; nothing of it is there before the block of :func:`taking_in` ends."""

    def __init__(self, folder: Path, lines: tuple[Line, ...], *, by: str, at: str) -> None:
        self.lines = lines
        """The ledger so far, with the changes that were found when the block began."""
        self._folder = folder
        self._by = by
        self._at = at
        self._files: dict[str, bytes] = {}

    @property
    def files(self) -> Mapping[str, bytes]:
        """What is to be written, by path."""
        return self._files

    def add(
        self, path: str, data: bytes, *, action: str, options: Mapping[str, object] | None = None, note: str = ""
    ) -> None:
        """Take in a new file.

        Parameters
        ----------
        path, data
            Where it goes in the folder, with ``/``, and its bytes.
        action
            One of :data:`ACTIONS`.
        options, note
            What the file does not say itself, and why.

        Raises
        ------
        UsageError
            When something is there already, or was.
        """
        place = self._place(path)
        named = {line.file.casefold() for line in self.lines}
        if place.exists() or place.is_symlink() or path.casefold() in named:
            raise UsageError(f"{path} is there already, or was; nothing that was taken in is replaced")
        self._take(path, data, action=action, options=options, note=note)

    def replace(self, path: str, data: bytes, *, action: str, note: str) -> None:
        """Put a revision in the place of a file whose former content is in history, or that is not there.

        Raises
        ------
        UsageError
            When it is a load: those are withdrawn, never replaced.
        """
        self._place(path)
        if is_load(path):
            raise UsageError(f"{path}: a load is never replaced; withdraw it, and take in the right one")
        self._take(path, data, action=action, options=None, note=note)

    def note(self, path: str, *, action: str, options: Mapping[str, object] | None = None, note: str = "") -> None:
        """Write a line that takes nothing in, such as a withdrawal."""
        sha256 = next((line.sha256 for line in reversed(self.lines) if line.file == path and line.sha256), "")
        self._line(path, sha256, action=action, options=options, note=note)

    def _place(self, path: str) -> Path:
        parts = PurePosixPath(path).parts
        if not parts or path != "/".join(parts) or ".." in parts or parts[0].startswith((".", "/")) or "\\" in path:
            raise ValueError(f"{path!r} is no path in the folder")
        if path in self._files:
            raise ValueError(f"{path!r} is taken in twice")
        return self._folder / path

    def _take(self, path: str, data: bytes, *, action: str, options: Mapping[str, object] | None, note: str) -> None:
        line = self._line(path, hashlib.sha256(data).hexdigest(), action=action, options=options, note=note)
        self._files[path] = data
        self._copy(line, data)

    def _copy(self, line: Line, data: bytes) -> None:
        """Keep a copy of what may be replaced one day."""
        for kept in kept_lines([line]):
            copy = free_copy(self._folder, kept)
            if copy is not None:
                self._files[copy] = data

    def _line(self, path: str, sha256: str, *, action: str, options: Mapping[str, object] | None, note: str) -> Line:
        if action not in ACTIONS:
            raise ValueError(f"{action!r} is none of {', '.join(ACTIONS)}")
        written = "" if not options else json.dumps(options, ensure_ascii=False, sort_keys=True)
        by, note = self._by.strip(), note.strip()
        for text in (path, by, note, written):
            if not text.isprintable():
                raise UsageError(f"{text!r}: a line of the ledger takes text in one line only")
        line = Line(
            at=self._at,
            by=by,
            action=action,
            file=path,
            sha256=sha256,
            options=written,
            note=note,
            previous_sha256=line_sha256(self.lines[-1]) if self.lines else "",
        )
        self.lines = (*self.lines, line)
        return line

    def record(self, changed: Iterable[Line], contents: Mapping[str, bytes]) -> None:
        """Write down what was changed by hand; the files stay as they are, and a copy goes to history."""
        for found in changed:
            line = self._line(found.file, found.sha256, action="change", options=None, note=found.note)
            if line.sha256:
                self._copy(line, contents[line.file])


@contextmanager
def taking_in(
    folder: Path,
    *,
    by: str,
    at: datetime | None = None,
    told: Callable[[str], None],
    patience: Patience | None = None,
) -> Iterator[Entry]:
    """Take something in: all that the block adds, when it ends, or nothing when it raises.

    First, settings, design, control, approvals and decisions that were changed by hand are recorded, each with a copy
    in history, and loads that were put into the folder by hand.

    Parameters
    ----------
    folder
        The survey folder.
    by
        Who takes it in.
    at
        When; default: now. A line is never earlier than the one before it.
    told
        Is told what goes on in passing: that another is waited for, that its lock was broken.
    patience
        How long another is waited for.

    Raises
    ------
    TargetError
        When another holds the folder too long, or it cannot be written; then nothing is changed.
    InputError
        When the ledger there is none.
    """
    with locked(folder, told=told, patience=patience) as held:
        before = read_ledger(folder)
        try:
            settle(folder, before)
            ledger = (folder / LEDGER).read_bytes() if before else f"{HEADER}\n".encode()
            contents: dict[str, bytes] = {}
            changed = unrecorded(folder, before, contents)
        except OSError as error:
            what = f"{error.filename or folder}: {error.strerror or error}"
            raise TargetError(f"{what}; nothing was taken in") from error
        entry = Entry(folder, before, by=by, at=_not_before(at or datetime.now(UTC), before))
        entry.record(changed, contents)
        yield entry
        new = entry.lines[len(before) :]
        if new:
            put_in_place(folder, held, ledger=ledger + text_of(new).encode(), lines=entry.lines, files=entry.files)


def _not_before(at: datetime, lines: tuple[Line, ...]) -> str:
    text = at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return max(text, lines[-1].at) if lines else text


def unrecorded(folder: Path, lines: Sequence[Line], contents: dict[str, bytes] | None = None) -> list[Line]:
    """Return what is not in the ledger as it is: lines as they would be, without their place in the chain.

    Parameters
    ----------
    folder, lines
        The survey folder, and its ledger.
    contents
        Is filled with what was read, by path.

    Notes
    -----
    A load that was changed since it was taken in is not among them: it stays marked as changed. Nor are decisions
    that were edited, rather than added to.
    """
    contents = {} if contents is None else contents
    last: dict[str, str] = {}
    for line in lines:
        if line.action != "withdraw":
            last[line.file] = line.sha256
    kept = [path for path in last if not is_load(path)]
    found: list[Line] = []
    for path in dict.fromkeys([*tracked(folder), *kept]):
        if path == DECISIONS and edited_in(folder, lines) is not None:
            continue
        sha256 = _sha256(folder / path, path, contents)
        if sha256 != last.get(path, ""):
            note = "" if path in last and sha256 else BY_HAND if sha256 else "removed"
            found.append(Line(at="", by="", action="change", file=path, sha256=sha256, note="" if not last else note))
    loads = [path for table in LOADS for path in files_of_loads(folder, table, [])[0]]
    for path in loads:
        if path not in last and path.isprintable() and "\\" not in path:
            sha256 = _sha256(folder / path, path, contents)
            if sha256:
                found.append(Line(at="", by="", action="change", file=path, sha256=sha256, note=BY_HAND))
    return found


def _sha256(place: Path, path: str, contents: dict[str, bytes]) -> str:
    """Return the hash of a file, "" where there is none."""
    if not place.is_file():
        return ""
    contents[path] = place.read_bytes()
    return hashlib.sha256(contents[path]).hexdigest()
