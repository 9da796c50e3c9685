"""Bias and scatter by group, joints not sound by level, bounds of chances, rank by water head."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from hypothesis import given
from hypothesis import strategies as st
from results import joints_of, piles_of
from scipy import stats

from asbuilt.compute.wall import at_least_one, confidence_ellipse, rank_by_head, wall_statistics

NAN = float("nan")
OFFSETS_MM = np.array([(3.0, 1.0), (-4.0, 6.0), (11.0, 2.0), (7.0, -5.0), (2.0, 9.0), (14.0, 3.0)])


def statistics(bias_mm, *, design=None, toml="", loads=None, rigs=None, joints=None, p_open=None, **stated):
    count = len(bias_mm)
    survey = to_survey(Site(toml=site_file() + toml, design=design or straight_wall(count)))
    bias = np.asarray(bias_mm, dtype=float) / 1000.0
    stated = {"cut_off_level": 3.2, "allowed_mm": 25.0, "allowed_mm_per_m": 5.0, **stated}
    joints = joints_of(survey.design, []) if joints is None else joints(survey.design)
    return wall_statistics(
        settings=survey.settings,
        design=survey.design,
        piles=piles_of(survey.design, **stated),
        joints=joints,
        bias_e=bias[:, 0],
        bias_n=bias[:, 1],
        load_of_pile=np.array(loads or [None] * count, dtype=object),
        rig_of_pile=np.array(rigs or [None] * count, dtype=object),
        p_open=np.full(len(joints), NAN) if p_open is None else np.array(p_open),
    )


def group(found, by, name=None):
    (only,) = (g for g in found.groups if g.by == by and name in (None, g.name))
    return only


# ------------------------------------------------------------------------------------------------ groups


def test_bias_and_scatter_of_all_piles():
    whole = group(statistics(OFFSETS_MM), "all")
    assert (whole.count, whole.frame) == (6, "E, N")
    assert whole.mean_mm == pytest.approx((5.5, 8 / 3))
    assert whole.scatter_mm == pytest.approx(np.std(OFFSETS_MM, axis=0, ddof=1))


def test_rms_and_95th_percentile_are_of_the_length_of_the_bias():
    length = np.hypot(*OFFSETS_MM.T)
    whole = group(statistics(OFFSETS_MM), "all")
    assert whole.rms_mm == pytest.approx(np.sqrt(np.mean(length**2)))
    assert whole.percentile_95_mm == pytest.approx(np.percentile(length, 95))


def test_ellipse_agrees_with_eigenvalues_and_the_f_distribution():
    values, vectors = np.linalg.eigh(np.cov(OFFSETS_MM.T))
    scale = 2 * 5 / 4 * stats.f.ppf(0.95, 2, 4) / 6
    major, minor, bearing = group(statistics(OFFSETS_MM), "all").ellipse
    assert (major, minor) == pytest.approx((np.sqrt(values[1] * scale), np.sqrt(values[0] * scale)))
    expected = np.degrees(np.arctan2(vectors[0, 1], vectors[1, 1])) % 180
    assert bearing == pytest.approx(expected)


def test_ellipse_covers_the_true_mean_19_times_out_of_20():
    generator = np.random.default_rng(7)
    cov, samples, size = np.array([[9.0, 4.0], [4.0, 3.0]]), 20_000, 8
    draws = generator.multivariate_normal((0.0, 0.0), cov, size=(samples, size))
    mean = draws.mean(axis=1)
    d = draws - mean[:, None]
    moments = [(d[:, :, i] * d[:, :, j]).sum(axis=1) / (size - 1) for i, j in ((0, 0), (0, 1), (1, 1))]
    major, minor, bearing = confidence_ellipse(np.full(samples, size), np.column_stack(moments)).T
    b = np.radians(bearing)
    along = mean[:, 0] * np.sin(b) + mean[:, 1] * np.cos(b)
    across = mean[:, 0] * np.cos(b) - mean[:, 1] * np.sin(b)
    covered = np.mean((along / major) ** 2 + (across / minor) ** 2 <= 1)
    assert covered == pytest.approx(0.95, abs=0.006)  # four standard deviations of 20 000 trials


def test_two_piles_have_no_ellipse():
    assert group(statistics(OFFSETS_MM[:2]), "all").ellipse is None


def test_one_pile_has_no_scatter():
    assert np.isnan(group(statistics(OFFSETS_MM[:1]), "all").scatter_mm).all()


def test_piles_not_surveyed_and_omitted_piles_do_not_count():
    bias = OFFSETS_MM.copy()
    bias[0] = NAN
    found = statistics(bias, expected=[True] * 5 + [False])
    assert group(found, "all").count == 4
    assert group(found, "all").mean_mm == pytest.approx(OFFSETS_MM[1:5].mean(axis=0))


def test_a_wall_of_which_nothing_was_surveyed_is_listed_with_unknowns():
    whole = group(statistics(np.full((4, 2), NAN)), "wall", "A")
    assert whole.count == 0
    assert np.isnan([*whole.mean_mm, whole.rms_mm, whole.percentile_95_mm, whole.share_within]).all()


def test_groups_by_kind_load_and_rig_leave_out_what_is_not_recorded():
    found = statistics(
        OFFSETS_MM,
        loads=["pickups/b.csv", "pickups/a.csv", None, "pickups/b.csv", None, None],
        rigs=["R2"] * 5 + [None],
    )
    assert [(g.by, g.name, g.count) for g in found.groups if g.by in ("kind", "load", "rig")] == [
        ("kind", "primary", 3),
        ("kind", "secondary", 3),
        ("load", "pickups/a.csv", 1),
        ("load", "pickups/b.csv", 2),
        ("rig", "R2", 5),
    ]
    assert group(found, "load", "pickups/b.csv").mean_mm == pytest.approx((5.0, -2.0))
    assert group(found, "kind", "primary").mean_mm == pytest.approx((16 / 3, 4.0))


def test_percentile_of_each_group_is_its_own():
    found = statistics(OFFSETS_MM, rigs=["A", "B", "A", "B", "A", "A"])
    length = np.hypot(*OFFSETS_MM.T)
    assert group(found, "rig", "A").percentile_95_mm == pytest.approx(np.percentile(length[[0, 2, 4, 5]], 95))
    assert group(found, "rig", "B").percentile_95_mm == pytest.approx(np.percentile(length[[1, 3]], 95))


def test_sides_are_numbered_within_their_wall_and_measured_towards_the_pit():
    design = straight_wall(4)
    for row in design[2:]:
        row["wall"] = "B"
    found = statistics(
        [(3.0, 10.0), (5.0, 12.0), (7.0, 1.0), (NAN, NAN)],
        design=design,
        toml='\n[walls.B]\nclosed = false\npit_side = "left"\n',
        side=[0, 1, 2, -1],
        along=[(1, 0), (0, 1), (0, -1), (NAN, NAN)],
        pit=[(0, 1), (-1, 0), (1, 0), (NAN, NAN)],
    )
    sides = [g for g in found.groups if g.by == "side"]
    assert [(g.name, g.mean_mm, g.frame) for g in sides] == [
        ("A side 1", (10.0, 3.0), "towards the pit, along"),
        ("A side 2", (-5.0, 12.0), "towards the pit, along"),
        ("B side 1", (7.0, -1.0), "towards the pit, along"),
    ]


def test_shares_are_of_the_piles_whose_plan_position_was_measured():
    found = statistics(
        OFFSETS_MM,
        plan_verdict=["within", "unresolved", "outside", "not surveyed", "within", "within"],
        offset_mm=[3.0, 24.0, 26.0, NAN, 25.0, 1.0],
    )
    whole = group(found, "all")
    assert (whole.share_within, whole.share_inside) == pytest.approx((3 / 5, 4 / 5))


def test_mean_inclination_is_of_the_piles_that_have_one():
    found = statistics(OFFSETS_MM, incline_mm_per_m=[1.0, 2.0, NAN, NAN, NAN, 6.0])
    assert group(found, "all").mean_incline_mm_per_m == pytest.approx(3.0)


# ------------------------------------------------------------------------------------------------ joints


def curve_joints(design):
    return joints_of(
        design,
        [(i, i + 1) for i in range(5)],
        range_top=[3.2, 3.2, 3.2, 3.2, 2.7],
        range_bottom=-9.5,
        lost_level=[-5.0, -5.0, NAN, NAN, NAN],
        sure_level=[-3.0, -4.0, -4.0, NAN, NAN],
        levels_known=[True, True, True, True, False],
        verdict=["outside", "outside", "unresolved", "within", "not surveyed"],
        p_interlock=[0.01, 0.02, 0.9, 0.999, NAN],
    )


def test_curves_count_joints_from_the_top_down_at_every_level_where_they_change():
    found = statistics(OFFSETS_MM, joints=curve_joints)
    assert found.curve_level.tolist() == [3.2, 2.7, -3.0, -4.0, -5.0, -9.5]
    assert found.curve_lost.tolist() == [0, 0, 0, 0, 2, 2]
    assert found.curve_not_sure.tolist() == [0, 0, 1, 3, 3, 3]
    assert found.curve_not_surveyed.tolist() == [0, 1, 1, 1, 1, 1]


def test_a_wall_without_joints_has_no_curve_and_no_chance():
    found = statistics(OFFSETS_MM)
    assert (len(found.curve_level), found.chance_lost, found.chance_open) == (0, (0.0, 0.0), (0.0, 0.0))
    assert found.depth_guaranteed == {}


def test_depth_guaranteed_stands_for_each_wall_with_joints():
    found = statistics(OFFSETS_MM, joints=curve_joints)
    assert found.depth_guaranteed == {"A": pytest.approx(3.0)}


def test_chances_are_those_of_p_interlock_and_of_an_opening():
    found = statistics(OFFSETS_MM, joints=curve_joints, p_open=[0.4, 0.2, 0.0, 0.0, 0.0])
    assert found.chance_lost == (0.99, 1.0)  # a joint that was not surveyed may be lost
    assert found.chance_open == pytest.approx((0.4, 0.6))


@pytest.mark.parametrize(
    ("chance", "bounds"),
    [
        ([], (0.0, 0.0)),
        ([0.1, 0.02], (0.1, 0.12)),
        ([0.7, 0.6], (0.7, 1.0)),
        ([0.1, NAN], (0.1, 1.0)),
        ([NAN], (0.0, 1.0)),
    ],
)
def test_bounds_of_the_chance_that_at_least_one_is_so(chance, bounds):
    assert at_least_one(np.array(chance)) == pytest.approx(bounds)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_independent_things_keep_to_the_bounds(chances):
    low, high = at_least_one(np.array(chances))
    independent = 1 - np.prod(1 - np.array(chances))
    assert low - 1e-12 <= independent <= high + 1e-12


# ------------------------------------------------------------------------------------------------ head

WATER = "water_outside = 2.0\nwater_inside = -6.0\ntight_stratum = -8.0\n"


def ranked(levels, *, water=WATER):
    toml = site_file().replace("[levels]\n", "[levels]\n" + water)
    survey = to_survey(Site(toml=toml, design=straight_wall(len(levels) + 1)))
    pairs = [(i, i + 1) for i in range(len(levels))]
    return rank_by_head(settings=survey.settings, joints=joints_of(survey.design, pairs, sure_level=levels))


def test_head_grows_with_depth_down_to_the_water_inside():
    order, head = ranked([2.5, 1.0, -5.0, -6.5, NAN])
    assert head[:4] == pytest.approx([0.0, 1.0, 7.0, 8.0])
    assert np.isnan(head[4])
    assert order.tolist() == [3, 2, 1, 0]


def test_below_the_top_of_the_tight_stratum_there_is_no_head():
    order, head = ranked([-8.5, -8.0])
    assert head == pytest.approx([0.0, 8.0])
    assert order.tolist() == [1, 0]


def test_at_equal_heads_the_highest_level_comes_first():
    assert ranked([-7.0, -6.5])[0].tolist() == [1, 0]


def test_without_water_levels_nothing_is_ranked():
    order, head = ranked([-5.0], water="water_outside = 2.0\n")
    assert (len(order), np.isnan(head).all()) == (0, True)
