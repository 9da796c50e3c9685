"""What a load says beside its findings: the file's own columns, check shots, what was not searched."""

from __future__ import annotations

import json

import pytest
import small_folder

from asbuilt.__main__ import main
from asbuilt.commands.trial_findings import explained_piles
from asbuilt.model import Finding

MAPPED = """
[columns.pickups]
point = "PtNo"
easting = "Y"
northing = "X"
level = "H"
code = "Feat"
object_from = { CSG = "casing", HED = "head" }
shot_from = { CSG = "centre", HED = "centre" }
pile_id_from = "^(P[0-9]+)"
date_from_name = "%Y%m%d"
"""
THEIRS = "PtNo,Y,X,H,Feat\n"
CONTROL = "point,easting,northing,map_e,map_n\nK1,110.000,190.000,110.000,190.000\nK2,90.000,195.000,90.000,195.000\n"


@pytest.fixture
def folder(tmp_path):
    site = small_folder.SITE + MAPPED
    folder = small_folder.make(tmp_path / "wall", site_toml=site)
    (folder / "control").mkdir(exist_ok=True)
    (folder / "control" / "points.csv").write_text(CONTROL, encoding="utf-8")
    return folder


def say(capsys, folder, path, text, *more):
    path.write_text(text, encoding="utf-8")
    code = main(["load", str(folder), str(path), "--by", "N. N.", *more])
    return code, " ".join(capsys.readouterr().out.split())


def test_the_files_own_column_stands_beside_ours(folder, tmp_path, capsys):
    day = tmp_path / "20250306.csv"
    code, text = say(capsys, folder, day, THEIRS + "P6,10l.5,200.001,3.30,HED\n")
    assert code == 2
    assert "20250306.csv:2 Y (easting)" in text


def test_a_code_that_is_none_is_one_error_under_the_codes_column(folder, tmp_path, capsys):
    day = tmp_path / "20250306.csv"
    _, text = say(capsys, folder, day, THEIRS + "P6,104.501,200.001,3.30,XYZ\n")
    assert text.count("unknown code 'XYZ'") == 1
    assert "Found: 1 error " in text
    assert "Feat (object)" in text


def test_with_errors_it_says_that_nothing_was_searched(folder, tmp_path, capsys):
    day = tmp_path / "20250306.csv"
    _, text = say(capsys, folder, day, THEIRS + "P6,10l.5,200.001,3.30,HED\n")
    assert "1 file, NOT searched: with errors the load cannot be read as a whole" in text
    assert "searched against the design" not in text
    assert main(["load", str(folder), str(day), "--json"]) == 2
    printed = json.loads(capsys.readouterr().out)
    assert (printed["searched"], printed["findings"][0]["column"], printed["findings"][0]["column_in_file"]) == (
        (False, "easting", "Y")
    )


def test_a_date_that_came_from_the_files_name_is_not_said_to_be_given(folder, tmp_path, capsys):
    day = tmp_path / "20250306.csv"
    _, text = say(capsys, folder, day, THEIRS + "P6,104.501,200.001,3.30,HED\n", "--dry-run")
    assert "date from its name: 2025-03-06" in text
    assert "said with it" not in text


def test_good_check_shots_have_a_line(folder, tmp_path, capsys):
    day = tmp_path / "day.csv"
    rows = [
        "point,pile_id,easting,northing,level,surveyed_at,object",
        "K1,,110.003,190.004,4.00,2025-03-06T08:00,check",
        "K2,,90.001,195.000,4.00,2025-03-06T08:05,check",
        "S6,P6,104.501,200.001,3.30,2025-03-06T12:00,head",
    ]
    code, text = say(capsys, folder, day, "\n".join(rows) + "\n")
    assert code == 0
    assert "Check shots of day.csv, off control in plan: K1 5 mm, K2 1 mm (on average E +2 mm, N +2 mm)" in text


def test_a_withdrawn_profile_makes_room_for_the_right_one(folder, tmp_path, capsys):
    rows = "".join(f"P6,2025-03-06T10:00,{depth},{0.9 * depth:.1f},{-0.4 * depth:.1f}\n" for depth in range(1, 16))
    header = "pile_id,read_at,depth,off_e_mm,off_n_mm\n"
    assert say(capsys, folder, tmp_path / "log.csv", header + rows)[0] == 0
    wrong = ["--by", "N. N.", "--reason", "another pile's"]
    assert main(["withdraw", str(folder), "profiles/2025-03-06_log.csv", *wrong]) == 0
    other = header + rows.replace("10:00,1,0.9", "10:00,1,1.0")
    assert say(capsys, folder, tmp_path / "right.csv", other)[0] == 0


def query(kind: str, item: str, path: str = "pickups/new.csv") -> Finding:
    return Finding(severity="query", kind=kind, item=item, text="odd", file=path, line=2)


def test_axes_disagree_is_not_told_beside_its_cause():
    loaded = {"pickups/new.csv": {"P1", "P2"}, "tilts/new.csv": {"P2", "P3"}}
    assert explained_piles([query("shifted_load", "S1")], loaded) == {"P1", "P2"}
    assert explained_piles([query("sign_flip", "tilts/new.csv", "tilts/new.csv")], loaded) == {"P2", "P3"}
    assert explained_piles([query("wrong_pile", "P1")], loaded) == {"P1"}
    assert explained_piles([query("future_date", "P1"), query("time_order", "P2")], loaded) == set()
