"""``asbuilt decide``: what it writes, what it changes, what lapses it, and what it refuses with nothing written."""

from __future__ import annotations

import csv
import hashlib
import json
from typing import TYPE_CHECKING

import pdf_pages
import pytest
import small_folder
from decide_steps import WHO, answer, refusal, rows
from golden_files import assert_golden

from asbuilt.__main__ import main
from asbuilt.commands import deciding
from asbuilt.intake.decisions import broken_decisions
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from pathlib import Path

RELEASES_NOTHING = "This releases nothing: the responsible engineer decides, under local codes."


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture
def four(tmp_path):
    """Return the four piles that were surveyed, whose joint P3~P4 alone holds."""
    kept = {
        name: "".join(line for line in text.splitlines(keepends=True) if not any(f"P{k}" in line for k in (5, 6, 7, 8)))
        for name, text in small_folder.FILES.items()
    }
    return small_folder.make(
        tmp_path / "four", **{name.replace("/", "_").replace(".", "_").replace("-", "_"): t for name, t in kept.items()}
    )


def held(capsys, folder: Path, stage: str = "dig 1") -> tuple[int, dict]:
    code = main(["holds", str(folder), stage, "--json"])
    return code, json.loads(capsys.readouterr().out)


# ------------------------------------------------------------------------------------------------- writing


