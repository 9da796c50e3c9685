"""Outputs whole or not at all.

A set of outputs is built in a working folder beside its target, brought to disk, and put in place as one::

    .asbuilt-out.lock       who is writing
    .asbuilt-out.work       the set being built; after an exchange, for a moment, the former set
    .asbuilt-out.former     the former set, where it takes two renames instead of an exchange
    .asbuilt-out.between    what somebody put under the target's name while it was missing between the two
    .asbuilt-out.trash      what is being removed
    out/.asbuilt-set.json   names of the set; in a complete new folder until it is put in place and tidied

Nothing but these names tells how far a run came, so whoever comes next, a run or :func:`recover`, can finish
or undo it, in :func:`_settle`. The order of the steps, and what is found when the process dies after each:

1. The set is built in ``work``. *Died: no list in work; the former set stands; work is removed.*
2. What is kept of the former set, and all that is foreign, is linked into ``work``; everything is brought to
   disk. *Died: as in 1; links are removed, the files they lead to stand where they stood.*
3. The list is written into ``work``. *Died: as in 1, for the target has no list.*
4. ``work`` and target are exchanged in one step. *Died: the target is the new set, and all that is foreign is
   in it.* Or, where there is no exchange: target becomes ``former``; ``work`` becomes target. *Died between
   the two: there is no target, but both sets are whole beside it; the second rename is made.*
5. The target has a list: what the old folder has that is foreign and new is moved over (see :mod:`._carry`),
   the old folder becomes ``trash`` in one rename, the list is removed, then the trash. *Died: the same from
   the start; before the rename nothing has been removed, and after it nothing is looked for in the trash.*

One thing is given up: a file deleted by hand from the target in the instant between 2 and 4 is there again.
"""

from __future__ import annotations

import errno
import glob
import json
import os
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from asbuilt.errors import TargetError
from asbuilt.output import _carry, _exchange, _lock

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["output_file", "output_set", "recover"]

LIST = ".asbuilt-set.json"
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})
_IMMOVABLE = frozenset({errno.EXDEV, errno.EBUSY})
#: Failures of the disk itself: they concern the outputs whatever file they name, or none.
_DISK = _FULL | {errno.EIO, errno.EROFS}


@contextmanager
def output_set(
    target: Path,
    *,
    owned: Sequence[str],
    keep: Sequence[str] = (),
    folders: Sequence[str] = (),
    within: Path | None = None,
) -> Iterator[Path]:
    """Build a set of outputs beside ``target`` and put it in place as a whole when the block ends.

    Parameters
    ----------
    target
        Folder of the outputs; made when it is missing. A link to a folder is followed.
    owned
        Names (files or folders, no paths) that make up the set. Those that the block does not build, and that
        are not kept, are gone afterwards. Everything else in ``target`` is foreign and stays.
    keep
        Those of ``owned`` that are taken over from the former set unchanged, where it has them.
    folders
        Those of ``owned`` that are folders. A folder under the name of one of the others is somebody's own.
    within
        A folder above it that another set may be written to; it is locked meanwhile, as for :func:`output_file`.

    Yields
    ------
    Path
        An empty folder on the target's disk, to build the owned names in.

    Raises
    ------
    TargetError
        When the target is a file or cannot be written, when another run is writing it, when the disk fails or
        is full, when a file of the former set is open in another program, or when a folder stands where a file
        of the set should go, or a file where a folder should. Then nothing has changed.
    ValueError
        When a name is a path, when something kept, or a folder, is not owned, when the block builds something else.

    Notes ----- Whatever ends the process, the target is one whole set, the former or the new one, or (where
    the system cannot exchange folders) missing until the next call of :func:`recover` puts it there.
    """
    _check_names(owned, keep, folders)
    target = target.resolve()
    with _guarding(within), _parents_made(target.parent), _lock.locked(target):
        with _told(target):
            _settle(target)
            work = _begin(target, owned=owned, folders=folders)
        try:
            yield from _built(target, work)
            with _told(target):
                _complete(target, work, owned=owned, keep=keep, folders=folders)
                _put_in_place(target, work)
        except BaseException:
            with suppress(OSError):
                _settle(target)
            raise
        with _told(target, placed=True):
            _settle(target)


@contextmanager
def _guarding(within: Path | None) -> Iterator[None]:
    """Hold the lock of the folder above a set, if there is one, and finish what a killed run left beside it."""
    if within is None:
        yield
        return
    guarded = within.resolve()
    with _parents_made(guarded.parent), _lock.locked(guarded):
        with _told(guarded):
            _settle(guarded)
        yield


