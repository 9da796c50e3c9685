"""What holds a stage, what lies below it, in which order and in which words."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of, piles_of

from asbuilt.compute.stages import stage_states

NAN = float("nan")
STAGES = """
[[stages]]
name = "dig 1"
level = 0.50
joints_to = -3.00

[[stages]]
name = "dig 2"
level = -4.00
"""


def survey_of(count, *, stages=STAGES, holds=None, **changes):
    toml = site_file(**changes)
    if holds is not None:
        toml = toml.replace(
            'encroach = "guarded"', f'encroach = "guarded"\nholds = {holds}'.replace("'", '"')
        )
    return to_survey(Site(toml=toml + stages, design=straight_wall(count)))


def states(survey, joints, piles=None, **more):
    return stage_states(
        settings=survey.settings,
        design=survey.design,
        piles=piles_of(survey.design) if piles is None else piles,
        joints=joints,
        decisions=survey.decisions,
        **more,
    )


def measured(design, **stated):
    """Joints between consecutive piles, all measured."""
    pairs = [(i, i + 1) for i in range(len(design) - 1)]
    stated = {"verdict": ["within"] * len(pairs), "levels_known": True, "range_bottom": -9.5, **stated}
    return joints_of(design, pairs, **stated)


def items(holds):
    return [hold.item for hold in holds]


def test_without_stages_there_is_no_state():
    survey = survey_of(2, stages="")
    assert states(survey, measured(survey.design)) == ()


def test_nothing_holds_when_every_joint_is_sure():
    survey = survey_of(3)
    first, second = states(survey, measured(survey.design))
    assert (first.stage, first.level, first.joints_to, first.state) == ("dig 1", 0.5, -3.0, "no holds")
    assert (second.stage, second.joints_to, second.held_by, second.below) == ("dig 2", None, (), ())


def test_a_joint_holds_from_its_sure_level_up_to_joints_to_inclusive():
    survey = survey_of(4)
    joints = measured(
        survey.design,
        sure_level=[-3.0, -3.001, NAN],
        verdict=["unresolved", "outside", "within"],
    )
    first = states(survey, joints)[0]
    assert items(first.held_by) == ["P1~P2"]
    assert items(first.below) == ["P2~P3"]


def test_without_joints_to_any_level_in_the_range_holds():
    survey = survey_of(3)
    joints = measured(survey.design, sure_level=[-9.4, NAN], verdict=["outside", "within"])
    second = states(survey, joints)[1]
    assert items(second.held_by) == ["P1~P2"]
    assert second.state == "held"


@pytest.mark.parametrize("known", [True, False])
def test_a_joint_not_surveyed_holds_every_stage_and_has_no_level(known):
    survey = survey_of(2)
    verdict = ["not surveyed" if known else "within"]
    joints = measured(survey.design, verdict=verdict, levels_known=known, reasons=["P2: no centre"])
    for state in states(survey, joints):
        (hold,) = state.held_by
        assert (hold.item, hold.verdict, hold.check, hold.text) == (
            "P1~P2",
            "not surveyed",
            "joint",
            "P2: no centre",
        )
        assert np.isnan(hold.level)


def test_a_joint_outside_of_which_the_depth_is_not_known_holds_as_outside():
    survey = survey_of(2)
    joints = measured(survey.design, verdict=["outside"], levels_known=False, lost_level=[3.2])
    (hold,) = states(survey, joints)[0].held_by
    assert hold.verdict == "outside"


def test_a_built_toe_counts_as_a_level_at_which_the_joint_is_not_sure():
    survey = survey_of(2)
    joints = measured(survey.design, verdict=["outside"], toe_levels=[-7.25], least_overlap_mm=[80.0], reasons=["toe"])
    first, second = states(survey, joints)
    assert items(first.below) == ["P1~P2"]
    (hold,) = second.held_by
    assert hold.level == -7.25
    assert hold.text == "toe"


def test_a_joint_not_sure_somewhere_is_never_shown_as_within():
    survey = survey_of(2)
    joints = measured(survey.design, sure_level=[-2.0])
    assert states(survey, joints)[0].held_by[0].verdict == "unresolved"


def test_a_joint_holds_with_the_words_of_its_reasons():
    survey = survey_of(2)
    words = "overlap 12.3 mm at -6.40, 50.0 mm asked for, lost from -5.12, not sure from -3.20"
    joints = measured(survey.design, verdict=["outside"], sure_level=[-3.2], reasons=[words])
    (hold,) = states(survey, joints)[1].held_by
    assert hold.text == words


def test_a_joint_without_reasons_holds_with_its_verdict():
    survey = survey_of(2)
    joints = measured(survey.design, verdict=["unresolved"], sure_level=[-8.0])
    (hold,) = states(survey, joints)[1].held_by
    assert hold.text == "unresolved"


def test_worst_come_first_then_the_highest():
    survey = survey_of(6)
    joints = measured(
        survey.design,
        verdict=["unresolved", "outside", "not surveyed", "outside", "unresolved"],
        sure_level=[-1.0, -5.0, NAN, -4.0, 2.0],
    )
    second = states(survey, joints)[1]
    assert items(second.held_by) == ["P4~P5", "P2~P3", "P3~P4", "P5~P6", "P1~P2"]


def test_encroachment_holds_at_or_above_the_level_dug_to():
    more = "toe_mm = 100\nencroach_mm = 50\nencroach_growth_mm_per_m = 1"
    survey = survey_of(3, more_tolerance=more)
    piles = piles_of(
        survey.design,
        encroach_verdict=["outside", "unresolved", "within"],
        worst_towards_pit_mm=[71.0, 48.0, 3.0],
        worst_towards_pit_level=[-4.0, -4.01, 3.2],
        p_encroach=[0.001, 0.61, 1.0],
        cut_off_level=[6.0, 5.99, 3.2],
    )
    first, second = states(survey, measured(survey.design), piles)
    assert (items(first.held_by), items(first.below)) == ([], ["P1", "P2"])
    assert (items(second.held_by), items(second.below)) == (["P1"], ["P2"])
    assert second.held_by[0].text == "71 mm of 60 mm towards the pit at -4.00"
    assert second.below[0].text == "48 mm of 60 mm towards the pit at -4.01; probability 0.61, 0.95 asked for"


def test_of_movement_and_outline_the_higher_level_counts():
    survey = survey_of(2)
    piles = piles_of(
        survey.design,
        encroach_verdict=["outside", "within"],
        worst_towards_pit_mm=[20.0, 0.0],
        worst_towards_pit_level=[-8.0, NAN],
        face_inside_mm=[12.0, -40.0],
        face_inside_level=[1.0, NAN],
    )
    (hold,) = states(survey, measured(survey.design), piles)[0].held_by
    assert hold.level == 1.0
    assert hold.text == "20 mm towards the pit at -8.00; face 12 mm inside the clear outline at +1.00"


def test_a_stated_highest_level_of_encroachment_replaces_the_level_of_the_greatest():
    survey = survey_of(2)
    piles = piles_of(
        survey.design,
        encroach_verdict=["outside", "within"],
        worst_towards_pit_mm=[71.0, 0.0],
        worst_towards_pit_level=[-8.0, NAN],
        cut_off_level=3.2,
    )
    joints = measured(survey.design)
    assert states(survey, joints, piles)[0].held_by == ()
    (hold,) = states(survey, joints, piles, encroach_from=np.array([0.7, NAN]))[0].held_by
    assert (hold.item, hold.level) == ("P1", 0.7)
    assert hold.text == "71 mm of 50 mm towards the pit at -8.00; not within from +0.70 down"


def test_a_toe_that_ends_above_joints_to_holds():
    survey = survey_of(3)
    piles = piles_of(
        survey.design, toe_verdict=["outside", "outside", "within"], toe_level=[-2.99, -3.0, -12.0]
    )
    first = states(survey, measured(survey.design), piles)[0]
    assert (items(first.held_by), items(first.below)) == (["P1"], ["P2"])
    assert first.held_by[0].text == "toe at -2.99, 9010 mm of 100 mm allowed above design"


def test_without_joints_to_a_toe_must_reach_the_bottom_of_its_own_joints():
    survey = survey_of(3)
    piles = piles_of(survey.design, toe_verdict=["outside"] * 3, toe_level=[-7.0, -7.0, -9.6])
    joints = measured(survey.design, range_bottom=[-6.5, -9.5])
    second = states(survey, joints, piles)[1]
    assert (items(second.held_by), items(second.below)) == (["P2"], ["P1", "P3"])


def test_a_toe_of_a_pile_without_joints_is_held_against_interlock_to():
    survey = survey_of(1)
    piles = piles_of(survey.design, toe_verdict=["outside"], toe_level=[-9.4])
    second = states(survey, joints_of(survey.design, []), piles)[1]
    assert items(second.held_by) == ["P1"]


def test_a_toe_without_a_record_cannot_be_shown_to_reach_any_level():
    survey = survey_of(2)
    piles = piles_of(survey.design, toe_verdict=["not surveyed", "within"], toe_level=[NAN, -12.0])
    (hold,) = states(survey, measured(survey.design), piles)[0].held_by
    assert (hold.item, hold.text, hold.check) == ("P1", "toe not recorded", "toe")


def test_an_omitted_pile_never_holds():
    survey = survey_of(2)
    piles = piles_of(
        survey.design,
        toe_verdict=["not surveyed"] * 2,
        encroach_verdict=["not surveyed"] * 2,
        expected=[False, True],
    )
    first = states(survey, measured(survey.design), piles)[0]
    assert sorted(items(first.held_by)) == ["P2", "P2"]


def test_checks_that_were_not_made_never_hold():
    survey = survey_of(2)
    assert states(survey, measured(survey.design), piles_of(survey.design))[0].state == "no holds"


def test_only_named_checks_hold_or_are_listed_below():
    survey = survey_of(3, holds=["toe"])
    joints = measured(survey.design, verdict=["outside", "not surveyed"], sure_level=[2.0, NAN])
    first = states(survey, joints, piles_of(survey.design, encroach_verdict=["not surveyed"] * 3))[0]
    assert (first.held_by, first.below) == ((), ())


def test_plan_and_verticality_hold_every_stage_where_they_are_named():
    survey = survey_of(2, holds=["plan", "vertical"])
    piles = piles_of(
        survey.design,
        plan_verdict=["outside", "not surveyed"],
        offset_mm=[25.04, NAN],
        allowed_mm=[25.0, 25.0],
        vertical_verdict=["within", "outside"],
        incline_mm_per_m=[1.0, 6.1],
        allowed_mm_per_m=[5.0, 5.0],
        cut_off_level=[3.2, 3.2],
    )
    first = states(survey, measured(survey.design), piles)[0]
    assert [(hold.item, hold.check, hold.text) for hold in first.held_by] == [
        ("P1", "plan", "plan offset 25.04 mm of 25.00 mm allowed"),
        ("P2", "vertical", "inclination 6.1 mm/m of 5.0 mm/m allowed"),
        ("P2", "plan", "plan offset not surveyed"),
    ]


def test_no_decision_lifts_a_hold_yet():
    survey = survey_of(2)
    joints = measured(survey.design, verdict=["outside"], sure_level=[1.0])
    assert states(survey, joints)[0].held_by[0].decision is None


def test_each_item_is_worded_once_whatever_the_number_of_stages():
    survey = survey_of(200)
    unknown = ["not surveyed"] * 200
    piles = piles_of(survey.design, toe_verdict=unknown, encroach_verdict=unknown)
    joints = measured(survey.design, verdict=["not surveyed"] * 199, levels_known=False)
    first, second = states(survey, joints, piles)
    assert len(first.held_by) == 599
    assert all(one is other for one, other in zip(first.held_by, second.held_by, strict=True))
