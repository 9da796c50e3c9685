"""The door to a survey folder."""

from __future__ import annotations

import hashlib
import json
import os

import numpy as np
import pytest

from asbuilt import columns
from asbuilt.errors import InputError, UsageError
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.model import Survey


def test_a_good_folder(folder):
    survey = folder.survey()
    assert isinstance(survey, Survey)
    assert survey.folder == str(folder.path)
    assert survey.settings.site.name == "Invented yard"
    assert [(file.path, file.table, file.rows) for file in survey.files] == [
        ("site.toml", "settings", 0),
        ("design/piles.csv", "design", 4),
        ("pickups/day1.csv", "pickups", 2),
        ("tilts/day1.csv", "tilts", 2),
        ("profiles/log1.csv", "profiles", 2),
        ("records/day1.csv", "records", 1),
    ]
    for file in survey.files:
        assert file.sha256 == hashlib.sha256((folder.path / file.path).read_bytes()).hexdigest()
    assert len(survey.control) == len(survey.set_out) == len(survey.decisions) == 0
    assert survey.ledger_rows == ()


def test_every_table_keeps_the_conventions(folder):
    folder.write("control/points.csv", "point,easting,northing,map_e,map_n\nC1,0,0,5,5\n")
    folder.write("set_out/approved.csv", "pile_id,easting,northing,approved_by,at\nP3,1,2,Engineer 1,2026-03-01\n")
    folder.write("decisions.csv", "at,by,item,effect,reason\n2026-03-05,Engineer 1,P1,accept,seen\n")
    survey = folder.survey()
    kinds = {"text": "O", "id": "O", "float": "f", "choice": "i", "time": "M"}
    for name, definition in columns.TABLES.items():
        table = getattr(survey, name)
        assert table.name == name
        assert list(table.columns) == [column.name for column in definition.columns]
        for column in definition.columns:
            values = table[column.name]
            assert len(values) == len(table)
            expected = kinds.get(column.kind, "i" if column.default else "f")
            assert values.dtype.kind == expected, column.name
            assert values.dtype != np.int8 or column.kind == "choice"
        assert {table.file.dtype, table.line.dtype, table.pile.dtype} == {np.dtype(np.int32)}
    assert survey.set_out.pile.tolist() == [2]
    assert survey.control.pile.tolist() == [-1]
    assert survey.decisions.pile.tolist() == [-1]
    assert survey.decisions["effect"].tolist() == [0]


def test_files_of_one_table_are_joined_by_name(folder):
    header = "point,pile_id,easting,northing,level,surveyed_at\n"
    folder.write("pickups/b.CSV", header + "9,P3,1,2,3,2026-03-03\n")
    folder.write("pickups/a.txt", "# first\n" + header + "8,P4,1,2,3,2026-03-03\n")
    folder.write("pickups/.hidden.csv", "not a table")
    folder.write("pickups/notes.md", "not a table")
    survey = folder.survey()
    assert survey.pickups["point"].tolist() == ["8", "9", "1001", "1002"]
    assert [survey.files[place].path for place in survey.pickups.file] == [
        "pickups/a.txt",
        "pickups/b.CSV",
        "pickups/day1.csv",
        "pickups/day1.csv",
    ]
    assert survey.pickups.line.tolist() == [3, 2, 2, 3]
    assert survey.pickups.pile.tolist() == [3, 2, 0, 1]
    assert survey.pickups["setup"].tolist() == [
        "pickups/a.txt",
        "pickups/b.CSV",
        "pickups/day1.csv",
        "pickups/day1.csv",
    ]


def test_what_is_no_table_in_a_folder_of_loads_is_named_and_not_read(folder):
    folder.write("tilts/rig.log", "started\n").write("pickups/day2.xlsx", "no table").write("records/old/a.csv", "x\n")
    folder.write("tilts/.hidden", "x").write("tilts/README.md", "x").write("design/notes.md", "x")
    assert folder.survey().ignored == ("pickups/day2.xlsx", "tilts/rig.log", "records/old")


def test_folders_of_loads_may_be_absent(folder):
    for name in ("pickups/day1.csv", "tilts/day1.csv", "profiles/log1.csv", "records/day1.csv"):
        folder.remove(name)
        (folder.path / name).parent.rmdir()
    survey = folder.survey()
    assert len(survey.pickups) == len(survey.tilts) == len(survey.profiles) == len(survey.records) == 0
    assert survey.tilts["from_level"].dtype == np.float64
    assert survey.notes == ()


def test_nothing_is_written(folder):
    before = {path: path.stat().st_mtime_ns for path in folder.path.rglob("*")}
    folder.survey()
    assert {path: path.stat().st_mtime_ns for path in folder.path.rglob("*")} == before


