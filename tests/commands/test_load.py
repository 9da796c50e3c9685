"""``asbuilt load``: what is taken in and what is refused, and that it is whole or not at all."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import small_folder
from golden_files import assert_golden

from asbuilt.__main__ import main
from asbuilt.compute.blunders import Search
from asbuilt.intake.survey import read_survey
from asbuilt.model import Finding

DEMO = Path(__file__).parents[2] / "demo_survey"
FAULTY = sorted(path.name for path in (DEMO / "incoming").iterdir())
ERRORS = {"missing_column", "bad_value", "unknown_pile"}
NOTES = {"short_arc"}

P6 = """\
point,pile_id,easting,northing,level,surveyed_at
S6,P6,104.503,200.001,3.30,2025-03-06T09:00
"""
P6_TILT = "pile_id,read_at,depth,tilt_a,tilt_b,unit\nP6,2025-03-05T09:30,16.0,0.4,0.2,mm/m\n"
#: As an instrument writes it that knows neither the day nor what was shot.
P6_BARE = "point,pile_id,easting,northing,level\nS6,P6,104.503,200.001,3.30\n"
#: The centre of P7.
P6_WRONG = P6.replace("104.503", "105.253")
TOTAL = '\n[columns.pickups.total]\npoint = "Nr"\ndate_from_name = "%Y%m%d"\n'
BY = ("--by", "A. Surveyor")
CONFIRM = ("--confirm", "P6 was drilled there", *BY)


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    copy = tmp_path_factory.mktemp("job") / "demo"
    return Path(shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("out", "*.py")))


@pytest.fixture
def told(monkeypatch):
    """Have the search find what a test says, and keep what it was asked."""
    asked: dict[str, object] = {}

    def search(survey, fresh, *, now):
        asked.update(survey=survey, fresh=fresh, now=now)
        return Search(findings=tuple(asked.get("findings", ())), checked=tuple(asked.get("checked", ())))

    monkeypatch.setattr("asbuilt.compute.blunders.search", search)
    return asked


def file(tmp_path, text: str, name: str = "day.csv") -> str:
    path = tmp_path / name
    path.write_bytes(text.encode())
    return str(path)


def load(capsys, *arguments: object) -> tuple[int, dict]:
    capsys.readouterr()
    code = main(["load", *map(str, arguments), "--json"])
    return code, json.loads(capsys.readouterr().out)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def ledger(folder: Path) -> list[dict[str, str]]:
    with (folder / "ledger.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def loads(folder: Path) -> list[dict[str, str]]:
    return [line for line in ledger(folder) if line["action"] == "load"]


def query(kind: str = "wrong_pile", item: str = "P6", path: str = "pickups/2025-03-06_day.csv") -> Finding:
    return Finding(severity="query", kind=kind, item=item, text=f"{item} is odd in {path}", file=path, line=2)


# --- the demo's faulty files ------------------------------------------------------------------------


@pytest.mark.parametrize("name", FAULTY)
def test_each_faulty_file_of_the_demo_is_found_out(demo, capsys, name):
    table, _, kind = name.removesuffix(".csv").partition("_")
    path = str(demo / "incoming" / name)
    code, found = load(capsys, demo, path, "--dry-run")
    severity = "error" if kind in ERRORS else "note" if kind in NOTES else "query"
    first = next(one for one in found["findings"] if one["kind"] == kind)
    assert (first["severity"], first["file"]) == (severity, path)
    assert [one["table"] for one in found["files"]] == [table]
    assert code == (0 if severity == "note" else 2)
    assert {one["severity"] for one in found["findings"]} <= ({severity, "note"})


# --- taking in --------------------------------------------------------------------------------------


def test_a_load_goes_in_as_it_came_under_a_dated_name(folder, tmp_path, capsys):
    text = "\ufeff" + P6.replace("\n", "\r\n") + "\r\n# end\r\n"
    given = file(tmp_path, text, "Job 7 (pm).csv")
    code, found = load(capsys, folder, given, *BY)
    (one,) = found["files"]
    assert (code, found["taken"], one["path"]) == (0, True, "pickups/2025-03-06_Job_7_(pm).csv")
    assert (folder / one["path"]).read_bytes() == text.encode()
    (line,) = loads(folder)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    assert (line["by"], line["file"], line["sha256"], line["options"]) == ("A. Surveyor", one["path"], sha256, "")
    assert one["sha256"] == sha256


def test_what_was_loaded_counts_and_is_in_the_ledger(folder, tmp_path, capsys):
    load(capsys, folder, file(tmp_path, P6), *BY)
    survey = read_survey(folder)
    assert survey.pickups["pile_id"].tolist()[-1] == "P6"
    assert [note.item for note in survey.notes if note.kind == "not_in_ledger"] == [
        "pickups/2025-03-05.csv",
        "tilts/2025-03-03.csv",
        "records/rig_1.csv",
    ]


def test_json_has_the_keys_that_scripts_rely_on(folder, tmp_path, capsys, told):
    told["findings"] = [query()]
    _, found = load(capsys, folder, file(tmp_path, P6), *CONFIRM)
    assert {"format", "tool_version", "taken", "already_taken", "files", "findings"} <= set(found)
    assert {"file", "table", "rows", "sha256"} <= set(found["files"][0])
    assert {frozenset(one) for one in found["findings"]} == {
        frozenset({"severity", "kind", "file", "line", "column", "item", "text"})
    }
    assert (found["files"][0]["table"], found["files"][0]["rows"]) == ("pickups", 1)


def test_names_are_never_used_twice(folder, tmp_path, capsys):
    paths = []
    for number in range(3):
        given = file(tmp_path, f"{P6}# {number}\n", "DAY.CSV" if number == 1 else "day.csv")
        code, found = load(capsys, folder, given, "--confirm", "same again", *BY)
        assert code == 0
        paths.append(found["files"][0]["path"])
    assert paths == ["pickups/2025-03-06_day.csv", "pickups/2025-03-06_DAY_2.CSV", "pickups/2025-03-06_day_3.csv"]


def test_a_name_that_was_in_the_ledger_is_not_used_again(folder, tmp_path, capsys):
    _, found = load(capsys, folder, file(tmp_path, P6), *BY)
    (folder / found["files"][0]["path"]).unlink()
    _, found = load(capsys, folder, file(tmp_path, P6 + "# again\n"), "--dry-run")
    assert found["files"][0]["path"] == "pickups/2025-03-06_day_2.csv"


def test_a_name_that_begins_with_the_day_keeps_it(folder, tmp_path, capsys):
    _, found = load(capsys, folder, file(tmp_path, P6, "2025-03-06.txt"), "--dry-run")
    assert found["files"][0]["path"] == "pickups/2025-03-06.txt"


def test_the_day_is_the_sites_own(tmp_path, capsys):
    site = small_folder.SITE.replace("[levels]", 'time_zone = "Asia/Tokyo"\n\n[levels]', 1)
    folder = small_folder.make(tmp_path / "wall", site_toml=site)
    given = file(tmp_path, P6.replace("2025-03-06T09:00", "2025-03-06T20:00Z"))
    assert load(capsys, folder, given, "--dry-run")[1]["files"][0]["path"] == "pickups/2025-03-07_day.csv"


def test_files_of_several_tables_go_in_together(folder, tmp_path, capsys):
    code, found = load(capsys, folder, file(tmp_path, P6), file(tmp_path, P6_TILT, "rig.csv"), *BY)
    assert (code, [one["table"] for one in found["files"]]) == (0, ["pickups", "tilts"])
    assert [line["file"] for line in loads(folder)] == ["pickups/2025-03-06_day.csv", "tilts/2025-03-05_rig.csv"]
    assert found["missing"] == [{"pile_id": "P5", "missing": ["lean"]}]


def test_one_bad_file_keeps_all_of_them_out(folder, tmp_path, capsys):
    before = contents(folder)
    bad = file(tmp_path, P6_TILT.replace("16.0", "deep"), "rig.csv")
    code, found = load(capsys, folder, file(tmp_path, P6), bad, *CONFIRM)
    assert (code, found["taken"], contents(folder)) == (2, False, before)
    (one,) = [one for one in found["findings"] if one["severity"] == "error"]
    assert (one["kind"], one["file"], one["line"], one["column"], one["item"]) == ("bad_value", bad, 2, "depth", "P6")


def test_a_dry_run_takes_nothing_in(folder, tmp_path, capsys):
    before = contents(folder)
    code, found = load(capsys, folder, file(tmp_path, P6), "--dry-run", *CONFIRM)
    assert (code, found["taken"], found["dry_run"], contents(folder)) == (0, False, True, before)


def test_by_default_who_is_logged_in_takes_it_in(folder, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("getpass.getuser", lambda: "night_shift")
    load(capsys, folder, file(tmp_path, P6))
    assert loads(folder)[0]["by"] == "night_shift"


def test_without_a_login_a_name_is_asked_for(folder, tmp_path, capsys, monkeypatch):
    def nobody():
        raise KeyError("uid")

    monkeypatch.setattr("getpass.getuser", nobody)
    assert main(["load", str(folder), file(tmp_path, P6)]) == 2
    assert "--by NAME" in capsys.readouterr().err


# --- findings, errors, queries ----------------------------------------------------------------------


def test_errors_name_the_users_file_and_the_pile(folder, tmp_path, capsys):
    given = file(tmp_path, P6.replace("P6", "P66"))
    code, found = load(capsys, folder, given)
    (one,) = found["findings"]
    assert code == 2
    assert one == {
        "severity": "error",
        "kind": "unknown_pile",
        "file": given,
        "line": 2,
        "column": "pile_id",
        "item": "P66",
        "text": "unknown pile 'P66', expected perhaps P6",
    }


def test_a_missing_column_is_its_own_kind(folder, tmp_path, capsys):
    _, found = load(capsys, folder, file(tmp_path, P6.replace("level", "H").replace("easting", "E")))
    assert [one["kind"] for one in found["findings"]] == ["missing_column"]


def test_the_search_is_told_which_rows_are_new_and_what_time_it_is(folder, tmp_path, capsys, told):
    load(capsys, folder, file(tmp_path, P6), file(tmp_path, P6_TILT, "rig.csv"), "--dry-run")
    assert {table: mask.tolist() for table, mask in told["fresh"].items()} == {
        "pickups": [False] * 5 + [True],
        "tilts": [False] * 4 + [True],
        "profiles": [],
        "records": [False] * 6,
    }
    assert abs(np.datetime64("now") - told["now"]) < np.timedelta64(60, "s")


def test_a_query_refuses_until_someone_says_why(folder, tmp_path, capsys, told):
    told["findings"] = [query()]
    before, given = contents(folder), file(tmp_path, P6)
    code, found = load(capsys, folder, given, *BY)
    assert (code, found["taken"], contents(folder)) == (2, False, before)
    assert (found["findings"][0]["file"], found["findings"][0]["text"]) == (given, f"P6 is odd in {given}")
    code, found = load(capsys, folder, given, *CONFIRM)
    assert (code, found["taken"]) == (0, True)
    assert loads(folder)[0]["note"] == "P6 was drilled there; confirmed: wrong_pile P6"


def test_what_was_confirmed_of_a_file_is_named_by_its_path_in_the_folder(folder, tmp_path, capsys, told):
    told["findings"] = [query(kind="shifted_load", item="pickups/2025-03-06_day.csv")]
    load(capsys, folder, file(tmp_path, P6), *CONFIRM)
    assert loads(folder)[0]["note"].endswith("confirmed: shifted_load pickups/2025-03-06_day.csv")


def test_confirming_takes_a_name(folder, tmp_path, capsys):
    assert main(["load", str(folder), file(tmp_path, P6), "--confirm", "sure"]) == 2
    assert capsys.readouterr().err.startswith("asbuilt: --confirm needs --by NAME")


@pytest.mark.parametrize("option", ["--confirm", "--by", "--surveyor", "--setup"])
def test_a_blank_is_no_answer(folder, tmp_path, capsys, option):
    assert main(["load", str(folder), file(tmp_path, P6), *BY, option, " "]) == 2
    assert f"{option} ' ': expected some text" in capsys.readouterr().err


def test_a_confirmation_does_not_mend_an_error(folder, tmp_path, capsys):
    assert load(capsys, folder, file(tmp_path, P6.replace("3.30", "high")), *CONFIRM)[0] == 2


def test_a_note_only_tells(folder, tmp_path, capsys):
    code, found = load(capsys, folder, file(tmp_path, P6.replace("level,", "level,mood,").replace("3.30,", "3.30,,")))
    assert (code, found["taken"]) == (0, True)
    assert ("unknown_column", "mood") in [(one["kind"], one["column"]) for one in found["findings"]]


def test_findings_come_gravest_first(folder, tmp_path, capsys, told):
    told["findings"] = [
        Finding(severity="note", kind="short_arc", item="P6", text="a", file="pickups/2025-03-06_day.csv", line=1),
        query(),
    ]
    _, found = load(capsys, folder, file(tmp_path, P6))
    assert [one["severity"] for one in found["findings"]] == ["query", "note"]


# --- once is enough ---------------------------------------------------------------------------------


def test_the_same_content_is_recognised_under_any_name(folder, tmp_path, capsys):
    load(capsys, folder, file(tmp_path, P6), *BY)
    before, again = contents(folder), file(tmp_path, P6, "copy of day.txt")
    code, found = load(capsys, folder, again)
    assert (code, found["taken"], found["already_taken"], found["files"]) == (0, False, [again], [])
    assert [one["kind"] for one in found["findings"]] == ["already_loaded"]
    assert contents(folder) == before


def test_what_was_put_in_by_hand_is_recognised_too(folder, tmp_path, capsys):
    given = file(tmp_path, small_folder.TILTS, "leans.csv")
    code, found = load(capsys, folder, given)
    assert (code, found["already_taken"]) == (0, [given])


def test_a_file_given_twice_goes_in_once(folder, tmp_path, capsys):
    one, two = file(tmp_path, P6, "a.csv"), file(tmp_path, P6, "b.csv")
    code, found = load(capsys, folder, one, two, *BY)
    assert (code, found["taken"], found["already_taken"]) == (0, True, [two])
    assert [line["file"] for line in loads(folder)] == ["pickups/2025-03-06_a.csv"]


def test_new_files_go_in_beside_one_that_is_in_already(folder, tmp_path, capsys):
    old = file(tmp_path, small_folder.TILTS, "leans.csv")
    code, found = load(capsys, folder, old, file(tmp_path, P6), *BY)
    assert (code, found["taken"], found["already_taken"]) == (0, True, [old])


def test_what_was_withdrawn_is_not_taken_in_again_by_a_slip(folder, tmp_path, capsys):
    given = file(tmp_path, P6)
    load(capsys, folder, given, *BY)
    assert main(["withdraw", str(folder), "pickups/2025-03-06_day.csv", *BY, "--reason", "wrong day"]) == 0
    code, found = load(capsys, folder, given, *BY)
    assert (code, found["taken"], found["already_taken"]) == (2, False, [])
    assert (found["findings"][0]["severity"], found["findings"][0]["kind"]) == ("query", "withdrawn_before")
    text = found["findings"][0]["text"]
    assert "pickups/2025-03-06_day.csv, withdrawn by A. Surveyor: wrong day (" in text
    assert str(np.datetime64("today")) in text
    code, found = load(capsys, folder, given, *CONFIRM)
    assert (code, found["taken"]) == (0, True)
    assert found["files"][0]["path"] == "pickups/2025-03-06_day_2.csv"


# --- what the file does not say ---------------------------------------------------------------------


def test_options_stand_in_for_what_the_file_does_not_say(folder, tmp_path, capsys):
    said = ("--surveyed-at", "2025-03-06T10:00", "--surveyor", "B. Shot", "--setup", "7", "--object", "casing")
    assert load(capsys, folder, file(tmp_path, P6_BARE), *said, *BY)[0] == 0
    (line,) = loads(folder)
    assert json.loads(line["options"]) == {
        "object": "casing",
        "setup": "7",
        "surveyed_at": "2025-03-06T10:00",
        "surveyor": "B. Shot",
    }
    row = read_survey(folder).pickups.take(np.array([5]))
    assert row["surveyed_at"][0] == np.datetime64("2025-03-06T10:00")
    assert (row["surveyor"][0], row["setup"][0], row["object"][0]) == ("B. Shot", "7", 0)


def test_a_date_from_the_files_name_is_kept_as_said(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall", site_toml=small_folder.SITE + TOTAL)
    given = file(tmp_path, P6_BARE.replace("point", "Nr"), "job_20250306.csv")
    code, found = load(capsys, folder, given, "--format", "total", *BY)
    assert (code, found["files"][0]["path"]) == (0, "pickups/2025-03-06_job_20250306.csv")
    assert found["files"][0]["options"] == {"format": "total", "surveyed_at": "2025-03-06"}
    assert read_survey(folder).pickups["surveyed_at"][-1] == np.datetime64("2025-03-06T23:59:59")


def test_what_is_said_outranks_the_date_in_the_name(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall", site_toml=small_folder.SITE + TOTAL)
    given = file(tmp_path, P6_BARE.replace("point", "Nr"), "job_20250306.csv")
    load(capsys, folder, given, "--surveyed-at", "2025-03-07", *BY)
    assert read_survey(folder).pickups["surveyed_at"][-1] == np.datetime64("2025-03-07T23:59:59")


def test_an_option_that_no_file_has_a_column_for_is_refused(folder, tmp_path, capsys):
    assert main(["load", str(folder), file(tmp_path, P6_TILT), "--object", "head"]) == 2
    assert capsys.readouterr().err == "asbuilt: --object: tilts have no such column\n"


def test_rows_that_say_something_else_hold_and_that_is_told(folder, tmp_path, capsys):
    given = file(tmp_path, P6.replace("level,", "level,object,").replace("3.30,", "3.30,head,"))
    assert main(["load", str(folder), given, "--object", "casing", *BY]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "1 of 1 rows have another object than casing; what stands in the file holds" in text
    assert read_survey(folder).pickups["object"][-1] == 1


def test_a_time_that_cannot_be_meant_is_bad_usage(folder, tmp_path, capsys):
    assert main(["load", str(folder), file(tmp_path, P6_BARE), "--surveyed-at", "6.3.25"]) == 2
    assert "--surveyed-at" in capsys.readouterr().err


def test_an_unknown_format_names_those_there_are(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall", site_toml=small_folder.SITE + TOTAL)
    assert main(["load", str(folder), file(tmp_path, P6), "--format", "gps"]) == 2
    assert capsys.readouterr().err == "asbuilt: no column mapping 'gps'; site.toml has: total (pickups)\n"


def test_a_table_that_cannot_be_told_is_asked_for(folder, tmp_path, capsys):
    before = contents(folder)
    assert main(["load", str(folder), file(tmp_path, "Nr;Y;X\n1;2;3\n")]) == 2
    assert "Say it with --as" in " ".join(capsys.readouterr().err.split())
    assert contents(folder) == before


def test_files_that_are_not_there_are_all_named(folder, tmp_path, capsys):
    assert main(["load", str(folder), str(tmp_path / "a.csv"), str(tmp_path)]) == 2
    err = " ".join(capsys.readouterr().err.split())
    assert f"{tmp_path / 'a.csv'}: no such file; {tmp_path}: a folder" in err


def test_a_folder_that_cannot_be_read_takes_nothing(folder, tmp_path, capsys):
    (folder / "tilts" / "bad.csv").write_text("pile_id\nP1\n", encoding="utf-8")
    before = contents(folder)
    code, found = load(capsys, folder, file(tmp_path, P6))
    assert (code, [one["file"] for one in found["errors"]]) == (2, ["tilts/bad.csv"])
    assert contents(folder) == before


# --- two at once ------------------------------------------------------------------------------------


def test_what_came_in_meanwhile_is_looked_at_first(folder, tmp_path, capsys, monkeypatch):
    import asbuilt.intake.ledger

    taking_in, given, rounds = asbuilt.intake.ledger.taking_in, file(tmp_path, P6), []

    def late(*arguments, **options):
        if not rounds:
            rounds.append("another computer takes the same file in just now")
            assert main(["load", str(folder), file(tmp_path, P6, "other.csv"), *BY]) == 0
            capsys.readouterr()
        return taking_in(*arguments, **options)

    monkeypatch.setattr(asbuilt.intake.ledger, "taking_in", late)
    code, found = load(capsys, folder, given, *BY)
    assert [line["file"] for line in loads(folder)] == ["pickups/2025-03-06_other.csv"]
    assert (code, found["taken"], found["already_taken"]) == (0, False, [given])


# --- text -------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("folder")
def test_the_text_is_as_last_looked_at(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file(tmp_path, P6)
    assert main(["load", "wall", "day.csv", *BY]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("load_small_wall.txt", text)


@pytest.mark.usefixtures("folder")
def test_the_text_of_a_refusal_is_as_last_looked_at(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file(tmp_path, P6_WRONG)
    assert main(["load", "wall", "day.csv", *BY]) == 2
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("load_refused_small_wall.txt", text)


def test_what_is_missing_is_cut_where_it_is_long(tmp_path, capsys):
    design = small_folder.DESIGN + "".join(
        f"P{k},A,{k},{'primary' if k % 2 else 'secondary'},{100 + 0.75 * k:.2f},200.00,880,-12.00\n"
        for k in range(9, 40)
    )
    records = "pile_id,drilled_at\n" + "".join(f"P{k},2025-03-06T09:00\n" for k in range(9, 40))
    folder = small_folder.make(tmp_path / "wall", design_piles_csv=design)
    assert main(["load", str(folder), file(tmp_path, records), *BY]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "Still missing: 33 of 37 piles that are drilled or begun lack something" in lines
    assert sum(line.rstrip().endswith("missing  -") for line in lines) == 20
    assert "  … and 13 more; `--json` lists them all" in lines
