"""Exchange two folders in one step, where system and disk can."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["exchange"]

_AT_FDCWD = -100
#: RENAME_EXCHANGE of Linux's renameat2(2) and RENAME_SWAP of macOS's renamex_np(2) happen to be the same
#: number.
_SWAP = 2
#: The kernel, the C library or the disk (network drives, some user-space ones) does not know the call.
_UNKNOWN = frozenset({errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP})


def exchange(one: Path, other: Path) -> bool:
    """Exchange two folders of one disk, so that at no moment either name is missing.

    Parameters
    ----------
    one, other
        Two existing folders.

    Returns
    -------
    bool
        False when system or disk cannot do it; then nothing has changed.

    Raises
    ------
    OSError
        When they can, but not for these two (no right, a mount point).
    """
    first, second = os.fsencode(one), os.fsencode(other)
    if sys.platform == "linux":
        arguments: tuple[object, ...] = (
            ctypes.c_int(_AT_FDCWD),
            ctypes.c_char_p(first),
            ctypes.c_int(_AT_FDCWD),
            ctypes.c_char_p(second),
            ctypes.c_uint(_SWAP),
        )
        return _call("renameat2", arguments, one, other)
    if sys.platform == "darwin":
        arguments = (ctypes.c_char_p(first), ctypes.c_char_p(second), ctypes.c_uint(_SWAP))
        return _call("renamex_np", arguments, one, other)
    return False


def _call(name: str, arguments: tuple[object, ...], one: Path, other: Path) -> bool:
    function = getattr(ctypes.CDLL(None, use_errno=True), name, None)
    if function is None:
        return False
    function.restype = ctypes.c_int
    ctypes.set_errno(0)
    if function(*arguments) == 0:
        return True
    code = ctypes.get_errno()
    if code in _UNKNOWN:
        return False
    raise OSError(code, os.strerror(code), str(one), None, str(other))
