"""A load that is not as it was taken in: what is said where it is gone, and where it cannot be read any more."""

from __future__ import annotations

import contextlib
import io
from typing import TYPE_CHECKING

import pytest
import small_folder

from asbuilt.__main__ import main
from asbuilt.errors import InputError
from asbuilt.intake.survey import read_survey

if TYPE_CHECKING:
    from pathlib import Path

LOAD = "pickups/2025-03-06_day.csv"
SHOT = "point,pile_id,easting,northing,level,surveyed_at\nS6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder into which a day was loaded."""
    made = small_folder.make(tmp_path / "wall")
    (tmp_path / "day.csv").write_text(SHOT, encoding="utf-8")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["load", str(made), str(tmp_path / "day.csv"), "--by", "A. Surveyor", "--confirm", "seen"]) == 0
    return made


def test_of_a_load_that_is_gone_nothing_counts(folder):
    (folder / LOAD).unlink()
    (found,) = [one for one in read_survey(folder).notes if one.kind == "changed_file"]
    assert (found.item, found.text.split()[0]) == (LOAD, "missing")
    assert found.text.endswith("; nothing of it counts")


def test_a_changed_load_that_cannot_be_read_is_told_to_be_changed_too(folder):
    (folder / LOAD).write_text(SHOT.replace("104.503", "1o4.503"), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_survey(folder)
    first, second = refused.value.problems
    assert (first.file, first.line) == (LOAD, 0)
    assert first.text.startswith("changed since it was taken in on ")
    assert first.expected == "the content that was taken in"
    assert (second.file, second.line, second.column) == (LOAD, 2, "easting")


def test_a_load_that_was_never_right_is_not_called_changed(folder):
    (folder / "pickups/hand.csv").write_text(SHOT.replace("104.503", "1o4.503"), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_survey(folder)
    assert [(one.file, one.line) for one in refused.value.problems] == [("pickups/hand.csv", 2)]
