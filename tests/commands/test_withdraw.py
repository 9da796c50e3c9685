"""``asbuilt withdraw``: what counts no longer, and that nothing is removed."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

import pytest
import small_folder
from golden_files import assert_golden
from told import told

from asbuilt.__main__ import main
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from pathlib import Path

PICKUPS = "pickups/2025-03-05.csv"
WHY = ("--by", "A. Surveyor", "--reason", "shot on the wrong pile")


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def answer(capsys, *arguments: object) -> tuple[int, dict]:
    code = main(["withdraw", *map(str, arguments), *WHY, "--json"])
    return code, json.loads(capsys.readouterr().out)


def refusal(capsys, *arguments: object) -> str:
    assert main(["withdraw", *map(str, arguments), *WHY]) == 2
    return told(capsys).removeprefix("asbuilt: ")


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def lines(folder: Path) -> list[dict[str, str]]:
    with (folder / "ledger.csv").open(encoding="utf-8", newline="") as ledger:
        return [line for line in csv.DictReader(ledger) if line["action"] == "withdraw"]


def surveyed(folder: Path) -> list[str]:
    piles = reconcile(read_survey(folder)).piles
    return piles["pile_id"][piles["surveyed_at"] == piles["surveyed_at"]].tolist()


def test_a_load_out_of_use_surveys_nothing_and_stays_where_it_is(folder, capsys):
    before = contents(folder)
    code, found = answer(capsys, folder, PICKUPS)
    assert (code, found["rows"], found["not_surveyed"]) == (0, 5, ["P1", "P2", "P3", "P4", "P5"])
    assert {name: contents(folder)[name] for name in before} == before
    assert surveyed(folder) == []


def test_one_pile_of_it_leaves_the_others_in_use(folder, capsys):
    code, found = answer(capsys, folder, PICKUPS, "--pile", "P2")
    assert (code, found["rows"], found["piles"], found["not_surveyed"]) == (0, 1, ["P2"], ["P2"])
    assert surveyed(folder) == ["P1", "P3", "P4", "P5"]
    assert set(found["joints_not_surveyed"]) == {"P1~P2", "P2~P3"}


def test_the_ledger_keeps_who_and_why(folder, capsys):
    answer(capsys, folder, PICKUPS, "--pile", "P2")
    answer(capsys, folder, "tilts/2025-03-03.csv")
    assert [(line["by"], line["file"], line["options"], line["note"]) for line in lines(folder)] == [
        ("A. Surveyor", PICKUPS, '{"pile": "P2"}', "shot on the wrong pile"),
        ("A. Surveyor", "tilts/2025-03-03.csv", "", "shot on the wrong pile"),
    ]


def test_verdicts_that_change_are_told_with_both(folder, capsys):
    _, found = answer(capsys, folder, PICKUPS, "--pile", "P1")
    assert {"item": "P1", "before": "within", "after": "not surveyed"} in found["verdicts"]
    assert not {"P3", "P3~P4"} & {one["item"] for one in found["verdicts"]}


def test_rows_stay_in_the_list_of_pickups_and_say_why(folder, capsys):
    answer(capsys, folder, PICKUPS, "--pile", "P2")
    layer = reconcile(read_survey(folder)).layers["pickups"]
    assert layer.columns["used"].tolist() == [True, False, True, True, True]
    assert layer.columns["superseded_by"][1] == "withdrawn by A. Surveyor: shot on the wrong pile"


@pytest.mark.parametrize("named", ["2025-03-05.csv", "./pickups/2025-03-05.csv", "pickups\\2025-03-05.csv", "whole"])
def test_a_load_is_found_by_its_name_or_path(folder, capsys, named):
    given = str(folder / PICKUPS) if named == "whole" else named
    assert answer(capsys, folder, given)[1]["file"] == PICKUPS


def test_an_unknown_file_names_the_nearest(folder, capsys):
    before = contents(folder)
    assert refusal(capsys, folder, "pickups/2025-03-06.csv").endswith("the nearest is pickups/2025-03-05.csv")
    assert contents(folder) == before


def test_a_name_in_two_places_is_asked_about(folder, capsys):
    (folder / "tilts/2025-03-05.csv").write_text("pile_id,read_at,depth,tilt_a,tilt_b,unit\n", encoding="utf-8")
    there = "there are pickups/2025-03-05.csv and tilts/2025-03-05.csv; give its path in the folder"
    assert refusal(capsys, folder, "2025-03-05.csv") == f"2025-03-05.csv: {there}"


def test_settings_and_design_are_no_loads(folder, capsys):
    assert refusal(capsys, folder, "design/piles.csv").startswith("no load 'design/piles.csv'")


def test_an_unknown_pile_names_the_nearest(folder, capsys):
    assert refusal(capsys, folder, PICKUPS, "--pile", "P22") == f"{PICKUPS} has no pile 'P22', the nearest is P2"


@pytest.mark.parametrize(("first", "then"), [((), ()), ((), ("--pile", "P2")), (("--pile", "P2"), ("--pile", "P2"))])
def test_what_is_not_in_use_cannot_be_withdrawn_again(folder, capsys, first, then):
    answer(capsys, folder, PICKUPS, *first)
    assert "is not in use: withdrawn by A. Surveyor" in refusal(capsys, folder, PICKUPS, *then)
    assert len(lines(folder)) == 1


def test_the_rest_of_a_load_can_be_withdrawn_later(folder, capsys):
    answer(capsys, folder, PICKUPS, "--pile", "P2")
    assert answer(capsys, folder, PICKUPS)[1]["not_surveyed"] == ["P1", "P3", "P4", "P5"]


@pytest.mark.parametrize("missing", ["--by", "--reason"])
def test_nobody_and_nothing_withdraw_nothing(folder, capsys, missing):
    given = [*WHY[:2]] if missing == "--reason" else [*WHY[2:]]
    assert main(["withdraw", str(folder), PICKUPS, *given]) == 2
    assert missing in capsys.readouterr().err


def test_the_text_is_as_last_looked_at(tmp_path, capsys, monkeypatch):
    small_folder.make(tmp_path / "wall")
    monkeypatch.chdir(tmp_path)
    assert main(["withdraw", "wall", "2025-03-05.csv", "--pile", "P3", *WHY]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("withdraw_small_wall.txt", text)
