"""Whether all is as the ledger says: every line and every file that it covers."""

from __future__ import annotations

import hashlib
import json
import re
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from asbuilt.errors import Problem, UsageError
from asbuilt.intake.decisions import DECISIONS, broken_decisions
from asbuilt.intake.decisions_edited import Edited, edited_in
from asbuilt.intake.history import HEAD, HISTORY, SINGLE, SITE, copy_of, is_load, kept_lines, tracked
from asbuilt.intake.ledger_files import recover
from asbuilt.intake.ledger_lines import LEDGER, Line, WrittenLine, lines_in
from asbuilt.intake.sources import LOADS, files_of_loads
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.model import InputFile

__all__ = ["Checked", "changed_findings", "changed_problems", "check_folder", "not_in_ledger", "verify_folder"]

RECORD = "out/run.json"
GIVEN = "--head"
_TRIES = 4
_HEAD = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, kw_only=True)
class Checked:
    """What was looked at, and what is wrong with it, a sentence each; ``notes`` tell what is odd and no mismatch."""

    lines: int
    files: int
    head: str | None
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def verify_folder(folder: Path, *, head: str | None = None) -> list[str]:
    """Return what is wrong in a folder, a sentence each: see :func:`check_folder`."""
    return list(check_folder(folder, head=head).problems)


