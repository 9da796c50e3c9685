"""``asbuilt load --as design``: what a revision of the schedule changes, and that it takes a name to take it in."""

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

if TYPE_CHECKING:
    from pathlib import Path

#: P4 moves towards P3, so that their joint is sound; P2 gets a deeper toe, P7 is omitted, P8 goes, P9 appears.
REVISED = (
    small_folder.DESIGN.replace("toe_level\n", "toe_level,status\n")
    .replace("-12.00\n", "-12.00,planned\n")
    .replace("P1,A,1,primary,100.75,200.00", "P1,A,1,primary,100.79,200.03")
    .replace("P2,A,2,secondary,101.50,200.00,880,-12.00", "P2,A,2,secondary,101.50,200.00,880,-12.50")
    .replace("P7,A,7,primary,105.25,200.00,880,-12.00,planned", "P7,A,7,primary,105.25,200.00,880,-12.00,omitted")
    .replace("P8,A,8,secondary,106.00", "P9,A,8,secondary,106.00")
)
CONFIRM = ("--confirm", "revision B is in force", "--by", "E. Engineer")
DECISIONS = """\
at,by,item,effect,reason
2025-03-10T09:00,E. Engineer,P1,accept,within reach
2025-03-10T09:01,E. Engineer,P1~P2,hold,wait for the grout
2025-03-10T09:02,E. Engineer,P5,accept,untouched by this
2025-03-10T09:03,E. Engineer,P2,accept,first
2025-03-10T09:04,E. Engineer,P2,withdraw,second thoughts
"""


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def file(tmp_path, text: str = REVISED, name: str = "rev_b.csv") -> str:
    (tmp_path / name).write_text(text, encoding="utf-8")
    return str(tmp_path / name)


def revise(capsys, *arguments: object) -> tuple[int, dict]:
    code = main(["load", *map(str, arguments), "--as", "design", "--json"])
    return code, json.loads(capsys.readouterr().out)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_what_moved_appeared_went_and_changed_is_listed(folder, tmp_path, capsys):
    _, found = revise(capsys, folder, file(tmp_path))
    piles = {one["pile_id"]: (one["change"], one["text"]) for one in found["revision"]["piles"]}
    assert piles == {
        "P1": ("moved", ""),
        "P2": ("changed", "toe_level -12.00 to -12.50 m"),
        "P7": ("changed", "status planned to omitted"),
        "P9": ("appeared", ""),
        "P8": ("went", ""),
    }
    (moved,) = [one for one in found["revision"]["piles"] if one["change"] == "moved"]
    assert moved["moved_mm"] == pytest.approx(50.0, abs=1e-6)
    assert (moved["move_e_mm"], moved["move_n_mm"]) == (pytest.approx(40.0, abs=1e-6), pytest.approx(30.0, abs=1e-6))


def test_verdicts_before_and_after_are_told(folder, tmp_path, capsys):
    _, found = revise(capsys, folder, file(tmp_path))
    verdicts = {one["item"]: (one["before"], one["after"]) for one in found["revision"]["verdicts"]}
    assert verdicts["P1"] == ("within", "outside")
    assert verdicts["P2"] == ("within", "outside")
    assert verdicts["P8"] == ("not surveyed", None)
    assert verdicts["P9"] == (None, "not surveyed")
    assert "P3" not in verdicts


def test_stages_that_are_held_by_other_items_are_told(folder, tmp_path, capsys):
    _, found = revise(capsys, folder, file(tmp_path))
    final = next(one for one in found["revision"]["stages"] if one["stage"] == "final dig")
    assert (final["before"], final["after"]) == ("held", "held")


def test_decisions_on_what_changed_are_to_be_looked_at_again(folder, tmp_path, capsys):
    (folder / "decisions.csv").write_text(DECISIONS, encoding="utf-8")
    _, found = revise(capsys, folder, file(tmp_path))
    assert [(one["item"], one["effect"], one["state"], one["standing"]) for one in found["revision"]["decisions"]] == [
        ("P1", "accept", "not bound", False),
        ("P1~P2", "hold", "not bound", True),
    ]


def test_an_accept_lapses_with_the_design_that_it_was_made_on(folder, tmp_path, capsys):
    assert main(["decide", str(folder), "P1", "--effect", "accept", "--by", "E", "--reason", "within reach"]) == 0
    capsys.readouterr()
    _, found = revise(capsys, folder, file(tmp_path))
    (one,) = found["revision"]["decisions"]
    assert (one["item"], one["state"], one["standing"]) == ("P1", "changed, worse", False)
    assert "offset" in one["changed"]


def test_a_revision_always_takes_a_reason_and_a_name(folder, tmp_path, capsys):
    before = contents(folder)
    code, found = revise(capsys, folder, file(tmp_path), "--by", "E. Engineer")
    assert (code, found["taken"], contents(folder)) == (2, False, before)


