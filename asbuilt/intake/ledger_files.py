"""Putting files in place together with their ledger lines: all of it or nothing, wherever the process dies.

1. Every new file is staged beside its place as ``.asbuilt-new.HEAD.name``, HEAD being the hash that the ledger's last
   line will have; and brought to disk. *Died: that head is in no ledger; the staged files are removed.*
2. The ledger with the new lines, staged in the lock, replaces the old one in one step. *This decides it*, and fails
   where the lock was taken for dead and broken.
3. The staged files take their places. *Died: their head is in the ledger; whoever comes next renames the rest.*
4. The new head is noted in history, see :data:`asbuilt.intake.history.HEAD`.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from asbuilt.errors import InputError, TargetError
from asbuilt.intake.history import HEAD, HISTORY, free_copy, tracked
from asbuilt.intake.ledger_lines import LEDGER, Line, line_sha256, read_ledger
from asbuilt.intake.ledger_lock import Patience, clear_away, locked
from asbuilt.intake.sources import LOADS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.intake.ledger_lock import Held

__all__ = ["put_in_place", "recover", "settle"]

STAGED = ".asbuilt-new."
_LETTERS = 16
"""Of the head in a staged file's name."""


def put_in_place(folder: Path, held: Held, *, ledger: bytes, lines: Iterable[Line], files: Mapping[str, bytes]) -> None:
    """Write files and the ledger that names them.

    Parameters
    ----------
    folder, held
        The survey folder and its lock, held.
    ledger, lines
        The ledger's new bytes, and all its lines.
    files
        Path to content.

    Raises
    ------
    TargetError
        When they cannot be written; then nothing is changed.
    """
    every = list(lines)
    head = line_sha256(every[-1])
    staged: list[Path] = []
    try:
        for path, data in files.items():
            place = folder / path
            place.parent.mkdir(parents=True, exist_ok=True)
            staged.append(_beside(place, head))
            _write(staged[-1], data)
        held.check()
        _write(held.ready, ledger)
        if (folder / LEDGER).exists():
            shutil.copymode(folder / LEDGER, held.ready)
        for parent in {one.parent for one in staged}:
            _sync_folder(parent)
        _decide(held, folder / LEDGER)
    except BaseException as error:
        # An interrupt can come when the step that decides is done: then nothing may be taken back.
        if not _is(folder / LEDGER, ledger):
            for one in staged:
                with suppress(OSError):
                    one.unlink()
            if isinstance(error, OSError):
                what = f"{error.filename or folder}: {error.strerror or error}"
                raise TargetError(f"{what}; nothing was taken in, the folder is as it was") from error
        raise
    _sync_folder(folder)
    try:
        settle(folder, every)
    except OSError as error:
        what = f"{error.filename or folder}: {error.strerror or error}"
        raise TargetError(f"taken in, but not all is in its place yet: {what}; the next command does it") from error


def _decide(held: Held, ledger: Path) -> None:
    """Rename the new ledger into its place; raises TargetError where the lock is lost, and the new ledger with it."""
    held.check()
    try:
        held.ready.replace(ledger)
    except FileNotFoundError:
        held.check()
        raise


def recover(folder: Path, *, patience: Patience | None = None) -> None:
    """Finish, or clear away, what a process that was killed left in a folder; nothing is written where nothing is left.

    Another that is taking something in just now is waited for. Where the folder cannot be written, or its ledger is
    none, all stays as it is.
    """
    if not any(True for _ in _staged(folder, ())):
        with suppress(OSError):
            clear_away(folder)
        return
    patience = patience or Patience(limit=20.0)
    with suppress(TargetError, InputError, OSError), locked(folder, told=lambda _text: None, patience=patience):
        settle(folder, read_ledger(folder))


def settle(folder: Path, lines: Iterable[Line]) -> None:
    """Put staged files of what the ledger names in place, remove the others. The lock is held."""
    every = list(lines)
    hashes = [line_sha256(line) for line in every]
    heads = {one[:_LETTERS] for one in hashes}
    for staged in list(_staged(folder, every)):
        head, _, name = staged.name.removeprefix(STAGED).partition(".")
        place = staged.with_name(name)
        if head in heads and place != folder / HEAD:
            _keep(folder, place, staged)
            staged.replace(place)
            _sync_folder(staged.parent)
        else:
            staged.unlink()
    if every:
        _note_head(folder, hashes)


def _note_head(folder: Path, hashes: Sequence[str]) -> None:
    """Note the ledger's head. One that the ledger does not know stays: it proves that lines were cut off."""
    place, text = folder / HEAD, f"{hashes[-1]}\n"
    if place.exists():
        noted = place.read_bytes().decode("ascii", "replace")
        if noted == text or noted not in {f"{one}\n" for one in hashes}:
            return
    place.parent.mkdir(exist_ok=True)
    beside = _beside(place, hashes[-1])
    _write(beside, text.encode())
    beside.replace(place)
    _sync_folder(place.parent)


def _keep(folder: Path, place: Path, staged: Path) -> None:
    """Keep what somebody put where a staged file goes after it was looked at: a copy goes to history."""
    if not place.is_file():
        return
    data = place.read_bytes()
    sha256 = hashlib.sha256(data).hexdigest()
    copies = (folder / HISTORY).glob(f"*_{sha256[:8]}*")
    if _is(staged, data) or any(_is(copy, data) for copy in copies):
        return
    day = datetime.fromtimestamp(place.stat().st_mtime, UTC).date().isoformat()
    path = free_copy(folder, Line(at=day, by="", action="change", file=place.name, sha256=sha256))
    if path is not None:
        (folder / path).parent.mkdir(exist_ok=True)
        _write(folder / path, data)


def _beside(place: Path, head: str) -> Path:
    return place.with_name(f"{STAGED}{head[:_LETTERS]}.{place.name}")


def _is(path: Path, data: bytes) -> bool:
    try:
        return path.read_bytes() == data
    except FileNotFoundError:
        return False


def _staged(folder: Path, lines: Iterable[Line]) -> Iterator[Path]:
    """Yield staged files, wherever a file of the folder may be put."""
    paths = {LEDGER, f"{HISTORY}/", *(f"{table}/" for table in LOADS), *tracked(folder), *(one.file for one in lines)}
    for parent in sorted({str(PurePosixPath(f"{path}x").parent) for path in paths}):
        with suppress(OSError):
            yield from sorted((folder / parent).glob(f"{STAGED}*"))


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _sync_folder(folder: Path) -> None:
    """Have the disk write down the names in a folder. Some disks refuse; there is no other way to ask."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
