"""An answer as of an earlier moment says what of the folder it leaves out."""

from __future__ import annotations

import json

import pytest
from two_days import Clock, first_day, load_of_that_day, run


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder with a load on each of two days."""
    with pytest.MonkeyPatch.context() as patch:
        clock = Clock(patch, "2025-03-05T20:00:00.123")
        made = first_day(tmp_path_factory.mktemp("left"))
        clock.set("2025-03-06T07:00:00")
        load_of_that_day(made)
    return made


def answers(folder, out, *when: str) -> dict[str, dict]:
    """Return what each command says as JSON."""
    commands = {
        "run": (["run", folder, "--only", "joints", "--out", out], 0),
        "holds": (["holds", folder, "final dig"], 3),
        "sheets": (["sheets", folder, "--only", "plan", "--out", out], 0),
    }
    return {name: json.loads(run(*words, *when, "--json", code=code)) for name, (words, code) in commands.items()}


@pytest.mark.parametrize("command", ["run", "holds", "sheets"])
def test_loads_taken_in_later_are_named(folder, tmp_path, command):
    left = answers(folder, tmp_path / "o", "--as-of", "2025-03-05")[command]["left_out"]
    (path,) = left["files"]
    assert path.startswith("pickups/")
    assert path.endswith("_b.csv")
    assert left["ledger_begins"] is None


@pytest.mark.parametrize("command", ["run", "holds", "sheets"])
def test_now_nothing_is_left_out(folder, tmp_path, command):
    assert answers(folder, tmp_path / "o")[command]["left_out"] == {"files": [], "ledger_begins": None}


def test_a_ledger_that_begins_later_is_told(folder):
    left = json.loads(run("holds", folder, "final dig", "--as-of", "2025-03-04", "--json", code=3))["left_out"]
    assert left["ledger_begins"] == "2025-03-05T20:00:00.123Z"
    assert len(left["files"]) == 2


def test_the_text_says_it_below_the_moment(folder):
    lines = run("holds", folder, "final dig", "--as-of", "2025-03-05", code=3).splitlines()
    place = lines.index("As of 2025-03-05 23:59:59 +03:00")
    said = " ".join(" ".join(lines[place + 1 : place + 3]).split())
    assert said == (
        "Left out 1 file of the folder, taken in later (1 pickups): what they tell of piles is not in this"
    )
    assert max(map(len, lines)) <= 80
