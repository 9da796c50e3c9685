"""``asbuilt verify``: what it says of a survey folder and of an archive, and with which exit code."""

from __future__ import annotations

import json
import random
import shutil
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
import small_folder
from golden_files import assert_golden

from asbuilt.__main__ import main
from asbuilt.intake.ledger import line_sha256, read_ledger, taking_in

LOAD = "pickups/2025-03-06_day.csv"
SHOT = b"point,pile_id,easting,northing,level,surveyed_at\nS6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"
TOP = "invented-wall"


def make(folder: Path) -> Path:
    """Return a folder with a load of a set time, so that its hashes are always the same."""
    small_folder.make(folder)
    with taking_in(folder, by="A. Surveyor", at=datetime(2025, 3, 6, 17, 30, tzinfo=UTC), told=print) as entry:
        entry.add(LOAD, SHOT, action="load")
    return folder


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make(tmp_path / "wall")
    return Path("wall")


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    from asbuilt.output.bag import write_bag

    path = tmp_path_factory.mktemp("packed") / "a.zip"
    payload = {"inputs/site.toml": small_folder.SITE.encode(), "inputs/day.csv": SHOT}
    write_bag(path, payload, name=TOP, info={}, as_of=datetime_of(2025))
    return path


def datetime_of(year: int):
    import numpy as np

    return np.datetime64(f"{year}-05-16T12:00:00", "s")


