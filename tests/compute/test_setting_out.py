"""Where the next pile is best set out: small walls whose answers are worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from scipy.stats import ncx2
from steps import EXACT, record, shot, tilt

from asbuilt.compute.joints import overlap_for_chord
from asbuilt.compute.setting_out import STATES, advise
from asbuilt.reconcile import reconcile

#: So plumb that a joint with a millimetre to spare is sure.
PLUMB = {**EXACT, "verticality": '"1:1000000"'}


def wall(built, *, count=3, design=None, outline=None, records=(), set_out="", approved=(), **changes):
    """A straight wall running east, of which some piles are built plumb: pile to offset east and north [mm]."""
    design = straight_wall(count) if design is None else design
    at = {row["pile_id"]: (row["easting"], row["northing"]) for row in design}
    return reconcile(
        to_survey(
            Site(
                toml=site_file(**{**PLUMB, **changes}) + f"\n[set_out]\n{set_out}\n",
                design=design,
                pickups=[shot(p, at[p][0] + e / 1000, at[p][1] + n / 1000) for p, (e, n) in built.items()],
                tilts=[tilt(p, 12.0) for p in built],
                records=list(records),
                set_out=[
                    {"pile_id": p, "easting": e, "northing": n, "approved_by": "the engineer", "at": "2025-03-01"}
                    for p, e, n in approved
                ],
                outline=outline,
            )
        )
    )


def only(result, piles=None):
    """What is said of the one pile, by column, with its state as a word."""
    found = advise(result, piles)
    assert len(found) == 1
    of_joints = [name for name in found.__dataclass_fields__ if name.startswith("joint")]
    columns = {
        name: getattr(found, name)[0]
        for name in found.__dataclass_fields__
        if name not in ("start", "neighbour", "built", *of_joints)
    }
    return {**columns, "state": STATES[columns["state"]], "id": result.piles["pile_id"][found.pile[0]]}


def mm(value):
    return 1000 * value


# ------------------------------------------------------------------------------------------ the centre


def test_half_way_between_two_that_moved_apart():
    """P1 30 mm to the west: 15 mm of it are shared."""
    pile = only(wall({"P1": (-30, 0), "P3": (0, 0)}))
    assert (pile["id"], pile["state"], bool(pile["advised"])) == ("P2", "move", True)
    assert (mm(pile["move_e"]), mm(pile["move_n"])) == pytest.approx((-15, 0), abs=1e-6)
    assert (mm(pile["along"]), mm(pile["across"])) == pytest.approx((-15, 0), abs=1e-6)
    assert (mm(pile["design_least"]), mm(pile["least"]), mm(pile["gain"])) == pytest.approx((100, 115, 15))


def test_the_least_is_that_of_the_worst_joint_and_level():
    result = wall({"P1": (-30, 0), "P3": (0, 0)}, set_out="play_mm = 5\nadvise_from_mm = 0")
    pile = only(result)
    assert result.joints["joint_id"][pile["least_joint"]] == "P1~P2"
    assert mm(pile["least"]) == pytest.approx(105)
    assert pile["held_by"] == "play"


def test_a_leaning_neighbour_counts_where_it_is_farthest():
    """P1 leans 4 mm/m away from the joint: at the bottom, 12.7 m below its head, 50.8 mm."""
    result = reconcile(
        to_survey(
            Site(
                toml=site_file(**PLUMB) + "\n[set_out]\nplay_mm = 100\n",
                design=straight_wall(3),
                pickups=[shot("P1", 0.0, 0.0), shot("P3", 1.5, 0.0)],
                tilts=[tilt("P1", 12.0, -4.0), tilt("P3", 12.0)],
            )
        )
    )
    pile = only(result)
    assert mm(pile["move_e"]) == pytest.approx(-25.4, abs=1e-3)
    assert pile["design_level"] == -9.5
    assert mm(pile["design_least"]) == pytest.approx(130 - 50.8, abs=1e-3)
    assert mm(pile["least"]) == pytest.approx(130 - 25.4, abs=1e-3)


def test_an_unbuilt_neighbour_stands_at_design():
    """Between P1, 20 mm to the west, and P3 at design."""
    pile = only(wall({"P1": (-20, 0)}))
    assert mm(pile["best_spare"]) == pytest.approx(130 - 50 - 10)


def test_an_unbuilt_neighbour_stands_where_it_was_approved():
    pile = only(wall({"P1": (-20, 0)}, approved=[("P3", 1.504, 0.0)]))
    assert mm(pile["best_spare"]) == pytest.approx(130 - 50 - 12, abs=1e-6)


def test_across_the_wall_only_where_the_settings_say_so():
    built = {"P1": (0, 20), "P3": (0, 20)}
    assert mm(only(wall(built))["best_spare"]) == pytest.approx(mm(0.88 - 0.05 - math.hypot(0.75, 0.02)))
    free = only(wall(built, set_out="across_wall = true\nplay_mm = 30"))
    assert mm(free["best_spare"]) == pytest.approx(80)
    assert free["held_by"] == ""


def test_towards_the_pit_no_farther_than_the_outline_permits():
    """The face stands 10 mm clear of the outline at design: 5 mm inside are allowed, so 15 mm to go."""
    outline = [(-5.0, 0.45), (5.0, 0.45), (5.0, 4.0), (-5.0, 4.0)]
    result = wall(
        {"P1": (-40, 30), "P3": (40, 30)},
        outline=outline,
        set_out="across_wall = true\nplay_mm = 100\nadvise_from_mm = 0",
        more_tolerance="clear_mm = 5",
    )
    pile = only(result)
    assert (mm(pile["across"]), pile["held_by"]) == (pytest.approx(15), "clear outline")


def test_towards_the_pit_no_farther_than_the_movement_allowed():
    result = wall(
        {"P1": (-40, 30), "P3": (40, 30)},
        set_out="across_wall = true\nplay_mm = 100\nadvise_from_mm = 0",
        more_tolerance="encroach_mm = 12",
    )
    pile = only(result)
    assert (mm(pile["across"]), pile["held_by"]) == (pytest.approx(12), "pit")


def test_the_gap_of_an_omitted_pile_is_no_joint():
    """P4 is omitted: P3 has one joint, with P2; across the gap to P5 nothing is asked for."""
    design = straight_wall(5)
    design[3]["status"] = "omitted"
    found = advise(wall({"P2": (0, 0), "P5": (0, 0)}, design=design), [2])
    assert len(found.joint) == 1
    assert mm(found.design_least[0]) == pytest.approx(130)


# ------------------------------------------------------------------------------------------ advised or not


@pytest.mark.parametrize(("west", "state"), [(19.8, "stay"), (20.2, "move")])
def test_advised_when_the_gain_exceeds_the_setting(west, state):
    """Half of what P1 moved is gained; 10 mm are asked for."""
    pile = only(wall({"P1": (-west, 0), "P3": (0, 0)}))
    assert (pile["state"], mm(pile["gain"])) == (state, pytest.approx(west / 2))


def test_not_advised_it_stays_where_it_is_to_be_set_out():
    pile = only(wall({"P1": (-10, 0), "P3": (0, 0)}))
    assert (mm(pile["move_e"]), mm(pile["least"]), mm(pile["best_least"])) == pytest.approx((0, 120, 125))


def test_advised_for_less_where_it_would_not_be_sure():
    """Half of 1:100 is 5 mm/m: 67.5 mm at the bottom, more than the joints have to spare."""
    pile = only(wall({"P1": (-10, 0), "P3": (0, 0)}, verticality='"1:100"'))
    assert (pile["state"], bool(pile["design_sure"])) == ("move", False)
    assert mm(pile["gain"]) == pytest.approx(5)


def test_not_advised_for_nothing():
    pile = only(wall({"P1": (-0.8, 0), "P3": (0, 0)}, verticality='"1:100"'))
    assert (pile["state"], mm(pile["gain"])) == ("stay", pytest.approx(0.4))


def test_chance_counts_half_the_verticality_allowed_from_the_commencing_level_down():
    """Plumb and as designed: at −9.50, 13.5 m below +4.00, scatter is 2.5 mm/m and the two centres' own."""
    pile = only(wall({"P1": (0, 0), "P3": (0, 0)}, verticality='"1:200"', pickup_mm=4, setup_mm=3))
    variance = (0.0025 * 13.5) ** 2 + 2 * (0.004**2 + 0.003**2)
    expected = ncx2.cdf(0.83**2 / variance, 2, 0.75**2 / variance)
    assert pile["design_p"] == pytest.approx(expected, abs=2e-6)
    assert bool(pile["design_sure"]) == (expected >= 0.95)


