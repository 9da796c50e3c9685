"""Which items come first for a person to look at."""

from __future__ import annotations

import numpy as np
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of, piles_of

from asbuilt.compute.ranking import gravest_first, left_over, most_used

NAN = float("nan")
DESIGN = to_survey(Site(toml=site_file(), design=straight_wall(4))).design
PAIRS = [(0, 1), (1, 2), (2, 3)]


def test_by_verdict_then_joints_before_piles_then_by_figure():
    joints = joints_of(
        DESIGN,
        PAIRS,
        verdict=["outside", "not surveyed", "outside"],
        least_overlap_mm=[20.0, NAN, -5.0],
    )
    piles = piles_of(
        DESIGN,
        verdict=["outside", "unresolved", "within", "outside"],
        plan_of_allowed_percent=[110.0, 90.0, 10.0, NAN],
        vertical_of_allowed_percent=[NAN, NAN, NAN, 150.0],
    )
    assert gravest_first(piles, joints) == ["P3~P4", "P1~P2", "P4", "P1", "P2~P3", "P2"]


def test_an_omitted_pile_is_never_listed():
    piles = piles_of(DESIGN, verdict=["outside"] * 4, expected=[True, False, True, True])
    assert "P2" not in gravest_first(piles, joints_of(DESIGN, []))


def test_what_is_left_of_the_overlap_asked_for():
    joints = joints_of(DESIGN, PAIRS, required=0.05, least_overlap_mm=[60.0, NAN, -5.0])
    np.testing.assert_array_equal(left_over(joints), [10.0, NAN, -55.0])


def test_the_check_that_uses_most_of_what_is_allowed_counts():
    piles = piles_of(
        DESIGN, plan_of_allowed_percent=[80.0, NAN, 1.0, NAN], encroach_of_allowed_percent=[NAN, 7.0, 3.0, NAN]
    )
    np.testing.assert_array_equal(most_used(piles), [80.0, 7.0, 3.0, NAN])
