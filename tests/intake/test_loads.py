"""The loads against the design and the site file."""

from __future__ import annotations

import numpy as np
import pytest

TILTS = "tilts/day1.csv"
BEARINGS = "pile_id,read_at,depth,tilt_a,tilt_b,unit,bearing_a_deg,bearing_b_deg\n"


def test_rows_know_their_pile(folder):
    survey = folder.survey()
    assert survey.pickups.pile.tolist() == [0, 1]
    assert survey.tilts.pile.tolist() == [0, 0]
    assert survey.profiles.pile.tolist() == [1, 1]
    assert survey.records.pile.tolist() == [0]
    assert survey.pickups.pile.dtype == np.int32


@pytest.mark.parametrize("name", ["pickups/day1.csv", "tilts/day1.csv", "profiles/log1.csv", "records/day1.csv"])
def test_unknown_pile(folder, name):
    pile, count = ("P2", 2) if name.startswith("profiles") else ("P1", 1 if name[0] in "pr" else 2)
    text = (folder.path / name).read_text()
    folder.write(name, text.replace(f"{pile},", "P0O1,"))
    rows = f" ({count} rows)" if count > 1 else ""
    assert folder.problems() == [f"{name}:2: pile_id: unknown pile 'P0O1'{rows}, expected perhaps P1"]


def test_unknown_pile_in_the_set_out(folder):
    folder.write("set_out/approved.csv", "pile_id,easting,northing,approved_by,at\nQ9,1,2,Engineer 1,2026-03-01\n")
    assert folder.problems() == [
        "set_out/approved.csv:2: pile_id: unknown pile 'Q9', expected a pile of the design table"
    ]


def test_ids_are_compared_exactly(folder):
    folder.change("records/day1.csv", "P1,", "p1,")
    assert folder.problems() == ["records/day1.csv:2: pile_id: unknown pile 'p1', expected perhaps P1"]


def test_ids_are_not_looked_up_in_a_design_that_cannot_be_read(folder):
    folder.change("design/piles.csv", "P1,A,1,primary", "P1,A,1,primary,x")
    assert folder.problems() == ["design/piles.csv:2: 11 cells, expected 10, as in the header row"]


def test_only_a_check_shot_may_have_no_pile(folder):
    folder.change("pickups/day1.csv", "1001,P1,", "1001,,").add(
        "pickups/day1.csv", "CP1,,500100,6000000,4.0,centre,check,2026-03-02T14:00:00Z\n"
    )
    assert folder.problems() == [
        "pickups/day1.csv:2: pile_id: blank, expected a pile id, as only a check shot has none"
    ]
    folder.change("pickups/day1.csv", "1001,,", "1001,P1,")
    assert folder.survey().pickups.pile.tolist() == [0, 1, -1]


def test_sense_must_be_said(folder):
    folder.change("site.toml", 'sense = "toe"\n', "")
    assert folder.problems() == [
        "tilts/day1.csv:2: sense: not said (2 rows), expected toe or top here, or sense in [readings] of the site file"
    ]
    text = (folder.path / TILTS).read_text().replace("unit\n", "unit,sense\n").replace("mm/m\n", "mm/m,top\n")
    assert folder.write(TILTS, text).survey().tilts["sense"].tolist() == [1, 1]
    folder.change(TILTS, "-1.0,mm/m,top", "-1.0,mm/m,")
    assert folder.problems() == [
        "tilts/day1.csv:3: sense: not said, expected toe or top here, or sense in [readings] of the site file"
    ]


def test_sense_is_not_asked_for_without_readings(folder):
    folder.change("site.toml", 'sense = "toe"\n', "").remove(TILTS)
    assert len(folder.survey().tilts) == 0


def test_great_lean_is_no_error_but_lying_flat_is(folder):
    folder.change(TILTS, "1.5,-0.5,mm/m", "400,-0.5,mm/m")
    assert folder.survey().tilts["tilt_a"][0] == 400.0
    folder.change(TILTS, "400,-0.5,mm/m", "-90,-0.5,deg")
    assert folder.problems() == ["tilts/day1.csv:2: tilt_a: -90 degrees from plumb, expected less than 90"]


@pytest.mark.parametrize(
    ("a", "b"), [("10", "100"), ("10", "280"), ("-45", "45"), ("350", "80"), ("350", "260"), ("33.3", "123.3")]
)
def test_square_bearings(folder, a, b):
    folder.write(TILTS, f"{BEARINGS}P1,2026-03-01,3,1,1,deg,{a},{b}\n")
    assert folder.survey().tilts["bearing_b_deg"].tolist() == [float(b)]


def test_bearing_b_not_square(folder):
    folder.write(TILTS, f"{BEARINGS}P1,2026-03-01,3,1,1,deg,10,99\n")
    assert folder.problems() == [
        "tilts/day1.csv:2: bearing_b_deg: 99 is not square to bearing_a_deg 10, expected 100 or 280"
    ]


