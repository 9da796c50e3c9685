"""Encroachment: movement towards the pit, the face against the clear outline, and from which level on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall
from reference_rows import each, expected
from scipy.optimize import brentq
from scipy.stats import norm
from steps import EXACT, encroachment_of, shot, tilt, word

MOVEMENT = "toe_mm = 100\nencroach_mm = 50"
OUTLINE_ONLY = "toe_mm = 100"
#: Levels that have no closed form are refined to 0.1 mm.
REFINED = 1e-4


def site(*tilts, at=(0.0, 0.0), design=None, outline=None, level=3.2, pile="P1", **changes):
    """P1 of a wall that runs east with the pit to the north, cut-off at 3.2, formation at -8."""
    design = straight_wall(3) if design is None else design
    row = next(row for row in design if row["pile_id"] == pile)
    return Site(
        toml=site_file(**changes),
        design=design,
        pickups=[shot(pile, row["easting"] + at[0], row["northing"] + at[1], level)],
        tilts=list(tilts),
        outline=outline,
    )


def found(*tilts, of=0, **more):
    """Results of one pile by their names."""
    result = vars(encroachment_of(site(*tilts, **more)))
    return {name: value if name == "made" else value[of] for name, value in result.items()}


def exact(*tilts, **more):
    """Without uncertainty, by the simple rule."""
    return found(*tilts, **{**EXACT, "encroach": "simple", **more})


# ------------------------------------------------------------------------------------------ movement


@pytest.mark.parametrize(("lean", "movement", "level"), [(2.0, 0.0224, -8.0), (-2.0, 0.0, 3.2)])
def test_greatest_movement_of_a_straight_axis_lies_at_an_end(lean, movement, level):
    result = exact(tilt("P1", 20.0, 0.0, lean))
    assert (result["movement"], result["movement_level"]) == pytest.approx((movement, level), abs=1e-12)


def test_movement_counts_from_the_design_centre():
    assert exact(tilt("P1", 20.0), at=(0.5, 0.013))["movement"] == pytest.approx(0.013)


def test_greatest_movement_of_a_stepped_axis_lies_at_a_vertex():
    # towards the pit down to level -2, then away
    result = exact(tilt("P1", 6.0, 0.0, 5.0), tilt("P1", 20.0, 0.0, -3.0), axis="stepped")
    assert (result["movement"], result["movement_level"]) == pytest.approx((0.026, -2.0))


def test_worst_is_the_greatest_excess_over_a_growing_allowance():
    # 6 mm at cut-off against 10, 28.4 at formation against 43.6
    more = f"{OUTLINE_ONLY}\nencroach_mm = 10\nencroach_growth_mm_per_m = 3"
    result = exact(tilt("P1", 20.0, 0.0, 2.0), at=(0.0, 0.006), more_tolerance=more)
    assert result["movement_level"] == 3.2


def test_a_growing_allowance_allows_more_below():
    more = f"{OUTLINE_ONLY}\nencroach_mm = 10\nencroach_growth_mm_per_m = 3"
    assert word(exact(tilt("P1", 20.0, 0.0, 3.5), more_tolerance=more)["verdict"]) == "within"


@pytest.mark.parametrize(
    ("third", "at", "movement"), [((0.75, 0.75), (-0.02, 0.01), 0.02), ((0.75, -0.75), (0.03, 0.01), 0.03)]
)
def test_movement_at_a_corner_is_the_greater_towards_either_side(third, at, movement):
    design = straight_wall(3)
    design[2]["easting"], design[2]["northing"] = third
    assert exact(tilt("P2", 20.0), at=at, design=design, pile="P2", of=1)["movement"] == pytest.approx(movement)


@pytest.mark.parametrize(("lean", "verdict"), [(4.46, "within"), (4.47, "outside")])
def test_simple_rule(lean, verdict):
    # 11.2 m of it
    assert word(exact(tilt("P1", 20.0, 0.0, lean))["verdict"]) == verdict


def test_of_allowed():
    assert exact(tilt("P1", 20.0, 0.0, 2.0))["of_allowed"] == pytest.approx(22.4 / 50)


def test_movement_away_from_the_pit_is_nothing_of_allowed():
    assert exact(tilt("P1", 20.0), at=(0.0, -0.02))["of_allowed"] == 0.0


# ------------------------------------------------------------------------------------------ probability

U = {"pickup_mm": 4, "setup_mm": 3, "tilt_mm_per_m": 0.8, "tilt_systematic_mm_per_m": 0.3, "wander_mm_per_m": 0}


def sigma_at(level):
    """Standard deviation per component of a straight axis [mm], written out."""
    return math.sqrt(16 + 9 + (3.2 - level) ** 2 * (0.64 + 0.09))


def test_probability_at_formation():
    result = found(tilt("P1", 20.0, 0.0, 3.0), **U)
    assert result["p"] == pytest.approx(norm.cdf((50 - 33.6) / sigma_at(-8.0)), abs=1e-9)


def test_probability_is_the_least_over_the_levels():
    # 44 mm at cut-off, 10.4 mm at formation
    result = found(tilt("P1", 20.0, 0.0, -3.0), at=(0.0, 0.044), **U)
    assert result["p"] == pytest.approx(norm.cdf((50 - 44) / sigma_at(3.2)), abs=1e-9)


@each("decisions", "one-sided")
def test_published_one_sided_limit(row):
    # as far within here as the published value lies beyond its lower limit, in millimetres
    margin, sigma = float(row["measured"]) - float(row["limit"]), float(row["sigma"])
    result = found(tilt("P1", 20.0), at=(0.0, (50 - margin) / 1000), **{**EXACT, "pickup_mm": sigma})
    assert result["p"] == expected(row)


@pytest.mark.parametrize(
    ("north", "verdict"), [(0.035, "within"), (0.045, "unresolved"), (0.055, "unresolved"), (0.065, "outside")]
)
def test_guarded_rule(north, verdict):
    # 5 mm at all levels: within up to 50 - 8.2, outside from 50 + 8.2
    result = found(tilt("P1", 20.0), at=(0.0, north), **{**EXACT, "pickup_mm": 4, "setup_mm": 3})
    assert word(result["verdict"]) == verdict


# ------------------------------------------------------------------------------------------ what is known


def test_without_an_axis_it_is_not_surveyed():
    assert word(found()["verdict"]) == "not surveyed"


def test_a_pile_that_was_not_shot_is_not_surveyed():
    assert word(found(of=1)["verdict"]) == "not surveyed"


def test_without_an_axis_what_is_measured_may_settle_it():
    assert word(found(at=(0.0, 0.09))["verdict"]) == "outside"


def test_without_an_axis_a_doubtful_movement_settles_nothing():
    assert word(found(at=(0.0, 0.052))["verdict"]) == "not surveyed"


def test_without_a_tolerance_the_check_is_not_made():
    assert word(found(tilt("P1", 20.0), more_tolerance=OUTLINE_ONLY)["verdict"]) is None


def test_an_omitted_pile_is_not_judged():
    design = straight_wall(3)
    design[1]["status"] = "omitted"
    assert word(found(design=design, of=1)["verdict"]) is None


def test_a_pile_without_a_pit_is_not_judged_by_movement():
    assert word(found(tilt("P1", 20.0), design=straight_wall(1))["verdict"]) is None


# ------------------------------------------------------------------------------------------ the outline

#: Its edge runs east, 0.5 m north of the wall's centres.
BOX = [(-5, 0.5), (5, 0.5), (5, 4), (-5, 4)]


def beside(*tilts, outline=BOX, more=OUTLINE_ONLY, **changes):
    return exact(*tilts, outline=outline, more_tolerance=more, **changes)


@pytest.mark.parametrize(("lean", "face", "level"), [(8.0, 0.0296, -8.0), (-8.0, -0.06, 3.2)])
def test_face_beside_a_straight_edge(lean, face, level):
    result = beside(tilt("P1", 20.0, 0.0, lean))
    assert (result["face_inside"], result["face_level"]) == pytest.approx((face, level), abs=1e-9)


def test_face_at_a_vertex():
    result = beside(tilt("P1", 6.0, 0.0, 10.0), tilt("P1", 20.0, 0.0, -10.0), axis="stepped")
    assert (result["face_inside"], result["face_level"]) == pytest.approx((-0.008, -2.0), abs=1e-9)


def test_overbreak_makes_the_pile_wider():
    result = beside(tilt("P1", 20.0), more=f"{OUTLINE_ONLY}\noverbreak_mm = 25")
    assert result["face_inside"] == pytest.approx(-0.035, abs=1e-9)


#: A corner that points at the wall: its tip 0.42 m north of P1.
TIP = [(0.0, 0.42), (1.5, 3.0), (-1.5, 3.0)]


def test_beside_a_corner_the_worst_may_lie_inside_an_interval():
    # the axis passes from 80 mm west of the tip to 144 mm east of it: nearest 4 m down
    result = beside(tilt("P1", 20.0, 20.0), at=(-0.08, 0.0), outline=TIP)
    assert (result["face_inside"], result["face_level"]) == pytest.approx((0.02, -0.8), abs=1e-6)


def test_the_worst_inside_an_interval_counts_in_the_verdict():
    # at the ends the tip is 427.5 and 444.0 mm away: 12.5 mm inside at most
    result = beside(tilt("P1", 20.0, 20.0), at=(-0.08, 0.0), outline=TIP, more=f"{OUTLINE_ONLY}\nclear_mm = 15")
    assert word(result["verdict"]) == "outside"


def test_an_axis_that_enters_the_outline_counts_by_its_depth():
    # 112 mm north at formation: 12 mm beyond the edge at 0.1
    box = [(-5, 0.1), (5, 0.1), (5, 4), (-5, 4)]
    assert beside(tilt("P1", 20.0, 0.0, 10.0), outline=box)["face_inside"] == pytest.approx(0.452, abs=1e-9)


def test_an_axis_that_passes_through_the_outline_is_worst_in_its_middle():
    # a wall of 60 mm from 20 to 80 mm north; the axis reaches 112 mm: deepest at 50 mm, 5 m down
    strip = [(-5, 0.02), (5, 0.02), (5, 0.08), (-5, 0.08)]
    result = beside(tilt("P1", 20.0, 0.0, 10.0), outline=strip)
    assert (result["face_inside"], result["face_level"]) == pytest.approx((0.47, -1.8), abs=1e-6)


@pytest.mark.parametrize(("clear", "verdict"), [(29.0, "outside"), (30.0, "within")])
def test_a_face_may_stand_inside_as_far_as_clear_mm(clear, verdict):
    result = beside(tilt("P1", 20.0, 0.0, 8.0), more=f"{OUTLINE_ONLY}\nclear_mm = {clear}")
    assert word(result["verdict"]) == verdict


def test_of_allowed_is_the_worse_of_movement_and_outline():
    # 22.4 of 50 mm of movement; the face stands 2.4 mm inside, of 4 mm
    box = [(-5, 0.46), (5, 0.46), (5, 4), (-5, 4)]
    result = beside(tilt("P1", 20.0, 0.0, 2.0), outline=box, more=f"{MOVEMENT}\nclear_mm = 4")
    assert result["of_allowed"] == pytest.approx(2.4 / 4, abs=1e-9)


def test_probability_against_the_outline():
    result = found(tilt("P1", 20.0, 0.0, 3.0), outline=BOX, more_tolerance=OUTLINE_ONLY, **U)
    assert result["p"] == pytest.approx(norm.cdf((60 - 33.6) / sigma_at(-8.0)), abs=1e-9)


def test_a_wall_of_one_pile_is_judged_against_the_outline():
    result = beside(tilt("P1", 20.0, bearing_a_deg=0.0), design=straight_wall(1))
    assert word(result["verdict"]) == "within"


def test_an_outline_at_map_size_coordinates_is_the_same():
    design = straight_wall(3, e0=500_000.0, n0=6_000_000.0)
    far = [(e + 500_000.0, n + 6_000_000.0) for e, n in BOX]
    assert beside(tilt("P1", 20.0, 0.0, 8.0), design=design, outline=far)["face_inside"] == pytest.approx(
        0.0296, abs=1e-8
    )


# ------------------------------------------------------------------------------------------ from which level on


def test_from_level_by_the_simple_rule():
    # 50 mm at 8 mm/m: 6.25 m below cut-off
    assert exact(tilt("P1", 20.0, 0.0, 8.0))["from_level"] == pytest.approx(-3.05, abs=REFINED)


def test_from_level_by_the_guarded_rule():
    def miss(level):
        return norm.cdf((50 - 4.2 * (3.2 - level)) / sigma_at(level)) - 0.95

    result = found(tilt("P1", 20.0, 0.0, 4.2), **U)
    assert result["from_level"] == pytest.approx(brentq(miss, -8.0, 3.2), abs=REFINED)


def test_from_level_is_the_top_where_it_begins_there():
    assert exact(tilt("P1", 20.0), at=(0.0, 0.06))["from_level"] == 3.2


def test_without_encroachment_there_is_no_from_level():
    assert np.isnan(exact(tilt("P1", 20.0))["from_level"])


def test_from_level_before_a_corner_inside_an_interval():
    # 10 mm inside where the tip is 430 mm away, 92.2 mm west of it
    result = beside(tilt("P1", 20.0, 20.0), at=(-0.1, 0.0), outline=TIP, more=f"{OUTLINE_ONLY}\nclear_mm = 10")
    west = math.sqrt(0.43**2 - 0.42**2)
    assert result["from_level"] == pytest.approx(3.2 - (0.1 - west) / 0.020, abs=REFINED)