@pytest.fixture
def archive(tmp_path, packed, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return Path(shutil.copyfile(packed, "a.zip"))


def said(capsys, *arguments: object) -> tuple[int, str]:
    """Return the exit code and the text; what is refused is on stderr."""
    code = main(["verify", *map(str, arguments)])
    printed = capsys.readouterr()
    assert (printed.out == "") == (code == 2)
    return code, printed.out or " ".join(printed.err.split())


def answer(capsys, *arguments: object) -> tuple[int, dict]:
    code = main(["verify", *map(str, arguments), "--json"])
    printed = capsys.readouterr()
    assert printed.err == ""
    return code, json.loads(printed.out)


def flip(path: Path, place: int, mask: int = 1) -> None:
    data = bytearray(path.read_bytes())
    data[place] ^= mask
    path.write_bytes(data)


# --- a survey folder --------------------------------------------------------------------------------


def test_a_folder_in_order(folder, capsys):
    code, text = said(capsys, folder)
    assert code == 0
    assert_golden("verify_small_wall.txt", text)


def test_each_mismatch_is_listed_in_eighty_columns(folder, capsys):
    flip(folder / LOAD, 70)
    (folder / "tilts/2025-03-03.csv").unlink()
    (folder / "records/rig_2.csv").write_text("pile_id,rig\nP7,Rig 2\n", encoding="utf-8")
    lines = (folder / "ledger.csv").read_bytes().splitlines(keepends=True)
    (folder / "ledger.csv").write_bytes(b"".join(lines[:-1]))
    code, text = said(capsys, folder)
    assert code == 3
    assert max(map(len, text.splitlines())) <= 80
    assert_golden("verify_changed_small_wall.txt", text)


def test_the_object_of_a_folder_in_order(folder, capsys):
    head = line_sha256(read_ledger(folder)[-1])
    code, found = answer(capsys, folder)
    assert code == 0
    assert {key: found[key] for key in ("matches", "problems", "notes", "lines", "files", "head")} == {
        "matches": True,
        "problems": [],
        "notes": [],
        "lines": 6,
        "files": 6,
        "head": head,
    }


def test_the_object_of_a_changed_folder(folder, capsys):
    flip(folder / LOAD, 0)
    code, found = answer(capsys, folder)
    assert (code, found["matches"]) == (3, False)
    (problem,) = found["problems"]
    assert problem.startswith(f"{LOAD}: changed since it was taken in on 2025-03-06 17:30 UTC by A. Surveyor: sha256 ")


def test_single_bytes_changed_at_random(folder, capsys):
    rng = random.Random(5)  # noqa: S311 - places, no secrets
    paths = [path for path in folder.rglob("*") if path.is_file()]
    for path in paths:
        data = path.read_bytes()
        flip(path, rng.randrange(len(data)), rng.randrange(1, 256))
        code, text = said(capsys, folder)
        assert code == 3
        assert path.relative_to(folder).as_posix() in "".join(text.split("\n    "))
        path.write_bytes(data)
    assert said(capsys, folder)[0] == 0


@pytest.mark.parametrize("shown", ["{}", "{:.12}", "{:.12}…", " {} "])
def test_a_head_from_elsewhere(folder, capsys, shown):
    head = line_sha256(read_ledger(folder)[0])
    assert said(capsys, folder, "--head", shown.format(head))[0] == 0
    assert said(capsys, folder, "--head", shown.format(head).upper())[0] == 0
    code, text = said(capsys, folder, "--head", shown.format("0" * 64))
    assert code == 3
    assert "(--head), which is not there" in " ".join(text.split())


def test_a_head_that_is_none(folder, capsys):
    code, text = said(capsys, folder, "--head", "revision B")
    assert code == 2
    assert "expected the 64 letters and digits of a SHA-256" in text


def test_nothing_is_written(folder, capsys):

    def state() -> dict[Path, tuple[bytes, int]]:
        return {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.rglob("*") if path.is_file()}

    before = state()
    said(capsys, folder)
    assert state() == before


# --- nothing to check -------------------------------------------------------------------------------


def test_a_survey_folder_without_a_ledger_passes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    small_folder.make(Path("wall"))
    code, text = said(capsys, "wall")
    flat = " ".join(text.split())
    assert code == 0
    assert flat == "note: there is no ledger.csv: the files were put into the folder by hand, and nothing covers them"
    assert answer(capsys, "wall")[1]["matches"] is None


def test_an_empty_folder(tmp_path, capsys):
    code, text = said(capsys, tmp_path)
    assert code == 2
    assert "no survey folder, it has neither site.toml nor ledger.csv; give one, or an archive" in text


def test_a_folder_of_something_else(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("x", encoding="utf-8")
    assert said(capsys, tmp_path)[0] == 2


def test_a_path_that_is_not_there(tmp_path, capsys):
    code, found = answer(capsys, tmp_path / "none.zip")
    assert code == 2
    assert found["errors"][0]["text"].endswith("no such file or folder; give a survey folder or an archive")


# --- an archive -------------------------------------------------------------------------------------


def test_an_archive_in_order(archive, capsys):
    assert said(capsys, archive) == (0, "a.zip: every file in it is as it was packed\n")
    code, found = answer(capsys, archive)
    assert code == 0
    assert {key: found[key] for key in ("matches", "problems", "notes")} == {
        "matches": True,
        "problems": [],
        "notes": [],
    }


def test_a_changed_file_in_an_archive_is_named(archive, capsys):
    flip(archive, archive.read_bytes().index(b"S6,P6"))
    code, text = said(capsys, archive)
    assert code == 3
    assert text.startswith("1 mismatch\n  data/inputs/day.csv: ")
    code, found = answer(capsys, archive)
    assert (code, found["matches"], len(found["problems"])) == (3, False, 1)


def test_a_file_that_is_no_archive(tmp_path, capsys):
    (tmp_path / "x.zip").write_text("no zip", encoding="utf-8")
    code, text = said(capsys, tmp_path / "x.zip")
    assert code == 3
    assert "not a zip file, or a damaged one" in text


def test_a_zip_that_is_no_bag(tmp_path, capsys):
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as target:
        target.writestr("wall/site.toml", small_folder.SITE)
    code, text = said(capsys, tmp_path / "x.zip")
    assert code == 3
    assert "bagit.txt: missing" in text


def test_a_head_is_for_a_folder(archive, capsys):
    code, text = said(capsys, archive, "--head", "0" * 12)
    assert code == 2
    assert "--head is for a survey folder" in text
