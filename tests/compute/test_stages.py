"""What holds a stage, what lies below it, in which order and in which words."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of, piles_of

from asbuilt.compute.stages import stage_states
from asbuilt.model import Decision

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
        toml = toml.replace('encroach = "guarded"', f'encroach = "guarded"\nholds = {holds}'.replace("'", '"'))
    return to_survey(Site(toml=toml + stages, design=straight_wall(count)))


def states(survey, joints, piles=None, decisions=(), **more):
    return stage_states(
        settings=survey.settings,
        design=survey.design,
        piles=piles_of(survey.design) if piles is None else piles,
        joints=joints,
        decisions=decisions,
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
    piles = piles_of(survey.design, toe_verdict=["outside", "outside", "within"], toe_level=[-2.99, -3.0, -12.0])
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


def test_a_joint_within_under_one_lean_model_only_holds():
    """Its verdict is unresolved and its sure level is that of the other model: it holds like any other."""
    survey = survey_of(2)
    words = "depends on the lean model: 12.0 mm at -9.50 under the other"
    joints = measured(survey.design, verdict=["unresolved"], sure_level=[-6.0], reasons=[words])
    first, second = states(survey, joints)
    assert (items(first.held_by), items(first.below)) == ([], ["P1~P2"])
    assert [(hold.verdict, hold.text) for hold in second.held_by] == [("unresolved", words)]


# ----------------------------------------------------------------------------------------------- decisions


def decided(effect, item="P1~P2", *, state="stands", standing=True, **cells):
    cells = {"down_to": None, "until": "", "reason": "grouted", "reference": "", "changed": "", **cells}
    return Decision(
        at=np.datetime64("2025-03-06T09:00", "ms"),
        by="Ann",
        item=item,
        effect=effect,
        evidence_sha256="a" * 64,
        figures="",
        state=state,
        standing=standing,
        **cells,
    )


def poor_joint(survey):
    return measured(survey.design, verdict=["outside"], sure_level=[1.0], reasons=["gap"])


def test_without_a_decision_a_hold_has_none():
    survey = survey_of(2)
    (hold,) = states(survey, poor_joint(survey))[0].held_by
    assert hold.decision is None


def test_an_accept_lifts_a_hold_in_every_stage():
    survey = survey_of(2)
    accept = decided("accept")
    for state in states(survey, poor_joint(survey), decisions=[accept]):
        assert (state.state, state.held_by, state.below) == ("no holds", (), ())
        (hold,) = state.accepted
        assert (hold.item, hold.verdict, hold.text, hold.decision) == ("P1~P2", "outside", "gap", accept)


@pytest.mark.parametrize(("down_to", "held"), [(1.0, [True, True]), (0.5, [False, True]), (-4.0, [False, False])])
def test_an_accept_lifts_a_hold_in_stages_no_deeper_than_it_says(down_to, held):
    survey = survey_of(2)
    found = states(survey, poor_joint(survey), decisions=[decided("accept", down_to=down_to)])
    assert [state.state == "held" for state in found] == held
    assert [bool(state.accepted) for state in found] == [not one for one in held]


@pytest.mark.parametrize(
    ("state", "changed"),
    [
        ("changed, worse", "least overlap 61.2 -> 12.0 mm"),
        ("changed, no worse", "least overlap 61.2 -> 99.0 mm"),
        ("changed", ""),
        ("not bound", ""),
    ],
)
def test_an_accept_that_lapsed_lifts_nothing_and_is_told_with_what_changed(state, changed):
    survey = survey_of(2)
    lapsed = decided("accept", state=state, standing=False, changed=changed)
    (hold,) = states(survey, poor_joint(survey), decisions=[lapsed])[0].held_by
    after = f"; {state}: {changed}" if changed else f"; {state}"
    assert hold.decision.text == f"accept by Ann, 2025-03-06: grouted{after}"


def test_an_accept_of_one_item_lifts_no_hold_of_another():
    survey = survey_of(3)
    joints = measured(survey.design, verdict=["outside"] * 2, sure_level=[1.0, 1.0])
    piles = piles_of(survey.design, toe_verdict=["outside", "within", "within"], toe_level=[-2.0, -12.0, -12.0])
    first = states(survey, joints, piles, decisions=[decided("accept")])[0]
    assert (sorted(items(first.held_by)), items(first.accepted)) == (["P1", "P2~P3"], ["P1~P2"])


def test_an_accept_of_a_pile_lifts_each_of_its_checks_and_not_its_joints():
    survey = survey_of(2)
    piles = piles_of(
        survey.design,
        toe_verdict=["outside", "within"],
        toe_level=[-2.0, -12.0],
        encroach_verdict=["outside", "within"],
        worst_towards_pit_mm=[71.0, 0.0],
        worst_towards_pit_level=[2.0, NAN],
        cut_off_level=3.2,
    )
    first = states(survey, poor_joint(survey), piles, decisions=[decided("accept", "P1")])[0]
    assert items(first.held_by) == ["P1~P2"]
    assert sorted((hold.item, hold.check) for hold in first.accepted) == [("P1", "encroach"), ("P1", "toe")]


@pytest.mark.parametrize("verdict", ["not surveyed", "unresolved", "outside"])
def test_what_is_known_in_part_or_not_at_all_is_accepted_without_measurement(verdict):
    survey = survey_of(3)
    joints = measured(
        survey.design, verdict=[verdict, "outside"], sure_level=[3.2, 3.2], levels_known=[False, True]
    )
    first = states(survey, joints, decisions=[decided("accept"), decided("accept", "P2~P3")])[0]
    assert {hold.item: hold.unmeasured for hold in first.accepted} == {"P1~P2": True, "P2~P3": False}


def test_a_pile_that_is_not_surveyed_is_accepted_without_measurement():
    survey = survey_of(2)
    piles = piles_of(survey.design, toe_verdict=["not surveyed", "outside"], toe_level=[NAN, -2.0])
    first = states(
        survey, measured(survey.design), piles, decisions=[decided("accept", "P1"), decided("accept", "P2")]
    )[0]
    assert {hold.item: hold.unmeasured for hold in first.accepted} == {"P1": True, "P2": False}


def test_what_lies_below_a_stage_is_listed_there_accepted_or_not():
    survey = survey_of(2)
    joints = measured(survey.design, verdict=["outside"], sure_level=[-5.0])
    first, second = states(survey, joints, decisions=[decided("accept")])
    assert (items(first.below), items(first.accepted)) == (["P1~P2"], [])
    assert (items(second.below), items(second.accepted)) == ([], ["P1~P2"])


@pytest.mark.parametrize("item", ["P1~P2", "P2"])
def test_an_engineers_hold_on_an_item_within_holds_every_stage(item):
    survey = survey_of(2)
    piles = piles_of(survey.design, verdict=["within", "within"])
    hold_it = decided("hold", item, until="the leak is dry", reason="leaks")
    for state in states(survey, measured(survey.design), piles, decisions=[hold_it]):
        (hold,) = state.held_by
        assert (hold.item, hold.check, hold.verdict) == (item, "decision", "within")
        assert (hold.text, hold.decision) == ("held until the leak is dry: leaks", hold_it)
        assert np.isnan(hold.level)


def test_an_engineers_hold_on_a_finding_holds_every_stage():
    survey = survey_of(2)
    (hold,) = states(survey, measured(survey.design), decisions=[decided("hold", "drift:P1")])[1].held_by
    assert (hold.item, hold.check, hold.verdict, hold.text) == ("drift:P1", "decision", "unresolved", "held: grouted")


def test_an_engineers_hold_on_what_is_gone_still_holds():
    survey = survey_of(2)
    gone = decided("hold", "P9", state="no such item")
    (hold,) = states(survey, measured(survey.design), decisions=[gone])[0].held_by
    assert (hold.item, hold.verdict) == ("P9", "not surveyed")


def test_an_engineers_hold_stands_beside_what_else_holds_the_item():
    survey = survey_of(2)
    first = states(survey, poor_joint(survey), decisions=[decided("hold")])[0]
    assert sorted((hold.check, hold.verdict) for hold in first.held_by) == [
        ("decision", "outside"),
        ("joint", "outside"),
    ]


def test_an_engineers_hold_holds_whatever_checks_hold_by_the_site_file():
    survey = survey_of(2, holds=[])
    assert states(survey, poor_joint(survey), decisions=[decided("hold")])[0].state == "held"


def test_an_accept_down_to_a_level_lifts_an_engineers_hold_down_to_it_only():
    survey = survey_of(2)
    both = [decided("hold", reason="leaks"), decided("accept", down_to=0.5)]
    first, second = states(survey, measured(survey.design), decisions=both)
    assert (items(first.held_by), items(first.accepted)) == ([], ["P1~P2"])
    assert (items(second.held_by), items(second.accepted)) == (["P1~P2"], [])
    assert second.held_by[0].text == "held: leaks"


def test_an_accept_that_lapsed_leaves_an_engineers_hold():
    survey = survey_of(2)
    lapsed = decided("accept", state="changed, no worse", standing=False)
    first = states(survey, measured(survey.design), decisions=[decided("hold", reason="leaks"), lapsed])[0]
    (hold,) = first.held_by
    assert (hold.text, hold.decision) == ("held: leaks", lapsed)


def test_each_item_is_worded_once_whatever_the_number_of_stages():
    survey = survey_of(200)
    unknown = ["not surveyed"] * 200
    piles = piles_of(survey.design, toe_verdict=unknown, encroach_verdict=unknown)
    joints = measured(survey.design, verdict=["not surveyed"] * 199, levels_known=False)
    first, second = states(survey, joints, piles)
    assert len(first.held_by) == 599
    assert all(one is other for one, other in zip(first.held_by, second.held_by, strict=True))
