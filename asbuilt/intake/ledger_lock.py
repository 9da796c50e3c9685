"""One at a time: the lock of a survey folder, which two computers may share over a network.

System locks are not to be had on every shared drive, so the lock is made of names alone::

    .asbuilt-ledger.lock/TOKEN          held; the file tells who holds it, and is touched every few seconds
    .asbuilt-ledger.lock                (empty) left by a holder that died while it gave the lock back
    .asbuilt-ledger.take.TOKEN/TOKEN    somebody is trying to take it

* Taken by renaming the third to the first. A folder is never renamed onto one that holds something, so that only one
  can succeed, and the name of the holder is in it from the first moment.
* Given back by removing the file, then the folder.
* Broken in the same way. The name of the file tells *which* lock it is: whoever judged a lock dead and comes too late,
  because another broke it and a third took the lock meanwhile, finds no file of that name and removes nothing.
* What the holder renames into place in the end lies in the lock too, as ``TOKEN.ready``, and a lock that is broken is
  emptied of it first. So a holder that stood still, and goes on when another has its lock, has nothing left to rename.
"""

from __future__ import annotations

import errno
import json
import math
import os
import shutil
import socket
import sys
import threading
import time
import uuid
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asbuilt.errors import TargetError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["LOCK", "Held", "Patience", "clear_away", "is_held", "locked"]

LOCK = ".asbuilt-ledger.lock"
TAKE = ".asbuilt-ledger.take."
READY = ".ready"
_TAKEN = frozenset({errno.ENOTEMPTY, errno.EEXIST, errno.EACCES})
"""What renaming onto a folder that holds something fails with; the last on Windows and on its drives."""


@dataclass(frozen=True, kw_only=True)
class Patience:
    """How long what is waited for [s].

    ``beat``: between two signs of life of a holder. ``dead``: without a sign of life a holder on another computer is
    given up. ``sure``: a lock whose last sign of life is older than that by the drive's clock is watched so long, as
    clocks may differ. ``tell``: waited before it is said. ``limit``: waited before giving up.
    """

    beat: float = 5.0
    dead: float = 60.0
    sure: float = 12.0
    tell: float = 2.0
    limit: float = 180.0


@dataclass
class Held:
    """A lock that is held: ``check`` tells whether it still is."""

    file: Path
    _stop: threading.Event = field(default_factory=threading.Event)

    @property
    def ready(self) -> Path:
        """Where to lay what is to be renamed into place: it is gone when the lock is."""
        return self.file.with_name(f"{self.file.name}{READY}")

    def check(self) -> None:
        """Raise TargetError when another has taken the lock for dead and broken it."""
        if not self.file.exists():
            raise TargetError(
                f"{self.file.parent.parent}: this computer stood still so long that another took its lock for dead; "
                "nothing was taken in, do it again"
            )

    def beat(self, every: float) -> None:
        """Give a sign of life until the lock is given back, or gone."""
        while not self._stop.wait(every):
            try:
                os.utime(self.file)
            except FileNotFoundError:
                return
            except OSError:
                continue

    def give_back(self) -> None:
        """Give the lock back."""
        self._stop.set()
        _remove(self.ready)
        _remove(self.file)
        with suppress(OSError):
            self.file.parent.rmdir()


@contextmanager
def locked(folder: Path, *, told: Callable[[str], None], patience: Patience | None = None) -> Iterator[Held]:
    """Hold the lock of a survey folder while the block runs.

    A lock of a dead process on this computer is broken silently, one on another computer when it gives no sign of life,
    with a message; any other is waited for.

    Parameters
    ----------
    folder
        The survey folder.
    told
        Is told when a lock is broken, or waited for.
    patience
        How long what is waited for.

    Raises
    ------
    TargetError
        When the lock is not to be had, or the folder cannot be written.
    """
    patience = patience or Patience()
    try:
        held = _take(folder, told, patience)
    except OSError as error:
        raise TargetError(
            f"{folder}: cannot be locked ({error.strerror or error}); make the folder writable. Nothing was taken in"
        ) from error
    threading.Thread(target=held.beat, args=(patience.beat,), daemon=True).start()
    try:
        yield held
    finally:
        held.give_back()


