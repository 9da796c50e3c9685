"""What was known at a moment: lines until then, former contents, loads that came later."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import small_folder
from two_days import CONTROL, DAY_1, DAY_2, HEAD, SET_OUT, Clock, change, put

from asbuilt.intake.history import HISTORY, copy_of, free_copy, is_load, kept_lines, moment_of, state_at, tracked
from asbuilt.intake.ledger import Line, read_ledger, taking_in

SHOT = (HEAD + "S6,P6,104.503,200.001,3.30,2025-03-04T09:00\n").encode()
LOADS = {"pickups/2025-03-05.csv", "tilts/2025-03-03.csv", "records/rig_1.csv"}


def at(moment: str) -> np.datetime64:
    return np.datetime64(moment, "ms")


def take(folder: Path, path: str | None = None) -> None:
    with taking_in(folder, by="A. Surveyor", told=lambda _text: None) as entry:
        if path is not None:
            entry.add(path, SHOT, action="load")


@pytest.fixture
def clock(monkeypatch) -> Clock:
    return Clock(monkeypatch, DAY_1)


@pytest.fixture
def folder(tmp_path, clock) -> Path:
    """Return a folder in which a load was taken in on day 1, and another on day 2, with other settings."""
    folder = small_folder.make(tmp_path / "wall")
    take(folder, "pickups/day_1.csv")
    change(folder, "site.toml", "plan_mm = 25", "plan_mm = 20")
    put(folder, "control/points.csv", CONTROL)
    clock.set(DAY_2)
    take(folder, "pickups/day_2.csv")
    clock.set("2025-03-07T08:00:00")
    return folder


def state(folder: Path, moment: str):
    return state_at(folder, read_ledger(folder), at(moment))


def test_lines_count_from_their_very_moment(folder):
    line = next(line for line in read_ledger(folder) if line.file == "pickups/day_2.csv")
    assert moment_of(line) == at(DAY_2)
    before, then = (state(folder, moment).lines for moment in ("2025-03-06T06:59:59.999", DAY_2))
    assert line not in before
    assert then == read_ledger(folder)


def test_contents_are_those_of_then(folder):
    then, later = (state(folder, moment).files for moment in (DAY_1, DAY_2))
    assert then["site.toml"] == small_folder.SITE.encode()
    assert later["site.toml"] == (folder / "site.toml").read_bytes()
    assert (then["control/points.csv"], later["control/points.csv"]) == (None, CONTROL.encode())


def test_what_was_removed_is_not_there_from_then_on(folder, clock):
    (folder / "control/points.csv").unlink()
    take(folder)
    clock.set("2025-03-08T08:00:00")
    moments = (DAY_1, DAY_2, "2025-03-07T08:00:00")
    assert [state(folder, one).files["control/points.csv"] for one in moments] == [None, CONTROL.encode(), None]


def test_loads_that_came_later_are_hidden(folder):
    assert state(folder, DAY_1).hidden == {"pickups/day_2.csv"}
    assert state(folder, DAY_2).hidden == set()


def test_before_the_ledger_began_that_stood_there_which_it_found(folder):
    known = state(folder, "2025-03-01T00:00:00")
    assert known.lines == ()
    assert known.hidden == {"pickups/day_1.csv", "pickups/day_2.csv"}
    assert known.files["site.toml"] == small_folder.SITE.encode()
    assert known.files["design/piles.csv"] == small_folder.DESIGN.encode()


def test_what_no_line_names_yet_was_not_there_before_now(folder):
    put(folder, "tilts/hand.csv", "x")
    put(folder, "set_out/approved.csv", SET_OUT)
    known = state(folder, DAY_2)
    assert (known.hidden, known.files["set_out/approved.csv"]) == ({"tilts/hand.csv"}, None)


def test_what_no_line_can_name_stays(folder):
    put(folder, "tilts/a\nb.csv", "x")
    assert state(folder, DAY_2).hidden == set()


@pytest.mark.parametrize("moment", ["2025-03-07T08:00:00", "2062-01-01T00:00:00"])
def test_as_of_now_all_is_as_it_stands(folder, moment):
    put(folder, "tilts/hand.csv", "x")
    change(folder, "site.toml", "plan_mm = 20", "plan_mm = 15")
    known = state(folder, moment)
    assert (known.lines, known.files, known.hidden) == (read_ledger(folder), {}, frozenset())


def test_lines_of_a_clock_that_was_fast_count_from_what_they_say(folder, clock):
    clock.set("2025-03-06T06:00:00")
    assert state(folder, "2025-03-06T06:30:00").hidden == {"pickups/day_2.csv"}


def test_a_ledger_without_lines_knows_nothing(folder):
    known = state_at(folder, (), at(DAY_1))
    assert (known.lines, known.files, known.hidden) == ((), {}, frozenset())


def test_former_contents_are_read_once_however_many_lines_there_are(folder, monkeypatch):
    first = read_ledger(folder)[0]
    moments = [np.datetime_as_string(at(DAY_2) + np.timedelta64(k, "m"), unit="ms") for k in range(1, 5001)]
    lines = (*read_ledger(folder), *(Line(**{**first.row(), "at": f"{one}Z"}) for one in moments))
    read: list[str] = []
    real = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda path: read.append(path.name) or real(path))
    known = state_at(folder, lines, at(moments[-2]))
    assert len(known.lines) == len(lines) - 1
    assert len(read) < 10


# --- where copies lie ---------------------------------------------------------------------------------


def line_of(data: bytes, path: str = "site.toml") -> Line:
    return Line(
        at="2025-03-05T20:00:00.000Z", by="A", action="change", file=path, sha256=hashlib.sha256(data).hexdigest()
    )


def test_a_copy_is_named_by_day_hash_and_file(tmp_path):
    line = line_of(b"one", "design/rev b.csv")
    assert free_copy(tmp_path, line) == f"{HISTORY}/2025-03-05_{line.sha256[:8]}_rev b.csv"


@pytest.mark.parametrize("kind", ["another content", "a folder"])
def test_what_stands_in_its_place_is_not_replaced(tmp_path, kind):
    line = line_of(b"one")
    there = tmp_path / HISTORY / f"2025-03-05_{line.sha256[:8]}_site.toml"
    there.parent.mkdir()
    there.mkdir() if kind == "a folder" else there.write_bytes(b"two")
    path = free_copy(tmp_path, line)
    assert path == f"{HISTORY}/2025-03-05_{line.sha256[:16]}_site.toml"
    (tmp_path / path).write_bytes(b"one")
    assert copy_of(tmp_path, line) == (path, b"one")
    assert free_copy(tmp_path, line) is None


def test_a_copy_that_is_not_that_content_is_none(tmp_path):
    line = line_of(b"one")
    path = f"{HISTORY}/2025-03-05_{line.sha256[:8]}_site.toml"
    assert copy_of(tmp_path, line) == (path, None)
    put(tmp_path, path, "One")
    assert copy_of(tmp_path, line) == (path, None)


@pytest.mark.parametrize(
    ("design", "paths"),
    [
        ("", ["design/piles.csv", "design/clear_outline.geojson"]),
        ('[design]\npiles = "design/wall.gpkg"', ["design/wall.gpkg", "design/clear_outline.geojson"]),
        ('[design]\nclear_outline = "x/o.json"', ["design/piles.csv", "x/o.json"]),
        ('[design]\npiles = "../wall.csv"', ["design/clear_outline.geojson"]),
        ('[design]\npiles = "/wall.csv"', ["design/clear_outline.geojson"]),
        ("[design", ["design/piles.csv", "design/clear_outline.geojson"]),
    ],
)
def test_kept_are_settings_design_control_approvals_and_decisions(tmp_path, design, paths):
    put(tmp_path, "site.toml", f"{small_folder.SITE}\n{design}\n")
    rest = ["control/points.csv", "set_out/approved.csv", "decisions.csv"]
    assert list(tracked(tmp_path)) == ["site.toml", *paths, *rest]


def test_loads_have_no_copy(folder):
    lines = read_ledger(folder)
    assert {line.file for line in lines if is_load(line.file)} == {*LOADS, "pickups/day_1.csv", "pickups/day_2.csv"}
    assert [line.file for line in kept_lines(lines)] == [
        "site.toml",
        "design/piles.csv",
        "site.toml",
        "control/points.csv",
    ]
