"""Taking in: all or nothing, nothing lost, changes by hand recorded first.

The environment variable ``ASBUILT_DEATHS=50`` has 50 times as many die.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
import small_folder

from asbuilt.errors import InputError, TargetError, UsageError
from asbuilt.intake import ledger_files
from asbuilt.intake.ledger import Line, line_sha256, read_ledger, taking_in, unrecorded, verify_folder
from asbuilt.intake.survey import read_survey

TIMES = int(os.environ.get("ASBUILT_DEATHS", "1"))
DEATHS = Path(__file__).with_name("ledger_deaths.py")
SHOT = b"point,pile_id,easting,northing,level,surveyed_at\nS6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def silent(_text: str) -> None:
    pass


def take(folder: Path, path: str = "pickups/day.csv", data: bytes = SHOT, **more: object) -> None:
    with taking_in(folder, by="A. Surveyor", told=silent) as entry:
        entry.add(path, data, action="load", **more)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def deaths(*arguments: object) -> dict:
    call = [sys.executable, str(DEATHS), *map(str, arguments)]
    run = subprocess.run(call, capture_output=True, text=True, cwd=Path(__file__).parents[2])
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


# --- what goes in -----------------------------------------------------------------------------------


def test_a_load_is_a_file_and_a_line_bound_to_the_one_before(folder):
    take(folder, options={"setup": "S1", "object": "head"}, note='dull, "wet" day')
    lines = read_ledger(folder)
    *_, before, last = lines
    assert (folder / "pickups/day.csv").read_bytes() == SHOT
    assert last == Line(
        at=last.at,
        by="A. Surveyor",
        action="load",
        file="pickups/day.csv",
        sha256=hashlib.sha256(SHOT).hexdigest(),
        options='{"object": "head", "setup": "S1"}',
        note='dull, "wet" day',
        previous_sha256=line_sha256(before),
    )


def test_the_hash_of_a_line_is_that_of_its_bytes_in_the_file(folder):
    take(folder, note="é, ü")
    *_, text = (folder / "ledger.csv").read_bytes().removesuffix(b"\n").split(b"\n")
    assert line_sha256(read_ledger(folder)[-1]) == hashlib.sha256(text).hexdigest()


def test_former_lines_stay_byte_for_byte(folder):
    take(folder)
    before = (folder / "ledger.csv").read_bytes()
    take(folder, "pickups/day2.csv", SHOT + b"\n")
    assert (folder / "ledger.csv").read_bytes().startswith(before)


def test_settings_and_what_was_put_in_by_hand_are_recorded_first(folder):
    take(folder)
    lines = read_ledger(folder)
    assert [(line.action, line.file) for line in lines[:2]] == [("change", "site.toml"), ("change", "design/piles.csv")]
    assert {line.file for line in lines if line.note == "put into the folder by hand"} == {
        path for path in contents(folder) if path.startswith(("pickups/2", "tilts/", "records/"))
    }
    assert unrecorded(folder, lines) == []
    assert verify_folder(folder) == []


def test_settings_changed_by_hand_are_recorded_with_a_copy(folder):
    take(folder)
    former = (folder / "site.toml").read_bytes()
    (folder / "site.toml").write_bytes(former + b"\n# dry\n")
    with taking_in(folder, by="B", told=silent):
        pass
    last = read_ledger(folder)[-1]
    assert (last.action, last.file, last.by) == ("change", "site.toml", "B")
    copies = sorted(path.read_bytes() for path in (folder / "history").glob("*_site.toml"))
    assert copies == sorted([former, former + b"\n# dry\n"])
    assert verify_folder(folder) == []


def test_what_was_removed_by_hand_is_recorded(folder):
    (folder / "set_out").mkdir()
    (folder / "set_out/approved.csv").write_bytes(b"pile_id,easting,northing,approved_by,at\n")
    take(folder)
    (folder / "set_out/approved.csv").unlink()
    with taking_in(folder, by="B", told=silent):
        pass
    last = read_ledger(folder)[-1]
    assert (last.file, last.sha256, last.note) == ("set_out/approved.csv", "", "removed")
    assert verify_folder(folder) == []


def test_a_revision_keeps_the_former_content(folder):
    former = (folder / "design/piles.csv").read_bytes()
    with taking_in(folder, by="B", told=silent) as entry:
        entry.replace("design/piles.csv", former + b"\n", action="design", note="rev B")
    assert (folder / "design/piles.csv").read_bytes() == former + b"\n"
    assert {path.read_bytes() for path in (folder / "history").glob("*_piles.csv")} == {former, former + b"\n"}
    assert [line.action for line in read_ledger(folder) if line.file == "design/piles.csv"] == ["change", "design"]


def test_a_line_is_never_earlier_than_the_one_before(folder):
    with taking_in(folder, by="A", at=datetime(2025, 3, 6, 18, tzinfo=UTC), told=silent) as entry:
        entry.add("pickups/day.csv", SHOT, action="load")
    with taking_in(folder, by="A", at=datetime(2025, 3, 5, tzinfo=UTC), told=silent) as entry:
        entry.note("pickups/day.csv", action="withdraw", note="wrong")
    assert {line.at for line in read_ledger(folder)} == {"2025-03-06T18:00:00.000Z"}


# --- what does not ----------------------------------------------------------------------------------


def test_nothing_is_taken_in_when_the_block_raises(folder):
    before = contents(folder)

    def stopped() -> None:
        with taking_in(folder, by="A", told=silent) as entry:
            entry.add("pickups/day.csv", SHOT, action="load")
            raise KeyError

    with pytest.raises(KeyError):
        stopped()
    assert contents(folder) == before


def test_nothing_is_taken_in_when_the_disk_is_full(folder, monkeypatch):
    before, write = contents(folder), ledger_files._write

    def full(path: Path, data: bytes) -> None:
        if path.name.endswith(".ready"):
            raise OSError(28, "No space left on device", str(path))
        write(path, data)

    monkeypatch.setattr(ledger_files, "_write", full)
    with pytest.raises(TargetError, match="No space left on device; nothing was taken in"):
        take(folder)
    assert contents(folder) == before


@pytest.mark.parametrize("path", ["pickups/2025-03-05.csv", "pickups/DAY.csv"])
def test_what_is_there_or_was_is_never_replaced(folder, path):
    take(folder)
    before = contents(folder)
    with pytest.raises(UsageError, match="is there already, or was"):
        take(folder, path, SHOT + b"\n")
    assert contents(folder) == before


def test_a_load_is_never_revised(folder):
    take(folder)
    with pytest.raises(UsageError, match="a load is never replaced"), taking_in(folder, by="A", told=silent) as entry:
        entry.replace("pickups/day.csv", b"", action="change", note="")


@pytest.mark.parametrize("path", ["../day.csv", "/day.csv", "pickups/../site.toml", "pickups\\day.csv", ".hidden", ""])
def test_a_path_leads_into_the_folder(folder, path):
    with pytest.raises(ValueError, match="no path in the folder"):
        take(folder, path)


def test_a_line_takes_one_line(folder):
    with pytest.raises(UsageError, match="in one line only"):
        take(folder, note="one\ntwo")


def test_a_file_that_is_no_ledger_is_not_written_to(folder):
    (folder / "ledger.csv").write_text("date,what\n2025-03-01,something\n", encoding="utf-8")
    before = contents(folder)
    with pytest.raises(InputError, match="not the header of a ledger"):
        take(folder)
    assert contents(folder) == before


def test_without_a_ledger_there_are_no_lines(folder):
    assert read_ledger(folder) == ()


# --- marks ------------------------------------------------------------------------------------------


def test_a_file_that_was_changed_marks_the_survey(folder):
    take(folder)
    assert read_survey(folder).changed == ()
    (folder / "pickups/day.csv").write_bytes(SHOT.replace(b"104.503", b"104.513"))
    (note,) = [note for note in read_survey(folder).notes if note.kind == "changed_file"]
    assert (note.severity, note.item) == ("query", "pickups/day.csv")
    assert note.text.startswith("changed since it was taken in on ")


def test_a_file_that_is_missing_marks_the_survey(folder):
    take(folder)
    (folder / "pickups/day.csv").unlink()
    assert read_survey(folder).changed == ("pickups/day.csv",)


def test_a_ledger_that_was_cut_off_marks_the_survey(folder):
    take(folder)
    data = (folder / "ledger.csv").read_bytes()
    (folder / "ledger.csv").write_bytes(data[: data[:-1].rindex(b"\n") + 1])
    assert read_survey(folder).changed[0] == "ledger.csv"


# --- deaths and crowds ------------------------------------------------------------------------------


def test_death_at_every_step_leaves_all_or_nothing(folder):
    done = deaths("steps", folder)["steps"]
    assert [state["problems"] for state in done] == [[]] * len(done)
    assert all(state["whole"] and state["files_are_those_of_the_ledger"] for state in done)
    assert [state["hidden"] for state in done] == [[]] * len(done)
    died = [state["in"] for state in done if state["code"]]
    assert len(died) > 10
    assert {True, False} == set(died)
    assert done[-1]["in"]


def test_kills_at_random_moments_lose_nothing(folder):
    done = deaths("kills", folder, 20 * TIMES, 20250306)
    assert done["problems"] == []
    assert done["lost"] == []
    assert done["whole"]
    assert done["files_are_those_of_the_ledger"]
    assert done["hidden"] == []
    assert done["said"] > 0
    assert done["wait_s"] < 5.0


def test_kills_on_another_computer_lose_nothing_and_are_told_of(folder):
    done = deaths("elsewhere", folder, 3 * TIMES, 20250307)
    assert done["problems"] == []
    assert done["whole"]
    assert done["files_are_those_of_the_ledger"]
    assert (done["said"], done["told_of"]) == (done["broken"], True)
    assert done["broken"] > 0
    assert len([name for name in done["names"] if name.endswith("_next")]) == 3 * TIMES


@pytest.mark.parametrize("turn", range(TIMES))
def test_eight_at_once_on_two_computers_lose_nothing(folder, turn):
    del turn
    done = deaths("crowd", folder, 8, 2)
    assert done["codes"] == [0] * 8
    assert done["problems"] == []
    assert len(done["names"]) == 16
    assert done["whole"]
    assert done["hidden"] == []