def test_chance_is_that_of_the_joints_with_built_neighbours():
    changes = {"verticality": '"1:200"', "pickup_mm": 4, "setup_mm": 3}
    both = only(wall({"P1": (0, 0), "P3": (0, 0)}, **changes))
    assert only(wall({"P1": (0, 0)}, **changes))["design_p"] == pytest.approx(both["design_p"], abs=1e-12)


def test_nothing_is_sure_where_no_verticality_is_allowed():
    pile = only(wall({"P1": (0, 0), "P3": (0, 0)}, verticality='{ primary = "1:200" }'))
    assert (bool(pile["design_sure"]), math.isnan(pile["design_p"])) == (False, True)


def test_sure_only_under_both_lean_models():
    """Read once 4 m down, 5 mm/m: straight or stepped alike; turned back below, the stepped one differs."""
    site = Site(
        toml=site_file(**PLUMB),
        design=straight_wall(3),
        pickups=[shot("P1", 0.0, 0.0), shot("P3", 1.5, 0.0)],
        tilts=[tilt("P1", 4.0, -9.0), tilt("P1", 12.0, 0.0, read_at="2025-03-02T12:00"), tilt("P3", 12.0)],
    )
    pile = only(reconcile(to_survey(site)))
    assert mm(pile["design_spare"]) == pytest.approx(80, abs=1e-3)
    assert bool(pile["design_sure"])
    site.tilts[0]["tilt_b"] = -30.0
    pile = only(reconcile(to_survey(site)))
    assert mm(pile["design_spare"]) == pytest.approx(80, abs=1e-3)
    assert not pile["design_sure"]


