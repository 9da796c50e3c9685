"""``decisions.csv`` that was edited, as commands tell it: no accept counts, holds stay, nothing is added."""

from __future__ import annotations

import json

import pdf_pages
import pytest
import small_folder
from decide_steps import WHO, refusal

from asbuilt.__main__ import main
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile


@pytest.fixture
def folder(tmp_path):
    """Return a folder in which P3~P4 is accepted down to the first stage, and P1 is held."""
    wall = small_folder.make(tmp_path / "wall")
    assert main(["decide", str(wall), "P3~P4", "--effect", "accept", "--down-to", "0.5", *WHO]) == 0
    assert main(["decide", str(wall), "P1", "--effect", "hold", *WHO]) == 0
    return wall


def edit(folder, old, new):
    path = folder / "decisions.csv"
    data = path.read_bytes()
    assert old in data
    path.write_bytes(data.replace(old, new, 1))


def remove_last(folder):
    lines = (folder / "decisions.csv").read_bytes().splitlines(keepends=True)
    (folder / "decisions.csv").write_bytes(b"".join(lines[:-1]))


def held(folder, capsys, stage="final dig"):
    capsys.readouterr()
    assert main(["holds", str(folder), stage, "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    return [hold["item"] for hold in found["held_by"]], [hold["item"] for hold in found["accepted"]], found["changed"]


STAGES = ["dig 1", "final dig"]


@pytest.mark.parametrize("runs", [0, 1, 3])
def test_an_accept_that_was_widened_lifts_nothing_however_often_it_is_run(folder, capsys, runs):
    edit(folder, b"accept,0.5,", b"accept,,")
    for _ in range(runs):
        assert main(["run", str(folder), "--only", "schedule"]) == 0
    for stage in STAGES:
        by, accepted, changed = held(folder, capsys, stage)
        assert {"P3~P4", "P1"} <= set(by)
        assert (accepted, changed) == ([], ["decisions.csv"])


@pytest.mark.parametrize("runs", [0, 2])
def test_a_hold_that_was_removed_stays_in_force(folder, capsys, runs):
    remove_last(folder)
    for _ in range(runs):
        assert main(["run", str(folder), "--only", "schedule"]) == 0
    by, _, changed = held(folder, capsys)
    assert "P1" in by
    assert changed == ["decisions.csv"]


def test_the_whole_file_removed_leaves_the_hold(folder, capsys):
    (folder / "decisions.csv").unlink()
    assert "P1" in held(folder, capsys)[0]


def test_a_run_says_so_in_its_summary_its_findings_and_on_stage_sheets(folder, capsys):
    remove_last(folder)
    capsys.readouterr()
    assert main(["run", str(folder), "--only", "sheets", "--only", "geopackage"]) == 0
    said = capsys.readouterr()
    flat = " ".join(said.out.split())
    assert "CHANGED since taken in: decisions.csv" in flat
    assert "query changed_file decisions.csv: edited by hand: a line that was recorded on" in flat
    assert "recorded in the ledger" not in said.err
    pages = pdf_pages.read_pages(folder / "out/sheets.pdf")
    words = [" ".join(page.words().split()) for page in pages]
    assert [text for text in words if "decisions.csv" not in text] == []
    assert any("file was edited" in text for text in words)


def test_verify_says_so_after_any_number_of_runs_and_until_it_is_put_back(folder, capsys):
    whole = (folder / "decisions.csv").read_bytes()
    edit(folder, b"accept,0.5,", b"accept,,")
    for _ in range(2):
        assert main(["run", str(folder), "--only", "schedule"]) == 0
        assert main(["verify", str(folder)]) == 3
    capsys.readouterr()
    assert main(["verify", str(folder), "--json"]) == 3
    problems = json.loads(capsys.readouterr().out)["problems"]
    (copy,) = [line for line in problems if line.startswith("decisions.csv: edited by hand")]
    named = copy.split("put back ")[1].split(",")[0]
    assert (folder / named).read_bytes() == whole
    (folder / "decisions.csv").write_bytes(whole)
    assert main(["verify", str(folder)]) == 0
    assert held(folder, capsys, "dig 1")[1:] == (["P3~P4"], [])


def test_decide_refuses_to_add_to_it_and_says_what_to_do(folder, capsys):
    remove_last(folder)
    (problem,) = refusal(capsys, folder, "P2", "--effect", "hold", *WHO)
    assert problem.startswith("decisions.csv: edited by hand: a line that was recorded on ")
    assert ", expected the recorded lines as they were: put back history/" in problem


def test_an_archive_says_so(folder, capsys):
    remove_last(folder)
    capsys.readouterr()
    assert main(["archive", str(folder), str(folder.parent / "a.zip"), "--json"]) == 0
    problems = json.loads(capsys.readouterr().out)["ledger"]["problems"]
    assert any("decisions.csv: edited by hand" in line for line in problems)


def test_a_hold_added_by_hand_to_an_edited_file_counts(folder, capsys):
    edit(folder, b"accept,0.5,", b"accept,,")
    with (folder / "decisions.csv").open("ab") as file:
        file.write(b"2025-03-07,Cyd,P2,hold,,,seen,,,,\n2025-03-07,Cyd,P1,withdraw,,,no,,,,\n")
    assert {"P1", "P2"} <= set(held(folder, capsys)[0])


def test_lines_added_by_hand_count_as_before(folder, capsys):
    with (folder / "decisions.csv").open("ab") as file:
        file.write(b"2025-03-07,Cyd,P1,withdraw,,,dry,,,,\n")
    assert main(["run", str(folder), "--only", "schedule"]) == 0
    by, accepted, changed = held(folder, capsys, "dig 1")
    assert "P1" not in by
    assert (accepted, changed) == (["P3~P4"], [])
    assert [one.state for one in reconcile(read_survey(folder)).decisions] == ["stands", "superseded", "withdraws"]
