"""Loads that bring what is there already, and check shots where there is no control: what a surveyor is told."""

from __future__ import annotations

import json

import pytest
import small_folder

from asbuilt.__main__ import main

HEADER = small_folder.PICKUPS.splitlines()[0]
SIXTH = "S6,P6,104.501,200.001,3.30,2025-03-06T12:00"


def load(capsys, folder, path, *more):
    code = main(["load", str(folder), str(path), "--by", "N. N.", "--json", *more])
    return code, json.loads(capsys.readouterr().out)


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def written(tmp_path, *lines):
    path = tmp_path / "day.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_job_exported_again_with_one_more_row_is_taken_in_with_a_note(folder, tmp_path, capsys):
    day = written(tmp_path, *small_folder.PICKUPS.splitlines(), SIXTH)
    code, printed = load(capsys, folder, day)
    assert (code, printed["taken"]) == (0, True)
    (found,) = [one for one in printed["findings"] if one["kind"] == "already_loaded"]
    assert (found["severity"], found["item"], found["line"]) == ("note", str(day), 2)
    assert "5 of its 6 rows stand in another file already" in found["text"]
    assert "the first in pickups/2025-03-05.csv:2" in found["text"]
    assert [one for one in printed["findings"] if one["severity"] == "query"] == []


def test_after_it_each_shot_counts_once(folder, tmp_path, capsys):
    assert main(["run", str(folder), "--only", "schedule"]) == 0
    before = (folder / "out" / "schedule.csv").read_text(encoding="utf-8").splitlines()
    capsys.readouterr()
    load(capsys, folder, written(tmp_path, *small_folder.PICKUPS.splitlines(), SIXTH))
    assert main(["run", str(folder), "--only", "schedule"]) == 0
    after = (folder / "out" / "schedule.csv").read_text(encoding="utf-8").splitlines()
    # the five piles of the former export have the same row, figures and chances included; P6 has another
    assert [row for row in after if row.startswith(("P1,", "P2,", "P3,", "P4,", "P5,"))] == [
        row for row in before if row.startswith(("P1,", "P2,", "P3,", "P4,", "P5,"))
    ]
    assert next(row for row in after if row.startswith("P6,")) != next(row for row in before if row.startswith("P6,"))


def test_shots_worked_out_anew_are_refused_until_someone_says_why(folder, tmp_path, capsys):
    moved = [row.replace(",200.00", ",200.01") for row in small_folder.PICKUPS.splitlines()[1:4]]
    day = written(tmp_path, HEADER, *moved)
    code, printed = load(capsys, folder, day)
    assert (code, printed["taken"]) == (2, False)
    queries = [(one["kind"], one["item"]) for one in printed["findings"] if one["severity"] == "query"]
    assert queries == [("repeated_pile", str(day))]
    assert load(capsys, folder, day, "--confirm", "station adjusted, the former file is withdrawn")[0] == 0


def test_check_shots_without_control_have_a_note_and_then_one_another(folder, tmp_path, capsys):
    header = f"{HEADER},object"
    first = written(tmp_path, header, "K1,,110.000,190.000,4.00,2025-03-06T08:00,check", f"{SIXTH},head")
    code, printed = load(capsys, folder, first)
    (found,) = [one for one in printed["findings"] if one["kind"] == "check_without_control"]
    assert (code, found["severity"], found["item"]) == (0, "note", str(first))
    assert "K1 was not shot from another set-up before" in found["text"]
    second = tmp_path / "next.csv"
    second.write_text(f"{header}\nK1,,110.060,190.000,4.00,2025-03-07T08:00,check\n", encoding="utf-8")
    code, printed = load(capsys, folder, second)
    (found,) = [one for one in printed["findings"] if one["kind"] == "check_shot"]
    assert (code, found["severity"], found["item"]) == (2, "query", "K1")
    assert "K1 found 60 mm from where another set-up found it (E +60 mm, N +0 mm; 34 mm can" in found["text"]
