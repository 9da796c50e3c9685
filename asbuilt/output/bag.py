"""One file for the archive: a bag of RFC 8493 in a zip, and the check of such a file.

The bag is made by the library that is maintained for the format, in a folder of its own, and packed without
compression: nothing between a reader and the bytes depends on a compressor or its version, and damage to a medium
stays in the file where it happened. The same payload gives the same bytes.

The check reads the zip where it stands and unpacks nothing. It trusts no name, size or count that it finds.
"""

from __future__ import annotations

import logging
import re
import shutil
import stat
import tempfile
import unicodedata
import warnings
import zipfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from asbuilt import __version__
from asbuilt.errors import TargetError
from asbuilt.output._bag_check import check_bag
from asbuilt.output._files import output_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

__all__ = ["portable_name", "portable_paths", "scratch_folder", "scratch_told", "verify_bag", "write_bag"]

#: Two, so that the bag outlives the breaking of one. The library's own choice too.
_ALGORITHMS = ("sha256", "sha512")
#: RFC 8493, section 2.1.1. The library writes an older number; the two differ in nothing that a bag made here holds:
#: see :func:`portable_paths` for the one thing, escapes in names.
_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_FORBIDDEN = frozenset('%\\:*?"<>|/')
#: Unicode's categories of signs that cannot be seen: controls, formats, halves of pairs, ends of lines.
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_ENDS = re.compile(r"\A\s+|[\s.]+\Z")
_DEVICES = re.compile(r"(?i:con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?")
_LONGEST_NAME = 200
_FILE_MODE = stat.S_IFREG | 0o644
_UNIX = 3


