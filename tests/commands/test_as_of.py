"""``--as-of``: what was known then comes out again byte for byte, whatever was taken in or changed since."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pdf_pages
import pytest
import small_folder
from told import told
from two_days import CHANGES, DAY_1, DAY_2, Clock, first_day, put, run

from asbuilt.__main__ import main
from asbuilt.commands._opening import record_changes
from asbuilt.intake.ledger import read_ledger
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from collections.abc import Iterator

OUTPUTS = ("asbuilt.gpkg", "schedule.csv", "joints.csv", "sheets.pdf", "review.html")


# --- one story, by the command line ------------------------------------------------------------------


@pytest.fixture(scope="module")
def story(tmp_path_factory) -> Iterator[Path]:
    """Return where the outputs of two days lie; on the second day everything changed that can."""
    where = tmp_path_factory.mktemp("story")
    with pytest.MonkeyPatch.context() as patch:
        clock = Clock(patch, DAY_1)
        folder = first_day(where)
        clock.set("2025-03-05T20:30:00")
        put(where, "answer.json", run("run", folder, "--out", where / "plain", "--json"))
        run("run", folder, "--as-of", "2025-03-05", "--out", where / "date", "--only", "geopackage")
        for n, (name, what) in enumerate(CHANGES.items()):
            clock.set(f"2025-03-06T07:{n:02d}:00")
            if name not in ("a schedule changed by hand", "another schedule", "approvals removed"):
                what(folder)
        put(folder, "pickups/photo.jpg", "no table")
        clock.set("2025-03-06T18:00:00")
        run("run", folder, "--out", where / "day_2")
        yield where


def moment(story: Path) -> str:
    return str(json.loads((story / "plain/run.json").read_text(encoding="utf-8"))["as_of"])


@pytest.fixture(scope="module")
def again(story) -> Path:
    """Return the report of day 1, made on day 2 as of what it says itself."""
    run("run", story / "wall", "--as-of", moment(story), "--out", story / "again")
    return story / "again"


@pytest.mark.parametrize("name", OUTPUTS)
def test_yesterdays_report_comes_out_again_byte_for_byte(story, again, name):
    assert (again / name).read_bytes() == (story / "plain" / name).read_bytes()


@pytest.mark.parametrize("name", OUTPUTS)
def test_todays_report_is_another(story, name):
    assert (story / "day_2" / name).read_bytes() != (story / "plain" / name).read_bytes()


def test_its_record_names_the_files_and_the_ledger_of_then(story, again):
    then, now = (json.loads((path / "run.json").read_text(encoding="utf-8")) for path in (story / "plain", again))
    assert {key: now[key] for key in then if key not in ("run_at", "seconds")} == {
        key: value for key, value in then.items() if key not in ("run_at", "seconds")
    }


def test_a_report_as_of_a_day_is_the_same_on_that_day_and_later(story):
    run("run", story / "wall", "--as-of", "2025-03-05", "--out", story / "date_again", "--only", "geopackage")
    then, now = ((story / name / "asbuilt.gpkg").read_bytes() for name in ("date", "date_again"))
    assert now == then


def test_a_day_ends_in_the_time_zone_of_then(story):
    answer = json.loads(
        run("run", story / "wall", "--as-of", "2025-03-05", "--out", story / "zone", "--only", "joints", "--json")
    )
    assert answer["as_of"] == "2025-03-05T20:59:59Z"


def test_a_plain_run_is_as_of_the_ledgers_last_line_where_no_row_is_later(story):
    assert moment(story) == f"{DAY_1}Z"


def printed_in_the_answer(story: Path) -> str:
    return str(json.loads((story / "answer.json").read_text(encoding="utf-8"))["as_of"])


def printed_in_the_layers(story: Path) -> str:
    with closing(sqlite3.connect(story / "plain/asbuilt.gpkg")) as layers:
        return str(layers.execute("select value from provenance where key = 'as_of'").fetchone()[0])


def printed_on_the_sheets(story: Path) -> str:
    page, *_ = pdf_pages.read_pages(story / "plain/sheets.pdf")
    return next(text.text for text in page.texts if text.text.endswith(" +03:00"))


@pytest.mark.parametrize("printed", [printed_in_the_answer, printed_in_the_layers, printed_on_the_sheets])
def test_every_place_prints_the_moment_that_gives_the_report_again(story, printed):
    run("run", story / "wall", "--as-of", printed(story), "--out", story / printed.__name__, "--only", "geopackage")
    there = (story / printed.__name__ / "asbuilt.gpkg").read_bytes()
    assert there == (story / "plain/asbuilt.gpkg").read_bytes()


# --- each change for itself --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def started(tmp_path_factory) -> Path:
    where = tmp_path_factory.mktemp("started")
    with pytest.MonkeyPatch.context() as patch:
        Clock(patch, DAY_1)
        return first_day(where)


@pytest.fixture
def clock(monkeypatch) -> Clock:
    return Clock(monkeypatch, DAY_2)


@pytest.fixture
def folder(started, tmp_path, clock) -> Path:
    """Return the folder of day 1, on day 2."""
    del clock
    return Path(shutil.copytree(started, tmp_path / "wall"))


def found(folder: Path, as_of: str | None = None) -> str:
    """Return all that is found in a folder, as text."""
    when = None if as_of is None else np.datetime64(as_of, "ms")
    survey = read_survey(folder, as_of=when)
    result = reconcile(survey, as_of=when)
    layers = {
        name: [repr(layer.geometry), *(repr(values.tolist()) for values in layer.columns.values())]
        for name, layer in result.layers.items()
    }
    return repr((survey.files, survey.ledger_rows, result.findings, result.stages, layers))


@pytest.mark.parametrize("what", CHANGES)
def test_what_came_later_changes_nothing_before(folder, clock, what):
    then = found(folder, DAY_1)
    CHANGES[what](folder)
    assert found(folder) != then
    assert found(folder, DAY_1) == then, "not recorded yet"
    record_changes(folder)
    clock.set("2025-03-07T12:00:00")
    assert found(folder, DAY_1) == then, "recorded"


@pytest.mark.parametrize("what", CHANGES)
def test_what_was_recorded_counts_from_then_on(folder, clock, what):
    CHANGES[what](folder)
    record_changes(folder)
    now = found(folder, DAY_2)
    clock.set("2025-03-07T12:00:00")
    put(folder, "site.toml", "broken")
    shutil.rmtree(folder / "set_out", ignore_errors=True)
    assert found(folder, DAY_2) == now


def test_holds_and_sheets_answer_what_was_known_then(folder):
    drawing = ("sheets", folder, "--only", "plan", "--pile", "P2", "--out", folder.parent / "s", "--as-of", f"{DAY_1}Z")
    holding = ("holds", folder, "final dig", "--as-of", f"{DAY_1}Z")
    before = run(*holding, code=3)
    run(*drawing)
    drawn = {path.name: path.read_bytes() for path in (folder.parent / "s").iterdir()}
    CHANGES["a pile withdrawn"](folder)
    CHANGES["a tolerance"](folder)
    assert run(*holding, code=3) == before
    assert run("holds", folder, "final dig", code=3) != before
    run(*drawing)
    assert {path.name: path.read_bytes() for path in (folder.parent / "s").iterdir()} == drawn


def test_a_file_that_is_no_table_changes_no_output_and_is_named(folder):
    run("run", folder, "--only", "geopackage", "--out", folder.parent / "without")
    put(folder, "tilts/rig.log", "started")
    said = run("run", folder, "--only", "geopackage", "--out", folder.parent / "with")
    with_it, without = ((folder.parent / name / "asbuilt.gpkg").read_bytes() for name in ("with", "without"))
    assert with_it == without
    assert "Not read, as a load ends in .csv or .txt: tilts/rig.log" in said


# --- what cannot be answered --------------------------------------------------------------------------


def refusal(capsys, *arguments: object) -> str:
    assert main([*map(str, arguments)]) == 2
    return str(capsys.readouterr().err)


@pytest.mark.parametrize(("damage", "said"), [(None, "is missing"), (b"x", "is changed")])
@pytest.mark.parametrize("command", ["run", "holds", "sheets"])
def test_a_copy_that_is_lost_is_named_and_nothing_is_written(folder, capsys, damage, said, command):
    (copy,) = (folder / "history").glob("*_site.toml")
    CHANGES["a tolerance"](folder)
    record_changes(folder)
    copy.unlink() if damage is None else copy.write_bytes(damage)
    capsys.readouterr()
    stage = ["dig 1"] if command == "holds" else []
    line, last = refusal(capsys, command, folder, *stage, "--as-of", "2025-03-05").splitlines()
    digest = read_ledger(folder)[0].sha256
    assert line == (
        f"history/{copy.name}: the copy of what site.toml held on 2025-03-05 {said}, "
        f"expected the content with sha256 {digest}"
    )
    assert last == "asbuilt: 1 problem in the input, nothing was written"
    assert not (folder / "out").exists()


def test_a_lost_copy_is_not_missed_while_the_file_itself_stands(folder):
    then = found(folder, DAY_1)
    for copy in (folder / "history").glob("*_site.toml"):
        copy.unlink()
    assert found(folder, DAY_1) == then


@pytest.mark.parametrize("as_of", ["yesterday", "2025-13-01", "05.03.2025", ""])
def test_what_is_no_date_is_refused(folder, capsys, as_of):
    said = refusal(capsys, "run", folder, "--as-of", as_of)
    assert "expected a date or a date and time" in " ".join(said.split())


def test_before_the_ledger_began_it_is_said_what_counts(folder, capsys):
    answer = json.loads(run("run", folder, "--as-of", "2025-03-05T12:15", "--only", "joints", "--json"))
    assert (answer["ledger_head"], answer["progress"]["surveyed"]) == (None, 2)
    assert told(capsys) == (
        "asbuilt: the ledger begins later, 2025-03-05 23:00:00.123 +03:00: what stood there then counts as it was "
        "recorded, less later rows"
    )


def test_without_a_ledger_it_is_said_what_counts(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall")
    run("holds", folder, "dig 1", "--as-of", "2025-03-05T12:15", code=3)
    assert told(capsys) == (
        "asbuilt: there is no ledger: settings, design and files are as they are now, only later rows are left out"
    )


@pytest.mark.parametrize(
    ("as_of", "said"), [("2025-03-06", ""), ("2062-03-06", "asbuilt: 2062-03-06 23:59:59 +03:00 has not come yet")]
)
def test_a_day_to_come_shows_what_is_known_now(folder, capsys, as_of, said):
    CHANGES["a load withdrawn"](folder)
    now = run("holds", folder, "final dig", code=3)
    then = run("holds", folder, "final dig", "--as-of", as_of, code=3)
    dated = [line for line in then.splitlines() if line not in now.splitlines()]
    assert dated == [f"As of {as_of} 23:59:59 +03:00"]
    err = capsys.readouterr().err
    assert err.startswith(said)
    assert bool(err) == bool(said)
