"""A run over a folder in which a file was changed after it was taken in goes on, and its outputs are marked."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import shutil
import sqlite3
from pathlib import Path

import pdf_pages
import pytest
import small_folder

from asbuilt.__main__ import main

LOAD = "pickups/2025-03-06_day.csv"
MARK = f"CHANGED since taken in: {LOAD}"
SHOT = "point,pile_id,easting,northing,level,surveyed_at\nS6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"


def ran(folder: Path, *more: str) -> str:
    """Run, and return what is printed."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["run", str(folder), *more]) == 0
    return out.getvalue()


def rows(package: Path, query: str) -> list[tuple]:
    with contextlib.closing(sqlite3.connect(package)) as database:
        return database.execute(query).fetchall()


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """Return a folder into which a day was loaded."""
    place = tmp_path_factory.mktemp("taken")
    folder = small_folder.make(place / "wall")
    (place / "day.csv").write_text(SHOT, encoding="utf-8")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["load", str(folder), str(place / "day.csv"), "--by", "A. Surveyor", "--confirm", "seen"]) == 0
    return folder


@pytest.fixture(scope="module")
def changed(taken, tmp_path_factory):
    """Return a copy in which one byte of what was loaded is another: the easting, by 10 mm."""
    folder = Path(shutil.copytree(taken, tmp_path_factory.mktemp("changed") / "wall"))
    text = (folder / LOAD).read_text(encoding="utf-8")
    (folder / LOAD).write_text(text.replace("104.503", "104.513"), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def printed(changed):
    return ran(changed)


@pytest.fixture(scope="module")
def out(changed, printed):
    """Return the folder of outputs."""
    del printed
    return changed / "out"


def test_what_stands_there_counts(out):
    ((offset,),) = rows(out / "asbuilt.gpkg", "SELECT offset_e_mm FROM asbuilt_piles WHERE pile_id = 'P6'")
    assert offset == pytest.approx(13.0)


def test_the_printed_summary_is_marked(printed):
    assert f"{MARK} (asbuilt verify says more)" in " ".join(printed.split())


def test_the_printed_object_is_marked(changed, out, tmp_path):
    del out
    found = json.loads(ran(changed, "--only", "joints", "--out", str(tmp_path), "--json"))
    assert found["changed"] == [LOAD]


def test_the_record_is_marked(out):
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["changed"] == [LOAD]


def test_the_findings_and_the_provenance_of_the_geopackage_are_marked(out):
    package = out / "asbuilt.gpkg"
    query = "SELECT severity, item, file, text FROM findings WHERE kind = 'changed_file'"
    ((severity, item, file, text),) = rows(package, query)
    assert (severity, item, file) == ("query", LOAD, LOAD)
    assert text.startswith("changed since it was taken in on ")
    assert text.endswith("; what stands there counts")
    assert rows(package, "SELECT value FROM provenance WHERE key = 'changed since taken in'") == [(LOAD,)]


def test_every_sheet_is_marked(out):
    pages = pdf_pages.read_pages(out / "sheets.pdf")
    assert len(pages) > 3
    assert [MARK in " ".join(page.words().split()) for page in pages] == [True] * len(pages)


def test_the_folder_stays_as_it_was(changed, out):
    del out
    assert "104.513" in (changed / LOAD).read_text(encoding="utf-8")
    assert main(["verify", str(changed)]) == 3


def test_a_ledger_that_was_cut_is_marked_too(taken, tmp_path):
    folder = Path(shutil.copytree(taken, tmp_path / "wall"))
    lines = (folder / "ledger.csv").read_bytes().splitlines(keepends=True)
    (folder / "ledger.csv").write_bytes(b"".join(lines[:-1]))
    found = json.loads(ran(folder, "--only", "joints", "--json"))
    assert found["changed"] == ["ledger.csv"]


def test_nothing_is_marked_in_a_folder_in_order(taken, tmp_path):
    folder = Path(shutil.copytree(taken, tmp_path / "wall"))
    assert "CHANGED" not in ran(folder, "--only", "geopackage")
    package = folder / "out" / "asbuilt.gpkg"
    assert rows(package, "SELECT count(*) FROM findings WHERE kind = 'changed_file'") == [(0,)]
    assert rows(package, "SELECT value FROM provenance WHERE key LIKE 'changed%'") == []
    assert json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))["changed"] == []


@pytest.mark.parametrize("name", ["schedule.csv", "joints.csv"])
@pytest.mark.usefixtures("printed")
def test_every_row_of_the_tables_carries_the_mark(changed, name):
    with (changed / "out" / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["inputs_changed"] for row in rows} == {LOAD}


@pytest.mark.parametrize("name", ["schedule.csv", "joints.csv"])
def test_without_a_change_there_is_no_such_column(taken, name):
    ran(taken, "--only", "schedule", "--only", "joints")
    assert "inputs_changed" not in (taken / "out" / name).read_text(encoding="utf-8")


@pytest.mark.usefixtures("printed")
def test_the_review_page_carries_the_mark(changed):
    page = (changed / "out/review.html").read_text(encoding="utf-8")
    assert f'"changed":["{LOAD}"]' in page