def test_a_confirmed_revision_is_in_force_and_the_former_is_kept(folder, tmp_path, capsys):
    code, found = revise(capsys, folder, file(tmp_path), *CONFIRM)
    assert (code, found["taken"], found["files"][0]["path"]) == (0, True, "design/piles.csv")
    assert (folder / "design/piles.csv").read_text(encoding="utf-8") == REVISED
    assert read_survey(folder).design["pile_id"].tolist()[-1] == "P9"
    kept = [data for name, data in contents(folder).items() if name.startswith("history/")]
    assert small_folder.DESIGN.encode() in kept
    with (folder / "ledger.csv").open(encoding="utf-8", newline="") as ledger:
        line = list(csv.DictReader(ledger))[-1]
    assert (line["action"], line["file"], line["by"], line["note"]) == (
        "design",
        "design/piles.csv",
        "E. Engineer",
        "revision B is in force",
    )


def test_a_dry_run_shows_it_and_takes_nothing_in(folder, tmp_path, capsys):
    before = contents(folder)
    code, found = revise(capsys, folder, file(tmp_path), "--dry-run", *CONFIRM)
    assert (code, found["taken"], len(found["revision"]["piles"]), contents(folder)) == (0, False, 5, before)


def without(pile: str) -> str:
    return "".join(line for line in small_folder.DESIGN.splitlines(keepends=True) if not line.startswith(f"{pile},"))


def with_status(pile: str, status: str) -> str:
    text = small_folder.DESIGN.replace("toe_level\n", "toe_level,status\n").replace("-12.00\n", "-12.00,planned\n")
    return "".join(
        line.replace("planned", status) if line.startswith(f"{pile},") else line
        for line in text.splitlines(keepends=True)
    )


def test_a_built_pile_that_it_lacks_is_one_error_that_says_what_there_is_of_it(folder, tmp_path, capsys):
    given = file(tmp_path, without("P3"))
    code, found = revise(capsys, folder, given, *CONFIRM)
    assert (code, found["taken"]) == (2, False)
    (one,) = found["findings"]
    assert (one["severity"], one["kind"], one["item"], one["file"]) == ("error", "unknown_pile", "P3", given)
    assert one["text"] == (
        "the revision lacks P3, named by 1 shot, 1 lean reading, 1 record in the folder; expected P3, with the status "
        "omitted where it is to go"
    )


def test_withdrawn_rows_of_a_pile_that_it_lacks_do_not_count(folder, tmp_path, capsys):
    who = ("--by", "A. Surveyor", "--reason", "another pile")
    assert main(["withdraw", str(folder), "pickups/2025-03-05.csv", "--pile", "P3", *who]) == 0
    capsys.readouterr()
    _, found = revise(capsys, folder, file(tmp_path, without("P3")), *CONFIRM)
    assert "named by 1 lean reading, 1 record in the folder" in found["findings"][0]["text"]
    for load in ("tilts/2025-03-03.csv", "records/rig_1.csv"):
        assert main(["withdraw", str(folder), load, *who]) == 0
    capsys.readouterr()
    _, found = revise(capsys, folder, file(tmp_path, without("P3")), *CONFIRM)
    assert "the revision lacks P3, which only withdrawn or repeated rows name" in found["findings"][0]["text"]


def test_what_else_is_wrong_is_told_beside_a_pile_that_it_lacks(folder, tmp_path, capsys):
    (folder / "set_out").mkdir()
    rows = "pile_id,easting,northing,approved_by,at\nP8,106.00,200.00,E. Engineer,2025-03-01T10:00\n"
    (folder / "set_out/approved.csv").write_text(rows, encoding="utf-8")
    given = file(tmp_path, without("P8").replace("103.00,200.00,880", "103.00,200.00,8"))
    _, found = revise(capsys, folder, given, *CONFIRM)
    assert [(one["kind"], one["item"], one["line"]) for one in found["findings"]] == [
        ("unknown_pile", "P8", None),
        ("bad_value", given, 5),
    ]
    assert "the revision lacks P8, named by 1 approved centre" in found["findings"][0]["text"]


def test_a_built_pile_that_it_omits_is_asked_about_and_kept_in_the_ledger(folder, tmp_path, capsys):
    given = file(tmp_path, with_status("P3", "omitted"))
    code, found = revise(capsys, folder, given, "--dry-run")
    (query,) = [one for one in found["findings"] if one["severity"] == "query"]
    assert (code, query["kind"], query["item"]) == (2, "omitted_but_built", "P3")
    assert (query["file"], query["line"]) == (given, 4)
    assert "named by 1 shot, 1 lean reading, 1 record" in query["text"]
    assert revise(capsys, folder, given, "--dry-run", *CONFIRM)[0] == 0
    assert revise(capsys, folder, given, *CONFIRM)[0] == 0
    with (folder / "ledger.csv").open(encoding="utf-8", newline="") as ledger:
        note = list(csv.DictReader(ledger))[-1]["note"]
    assert note == "revision B is in force; confirmed: omitted_but_built P3"


