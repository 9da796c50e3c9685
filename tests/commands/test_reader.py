"""How a lean is read: readings to slopes and back, what is missing or cannot be meant, all of it at once."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from asbuilt import read_survey, reconcile
from asbuilt.columns import SENSES, UNITS
from asbuilt.commands.reader import Reader, Said, Station, as_said, find_pile, station_of, stored_reader
from asbuilt.compute.alignment import align
from asbuilt.compute.readings import slopes_of_readings
from asbuilt.errors import InputError

DEMO = Path(__file__).parents[2] / "demo_survey"


def station(**changes) -> Station:
    stated = {
        "pile_id": "P2",
        "pit_bearing_deg": 30.0,
        "why_bearing": "",
        "sense": "toe",
        "level_length_mm": 1200.0,
        "commence": 4.0,
        "toe": -12.0,
    }
    return Station(**stated | changes)


def said(**changes) -> Said:
    stated = {"tilt_a": "3", "tilt_b": "-4", "unit": "mm/m", "depth": "6"}
    return Said(**stated | changes)


def wrong(said: Said, station: Station | None = None, **how) -> dict[str, str]:
    """Return what is wrong with a reading, by option."""
    with pytest.raises(InputError) as caught:
        as_said(said, station, **how)
    return {one.column: f"{one.text}; {one.expected}" for one in caught.value.problems}


@pytest.mark.parametrize(("unit", "sense", "b"), [*itertools.product(UNITS, SENSES, (130.0, 310.0))])
def test_a_reading_comes_back_from_its_slope(unit, sense, b):
    reader = Reader(
        bearing_a_deg=40.0, bearing_b_deg=b, unit=unit, sense=sense, level_length_mm=1200.0, from_level=4.0
    )
    values = {"1:n": (-310.0, 250.0), "deg": (0.31, -0.2)}.get(unit, (3.1, -2.5))
    assert reader.shown(reader.slope(*values)) == pytest.approx(values, rel=1e-12)


@pytest.mark.parametrize("unit", UNITS)
def test_a_slope_is_that_of_the_tables(unit):
    """One of the demo's readings with another figure and unit, through the code that a run uses."""
    survey = read_survey(DEMO)
    result = reconcile(survey)
    walls = align(survey.design, survey.settings, e=result.piles.design_e, n=result.piles.design_n)
    one = survey.tilts.take(np.array([0]))
    values = {"1:n": (-310.0, 250.0), "deg": (0.31, -0.2)}.get(unit, (3.1, -2.5))
    changed = {"unit": [UNITS.index(unit)], "tilt_a": [values[0]], "tilt_b": [values[1]]}
    tilts = replace(one, columns={**one.columns, **{name: np.array(value) for name, value in changed.items()}})
    pile = int(tilts.pile[0])
    reader = stored_reader(Said(), station_of(survey, walls, pile, toe=-12.0), tilts, 0)
    expected = np.column_stack(slopes_of_readings(tilts, survey.settings, walls))[0]
    assert reader.unit == unit
    np.testing.assert_allclose(reader.slope(*values), expected, rtol=1e-12)


def test_without_a_bearing_a_is_towards_the_pit_and_b_clockwise_of_it():
    reader, lean = as_said(said(), station())
    assert (reader.bearing_a_deg, reader.bearing_b_deg, reader.towards_pit, reader.clockwise) == (30, 120, True, True)
    # 3 towards 30 degrees, −4 towards 120
    east = 0.003 * 0.5 - 0.004 * np.sqrt(0.75)
    north = 0.003 * np.sqrt(0.75) + 0.004 * 0.5
    assert lean.slope == pytest.approx([east, north])
    assert lean.level == -2.0


def test_a_bearing_said_is_the_one_taken():
    reader, lean = as_said(said(bearing_a_deg="90", bearing_b_deg="0"), station())
    assert (reader.towards_pit, reader.clockwise) == (False, False)
    assert lean.slope == pytest.approx([0.003, -0.004])