def test_simple_rule_is_sure_with_the_overlap_asked_for():
    pile = only(wall({"P1": (0, 0), "P3": (0, 0)}, verticality='"1:20"', joint="simple"))
    assert bool(pile["design_sure"])


@pytest.mark.parametrize(("verticality", "state"), [('"1:1000000"', "stay"), ('"1:100"', "move")])
def test_at_the_end_of_a_wall_a_gain_alone_is_no_reason(verticality, state):
    """P2 has one joint: it gains its play of 15 mm, more than the 10 mm asked for, by moving onto P1."""
    pile = only(wall({"P1": (-10, 0)}, count=2, verticality=verticality))
    assert (pile["state"], mm(pile["gain"])) == (state, pytest.approx(15))
    assert ("the best centre gains 15 mm by moving onto its one neighbour" in pile["reason"]) == (state == "stay")


@pytest.mark.parametrize("verticality", ['"1:1000000"', '"1:100"'])
def test_an_approved_centre_holds_until_another_is_approved(verticality):
    """Approved at design; the best one gains 15 mm."""
    pile = only(wall({"P1": (-30, 0), "P3": (0, 0)}, approved=[("P2", 0.75, 0.0)], verticality=verticality))
    assert (pile["state"], bool(pile["approved"]), bool(pile["advised"])) == ("stay", True, False)
    assert (mm(pile["move_e"]), mm(pile["gain"])) == (pytest.approx(0, abs=1e-9), pytest.approx(15))
    assert "the approved centre holds until another is approved: ask the engineer" in pile["reason"]


def test_an_approved_centre_that_is_the_best_asks_for_nothing():
    pile = only(wall({"P1": (-30, 0), "P3": (0, 0)}, approved=[("P2", 0.735, 0.0)]))
    assert "ask the engineer" not in pile["reason"]
    assert "least overlap at the approved centre 115 mm" in pile["reason"]


def test_an_approved_centre_is_what_is_compared():
    """Approved 12 mm to the west of design, the best one is 3 mm farther: gained are 3, not 15."""
    pile = only(wall({"P1": (-30, 0), "P3": (0, 0)}, approved=[("P2", 0.738, 0.0)]))
    assert pile["state"] == "stay"
    assert (mm(pile["move_e"]), mm(pile["present_least"]), mm(pile["gain"])) == pytest.approx((-12, 112, 3))
    assert mm(pile["design_least"]) == pytest.approx(100)


# ------------------------------------------------------------------------------------------ what else would do


def test_diameter_that_would_do():
    """Both neighbours 100 mm away: 850 mm apart each, 20 mm short of what is asked for; 40 mm wider would do."""
    pile = only(wall({"P1": (-100, 0), "P3": (100, 0)}))
    assert mm(pile["best_spare"]) == pytest.approx(-20)
    assert (mm(pile["needed_diameter"]), bool(pile["extra_pile"])) == (pytest.approx(920), False)
    assert "no shift keeps the overlap asked for: a diameter of 920 mm would" in pile["reason"]


