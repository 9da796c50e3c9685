"""What lies in a folder of outputs and is none of ours: taken along when the folder is exchanged, never lost.

Two steps, one before and one after the exchange. Before it, everything foreign is *linked* into the new
folder: files by a second hard link, folders made anew. The old folder keeps it all as well, so at every
moment the folder under the target's name has all of it, whenever the process dies. Linking may fail (a disk
without hard links, a file of another user); then it is left out, which costs nothing, for after the exchange
whatever the old folder has and the new one has not is *moved* over, name by name. A name is moved by one
rename: it is in the old folder or in the new one, never in neither, and whoever comes next moves the rest.
What could be neither linked nor moved stops everything beforehand.
"""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["free_name", "link_foreign", "link_or_copy", "move_foreign", "remove_tree", "sync_tree"]


def free_name(path: Path) -> Path:
    """Return ``path``, or where it is taken the first of ``path (2)``, ``path (3)`` … that is free."""
    number, free = 1, path
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.name} ({number})")
    return free


def link_foreign(old: Path, new: Path, *, owned: Collection[str]) -> None:
    """Give ``new`` links to all that ``old`` holds beside ``owned``, as far as the disk lets it.

    Raises
    ------
    PermissionError
        When something can neither be linked now nor be moved later.
    """
    for entry in sorted(old.iterdir()):
        if entry.name not in owned:
            _link(entry, new / entry.name)


def move_foreign(old: Path, new: Path, *, owned: Collection[str], folders: Collection[str] = ()) -> None:
    """Move to ``new`` all that ``old`` holds beside ``owned`` and ``new`` does not hold yet.

    A folder under an owned name that is not among ``folders`` was put there by somebody at the last moment; it
    gets a name of its own.

    Raises
    ------
    OSError
        When something cannot be moved; it stays where it is.
    """
    for entry in sorted(old.iterdir()):
        if entry.name not in owned or (_is_folder(entry) and entry.name not in folders):
            _merge(entry, new / entry.name)


def link_or_copy(source: Path, target: Path) -> None:
    """Put a file or folder that the tool owns at ``target`` too: linked if the disk can, else copied."""
    if source.is_dir() and not source.is_symlink():
        target.mkdir()
        for entry in sorted(source.iterdir()):
            link_or_copy(entry, target / entry.name)
        return
    try:
        target.hardlink_to(source)
    except OSError:
        shutil.copy2(source, target, follow_symlinks=False)


def sync_tree(path: Path) -> None:
    """Have the disk write down a file, or a folder and all that is in it.

    Raises
    ------
    OSError
        Among others when the disk turns out to be full only now.
    """
    if path.is_symlink():
        return
    if path.is_dir():
        for entry in path.iterdir():
            sync_tree(entry)
        if os.name != "posix":
            return  # a folder cannot be opened there
    elif not path.is_file():
        return
    # Windows flushes only what is open for writing.
    descriptor = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def remove_tree(path: Path) -> None:
    """Remove a folder with all that is in it, also from folders that are set read-only.

    Raises
    ------
    OSError
        When something cannot be removed.
    """
    if not path.exists():
        return
    with suppress(OSError):
        shutil.rmtree(path)
        return
    for folder, _, _ in os.walk(path):
        with suppress(OSError):
            Path(folder).chmod(0o700)
    shutil.rmtree(path)


def _link(source: Path, target: Path) -> None:
    try:
        if source.is_symlink():
            target.symlink_to(source.readlink())
        elif source.is_dir():
            target.mkdir()
            for entry in sorted(source.iterdir()):
                _link(entry, target / entry.name)
            # Last, for it may take the right to write into it, and sets the folder's time.
            shutil.copystat(source, target)
        else:
            target.hardlink_to(source)
    except OSError:
        # A rename needs the right to write into the folder, and for a folder also into itself.
        if not all(os.access(path, os.W_OK) for path in (source.parent, source) if _is_folder(path)):
            raise


def _merge(source: Path, target: Path) -> None:
    """Bring one name from the old folder into the new one; both may have it."""
    if not os.path.lexists(target):
        source.rename(target)
    elif _is_folder(source) and _is_folder(target):
        for entry in sorted(source.iterdir()):
            _merge(entry, target / entry.name)
    elif not _is_same(source, target):
        # Both were linked to one file, and one of them has been written anew since, by a program that
        # replaces what it saves: the later one is what its user means, the earlier one is what that program
        # threw away.
        if source.is_file() and target.is_file():
            if source.stat().st_mtime_ns > target.stat().st_mtime_ns:
                source.replace(target)
        else:
            source.rename(free_name(target))


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _is_same(one: Path, other: Path) -> bool:
    if one.is_symlink() and other.is_symlink():
        return one.readlink() == other.readlink()
    return os.path.samestat(one.lstat(), other.lstat())
