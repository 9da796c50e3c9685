"""Shift, turn and scale of a whole load: limits, sizes that can be told, and what scatter earlier loads show."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import simulated_loads as days
from builders import to_survey

from asbuilt.compute.alignment import align
from asbuilt.compute.blunders_groups import Groups, ground_of, groups_of, plan_limit
from asbuilt.compute.blunders_load import (
    BATCH_M,
    PLACING_M,
    LoadFit,
    Scatter,
    fit_load,
    points_of_loads,
    scatter_of_loads,
)

SCATTER = Scatter(placing=0.012, batch=0.003, piles=10**9, loads=0)
"""So many piles behind it that a load's own residuals change nothing."""


def fit(day: days.Day, scatter: Scatter = SCATTER, **more: Any) -> LoadFit:
    survey = to_survey(replace(day.site, pickups=day.pickups))
    ground = ground_of(survey)
    groups = groups_of(survey, ground, chosen=np.ones(len(survey.pickups), dtype=bool))
    alignment = align(survey.design, survey.settings, e=ground.e, n=ground.n)
    points = points_of_loads(groups, usable=np.ones(len(groups), dtype=bool))
    found = fit_load(groups, ground, alignment, points=points, scatter=scatter, **{"setups": 1, "tests": 1, **more})
    assert found is not None
    return found


def exact(shape: str = "pit", piles: int = 24) -> days.Day:
    """A day whose piles stand at their design centres to the last digit."""
    day = days.a_day(3, shape=shape, piles=piles, checks=False)
    for row in day.heads():
        place = next(one for one in day.site.design if one["pile_id"] == row["pile_id"])
        row["easting"], row["northing"] = place["easting"], place["northing"]
    return day


def test_the_limits_in_plan() -> None:
    # 0.1 % point of chi-square on two degrees of freedom: -2·ln(0.001)
    assert plan_limit(1) == pytest.approx(13.8155, abs=5e-5)
    assert plan_limit(24) == pytest.approx(-2.0 * math.log(0.001 / 24))


def test_the_statistic_of_a_shift_by_hand() -> None:
    day = exact()
    for row in day.heads():
        row["easting"] += 0.012
        row["northing"] -= 0.016
    found = fit(day)
    # m'[(sigma_pos²/n + sigma_batch²) I]^-1 m in mm: 20² / (144/24 + 9) = 400/15
    assert found.shift_statistic == pytest.approx(400.0 / 15.0, rel=1e-6)
    assert found.shift_limit == pytest.approx(13.8155, abs=5e-5)
    assert found.shifted
    # four times in five: noncentrality 4.4342² on two degrees of freedom at 0.1 %
    assert found.seen_shift == pytest.approx(4.43423 * math.sqrt(15.0) * 1e-3, rel=1e-5)


def test_a_set_ups_own_error_is_shared_out_among_set_ups() -> None:
    day = exact()
    for row in day.heads():
        row["easting"] += 0.020
    assert fit(day, setups=3).shift_statistic == pytest.approx(400.0 / (144 / 24 + 9 / 3), rel=1e-6)


def test_a_shift_under_ten_millimetres_is_no_question_however_sure() -> None:
    day = exact()
    for row in day.heads():
        row["easting"] += 0.0099
    sure = Scatter(placing=0.001, batch=0.0005, piles=10**9, loads=9)
    found = fit(day, sure)
    assert found.shift_statistic > found.shift_limit
    assert not found.shifted


@pytest.mark.parametrize("angle", [0.1, -0.25, 5.0, 90.0])
def test_a_turn_is_found_to_its_size(angle: float) -> None:
    day = exact()
    middle = np.mean([[row["easting"], row["northing"]] for row in day.heads()], axis=0)
    a = math.radians(angle)
    for row in day.heads():
        x, y = row["easting"] - middle[0], row["northing"] - middle[1]
        row["easting"] = middle[0] + math.cos(a) * x - math.sin(a) * y
        row["northing"] = middle[1] + math.sin(a) * x + math.cos(a) * y
    found = fit(day)
    assert math.degrees(found.turn) == pytest.approx(angle, abs=1e-6)
    assert found.scale == pytest.approx(0.0, abs=1e-9)
    assert found.turned
    assert not found.scaled


def test_the_standard_deviation_of_a_turn_by_hand() -> None:
    day = exact("line")
    found = fit(day)
    place = np.array([[row["easting"], row["northing"]] for row in day.heads()])
    spread = np.sum((place - place.mean(axis=0)) ** 2)
    assert found.turn_sigma == pytest.approx(0.012 / math.sqrt(spread), rel=1e-6)
    # Baarda 1968: z(0.1 %, two-sided) 3.2905, detectable at 80 % power 4.132; from memory, recomputed
    assert found.factor == pytest.approx(3.2905, abs=5e-5)
    assert found.seen(found.turn_sigma) / found.turn_sigma == pytest.approx(4.132, abs=5e-4)


def test_a_scale_is_found_beside_a_movement_towards_the_pit() -> None:
    day = exact()
    days.inwards(day, 0.02)
    middle = np.mean([day.design(k) for k in range(len(day.site.design))], axis=0)
    for row in day.heads():
        row["easting"] += 0.002 * (row["easting"] - middle[0])
        row["northing"] += 0.002 * (row["northing"] - middle[1])
    found = fit(day)
    assert found.scale == pytest.approx(0.002, rel=0.02)
    assert found.inwards == pytest.approx(0.02 - 0.002 * 16.0, abs=0.012)


