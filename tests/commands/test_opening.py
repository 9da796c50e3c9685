"""What a command that writes records first, and where it records nothing."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING

import pytest
import small_folder
from told import told
from two_days import CONTROL, DAY_1, DAY_2, HEAD, SET_OUT, Clock, decide, first_day, put, run

from asbuilt.__main__ import main
from asbuilt.errors import TargetError
from asbuilt.intake import ledger
from asbuilt.intake.ledger import read_ledger, verify_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    """Return a folder in which a load was taken in yesterday."""
    clock = Clock(monkeypatch, DAY_1)
    folder = first_day(tmp_path)
    clock.set(DAY_2)
    return folder


WRITING: dict[str, tuple[str, ...]] = {
    "run": ("run", "{folder}", "--only", "joints"),
    "run as of yesterday": ("run", "{folder}", "--only", "joints", "--as-of", "2025-03-05"),
    "sheets": ("sheets", "{folder}", "--pile", "P1"),
    "archive": ("archive", "{folder}", "{folder}/../a.zip"),
    "load": ("load", "{folder}", "{folder}/../b.csv", "--by", "B", "--confirm", "seen"),
    "revision": ("load", "{folder}", "{folder}/../rev.csv", "--as", "design", "--by", "B", "--confirm", "rev B"),
    "withdraw": ("withdraw", "{folder}", "tilts/2025-03-03.csv", "--by", "B", "--reason", "x"),
}
BY_HAND = {
    "site.toml": small_folder.SITE.replace("plan_mm = 25", "plan_mm = 20"),
    "design/piles.csv": small_folder.DESIGN.replace("101.50,", "101.51,"),
    "control/points.csv": CONTROL,
    "set_out/approved.csv": SET_OUT,
}


def change_by_hand(folder: Path) -> None:
    for name, text in BY_HAND.items():
        put(folder, name, text)
    decide(folder)


@pytest.mark.parametrize("command", WRITING)
def test_a_command_that_writes_first_records_what_was_changed_by_hand(folder, command):
    put(folder.parent, "b.csv", HEAD + "S7,P7,105.252,200.001,3.30,2025-03-05T17:30\n")
    put(folder.parent, "rev.csv", small_folder.DESIGN.replace("100.75,", "100.79,"))
    before = len(read_ledger(folder))
    change_by_hand(folder)
    run(*(word.format(folder=folder) for word in WRITING[command]))
    new = read_ledger(folder)[before:]
    assert [(line.action, line.file) for line in new[:5]] == [
        ("change", name) for name in (*list(BY_HAND), "decisions.csv")
    ]
    copies = {path.read_bytes() for path in (folder / "history").iterdir()}
    assert {*(text.encode() for text in BY_HAND.values())} <= copies
    assert verify_folder(folder) == []


@pytest.mark.parametrize("command", [("holds", "dig 1"), ("verify",)])
def test_a_command_that_writes_nothing_records_nothing(folder, command):
    before = (folder / "ledger.csv").read_bytes()
    change_by_hand(folder)
    name, *more = command
    run(name, folder, *more, code=3)
    assert (folder / "ledger.csv").read_bytes() == before


@pytest.mark.parametrize("command", ["run", "sheets", "archive"])
def test_what_cannot_be_read_is_refused_and_not_recorded(folder, capsys, command):
    put(folder, "site.toml", small_folder.SITE.replace("plan_mm = 25", "plan_mm = wide"))
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    more = [folder.parent / "a.zip"] if command == "archive" else []
    assert main([command, str(folder), *map(str, more)]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_what_cannot_be_read_now_does_not_stand_in_the_way_of_yesterday(folder, capsys):
    before = run("run", folder, "--as-of", "2025-03-05", "--only", "joints", "--json")
    put(folder, "site.toml", "broken")
    assert run("run", folder, "--as-of", "2025-03-05", "--only", "joints", "--json") == before
    assert told(capsys) == (
        "asbuilt: what was changed by hand cannot be read, so it is not recorded: see a run without --as-of"
    )


def test_a_folder_without_a_ledger_gets_none_from_a_run(tmp_path):
    folder = small_folder.make(tmp_path / "wall")
    run("run", folder, "--only", "joints")
    assert sorted(path.name for path in folder.iterdir()) == [
        "design",
        "out",
        "pickups",
        "records",
        "site.toml",
        "tilts",
    ]


def test_a_folder_that_cannot_be_written_still_answers_elsewhere(folder, capsys, monkeypatch):
    change_by_hand(folder)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}

    @contextlib.contextmanager
    def refused(_folder: Path, **_more: object) -> Iterator[None]:
        raise TargetError("read-only file system")
        yield

    monkeypatch.setattr(ledger, "locked", refused)
    answer = json.loads(run("run", folder, "--out", folder.parent / "o", "--only", "joints", "--json"))
    assert answer["changed"] == ["site.toml", "design/piles.csv", "set_out/approved.csv"]
    assert "could not be recorded in the ledger: read-only file system" in told(capsys)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