@contextmanager
def output_file(path: Path, *, within: Path | None = None) -> Iterator[Path]:
    """Build one file beside ``path`` and put it in place when the block ends: whole or not at all.

    Parameters
    ----------
    path
        The file; folders above it are made.
    within
        A folder above it that :func:`output_set` may be writing; it is locked meanwhile, so that it is not
        exchanged under this file. Default: the file's own name is locked.

    Yields
    ------
    Path
        A file name beside ``path``, with the same ending.

    Raises
    ------
    TargetError
        As :func:`output_set`.
    """
    path = path.resolve()
    guarded = path if within is None else within.resolve()
    part = path.with_name(f".asbuilt-part.{path.name}")
    with _parents_made(path.parent), _lock.locked(guarded):
        with _told(path):
            if within is not None:
                _settle(guarded)
                path.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            if path.is_dir():
                raise TargetError(f"{path}: a folder is in the way; move it, or name another file")
        try:
            yield from _built(path, part)
            with _told(path):
                _carry.sync_tree(part)
                part.replace(path)
                _sync_folder(path.parent)
        except BaseException:
            with suppress(OSError):
                part.unlink(missing_ok=True)
            raise


def recover(target: Path) -> bool:
    """Finish, or clear away, what a run that was killed left beside ``target``.

    Nothing is touched while another run is writing; without leftovers nothing is written at all, so that it
    may be called on a read-only folder.

    Returns
    -------
    bool
        Whether something was found and settled.

    Raises
    ------
    TargetError
        When the leftovers cannot be settled.
    """
    target = target.resolve()
    if not any(os.path.lexists(path) for path in (*_beside(target), _lock.lock_path(target), target / LIST)):
        return False
    with _told(target):
        descriptor = _lock.try_lock(target)
        if descriptor is None:
            return False
        try:
            _settle(target)
        finally:
            _lock.unlock(target, descriptor)
    return True


def _beside(target: Path) -> tuple[Path, Path, Path, Path]:
    """Return the names work, former, between and trash beside ``target``."""
    work, former, between, trash = (
        target.parent / f".asbuilt-{target.name}.{what}" for what in ("work", "former", "between", "trash")
    )
    return work, former, between, trash


def _check_names(owned: Sequence[str], keep: Sequence[str], folders: Sequence[str]) -> None:
    for name in owned:
        if name in {"", ".", "..", LIST} or Path(name).name != name:
            raise ValueError(f"{name!r} is not the name of a file or folder of the set")
    if not set(keep) <= set(owned):
        raise ValueError(f"kept but not owned: {sorted(set(keep) - set(owned))}")
    if not set(folders) <= set(owned):
        raise ValueError(f"folders but not owned: {sorted(set(folders) - set(owned))}")


def _refuse_others(target: Path, *, owned: Sequence[str], folders: Sequence[str]) -> None:
    """Refuse a target where something that is not ours, by its kind, has one of our names."""
    for name in owned:
        there = target / name
        if not os.path.lexists(there) or there.is_dir() == (name in folders):
            continue
        what, wanted = ("folder", "file") if there.is_dir() else ("file", "folder")
        raise TargetError(f"{there}: a {what} is in the way of the {wanted} of this name; move it or rename it")


def _begin(target: Path, *, owned: Sequence[str], folders: Sequence[str]) -> Path:
    if target.exists() and not target.is_dir():
        raise TargetError(f"{target}: a file is in the way of the folder; move it, or name another folder")
    if target.exists() and not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(target))
    _refuse_others(target, owned=owned, folders=folders)
    work = _beside(target)[0]
    work.mkdir()
    return work


def _complete(
    target: Path, work: Path, *, owned: Sequence[str], keep: Sequence[str], folders: Sequence[str]
) -> None:
    """Make of what was built a folder that can take the target's place."""
    built = {entry.name for entry in work.iterdir()}
    if not built <= set(owned) - set(keep):
        raise ValueError(f"built but not owned, or kept: {sorted(built - (set(owned) - set(keep)))}")
    if target.exists():
        _refuse_others(target, owned=owned, folders=folders)
        for name in keep:
            if os.path.lexists(target / name):
                _carry.link_or_copy(target / name, work / name)
        if os.name == "posix":
            _carry.link_foreign(target, work, owned=[*owned, LIST])
        shutil.copymode(target, work)
    for name in owned:
        if os.path.lexists(work / name):
            _carry.sync_tree(work / name)
    listed = work / LIST
    listed.write_text(json.dumps({"owned": sorted(owned), "folders": sorted(folders)}), encoding="utf-8")
    _carry.sync_tree(listed)
    _sync_folder(work)


