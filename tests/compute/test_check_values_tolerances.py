"""Plan allowances, units of inclination and depths guaranteed against values from outside the project."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from reference_rows import each, expected

from asbuilt.compute.alignment import align
from asbuilt.compute.budget import depth_guaranteed
from asbuilt.compute.joints import overlap_for_chord
from asbuilt.compute.piles import plan_allowance_m
from asbuilt.compute.readings import slopes_of_readings
from asbuilt.settings import parse_settings


@each("tolerances")
def test_plan_allowance(row):
    text = site_file(commence=row["commence"], plan_growth=row["growth_mm_per_m"], cut_off=0.0)
    settings = parse_settings(text.replace("plan_mm = 25", f"plan_mm = {row['plan_mm']}"))
    (allowed,) = plan_allowance_m(settings, np.array([float(row["cut_off"])]))
    assert 1000.0 * allowed == expected(row)


@each("inclinations", "limit")
def test_limit_of_inclination(row):
    settings = parse_settings(site_file(verticality=f'"{row["value"]}"'))
    assert settings.tolerance.verticality["secondary"] == expected(row)


@each("inclinations", "reading")
def test_reading_of_inclination(row):
    reading = {
        "pile_id": "P1",
        "read_at": "2025-03-02T10:00",
        "depth": 3.0,
        "tilt_a": float(row["value"]),
        "tilt_b": 0.0,
        "unit": row["unit"],
        "bearing_a_deg": 90.0,
    }
    survey = to_survey(Site(toml=site_file(), design=straight_wall(2), tilts=[reading]))
    line = align(survey.design, survey.settings, e=survey.design["easting"], n=survey.design["northing"])
    east, north = slopes_of_readings(survey.tilts, survey.settings, line)
    assert 1000.0 * east[0] == expected(row)
    assert north[0] == pytest.approx(0.0, abs=1e-15)


def depth_of(row, overlap):
    plan, slope, level = (
        np.array([value]) for value in (float(row["plan"]), 1.0 / float(row["one_in"]), 3.2)
    )
    (depth,) = depth_guaranteed(
        margin=np.array([float(row["diameter"]) - float(row["spacing"]) - overlap]),
        plan_a=plan,
        plan_b=plan,
        slope_a=slope,
        slope_b=slope,
        cut_off_a=level,
        cut_off_b=level,
    )
    return depth


@each("depth_guaranteed", "depth")
def test_depth_guaranteed(row):
    assert depth_of(row, float(row["overlap"])) == expected(row)


@each("depth_guaranteed", "overlap")
def test_the_overlap_left_in_the_worst_case_is_guaranteed_down_to_its_own_depth(row):
    assert depth_of(row, float(row["expected"])) == pytest.approx(float(row["depth"]), abs=1e-9)


def test_a_chord_of_400_mm_of_880_mm_piles_asks_for_96_2_mm_of_overlap():
    # derived: 880 - 2·√(440² - 200²)
    assert 1000.0 * overlap_for_chord(0.4, np.array([0.44]), np.array([0.44]))[0] == pytest.approx(
        96.2, abs=0.05
    )
