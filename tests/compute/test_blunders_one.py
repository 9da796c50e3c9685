"""The search of one reading finds what the search of a load finds in a file of one row."""

from __future__ import annotations

from dataclasses import replace

import builders
import numpy as np
import pytest

from asbuilt.columns import UNITS
from asbuilt.compute.blunders import LOADS, search_load
from asbuilt.compute.blunders_one import search_reading
from asbuilt.model import InputFile

NOW = np.datetime64("2030-01-01T00:00", "ms")


def with_own_file(survey, row, **changes):
    """Return a survey in which one reading, changed, is a file of its own; and which row that is."""
    t = survey.tilts
    columns = {name: values.copy() for name, values in t.columns.items()}
    for name, value in changes.items():
        columns[name][row] = value
    file = t.file.copy()
    file[row] = len(survey.files)
    line = t.line.copy()
    line[row] = 2
    new = InputFile(path="tilts/new.csv", table="tilts", rows=1, sha256="")
    tilts = replace(t, columns=columns, file=file, line=line)
    return replace(survey, files=(*survey.files, new), tilts=tilts), np.arange(len(t)) == row


def twice(survey, row):
    """Return a survey in which one reading stands in a second file too."""
    longer = replace(survey, tilts=survey.tilts.take(np.r_[np.arange(len(survey.tilts)), row]))
    return with_own_file(longer, len(survey.tilts))


def both(survey, fresh):
    masks = {name: np.zeros(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    masks["tilts"] = fresh
    return search_reading(survey, fresh, now=NOW), search_load(survey, masks, now=NOW)


def variants(survey, row):
    """Yield the reading as it is, and with one thing wrong."""
    t = survey.tilts
    a, b = float(t["tilt_a"][row]), float(t["tilt_b"][row])
    yield "as it is", with_own_file(survey, row)
    yield "turned", with_own_file(survey, row, tilt_a=-a, tilt_b=-b)
    yield "steep", with_own_file(survey, row, tilt_a=80.0, unit=UNITS.index("mm/m"))
    yield "small", with_own_file(survey, row, tilt_a=a / 1000.0, tilt_b=b / 1000.0)
    yield "deep", with_own_file(survey, row, depth=99.0)
    yield "level", with_own_file(survey, row, from_level=900.0)
    yield "ahead", with_own_file(survey, row, read_at=np.datetime64("2031-01-01", "ms"))
    yield "old", with_own_file(survey, row, read_at=np.datetime64("2001-01-01", "ms"))
    yield "early", with_own_file(survey, row, read_at=t["read_at"][row] - np.timedelta64(5, "D"))
    yield "twice", twice(survey, row)


@pytest.mark.parametrize("seed", range(12))
def test_one_reading_is_searched_as_a_load_of_one_row_is(seed):
    survey = builders.to_survey(builders.random_site(seed))
    rng = np.random.default_rng(seed)
    kinds = set()
    for row in rng.permutation(len(survey.tilts))[:6].tolist():
        for name, (changed, fresh) in variants(survey, row):
            one, load = both(changed, fresh)
            assert one == load, (row, name)
            kinds |= {finding.kind for finding in one}
    if len(survey.tilts):
        assert {"tilt_range", "level_range", "future_date", "already_loaded"} <= kinds
