"""Reasons: each check that is not within, with figures that never contradict the verdict."""

from __future__ import annotations

import pytest
from builders import straight_wall, to_survey
from steps import EXACT, plumb_wall, record, shot, tilt

from asbuilt.reconcile import reconcile

SIMPLE = {**EXACT, "joint": "simple", "encroach": "simple"}
BOX = [(-5, 0.5), (5, 0.5), (5, 4), (-5, 4)]


def wall(*, at=(0.0, 0.0), lean=(0.0, 0.0), toe=-12.0, level=3.2, outline=None, design=None, **changes):
    """P1 as designed, P2 out by ``at`` [m] and leaning [mm/m]."""
    site = plumb_wall(design=design, **{**SIMPLE, **changes})
    site.pickups[1] = shot("P2", 0.75 + at[0], at[1], level)
    site.tilts[1] = tilt("P2", 12.0, *lean)
    site.records = [record("P1", toe_level=-12.0), record("P2", toe_level=toe)]
    site.outline = outline
    return site


def of_pile(site, k=1):
    return reconcile(to_survey(site)).piles["reasons"][k]


def of_joint(site, k=0):
    return reconcile(to_survey(site)).joints["reasons"][k]


# ------------------------------------------------------------------------------------------ piles


def test_a_pile_within_gives_no_reason():
    assert of_pile(wall()) == ""


def test_plan_outside():
    assert of_pile(wall(at=(0.03, 0.0))) == "plan position 30.0 mm, 25.0 mm allowed"


def test_a_figure_just_beyond_its_limit_is_not_printed_as_the_limit():
    assert of_pile(wall(at=(0.02504, 0.0))) == "plan position 25.04 mm, 25.00 mm allowed"


def test_plan_unresolved_gives_the_probability():
    # 5 mm per axis, 0.46 standard deviations inside
    text = of_pile(wall(at=(0.0, 0.023), plan="guarded", pickup_mm=5))
    assert text.startswith("plan position 23.0 mm, 25.0 mm allowed, probability 0.6")


def test_a_probability_just_below_the_confidence_is_not_printed_as_it():
    # 25 mm at 5 mm per axis accept 16.152 mm
    assert "probability 0.9498, 0.95 asked for" in of_pile(wall(at=(0.0, 0.01616), plan="guarded", pickup_mm=5))


def test_plan_not_surveyed_says_why():
    site = wall(level=5.5)
    del site.tilts[1]
    assert "plan position not surveyed: no lean reading, and the pickup lies 2.30 m from cut-off" in of_pile(site)


def test_inclination_outside():
    assert of_pile(wall(lean=(0.0, -5.5))) == "inclination 5.50 mm/m, 5.00 mm/m allowed"


def test_verticality_not_surveyed_says_why():
    site = wall(more_tolerance="")
    del site.tilts[1]
    assert of_pile(site) == "no lean reading"


def test_encroachment_not_surveyed_says_why_where_no_other_check_does():
    site = wall(verticality='{ other = "1:200" }')
    del site.tilts[1]
    assert "lean reading" in of_pile(site)


def test_encroachment_outside():
    assert of_pile(wall(lean=(0.0, 4.9))) == "towards the pit 54.9 mm at -8.00, 50.0 mm allowed"


def test_encroachment_of_the_outline():
    text = of_pile(wall(lean=(0.0, 4.0), at=(0.0, 0.02), outline=BOX))
    assert "face inside the clear outline 4.8 mm at -8.00, 0.0 mm allowed" in text


def test_movement_within_is_not_named_beside_a_face_that_is_outside():
    assert "towards the pit" not in of_pile(
        wall(lean=(0.0, 4.0), at=(0.0, 0.005), outline=[(e, n - 0.02) for e, n in BOX])
    )


def test_encroachment_unresolved_gives_the_probability():
    assert "probability 0.8" in of_pile(wall(at=(0.0, 0.045), encroach="guarded", pickup_mm=5, plan="simple"))


def test_toe_outside():
    assert of_pile(wall(toe=-11.8)) == "toe at -11.80: above design 200 mm, 100 mm allowed"


def test_no_toe():
    assert of_pile(wall(toe=None)) == "no toe recorded"


def test_no_pickup():
    site = wall()
    del site.pickups[1]
    assert "no pickup" in of_pile(site)


