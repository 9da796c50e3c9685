"""``asbuilt run``: everything or nothing, what it answers, and what may be kept."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import sqlite3
from typing import TYPE_CHECKING

import pytest
import small_folder
from golden_files import assert_golden
from told import told

from asbuilt.__main__ import main
from asbuilt.errors import TargetError

if TYPE_CHECKING:
    from pathlib import Path

ALL = ["asbuilt.gpkg", "joints.csv", "review.html", "run.json", "schedule.csv", "sheets.pdf"]


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder that was run once, and the answer; not to be changed."""
    folder = small_folder.make(tmp_path_factory.mktemp("made") / "wall")
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["run", str(folder), "--json"]) == 0
    return folder, json.loads(out.getvalue())


def run_json(capsys, *arguments: str) -> dict:
    assert main(["run", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def hashes(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_an_item_that_fails_two_checks_is_one_item(folder, capsys):
    site = (folder / "site.toml").read_text(encoding="utf-8").replace("toe_mm = 100", "toe_mm = 100\nencroach_mm = 50")
    (folder / "site.toml").write_text(site, encoding="utf-8")
    held_by = run_json(capsys, str(folder))["stages"][0]["held_by"]
    assert held_by.count("P7") == 1


def test_one_run_writes_all_and_answers_in_json(made):
    folder, answer = made
    assert names(folder / "out") == ALL
    assert answer["piles"] == {"within": 3, "unresolved": 0, "outside": 1, "not surveyed": 4}
    assert answer["joints"] == {"within": 2, "unresolved": 0, "outside": 1, "not surveyed": 4}
    assert answer["progress"] == {"to drill": 2, "drilled": 1, "concreted": 0, "surveyed": 5, "abandoned": 0}
    assert [stage["state"] for stage in answer["stages"]] == ["held", "held"]
    assert answer["stages"][0]["held_by"][0] == "P3~P4"
    assert answer["missing"] == {"no pickup": ["P6"], "no lean reading": ["P5", "P6"], "no toe recorded": ["P5"]}
    assert answer["checks_not_made"] == ["movement towards the pit (tolerance.encroach_mm)"]
    assert answer["findings"] == sum(answer["findings_by_kind"].values())
    assert answer["out"] == str(folder / "out")
    assert sorted(answer["files"]) == ALL


def test_the_record_names_inputs_and_outputs(made):
    folder, _ = made
    record = json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))
    assert sorted(file["path"] for file in record["inputs"]) == sorted(small_folder.FILES)
    outputs = hashes(folder / "out")
    outputs.pop("run.json")
    assert record["outputs"] == outputs


def test_tables_and_layers_hold_every_pile_and_joint(made):
    folder, _ = made
    out = folder / "out"
    assert len((out / "schedule.csv").read_text(encoding="utf-8").splitlines()) == 9
    assert len((out / "joints.csv").read_text(encoding="utf-8").splitlines()) == 8
    database = sqlite3.connect(out / "asbuilt.gpkg")
    try:
        (piles,) = database.execute("SELECT count(*) FROM asbuilt_piles").fetchone()
        (description,) = database.execute("SELECT metadata FROM gpkg_metadata LIMIT 1").fetchone()
    finally:
        database.close()
    assert piles == 8
    assert "It is not a permit" in description


def test_the_same_inputs_give_the_same_bytes(made, capsys, tmp_path):
    folder, _ = made
    run_json(capsys, str(folder), "--out", str(tmp_path / "again"))
    first, second = hashes(folder / "out"), hashes(tmp_path / "again")
    for outputs in (first, second):
        outputs.pop("run.json")
    assert first == second


def test_the_summary_is_as_last_looked_at(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder.parent)
    assert main(["run", "wall"]) == 0
    captured = capsys.readouterr()
    assert max(map(len, captured.out.splitlines())) <= 80
    assert captured.err == ""
    assert_golden("summary_small_wall.txt", captured.out)


def test_files_without_rows_are_not_counted_as_read(folder, capsys):
    (folder / "control").mkdir()
    (folder / "control" / "points.csv").write_text("point,easting,northing,map_e,map_n\n", encoding="utf-8")
    assert main(["run", str(folder)]) == 0
    (read,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Files read")]
    assert read == "Files read  1 design, 1 pickups, 1 tilts, 1 records"


def test_the_summary_never_says_safe(folder, capsys):
    assert main(["run", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "safe" not in out
    assert "excavation needs the release of" in out


def test_as_of_takes_back_what_came_later(folder, capsys):
    answer = run_json(capsys, str(folder), "--as-of", "2025-03-05T12:15")
    assert answer["as_of"] == "2025-03-05T12:15:00Z"
    assert answer["progress"]["surveyed"] == 2


def test_a_date_alone_is_the_end_of_that_day_in_the_sites_zone(folder, capsys):
    site = (
        (folder / "site.toml").read_text(encoding="utf-8").replace("[levels]", 'time_zone = "Etc/GMT-3"\n[levels]', 1)
    )
    (folder / "site.toml").write_text(site, encoding="utf-8")
    assert run_json(capsys, str(folder), "--as-of", "2025-03-05")["as_of"] == "2025-03-05T20:59:59Z"


def test_bad_input_is_listed_whole_and_nothing_is_written(tmp_path, capsys):
    pickups = small_folder.PICKUPS.replace("100.752", "wide").replace("S3,P3", "S3,P33")
    folder = small_folder.make(tmp_path / "wall", pickups_2025_03_05_csv=pickups)
    assert main(["run", str(folder)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    first, second, last = captured.err.splitlines()
    assert first.startswith("pickups/2025-03-05.csv:2: easting: 'wide'")
    assert second.startswith("pickups/2025-03-05.csv:4: pile_id: ")
    assert last == "asbuilt: 2 problems in the input, nothing was written"
    assert not (folder / "out").exists()


def test_bad_input_leaves_the_former_outputs(folder, capsys):
    run_json(capsys, str(folder))
    before = hashes(folder / "out")
    (folder / "pickups" / "2025-03-05.csv").write_text("point\n", encoding="utf-8")
    assert main(["run", str(folder)]) == 2
    assert hashes(folder / "out") == before


def test_a_fresh_folder_says_that_there_are_no_piles_yet(tmp_path, capsys):
    assert main(["new", str(tmp_path / "wall")]) == 0
    capsys.readouterr()
    assert main(["run", str(tmp_path / "wall")]) == 2
    assert capsys.readouterr().err.startswith("design/piles.csv: no piles")


def test_a_fresh_folder_runs_as_soon_as_it_has_piles(tmp_path, capsys):
    folder = tmp_path / "wall"
    assert main(["new", str(folder)]) == 0
    capsys.readouterr()
    ring = [(100.0, 200.0), (100.75, 200.0), (100.75, 200.75), (100.0, 200.75)]
    rows = [f"A{k},A,{k},primary,{e},{n},880,,-12.0,planned" for k, (e, n) in enumerate(ring, 1)]
    table = folder / "design" / "piles.csv"
    table.write_text(table.read_text(encoding="utf-8") + "\n".join(rows) + "\n", encoding="utf-8")
    answer = run_json(capsys, str(folder))
    assert answer["piles"]["not surveyed"] == 4
    assert answer["progress"]["to drill"] == 4
    assert answer["checks_not_made"][-1] == "toe level (tolerance.toe_mm)"


def test_a_failure_on_the_way_leaves_the_former_outputs(folder, capsys, monkeypatch):
    run_json(capsys, str(folder))
    before = hashes(folder / "out")

    def fail(*_arguments: object, **_more: object) -> None:
        raise TargetError("the sheets cannot be written")

    monkeypatch.setattr("asbuilt.output.sheets.book.write_sheets", fail)
    assert main(["run", str(folder), "--as-of", "2025-03-04"]) == 2
    assert capsys.readouterr().err.splitlines()[-1] == "asbuilt: the sheets cannot be written"
    assert hashes(folder / "out") == before
    assert sorted(path.name for path in folder.iterdir() if path.name.startswith(".")) == []


def test_only_makes_one_kind_and_keeps_the_others(folder, capsys):
    run_json(capsys, str(folder))
    before = hashes(folder / "out")
    answer = run_json(capsys, str(folder), "--only", "sheets", "--only", "joints")
    after = hashes(folder / "out")
    for made in (before, after):
        made.pop("run.json")
    assert after == before
    assert sorted(answer["files"]) == ALL
    record = json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))
    assert record["outputs"] == after


def test_only_into_an_empty_place_makes_that_kind_alone(folder, capsys):
    run_json(capsys, str(folder), "--only", "schedule")
    assert names(folder / "out") == ["run.json", "schedule.csv"]


def change_an_input(folder: Path) -> None:
    with (folder / "tilts" / "2025-03-03.csv").open("a", encoding="utf-8") as stream:
        stream.write("# a line\n")


def change_an_output(folder: Path) -> None:
    (folder / "out" / "schedule.csv").write_text("mine", encoding="utf-8")


def lose_the_record(folder: Path) -> None:
    (folder / "out" / "run.json").unlink()


def spoil_the_record(folder: Path) -> None:
    (folder / "out" / "run.json").write_text("[]", encoding="utf-8")


def pretend_another_version(folder: Path) -> None:
    path = folder / "out" / "run.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**record, "tool_version": "0.0.9"}), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (change_an_input, "tilts/2025-03-03.csv changed since they were made"),
        (change_an_output, "schedule.csv is not as the run left it"),
        (lose_the_record, "there is no run.json that says what they were made from"),
        (spoil_the_record, "its run.json cannot be read"),
        (pretend_another_version, "they were made by version 0.0.9"),
    ],
)
def test_only_does_not_keep_what_is_of_another_state(folder, capsys, change, said):
    run_json(capsys, str(folder))
    change(folder)
    before = hashes(folder / "out")
    assert main(["run", str(folder), "--only", "joints"]) == 2
    assert said in told(capsys)
    assert hashes(folder / "out") == before


def test_only_does_not_keep_what_is_as_of_another_time(folder, capsys):
    run_json(capsys, str(folder))
    assert main(["run", str(folder), "--only", "joints", "--as-of", "2025-03-04"]) == 2
    assert "they are as of 2025-03-05T12:40" in told(capsys)


@pytest.mark.parametrize("where", [".", "pickups", "design/new"])
def test_outputs_do_not_go_where_inputs_lie(folder, capsys, where):
    assert main(["run", str(folder), "--out", str(folder / where)]) == 2
    assert "holds inputs; give another folder" in told(capsys)


def test_a_file_in_the_way_of_out_is_refused(folder, capsys):
    (folder / "out").write_text("mine", encoding="utf-8")
    assert main(["run", str(folder)]) == 2
    assert "a file is in the way" in capsys.readouterr().err
    assert (folder / "out").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("only", [[], ["--only", "joints"]])
def test_a_folder_in_the_way_of_an_output_is_refused(folder, capsys, only):
    notes = folder / "out" / "asbuilt.gpkg"
    notes.mkdir(parents=True)
    (notes / "note.txt").write_text("mine", encoding="utf-8")
    assert main(["run", str(folder), *only]) == 2
    assert f"{notes}: a folder is in the way of the file of this name; move it" in told(capsys)
    assert [path.name for path in folder.joinpath("out").rglob("*")] == ["asbuilt.gpkg", "note.txt"]


def test_what_others_put_into_out_stays(folder, capsys):
    (folder / "out" / "setout").mkdir(parents=True)
    (folder / "out" / "setout" / "day.csv").write_text("mine", encoding="utf-8")
    run_json(capsys, str(folder))
    assert (folder / "out" / "setout" / "day.csv").read_text(encoding="utf-8") == "mine"


def test_a_missing_folder_is_told(tmp_path, capsys):
    assert main(["run", str(tmp_path / "nowhere")]) == 2
    assert "no such folder" in capsys.readouterr().err
