"""Bands: what every joint is over its range, against the definition level by level and against the joints' levels."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from builders import Site, random_site, site_file, straight_wall
from scipy.optimize import brentq
from scipy.stats import ncx2
from steps import EXACT, joints_of, logged, plumb_wall, record, shot, steps, tilt

from asbuilt.columns import METHODS
from asbuilt.compute.axes import axis_variances
from asbuilt.compute.bands import joint_bands
from asbuilt.compute.lots import in_lots
from asbuilt.compute.verdicts import principal_probability
from asbuilt.views import JOINT_STATES

NAN = math.nan
OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(len(JOINT_STATES))
NONE = METHODS.index("none")
#: Levels that bound *sure* are refined to 0.1 mm.
PRECISION = 2e-4
SEEDS = 9


# ------------------------------------------------------------------------------------------ walls and their bands


def wild_wall(seed):
    """A wall drilled so badly that overlaps come and go: steps and profiles that wander, few good centres."""
    rng = np.random.default_rng(seed)
    design = straight_wall(24, toe=-12.0)
    site = Site(
        toml=site_file(
            joint=rng.choice(["guarded", "guarded", "simple"]),
            axis=rng.choice(["straight", "stepped"]),
            confidence=rng.choice([0.6, 0.8, 0.95, 0.99]),
            overlap_mm=rng.choice([0, 30, 50]),
            pickup_mm=rng.choice([1, 5, 12]),
            tilt_mm_per_m=rng.choice([0.3, 1.0, 4.0]),
            wander_mm_per_m=rng.choice([0.0, 0.3, 2.0]),
            profile_mm=rng.choice([1, 4, 15]),
            profile_mm_per_m=rng.choice([0.0, 0.25, 2.0]),
        ),
        design=design,
    )
    for k, row in enumerate(design):
        name, east = row["pile_id"], row["easting"] + rng.normal(0, 0.03)
        level, north = rng.choice([3.2, 3.4, 1.0, -3.0], p=[0.4, 0.4, 0.1, 0.1]), rng.normal(0, 0.02)
        if rng.random() > 0.1:
            turns = np.arange(rng.integers(3, 6)) * rng.uniform(0.5, 1.2) if rng.random() < 0.4 else [None]
            for turn in turns:
                rim = (0.0, 0.0) if turn is None else (0.44 * math.cos(turn), 0.44 * math.sin(turn))
                kind = "centre" if turn is None else "edge"
                site.pickups.append(shot(name, east + rim[0], north + rim[1], level, shot=kind, setup=f"S{k // 5}"))
        depths = np.sort(rng.choice(np.arange(1.0, 15.0), rng.integers(1, 6), replace=False))
        leans = rng.normal(0, rng.choice([5.0, 20.0]), (len(depths), 2)) * [1.0, 0.4]
        if rng.random() < 0.35:
            site.profiles += logged(name, (0, 0, 0), *((d, *lean * 3) for d, lean in zip(depths, leans, strict=True)))
        elif rng.random() < 0.9:
            site.tilts += [tilt(name, d, *lean) for d, lean in zip(depths, leans, strict=True)]
        toe, casing = rng.choice([-12.0, -12.0, -6.0]), rng.choice([880, 870, 905])
        site.records.append(record(name, toe_level=toe, casing_od_mm=casing))
    return site


class Case:
    """One site: what its joints are worked out from, what was found, and their bands."""

    def __init__(self, site):
        w = steps(site)
        self.axes, self.other, self.settings = w.axes, w.other, w.survey.settings
        self.inputs, self.found = joints_of(site)
        self.settled = np.where(self.found.levels_known, NAN, self.found.lost_level)
        self.bands = joint_bands(self.inputs, w.axes, w.other, w.survey.settings, settled=self.settled)

    def of(self, joint=0):
        """Bands of one joint: (top, bottom, state in words)."""
        b = self.bands
        rows = np.flatnonzero(b.joint == joint)
        return [(b.top[k], b.bottom[k], JOINT_STATES[b.state[k]]) for k in rows]

    def highest(self, *states):
        """Highest level of any of the states (m,), NaN for none."""
        level = np.full(len(self.inputs.a), -np.inf)
        mine = np.isin(self.bands.state, states)
        np.maximum.at(level, self.bands.joint[mine], self.bands.top[mine])
        return np.where(np.isinf(level), NAN, level)


@cache
def wild(seed):
    return Case(wild_wall(seed))


@cache
def mixed(seed):
    return Case(random_site(seed))


def bands_of(site):
    return Case(site).of()


def near(*bands):
    """Bands of one joint as they should be, levels to 0.1 mm."""
    return [(pytest.approx(top, abs=1e-4), pytest.approx(bottom, abs=1e-4), state) for top, bottom, state in bands]


# ------------------------------------------------------------------------------------------ level by level


def centre(axes, pile, z):
    """The axis at levels, segment by segment, as the record of axes says."""
    mine = slice(axes.start[pile], axes.start[pile + 1])
    at = axes.start[pile] + (axes.top[mine][None, 1:] > z[:, None]).sum(axis=1)
    down = axes.anchor_z[at] - z
    return axes.anchor_e[at] + axes.slope_e[at] * down, axes.anchor_n[at] + axes.slope_n[at] * down


def overlap_and_chance(j, k, axes, z):
    (e_a, n_a), (e_b, n_b) = centre(axes, j.a[k], z), centre(axes, j.b[k], z)
    q2 = sum(axis_variances(axes, np.array([pile]), z[None])[0] for pile in (j.a[k], j.b[k]))
    cov = np.column_stack([j.cov[k, 0] + q2, np.full(len(z), j.cov[k, 1]), j.cov[k, 2] + q2])
    reach = j.radius_a[k] + j.radius_b[k]
    limit = np.full(len(z), reach - j.required[k])
    return reach - np.hypot(e_b - e_a, n_b - n_a), principal_probability(e_b - e_a, n_b - n_a, cov=cov, limit=limit)


def by_definition(case, k, z):
    """State of joint k at levels z, and where it is too close to call."""
    j, asked, confidence = case.inputs, case.inputs.required[k], case.settings.site.confidence
    guarded = case.settings.decide.joint == "guarded"
    if not case.found.levels_known[k]:
        state = np.full(len(z), NOT_SURVEYED)
        close = np.zeros(len(z), dtype=bool)
        if not np.isnan(case.settled[k]):
            stubs = [p for p in (j.a[k], j.b[k]) if case.axes.method[p] == NONE]
            known = z > max(case.axes.surveyed_level[p] - 2.0 for p in stubs)
            state[known] = OPEN if case.found.overlap_top[k] < 0 else LOST
    else:
        o, p = overlap_and_chance(j, k, case.axes, z)
        o_other, p_other = overlap_and_chance(j, k, case.other, z)
        unsure = (p < confidence) | (p_other < confidence) if guarded else o_other < asked - 1e-8
        state = np.where(o < -1e-8, OPEN, np.where(o < asked - 1e-8, LOST, np.where(unsure, NOT_SURE, SURE)))
        close = np.any(np.abs([o, o - asked, o_other - asked]) < 1e-7, axis=0)
        close |= guarded & np.any(np.abs(np.array([p, p_other]) - confidence) < 3e-6, axis=0)
    return np.where(z < j.toe[k], OPEN, state), close


@pytest.mark.parametrize("seed", range(SEEDS))
def test_every_level_is_what_the_definition_says(seed):
    case, wrong = wild(seed), []
    for k, (top, bottom) in enumerate(zip(case.inputs.top, case.inputs.bottom, strict=True)):
        mine = case.bands.joint == k
        edges, state = case.bands.bottom[mine], case.bands.state[mine]
        # levels all over the range and close to every edge of a band, but not closer than it is exact
        z = np.r_[np.linspace(top, bottom, 401), edges + 1.01 * PRECISION, edges - 1.01 * PRECISION]
        z = z[(z < top) & (z > bottom) & (np.abs(z[:, None] - edges).min(axis=1) > PRECISION)]
        expected, close = by_definition(case, k, z)
        found = state[(edges[None, :] >= z[:, None]).sum(axis=1)]
        wrong += [(k, z[i], found[i], expected[i]) for i in np.flatnonzero((found != expected) & ~close)]
    assert wrong == []


def test_the_wild_walls_hold_every_state_and_overlaps_that_are_regained():
    pairs = set()
    for seed in range(SEEDS):
        b = wild(seed).bands
        pairs |= {(b.state[k], b.state[k + 1]) for k in np.flatnonzero(np.diff(b.joint) == 0)}
    assert pairs >= {(SURE, NOT_SURE), (NOT_SURE, SURE), (LOST, OPEN), (OPEN, LOST), (LOST, NOT_SURE), (SURE, OPEN)}


# ------------------------------------------------------------------------------------------ whole ranges


def tiling_faults(case):
    b, j = case.bands, case.inputs
    first = np.r_[True, np.diff(b.joint) != 0]
    last = np.r_[np.diff(b.joint) != 0, True]
    return {
        "every joint once": not np.array_equal(b.joint[first], np.arange(len(j.a))),
        "from the top": not np.array_equal(b.top[first], j.top),
        "to the bottom": not np.array_equal(b.bottom[last], j.bottom),
        "without gap": not np.array_equal(b.bottom[~last], b.top[~first]),
        "neighbours differ": np.any(b.state[1:][~first[1:]] == b.state[:-1][~first[1:]]),
        "long enough": np.any((b.top - b.bottom < 1e-6) & ~(first & last)),
    }


@pytest.mark.parametrize("seed", range(SEEDS))
def test_bands_tile_the_range_of_wild_walls(seed):
    assert not any(tiling_faults(wild(seed)).values()), tiling_faults(wild(seed))


@pytest.mark.parametrize("seed", range(10))
def test_bands_tile_the_range_of_random_walls(seed):
    faults = tiling_faults(mixed(seed))
    assert not any(faults.values()), faults


LEVELS = [
    ("sure_level", (OPEN, LOST, NOT_SURE)),
    ("lost_level", (OPEN, LOST)),
    ("open_level", (OPEN,)),
]


@pytest.mark.parametrize(("name", "states"), LEVELS)
@pytest.mark.parametrize("made", [wild, mixed])
def test_highest_levels_are_those_of_the_joints(made, name, states):
    cases = [made(seed) for seed in range(SEEDS)]
    found = np.concatenate([case.highest(*states) for case in cases])
    # below a toe as built that counts a joint is open
    expected = np.concatenate([np.fmax(getattr(case.found, name), case.inputs.toe) for case in cases])
    assert found == pytest.approx(expected, abs=1e-4, nan_ok=True)


# ------------------------------------------------------------------------------------------ laws


def same_bands(one, two):
    assert one.joint.tolist() == two.joint.tolist()
    assert one.state.tolist() == two.state.tolist()
    assert one.top == pytest.approx(two.top, abs=PRECISION)
    assert one.bottom == pytest.approx(two.bottom, abs=PRECISION)


@pytest.mark.parametrize("seed", range(6))
def test_exchanging_the_two_piles_changes_nothing(seed):
    case = wild(seed)
    j = case.inputs
    swapped = replace(j, a=j.b, b=j.a, radius_a=j.radius_b, radius_b=j.radius_a)
    again = joint_bands(swapped, case.axes, case.other, case.settings, settled=case.settled)
    same_bands(again, case.bands)


def turned(axes, c, s):
    return replace(
        axes,
        anchor_e=c * axes.anchor_e - s * axes.anchor_n,
        anchor_n=s * axes.anchor_e + c * axes.anchor_n,
        slope_e=c * axes.slope_e - s * axes.slope_n,
        slope_n=s * axes.slope_e + c * axes.slope_n,
    )


@pytest.mark.parametrize("seed", range(6))
def test_turning_the_site_changes_nothing(seed):
    case = wild(seed)
    c, s = math.cos(0.7), math.sin(0.7)
    ee, en, nn = case.inputs.cov.T
    cov = [c * c * ee - 2 * c * s * en + s * s * nn, c * s * (ee - nn) + (c * c - s * s) * en]
    inputs = replace(case.inputs, cov=np.column_stack([*cov, ee + nn - cov[0]]))
    axes, other = (turned(a, c, s) for a in (case.axes, case.other))
    same_bands(joint_bands(inputs, axes, other, case.settings, settled=case.settled), case.bands)


def test_lots_change_nothing(monkeypatch):
    case = wild(2)
    monkeypatch.setitem(in_lots.__kwdefaults__, "size", 3)
    parts = joint_bands(case.inputs, case.axes, case.other, case.settings, settled=case.settled)
    same_bands(parts, case.bands)


# ------------------------------------------------------------------------------------------ single joints


def leaning(*steps_of_b, b=0.0, **changes):
    """Two piles 750 mm apart, 880 mm wide; P1 plumb, P2 out by ``b`` [m] with its readings (depth, east, north)."""
    site = plumb_wall(**{**EXACT, "joint": "simple", "axis": "stepped", **changes})
    site.pickups[1] = shot("P2", 0.75 + b, 0.0)
    site.tilts = [tilt("P1", 15.0), *(tilt("P2", *row) for row in steps_of_b)]
    return site


def test_a_joint_as_designed_is_sure_all_the_way():
    assert bands_of(leaning((15.0, 0.0, 0.0))) == [(3.2, -9.5, "sure")]


def test_an_overlap_is_lost_and_then_open():
    # 130 mm by design, 50 asked for, 12 mm/m: 80 mm in 6.667 m, 130 mm in 10.833 m
    found = bands_of(leaning((15.0, 12.0, 0.0)))
    lost, gap = 3.2 - 80 / 12, 3.2 - 130 / 12
    assert found == near((3.2, lost, "sure"), (lost, gap, "lost"), (gap, -9.5, "open"))


def levels_where(limit, w, d):
    """Both levels where |w + d·h| is ``limit``, h metres below 3.2, the upper first."""
    w, d = np.array(w), np.array(d)
    aa, bb, cc = d @ d, w @ d, w @ w - limit**2
    return [3.2 - (-bb + sign * math.sqrt(bb * bb - aa * cc)) / aa for sign in (-1, 1)]


def test_an_overlap_lost_at_the_top_is_regained_where_the_piles_lean_together():
    regained, _ = levels_where(0.83, (0.84, 0.0), (-0.06, 0.02))
    assert bands_of(leaning((15.0, -60.0, 20.0), b=0.09)) == near((3.2, regained, "lost"), (regained, -9.5, "sure"))


def test_an_overlap_may_be_enough_for_a_stretch_between_two_levels_where_it_is_not():
    # towards one another at 14 mm/m and past one another at 40 mm/m; no vertex in the range
    regained, lost = levels_where(0.83, (0.835, 0.0), (-0.014, 0.040))
    found = bands_of(leaning((15.0, -14.0, 40.0), b=0.085))
    assert found == near((3.2, regained, "lost"), (regained, lost, "sure"), (lost, -9.5, "lost"))


def test_out_and_back_is_lost_for_a_stretch():
    # 25 mm/m over 4 m is 100 mm of the 80 to spare, from 1.0 to -3.0; back likewise
    site = leaning((3.0, 0.0, 0.0), (7.0, 25.0, 0.0), (11.0, -25.0, 0.0), (15.0, 0.0, 0.0))
    assert bands_of(site) == near((3.2, -2.2, "sure"), (-2.2, -3.8, "lost"), (-3.8, -9.5, "sure"))


def test_below_a_toe_a_joint_is_open():
    site = leaning((15.0, 0.0, 0.0))
    site.records = [record("P1", toe_level=-7.0), record("P2", toe_level=-12.0)]
    assert bands_of(site) == [(3.2, -7.0, "sure"), (-7.0, -9.5, "open")]


def test_below_a_toe_a_joint_is_open_though_it_was_not_surveyed():
    site = leaning()
    site.records = [record("P1", toe_level=-7.0), record("P2", toe_level=-12.0)]
    assert bands_of(site) == [(3.2, -7.0, "not surveyed"), (-7.0, -9.5, "open")]


def test_under_the_simple_rule_the_other_lean_model_makes_a_joint_not_sure():
    # as one straight tube plumb; as steps out by 90 mm of the 80 at 10 mm/m x 9 m, then back at 30 mm/m
    site = leaning((9.8, 10.0, 0.0), (12.8, -30.0, 0.0), (15.0, 0.0, 0.0), axis="straight")
    lost, back = 3.2 - 8.0, 3.2 - 9.0 - 1 / 3
    assert bands_of(site) == near((3.2, lost, "sure"), (lost, back, "not sure"), (back, -9.5, "sure"))


def test_a_stretch_that_is_sure_between_two_levels_that_are_not_is_found():
    """2 mm to spare at the top and less further down, but more in the middle, where nothing is laid out."""
    site = leaning((15.0, -14.0, 42.0), b=0.078, joint="guarded", pickup_mm=2)
    # half the noncentral chi-square distribution on two degrees of freedom: 2.83 mm per component
    limit = brentq(lambda d: ncx2.cdf(0.83**2 / 8e-6, 2, d * d / 8e-6) - 0.95, 0.8, 0.83)
    begin, end = levels_where(limit, (0.828, 0.0), (-0.014, 0.042))
    assert bands_of(site)[:2] == near((3.2, begin, "not sure"), (begin, end, "sure"))


def test_a_joint_is_less_sure_the_deeper_it_is_predicted():
    site = leaning((15.0, 4.0, 0.0), joint="guarded", tilt_mm_per_m=1.0, pickup_mm=5)
    case = Case(site)
    level = case.found.sure_level[0]
    assert case.of() == near((3.2, level, "sure"), (level, -9.5, "not sure"))


# ------------------------------------------------------------------------------------------ not surveyed


def without_axis(apart, level=3.2, **changes):
    """P2 out by so much [m] and never read."""
    site = plumb_wall(**changes)
    site.pickups[1] = shot("P2", 0.75 + apart, 0.0, level)
    del site.tilts[1]
    return site


def test_a_joint_without_an_axis_is_not_surveyed():
    assert bands_of(without_axis(0.0)) == [(3.2, -9.5, "not surveyed")]


@pytest.mark.parametrize(("apart", "state"), [(0.12, "lost"), (0.16, "open")])
def test_a_joint_lost_at_the_top_is_so_as_far_as_its_centres_are_known(apart, state):
    found = bands_of(without_axis(apart, 3.0))
    assert found == near((3.2, 1.0, state), (1.0, -9.5, "not surveyed"))


def test_where_the_range_ends_sooner_a_joint_lost_at_the_top_is_so_to_its_bottom():
    assert bands_of(without_axis(0.12, interlock_to=2.0)) == [(3.2, 2.0, "lost")]


def test_a_level_from_which_a_toe_leaves_a_joint_open_settles_nothing_above():
    site = without_axis(0.0)
    site.records = [record("P1", toe_level=-7.0), record("P2", toe_level=-12.0)]
    case = Case(site)
    found = joint_bands(case.inputs, case.axes, case.other, case.settings, settled=case.inputs.toe)
    assert found.state.tolist() == [NOT_SURVEYED, OPEN]


# ------------------------------------------------------------------------------------------ ends


@pytest.mark.parametrize(("apart", "state"), [(0.0, "sure"), (0.1, "lost"), (0.16, "open")])
def test_a_range_without_length_is_one_band(apart, state):
    case = Case(leaning((15.0, 0.0, 0.0), b=apart))
    inputs = replace(case.inputs, bottom=case.inputs.top)
    found = joint_bands(inputs, case.axes, case.other, case.settings, settled=case.settled)
    assert [(found.top[0], found.bottom[0], JOINT_STATES[found.state[0]])] == [(3.2, 3.2, state)]


def test_a_wall_without_joints_has_no_bands():
    assert len(Case(plumb_wall(1)).bands.joint) == 0