def _put_in_place(target: Path, work: Path) -> None:
    former = _beside(target)[1]
    if not target.exists():
        work.rename(target)
    elif not _exchange.exchange(work, target):
        _move_aside(target, former)
        try:
            work.rename(target)
        except OSError:
            former.rename(target)
            raise
    _sync_folder(target.parent)


def _move_aside(target: Path, former: Path) -> None:
    try:
        target.rename(former)
    except PermissionError as error:
        # Windows lets no folder go while a file in it is open.
        busy = next((path for path in sorted(target.rglob("*")) if path.is_file() and _is_open(path)), None)
        if busy is None:
            raise
        raise TargetError(f"{busy} is open in another program: close it there, and run again") from error


def _is_open(path: Path) -> bool:
    """Tell whether another program keeps a file from being renamed: here to its own name, no change."""
    try:
        path.rename(path)
    except PermissionError:
        return True
    return False


def _settle(target: Path) -> None:
    """Finish what can be finished, undo the rest. The lock is held; may be cut off and called again."""
    work, former, between, trash = _beside(target)
    listed = target / LIST
    if former.exists() and not listed.exists():
        # Between the two renames. Both folders are whole; the new one is taken when it is still there.
        if target.exists():
            target.rename(between)
        (work if (work / LIST).exists() else former).rename(target)
    owned, folders = [LIST], []
    if listed.exists():
        names = json.loads(listed.read_text(encoding="utf-8"))
        owned += names["owned"]
        folders = names["folders"]
    for old in (work, former, between) if listed.exists() else (between, work):
        if old.exists():
            # Without a list, work is a set that was never finished: nothing in it is anybody's.
            if listed.exists() or old == between:
                _carry.move_foreign(old, target, owned=owned, folders=folders)
            old.rename(_carry.free_name(trash))
    if listed.exists():
        _sync_folder(target)
        listed.unlink()
    for leftover in [trash, *target.parent.glob(f"{glob.escape(trash.name)} (*)")]:
        # What cannot be removed now (a folder of another user) is tried again by the next run.
        with suppress(OSError):
            _carry.remove_tree(leftover)


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


@contextmanager
def _parents_made(parent: Path) -> Iterator[None]:
    """Make the folders above a target; when the block fails, those made are removed again."""
    missing = [folder for folder in (parent, *parent.parents) if not folder.exists()]
    with _told(parent):
        parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        for folder in missing:
            with suppress(OSError):
                folder.rmdir()
        raise


def _built(target: Path, work: Path) -> Iterator[Path]:
    """Yield ``work``; failures of the disk in the block are told as such, all others pass as they are."""
    try:
        yield work
    except OSError as error:
        named = Path(os.fsdecode(error.filename)) if isinstance(error.filename, str | bytes) else None
        if error.errno in _DISK or (named is not None and named.is_relative_to(work)):
            _tell(target, error)
        raise


@contextmanager
def _told(target: Path, *, placed: bool = False) -> Iterator[None]:
    """Turn a failure of the disk into what a user can do. ``placed``: the new set is in place already."""
    try:
        yield
    except OSError as error:
        _tell(target, error, placed=placed)


def _tell(target: Path, error: OSError, *, placed: bool = False) -> NoReturn:
    if placed:
        what = (
            f"the new outputs are in place, but not all else in the folder could be carried over: {error}; "
            f"nothing is lost, the rest is in .asbuilt-{target.name}.* beside it, and the next run carries on"
        )
        raise TargetError(f"{target}: {what}") from error
    if error.errno in _FULL:
        what = "the disk is full (or a quota is used up); free space, or name a folder on another disk"
    elif error.errno in _FORBIDDEN:
        named = error.filename or target
        what = f"no right to write ({named}: {error.strerror}); give that right, or name another folder"
    elif error.errno in _IMMOVABLE:
        what = "it cannot be exchanged as a whole (a mount point?); name a folder inside it, or another one"
    else:
        what = f"cannot be written ({error.strerror or error}); name another folder"
    raise TargetError(f"{target}: {what}. The outputs are as they were") from error
