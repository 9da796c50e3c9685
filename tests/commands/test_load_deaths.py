"""``asbuilt load`` killed, and many at once: nothing taken in is lost, nothing is half in, no lock is in the way.

``ASBUILT_DEATHS=50`` has 200 processes killed and 50 times 8 at once; otherwise a few.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TIMES = int(os.environ.get("ASBUILT_DEATHS", "1"))
KILLED, AT_ONCE, EVERY = (4, 8, 1) if TIMES > 1 else (2, 3, 3)
DEATHS = Path(__file__).with_name("load_deaths.py")


def deaths(*arguments: object) -> dict:
    run = subprocess.run([sys.executable, str(DEATHS), *map(str, arguments)], capture_output=True, text=True, cwd="/")
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


def assert_sound(done: dict) -> None:
    """What must hold of every folder afterwards."""
    assert (done["verify"], done["problems"]) == (0, [])
    assert done["half"] == []
    assert done["files_are_those_of_the_ledger"]
    assert done["hidden"] == []


@pytest.mark.parametrize("turn", range(TIMES))
def test_kills_at_random_moments_lose_nothing_and_leave_no_lock_in_the_way(tmp_path, turn):
    done = deaths("kills", tmp_path / "wall", KILLED, 20250306 + turn)
    assert done["wrong"] == []
    # It is said when somebody is waited for, or a lock broken.
    assert done["at_once"] == KILLED
    assert done["lost"] == []
    assert done["died"] > 0
    assert_sound(done)


@pytest.mark.parametrize("turn", range(TIMES))
def test_many_at_once_lose_nothing(tmp_path, turn):
    del turn
    done = deaths("crowd", tmp_path / "wall", AT_ONCE)
    assert done["codes"] == [0] * AT_ONCE, done["texts"]
    assert done["in"] == [f"k{number}" for number in range(AT_ONCE)]
    assert_sound(done)


@pytest.mark.parametrize("turn", range(TIMES))
def test_some_of_many_killed_are_not_in_the_way_of_the_others(tmp_path, turn):
    done = deaths("crowd", tmp_path / "wall", AT_ONCE, AT_ONCE // 2, turn)
    living = AT_ONCE - AT_ONCE // 2
    assert done["codes"][:living] == [0] * living
    through = {f"k{number}" for number, code in enumerate(done["codes"]) if code == 0}
    assert through <= set(done["in"])
    assert_sound(done)


def test_death_after_a_step_leaves_both_files_or_none(tmp_path):
    done = deaths("steps", tmp_path / "wall", EVERY)["steps"]
    assert [(step["problems"], step["hidden"]) for step in done] == [([], [])] * len(done)
    died = [step["files"] for step in done if step["code"]]
    assert set(died) == {0, 2}
    assert len(died) > 12 // EVERY
    assert (done[-1]["code"], done[-1]["files"]) == (0, 2)
