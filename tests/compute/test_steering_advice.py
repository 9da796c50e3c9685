"""Answers at the rig: what is said to a reading, and the figures of each joint, worked out by hand."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import builders
from steering_piles import neighbour, pile, read, straight_axis

from asbuilt.compute.steering_advice import Advice, Lean, advise, reader_values, trend_of
from asbuilt.reconcile import reconcile


def answered(e_mm, n_mm=0.0, **changes) -> Advice:
    return advise(pile(**changes), read(e_mm, n_mm))


def test_inside_the_sure_window_go_on():
    said = answered(1.0)
    assert (said.answer, said.inside, said.sure) == ("go on", True, True)
    # to the edge: 80 mm over 13 m
    assert said.margin == pytest.approx(0.080 / 13 - 0.001)
    assert said.nearest.tolist() == [0.001, 0.0]
    assert said.correction.tolist() == [0.0, 0.0]
    assert said.nearest_in == "sure window"


def test_inside_the_window_only_correct_back_to_where_it_is_sure():
    said = answered(6.0)
    assert (said.answer, said.inside, said.sure) == ("correct", True, False)
    assert "even chance" in said.why
    assert said.margin == pytest.approx(0.080 / 13 - 0.006)
    assert said.sure_margin == pytest.approx(-np.hypot(*said.correction))
    assert said.correction[0] < -0.002
    # there it is sure, and would be let go on
    assert advise(pile(), Lean(level=-4.0, slope=said.nearest)).answer == "go on"


def test_outside_the_window_correct_into_the_sure_one():
    said = answered(9.0, 2.0)
    assert (said.answer, said.inside, said.sure) == ("correct", False, False)
    assert said.margin < 0
    assert (said.nearest - said.reading.slope).tolist() == said.correction.tolist()


@pytest.mark.parametrize(("turn", "answer"), [(0.0005, "correct"), (0.00025, "stop and ask")])
def test_what_can_still_be_turned_decides(turn, answer):
    # 8 m are left below the reading: 4 mm/m or 2 mm/m, and some 2.3 are needed
    said = answered(6.0, turn=turn)
    assert 0.002 < np.hypot(*said.correction) < 0.004
    assert said.can_turn == pytest.approx(8 * turn)
    assert said.answer == answer


def test_nothing_can_be_turned_at_the_toe():
    said = advise(pile(turn=0.001), read(6.0, level=-12.4))
    assert said.can_turn == 0.0
    assert said.answer == "stop and ask"


def test_without_a_reading_stop_and_ask_but_show_where_to_aim():
    said = advise(pile(), None)
    assert (said.answer, said.why) == ("stop and ask", "there is no reading")
    assert (said.inside, said.sure, said.trend) == (None, None, None)
    assert math.isnan(said.margin)
    assert said.nearest.tolist() == [0.0, 0.0]
    assert np.isnan(said.correction).all()
    assert [one.sure for one in said.joints] == [None, None]
    assert np.isnan([one.least_overlap for one in said.joints]).all()


def test_where_no_lean_is_sure_stop_and_ask():
    said = answered(1.0, sigma_reading=0.01)
    assert (said.answer, said.inside, said.sure) == ("stop and ask", True, False)
    assert said.nearest_in == "window"
    assert said.correction.tolist() == [0.0, 0.0]
    assert said.sure_margin == -np.inf


def test_where_no_lean_keeps_both_joints_it_says_what_the_least_bad_gives_up():
    # neighbours leaning apart, 10 and 14 mm/m: 130 + 182 mm wider at 13 m, 160 to spare: 76 mm short for each
    apart = (neighbour("P1", -0.75, (-0.010, 0.0)), neighbour("P3", 0.75, (0.014, 0.0)))
    said = answered(1.0, neighbours=apart)
    assert (said.answer, said.nearest_in) == ("stop and ask", "least violation")
    assert said.nearest.tolist() == pytest.approx([0.002, 0.0], abs=2e-5)
    assert said.worst_violation == pytest.approx(0.076, abs=1e-7)
    assert [(one.what, one.level) for one in said.gives_up] == [("P1~P2", -9.8), ("P3~P2", -9.8)]
    assert [one.by for one in said.gives_up] == pytest.approx([0.076, 0.076], abs=1e-6)
    assert said.margin == -np.inf


def test_the_least_bad_lean_weighs_verticality_at_the_toe():
    # P3 leans 26 mm/m away: it asks for 258 mm over 13 m more than is to spare; limit 10 mm/m, 15.2 m to the toe
    said = answered(1.0, neighbours=(neighbour("P3", 0.75, (0.026, 0.0)),))
    # 13·(26 − s) − 80 = 15.2·(s − 10)
    s = (13 * 26 - 80 + 152) / 28.2
    assert said.nearest.tolist() == pytest.approx([s / 1000, 0.0], abs=2e-5)
    assert {one.what for one in said.gives_up} == {"P3~P2", "verticality"}
    assert said.worst_violation == pytest.approx(15.2 * (s - 10) / 1000, abs=1e-6)


def test_what_no_lean_mends_is_given_up_too():
    # 840 mm off at the level of the centre, 10 mm more than may be
    said = answered(0.0, neighbours=(neighbour("P3", 0.84),))
    assert said.window.empty
    assert (said.gives_up[0].what, said.gives_up[0].level) == ("P3~P2", 3.2)
    assert said.gives_up[0].by == pytest.approx(0.010, abs=1e-8)
    assert said.worst_violation == pytest.approx(0.010, abs=1e-8)


def test_a_joint_at_the_lean_read():
    said = answered(8.0, 3.0)
    west, east = said.joints
    # at the bottom, 13 m down, the pile stands 104 mm east and 39 mm north
    assert west.least_overlap == pytest.approx(0.88 - math.hypot(0.854, 0.039))
    assert (west.least_level, east.least_level) == (-9.8, 3.2)
    assert east.least_overlap == pytest.approx(0.13)
    # |(750 + 8h, 3h)| = 830: 73 h² + 12 000 h − 126 400 = 0
    h = (-12000 + math.sqrt(12000**2 + 4 * 73 * 126400)) / 146
    assert west.lost_level == pytest.approx(3.2 - h)
    assert math.isnan(east.lost_level)
    assert (west.sure, east.sure) == (False, True)


def test_the_band_of_a_joint_comes_from_the_reading():
    west = answered(1.0).joints[0]
    # read 8 m short of the toe; h 13 m, two heads of 5 mm
    sigma = math.sqrt(2 * 25 + 169 * (1.0 + 0.25 + 0.09 * 8)) / 1000
    assert west.sigma == pytest.approx(sigma)
    assert west.low == pytest.approx(west.least_overlap - 1.6448536 * sigma)
    assert west.high == pytest.approx(west.least_overlap + 1.6448536 * sigma)


def test_the_other_lean_model_holds_earlier_readings_where_they_were():
    # 6 mm/m west down to −2, then plumb: the straight tube is plumb all along, the stepped one stands 31 mm west
    said = advise(pile(), read(0.0), [read(-6.0, level=-2.0)])
    west, east = said.joints
    assert west.least_overlap == pytest.approx(0.13)
    assert (east.model_low, east.model_high) == (pytest.approx(0.13 - 0.006 * 5.2), pytest.approx(0.13))
    assert (west.model_low, west.model_high) == (pytest.approx(0.13), pytest.approx(0.13))
    assert said.answer == "go on"


def test_the_other_lean_model_of_a_neighbour_counts_too():
    two = replace(neighbour("P3", 0.75), other_axes=straight_axis(0.75, 0.0, (0.002, 0.0)))
    (joint,) = answered(0.0, neighbours=(two,)).joints
    assert joint.least_overlap == pytest.approx(0.13)
    assert joint.model_low == pytest.approx(0.13 - 0.026)


def test_the_trend_of_readings_is_a_straight_line_through_them():
    leans = [read(1.0, 0.0, level=2.0), read(2.0, 1.0, level=0.0), read(3.0, 0.5, level=-2.0)]
    found = trend_of(leans[::-1], 0.001)
    # +2 mm/m east, +0.5 north over 4 m; deepest less shallowest over twice 2 m
    assert found.per_metre.tolist() == pytest.approx([0.0005, 0.000125])
    assert found.sigma == pytest.approx(0.001 / math.sqrt(8))
    assert found.last_change.tolist() == pytest.approx([0.001, -0.0005])


def test_readings_of_one_level_are_no_trend():
    assert trend_of([read(1.0), read(2.0)], 0.001) is None


@pytest.mark.parametrize(
    ("unit", "expected"), [("mm/m", (4.0, -2.0)), ("1:n", (250.0, -500.0)), ("%", (0.4, -0.2)), ("mm", (4.8, -2.4))]
)
def test_a_correction_in_the_readers_own_words(unit, expected):
    # a read towards north, b 90 degrees clockwise of it: towards east
    slope = np.array([-0.002, 0.004])
    given = {"bearing_a_deg": 0.0, "unit": unit, "level_length_mm": 1200.0}
    assert reader_values(slope, sense="toe", **given) == pytest.approx(expected)
    assert reader_values(slope, sense="top", **given) == pytest.approx((-expected[0], -expected[1]))


def test_a_correction_in_degrees_and_with_b_on_the_other_hand():
    a, b = reader_values(
        np.array([0.01, 0.0]), bearing_a_deg=30.0, bearing_b_deg=-60.0, sense="toe", unit="deg", level_length_mm=1200
    )
    assert math.tan(math.radians(a)) == pytest.approx(0.01 * math.sin(math.radians(30)))
    assert math.tan(math.radians(b)) == pytest.approx(-0.01 * math.sin(math.radians(60)))


def test_plumb_is_nought_in_every_unit():
    for unit in ("mm/m", "1:n", "%", "deg", "mm"):
        shown = reader_values(np.zeros(2), bearing_a_deg=0.0, sense="toe", unit=unit, level_length_mm=1200)
        assert shown == (0.0, 0.0)


def test_what_the_instrument_shows_is_read_back_as_the_same_slope():
    slope = np.array([0.0031, -0.0017])
    a, b = reader_values(slope, bearing_a_deg=200.0, bearing_b_deg=110.0, sense="top", unit="1:n", level_length_mm=1200)
    row = {"pile_id": "P1", "read_at": "2025-03-02T10:00", "depth": 9.0, "tilt_a": a, "tilt_b": b, "unit": "1:n"}
    row |= {"bearing_a_deg": 200.0, "bearing_b_deg": 110.0, "sense": "top"}
    site = builders.Site(toml=builders.site_file(), design=builders.straight_wall(3), tilts=[row])
    axes = reconcile(builders.to_survey(site)).axes
    assert [axes.slope_e[0], axes.slope_n[0]] == pytest.approx(slope.tolist())