def is_held(folder: Path) -> bool:
    """Tell whether somebody who may be alive holds the lock; one of a dead process on this computer does not count."""
    seen = _seen(folder)
    return seen is not None and not seen.is_dead()


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """A lock of another: who holds it, and the time of its last sign of life by the drive's clock."""

    file: Path
    holder: dict[str, Any]
    beat: float

    @property
    def ready(self) -> Path:
        """What the holder was about to rename into place."""
        return self.file.with_name(f"{self.file.name.removesuffix(READY)}{READY}")

    @property
    def who(self) -> str:
        pid, host = self.holder.get("pid", "unknown"), self.holder.get("host", "an unknown computer")
        return f"process {pid} on {host}, since {self.holder.get('since', 'an unknown time')}"

    def is_dead(self) -> bool:
        """Tell whether the holder was on this computer and is no more."""
        here = _here()
        if self.holder.get("host") != here["host"]:
            return False
        if self.holder.get("boot") != here["boot"]:
            # The same computer, started again; two with one name differ in the second.
            return bool(here["machine"]) and self.holder.get("machine") == here["machine"]
        pid = self.holder.get("pid")
        if not isinstance(pid, int) or self.holder.get("space") != here["space"]:
            return False
        return not _runs(pid) or self.holder.get("started") != _started(pid)


def _take(folder: Path, told: Callable[[str], None], patience: Patience) -> Held:
    token = uuid.uuid4().hex
    prepared, lock = folder / f"{TAKE}{token}", folder / LOCK
    watch = _Watch(folder, told, patience)
    try:
        while True:
            _prepare(prepared, token)
            try:
                os.rename(prepared, lock)  # noqa: PTH104 - never onto a folder that holds something
            except FileNotFoundError:
                continue
            except OSError as error:
                # A lock that is gone meanwhile was given back: only what is no lock at all stands in the way.
                if error.errno not in _TAKEN or lock.is_file():
                    raise
                # Some drives do not rename onto an empty folder either.
                with suppress(OSError):
                    lock.rmdir()
                    continue
            else:
                if not (lock / token).exists():
                    continue  # swept away as it was being prepared, and taken empty
                _sweep(folder)
                return Held(lock / token)
            watch.look()
    finally:
        shutil.rmtree(prepared, ignore_errors=True)


def _prepare(prepared: Path, token: str) -> None:
    file = prepared / token
    while not file.exists():
        prepared.mkdir(exist_ok=True)
        # Another may sweep it away, as nothing tells yet whose it is.
        with suppress(FileNotFoundError):
            file.write_text(json.dumps(_here()), encoding="utf-8")


class _Watch:
    """Looks at a lock that another holds, until it is given back, broken, or waited for too long."""

    def __init__(self, folder: Path, told: Callable[[str], None], patience: Patience) -> None:
        self.folder, self.told, self.patience = folder, told, patience
        self.began = time.monotonic()
        self.last: tuple[str, float] | None = None
        self.unmoved_since = self.began
        self.said = False

    def look(self) -> None:
        """Break the lock where its holder is dead; else wait a moment."""
        seen, now = _seen(self.folder), time.monotonic()
        if seen is None:  # given back a moment ago, or a folder that cannot be removed
            if now - self.began > self.patience.limit:
                raise TargetError(f"{self.folder / LOCK}: empty, and cannot be removed; remove it, and do it again")
            time.sleep(0.001)
            return
        if seen.is_dead():
            _break(seen)
            return
        if (seen.file.name, seen.beat) != self.last:
            self.last, self.unmoved_since = (seen.file.name, seen.beat), now
        still = now - self.unmoved_since
        if still > self.patience.dead or (
            still > self.patience.sure and self._clock() - seen.beat > self.patience.dead
        ):
            if _break(seen):
                self.told(f"{seen.who} held the ledger and gave no sign of life: its lock was broken")
            return
        if now - self.began > self.patience.limit:
            raise TargetError(
                f"{self.folder}: another is taking something in: {seen.who}; wait until it has ended, or end it, and "
                "do it again. Nothing was taken in"
            )
        if not self.said and now - self.began > self.patience.tell:
            self.said = True
            self.told(f"waiting: another is taking something in ({seen.who})")
        time.sleep(0.02 + 0.03 * (os.getpid() % 7) / 7)

    def _clock(self) -> float:
        """Return the time by the drive's clock, as far as it has one of its own [s]."""
        probe = self.folder / f"{TAKE}{uuid.uuid4().hex}"
        try:
            probe.touch()
            return probe.stat().st_mtime
        except FileNotFoundError:
            return -math.inf  # swept away by another: asked again the next time
        finally:
            _remove(probe)