def write_bag(
    path: Path,
    payload: Mapping[str, bytes],
    *,
    name: str,
    info: Mapping[str, str],
    as_of: np.datetime64,
) -> int:
    """Write a bag as one zip file, whole or not at all.

    Parameters
    ----------
    path
        The zip; folders above it are made. It must not exist.
    payload
        Bytes of each file by its path below ``data/``, with ``/``, as :func:`portable_paths` gives it.
    name
        The one folder at the top of the zip, as :func:`portable_name` gives it.
    info
        Elements of ``bag-info.txt``; its date, payload count and software are added.
    as_of
        UTC; the only time that the zip carries.

    Returns
    -------
    int
        Number of payload files.

    Raises
    ------
    TargetError
        When there is such a file already, or it cannot be written.
    ValueError
        When a path or the name is not portable.

    Notes
    -----
    While the checksums are worked out the process's working folder is another one, so no other thread may rely on it.

    References
    ----------
    RFC 8493, *The BagIt File Packaging Format (V1.0)*.
    """
    if portable_name(name) != name or any(new != old for old, new in portable_paths(payload).items()):
        raise ValueError("a name in the bag is not portable")
    _refuse_existing(path)
    day = str(np.datetime_as_string(as_of, unit="D"))
    tags = {**info, "Bagging-Date": day, "Bag-Software-Agent": f"asbuilt {__version__}"}
    with output_file(path) as working, scratch_folder() as scratch:
        folder = scratch / name
        with scratch_told(sum(map(len, payload.values()))):
            _lay_out(folder, payload)
            _make_bag(folder, {key: " ".join(value.split()) for key, value in tags.items()})
        _pack(folder, working, as_of=as_of)
        _refuse_existing(path)
    return len(payload)


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Make a folder for temporary files, and remove it when the block ends.

    Raises
    ------
    TargetError
        When it cannot be made. What fails in the block is told by :func:`scratch_told`.
    """
    with scratch_told():
        folder = tempfile.TemporaryDirectory(prefix="asbuilt-archive-", ignore_cleanup_errors=True)
    with folder as place:
        yield Path(place)


@contextmanager
def scratch_told(needed: int = 0) -> Iterator[None]:
    """Tell a failure of the disk in a block that writes temporary files only; ``needed``: their size [bytes]."""
    try:
        yield
    except OSError as error:
        size = f" (it takes {needed / 1e6:.1f} MB)" if needed else ""
        raise TargetError(
            f"the archive is put together among the temporary files, and that cannot be written{size}: "
            f"{(error.strerror or str(error)).lower()}; free space there, or let TMPDIR name a folder on another disk. "
            "Nothing was written"
        ) from error


def _refuse_existing(path: Path) -> None:
    if path.exists() or path.is_symlink():
        raise TargetError(f"{path} is there already; an archive is never replaced: give another name, or move it")


def _lay_out(folder: Path, payload: Mapping[str, bytes]) -> None:
    folder.mkdir()
    for path, data in payload.items():
        place = folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)


@contextmanager
def _library_quiet() -> Iterator[None]:
    """Keep the library's log, and its use of what later Pythons call old, from the user's terminal."""
    logger, silence = logging.getLogger("bagit"), logging.NullHandler()
    former = logger.propagate
    logger.addHandler(silence)
    logger.propagate = False
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", category=DeprecationWarning, module="bagit")
            yield
    finally:
        logger.propagate = former
        logger.removeHandler(silence)


def _make_bag(folder: Path, tags: dict[str, str]) -> None:
    """Make a bag of what lies in ``folder``, and check it by the library."""
    import bagit

    with _library_quiet():
        bag = bagit.make_bag(str(folder), tags, checksums=list(_ALGORITHMS))
        (folder / "bagit.txt").write_text(_DECLARATION, encoding="utf-8", newline="\n")
        bag.save()
        for algorithm in _ALGORITHMS:
            _in_order(folder / f"tagmanifest-{algorithm}.txt")
        bagit.Bag(str(folder)).validate()


def _in_order(manifest: Path) -> None:
    """Sort a tag manifest, which the library writes in the order of the disk, and space it as checksum tools do."""
    entries = sorted(line.split(maxsplit=1)[::-1] for line in manifest.read_text(encoding="utf-8").splitlines())
    text = "".join(f"{digest}  {path}\n" for path, digest in entries)
    manifest.write_text(text, encoding="utf-8", newline="\n")


def _pack(folder: Path, target: Path, *, as_of: np.datetime64) -> None:
    """Pack a folder: tag files first, then the payload, each by name; one time, one mode, no compression."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    named = sorted((path.parent != folder, path.relative_to(folder.parent).as_posix(), path) for path in files)
    moment = as_of.astype("datetime64[s]").item()
    # A zip knows the years 1980 to 2107, and every other second.
    stamp = (min(max(moment.year, 1980), 2107), *moment.timetuple()[1:5], moment.second // 2 * 2)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as packed:
        for _, member, path in named:
            entry = zipfile.ZipInfo(member, stamp)
            entry.create_system, entry.external_attr = _UNIX, _FILE_MODE << 16
            entry.file_size = path.stat().st_size
            with path.open("rb") as source, packed.open(entry, "w") as place:
                shutil.copyfileobj(source, place, 1 << 20)


def portable_name(name: str) -> str:
    """Return a name that every system can have as that of a file or folder, and every bag can list.

    Notes
    -----
    Replaced by ``_``: what some systems refuse in a name, ends of lines and other signs that cannot be seen, the
    percent sign (RFC 8493 escapes it, and tools differ in reading that), blanks and dots at the ends. A name that a
    system keeps for a device gets a ``_``. What is longer than 200 bytes is cut, its ending kept.

    Examples
    --------
    >>> portable_name("100%: left/right.csv")
    '100__ left_right.csv'
    """
    shown = "".join("_" if sign in _FORBIDDEN or unicodedata.category(sign) in _UNSEEN else sign for sign in name)
    shown = _ENDS.sub(lambda found: "_" * len(found[0]), shown)
    if _DEVICES.fullmatch(shown):
        shown = f"_{shown}"
    if len(shown.encode()) > _LONGEST_NAME:
        stem, dot, ending = shown.rpartition(".")
        tail = f"{dot}{ending}" if stem and len(ending) <= 10 else ""
        head = shown.encode()[: _LONGEST_NAME - len(tail.encode())].decode(errors="ignore")
        shown = portable_name(head.rstrip(". ") + tail)
    return shown or "_"


def portable_paths(paths: Iterable[str]) -> dict[str, str]:
    """Return for each path the one it has in a bag: each part portable, no two alike but for case or accents' form.

    Of several that would be alike, those that are portable as they stand keep their names, the others get a number.
    """
    wanted = {path: "/".join(portable_name(part) for part in path.split("/")) for path in paths}
    found: dict[str, str] = {}
    taken: set[str] = set()
    for path in sorted(wanted, key=lambda path: (wanted[path] != path, path)):
        stem, dot, ending = wanted[path].rpartition(".")
        if not dot or "/" in ending:
            stem, dot, ending = wanted[path], "", ""
        new, number = wanted[path], 1
        while _alike(new) in taken:
            number += 1
            new = f"{stem} ({number}){dot}{ending}"
        taken.add(_alike(new))
        found[path] = new
    return found


def _alike(path: str) -> str:
    return unicodedata.normalize("NFC", path).casefold()


def verify_bag(path: Path) -> list[str]:
    """Return what is wrong with a zipped bag, a line each; an empty list when every byte is as it was packed.

    Parameters
    ----------
    path
        The zip. Nothing is unpacked, nothing is written.

    Returns
    -------
    list of str
        Among them: no zip, or one that cannot be read; a member whose name leaves its folder, a link, two members of
        one name; bytes that belong to no member; a missing or unknown declaration; a file that is in no manifest, or
        not in all; a file in a manifest that is not there; a checksum, size or count that differs.

    Raises
    ------
    OSError
        When the file cannot be opened.

    Notes
    -----
    Manifests cover the payload, tag manifests cover manifests and tag files; the zip's own check values cover the tag
    manifests. Checksums tell what happened by accident; who changes a file on purpose can change them too, unless the
    zip's own hash is kept elsewhere.

    References
    ----------
    RFC 8493, sections 2 and 3 (what makes a bag complete and valid), 5 (paths that must not be trusted).
    """
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        return check_bag(stream, size=size)