def test_an_omitted_pile_that_nothing_names_is_not_asked_about(folder, tmp_path, capsys):
    code, found = revise(capsys, folder, file(tmp_path, with_status("P8", "omitted")), "--dry-run")
    assert (code, [one["kind"] for one in found["findings"] if one["item"] == "P8"]) == (0, [])


def test_an_added_pile_in_no_extra_joint_is_told(folder, tmp_path, capsys):
    added = with_status("P8", "planned") + "X1,A,,other,106.00,200.70,880,-12.00,added\n"
    _, found = revise(capsys, folder, file(tmp_path, added), "--dry-run")
    noted = [(one["severity"], one["kind"]) for one in found["findings"] if one["item"] == "X1"]
    assert noted == [("note", "added_without_joint")]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("880,-12.00,planned\nP3", "880,-12.505,planned\nP3", "toe_level -12.00 to -12.505 m"),
        ("200.00,880,-12.00,planned\nP3", "200.00,1180,-12.00,planned\nP3", "diameter 880 to 1180 mm"),
    ],
)
def test_what_changes_is_told_with_its_unit(folder, tmp_path, capsys, old, new, said):
    text = with_status("P8", "planned")
    assert text.count(old) == 1
    _, found = revise(capsys, folder, file(tmp_path, text.replace(old, new)))
    assert {one["pile_id"]: one["text"] for one in found["revision"]["piles"]} == {"P2": said}


def test_why_there_is_no_verdict_and_how_many_hold_a_stage_is_said_in_words(folder, tmp_path, capsys):
    assert main(["load", str(folder), file(tmp_path), "--as", "design"]) == 2
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert "P7: not surveyed -> not built any more (omitted)" in lines
    assert "P8: not surveyed -> gone from the schedule" in lines
    assert {"P9: new -> not surveyed", "P7~P8: not surveyed -> no joint any more"} <= {*lines}
    assert [line for line in lines if line.startswith("final dig: held by ")] != []


def test_what_is_wrong_in_it_names_the_users_file(folder, tmp_path, capsys):
    given = file(tmp_path, small_folder.DESIGN.replace("103.00", "1o3.00"))
    code, found = revise(capsys, folder, given, *CONFIRM)
    (one,) = found["findings"]
    assert (code, one["severity"], one["kind"], one["file"], one["line"], one["column"]) == (
        2,
        "error",
        "bad_value",
        given,
        5,
        "easting",
    )


def test_the_schedule_in_force_is_recognised(folder, tmp_path, capsys):
    given = file(tmp_path, small_folder.DESIGN)
    code, found = revise(capsys, folder, given, *CONFIRM)
    assert (code, found["taken"], found["already_taken"]) == (0, False, [given])


def test_the_schedule_that_the_site_file_names_is_replaced(tmp_path, capsys):
    site = small_folder.SITE.replace("[levels]", '[design]\npiles = "design/wall.txt"\n\n[levels]', 1)
    folder = small_folder.make(tmp_path / "wall", site_toml=site)
    (folder / "design/piles.csv").rename(folder / "design/wall.txt")
    code, found = revise(capsys, folder, file(tmp_path), *CONFIRM)
    assert (code, found["files"][0]["path"]) == (0, "design/wall.txt")
    assert (folder / "design/wall.txt").read_text(encoding="utf-8") == REVISED


def test_a_schedule_of_another_kind_is_refused(folder, tmp_path, capsys):
    assert main(["load", str(folder), file(tmp_path, "{}", "rev.geojson"), "--as", "design"]) == 2
    assert "the schedule in the folder is design/piles.csv; give a file of the same kind" in told(capsys)


def test_one_schedule_at_a_time_and_no_options(folder, tmp_path, capsys):
    given = file(tmp_path)
    assert main(["load", str(folder), given, given, "--as", "design"]) == 2
    assert "takes one file" in capsys.readouterr().err
    assert main(["load", str(folder), given, "--as", "design", "--setup", "1"]) == 2
    assert "--setup: not with --as design" in capsys.readouterr().err


def test_a_first_schedule_makes_all_piles_appear(folder, tmp_path, capsys):
    (folder / "design/piles.csv").write_text(small_folder.DESIGN.splitlines()[0] + "\n", encoding="utf-8")
    for name in ("pickups/2025-03-05.csv", "tilts/2025-03-03.csv", "records/rig_1.csv"):
        (folder / name).unlink()
    code, found = revise(capsys, folder, file(tmp_path, small_folder.DESIGN), *CONFIRM)
    assert (code, found["taken"]) == (0, True)
    assert {one["change"] for one in found["revision"]["piles"]} == {"appeared"}
    assert found["revision"]["verdicts"] == []


def test_the_text_is_as_last_looked_at(folder, tmp_path, capsys, monkeypatch):
    (folder / "decisions.csv").write_text(DECISIONS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    file(tmp_path)
    assert main(["load", "wall", "rev_b.csv", "--as", "design"]) == 2
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("load_design_small_wall.txt", text)
