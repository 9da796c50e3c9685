"""A survey read without large libraries, and one more file of readings beside it: the same as all read at once."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import small_folder

from asbuilt.columns import TABLES
from asbuilt.errors import InputError
from asbuilt.intake.beside import with_readings
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey

DEMO = Path(__file__).parents[2] / "demo_survey"
HEADER = b"pile_id,read_at,depth,tilt_a,tilt_b,unit,sense,attempt\n"
#: Comes after all other files, as a file read beside them does.
LAST = "tilts/zz.csv"


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def source(*rows: bytes) -> Source:
    return Source(path=LAST, table="tilts", data=HEADER + b"\n".join(rows) + b"\n")


def different(one, other) -> list[str]:
    """Return the columns of all tables in which two surveys differ; files are compared by their path."""
    found = []
    for name in TABLES:
        a, b = getattr(one, name), getattr(other, name)
        pairs = {column: (a[column], b[column]) for column in a.columns}
        pairs["line"], pairs["pile"] = (a.line, b.line), (a.pile, b.pile)
        paths = [np.array([s.files[k].path for k in t.file], dtype=object) for s, t in ((one, a), (other, b))]
        pairs["file"] = (paths[0], paths[1])
        for column, (x, y) in pairs.items():
            same = x.dtype == y.dtype and np.array_equal(x, y, equal_nan=x.dtype.kind in "fM")
            found += [] if same else [f"{name}.{column}"]
    return found


def test_the_demo_read_lightly_is_the_demo(tmp_path):
    copy = shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("out", "*.py"))
    light, whole = read_survey(copy, light=True), read_survey(copy)
    assert different(light, whole) == []
    assert light.settings == whole.settings
    assert [(file.path, file.rows, file.sha256) for file in light.files] == [
        (file.path, file.rows, file.sha256) for file in whole.files
    ]
    assert light.clear_outline is None
    assert whole.clear_outline is not None


@pytest.mark.parametrize(
    "row",
    [
        b"P1,2025-03-03T09:00,4.0,x,0.1,mm/m,toe,1",
        b"P99,2025-03-03T09:00,4.0,1,0.1,mm/m,toe,1",
        b"P1,2025-02-30T09:00,4.0,1,0.1,mm/m,toe,1",
        b"P1,2025-03-03T09:00,1e400,1,0.1,mm/m,toe,1",
        b"P1,2025-03-03T09:00,4.0,1,0.1,furlongs,toe,1",
        b"P1,2025-03-03T09:00,,1,0.1,mm/m,toe,1.5",
    ],
)
def test_problems_are_the_same_read_lightly(folder, row):
    (folder / LAST).write_bytes(HEADER + row + b"\n")
    with pytest.raises(InputError) as light:
        read_survey(folder, light=True)
    with pytest.raises(InputError) as whole:
        read_survey(folder)
    assert [str(one) for one in light.value.problems] == [str(one) for one in whole.value.problems]


def test_a_file_beside_is_as_one_read_with_all(folder):
    one = source(b"P7,2025-03-06T09:00,4.0,1.5,-1.2,mm/m,top,2", b"P8,2025-03-06T10:00,6.0,0.5,0.2,%,,1")
    beside = with_readings(read_survey(folder, light=True), one)
    assert different(beside, read_survey(folder, extra=[one])) == []
    assert beside.files[-1].path == LAST
    assert beside.files[-1].rows == 2


def test_what_is_wrong_with_a_file_beside_is_told(folder):
    survey = read_survey(folder, light=True)
    one = source(b"P99,2025-03-06T09:00,4.0,1.5,-1.2,mm/m,top,2")
    with pytest.raises(InputError) as found:
        with_readings(survey, one)
    assert [str(problem)[:38] for problem in found.value.problems] == ["tilts/zz.csv:2: pile_id: unknown pile "]


CAREFUL = {
    "decimal commas": b"pile_id;read_at;depth;tilt_a;tilt_b;unit\nP7;2025-03-06T09:00;4,5;1,5;-1,2;mm/m\n",
    "quotes": b'pile_id,read_at,depth,tilt_a,tilt_b,unit,reader\nP7,2025-03-06T09:00,4.5,1.5,-1.2,mm/m,"A, B"\n',
    "blanks": b"pile_id,read_at,depth,tilt_a,tilt_b,unit\n\n# noted\n P7 , 2025-03-06T09:00 ,4.5, 1.5,-1.2,mm/m \n",
    "times": b"pile_id,read_at,depth,tilt_a,tilt_b,unit\nP7,2025-03-06,4.5,1,2,%\nP8,2025-03-06T09:00Z,4.5,1,2,%\n",
}


@pytest.mark.parametrize("data", CAREFUL.values(), ids=CAREFUL)
def test_files_out_of_the_ordinary_are_read_lightly(folder, data, monkeypatch):
    (folder / LAST).write_bytes(data)
    whole = read_survey(folder)
    monkeypatch.delitem(sys.modules, "pandas")
    light = read_survey(folder, light=True)
    assert "pandas" not in sys.modules
    assert different(light, whole) == []
    assert light.tilts["depth"][-1] == 4.5