def test_site_time_zone(folder):
    folder.change("site.toml", 'name = "Invented yard"', 'name = "Invented yard"\ntime_zone = "Etc/GMT-3"')
    folder.change("pickups/day1.csv", "2026-03-02T14:30:00Z", "2026-03-02T14:30")
    at = folder.survey().pickups["surveyed_at"]
    assert at.tolist() == np.array(["2026-03-02T11:30", "2026-03-02T14:31"], "M8[ms]").tolist()


def test_links_out_of_the_folder_are_followed(folder, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "day.csv"
    elsewhere.write_bytes((folder.path / "pickups/day1.csv").read_bytes())
    folder.remove("pickups/day1.csv")
    (folder.path / "pickups/link.csv").symlink_to(elsewhere)
    assert len(folder.survey().pickups) == 2


def test_progress_rises_to_one(folder):
    told = []
    read_survey(folder.path, progress=lambda what, share: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert "tilts/day1.csv" in [what for what, _ in told]


def test_a_load_may_be_tried_before_it_is_taken_in(folder):
    data = b"point,pile_id,easting,northing,level,surveyed_at\n9,P3,1,2,3,2026-03-03\n"
    new = Source(path="pickups/day2.csv", table="pickups", data=data)
    survey = read_survey(folder.path, extra=[new])
    assert survey.pickups["point"].tolist() == ["1001", "1002", "9"]
    assert not (folder.path / "pickups/day2.csv").exists()
    instead = Source(path="pickups/day1.csv", table="pickups", data=data)
    assert read_survey(folder.path, extra=[instead]).pickups["point"].tolist() == ["9"]


# ------------------------------------------------------------------------------------------------ the ledger

LEDGER = (
    "at,by,action,file,sha256,options,note,previous_sha256\n"
    "2026-03-02T18:00:00Z,Surveyor 1,load,pickups/day1.csv,ab,,,\n"
)


def test_without_a_ledger_one_note(folder):
    (note,) = folder.survey().notes
    assert (note.severity, note.kind, note.item, note.file) == ("note", "not_in_ledger", "ledger.csv", "ledger.csv")
    assert note.text == "4 files stand in the folder without a ledger; they count"
    assert note.kind in columns.FINDINGS


def test_files_that_the_ledger_does_not_name(folder):
    survey = folder.write("ledger.csv", LEDGER).survey()
    by_hand = [note.item for note in survey.notes if note.kind == "not_in_ledger"]
    assert by_hand == ["tilts/day1.csv", "profiles/log1.csv", "records/day1.csv"]
    assert survey.ledger_rows == (
        {
            "at": "2026-03-02T18:00:00Z",
            "by": "Surveyor 1",
            "action": "load",
            "file": "pickups/day1.csv",
            "sha256": "ab",
            "options": "",
            "note": "",
            "previous_sha256": "",
        },
    )
    assert survey.files[-1].table == "ledger"


def test_ledger_that_cannot_be_read(folder):
    folder.write("ledger.csv", LEDGER.replace("previous_sha256", "previous_sha") + "x\n")
    assert folder.problems() == [
        (
            "ledger.csv:1: previous_sha256: missing column, "
            "expected a column called previous_sha256, perhaps 'previous_sha'"
        ),
        "ledger.csv:3: 1 cell, expected 8, as in the header row",
    ]


def test_unknown_column_is_noted_with_its_file(folder):
    folder.change("records/day1.csv", "rig\n", "rig,weather\n").change("records/day1.csv", "Rig 1\n", "Rig 1,dry\n")
    notes = [note for note in folder.survey().notes if note.kind == "unknown_column"]
    assert [(note.item, note.line, note.column) for note in notes] == [("records/day1.csv", 1, "weather")]
    assert "unknown_column" in columns.FINDINGS


# -------------------------------------------------------------------------------------------- what is wrong


def test_no_such_folder(tmp_path):
    with pytest.raises(UsageError, match="no such folder"):
        read_survey(tmp_path / "nowhere")
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="not a folder"):
        read_survey(tmp_path / "file")


def test_empty_folder(tmp_path):
    with pytest.raises(InputError) as caught:
        read_survey(tmp_path)
    assert str(caught.value) == (
        f"site.toml: the folder {tmp_path} has no site.toml, "
        "expected a survey folder; `asbuilt new DIR` makes one, DIR new or empty"
    )


def test_design_missing(folder):
    assert folder.remove("design/piles.csv").problems() == ["design/piles.csv: missing, expected a file"]


def test_folder_in_place_of_a_file(folder):
    (folder.path / "tilts/odd.csv").mkdir()
    (folder.path / "decisions.csv").mkdir()
    assert folder.problems() == [
        "decisions.csv: a folder, expected a file",
        "tilts/odd.csv: a folder, expected a file",
    ]


def test_file_in_place_of_a_folder(folder):
    folder.remove("tilts/day1.csv")
    (folder.path / "tilts").rmdir()
    (folder.path / "tilts").touch()
    assert folder.problems() == ["tilts: a file, expected a folder of files"]


def test_link_to_nothing(folder):
    (folder.path / "tilts/gone.csv").symlink_to(folder.path / "nowhere")
    (folder.path / "decisions.csv").symlink_to(folder.path / "nowhere")
    assert folder.problems() == [
        "decisions.csv: a link to nothing, expected a file",
        "tilts/gone.csv: a link to nothing, expected a file",
    ]


def test_pipe_in_place_of_a_file(folder):
    os.mkfifo(folder.path / "tilts/pipe.csv")
    assert folder.problems() == ["tilts/pipe.csv: neither a file nor a folder, expected a file"]


def test_file_that_may_not_be_read(folder, monkeypatch):
    from pathlib import Path

    read_bytes = Path.read_bytes

    def refuse(path):
        if path.name == "log1.csv":
            raise PermissionError(13, "Permission denied")
        return read_bytes(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert folder.problems() == [
        "profiles/log1.csv: cannot be read: permission denied, expected a file that can be read"
    ]


def test_name_that_cannot_be_printed(folder):
    os.link(folder.path / "tilts/day1.csv", os.fsencode(folder.path) + b"/tilts/\xff\nx.csv")
    paths = [file.path for file in folder.survey().files]
    assert "tilts/\ufffd\ufffdx.csv" in paths


def test_every_problem_of_every_file_in_one_pass(folder):
    folder.change("site.toml", "plan_mm = 25", "plan_mm = -25")
    folder.change("design/piles.csv", "P4,A,4,secondary", "P4,A,2,secondary")
    folder.change("pickups/day1.csv", "3.412", "nan").change("pickups/day1.csv", "1002,P2", "1002,P22")
    folder.write("tilts/day1.csv", b"\xff\xfeP\x00")
    folder.change("records/day1.csv", "drilled_at", "drilled")
    folder.write("control/points.csv", "")
    folder.write("design/clear_outline.geojson", "{")
    assert folder.problems() == [
        "control/points.csv: empty, expected a table with a header row",
        (
            "design/clear_outline.geojson: not JSON, at line 1: expecting property name enclosed in double quotes, "
            "expected GeoJSON with a layer of one polygon"
        ),
        "design/piles.csv:5: position: 2 of wall A is taken, at line 3, expected a place of its own",
        (
            "pickups/day1.csv:2: level: 'nan' is not a finite number, "
            "expected a number, or nothing where none was measured"
        ),
        "pickups/day1.csv:3: pile_id: unknown pile 'P22', expected perhaps P2",
        "site.toml:15: tolerance.plan_mm: -25 is too small, expected more than 0",
        "tilts/day1.csv: UTF-16 or UTF-32 text, expected a table as UTF-8 text: save it anew as CSV UTF-8",
    ]


def test_site_file_that_is_not_toml(folder):
    folder.change("site.toml", "plan_mm = 25", "plan_mm =")
    folder.change("pickups/day1.csv", "3.412", "high").change("records/day1.csv", "pile_id", "Pile")
    assert folder.problems() == [
        "pickups/day1.csv:2: level: 'high' is not a number, expected a number",
        "site.toml:15: not TOML: Invalid value, expected a TOML file",
    ]


def test_site_file_that_is_not_text(folder):
    folder.write("site.toml", b'[site]\nname = "\xe9"\n')
    assert folder.problems() == ["site.toml:2: not UTF-8 text, expected a TOML file, saved as UTF-8"]


def test_mappings_hold_also_when_other_settings_are_wrong(folder):
    folder.change("records/day1.csv", "pile_id", "Pile")
    folder.add("site.toml", '[columns.records]\npile_id = "Pile"\n[sequence]\ncut_after = 3\n')
    assert folder.problems() == ["site.toml:24: sequence.cut_after: unknown key, expected perhaps cut_after_h"]


def test_design_elsewhere_is_read_also_when_other_settings_are_wrong(folder):
    (folder.path / "design/piles.csv").rename(folder.path / "design/revision_b.csv")
    folder.add("site.toml", '[design]\npiles = "design/revision_b.csv"\n[sequence]\ncut_after = 3\n')
    folder.change("pickups/day1.csv", "1002,P2", "1002,P22")
    assert folder.problems() == [
        "pickups/day1.csv:3: pile_id: unknown pile 'P22', expected perhaps P2",
        "site.toml:24: sequence.cut_after: unknown key, expected perhaps cut_after_h",
    ]


def test_problems_are_sorted_and_can_be_counted(folder):
    folder.change("pickups/day1.csv", "3.412", "x").change("pickups/day1.csv", "3.405", "y")
    with pytest.raises(InputError) as caught:
        folder.survey()
    assert [(problem.file, problem.line, problem.column) for problem in caught.value.problems] == [
        ("pickups/day1.csv", 2, "level"),
        ("pickups/day1.csv", 3, "level"),
    ]


def test_notes_can_be_written_as_json(folder):
    for note in folder.survey().notes:
        assert json.loads(json.dumps(note.__dict__))["kind"] == "not_in_ledger"