def check_folder(folder: Path, *, head: str | None = None) -> Checked:
    """Compare a survey folder with its ledger, and the ledger with itself and with the heads that are known of it.

    Parameters
    ----------
    folder
        The survey folder.
    head
        SHA-256 of a line that the ledger once ended with, as sheets and ``run.json`` print it; its first letters are
        enough.

    Returns
    -------
    Checked
        Wrong is: a line that is changed, missing, added or moved; a file that is changed, missing or added, also in
        history; a ledger that does not hold a line that it once ended with.

    Raises
    ------
    UsageError
        When there is no such folder, it is no survey folder, or ``head`` is no hash.

    Notes
    -----
    Whoever changes a file on purpose can make a new chain that holds in itself, unless a head is known that was kept
    elsewhere: on paper, in an archive.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: {'not a folder' if folder.exists() else 'no such folder'}; give a survey folder")
    if head is not None and not re.fullmatch(r"[0-9a-f]{12,64}", head):
        raise UsageError(f"--head {head!r}: expected the 64 letters and digits of a SHA-256, or at least the first 12")
    for _ in range(_TRIES):
        notes: list[str] = []
        known = dict(_heads(folder, head, notes))
        try:
            data = _ledger_bytes(folder)
            # After the ledger was read: what it names is in its place then.
            recover(folder)
            found = _without(folder, known, notes) if data is None else _compared(folder, data, known, notes)
            # Another may have taken something in meanwhile: then files and ledger are of two states.
            if not found.problems or data == _ledger_bytes(folder):
                break
        except OSError as error:
            problem = f"{LEDGER}: cannot be read: {(error.strerror or str(error)).lower()}"
            return Checked(lines=0, files=0, head=None, problems=(problem,), notes=tuple(notes))
    return found


def _ledger_bytes(folder: Path) -> bytes | None:
    try:
        return (folder / LEDGER).read_bytes()
    except FileNotFoundError:
        return None


def _compared(folder: Path, data: bytes, known: Mapping[str, str], notes: Iterable[str]) -> Checked:
    """Return what is wrong in a folder with the ledger ``data``."""
    written = list(lines_in(data))
    lines = [one.line for one in written if one.line is not None]
    latest, edited = _latest(lines), None
    with suppress(OSError):
        edited = edited_in(folder, lines)
    problems = [
        *_of_lines(written),
        *_of_heads(written, known),
        *_differing(folder, latest, edited),
        *_of_copies(folder, lines),
        *_added(folder, latest, edited),
        *_of_decisions(folder),
    ]
    unnoted = [] if HEAD in known.values() or len(written) < 2 else [f"{HEAD}: missing; the next load notes it anew"]
    return Checked(
        lines=max(len(written) - 1, 0),
        files=len(latest),
        head=written[-1].sha256 if len(written) > 1 else None,
        problems=tuple(problems),
        notes=(*notes, *unnoted, *_stray(folder, lines)),
    )


def _without(folder: Path, known: Mapping[str, str], notes: Iterable[str]) -> Checked:
    """Return what can be said of a folder without a ledger."""
    # An empty folder, and hidden files, are what a first load leaves that was killed.
    if known or any(path.is_file() and not path.name.startswith(".") for path in (folder / HISTORY).rglob("*")):
        where = ", ".join(known.values()) or f"{HISTORY}/"
        problem = f"{LEDGER}: missing, and there was one: see {where}"
        return Checked(lines=0, files=0, head=None, problems=(problem,), notes=tuple(notes))
    if not (folder / SITE).exists():
        raise UsageError(f"{folder}: no survey folder, it has neither {SITE} nor {LEDGER}; give one, or an archive")
    note = f"there is no {LEDGER}: the files were put into the folder by hand, and nothing covers them"
    return Checked(lines=0, files=0, head=None, problems=tuple(_of_decisions(folder)), notes=(*notes, note))


def _heads(folder: Path, head: str | None, notes: list[str]) -> Iterator[tuple[str, str]]:
    """Yield the heads that are known, each with where from."""
    if head is not None:
        yield head, GIVEN
    try:
        record = json.loads((folder / RECORD).read_bytes())
        found = record["ledger_head"]
        if found is not None:
            yield str(found), RECORD
    except FileNotFoundError:
        pass
    except (OSError, ValueError, KeyError, TypeError):
        notes.append(f"{RECORD}: cannot be read, so the head that it carries was not compared")
    with suppress(OSError):
        # With its line's end: every byte of it counts.
        yield (folder / HEAD).read_bytes().decode("utf-8", "backslashreplace"), HEAD


def _of_lines(written: Sequence[WrittenLine]) -> Iterator[str]:
    """Yield the lines that are none, or do not follow the one before."""
    if not written:
        yield f"{LEDGER}: empty"
    before: dict[str, int] = {}
    every = {one.sha256: one.number for one in written[1:]}
    last = ""
    for one in written:
        if one.wrong:
            column = f" {one.column}:" if one.column else ""
            yield f"{LEDGER}:{one.number}:{column} {one.wrong}: changed, or added by hand"
        if one.number == 1:
            continue
        if one.sha256 in before:
            yield f"{LEDGER}:{one.number}: the same as line {before[one.sha256]}: added"
        elif one.line is not None and one.line.previous_sha256 != last:
            yield f"{LEDGER}:{one.number}: {_broken(one.line, one.number, every)}"
        before.setdefault(one.sha256, one.number)
        last = one.sha256


def _broken(line: Line, number: int, every: Mapping[str, int]) -> str:
    """Say how the chain is broken at a line."""
    if not line.previous_sha256:
        return "says that it is the first line: lines were moved, or added before it"
    follows = every.get(line.previous_sha256)
    if follows is not None:
        return f"follows line {follows}, not line {number - 1}: lines were moved, or added between"
    if number == 2:  # the first below the header
        return "follows a line that is not there: lines before it are missing"
    return f"does not follow line {number - 1}: that one or this one was changed, or one between is missing"


def _of_heads(written: Sequence[WrittenLine], known: Mapping[str, str]) -> Iterator[str]:
    """Yield the heads that no line has."""
    hashes = [one.sha256 for one in written[1:]]
    for text, where in known.items():
        head = text.removesuffix("\n") if where == HEAD else text
        if where == HEAD and (head == text or not _HEAD.fullmatch(head)):
            yield f"{HEAD}: changed: that is no head of a ledger"
        elif not (any(one.startswith(head) for one in hashes) if where == GIVEN else head in hashes):
            what = f"this line was changed, lines after it are missing, or {where} was changed"
            at = f"{LEDGER}:{len(written)}" if len(written) > 1 else LEDGER
            yield f"{at}: the ledger once ended with the line {head[:16]}… ({where}), which is not there: {what}"


def changed_findings(
    folder: Path, lines: Sequence[Line], *, written: bytes | None, read: Mapping[str, str], leave: Collection[str]
) -> Iterator[Finding]:
    """Yield what is not as the ledger says, of a survey that was read.

    Parameters
    ----------
    folder, lines
        The survey folder, and the ledger as it counts.
    written
        The bytes of the whole ledger; None for none.
    read
        Hash of each file that was read.
    leave
        Paths that are not looked at: they were not read from the folder.
    """
    wrong = () if written is None else tuple(_of_ledger(folder, written))
    if wrong:
        more = f"; and {len(wrong) - 1} more: `asbuilt verify` lists them" if len(wrong) > 1 else ""
        yield _finding(LEDGER, f"{wrong[0].removeprefix(f'{LEDGER}:').strip()}{more}")
    for path, line in _latest(lines).items():
        if path in leave or (path not in read and not (is_load(path) or path in SINGLE.values())):
            continue
        found = read.get(path, "")
        if found != line.sha256:
            counts = "what stands there counts" if found else "nothing of it counts"
            yield _finding(path, f"{_difference(line, found)}; {counts}")


def changed_problems(lines: Iterable[Line], *, read: Mapping[str, str], wrong: Collection[str]) -> Iterator[Problem]:
    """Yield the loads among those that cannot be read as they stand, and are not as they were taken in.

    Parameters
    ----------
    lines
        The ledger as it counts.
    read
        Hash of each file whose bytes were read.
    wrong
        Files in which something is wrong.
    """
    for path, line in _latest(lines).items():
        if path in wrong and is_load(path) and read.get(path, line.sha256) != line.sha256:
            yield Problem(file=path, text=_difference(line, read[path]), expected="the content that was taken in")


def _finding(path: str, text: str) -> Finding:
    return Finding(severity="query", kind="changed_file", item=path, text=text, file=path)


def _of_ledger(folder: Path, data: bytes) -> Iterator[str]:
    """Yield what is wrong with the ledger itself."""
    written = list(lines_in(data))
    yield from _of_lines(written)
    yield from _of_heads(written, dict(_heads(folder, None, [])))


def _latest(lines: Iterable[Line]) -> dict[str, Line]:
    """Return the newest line of each path that says what it holds."""
    return {line.file: line for line in lines if line.action != "withdraw"}


def _differing(folder: Path, latest: Mapping[str, Line], edited: Edited | None) -> Iterator[str]:
    """Yield the files that are not as their line says."""
    if edited is not None:
        yield f"{DECISIONS}: {edited.text}; {edited.remedy}"
    for path, line in latest.items():
        try:
            found = hashlib.sha256((folder / path).read_bytes()).hexdigest()
        except (FileNotFoundError, NotADirectoryError):
            found = ""
        except OSError as error:
            yield f"{path}: cannot be read ({(error.strerror or str(error)).lower()}), so it cannot be compared"
            continue
        if found != line.sha256 and not (path == DECISIONS and edited is not None):
            recorded = "" if is_load(path) else "; what was changed on purpose is recorded by the next load or run"
            yield f"{path}: {_difference(line, found)}{recorded}"


def _difference(line: Line, found: str) -> str:
    """Say how a file, whose hash is ``found`` ("" for none), differs from what its line says."""
    done = {"load": "taken in", "design": "taken in"}.get(line.action, "recorded")
    since = f"since it was {done} on {line.at[:16].replace('T', ' ')} UTC by {line.by}"
    if not found:
        return f"missing {since}"
    if not line.sha256:
        return f"there again {since} as removed"
    return f"changed {since}: sha256 {found[:12]}… instead of {line.sha256[:12]}…"


def _of_decisions(folder: Path) -> Iterator[str]:
    """Yield where the chain of the decisions is broken."""
    with suppress(OSError):
        data = (folder / DECISIONS).read_bytes()
        yield from broken_decisions(data) if data.strip() else ()


def _of_copies(folder: Path, lines: Iterable[Line]) -> Iterator[str]:
    """Yield the contents that history should hold and does not."""
    told = set()
    for line in kept_lines(lines):
        path, data = copy_of(folder, line)
        if data is None and path not in told:
            told.add(path)
            what = "changed" if (folder / path).exists() else "missing"
            yield f"{path}: {what}, the content that {line.file} had on {line.at}"


def _added(folder: Path, latest: Mapping[str, Line], edited: Edited | None) -> Iterator[str]:
    """Yield files among the inputs that the ledger does not name."""
    loads = [path for table in LOADS for path in files_of_loads(folder, table, [])[0]]
    for path in dict.fromkeys([*tracked(folder), *loads]):
        told = path == DECISIONS and edited is not None
        if path not in latest and (folder / path).is_file() and not told:
            yield f"{path}: added by hand, not in the ledger; the next load or run records it as that"


def _stray(folder: Path, lines: Iterable[Line]) -> Iterator[str]:
    named = {HEAD, *(copy_of(folder, line)[0] for line in kept_lines(lines))}
    for place in sorted((folder / HISTORY).rglob("*")):
        path = place.relative_to(folder).as_posix()
        if place.is_file() and path not in named and not place.name.startswith("."):
            yield f"{path}: no line of the ledger names it"


def not_in_ledger(files: Sequence[InputFile], ledger: Sequence[Mapping[str, str]] | None) -> Iterator[Finding]:
    """Yield a note for each load that was put into the folder by hand."""
    in_loads = [file.path for file in files if file.table in LOADS]
    if ledger is None:
        if in_loads:
            count = "1 file stands" if len(in_loads) == 1 else f"{len(in_loads)} files stand"
            yield _note("not_in_ledger", LEDGER, f"{count} in the folder without a ledger; they count")
        return
    taken = {row["file"] for row in ledger if row["action"] != "change"}
    for path in in_loads:
        if path not in taken:
            text = "put into the folder by hand, not with `asbuilt load`; it counts"
            yield _note("not_in_ledger", path, text)


def _note(kind: str, path: str, text: str) -> Finding:
    return Finding(severity="note", kind=kind, item=path, text=text, file=path)
