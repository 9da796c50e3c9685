"""What the design's own tolerances guarantee, and where the survey could not show anything to be within."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from hypothesis import given
from hypothesis import strategies as st
from results import joints_of, piles_of

from asbuilt.compute.budget import (
    Limits,
    best_probability,
    depth_guaranteed,
    survey_too_poor_findings,
    tolerance_budget,
    tolerance_budget_findings,
)
from asbuilt.compute.verdicts import disc_probability

NAN = float("nan")


def one_depth(margin, plan=(0.025, 0.025), slope=(0.005, 0.005), cut_off=(3.2, 3.2)):
    (depth,) = depth_guaranteed(
        margin=np.array([margin]),
        plan_a=np.array([plan[0]]),
        plan_b=np.array([plan[1]]),
        slope_a=np.array([slope[0]]),
        slope_b=np.array([slope[1]]),
        cut_off_a=np.array([cut_off[0]]),
        cut_off_b=np.array([cut_off[1]]),
    )
    return depth


def test_unequal_piles_share_the_margin():
    # 80 mm less 25 and 15 leaves 40, used up at 5 + 3 mm in every metre
    assert one_depth(0.08, plan=(0.025, 0.015), slope=(0.005, 0.003)) == pytest.approx(5.0)


def test_depth_is_below_the_lower_of_two_cut_offs():
    # the higher pile has already used 5 mm/m over 2 m where the lower begins: 80 - 50 - 10 = 20, at 10 mm/m
    assert one_depth(0.08, cut_off=(3.2, 1.2)) == pytest.approx(2.0)


def test_depth_is_negative_where_plan_tolerances_alone_exceed_the_margin():
    assert one_depth(0.03) == pytest.approx(-2.0)


def test_without_a_limit_of_inclination_nothing_is_guaranteed():
    assert np.isnan(one_depth(0.08, slope=(0.005, NAN)))


@given(st.floats(0.06, 0.3), st.floats(0.001, 0.02), st.floats(0.001, 0.02))
def test_at_the_depth_guaranteed_the_worst_case_keeps_exactly_what_is_asked_for(margin, slope_a, slope_b):
    depth = one_depth(margin, slope=(slope_a, slope_b))
    assert margin - 0.05 - depth * (slope_a + slope_b) == pytest.approx(0.0, abs=1e-9)


def budget(*, spacing=0.75, second_wall=None, toml="", **stated):
    design = straight_wall(3, spacing=spacing)
    if second_wall:
        design[2]["wall"] = second_wall
    survey = to_survey(Site(toml=site_file() + toml, design=design))
    stated = {"cut_off_level": 3.2, "allowed_mm": 25.0, "allowed_mm_per_m": 5.0, **stated}
    return {
        "settings": survey.settings,
        "design": survey.design,
        "piles": piles_of(survey.design, **stated),
        "joints": joints_of(survey.design, [(0, 1), (1, 2)]),
    }


def test_tolerance_budget_gives_depth_and_what_is_asked_for():
    depth, asked = tolerance_budget(**budget())
    assert depth == pytest.approx([3.0, 3.0])
    assert asked == pytest.approx([12.7, 12.7])


def test_a_joint_between_two_walls_goes_down_to_the_lower_interlock():
    deeper = '\n[walls.B]\nclosed = false\npit_side = "left"\ninterlock_to = -11.5\n'
    assert tolerance_budget(**budget(second_wall="B", toml=deeper))[1] == pytest.approx([12.7, 14.7])


def test_one_finding_for_each_wall_names_its_worst_joint():
    (finding,) = tolerance_budget_findings(**budget(allowed_mm=[25.0, 25.0, 30.0]))
    assert (finding.id, finding.severity) == ("tolerance_budget:A", "note")
    assert finding.text == (
        "piles within tolerance may still lose 2 of 2 joints of wall A; at P2~P3 the tolerances "
        "keep 50 mm of overlap only 2.50 m below cut-off, 12.70 m asked for"
    )


def test_tolerances_that_fail_at_cut_off_are_said_to():
    (finding,) = tolerance_budget_findings(**budget(spacing=0.80))
    assert "do not keep 50 mm of overlap even at cut-off, 12.70 m asked for" in finding.text


def test_tolerances_that_reach_interlock_to_are_no_finding():
    # spacing for exactly 12.7 m: (880 - s - 50)/2 - 25 = 63.5
    assert tolerance_budget_findings(**budget(spacing=0.653)) == ()


# ----------------------------------------------------------------------------------- survey too poor


def poor(checks=(), **limits):
    settings = to_survey(
        Site(toml=site_file(**dict.fromkeys(checks, "guarded")), design=straight_wall(2))
    ).settings
    given_limits = {
        check: Limits(allowed=np.array(allowed), sigma=np.array(sigma))
        for check, (allowed, sigma) in limits.items()
    }
    return survey_too_poor_findings(settings=settings, **given_limits)


def test_a_joint_that_could_not_be_shown_sound_as_designed_is_one_finding():
    (finding,) = poor(joint=([0.080, 0.080, 0.080], [0.010, 0.060, 0.050]))
    assert finding.id == "survey_too_poor:joint"
    assert finding.text == (
        "2 of 3 joints could not be shown to be within even if measured exactly as designed: at worst a "
        "standard uncertainty of 60.0 mm beside 80.0 mm allowed gives probability 0.91, 0.95 asked for; "
        "needed: 48.6 mm or less"
    )


def test_a_check_by_the_simple_rule_needs_no_certainty():
    assert poor(plan=([0.025], [0.020])) == ()


def test_plan_fails_from_the_limit_over_2_448_on():
    limit = 0.025
    assert poor(["plan"], plan=([limit], [limit / 2.44775 * 0.9999])) == ()
    assert len(poor(["plan"], plan=([limit], [limit / 2.44775 * 1.0001]))) == 1


def test_encroachment_fails_from_the_limit_over_1_645_on():
    assert poor(encroach=([0.05], [0.05 / 1.6449 * 0.9999])) == ()
    assert len(poor(encroach=([0.05], [0.05 / 1.6448 * 1.0001]))) == 1


def test_inclination_is_worded_in_mm_per_m():
    (finding,) = poor(["vertical"], vertical=([0.005], [0.003]))
    assert "the only pile" in finding.text
    assert "3.0 mm/m beside 5.0 mm/m allowed" in finding.text


def test_a_design_that_does_not_conform_is_not_the_fault_of_the_survey():
    assert poor(joint=([-0.01, 0.0], [0.02, 0.02])) == ()


def test_what_is_not_measured_is_left_out():
    assert poor(joint=([0.08, NAN], [NAN, 0.06])) == ()


@pytest.mark.parametrize("sigma", [0.05, 0.06, 0.09])
def test_the_figure_for_a_joint_is_never_below_the_probability_of_the_disc(sigma):
    spacing, margin, variance = np.array([0.75]), np.array([0.08]), np.array([sigma**2])
    exact = disc_probability(spacing, spacing + margin, var_along=variance, var_across=variance)
    most = best_probability(Limits(allowed=margin, sigma=np.array([sigma])), circle=False)
    assert exact < most
    assert most == pytest.approx(exact, abs=0.02)
