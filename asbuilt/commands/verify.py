"""``asbuilt verify``: whether a survey folder, or an archive of one, is as its ledger and checksums say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asbuilt.commands._shared import ExitCode, json_option, print_json, print_lines, wrapped
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.intake.ledger import Checked

__all__ = ["command"]


@click.command(
    epilog="""\b
Exit codes: 0 nothing differs from what was taken in, 3 something does
            2 bad usage, or neither a survey folder nor a file

\b
Example:
  asbuilt verify basement_wall
"""
)
@click.argument("path", metavar="DIR|FILE.zip", type=click.Path(path_type=Path))
@click.option(
    "--head",
    metavar="SHA",
    help="A head that the ledger once had, as a sheet or run.json names it, at least 12 letters: for DIR.",
)
@json_option
def command(path: Path, *, head: str | None, as_json: bool) -> int:
    """Find whatever was changed, is missing, or was added since it was taken in.

    In a survey folder DIR every line of the ledger is checked, the files that it names, and their copies in history;
    against the heads in out/run.json and history, and the one given. In an archive FILE.zip every checksum is checked.
    """
    if not path.exists():
        raise UsageError(f"{path}: no such file or folder; give a survey folder or an archive")
    if path.is_file():
        return _archive(path, head=head, as_json=as_json)
    from asbuilt.intake.ledger import check_folder

    found = check_folder(path, head=None if head is None else head.strip().lower().rstrip("…."))
    if as_json:
        print_json(_object(found))
    else:
        print_lines(_lines(found, path))
    return ExitCode.HELD if found.problems else ExitCode.DONE


def _archive(path: Path, *, head: str | None, as_json: bool) -> int:
    from asbuilt.output.bag import verify_bag

    if head is not None:
        raise UsageError("--head is for a survey folder: an archive is checked by its own checksums")
    problems = list(verify_bag(path))
    if as_json:
        print_json({"matches": not problems, "problems": problems, "notes": []})
    else:
        print_lines(_said(problems, f"{path}: every file in it is as it was packed"))
    return ExitCode.HELD if problems else ExitCode.DONE


def _object(found: Checked) -> dict[str, Any]:
    return {
        # Where there is no ledger nothing tells.
        "matches": not found.problems if found.lines or found.problems else None,
        "problems": list(found.problems),
        "notes": list(found.notes),
        "lines": found.lines,
        "files": found.files,
        "head": found.head,
    }


def _lines(found: Checked, folder: Path) -> Iterator[str]:
    lines, files = (f"{count} {what}{'' if count == 1 else 's'}" for count, what in _counts(found))
    if found.lines or found.problems:
        yield from _said(found.problems, f"{folder}: {lines} of the ledger and {files} are as they were taken in")
    for note in found.notes:
        yield from wrapped(note, first="note: ", rest="  ")
    if found.head is not None:
        yield f"Head {found.head}"


def _counts(found: Checked) -> tuple[tuple[int, str], ...]:
    return (found.lines, "line"), (found.files, "file")


def _said(problems: list[str] | tuple[str, ...], fine: str) -> Iterator[str]:
    if not problems:
        yield from wrapped(fine)
        return
    yield f"{len(problems)} mismatch{'' if len(problems) == 1 else 'es'}"
    for problem in problems:
        yield from wrapped(problem, first="  ", rest="    ")