def test_bearing_b_alone(folder):
    folder.write(TILTS, f"{BEARINGS}P1,2026-03-01,3,1,1,deg,,99\n")
    assert folder.problems() == [
        "tilts/day1.csv:2: bearing_a_deg: blank beside a bearing_b_deg, expected both bearings, or a alone"
    ]


@pytest.mark.parametrize(("northing", "needed"), [("6000000.432", False), ("6000000.434", True)])
def test_bearing_where_the_wall_turns_by_more_than_30_degrees(folder, northing, needed):
    # 0.75 tan 30° = 0.43301 m
    folder.change("design/piles.csv", "500002.250,6000000.000", f"500002.250,{northing}")
    folder.write(TILTS, "pile_id,read_at,depth,tilt_a,tilt_b,unit\n" + "P3,2026-03-01,3,1,1,deg\n" * 2)
    if not needed:
        assert folder.survey().tilts.pile.tolist() == [2, 2]
        return
    assert folder.problems() == [
        (
            "tilts/day1.csv:2: bearing_a_deg: blank, and P3: the wall turns by more than 30 degrees here (2 rows), "
            "expected a bearing from site-grid north"
        )
    ]
    folder.write(TILTS, BEARINGS + "P3,2026-03-01,3,1,1,deg,0,\n")
    assert folder.survey().tilts["bearing_a_deg"].tolist() == [0.0]


def test_corner_of_a_closed_wall_needs_a_bearing(folder):
    folder.change("site.toml", 'closed = false\npit_side = "left"', "closed = true")
    folder.change("design/piles.csv", "500001.500,6000000.000", "500000.750,6000000.750")
    folder.change("design/piles.csv", "500002.250,6000000.000", "500000.000,6000000.750")
    assert folder.problems() == [
        (
            "tilts/day1.csv:2: bearing_a_deg: blank, and P1: the wall turns by more than 30 degrees here (2 rows), "
            "expected a bearing from site-grid north"
        )
    ]


def test_wall_of_one_pile_needs_a_bearing(folder):
    folder.add("site.toml", '[walls.B]\nclosed = false\npit_side = "left"\n')
    folder.add("design/piles.csv", "Q1,B,1,other,500010,6000000,880,3.2,-12,planned\n")
    folder.add(TILTS, "Q1,2026-03-01,3,1,1,deg\n")
    assert folder.problems() == [
        (
            "tilts/day1.csv:4: bearing_a_deg: blank, and Q1: a wall of one pile has no direction, "
            "expected a bearing from site-grid north"
        )
    ]


def test_added_pile_needs_a_bearing(folder):
    folder.add("design/piles.csv", "X1,A,,other,500001,6000001,880,3.2,-12,added\n")
    folder.add(TILTS, "X1,2026-03-01,3,1,1,deg\n")
    assert folder.problems() == [
        "tilts/day1.csv:4: bearing_a_deg: blank, and X1: an added pile, expected a bearing from site-grid north"
    ]


def test_depths_of_a_profile_increase(folder):
    folder.add("profiles/log1.csv", "P2,2026-03-01T10:00:00Z,5.0,4,4\nP2,2026-03-01T10:00:00Z,4.5,4,4\n")
    assert folder.problems() == [
        "profiles/log1.csv:4: depth: 5 after 5 in one profile, expected depths that increase from row to row",
        "profiles/log1.csv:5: depth: 4.5 after 5 in one profile, expected depths that increase from row to row",
    ]


def test_another_time_pile_or_attempt_is_another_profile(folder):
    text = "pile_id,read_at,depth,off_e_mm,off_n_mm,attempt\n"
    for pile, day, attempt in (("P2", 1, 1), ("P1", 1, 1), ("P2", 2, 1), ("P2", 1, 2)):
        text += f"{pile},2026-03-0{day},5,0,0,{attempt}\n"
    assert len(folder.write("profiles/log1.csv", text).survey().profiles) == 4


def test_one_profile_in_two_files(folder):
    folder.write("profiles/log2.csv", "pile_id,read_at,depth,off_e_mm,off_n_mm\nP2,2026-03-01T10:00:00Z,5.0,4,4\n")
    assert folder.problems() == [
        (
            "profiles/log2.csv:2: depth: 5 after 5 in one profile with profiles/log1.csv:3, "
            "expected depths that increase from row to row"
        )
    ]


def test_levels_that_depths_are_measured_from(folder):
    survey = folder.survey()
    assert survey.tilts["from_level"].tolist() == [4.0, 4.0]
    assert survey.profiles["from_level"].tolist() == [4.0, 4.0]
    text = (
        "pile_id,read_at,depth,tilt_a,tilt_b,unit,from_level\nP1,2026-03-01,3,1,1,deg,3.5\nP1,2026-03-01,3,1,1,deg,\n"
    )
    assert folder.write(TILTS, text).survey().tilts["from_level"].tolist() == [3.5, 4.0]


def test_control_point_twice(folder):
    folder.write("control/points.csv", "point,easting,northing,map_e,map_n\nC1,0,0,5,5\nC1,9,0,14,5\n")
    assert folder.problems() == [
        "control/points.csv:3: point: 'C1' is there already, at line 2, expected a name of its own"
    ]
