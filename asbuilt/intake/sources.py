"""The files of a survey folder, each read once, and their hashes."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from asbuilt.errors import Problem

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["LOADS", "Source", "files_of_loads", "read_source"]

LOADS = ("pickups", "tilts", "profiles", "records")
"""Tables that come in loads: each in a folder of its name, one file a load."""
ENDINGS = (".csv", ".txt")
README = "README.md"


@dataclass(frozen=True, kw_only=True)
class Source:
    """A file's bytes as read.

    ``path`` is relative to the survey folder, with ``/``. ``format`` is the named column mapping that the
    file is read with; None: whichever fits. ``fill`` gives texts for columns that the file has not, or cells
    that are blank.
    """

    path: str
    table: str
    data: bytes
    format: str | None = None
    fill: dict[str, str] = field(default_factory=dict)

    @property
    def sha256(self) -> str:
        """Hash of the bytes."""
        return hashlib.sha256(self.data).hexdigest()


def read_source(folder: Path, path: str, table: str, problems: list[Problem]) -> Source | None:
    """Return the file at ``path`` in ``folder``; None, and a problem, where it cannot be read."""
    where = folder / path
    shown = _printable(path)
    try:
        mode = where.stat().st_mode
        if stat.S_ISDIR(mode):
            problems.append(Problem(file=shown, text="a folder", expected="a file"))
            return None
        if not stat.S_ISREG(mode):
            problems.append(Problem(file=shown, text="neither a file nor a folder", expected="a file"))
            return None
        return Source(path=shown, table=table, data=where.read_bytes())
    except FileNotFoundError:
        text = "a link to nothing" if where.is_symlink() else "missing"
        problems.append(Problem(file=shown, text=text, expected="a file"))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problems.append(Problem(file=shown, text=f"cannot be read: {reason}", expected="a file that can be read"))
    return None


def files_of_loads(folder: Path, table: str, problems: list[Problem]) -> tuple[list[str], list[str]]:
    """Return the paths of one table's loads, by name, and of what else lies there and is not read.

    Hidden files and the README.md that explains the folder are in neither.
    """
    try:
        names = sorted(entry.name for entry in (folder / table).iterdir())
    except FileNotFoundError:
        return [], []
    except NotADirectoryError:
        problems.append(Problem(file=table, text="a file", expected="a folder of files"))
        return [], []
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problems.append(Problem(file=table, text=f"cannot be read: {reason}", expected="a folder of files"))
        return [], []
    paths = [f"{table}/{name}" for name in names if not name.startswith(".") and name != README]
    tables = [path for path in paths if path.lower().endswith(ENDINGS)]
    return tables, [_printable(path) for path in paths if not path.lower().endswith(ENDINGS)]


def _printable(path: str) -> str:
    """Return a path whose bytes are no UTF-8, or which holds a line end, as text that can be printed."""
    text = path.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return "".join(letter if letter.isprintable() else "�" for letter in text)
