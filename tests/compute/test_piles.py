"""Plan position at cut-off, verticality and toe."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall
from scipy.stats import ncx2
from steps import logged, plan_of, record, shot, steps, tilt, verticality_of, word

from asbuilt.compute.piles import covariance_at, plan_allowance_m, toe_verdicts, verticality_limits
from asbuilt.settings import parse_settings

NAN = math.nan
#: An east-going wall with the pit to its left that turns to the north (an inner corner) or to the south.
TURNS = {"inner": [(0, 0), (1, 0), (1, 1)], "outer": [(0, 0), (1, 0), (1, -1)]}


def site(*tilts, at=(0.0, 0.0), level=3.2, design=None, profile=(), records=(), pile="P1", **changes):
    design = straight_wall(3) if design is None else design
    row = next(row for row in design if row["pile_id"] == pile)
    pickup = shot(pile, row["easting"] + at[0], row["northing"] + at[1], level)
    return Site(
        toml=site_file(**changes),
        design=design,
        pickups=[pickup],
        tilts=list(tilts),
        profiles=list(profile),
        records=list(records),
    )


def corner(turn):
    design = straight_wall(3)
    for row, (e, n) in zip(design, TURNS[turn], strict=True):
        row["easting"], row["northing"] = float(e), float(n)
    return design


# ------------------------------------------------------------------------------------------ plan position


def test_offset_is_as_built_minus_design():
    found = plan_of(site(at=(0.012, -0.005)))
    assert (found["offset_e"][0], found["offset_n"][0], found["offset"][0]) == pytest.approx((0.012, -0.005, 0.013))


def test_the_centre_is_carried_along_the_axis_to_the_cut_off():
    found = plan_of(site(tilt("P1", 10.0, 5.0, -3.0), at=(0.001, 0.002), level=5.2))
    assert (found["offset_e"][0], found["offset_n"][0]) == pytest.approx((0.011, -0.004), abs=1e-12)


def test_a_pile_has_its_own_cut_off():
    design = straight_wall(3)
    design[0]["cut_off_level"] = 1.2
    found = plan_of(site(tilt("P1", 10.0, 5.0, -3.0), design=design))
    assert (found["offset_e"][0], found["offset_n"][0]) == pytest.approx((0.010, -0.006), abs=1e-12)


@pytest.mark.parametrize(("level", "verdict"), [(5.19, "within"), (5.21, "not surveyed")])
def test_without_an_axis_the_centre_is_carried_over_2_m(level, verdict):
    assert word(plan_of(site(level=level))["verdict"][0]) == verdict


def test_without_an_axis_a_centre_too_far_away_has_no_offset():
    assert np.isnan(plan_of(site(level=5.21))["offset"][0])


def test_a_pile_that_was_not_shot_is_not_surveyed():
    assert word(plan_of(site())["verdict"][1]) == "not surveyed"


def test_an_omitted_pile_has_no_verdict():
    design = straight_wall(3)
    design[1]["status"] = "omitted"
    assert word(plan_of(site(design=design))["verdict"][1]) is None


def test_covariance_at_cut_off_holds_centre_set_up_and_axis():
    found = plan_of(site(tilt("P1", 10.0), level=5.2, pickup_mm=4, setup_mm=3))
    # straight over 2 m: 1.0 each reading, 0.5 systematic, 0.3 on the root of 6 m not read
    variance = 16 + 9 + 4 * (1.0 + 0.25 + 0.09 * 6)
    assert 1e6 * found["cov"][0] == pytest.approx([variance, 0.0, variance])


def test_uncertainty_is_that_of_the_larger_axis():
    cov = np.array([[9.0, 4.0, 3.0]])
    assert covariance_at(cov, 1.0, np.array([2.0]))[0].tolist() == [12.0, 4.0, 6.0]


def test_sigma_of_a_centre_from_a_short_arc_is_the_larger_axis():
    arc = site()
    arc.pickups = [
        shot("P1", 0.44 * math.sin(math.radians(b)), 0.44 * math.cos(math.radians(b)), shot="edge")
        for b in (15, 45, 75)
    ]
    w = steps(arc)
    ee, en, nn = w.centres.cov[0]
    largest = np.linalg.eigvalsh([[ee, en], [en, nn]])[1] + w.centres.setup_var
    assert plan_of(arc)["sigma"][0] == pytest.approx(math.sqrt(largest), rel=1e-9)


def test_probability_of_the_plan_position():
    found = plan_of(site(at=(0.012, 0.016), pickup_mm=4, setup_mm=3, plan="guarded"))
    assert found["p"][0] == pytest.approx(ncx2.cdf(5.0**2, 2, 4.0**2), abs=1e-6)


def test_probability_stands_beside_the_simple_rule_too():
    assert plan_of(site(at=(0.020, 0.0)))["p"][0] == pytest.approx(
        plan_of(site(at=(0.020, 0.0), plan="guarded"))["p"][0]
    )


@pytest.mark.parametrize(("east", "verdict"), [(0.0250, "within"), (0.0251, "outside")])
def test_simple_rule(east, verdict):
    assert word(plan_of(site(at=(east, 0.0)))["verdict"][0]) == verdict


@pytest.mark.parametrize(
    ("east", "verdict"), [(0.011, "within"), (0.024, "unresolved"), (0.030, "unresolved"), (0.036, "outside")]
)
def test_guarded_rule(east, verdict):
    assert word(plan_of(site(at=(east, 0.0), plan="guarded"))["verdict"][0]) == verdict


def test_the_allowance_grows_below_the_commencing_surface():
    settings = parse_settings(site_file(plan_growth=10, commence=4.0))
    assert plan_allowance_m(settings, np.array([4.5, 4.0, 2.5])) == pytest.approx([0.025, 0.025, 0.040])


def test_a_growing_allowance_is_that_of_each_cut_off():
    design = straight_wall(3)
    design[0]["cut_off_level"] = 2.0
    found = plan_of(site(tilt("P1", 10.0), at=(0.040, 0.0), design=design, plan_growth=10, commence=4.0))
    assert word(found["verdict"][0]) == "within"


# ------------------------------------------------------------------------------------------ components


@pytest.mark.parametrize(("side", "towards"), [("left", 0.003), ("right", -0.003)])
def test_components_along_a_straight_run(side, towards):
    found = plan_of(site(at=(0.004, 0.003), pile="P2", walls=f'[walls.A]\nclosed = false\npit_side = "{side}"'))
    assert (found["towards_pit"][1], found["along"][1]) == pytest.approx((towards, 0.004))


def test_along_is_positive_in_the_order_of_position():
    design = straight_wall(3)
    for row in design:
        row["position"] = 9 - row["position"]
    assert plan_of(site(at=(0.004, 0.003), pile="P2", design=design))["along"][1] == pytest.approx(-0.004)


@pytest.mark.parametrize(
    ("turn", "at", "towards"),
    [
        # pit normals north and west
        ("inner", (0.004, 0.003), 0.003),
        ("inner", (-0.004, 0.003), 0.004),
        ("inner", (0.004, -0.003), -0.003),
        # pit normals north and east
        ("outer", (0.004, 0.003), 0.004),
        ("outer", (-0.004, -0.003), -0.003),
    ],
)
def test_towards_the_pit_at_a_corner_is_the_greater_of_both_normals(turn, at, towards):
    assert plan_of(site(at=at, pile="P2", design=corner(turn)))["towards_pit"][1] == pytest.approx(towards)


def test_along_at_a_corner_is_along_the_halved_turn():
    found = plan_of(site(at=(0.004, 0.003), pile="P2", design=corner("inner")))
    assert found["along"][1] == pytest.approx(0.007 * math.sqrt(0.5))


# ------------------------------------------------------------------------------------------ verticality


def test_overall_inclination_runs_from_cut_off_to_toe():
    # stepped at levels 1 and -6, toe at -12, cut-off at 3.2: 2.2 m at 2, 7 m at -1, 6 m more at -1
    found = verticality_of(site(tilt("P1", 3.0, 2.0), tilt("P1", 10.0, -1.0, 4.0), axis="stepped"))
    slope = 1000 * np.array([found["slope_e"][0], found["slope_n"][0]])
    assert slope == pytest.approx([(2.2 * 2 - 13) / 15.2, 13 * 4 / 15.2], abs=1e-12)


def test_inclination_is_the_length_of_the_slope():
    assert verticality_of(site(tilt("P1", 9.0, 3.0, -4.0)))["incline"][0] == pytest.approx(0.005)


def test_the_toe_is_the_recorded_one():
    found = verticality_of(
        site(tilt("P1", 3.0, 2.0), tilt("P1", 10.0, -1.0), axis="stepped", records=[record("P1", toe_level=-7.8)])
    )
    assert 1000 * found["slope_e"][0] == pytest.approx((2.2 * 2 - 8.8) / 11.0, abs=1e-12)


@pytest.mark.parametrize("axis", ["straight", "stepped"])
def test_inclination_needs_no_centre(axis):
    read = site(tilt("P1", 3.0, 2.0), tilt("P1", 10.0, -1.0, 4.0), axis=axis)
    placed = 1000 * verticality_of(read)["incline"][0]
    read.pickups = []
    found = verticality_of(read)
    assert (1000 * found["incline"][0], word(found["verdict"][0])) == (pytest.approx(placed), "within")


def test_without_readings_verticality_is_not_surveyed():
    assert word(verticality_of(site())["verdict"][0]) == "not surveyed"


def test_without_a_limit_for_its_kind_verticality_has_no_verdict():
    assert word(verticality_of(site(tilt("P1", 9.0), verticality='{ secondary = "1:200" }'))["verdict"][0]) is None


def test_limits_by_kind():
    settings = parse_settings(site_file(verticality='{ primary = "1:100", other = 4 }'))
    assert verticality_limits(settings, np.array([0, 1, 2], dtype=np.int8)) == pytest.approx(
        [0.010, NAN, 0.004], nan_ok=True
    )


@pytest.mark.parametrize(("east", "verdict"), [(5.0, "within"), (5.01, "outside")])
def test_verticality_by_the_simple_rule(east, verdict):
    assert word(verticality_of(site(tilt("P1", 9.0, east)))["verdict"][0]) == verdict


U = {"tilt_mm_per_m": 0.9, "tilt_systematic_mm_per_m": 0.4, "wander_mm_per_m": 0.3}


def test_uncertainty_of_a_straight_inclination():
    # two readings at -6, toe at -12
    found = verticality_of(site(tilt("P1", 10.0), tilt("P1", 10.0), **U))
    assert 1000 * found["sigma"][0] == pytest.approx(math.sqrt(0.81 / 2 + 0.16 + 0.09 * 6))


@pytest.mark.parametrize("level", [3.2, -2.0, -8.0])
def test_uncertainty_of_a_stepped_inclination_counts_from_cut_off_to_toe(level):
    # intervals of 2.2 and 13 m between cut-off and toe, wherever the centre was surveyed
    found = verticality_of(site(tilt("P1", 3.0), tilt("P1", 10.0), level=level, axis="stepped", **U))
    variance = 0.81 * (2.2**2 + 13**2) + 0.16 * 15.2**2 + 0.09 * 6**3 / 3
    assert 1000 * found["sigma"][0] == pytest.approx(math.sqrt(variance) / 15.2)


def test_uncertainty_of_the_inclination_of_a_profile():
    log = logged("P1", (0.0, 0.0, 0.0), (5.0, 3.0, 0.0), (14.0, 9.0, 0.0))
    found = verticality_of(site(profile=log, profile_mm=1.5, profile_mm_per_m=0.2, wander_mm_per_m=0.3))
    variance = 2 * 1.5**2 + (0.2 * 15.2) ** 2 + 0.09 * 2.0**3 / 3
    assert 1000 * found["sigma"][0] == pytest.approx(math.sqrt(variance) / 15.2)


def test_probability_of_the_inclination():
    found = verticality_of(site(tilt("P1", 16.0, 3.0, 0.0), tilt_systematic_mm_per_m=0, wander_mm_per_m=0))
    assert found["p"][0] == pytest.approx(ncx2.cdf(5.0**2, 2, 3.0**2), abs=1e-6)


def steepest(*readings, **changes):
    return 1000 * verticality_of(site(*readings, axis="stepped", **changes))["steepest"][0]


def test_a_straight_axis_is_equally_steep_everywhere():
    assert 1000 * verticality_of(site(tilt("P1", 9.0, 3.0, -4.0)))["steepest"][0] == pytest.approx(5.0)


def test_steepest_over_a_piece_longer_than_3_m():
    # from level 1 to -3: 4 m at 8 mm/m
    assert steepest(tilt("P1", 3.0), tilt("P1", 7.0, 8.0), tilt("P1", 10.0)) == pytest.approx(8.0)


def test_steepest_over_a_piece_shorter_than_3_m_is_over_a_base_of_3_m():
    # 2 m at 9 mm/m, from 1 to -1, and 1 m at 0 above or below
    assert steepest(tilt("P1", 3.0), tilt("P1", 5.0, 9.0), tilt("P1", 10.0)) == pytest.approx(6.0)


def test_steepest_may_begin_between_vertices():
    # 3 mm/m down to level 0, then a metre at 6 and a metre at 9, then plumb: the steepest 3 m begin at level 1
    found = steepest(tilt("P1", 4.0, 3.0), tilt("P1", 5.0, 6.0), tilt("P1", 6.0, 9.0), tilt("P1", 12.0))
    assert found == pytest.approx(6.0)


def test_steepest_looks_at_no_more_than_cut_off_to_toe():
    # the leaning metres lie above the cut-off at 3.2
    assert steepest(tilt("P1", 0.8, 90.0), tilt("P1", 12.0, 1.0)) == pytest.approx(1.0)


def test_steepest_agrees_with_a_dense_search():
    readings = [
        tilt("P1", 2.0 + 1.3 * k, *s) for k, s in enumerate([(2, 1), (5, -3), (-4, 2), (-6, 5), (1, 1), (3, 8), (0, 2)])
    ]
    level = np.linspace(3.2, -12.0, 305)
    at = steps(site(*readings, axis="stepped")).axis("P1", *level)
    run = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    base = level[:, None] - level[None]
    dense = 1000 * np.max(np.where(base >= 3 - 1e-9, run / np.maximum(base, 1e-9), 0.0))
    found = steepest(*readings)
    # 50 mm between levels: a base of up to 0.05 m more than it need be
    assert dense - 1e-9 <= found <= dense * 3.05 / 3


def test_a_pile_shorter_than_3_m_is_as_steep_as_it_leans_overall():
    # cut-off 3.2, toe 1.2: a metre at 2 and a metre at 6 mm/m
    design = straight_wall(3, toe=1.2)
    assert steepest(tilt("P1", 1.8, 2.0), tilt("P1", 3.0, 6.0), design=design) == pytest.approx(4.0)


def test_steepest_of_a_pile_without_readings_is_not_measured():
    assert np.isnan(verticality_of(site())["steepest"][0])


# ------------------------------------------------------------------------------------------ toe


def toe(recorded, designed=-12.0, expected=True, more="toe_mm = 100"):
    code = toe_verdicts(
        parse_settings(site_file(more_tolerance=more)),
        recorded=np.array([recorded]),
        designed=np.array([designed]),
        expected=np.array([expected]),
    )
    return word(code[0])


@pytest.mark.parametrize(
    ("recorded", "verdict"), [(-12.5, "within"), (-11.9, "within"), (-11.89, "outside"), (NAN, "not surveyed")]
)
def test_toe(recorded, verdict):
    assert toe(recorded) == verdict


def test_without_toe_mm_the_toe_has_no_verdict():
    assert toe(-5.0, more="") is None


def test_the_toe_of_an_omitted_pile_has_no_verdict():
    assert toe(NAN, expected=False) is None
