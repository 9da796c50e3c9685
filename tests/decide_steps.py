"""What tests of ``asbuilt decide`` share: its answer, its refusal with nothing written, and the lines in the file."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

from asbuilt.__main__ import main

if TYPE_CHECKING:
    from pathlib import Path

WHO = ("--by", "A. Engineer", "--reason", "grout column behind it")


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def answer(capsys, *arguments: object) -> dict:
    assert main(["decide", *map(str, arguments), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def refusal(capsys, folder: Path, *arguments: object) -> list[str]:
    """Return the problems that are listed; nothing may have been written."""
    before = contents(folder)
    assert main(["decide", str(folder), *map(str, arguments)]) == 2
    assert contents(folder) == before
    *problems, last = capsys.readouterr().err.splitlines()
    assert (
        last == f"asbuilt: {len(problems)} problem{'s' if len(problems) > 1 else ''} in the input, nothing was written"
    )
    return problems


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "decisions.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