def test_a_round_pit_cannot_tell_a_scale_from_a_movement_inwards() -> None:
    angle = 2 * math.pi * np.arange(120) / 120
    site = days.site_of("pit")
    design = [
        {**site.design[k], "easting": 500 + 14.3 * math.cos(a), "northing": 2000 + 14.3 * math.sin(a)}
        for k, a in enumerate(angle.tolist())
    ]
    day = days.a_day(3, checks=False)
    day.site = replace(site, design=design)
    day.pickups = [
        days.shot(f"{k}", (design[k]["easting"], design[k]["northing"]), day.rng, pile_id=design[k]["pile_id"])
        for k in range(0, 120, 5)
    ]
    found = fit(day)
    assert math.isnan(found.scale)
    assert not found.scaled
    assert found.turn_sigma > 0


def test_five_piles_tell_a_shift_and_no_turn() -> None:
    found = fit(exact(piles=5))
    assert math.isnan(found.turn)
    assert math.isnan(found.scale)
    assert not found.found


def test_what_the_load_has_is_taken_off_exactly() -> None:
    day = exact()
    days.turn_at_end(day, 3.0)
    found = fit(day)
    place = np.array([[row["easting"], row["northing"]] for row in day.heads()]) - np.array([520.0, 2012.0])
    survey = to_survey(replace(day.site, pickups=day.pickups))
    place += np.array([520.0 - survey.origin[0], 2012.0 - survey.origin[1]])
    e, n = found.explained(place[:, 0], place[:, 1])
    true = np.array([day.design(k) for k in day.chosen]) - survey.origin
    assert np.abs(place - np.column_stack([e, n]) - true).max() < 1e-6


# ---- what would explain a scale

GRID = '\n[grid]\nmap_crs = "EPSG:25831"\n'
STATED = GRID + "origin_e = 500000.0\norigin_n = 6000000.0\nrotation_deg = 0.0\nscale = {scale}\n"


def scaled_text(day: days.Day) -> str:
    day.control = False
    days.scale(day, 2000)
    return next(one.text for one in day.search() if one.kind == "scaled_load")


@pytest.mark.parametrize(("scale", "explains"), [(0.998, True), (0.9996, False)])
@pytest.mark.parametrize("by", ["control points", "parameters"])
def test_a_scale_is_held_against_the_grids_own(by: str, scale: float, explains: bool) -> None:
    day = days.a_day(41, checks=False)
    points = [
        {"point": name, "easting": e, "northing": n, "map_e": 5e5 + scale * e, "map_n": 6e6 + scale * n, "sigma_mm": 2}
        for name, (e, n) in days.CONTROL.items()
    ]
    more, control = (GRID, points) if by == "control points" else (STATED.format(scale=scale), [])
    day.site = replace(day.site, toml=day.site.toml + more, control=control)
    text = scaled_text(day)
    assert f"the grid's own scale is {round((scale - 1) * 1e6):+d} ppm" in text
    assert ("which would explain it" in text) == explains


def test_without_a_map_there_is_no_scale_to_hold_it_against() -> None:
    assert "the grid's own scale" not in scaled_text(days.a_day(41, checks=False))


# ---- scatter of earlier loads


def scatter_after(day: days.Day) -> Scatter:
    survey = to_survey(replace(day.site, pickups=day.old))
    ground = ground_of(survey)
    every = np.ones(len(survey.pickups), dtype=bool)
    groups: Groups = groups_of(survey, ground, chosen=every)
    return scatter_of_loads(groups, ground, survey.settings)


def test_without_earlier_loads_the_presets_hold() -> None:
    found = scatter_after(days.a_day(1))
    assert (found.placing, found.batch) == (PLACING_M, BATCH_M)


def test_earlier_loads_tell_the_scatter_of_this_site() -> None:
    found = [scatter_after(days.a_day(seed, earlier=6)) for seed in range(10)]
    # 12 mm of placing and 5 mm of each shot
    assert np.mean([one.placing for one in found]) == pytest.approx(0.013, abs=0.0006)
    # 4 mm of set-ups, and what six loads cannot tell: setup_mm, 3 mm, is the least
    assert np.mean([one.batch for one in found]) == pytest.approx(0.0045, abs=0.001)


def test_one_earlier_load_far_off_does_not_spoil_the_scatter() -> None:
    clean, spoiled = days.a_day(2, earlier=6), days.a_day(2, earlier=6)
    for row in spoiled.old:
        if row["file"] == "pickups/old3.csv":
            row["easting"] += 0.5
    one, other = scatter_after(clean), scatter_after(spoiled)
    assert other.placing == pytest.approx(one.placing, rel=0.05)
    assert other.batch < 2.0 * one.batch + 0.002


def test_blunders_in_earlier_loads_do_not_spoil_the_scatter() -> None:
    clean, spoiled = days.a_day(2, earlier=4), days.a_day(2, earlier=4)
    for row in spoiled.old[::10]:
        row["easting"], row["northing"] = row["northing"], row["easting"]
    assert scatter_after(spoiled).placing < 1.3 * scatter_after(clean).placing


def test_the_set_up_uncertainty_of_the_site_file_is_the_least() -> None:
    day = days.a_day(1)
    day.site = replace(day.site, toml=day.site.toml.replace("setup_mm = 3", "setup_mm = 9"))
    assert scatter_after(day).batch == pytest.approx(0.009)