def test_no_centre_says_why():
    site = wall()
    site.pickups[1:] = [shot("P2", 0.75 + 0.44, 0.0, shot="edge")]
    assert "no centre: fewer than three edge shots and no centre shot" in of_pile(site)


def test_an_omitted_pile_gives_no_reason():
    design = straight_wall(3)
    design[2]["status"] = "omitted"
    assert of_pile(wall(design=design), 2) == ""


@pytest.mark.parametrize(
    "more", ["toe_mm = 100\nencroach_mm = 50", "toe_mm = 100"], ids=["movement too", "outline alone"]
)
def test_checks_are_parted_by_semicolons(more):
    site = wall(at=(0.0, 0.03), lean=(0.0, 8.0), toe=-11.5, outline=BOX, more_tolerance=more)
    parts = [part.split()[0] for part in of_pile(site).split("; ")]
    assert parts == ["plan", "inclination", "towards" if "encroach" in more else "face", "toe"]


# ------------------------------------------------------------------------------------------ joints


def test_a_joint_within_gives_no_reason():
    assert of_joint(wall()) == ""


def test_overlap_lost():
    # 40 mm left at the foot of the range, 50 passed after 10 m
    text = of_joint(wall(lean=(4.0, 0.0), at=(0.04, 0.0)))
    assert text.startswith("overlap 39.2 mm at -9.50, 50.0 mm asked for")
    assert text.endswith("lost from -6.80")


def test_a_gap():
    # 20 mm at the top, 33.5 apart at the foot
    text = of_joint(wall(lean=(5.0, 0.0), at=(0.10, 0.0)))
    assert text.startswith("gap 33.5 mm at -9.50, 50.0 mm of overlap asked for")


@pytest.mark.parametrize("said", ["lost from +3.20", "open from -2.80"])
def test_levels_of_a_gap(said):
    assert said in of_joint(wall(lean=(5.0, 0.0), at=(0.10, 0.0)))


def test_an_overlap_just_below_what_is_asked_for_is_not_printed_as_it():
    assert of_joint(wall(at=(0.08004, 0.0))).startswith("overlap 49.96 mm at +3.20, 50.00 mm asked for")


def guarded(**more):
    return wall(joint="guarded", pickup_mm=5, tilt_mm_per_m=1.0, **more)


def test_unresolved_gives_the_probability_and_its_level():
    # 19.3 mm of scatter at the foot, 24 mm to spare
    text = of_joint(guarded(lean=(4.4, 0.0)))
    assert "probability 0.8" in text
    assert "asked for at -9.50" in text


def test_unresolved_gives_the_level_from_which_it_is_not_sure():
    assert "not sure from -" in of_joint(guarded(lean=(4.4, 0.0)))


def test_unresolved_names_no_level_where_nothing_is_lost():
    assert "lost" not in of_joint(guarded(lean=(4.4, 0.0)))


def two_minded(axis):
    site = wall(axis=axis, overlap_mm=60)
    site.tilts[1:] = [tilt("P2", 6.0, 15.0), tilt("P2", 12.0)]
    return of_joint(site)


def test_what_depends_on_the_lean_model_says_so():
    assert "depends on the lean model: 52.0 mm at -2.00 under the other" in two_minded("straight")


def test_what_is_outside_does_not_speak_of_the_other_lean_model():
    assert "lean model" not in two_minded("stepped")


def test_a_toe_as_built():
    assert "toe of P2 as built at -7.00: the joint is open below it" in of_joint(wall(toe=-7.0))


@pytest.mark.parametrize(
    ("lacking", "said"),
    [
        ({"pickups": 0}, "P1: no centre"),
        ({"pickups": 1}, "P2: no centre"),
        ({"tilts": 1}, "P2: no lean reading"),
        ({"pickups": 0, "tilts": 1}, "P1: no centre, P2: no lean reading"),
    ],
)
def test_a_joint_not_surveyed_names_what_lacks_of_which_pile(lacking, said):
    site = wall()
    for table, place in lacking.items():
        del getattr(site, table)[place]
    assert of_joint(site) == said


def test_a_joint_settled_at_cut_off_gives_the_overlap_there_and_what_lacks():
    site = wall(at=(0.12, 0.0))
    del site.tilts[1]
    text = of_joint(site)
    assert text.startswith("overlap 10.0 mm at +3.20, 50.0 mm asked for")
    assert "+3.20" in text
    assert text.endswith("P2: no lean reading")
