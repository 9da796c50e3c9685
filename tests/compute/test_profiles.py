"""One joint along its range and one pile along its depth, against the results and against finely sampled curves."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from builders import random_site, straight_wall, to_survey
from scipy.special import ndtri
from steps import logged, plumb_wall, record, shot, tilt

from asbuilt.columns import METHODS
from asbuilt.compute.alignment import align
from asbuilt.compute.axes import axis_positions, axis_variances
from asbuilt.compute.profiles import refined
from asbuilt.compute.sections import joint_inputs_of, pair_figures
from asbuilt.reconcile import reconcile, views_of

SEEDS = range(6)
#: What a line may leave a curve by: 0.1 mm, and a thousandth of a chance.
DRAWN_M, DRAWN_P = 1e-4, 1e-3


@cache
def random_wall(seed):
    result = reconcile(to_survey(random_site(seed)))
    return result, views_of(result)


def seen(site):
    result = reconcile(to_survey(site))
    return result, views_of(result)


def joint_of(site, k=0):
    return seen(site)[1].joint(k)


def pile_of(site, k=0):
    return seen(site)[1].pile(k)


def known_joints(result):
    return np.flatnonzero(result.joints["levels_known"] == 1).tolist()


# ------------------------------------------------------------------------------------------ levels between


def worst(curve, level, *, fine=20_001):
    """How far straight lines between the levels leave a curve."""
    z = np.linspace(level[0], level[-1], fine)
    return np.abs(np.interp(-z, -level, curve(level)[0]) - curve(z)[0]).max()


@pytest.mark.parametrize(
    "curve",
    [
        lambda z: np.sin(2 * np.pi * z)[None],
        lambda z: np.sqrt(np.abs(z - 0.5))[None] * 0.005,
        lambda z: np.exp(-((z / 0.05) ** 2))[None],
        lambda z: (3.0 * z - 1.0)[None],
    ],
    ids=["on its line halfway", "root", "bell", "line"],
)
def test_lines_keep_to_a_curve(curve):
    level = refined(np.array([1.0, 0.5, 0.0]), curve, np.array([1e-4]))
    assert worst(curve, level) < 1e-4


def test_a_curve_on_its_line_halfway_is_followed():
    wave = refined(np.array([1.0, 0.0]), lambda z: np.sin(2 * np.pi * z)[None], np.array([1e-4]))
    assert len(wave) > 50


def test_a_line_needs_no_levels_but_steps_of_a_metre():
    assert refined(np.array([4.0, 1.0]), lambda z: z[None], np.array([1e-4])).tolist() == [4.0, 3.0, 2.0, 1.0]


def test_what_is_not_known_needs_no_levels():
    assert refined(np.array([1.0, 0.0]), lambda z: z[None] * np.nan, np.array([1e-4])).tolist() == [1.0, 0.0]


def test_one_level_stays_one():
    assert refined(np.array([1.0]), lambda z: z[None], np.array([1e-4])).tolist() == [1.0]


# ------------------------------------------------------------------------------------------ joints


@pytest.mark.parametrize("seed", SEEDS)
def test_the_least_of_a_joints_profile_is_that_of_the_results(seed):
    result, views = random_wall(seed)
    rows = known_joints(result)
    least = [views.joint(k).overlap.min() * 1000 for k in rows]
    np.testing.assert_allclose(least, result.joints["least_overlap_mm"][rows], rtol=0, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_least_of_a_joints_profile_is_at_its_level_in_the_results(seed):
    result, views = random_wall(seed)
    rows = known_joints(result)
    wanted = result.joints["least_level"][rows]
    at = [views.joint(k).overlap[np.abs(views.joint(k).level - z).argmin()] for k, z in zip(rows, wanted, strict=True)]
    np.testing.assert_allclose(at, [views.joint(k).overlap.min() for k in rows], rtol=0, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_least_chance_of_a_joints_profile_is_not_above_that_of_the_results(seed):
    # the results take the least over vertices; between them, below a deepest reading, it may be a little less
    result, views = random_wall(seed)
    rows = known_joints(result)
    least = np.array([views.joint(k).p.min() for k in rows])
    below = result.joints["p_interlock"][rows] - least
    assert (below.min() > -1e-6, below.max() < 0.01) == (True, True)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_least_of_the_other_model_is_that_of_the_results(seed):
    result, views = random_wall(seed)
    least = [np.min(views.joint(k).other_overlap) * 1000 for k in range(len(result.joints))]
    np.testing.assert_allclose(least, result.joints["other_model_least_overlap_mm"], rtol=0, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_joints_profile_runs_from_the_top_of_its_range_to_the_bottom(seed):
    result, views = random_wall(seed)
    ends = [(views.joint(k).level[0], views.joint(k).level[-1]) for k in range(len(result.joints))]
    assert ends == list(zip(result.joints["range_top"], result.joints["range_bottom"], strict=True))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_levels_of_a_joints_profile_fall_strictly(seed):
    result, views = random_wall(seed)
    assert max(np.diff(views.joint(k).level).max() for k in range(len(result.joints))) < 0


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("column", ["least_level", "lost_level", "open_level", "sure_level", "governing_level"])
def test_the_levels_in_its_columns_are_in_a_joints_profile(seed, column):
    result, views = random_wall(seed)
    level = result.joints[column]
    rows = np.flatnonzero(~np.isnan(level))
    assert max((np.abs(views.joint(k).level - level[k]).min() for k in rows.tolist()), default=0.0) < 1e-6


@pytest.mark.parametrize("seed", SEEDS)
def test_lines_between_the_levels_of_a_joint_keep_to_its_curves(seed):
    result, views = random_wall(seed)
    j, z = joint_inputs_of(result), ndtri(result.survey.settings.site.confidence)
    off = np.zeros(6)
    for k in known_joints(result):
        found = views.joint(k)
        fine = np.linspace(found.level[0], found.level[-1], 2001)
        true = pair_figures(j.take(np.full(2001, k)), result.axes, fine)
        beside = pair_figures(j.take(np.full(2001, k)), result.other_axes, fine)
        curves = [
            (found.overlap, true.overlap, DRAWN_M),
            (found.low, true.overlap - z * true.sigma, DRAWN_M),
            (found.high, true.overlap + z * true.sigma, DRAWN_M),
            (found.p, true.p, DRAWN_P),
        ]
        if not np.isnan(found.other_overlap).any():
            curves += [(found.other_overlap, beside.overlap, DRAWN_M), (found.other_p, beside.p, DRAWN_P)]
        for c, (drawn, curve, allowed) in enumerate(curves):
            line = np.interp(-fine, -found.level, drawn)
            off[c] = max(off[c], np.abs(line - curve).max() / allowed)
    assert off.max() < 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_a_joints_profile_has_no_more_levels_than_can_be_told_apart(seed):
    result, views = random_wall(seed)
    assert max(len(views.joint(k).level) for k in range(len(result.joints))) < 200


def test_low_and_high_are_as_many_deviations_off_as_the_confidence_asks():
    found = joint_of(plumb_wall(confidence=0.9))
    z = ndtri(0.9)
    np.testing.assert_allclose([found.low, found.high], found.overlap + np.outer([-z, z], found.sigma), atol=1e-15)


def curved_wall():
    """Two piles that pass one another across the wall: their distance is as curved as it gets."""
    site = plumb_wall()
    site.pickups = [shot("P1", 0.0, -0.15), shot("P2", 0.75, 0.15)]
    site.tilts = [tilt("P1", 12.0, 0.0, 24.0), tilt("P2", 12.0, 0.0, -24.0)]
    return site


def test_lines_keep_to_the_distance_of_two_piles_that_cross():
    found = joint_of(curved_wall())
    fine = np.linspace(3.2, -9.5, 5001)
    across = 0.3 - 0.048 * (3.2 - fine)
    off = np.interp(-fine, -found.level, found.overlap) - (0.88 - np.hypot(0.75, across))
    assert 1e-6 < np.abs(off).max() < DRAWN_M


def test_a_joint_that_was_not_surveyed_has_levels_and_no_figures():
    site = plumb_wall()
    del site.pickups[0]
    found = joint_of(site)
    assert (found.level[0], found.level[-1]) == (3.2, -9.5)
    assert np.isnan([found.overlap, found.low, found.high, found.sigma, found.p, found.other_overlap]).all()


def test_without_an_axis_figures_end_at_its_reach():
    site = plumb_wall()
    del site.tilts[0]
    found = joint_of(site)
    assert found.level[~np.isnan(found.overlap)].min() == pytest.approx(1.2, abs=1e-9)


def test_a_joint_of_two_profiles_has_no_other_model():
    site = plumb_wall()
    site.tilts = []
    site.profiles = [*logged("P1", (0, 0, 0), (14, 3, 0)), *logged("P2", (0, 0, 0), (14, 0, 3))]
    found = joint_of(site)
    assert np.isnan([found.other_overlap, found.other_low, found.other_p]).all()


def test_a_joint_says_below_which_toe_it_is_open():
    site = plumb_wall()
    site.records = [record("P2", toe_level=-5.0)]
    found = joint_of(site)
    assert (found.toe, found.level[np.abs(found.level + 5.0).argmin()]) == (-5.0, -5.0)


@pytest.mark.parametrize(("name", "value"), [("required", 0.05), ("predicted_below", -8.0), ("joint", 0)])
def test_what_a_joints_profile_says_of_the_joint(name, value):
    assert getattr(joint_of(plumb_wall()), name) == value


# ------------------------------------------------------------------------------------------ piles


@pytest.mark.parametrize("seed", SEEDS)
def test_deviation_at_cut_off_is_that_of_the_results(seed):
    result, views = random_wall(seed)
    # where the wall bends the results take the worse of two sides
    walls = align(result.survey.design, result.survey.settings, e=result.piles.design_e, n=result.piles.design_n)
    straight = np.flatnonzero(np.abs(walls.pit_1 - walls.pit_2).max(axis=1) < 1e-9).tolist()
    profiles = [views.pile(k) for k in straight]
    found = [one.deviation[np.abs(one.level - one.cut_off).argmin()] * 1000 for one in profiles]
    wanted = np.column_stack([result.piles["towards_pit_mm"], result.piles["along_wall_mm"]])[straight]
    np.testing.assert_allclose(np.array(found).reshape(-1, 2), wanted, rtol=0, atol=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_piles_profile_runs_from_the_higher_of_cut_off_and_surveyed_level_to_the_toe(seed):
    result, views = random_wall(seed)
    tops = np.fmax(result.piles["cut_off_level"], result.centres.level)
    ends = [(views.pile(k).level[0], views.pile(k).level[-1]) for k in range(len(result.piles))]
    assert ends == list(zip(tops, result.axes.toe, strict=True))


@pytest.mark.parametrize("seed", SEEDS)
def test_lines_between_the_levels_of_a_pile_keep_to_its_axis_and_its_uncertainty(seed):
    result, views = random_wall(seed)
    off = 0.0
    for k in np.flatnonzero(result.axes.method != METHODS.index("none")).tolist():
        found = views.pile(k)
        fine = np.linspace(found.level[0], found.level[-1], 1001)
        one = np.array([k])
        e, n = (x[0] for x in axis_positions(result.axes, one, fine[None]))
        other_e, other_n = (x[0] for x in axis_positions(result.other_axes, one, fine[None]))
        q2 = axis_variances(result.axes, one, fine[None])[0] + result.centres.setup_var
        ee, en, nn = result.centres.cov[k]
        for d in (0, 1):
            u, v = found.axes[d]
            centre = (e - result.piles.design_e[k]) * u + (n - result.piles.design_n[k]) * v
            beside = (other_e - result.piles.design_e[k]) * u + (other_n - result.piles.design_n[k]) * v
            sigma = np.sqrt(u * u * ee + 2 * u * v * en + v * v * nn + q2)
            curves = [(found.deviation[:, d], centre), (found.sigma[:, d], sigma)]
            if not np.isnan(found.other).any():
                curves.append((found.other[:, d], beside))
            for drawn, curve in curves:
                gap = np.abs(np.interp(-fine, -found.level, drawn) - curve)
                off = max(off, np.nan_to_num(gap).max())
    assert off < DRAWN_M


def test_directions_are_towards_the_pit_and_along_the_wall():
    found = pile_of(plumb_wall(3), 1)
    assert found.directions == ("towards the pit", "along the wall")
    assert found.axes.tolist() == [[0.0, 1.0], [1.0, 0.0]]


def test_a_pile_without_a_wall_to_stand_in_is_seen_from_east_and_north():
    found = pile_of(plumb_wall(1))
    assert found.directions == ("east", "north")
    assert found.axes.tolist() == [[1.0, 0.0], [0.0, 1.0]]


def leaning():
    """P2 stands 20 mm east and 10 mm north of design at 3.2 and was read twice at 8 m and once at 12 m."""
    site = plumb_wall(3)
    site.pickups[1] = shot("P2", 0.77, 0.01)
    site.tilts[1:2] = [tilt("P2", 8.0, 2.0, 1.0), tilt("P2", 8.0, 4.0, 1.0), tilt("P2", 12.0, 5.0, -1.0)]
    return site


def test_deviation_follows_the_lean():
    found = pile_of(leaning(), 1)
    # by the deepest reading, 12.0 m below the surveyed level to the toe's 15.2
    assert found.deviation[-1] == pytest.approx([0.010 - 0.001 * 15.2, 0.020 + 0.005 * 15.2], abs=1e-9)


def test_the_other_model_follows_the_readings_step_by_step():
    found = pile_of(leaning(), 1)
    # 3 mm/m east down to -4.0, 5 mm/m below
    assert found.other[-1] == pytest.approx(
        [0.010 + 0.001 * 7.2 - 0.001 * 8.0, 0.020 + 0.003 * 7.2 + 0.005 * 8.0], abs=1e-9
    )


def test_readings_are_averaged_by_level():
    found = pile_of(leaning(), 1)
    assert (found.reading_level.tolist(), found.reading_count.tolist()) == ([-4.0, -8.0], [2, 1])


def test_slopes_of_readings_are_turned_to_the_directions():
    np.testing.assert_allclose(pile_of(leaning(), 1).reading_slope, [[0.001, 0.003], [-0.001, 0.005]], atol=1e-12)


def test_a_reading_takes_a_straight_axis_from_the_surveyed_centre_to_its_level():
    wanted = [[0.010 + 0.001 * 7.2, 0.020 + 0.003 * 7.2], [0.010 - 0.001 * 11.2, 0.020 + 0.005 * 11.2]]
    np.testing.assert_allclose(pile_of(leaning(), 1).reading_deviation, wanted, rtol=0, atol=1e-9)


def test_readings_of_another_attempt_are_not_shown():
    site = leaning()
    site.tilts[1]["attempt"] = 0
    assert pile_of(site, 1).reading_count.tolist() == [1, 1]


def unsurveyed():
    site = leaning()
    del site.pickups[1]
    return pile_of(site, 1)


def test_a_pile_without_a_centre_has_no_deviation():
    found = unsurveyed()
    assert np.isnan(found.deviation).all()
    assert np.isnan(found.reading_deviation).all()


def test_a_pile_without_a_centre_still_has_slopes():
    np.testing.assert_allclose(unsurveyed().reading_slope, [[0.001, 0.003], [-0.001, 0.005]], atol=1e-12)


def test_a_pile_without_a_centre_runs_from_cut_off_to_toe():
    assert unsurveyed().level[[0, -1]].tolist() == [3.2, -12.0]


def unread():
    site = leaning()
    del site.tilts[1:4]
    return pile_of(site, 1)


def test_a_pile_without_readings_has_none():
    found = unread()
    assert (len(found.reading_level), found.reading_slope.shape, found.reading_deviation.shape) == (0, (0, 2), (0, 2))


def test_a_pile_without_readings_has_a_deviation_within_reach():
    found = unread()
    known = ~np.isnan(found.deviation[:, 0])
    assert (found.level[known].max(), found.level[known].min()) == pytest.approx((3.2, 1.2))


def test_a_pile_without_readings_has_no_other_model():
    assert np.isnan(unread().other).all()


def with_profile():
    site = plumb_wall(3)
    site.profiles = logged("P2", (0.0, 0, 0), (4.0, 8, 2), (10.0, 14, -4))
    return pile_of(site, 1)


def test_rows_of_a_profile_are_shown_at_their_levels():
    assert with_profile().measured_level.tolist() == [4.0, 0.0, -6.0]


def test_rows_of_a_profile_deviate_as_measured_from_the_surveyed_centre():
    # surveyed at 3.2: 1.6 mm east and 0.4 mm north of the first row
    wanted = np.array([[-0.4, -1.6], [1.6, 6.4], [-4.4, 12.4]]) / 1000
    np.testing.assert_allclose(with_profile().measured_deviation, wanted, rtol=0, atol=1e-12)


def test_levels_of_a_profile_hold_where_the_wander_of_its_reference_has_settled():
    assert np.abs(with_profile().level - 2.2).min() < 1e-9


def test_a_pile_without_a_profile_has_no_rows_of_one():
    assert (len(pile_of(leaning(), 1).measured_level), pile_of(leaning(), 1).measured_deviation.shape) == (0, (0, 2))


# ------------------------------------------------------------------------------------------ shots


def shots():
    """P1 by an older shot, four edge shots of 0.43 m, a control point, another attempt; P2 by one shot."""
    site = plumb_wall()
    rim = {"shot": "edge", "surveyed_at": "2025-03-06T12:00", "setup": "S2"}
    site.pickups += [
        shot("P1", 0.005 + e, n, point=f"P1-{k}", **rim)
        for k, (e, n) in enumerate([(0.44, 0.0), (0.0, 0.44), (-0.44, 0.0), (0.0, -0.44)], 2)
    ]
    site.pickups += [shot("P1", 0.3, 0.3, object="check"), shot("P1", 0.1, 0.1, attempt=0)]
    return site


def test_shots_are_those_of_the_governing_attempt_not_on_control_points():
    found = pile_of(shots())
    assert (found.shot_edge.tolist(), found.shot_used.tolist()) == ([False] + [True] * 4, [False] + [True] * 4)


def test_shots_are_reduced_to_the_origin():
    result, views = seen(shots())
    found = views.pile(0)
    e = found.shot_e + result.survey.origin[0]
    np.testing.assert_allclose(e, [0.0, 0.445, 0.005, -0.435, 0.005], rtol=0, atol=1e-9)


def test_the_circle_of_edge_shots_is_shown():
    result, views = seen(shots())
    found = views.pile(0).fit
    reduced = (found[0] + result.survey.origin[0], found[1] + result.survey.origin[1], found[2])
    assert reduced == pytest.approx((0.005, 0.0, 0.44), abs=1e-6)


def test_without_edge_shots_there_is_no_circle():
    assert pile_of(shots(), 1).fit is None


def test_shots_later_than_the_result_are_not_shown():
    result = reconcile(to_survey(shots()), as_of=np.datetime64("2025-03-06T00:00", "ms"))
    assert views_of(result).pile(0).shot_used.tolist() == [True]


def test_an_omitted_pile_has_a_profile_without_deviation():
    design = straight_wall(5)
    design[2]["status"] = "omitted"
    found = pile_of(plumb_wall(design=design), 2)
    assert np.isnan(found.deviation).all()
    assert len(found.shot_e) == 0