def test_a_sense_said_goes_before_that_of_the_site():
    toe, top = (as_said(said(sense=sense), station())[1].slope for sense in SENSES)
    assert as_said(said(), station())[1].slope.tolist() == toe.tolist()
    assert top.tolist() == (-toe).tolist()


def test_a_true_minus_is_one():
    assert as_said(said(tilt_b="\u22124"), station())[1].slope.tolist() == as_said(said(), station())[1].slope.tolist()


def test_everything_missing_is_told_at_once():
    found = wrong(Said(tilt_a="3"), station(sense=None, why_bearing="the wall turns by 90 degrees there"))
    assert sorted(found) == ["--bearing-a", "--depth", "--sense", "--tilt-b", "--unit"]
    assert "the wall turns by 90 degrees there" in found["--bearing-a"]


@pytest.mark.parametrize(
    ("change", "option", "text"),
    [
        ({"tilt_a": "3,5"}, "--tilt-a", "'3,5' is no number; the reading in direction a, such as 3.5"),
        ({"tilt_b": "nan"}, "--tilt-b", "'nan' is no number"),
        ({"unit": "inch"}, "--unit", "'inch' is none; the unit of both readings: mm/m, 1:n, %, deg, mm"),
        ({"sense": "up"}, "--sense", "'up' is none; toe (readings say where the toe goes) or top"),
        ({"depth": "16.01"}, "--depth", "16.01 m is below the toe of P2, at 16.00 m"),
        ({"depth": "-1"}, "--depth", "-1 m is above the ground"),
        ({"bearing_a_deg": "10", "bearing_b_deg": "20"}, "--bearing-b", "20 is not square to 10; 100 or 280"),
        ({"bearing_b_deg": "20"}, "--bearing-a", "not given beside --bearing-b"),
        ({"bearing_a_deg": "400"}, "--bearing-a", "400 is no bearing"),
        ({"tilt_a": "50.1", "tilt_b": "0"}, "--tilt-a", "a lean of 50 mm/m, more than 1:20"),
        ({"tilt_a": "19.9", "unit": "1:n"}, "--tilt-a", "more than 1:20"),
        ({"tilt_a": "180", "tilt_b": "0", "unit": "deg"}, "--tilt-a", "180 degrees from plumb"),
    ],
)
def test_what_cannot_be_meant_is_told_with_what_to_do(change, option, text):
    found = wrong(said(**change), station())
    assert list(found) == [option]
    assert text in found[option]


def test_one_in_twenty_itself_and_the_toe_itself_are_taken():
    _, lean = as_said(said(tilt_a="50", tilt_b="0", depth="16"), station())
    assert np.hypot(*lean.slope) == pytest.approx(0.05)
    assert lean.level == -12.0


def test_a_steep_lean_that_was_confirmed_is_taken():
    _, lean = as_said(said(tilt_a="60", tilt_b="0"), station(), steep=True)
    assert np.hypot(*lean.slope) == pytest.approx(0.06)


def test_a_reading_of_a_pile_that_there_is_not_is_checked_all_the_same():
    place, problems = find_pile("P20", ["P2", "P3"])
    assert place == -1
    found = wrong(said(unit=None, tilt_a="x"), None, others=problems)
    assert sorted(found) == ["--tilt-a", "--unit", "PILE"]
    assert found["PILE"] == "no pile 'P20'; a pile of the design table, the nearest is P2"


def test_without_any_reading_the_reader_is_towards_the_pit_and_at_a_corner_north():
    reader = stored_reader(Said(), station(), None)
    assert (reader.bearing_a_deg, reader.unit, reader.sense) == (30.0, "mm/m", "toe")
    corner = stored_reader(Said(), station(why_bearing="the wall turns by 90 degrees there"), None)
    assert (corner.bearing_a_deg, corner.towards_pit) == (0.0, False)
