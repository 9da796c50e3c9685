"""Rows that are there twice count once: which are alike, which of them counts, and what is said of the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import Site, random_site, site_file, straight_wall, to_survey

from asbuilt.compute.repeats import repeated_of
from asbuilt.model import Withdrawal
from asbuilt.reconcile import reconcile

SHOT = {"pile_id": "P1", "point": "1", "easting": 0.004, "northing": 0.002, "level": 3.3, "object": "head"}
SHOT |= {"surveyed_at": "2025-03-05T12:00", "file": "pickups/a.csv"}
READING = {"pile_id": "P1", "read_at": "2025-03-03T09:00", "depth": 16.0, "tilt_a": 1.0, "tilt_b": 2.0, "unit": "mm/m"}
READING |= {"file": "tilts/a.csv"}
PARTS = ("pickups", "tilts", "records")


def survey_of(*, pickups=(), tilts=(), records=()):
    site = Site(toml=site_file(), design=straight_wall(2), pickups=list(pickups), tilts=list(tilts))
    return to_survey(replace(site, records=list(records)))


def again(row, **changes):
    folder = row["file"].partition("/")[0]
    return {**row, "file": f"{folder}/b.csv", **changes}


def test_a_row_of_another_file_that_is_alike_repeats_the_first():
    survey = survey_of(pickups=[SHOT, again(SHOT), again(SHOT, file="pickups/c.csv")])
    assert repeated_of(survey.pickups).tolist() == [-1, 0, 0]


def test_set_up_surveyor_and_note_may_differ():
    survey = survey_of(pickups=[SHOT, again(SHOT, setup="S2", surveyor="N. N.", note="again", sigma_mm=3.0)])
    assert repeated_of(survey.pickups).tolist() == [-1, 0]


@pytest.mark.parametrize(
    "change",
    [
        *({"easting": 0.005}, {"northing": 0.003}, {"level": 3.31}, {"surveyed_at": "2025-03-05T12:01"}),
        *({"point": "2"}, {"pile_id": "P2"}, {"attempt": 2}, {"object": "casing"}, {"shot": "edge"}),
    ],
    ids=lambda change: next(iter(change)),
)
def test_any_other_difference_makes_another_shot(change):
    survey = survey_of(pickups=[SHOT, again(SHOT, **change)])
    assert repeated_of(survey.pickups).tolist() == [-1, -1]


@pytest.mark.parametrize(
    "change",
    [
        *({"read_at": "2025-03-03T09:01"}, {"depth": 16.5}, {"tilt_a": 1.1}, {"tilt_b": 2.1}),
        *({"sense": "top"}, {"unit": "%"}),
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_reading_is_alike_in_all_that_was_read(change):
    assert repeated_of(survey_of(tilts=[READING, again(READING)]).tilts).tolist() == [-1, 0]
    assert repeated_of(survey_of(tilts=[READING, again(READING, **change)]).tilts).tolist() == [-1, -1]


def test_a_row_that_stands_twice_in_one_file_counts_once():
    assert repeated_of(survey_of(pickups=[SHOT, SHOT]).pickups).tolist() == [-1, 0]
    assert repeated_of(survey_of(tilts=[READING, READING]).tilts).tolist() == [-1, 0]


def test_equal_readings_of_one_file_and_day_are_left_alone():
    one = {**READING, "read_at": "2025-03-03T23:59:59"}
    assert repeated_of(survey_of(tilts=[one, one]).tilts).tolist() == [-1, -1]
    survey = survey_of(tilts=[one, one, again(one), again(one)])
    assert repeated_of(survey.tilts).tolist() == [-1, -1, 0, 0]


def test_rows_of_a_load_repeat_those_of_the_folder_whatever_the_files_are_called():
    survey = survey_of(pickups=[SHOT, again(SHOT)])
    assert repeated_of(survey.pickups, late=np.array([True, False])).tolist() == [1, -1]


def test_a_record_that_says_more_is_no_repetition():
    record = {"pile_id": "P1", "drilled_at": "2025-03-03T08:30", "toe_level": -12.0, "file": "records/a.csv"}
    more = again(record, concreted_at="2025-03-03T14:00")
    assert repeated_of(survey_of(records=[record, again(record), more]).records).tolist() == [-1, 0, -1]


# ---- what it changes


def test_a_reading_that_stands_in_two_files_is_no_surer_than_one():
    once = reconcile(survey_of(pickups=[SHOT], tilts=[READING]))
    twice = reconcile(survey_of(pickups=[SHOT], tilts=[READING, again(READING)]))
    # sigma² = sigma_r²/m + ...: with m = 2 the chance of conforming would be another
    assert twice.piles["p_vertical"][0] == once.piles["p_vertical"][0]
    other = again(READING, read_at="2025-03-03T09:05")
    assert reconcile(survey_of(pickups=[SHOT], tilts=[READING, other])).piles["p_vertical"][0] != (
        once.piles["p_vertical"][0]
    )


def test_a_shot_that_stands_in_two_files_of_one_set_up_is_no_surer_than_one():
    named = {**SHOT, "setup": "S1"}
    once = reconcile(survey_of(pickups=[named], tilts=[READING]))
    twice = reconcile(survey_of(pickups=[named, again(named)], tilts=[READING]))
    assert (twice.piles["u_offset_mm"][0], twice.piles["n_shots"][0]) == (once.piles["u_offset_mm"][0], 1)


def test_the_row_that_does_not_count_says_where_the_other_stands():
    layer = reconcile(survey_of(pickups=[SHOT, again(SHOT)], tilts=[READING])).layers["pickups"]
    assert layer.columns["used"].tolist() == [True, False]
    assert layer.columns["superseded_by"].tolist() == [None, "stands in pickups/a.csv:2 too, and counts once"]


def test_when_the_first_is_withdrawn_the_other_counts():
    survey = survey_of(pickups=[SHOT, again(SHOT)], tilts=[READING])
    gone = Withdrawal(
        file=int(survey.pickups.file[0]), pile=-1, at=np.datetime64("2025-03-04", "ms"), text="withdrawn by N. N."
    )
    result = reconcile(replace(survey, withdrawals=(gone,)))
    assert result.layers["pickups"].columns["used"].tolist() == [False, True]
    assert not np.isnan(result.piles["offset_mm"][0])


@pytest.mark.parametrize("seed", range(3))
def test_a_whole_survey_exported_again_gives_the_same_answer(seed):
    made = random_site(seed)
    # set-ups by name, so that two files are not two of them
    named = [{**row, "setup": row.get("setup", "S1"), "file": "pickups/a.csv"} for row in made.pickups]
    tilts, records = ([{**row, "file": f"{t}/a.csv"} for row in getattr(made, t)] for t in ("tilts", "records"))
    site = replace(made, pickups=named, tilts=tilts, records=records)
    doubled = {name: [*rows, *map(again, rows)] for name, rows in vars(site).items() if name in PARTS}
    once, twice = reconcile(to_survey(site)), reconcile(to_survey(replace(site, **doubled)))
    for name in ("offset_mm", "p_plan", "incline_mm_per_m", "p_vertical", "verdict"):
        np.testing.assert_array_equal(twice.piles[name], once.piles[name])
    np.testing.assert_array_equal(twice.joints["p_interlock"], once.joints["p_interlock"])