def test_diameter_that_would_do_for_a_chord():
    pile = only(wall({"P1": (-100, 0), "P3": (100, 0)}, more_tolerance="chord_mm = 420\nencroach_mm = 300"))
    radius = np.array([pile["needed_diameter"] / 2])
    neighbour = np.array([0.44])
    assert radius + neighbour - overlap_for_chord(0.42, radius, neighbour) == pytest.approx(0.85, abs=1e-6)


def test_no_room_for_a_wider_pile():
    pile = only(wall({"P1": (-100, 0), "P3": (100, 0)}, more_tolerance="encroach_mm = 19"))
    assert (math.isnan(pile["needed_diameter"]), bool(pile["extra_pile"])) == (True, True)
    assert "an extra pile would be needed" in pile["reason"]


def test_no_room_beside_the_outline():
    outline = [(-5.0, 0.455), (5.0, 0.455), (5.0, 4.0), (-5.0, 4.0)]
    built = {"P1": (-100, 0), "P3": (100, 0)}
    assert bool(only(wall(built, outline=outline, more_tolerance=""))["extra_pile"])
    assert not only(wall(built, outline=outline, more_tolerance="clear_mm = 6"))["extra_pile"]


def test_a_toe_that_is_too_high_is_mended_by_no_shift():
    pile = only(
        wall({"P1": (0, 0), "P3": (0, 0)}, records=[record("P1", toe_level=-7.0), record("P3", toe_level=-12.0)])
    )
    assert (bool(pile["sure"]), bool(pile["extra_pile"])) == (False, True)
    assert "the toe as built leaves P1~P2 open below it" in pile["reason"]


def test_below_a_toe_that_is_too_high_nothing_is_looked_for():
    """P1 leans 4 mm/m away and ends at −7.00: 10.2 m below its head, 40.8 mm."""
    site = Site(
        toml=site_file(**PLUMB),
        design=straight_wall(3),
        pickups=[shot("P1", 0.0, 0.0), shot("P3", 1.5, 0.0)],
        tilts=[tilt("P1", 11.0, -4.0), tilt("P3", 12.0)],
        records=[record("P1", toe_level=-7.0), record("P3", toe_level=-12.0)],
    )
    pile = only(reconcile(to_survey(site)))
    assert (pile["design_level"], mm(pile["design_least"])) == (-7.0, pytest.approx(130 - 40.8, abs=1e-3))


# ------------------------------------------------------------------------------------------ which piles


def test_by_default_those_with_a_built_neighbour():
    result = wall({"P3": (0, 0)}, count=6)
    assert result.piles["pile_id"][advise(result).pile].tolist() == ["P2", "P4"]


@pytest.mark.parametrize(
    ("pile", "state", "says"),
    [
        (0, "begun", "surveyed"),
        (3, "begun", "concreted"),
        (4, "not known", "P4 is concreted and not surveyed; no centre is advised"),
        (7, "no neighbour built", "no neighbour is built yet"),
        (9, "omitted", "omitted in the design"),
    ],
)
def test_others_are_told_why_not(pile, state, says):
    design = straight_wall(10)
    design[9]["status"] = "omitted"
    found = only(wall({"P1": (0, 0), "P6": (0, 0)}, design=design, records=[record("P4")]), [pile])
    assert (found["state"], found["reason"], bool(found["advised"])) == (state, says, False)
    assert math.isnan(found["best_e"])


def test_a_neighbour_without_a_lean_is_not_taken_for_plumb():
    site = Site(
        toml=site_file(**PLUMB),
        design=straight_wall(3),
        pickups=[shot("P1", -0.03, 0.0), shot("P3", 1.5, 0.0)],
        tilts=[tilt("P3", 12.0)],
    )
    pile = only(reconcile(to_survey(site)))
    assert (pile["state"], pile["reason"]) == ("not known", "the lean of P1 is not known; no centre is advised")
    assert math.isnan(pile["least"])


def test_every_joint_is_told_apart():
    found = advise(wall({"P1": (-30, 0), "P3": (0, 0)}, set_out="play_mm = 5\nadvise_from_mm = 0"))
    assert found.start.tolist() == [0, 2]
    assert (found.neighbour.tolist(), found.built.tolist()) == ([0, 2], [True, True])
    assert mm(found.joint_design_least) == pytest.approx([100, 130])
    assert mm(found.joint_least) == pytest.approx([105, 125])


def test_nothing_to_say_of_a_wall_that_is_all_built():
    assert len(advise(wall({"P1": (0, 0), "P2": (0, 0), "P3": (0, 0)}))) == 0
