"""The notes: tolerances and rules used, what is not checked, cautions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from asbuilt.output.sheets.notes import CAUTION, allowed, level_range, not_made, plan_notes
from asbuilt.settings import parse_settings

SITE = """
[site]
name = "Invented"
[levels]
commence = 4.0
cut_off = 3.2
formation = -8.0
interlock_to = -9.5
[walls.A]
closed = true
[tolerance]
plan_mm = 75
plan_growth_mm_per_m = 13.3
verticality = { primary = "1:150", secondary = "1:200" }
overlap_mm = 50
chord_mm = 400
encroach_mm = 50
toe_mm = 100
[decide]
plan = "guarded"
"""


def test_every_tolerance_is_named_with_its_rule():
    assert allowed(parse_settings(SITE), ["primary", "secondary"]) == [
        "plan 75 mm + 13.3 mm per m below commencing level (guarded)",
        "lean primary 1:150, secondary 1:200 (simple)",
        "joint overlap 50 mm and chord 400 mm (guarded)",
        "towards the pit 50 mm (guarded)",
        "toe 100 mm above design",
    ]


def test_checks_without_a_tolerance_are_named(job):
    assert not_made(job(20, encroach=False)) == ["movement towards the pit", "toe level", "clear outline (none given)"]


@pytest.mark.parametrize(
    ("levels", "text"),
    [([3.2, 3.2], "+3.20 m"), ([3.2, -1.0, np.nan], "−1.00 to +3.20 m"), ([np.nan], "not known")],
)
def test_levels_are_named_once_or_as_a_range(levels, text):
    assert level_range(np.array(levels)) == text


def test_the_design_file_is_named_with_its_hash(job):
    assert "Design: design/piles.csv, sha256 0123456789ab." in [entry.text for entry in plan_notes(job(20), 2.5)]


def test_uncertainties_used_are_printed(job):
    said = " ".join(entry.text for entry in plan_notes(job(20), 2.5))
    assert "pickup 5, set-up 3, radius 5 mm; lean 1 and systematic 0.5 mm/m, wander 0.3 mm/m per root metre" in said


def test_the_caution_says_that_nothing_is_released(ring_page):
    assert CAUTION in ring_page.words().replace("\n", " ")
    assert "Not a permit to dig" in CAUTION
    assert "Missing data is not acceptable data" in CAUTION


def test_the_sheet_does_not_claim_a_place_on_a_map(job, sheet_of):
    result = job(20, closed=False)
    settings = result.survey.settings
    grid = settings.grid.model_copy(update={"map_crs": "EPSG:32639"})
    survey = replace(result.survey, settings=settings.model_copy(update={"grid": grid}))
    said = sheet_of(replace(result, survey=survey)).words()
    assert "site grid, m, not placed on a map" in " ".join(said.split())
    assert "EPSG" not in said