def test_a_line_is_bound_to_its_evidence_and_to_the_line_before(folder, capsys):
    result = reconcile(read_survey(folder))
    answer(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", "0.5", "--reference", "NCR 7", *WHO)
    answer(capsys, folder, "P1", "--effect", "hold", "--until", "the leak is dry", *WHO)
    one, two = rows(folder)
    assert (one["item"], one["effect"], one["down_to_level"], one["until"], one["reference"]) == (
        ("P3~P4", "accept", "0.5", "", "NCR 7")
    )
    assert (one["by"], one["reason"], one["previous_sha256"]) == ("A. Engineer", "grout column behind it", "")
    assert one["evidence_sha256"] == result.evidence("P3~P4")
    assert one["figures"].startswith("verdict=outside; least_overlap_mm=-77.7; least_level=-9.5; lost_level=-1.31")
    first = (folder / "decisions.csv").read_text("utf-8").split("\n")[1]
    assert two["previous_sha256"] == hashlib.sha256(first.encode()).hexdigest()
    assert (two["until"], two["evidence_sha256"]) == ("the leak is dry", result.evidence("P1"))
    assert broken_decisions((folder / "decisions.csv").read_bytes()) == []


def test_it_goes_into_the_ledger_and_all_former_lines_stay(folder, capsys):
    answer(capsys, folder, "P3~P4", "--effect", "accept", *WHO)
    before = (folder / "decisions.csv").read_bytes()
    answer(capsys, folder, "P3~P4", "--effect", "withdraw", *WHO)
    after = (folder / "decisions.csv").read_bytes()
    assert after.startswith(before)
    with (folder / "ledger.csv").open(encoding="utf-8", newline="") as file:
        lines = [line for line in csv.DictReader(file) if line["file"] == "decisions.csv"]
    assert [(line["action"], line["by"], line["note"]) for line in lines] == [
        ("change", "A. Engineer", "accept P3~P4"),
        ("change", "A. Engineer", "withdraw P3~P4"),
    ]
    assert lines[1]["sha256"] == hashlib.sha256(after).hexdigest()
    assert main(["verify", str(folder)]) == 0


def test_a_file_written_by_hand_is_carried_on_in_its_own_form(folder, capsys):
    by_hand = (
        "\ufeffat;by;item;effect;down_to_level;until;reason;reference;evidence_sha256;figures;previous_sha256\r\n"
        "2025-03-06;Cyd;P1;accept;-2,5;;seen;;;;\r\n"
    ).encode()
    (folder / "decisions.csv").write_bytes(by_hand)
    found = answer(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", "0.5", *WHO)
    assert [one["item"] for one in found["written"]] == ["P3~P4"]
    assert (folder / "decisions.csv").read_bytes().startswith(by_hand)
    assert reconcile(read_survey(folder)).decisions[1].down_to == 0.5
    states = [(one.item, one.state) for one in reconcile(read_survey(folder)).decisions]
    assert states == [("P1", "not bound"), ("P3~P4", "stands")]


def test_a_file_that_lacks_a_column_is_refused_with_what_to_do(folder, capsys):
    (folder / "decisions.csv").write_text("at,by,item,effect,reason\n2025-03-06,Cyd,P1,hold,seen\n", "utf-8")
    (problem,) = refusal(capsys, folder, "P3~P4", "--effect", "accept", *WHO)
    assert problem.startswith("decisions.csv:1: no columns down_to_level, until, reference, evidence_sha256, figures")


@pytest.mark.parametrize(("given", "called"), [("P4~P3", "P3~P4"), (" P3~P4 ", "P3~P4"), ("P4", "P4")])
def test_a_joint_may_be_named_from_either_side(folder, capsys, given, called):
    found = answer(capsys, folder, given, "--effect", "hold", *WHO)
    assert [one["item"] for one in found["written"]] == [called]


def test_a_finding_can_be_held(folder, capsys):
    item = reconcile(read_survey(folder)).findings[0].id
    found = answer(capsys, folder, item, "--effect", "hold", *WHO)
    assert (found["written"][0]["item"], found["written"][0]["figures"]) == (item, "")
    (hold,) = [hold for hold in held(capsys, folder)[1]["held_by"] if hold["item"] == item]
    assert (hold["check"], hold["text"]) == ("decision", "held: grout column behind it")


def test_the_json_says_what_each_stage_becomes(folder, capsys):
    found = answer(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", "0.5", *WHO)
    assert found["format"] == 1
    assert found["already_written"] == []
    (one,) = found["written"]
    assert (one["effect"], one["down_to"], one["standing"], one["state"]) == ("accept", 0.5, True, "stands")
    first, second = found["stages"]
    assert (first["stage"], first["state"], first["accepted"]) == ("dig 1", "held", ["P3~P4"])
    assert first["items"] == [{"item": "P3~P4", "before": "held", "after": "accepted"}]
    assert "P3~P4" not in first["held_by"]
    assert second["items"] == [{"item": "P3~P4", "before": "held", "after": "held"}]


def test_the_text_is_as_last_looked_at(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder.parent)
    assert main(["decide", "wall", "P3~P4", "--effect", "accept", "--down-to", "0.5", *WHO]) == 0
    text = capsys.readouterr().out
    assert text.splitlines()[0] == RELEASES_NOTHING
    assert max(map(len, text.splitlines())) <= 80
    day = rows(folder)[0]["at"][:10]
    assert_golden("decide_small_wall.txt", text.replace(day, "2025-03-06"))


def test_what_is_not_surveyed_is_accepted_without_measurement(folder, capsys):
    assert main(["decide", str(folder), "P7~P8", "--effect", "accept", *WHO]) == 0
    assert "    accepted without measurement: joint" in capsys.readouterr().out.splitlines()
    assert main(["holds", str(folder), "dig 1"]) == 3
    text = capsys.readouterr().out
    _, _, blind = text.partition("Accepted without measurement: 1 item\n")
    assert "P7~P8" in blind
    assert "Accepted by a decision that stands" not in text


def test_a_hold_on_what_is_within_holds_every_stage(folder, capsys):
    assert main(["decide", str(folder), "P1~P2", "--effect", "hold", *WHO]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "  dig 1, dig to +0.50: now held by P1~P2; 8 other items hold it" in lines
    assert main(["decide", str(folder), "P1~P2", "--effect", "withdraw", *WHO]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "  dig 1, dig to +0.50: no longer held by P1~P2; 8 other items hold it" in lines


def test_withdrawing_an_accept_brings_the_hold_before_it_back(folder, capsys):
    for effect in ("hold", "accept"):
        answer(capsys, folder, "P1~P2", "--effect", effect, *WHO)
    assert "P1~P2" not in [hold["item"] for hold in held(capsys, folder)[1]["held_by"]]
    assert main(["decide", str(folder), "P1~P2", "--effect", "withdraw", *WHO]) == 0
    assert "    a hold before it stands again: grout column behind it" in capsys.readouterr().out.splitlines()
    assert "P1~P2" in [hold["item"] for hold in held(capsys, folder)[1]["held_by"]]


def test_a_decision_that_another_writes_meanwhile_is_not_lost(folder, monkeypatch):
    real, meanwhile = deciding.taking_in, [("P2", "--effect", "hold", *WHO)]

    def after_another(*arguments, **more):
        if meanwhile:
            assert main(["decide", str(folder), *meanwhile.pop()]) == 0
        return real(*arguments, **more)

    monkeypatch.setattr(deciding, "taking_in", after_another)
    assert main(["decide", str(folder), "P1", "--effect", "hold", *WHO]) == 0
    assert [row["item"] for row in rows(folder)] == ["P2", "P1"]
    assert broken_decisions((folder / "decisions.csv").read_bytes()) == []


def test_inputs_that_another_changes_meanwhile_are_what_is_decided_on(four, monkeypatch):
    real, meanwhile = deciding.taking_in, ["tilts/2025-03-03.csv"]

    def after_another(*arguments, **more):
        if meanwhile:
            assert main(["withdraw", str(four), meanwhile.pop(), "--pile", "P4", *WHO]) == 0
        return real(*arguments, **more)

    monkeypatch.setattr(deciding, "taking_in", after_another)
    assert main(["decide", str(four), "P3~P4", "--effect", "accept", *WHO]) == 0
    assert rows(four)[0]["evidence_sha256"] == reconcile(read_survey(four)).evidence("P3~P4")
    assert rows(four)[0]["figures"].startswith("verdict=not surveyed")


# --------------------------------------------------------------------------------------------- from end to end


def test_an_accept_lifts_the_only_hold_and_lapses_when_a_new_load_changes_its_inputs(four, capsys):
    assert held(capsys, four)[0] == 3
    assert main(["decide", str(four), "P3~P4", "--effect", "accept", *WHO]) == 0
    text = capsys.readouterr().out
    assert "  dig 1, dig to +0.50: no longer held by P3~P4; no other holds" in text.splitlines()
    code, found = held(capsys, four)
    assert (code, found["held_by"], [hold["item"] for hold in found["accepted"]]) == (0, [], ["P3~P4"])
    assert found["accepted"][0]["decision"]["standing"] is True

    load = four.parent / "day2.csv"
    header, _, _, _, row = small_folder.PICKUPS.splitlines()[:5]
    load.write_text(f"{header}\n{row.replace('103.004', '103.010').replace('03-05T12:30', '03-09T12:30')}\n", "utf-8")
    assert main(["load", str(four), str(load), "--as", "pickups", "--by", "S"]) == 0
    capsys.readouterr()

    code, found = held(capsys, four)
    assert (code, [hold["item"] for hold in found["held_by"]], found["accepted"]) == (3, ["P3~P4"], [])
    decision = found["held_by"][0]["decision"]
    assert (decision["standing"], decision["state"]) == (False, "changed, worse")
    assert "least overlap -77.7 -> -83.7 mm" in decision["changed"]

    assert main(["holds", str(four), "dig 1"]) == 3
    flat = " ".join(capsys.readouterr().out.split())
    assert "grout column behind it; changed, worse: least overlap -77.7 -> -83.7 mm" in flat
    layers = reconcile(read_survey(four)).layers
    assert layers["decisions"].columns["standing"].tolist() == [0.0]
    assert layers["decisions"].columns["state"].tolist() == ["changed, worse"]
    assert "-77.7 -> -83.7" in layers["decisions"].columns["changed"][0]
    assert layers["stages"].columns["held_by"].tolist() == ["P3~P4", "P3~P4"]
    assert layers["stages"].columns["accepted"].tolist() == ["", ""]
    assert main(["sheets", str(four), "--only", "stage", "--json"]) == 0
    pages = pdf_pages.read_pages(four / json.loads(capsys.readouterr().out)["file"])
    words = " ".join(page.words() for page in pages)
    assert "lapsed, worse: least overlap −77.7" in " ".join(words.split())


def test_an_accept_of_a_joint_stays_when_another_pile_is_surveyed_anew(four, capsys):
    answer(capsys, four, "P3~P4", "--effect", "accept", *WHO)
    row = small_folder.PICKUPS.splitlines()[1].replace("100.752", "100.748").replace("03-05T12:00", "03-09T12:00")
    header = small_folder.PICKUPS.splitlines()[0]
    (four / "pickups" / "2025-03-09.csv").write_text(f"{header}\n{row}\n", "utf-8")
    assert held(capsys, four)[0] == 0


def test_an_accept_is_no_part_of_an_earlier_state(four, capsys):
    answer(capsys, four, "P3~P4", "--effect", "accept", *WHO)
    assert main(["holds", str(four), "dig 1", "--as-of", "2025-03-06"]) == 3


# ------------------------------------------------------------------------------------------------ refusals


def test_every_slip_is_told_at_once(folder, capsys):
    arguments = ("P3~P44", "--effect", "lift", "--down-to", "99", "--until", "dry", "--by", " ", "--reason", "a\nb")
    assert refusal(capsys, folder, *arguments) == [
        "--by: ' ', expected some text in one line",
        "--down-to: +99.00, expected a level of the site, -40.00 to +10.00",
        "--down-to: given with lift, expected only with accept",
        "--effect: 'lift', expected one of accept, hold, withdraw",
        "--reason: 'a\\nb', expected some text in one line",
        "--until: given with lift, expected only with hold",
        "ITEM: no item 'P3~P44', expected perhaps P3~P4",
    ]


def test_what_is_missing_is_told_at_once(folder, capsys):
    assert refusal(capsys, folder) == [
        "--by: missing, expected some text in one line",
        "--effect: missing, expected one of accept, hold, withdraw",
        "--reason: missing, expected some text in one line",
        "ITEM: missing, expected a pile, a joint or a finding",
    ]


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (("--down-to", "0.51"), "--down-to: +0.51 is above the level of every stage: it would lift nothing, expected "),
        (("--down-to", "-40.1"), "--down-to: -40.10, expected a level of the site, -40.00 to +10.00"),
        (("--down-to", "nan"), "--down-to: +nan, expected a level of the site"),
        (("--until", "dry"), "--until: given with accept, expected only with hold"),
        (("--reference", ""), "--reference: '', expected some text in one line"),
    ],
)
def test_options_that_do_not_fit_an_accept_are_refused(folder, capsys, more, problem):
    (told,) = refusal(capsys, folder, "P3~P4", "--effect", "accept", *WHO, *more)
    assert told.startswith(problem)


@pytest.mark.parametrize(("given", "level"), [("dig 1", 0.5), ("final dig", -8.0), (" dig 1 ", 0.5), ("-2.5", -2.5)])
def test_a_stage_may_stand_for_its_level(folder, capsys, given, level):
    (one,) = answer(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", given, *WHO)["written"]
    assert one["down_to"] == level
    assert rows(folder)[0]["down_to_level"] == repr(level)


def test_what_is_neither_a_level_nor_a_stage_is_refused_with_the_stages_there_are(folder, capsys):
    expected = "--down-to: 'dig 3', expected a level, or a stage: \"dig 1\", \"final dig\""
    assert refusal(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", "dig 3", *WHO) == [expected]


def test_a_stage_that_is_called_as_another_level_is_refused(folder, capsys):
    site = (folder / "site.toml").read_text("utf-8")
    (folder / "site.toml").write_text(site.replace('name = "dig 1"', 'name = "0"'), "utf-8")
    (told,) = refusal(capsys, folder, "P3~P4", "--effect", "accept", "--down-to", "0", *WHO)
    assert told.startswith("--down-to: '0' is a level, and the name of a stage that goes to another")


@pytest.mark.parametrize(("item", "told"), [("P1", True), ("P1~P2", True), ("P3~P4", False), ("P7~P8", False)])
def test_that_there_was_nothing_to_accept_is_said_and_it_is_written_all_the_same(folder, capsys, item, told):
    assert main(["decide", str(folder), item, "--effect", "accept", *WHO]) == 0
    assert ("    it is within: nothing to accept" in capsys.readouterr().out.splitlines()) == told
    assert [row["item"] for row in rows(folder)] == [item]


@pytest.mark.parametrize("effect", ["hold", "withdraw"])
def test_a_level_goes_with_an_accept_only(folder, capsys, effect):
    problems = refusal(capsys, folder, "P3~P4", "--effect", effect, "--down-to", "0.5", *WHO)
    assert f"--down-to: given with {effect}, expected only with accept" in problems


def test_what_was_not_decided_on_cannot_be_withdrawn(folder, capsys):
    expected = ["ITEM: no decision on 'P3' to withdraw, expected an item that was decided on"]
    assert refusal(capsys, folder, "P3", "--effect", "withdraw", *WHO) == expected
    answer(capsys, folder, "P3", "--effect", "hold", *WHO)
    answer(capsys, folder, "P3", "--effect", "withdraw", *WHO)
    assert refusal(capsys, folder, "P3", "--effect", "withdraw", *WHO) == expected


def test_a_hold_on_what_is_gone_can_be_withdrawn(folder, capsys):
    answer(capsys, folder, "P8", "--effect", "hold", *WHO)
    design = (folder / "design/piles.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "design/piles.csv").write_text("".join(design[:-1]), "utf-8")
    assert "P8" in [hold["item"] for hold in held(capsys, folder)[1]["held_by"]]
    answer(capsys, folder, "P8", "--effect", "withdraw", *WHO)
    assert "P8" not in [hold["item"] for hold in held(capsys, folder)[1]["held_by"]]
    assert rows(folder)[1]["evidence_sha256"] == ""


def test_bad_input_is_refused_as_everywhere(folder, capsys):
    (folder / "pickups" / "2025-03-06.csv").write_text("point,pile_id\n", "utf-8")
    assert refusal(capsys, folder, "P3~P4", "--effect", "accept", *WHO)[0].startswith("pickups/2025-03-06.csv:1: ")


def test_with_json_a_refusal_is_one_object(folder, capsys):
    assert main(["decide", str(folder), "P3~P4", "--effect", "accept", "--by", "A", "--json"]) == 2
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert (error["file"], error["text"]) == ("--reason", "missing")


def test_a_draft_says_all_itself(folder, tmp_path, capsys):
    assert refusal(capsys, folder, "P3", "--from", tmp_path / "draft.json", "--by", "A") == [
        "--by: given, expected nothing beside --from: the draft says it",
        "ITEM: given, expected nothing beside --from: the draft says it",
    ]


def test_a_line_that_is_taken_out_is_found_by_verify(folder, capsys):
    for item in ("P1", "P2"):
        answer(capsys, folder, item, "--effect", "hold", *WHO)
    assert main(["verify", str(folder)]) == 0
    capsys.readouterr()
    header, _, last = (folder / "decisions.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "decisions.csv").write_text(header + last, encoding="utf-8")
    assert main(["verify", str(folder)]) == 3
    assert "decisions.csv:2: " in capsys.readouterr().out
