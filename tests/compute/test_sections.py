"""The wall at a level: centres, joints, openings against circles cut by a geometry library, and where axes end."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from builders import random_site, straight_wall, to_survey
from scipy.special import ndtri
from shapely import Point, Polygon
from steps import EXACT, plumb_wall, record, shot, tilt

from asbuilt.compute.axes import NONE
from asbuilt.compute.sections import joint_inputs_of, opening_rings, pair_figures, slice_at, tilted, toes_of
from asbuilt.reconcile import reconcile
from asbuilt.views import JOINT_STATES

SEEDS = range(6)
LEVELS = (None, 3.3, 3.0, 0.4, -3.7, -8.0, -9.3, -10.4, -13.0)
OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(5)
#: A step beyond the refinement of levels where joints cease to be sure.
STEP_M = 2e-4


@cache
def random_wall(seed):
    result = reconcile(to_survey(random_site(seed)))
    return result, joint_inputs_of(result)


def cut(site, level):
    result = reconcile(to_survey(site))
    return slice_at(result, joint_inputs_of(result), level)


def states(site, level):
    return [JOINT_STATES[code] if code >= 0 else "outside" for code in cut(site, level).state]


def centre_by_formula(axes, pile, z):
    """Centre and variance added by the axis at one level, segment by segment in plain numbers."""
    segments = range(axes.start[pile], axes.start[pile + 1])
    k = max(s for s in segments if s == segments[0] or axes.top[s] > z)
    down = axes.anchor_z[k] - z
    return np.array([axes.anchor_e[k] + axes.slope_e[k] * down, axes.anchor_n[k] + axes.slope_n[k] * down])


# ------------------------------------------------------------------------------------------ centres


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pile_at_its_own_cut_off_is_its_centre_in_the_results(seed):
    result, j = random_wall(seed)
    found, expected = slice_at(result, j, None), result.piles.expected
    assert np.array_equal(found.e[expected], result.piles.centre_e[expected], equal_nan=True)
    assert np.array_equal(found.n[expected], result.piles.centre_n[expected], equal_nan=True)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pile_at_its_own_cut_off_has_the_covariance_of_the_results(seed):
    result, j = random_wall(seed)
    found = slice_at(result, j, None)
    known = ~np.isnan(found.e)
    assert known.any()
    assert np.array_equal(found.cov[known], result.piles.cov[known])


@pytest.mark.parametrize("seed", SEEDS)
def test_centres_at_a_level_are_on_the_axes(seed):
    result, j = random_wall(seed)
    found = slice_at(result, j, -3.7)
    wanted = np.array([centre_by_formula(result.axes, k, -3.7) for k in range(len(result.piles))])
    known = ~np.isnan(found.e)
    np.testing.assert_allclose(np.column_stack([found.e, found.n])[known], wanted[known], rtol=0, atol=1e-12)


def bare_wall(**changes):
    """Three piles as designed, the middle one never read: its axis is known within 2 m of 3.2."""
    site = plumb_wall(3, **changes)
    del site.tilts[1]
    return site


@pytest.mark.parametrize(("level", "known"), [(3.2, True), (1.3, True), (1.1, False), (-8.0, False)])
def test_without_an_axis_a_centre_is_known_within_reach(level, known):
    assert np.isfinite(cut(bare_wall(), level).e[1]) == known


def test_what_is_not_known_has_no_covariance():
    assert np.isnan(cut(bare_wall(), 0.0).cov[1]).all()


def test_an_unsurveyed_pile_has_no_centre():
    site = plumb_wall(3)
    del site.pickups[0]
    assert np.isnan(cut(site, 0.0).e).tolist() == [True, False, False]


def test_an_omitted_pile_has_no_centre_and_does_not_stand():
    design = straight_wall(5)
    design[2]["status"] = "omitted"
    site = plumb_wall(design=design)
    site.pickups.append(shot("P3", design[2]["easting"], design[2]["northing"]))
    found = cut(site, None)
    assert (np.isnan(found.e[2]), found.stands.tolist()) == (True, [True, True, False, True, True])


@pytest.mark.parametrize(
    ("level", "stands"), [(3.3, False), (3.2, True), (-11.5, True), (-11.6, False), (-12.0, False), (None, True)]
)
def test_a_pile_stands_from_cut_off_to_its_toe_as_recorded(level, stands):
    site = plumb_wall()
    site.records = [record("P1", toe_level=-11.5)]
    assert cut(site, level).stands[0] == stands


@pytest.mark.parametrize(("level", "stands"), [(-12.0, True), (-12.1, False)])
def test_without_a_record_a_pile_stands_to_its_toe_as_designed(level, stands):
    assert cut(plumb_wall(), level).stands[0] == stands


@pytest.mark.parametrize(("level", "predicted"), [(-7.9, False), (-8.1, True)])
def test_centres_below_the_deepest_reading_are_predicted(level, predicted):
    # read 12 m below 4.0
    assert cut(plumb_wall(), level).predicted[0] == predicted


@pytest.mark.parametrize(("level", "predicted"), [(-3.9, False), (-4.1, True)])
def test_a_joint_is_predicted_where_one_of_its_piles_is(level, predicted):
    site = plumb_wall()
    site.tilts[1] = tilt("P2", 8.0)
    assert cut(site, level).joint_predicted[0] == predicted


# ------------------------------------------------------------------------------------------ joints


@pytest.mark.parametrize("seed", SEEDS)
def test_inputs_of_a_result_are_those_that_it_was_worked_out_from(seed):
    result, j = random_wall(seed)
    for name, inputs in (("range_top", j.top), ("range_bottom", j.bottom)):
        assert np.array_equal(result.joints[name], inputs)
    assert np.array_equal(result.joints.toe_level, j.toe, equal_nan=True)


@pytest.mark.parametrize("seed", SEEDS)
def test_overlap_at_formation_is_that_of_the_results(seed):
    result, j = random_wall(seed)
    found = slice_at(result, j, -8.0)
    np.testing.assert_allclose(found.overlap * 1000, result.joints["overlap_formation_mm"], rtol=0, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_overlap_at_the_top_is_that_of_the_results(seed):
    result, j = random_wall(seed)
    found = slice_at(result, j, None)
    np.testing.assert_allclose(found.overlap * 1000, result.joints["overlap_cut_off_mm"], rtol=0, atol=1e-9)


@pytest.mark.parametrize("level", [0.4, -8.0])
@pytest.mark.parametrize("seed", SEEDS)
def test_overlap_is_how_far_two_circles_reach_into_one_another(seed, level):
    result, j = random_wall(seed)
    found = slice_at(result, j, level)
    for k in np.flatnonzero(~np.isnan(found.overlap)):
        a, b = (Point(found.e[p], found.n[p]) for p in (j.a[k], j.b[k]))
        reach = result.piles.radius[j.a[k]] + result.piles.radius[j.b[k]]
        assert found.overlap[k] == pytest.approx(reach - a.distance(b), abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_chance_and_uncertainty_at_the_governing_level_are_those_of_the_results(seed):
    result, j = random_wall(seed)
    rows = np.flatnonzero(result.joints["levels_known"] == 1)
    found = pair_figures(j.take(rows), result.axes, result.joints["governing_level"][rows])
    np.testing.assert_allclose(found.p, result.joints["p_interlock"][rows], rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.sigma * 1000, result.joints["u_overlap_mm"][rows], rtol=1e-9)


def test_what_a_set_up_has_in_common_cancels_within_it():
    site = plumb_wall(pickup_mm=3, setup_mm=4, tilt_mm_per_m=1e-6, tilt_systematic_mm_per_m=0, wander_mm_per_m=0)
    same = cut(site, 3.2).sigma[0]
    site.pickups[1]["setup"] = "another"
    assert (same, cut(site, 3.2).sigma[0]) == pytest.approx((np.sqrt(18) / 1000, np.sqrt(18 + 32) / 1000), rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_uncertainty_is_that_of_the_line_between_the_centres(seed):
    # shots of one group share a set-up: without a common part the covariances of the two centres add up
    site = random_site(seed)
    site.toml = site.toml.replace("setup_mm = 3", "setup_mm = 0")
    result = reconcile(to_survey(site))
    j = joint_inputs_of(result)
    found = slice_at(result, j, -8.0)
    w = np.column_stack([found.e[j.b] - found.e[j.a], found.n[j.b] - found.n[j.a]])
    u = w / np.hypot(w[:, 0], w[:, 1])[:, None]
    cov = found.cov[j.a] + found.cov[j.b]
    wanted = np.sqrt(u[:, 0] ** 2 * cov[:, 0] + 2 * u[:, 0] * u[:, 1] * cov[:, 1] + u[:, 1] ** 2 * cov[:, 2])
    known = ~np.isnan(found.sigma)
    np.testing.assert_allclose(found.sigma[known], wanted[known], rtol=1e-9)


@pytest.mark.parametrize(("level", "known"), [(-9.6, True), (-12.1, False), (3.3, False)])
def test_outside_its_range_a_joint_has_an_overlap_where_both_piles_stand(level, known):
    found = cut(plumb_wall(), level)
    assert (np.isfinite(found.overlap[0]), found.state[0]) == (known, -1)


# ------------------------------------------------------------------------------------------ states


@pytest.mark.parametrize(
    ("apart", "word"), [(0.0, "sure"), (0.079, "sure"), (0.081, "lost"), (0.129, "lost"), (0.131, "open")]
)
def test_states_by_how_far_a_pile_stands_off(apart, word):
    # 130 mm by design, 50 mm asked for
    site = plumb_wall(**EXACT)
    site.pickups[1] = shot("P2", 0.75 + apart, 0.0)
    assert states(site, 0.0) == [word]


@pytest.mark.parametrize(("joint", "word"), [("guarded", "not sure"), ("simple", "sure")])
def test_a_joint_that_may_be_lost_is_not_sure_under_the_guarded_rule(joint, word):
    site = plumb_wall(joint=joint)
    site.pickups[1] = shot("P2", 0.75 + 0.078, 0.0)
    assert states(site, 0.0) == [word]


@pytest.mark.parametrize("joint", ["guarded", "simple"])
def test_a_joint_that_the_other_lean_model_loses_is_not_sure(joint):
    # plumb over all its depth by the last reading; by steps it leaned 12 mm/m over the first 8 m
    site = plumb_wall(joint=joint, **EXACT)
    site.tilts[1:] = [tilt("P2", 8.0, 12.0), tilt("P2", 12.0, 0.0)]
    assert states(site, 3.0) + states(site, -6.0) == ["sure", "not sure"]


@pytest.mark.parametrize("level", [3.2, 2.0, -8.0])
def test_a_joint_without_an_axis_is_not_surveyed(level):
    assert states(bare_wall(), level) == ["not surveyed"] * 2


@pytest.mark.parametrize(("apart", "word"), [(0.1, "lost"), (0.15, "open")])
def test_a_joint_without_an_axis_that_its_top_settles_is_so_as_far_as_its_centres_are_known(apart, word):
    site = bare_wall(**EXACT)
    site.pickups[2] = shot("P3", 1.5 + apart, 0.0)
    assert [states(site, z)[1] for z in (3.2, 1.3, 1.1)] == [word, word, "not surveyed"]


def test_a_joint_that_its_top_settles_stays_lost_where_its_piles_near_one_another():
    site = bare_wall(**EXACT)
    site.pickups[2], site.tilts[1] = shot("P3", 1.5 + 0.1, 0.0), tilt("P3", 12.0, -60.0)
    assert states(site, 1.3)[1] == "lost"


def test_a_joint_without_an_axis_is_not_settled_by_a_top_that_may_be_enough():
    site = bare_wall()
    site.pickups[2] = shot("P3", 1.5 + 0.081, 0.0)
    assert states(site, 3.2)[1] == "not surveyed"


def test_a_joint_without_an_axis_has_figures_within_reach():
    assert cut(bare_wall(), 2.0).overlap == pytest.approx([0.13, 0.13])


def test_a_joint_is_open_below_a_toe_that_is_too_high():
    site = plumb_wall()
    site.records = [record("P1", toe_level=-5.0)]
    assert states(site, -4.9) + states(site, -5.1) == ["sure", "open"]


def test_below_a_toe_that_is_too_high_there_is_no_overlap():
    site = plumb_wall()
    site.records = [record("P1", toe_level=-5.0)]
    assert np.isnan(cut(site, -5.1).overlap[0])


@pytest.mark.parametrize(("level", "word"), [(3.3, "outside"), (3.2, "sure"), (-9.5, "sure"), (-9.6, "outside")])
def test_a_joint_has_a_state_in_its_range_only(level, word):
    assert states(plumb_wall(), level) == [word]


def rows_with(result, column):
    rows = np.flatnonzero((result.joints["levels_known"] == 1) & np.isfinite(result.joints[column]))
    return rows, result.joints[column][rows]


def state_of_each(result, j, rows, levels):
    return np.array([slice_at(result, j, z).state[k] for k, z in zip(rows, levels, strict=True)], dtype=int)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("column", "above"),
    [("open_level", {LOST, NOT_SURE, SURE}), ("lost_level", {NOT_SURE, SURE}), ("sure_level", {SURE})],
)
def test_above_the_levels_of_the_results_a_joint_is_better(seed, column, above):
    result, j = random_wall(seed)
    rows, level = rows_with(result, column)
    inner = level + STEP_M < j.top[rows]
    assert set(state_of_each(result, j, rows[inner], level[inner] + STEP_M)) <= above


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("column", "below"), [("open_level", {OPEN}), ("lost_level", {OPEN, LOST})])
def test_below_the_levels_of_the_results_a_joint_is_open_or_lost(seed, column, below):
    result, j = random_wall(seed)
    rows, level = rows_with(result, column)
    inner = level - STEP_M > j.bottom[rows]
    assert set(state_of_each(result, j, rows[inner], level[inner] - STEP_M)) <= below


@pytest.mark.parametrize("seed", SEEDS)
def test_below_the_level_to_which_it_is_sure_a_joint_is_not(seed):
    result, j = random_wall(seed)
    rows, level = rows_with(result, "sure_level")
    inner = level - STEP_M > j.bottom[rows]
    assert SURE not in state_of_each(result, j, rows[inner], level[inner] - STEP_M)


def test_random_walls_show_every_state():
    seen = {code for seed in SEEDS for level in LEVELS for code in slice_at(*random_wall(seed), level).state.tolist()}
    assert seen == {-1, OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED}


@pytest.mark.parametrize("seed", SEEDS)
def test_the_lean_models_differ_only_where_a_pile_was_read_by_tilts(seed):
    result, j = random_wall(seed)
    words = (result.axes.method[j.a], result.axes.method[j.b])
    assert not tilted(j, result.axes, result.other_axes)[(words[0] == NONE) & (words[1] == NONE)].any()


# ------------------------------------------------------------------------------------------ openings


def opening(a, b, r_a, r_b):
    rings = opening_rings(
        np.array([a], float), np.array([b], float), np.array([r_a]), np.array([r_b]), where=np.array([True])
    )
    return rings[0]


def hull_less_circles(a, b, r_a, r_b):
    """The same by the geometry library, from circles of 4000 sides."""
    both = shapely.union(Point(a).buffer(r_a, quad_segs=1000), Point(b).buffer(r_b, quad_segs=1000))
    return shapely.difference(shapely.convex_hull(both), both)


PAIRS = [
    ((0, 0), (0.95, 0), 0.44, 0.44),
    ((0, 0), (0.9, 0.1), 0.44, 0.375),
    ((3, -2), (2.2, -2.6), 0.3, 0.44),
    ((10, 5), (9.0, 5.8), 0.6, 0.2),
    ((0, 0), (0.0, -0.881), 0.44, 0.44),
]


@pytest.mark.parametrize(("a", "b", "r_a", "r_b"), PAIRS)
def test_an_opening_is_the_hull_of_both_circles_less_both(a, b, r_a, r_b):
    ring, wanted = Polygon(opening(a, b, r_a, r_b)), hull_less_circles(a, b, r_a, r_b)
    # 48 points to an arc stay within 0.25 mm of a pile's edge
    assert ring.is_valid
    assert ring.symmetric_difference(wanted).area < 0.0003 * wanted.length
    assert shapely.hausdorff_distance(ring, wanted) < 0.002


@pytest.mark.parametrize(("a", "b", "r_a", "r_b"), PAIRS)
def test_the_arcs_of_an_opening_lie_on_the_circles(a, b, r_a, r_b):
    ring = opening(a, b, r_a, r_b)
    half = len(ring) // 2
    np.testing.assert_allclose(np.hypot(*(ring[:half] - a).T), r_a, rtol=1e-12)
    np.testing.assert_allclose(np.hypot(*(ring[half:] - b).T), r_b, rtol=1e-12)


@pytest.mark.parametrize(("a", "b", "r_a", "r_b"), PAIRS)
def test_the_straight_sides_of_an_opening_touch_both_circles_square(a, b, r_a, r_b):
    ring = opening(a, b, r_a, r_b)
    half = len(ring) // 2
    for p, q in ((ring[half - 1], ring[half]), (ring[-1], ring[0])):
        centre_p, centre_q = (b, a) if p is ring[-1] or np.array_equal(p, ring[-1]) else (a, b)
        assert np.dot(q - p, p - centre_p) == pytest.approx(0.0, abs=1e-12)
        assert np.dot(q - p, q - centre_q) == pytest.approx(0.0, abs=1e-12)


def gapped(**changes):
    """Two piles 20 mm apart, and a third that ties in."""
    site = plumb_wall(3, **changes)
    site.pickups[0] = shot("P1", -0.15, 0.0)
    return site


def test_only_a_joint_with_a_gap_has_an_opening():
    assert [ring is not None for ring in cut(gapped(), 0.0).openings] == [True, False]


def test_an_opening_is_as_wide_as_the_gap():
    found = cut(gapped(), 0.0)
    ring = found.openings[0]
    a, b = (Point(found.e[k], found.n[k]) for k in (0, 1))
    edge = Polygon(ring).exterior
    assert edge.distance(a) + edge.distance(b) == pytest.approx(a.distance(b) - 0.02, abs=5e-4)


def test_above_the_tolerance_of_its_toe_a_gap_has_an_overlap_and_no_opening():
    # 100 mm too high is allowed: the joint counts to -9.5
    site = gapped()
    site.records = [record("P1", toe_level=-9.45)]
    found = cut(site, -9.5)
    assert (found.overlap[0], found.openings[0]) == (pytest.approx(-0.02), None)


def test_an_opening_is_not_drawn_where_a_pile_does_not_stand():
    assert cut(gapped(), -12.1).openings.tolist() == [None, None]


def test_widest_is_the_gap_and_what_the_uncertainty_adds():
    found = cut(gapped(), 0.0)
    assert found.widest[0] == pytest.approx(0.02 + ndtri(0.95) * found.sigma[0], abs=1e-9)


def test_widest_is_0_where_even_with_the_uncertainty_there_is_no_gap():
    assert cut(gapped(), 0.0).widest[1] == 0.0


def test_widest_is_not_known_where_the_overlap_is_not():
    assert np.isnan(cut(bare_wall(), -8.0).widest).all()


def test_an_outline_is_the_opening_between_circles_smaller_by_half_of_what_the_uncertainty_adds():
    found = cut(gapped(), 0.0)
    less = ndtri(0.95) * found.sigma[0] / 2
    ends = [(found.e[k], found.n[k]) for k in (0, 1)]
    np.testing.assert_allclose(found.outlines[0], opening(*ends, 0.44 - less, 0.44 - less), rtol=0, atol=1e-12)


def test_a_joint_that_may_gape_has_an_outline_without_an_opening():
    site = plumb_wall(overlap_mm=0)
    site.pickups[1] = shot("P2", 0.75 + 0.128, 0.0)
    found = cut(site, 0.0)
    assert (found.openings[0] is None, found.outlines[0] is not None) == (True, True)


# ------------------------------------------------------------------------------------------ toes


@pytest.mark.parametrize("seed", SEEDS)
def test_toes_are_the_slice_at_the_level_of_each_toe(seed):
    result, j = random_wall(seed)
    toes = toes_of(result)
    for k, level in enumerate(toes.level.tolist()):
        at = slice_at(result, j, level)
        wanted = [at.e[k], at.n[k], *at.cov[k], at.predicted[k]]
        assert np.array_equal([toes.e[k], toes.n[k], *toes.cov[k], toes.predicted[k]], wanted, equal_nan=True)


def test_a_toe_is_at_its_recorded_level():
    site = plumb_wall()
    site.records = [record("P1", toe_level=-11.5)]
    assert toes_of(reconcile(to_survey(site))).level.tolist() == [-11.5, -12.0]


def test_a_toe_lies_where_the_lean_takes_it():
    site = plumb_wall()
    site.tilts[0] = tilt("P1", 12.0, 3.0, -2.0)
    result = reconcile(to_survey(site))
    toes = toes_of(result)
    away = [toes.e[0] + result.survey.origin[0], toes.n[0] + result.survey.origin[1]]
    assert away == pytest.approx([0.003 * 15.2, -0.002 * 15.2], abs=1e-9)


def test_without_an_axis_no_toe_is_known():
    assert np.isnan(toes_of(reconcile(to_survey(bare_wall()))).e).tolist() == [False, True, False]
