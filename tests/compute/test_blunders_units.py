"""Lean readings of a whole file in another unit than the one stated."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import LOADS, search_load

if TYPE_CHECKING:
    from asbuilt.model import Finding

FILE = "tilts/new.csv"


def load_of(seed: int = 3, *, piles: int = 5, size: float = 2.0, start: int = 0, file: str = FILE) -> list[Row]:
    """Readings of some piles that lean by about ``size`` mm/m, with 1 mm/m of noise."""
    rng = np.random.default_rng(seed)
    site, rows = days.site_of("pit"), []
    for place in range(start, start + 4 * piles, 4):
        angle = rng.uniform(0, 2 * math.pi)
        lean = size * np.array([math.sin(angle), math.cos(angle)])
        rows += days.readings(site, place, rng, [lean] * len(days.DEPTHS))
    return [{**row, "file": file} for row in rows]


def times(rows: list[Row], factor: float, **more: str) -> list[Row]:
    changed = [{**row, **more} for row in rows]
    for row in changed:
        row["tilt_a"], row["tilt_b"] = (round(row[name] * factor, 3) for name in ("tilt_a", "tilt_b"))
    return changed


def search(rows: list[Row], old: list[Row] | None = None) -> list[Finding]:
    before = old or []
    survey = to_survey(replace(days.site_of("pit"), tilts=[*before, *rows]))
    fresh = {name: np.zeros(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    fresh["tilts"][len(before) :] = True
    return list(search_load(survey, fresh, now=days.NOW))


def test_leans_of_the_usual_size_raise_nothing() -> None:
    assert search(load_of()) == []


@pytest.mark.parametrize(
    ("factor", "words"),
    [(math.degrees(0.001), "degrees (2.1 mm/m then)"), (0.1, "% (2.1 mm/m then)")],
    ids=["degrees", "per cent"],
)
def test_leans_that_are_smaller_than_readings_scatter(factor: float, words: str) -> None:
    (one,) = search(times(load_of(), factor))
    assert (one.kind, one.item, one.line, one.column) == ("wrong_unit", FILE, 2, "unit")
    assert words in one.text
    assert "rather than mm/m" in one.text


def test_one_pile_in_degrees() -> None:
    found = search(times(load_of(piles=1, size=3.0), math.degrees(0.001)))
    assert [(one.kind, one.item) for one in found] == [("wrong_unit", FILE)]


def test_leans_under_per_cent_that_are_mm_per_m_are_one_finding() -> None:
    (one,) = search(times(load_of(), 1.0, unit="%"))
    assert (one.kind, one.item) == ("wrong_unit", FILE)
    assert "in mm/m (2.1 mm/m then)" in one.text


def test_one_in_n_under_mm_per_m_is_one_finding() -> None:
    rows = load_of()
    for row in rows:
        row["tilt_a"], row["tilt_b"] = (round(1000.0 / (row[name] or 0.1)) for name in ("tilt_a", "tilt_b"))
    (one,) = search(rows)
    assert (one.kind, one.item) == ("wrong_unit", FILE)
    assert "in 1:n (2.1 mm/m then) rather than mm/m" in one.text


def test_earlier_loads_tell_the_usual_size() -> None:
    # leans of 20 mm/m are far more than a tolerance of 5 mm/m suggests, and what this site has
    old = load_of(5, piles=7, size=13.0, start=1, file="tilts/old.csv")
    assert search(load_of(size=13.0), old) == []
    # a twelfth of it, and of no unit known: 1.2 mm/m may well be read where readings scatter by 1 mm/m
    (one,) = search(times(load_of(size=13.0), 0.1), old)
    assert (one.kind, one.item) == ("wrong_unit", FILE)
    assert "13." in one.text
    assert "in earlier loads (7 piles)" in one.text


def test_coarse_readings_of_plumb_piles_are_no_other_unit() -> None:
    rows = [{**row, "tilt_a": 0.0, "tilt_b": 0.1 * (k % 2), "unit": "%"} for k, row in enumerate(load_of())]
    assert [one for one in search(rows) if one.kind == "wrong_unit"] == []
