"""``asbuilt holds``: what stands in the way of a stage, that it releases nothing, and its exit code."""

from __future__ import annotations

import json

import pytest
import small_folder
from golden_files import assert_golden

from asbuilt.__main__ import main


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def answer(capsys, *arguments: str) -> tuple[int, dict]:
    code = main(["holds", *arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_a_held_stage_is_exit_code_3(folder, capsys):
    code, found = answer(capsys, str(folder), "dig 1")
    assert code == 3
    assert (found["stage"], found["level"], found["joints_to"], found["state"]) == ("dig 1", 0.5, -3.0, "held")
    assert found["as_of"] == "2025-03-05T12:40:00Z"


def test_each_hold_has_the_keys_that_scripts_rely_on(folder, capsys):
    _, found = answer(capsys, str(folder), "dig 1")
    assert {frozenset(hold) for hold in found["held_by"]} == {
        frozenset({"item", "verdict", "check", "text", "level", "unmeasured", "decision"})
    }
    assert {hold["decision"] for hold in found["held_by"]} == {None}


def test_what_is_not_measured_has_no_level(folder, capsys):
    _, found = answer(capsys, str(folder), "dig 1")
    levels = {hold["item"]: hold["level"] for hold in found["held_by"] if hold["check"] == "joint"}
    assert levels["P7~P8"] is None
    # 15.6 mm/m apart, 8 mm at +3.30: 80 mm are used up at -1.32, and it is not sure from somewhat higher.
    assert -1.32 < levels["P3~P4"] < 3.2


def test_an_item_below_the_stage_is_listed_apart(folder, capsys):
    # With joints needed to -0.50 only, P3~P4, lost farther down, does not hold the first dig.
    site = (folder / "site.toml").read_text(encoding="utf-8").replace("joints_to = -3.00", "joints_to = 0.40")
    (folder / "site.toml").write_text(site, encoding="utf-8")
    _, found = answer(capsys, str(folder), "dig 1")
    assert "P3~P4" in [hold["item"] for hold in found["below"]]
    assert "P3~P4" not in [hold["item"] for hold in found["held_by"]]


def test_a_stage_with_no_holds_is_exit_code_0_and_still_no_release(tmp_path, capsys):
    # Only joints hold, and all piles but the three good ones are left out of the design.
    design = "".join(small_folder.DESIGN.splitlines(keepends=True)[:4])
    site = small_folder.SITE.replace("toe_mm = 100", 'toe_mm = 100\n\n[decide]\nholds = ["joint"]')
    three = {
        name: "".join(line for line in text.splitlines(keepends=True) if not any(p in line for p in ("P4", "P5", "P6")))
        for name, text in small_folder.FILES.items()
    }
    folder = small_folder.make(
        tmp_path / "wall",
        design_piles_csv=design,
        site_toml=site,
        pickups_2025_03_05_csv=three["pickups/2025-03-05.csv"],
        tilts_2025_03_03_csv=three["tilts/2025-03-03.csv"],
        records_rig_1_csv=three["records/rig_1.csv"],
    )
    assert main(["holds", str(folder), "dig 1"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("This list releases nothing")
    assert "No holds in what was measured and checked. Geometry alone is no reason to dig." in lines


def test_a_decision_stands_beside_its_hold_with_the_keys_that_scripts_rely_on(folder, capsys):
    header = "at,by,item,effect,down_to_level,reason\n"
    (folder / "decisions.csv").write_text(f"{header}2025-03-06T09:00,Ann,P3~P4,accept,-3.0,seen\n", encoding="utf-8")
    code, found = answer(capsys, str(folder), "dig 1")
    (hold,) = [hold for hold in found["held_by"] if hold["item"] == "P3~P4"]
    assert code == 3
    assert hold["decision"] == {
        "at": "2025-03-06T09:00:00Z",
        "by": "Ann",
        "item": "P3~P4",
        "effect": "accept",
        "down_to": -3.0,
        "until": None,
        "reason": "seen",
        "reference": None,
        "standing": False,
        "state": "not bound",
        "changed": None,
    }
    assert found["accepted"] == []


def test_an_unknown_stage_names_those_there_are(folder, capsys):
    assert main(["holds", str(folder), "dig 2"]) == 2
    assert capsys.readouterr().err == 'asbuilt: no stage \'dig 2\'; there are "dig 1", "final dig"\n'


def test_a_site_without_stages_says_so(tmp_path, capsys):
    head, _, tail = small_folder.SITE.partition("[[stages]]")
    site = head + tail[tail.index("[walls.A]") :]
    folder = small_folder.make(tmp_path / "wall", site_toml=site)
    assert main(["holds", str(folder), "dig 1"]) == 2
    assert "site.toml names none" in capsys.readouterr().err


def test_nothing_is_written(folder):
    before = sorted(folder.rglob("*"))
    main(["holds", str(folder), "dig 1"])
    assert sorted(folder.rglob("*")) == before


def test_as_of_takes_back_what_came_later(folder, capsys):
    _, found = answer(capsys, str(folder), "dig 1", "--as-of", "2025-03-04")
    assert found["as_of"] == "2025-03-04T23:59:59Z"
    assert {hold["verdict"] for hold in found["held_by"]} == {"not surveyed"}


def test_the_text_is_as_last_looked_at(folder, capsys):
    assert main(["holds", str(folder), "final dig"]) == 3
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("holds_small_wall.txt", text)
