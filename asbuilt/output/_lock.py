"""One writer at a time: a lock beside the folder that is written.

The system drops such a lock when its process ends, however it ends, so a dead process's lock needs no
judging. What stands in the file (process, host, since when) is for people only.
"""

from __future__ import annotations

import json
import os
import socket
import sys
import time
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from asbuilt.errors import TargetError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["held_text", "lock_path", "locked", "try_lock", "unlock"]

#: How long a second run waits for the first to write its name into the lock it has just taken [s].
_PATIENCE = 0.2


def lock_path(target: Path) -> Path:
    """Return where the lock of ``target`` lies: beside it, since the folder itself is exchanged."""
    return target.parent / f".asbuilt-{target.name}.lock"


@contextmanager
def locked(target: Path) -> Iterator[None]:
    """Hold the lock of ``target`` while the block runs.

    Raises
    ------
    TargetError
        When another process (or another block of this one) holds it, or when it cannot be written.
    """
    try:
        descriptor = try_lock(target)
    except OSError as error:
        raise TargetError(
            f"{target}: cannot lock it with {lock_path(target).name} beside it ({error.strerror}); "
            f"make {target.parent} writable, or name another folder"
        ) from error
    if descriptor is None:
        raise TargetError(held_text(target))
    try:
        yield
    finally:
        unlock(target, descriptor)


def try_lock(target: Path) -> int | None:
    """Take the lock of ``target`` if it is free.

    Returns
    -------
    int or None
        The descriptor to hand to :func:`unlock`; None while another holds the lock.

    Raises
    ------
    OSError
        When the lock file cannot be made, or the disk knows no locks.
    """
    path = lock_path(target)
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            if not _system_lock(descriptor):
                os.close(descriptor)
                return None
            # Whoever held it may have removed the file between our opening and locking it: then we hold a
            # lock that nobody else can see, and take the one under the name instead.
            if _is_at(descriptor, path):
                _sign(descriptor)
                return descriptor
        except OSError:
            os.close(descriptor)
            raise
        os.close(descriptor)


def unlock(target: Path, descriptor: int) -> None:
    """Give back a lock taken by :func:`try_lock`, and remove its file."""
    path = lock_path(target)
    if sys.platform == "win32":
        # An open file cannot be removed there; when another has opened it meanwhile, it stays for that one.
        os.close(descriptor)
        with suppress(OSError):
            path.unlink()
        return
    # Removed while still held: nobody can take it under this name between the two steps.
    with suppress(OSError):
        path.unlink()
    os.close(descriptor)


def held_text(target: Path) -> str:
    """Say who holds the lock of ``target``, and what to do."""
    who = _signature(lock_path(target))
    return (
        f"another run is writing {target}: process {who.get('pid', 'unknown')} on "
        f"{who.get('host', 'an unknown host')}, started at {who.get('started', 'an unknown time')}; "
        "wait until it has ended, or end it, and run again"
    )


def _system_lock(descriptor: int) -> bool:
    if sys.platform == "win32":
        import msvcrt

        # A byte far behind the end, so that the signature can still be read by others.
        os.lseek(descriptor, 1 << 30, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_at(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


def _sign(descriptor: int) -> None:
    signature = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "started": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
    }
    os.ftruncate(descriptor, 0)
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, json.dumps(signature).encode())


def _signature(path: Path) -> dict[str, object]:
    """Read who signed the lock; the other may be just about to sign."""
    until = time.monotonic() + _PATIENCE
    while True:
        try:
            found = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            found = None
        if isinstance(found, dict):
            return found
        if time.monotonic() > until:
            return {}
        time.sleep(0.01)