def _seen(folder: Path) -> _Seen | None:
    """Return the lock as it is; None where nobody holds it."""
    try:
        # The file that tells who holds it comes first: it is the shorter name.
        for file in sorted((folder / LOCK).iterdir()):
            return _Seen(file=file, holder=_holder(file), beat=file.stat().st_mtime)
    except (FileNotFoundError, NotADirectoryError):
        pass
    return None


def _holder(file: Path) -> dict[str, Any]:
    """Return what a file tells of its holder; nothing where it is not written yet, or was never."""
    try:
        holder = json.loads(file.read_text(encoding="utf-8"))
    except ValueError:
        return {}
    return holder if isinstance(holder, dict) else {}


def _break(seen: _Seen) -> bool:
    """Remove the very lock that was judged; False where it was gone already."""
    # Before the file that tells of it: what is laid there only afterwards is found as a lock of its own.
    _remove(seen.ready)
    if seen.file != seen.ready and not _remove(seen.file):
        return False
    with suppress(OSError):
        seen.file.parent.rmdir()
    return True


def _remove(file: Path) -> bool:
    """Remove a file; False where it is not there. Where another is reading it, some systems need a moment."""
    for _ in range(50):
        try:
            file.unlink()
        except (FileNotFoundError, NotADirectoryError):
            return False
        except PermissionError:
            if sys.platform != "win32":
                raise
            time.sleep(0.02)
        else:
            return True
    return False


def clear_away(folder: Path) -> None:
    """Take away what dead processes left of locks; where somebody else holds the lock it is left to the next."""
    lock = folder / LOCK
    if _left(folder) or (lock.is_dir() and not is_held(folder)):
        with suppress(TargetError), locked(folder, told=lambda _text: None, patience=Patience(limit=0.0)):
            pass


def _left(folder: Path) -> list[Path]:
    """Return what was left by those who died while they tried to take the lock, and what may be so."""
    return [path for path in folder.glob(f"{TAKE}*") if _is_left(path)]


def _is_left(path: Path) -> bool:
    """Tell whether nobody is known to need it: of whom nothing is known makes it anew."""
    file = path / path.name.removeprefix(TAKE)
    try:
        holder = _holder(file)
    except OSError:
        return True
    return not holder or _Seen(file=file, holder=holder, beat=0.0).is_dead() or _is_old(path)


def _sweep(folder: Path) -> None:
    """Remove what was left. The lock is held: an emptied folder cannot be renamed onto it by somebody who lives."""
    for left in _left(folder):
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            with suppress(OSError):
                left.unlink()


def _is_old(path: Path) -> bool:
    try:
        return time.time() - path.stat().st_mtime > 86400.0
    except OSError:
        return True


def _here() -> dict[str, Any]:
    """Return what tells this process from all others, on this computer and elsewhere."""
    since = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    pid = os.getpid()
    return {"pid": pid, "started": _started(pid), "since": since, **_computer()}


@cache
def _computer() -> dict[str, str]:
    try:
        space = os.readlink("/proc/self/ns/pid")  # noqa: PTH115 - no path, a name of its own kind
    except OSError:
        space = ""
    return {
        "host": socket.gethostname(),
        "boot": _line_of("/proc/sys/kernel/random/boot_id"),
        "machine": _line_of("/etc/machine-id"),
        "space": space,
    }


def _line_of(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        return ""


def _started(pid: int) -> str:
    """Return when a process began, in whatever way the system counts; "" where it does not tell."""
    # The name, in brackets, may hold blanks and brackets itself.
    fields = _line_of(f"/proc/{pid}/stat").rpartition(")")[2].split()
    return fields[19] if len(fields) > 19 else ""  # the 22nd field


def _runs(pid: int) -> bool:
    if sys.platform == "win32":
        import ctypes

        synchronize, running = 0x0010_0000, 0x102
        handle = ctypes.windll.kernel32.OpenProcess(synchronize, False, pid)
        if not handle:
            return bool(ctypes.windll.kernel32.GetLastError() == 5)  # another user's
        try:
            return bool(ctypes.windll.kernel32.WaitForSingleObject(handle, 0) == running)
        finally:
            ctypes.windll.kernel32.CloseHandle(handle)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    # A dead process that its parent has not looked after is still listed.
    return _line_of(f"/proc/{pid}/stat").rpartition(")")[2].split()[:1] != ["Z"]
