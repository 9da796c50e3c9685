"""Steering windows against brute force: every level of a fine scan, straight from the formulas of the axes.

The windows are exact: inside or outside agrees everywhere farther than 0.01 mm/m from the edge, vertices lie that near
to where the brute force changes its mind, and the nearest lean is as near as the nearest it finds.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import builders
import oracle as second

from asbuilt.compute.steering import sure_window, window
from asbuilt.compute.steering_input import steer_input
from asbuilt.compute.verdicts import principal_probability
from asbuilt.reconcile import reconcile

SEEDS = range(20)
NEAR = 1e-5  # 0.01 mm/m
STEP = 0.25  # of the scan of levels, m


@dataclass
class Ask:
    """What one joint asks at each scanned level: height below the centre, vector at no lean, reach, covariance."""

    h: np.ndarray
    away: np.ndarray
    reach: float
    cov: np.ndarray


class Brute:
    """One pile being drilled: nothing but positions and covariances at levels."""

    def __init__(self, oracle: second.Oracle, pile: second.Pile, read_to: float) -> None:
        self.o, self.pile, self.s = oracle, pile, oracle.settings
        u = self.s.uncertainty
        unread = max(0.0, read_to - pile.toe)
        self.lean_var = (u.tilt_mm_per_m**2 + u.tilt_systematic_mm_per_m**2 + u.wander_mm_per_m**2 * unread) / 1e6
        if pile.centre is None:
            self.at, self.level, self.cov = pile.at, self.s.levels.commence, np.eye(2) * (u.pickup_mm / 1000) ** 2
        else:
            self.at, self.level, self.cov = pile.centre.at, pile.centre.level, pile.centre.cov
        self.asks = [self.ask(pair) for pair in oracle.joint_pairs() if pile.id in pair and self.meant(pair)]
        self.limit = oracle.limit_of(pile)

    def meant(self, pair: tuple[str, str]) -> bool:
        a, b = (self.o.all[name] for name in pair)
        return a.row["diameter_mm"] + b.row["diameter_mm"] > 2000 * math.dist(a.at, b.at)

    def ask(self, pair: tuple[str, str]) -> Ask:
        a, b = (self.o.all[name] for name in pair)
        other = b if a is self.pile else a
        top, bottom = self.o.range_of(a, b)
        named = [self.level, bottom]
        if other.centre is not None:
            named += [other.centre.level + k for k in (-1, -0.75, -0.5, -0.25, 0, 0.25, 0.5, 0.75, 1)]
            if other.axes:
                axis = other.axes[self.o.model]
                named += [*axis.vertices, axis.deepest]
        count = max(2, math.ceil((top - bottom) / STEP))
        scan = {top - (top - bottom) * k / count for k in range(count + 1)}
        levels = np.array(sorted(scan | {z for z in named if bottom <= z <= top}))
        h = self.level - levels
        places, covs = [], []
        for z in levels.tolist():
            place, cov = self.neighbour(other, z)
            places.append(place)
            cov = cov + self.cov + self.lean_var * (self.level - z) ** 2 * np.eye(2)
            covs.append([cov[0, 0], cov[0, 1], cov[1, 1]])
        return Ask(
            h=h,
            away=np.array(self.at) - np.array(places),
            reach=a.radius + b.radius - self.o.required(a, b),
            cov=np.array(covs),
        )

    def neighbour(self, other: second.Pile, z: float) -> tuple[second.Vector, np.ndarray]:
        """Place of the neighbour at a level, and its covariance with what the set-ups add for the pair."""
        if other.centre is None:
            return other.at, self.o.set_var * np.eye(2)
        q2 = self.o.q2(other, z, self.o.model)
        mine = self.pile.centre
        common = 0.0 if mine is not None and mine.setup == other.centre.setup else 2 * self.o.set_var
        return self.o.at(other, z, self.o.model), other.centre.cov + (q2 + common) * np.eye(2)

    def frame(self, slopes: np.ndarray) -> np.ndarray:
        """Whether leans (p, 2) keep the verticality limit and the pit."""
        fine = np.ones(len(slopes), dtype=bool)
        if self.limit is not None:
            fine &= np.hypot(*slopes.T) <= self.limit
        t = self.s.tolerance
        if t.encroach_mm is not None:
            for z in (self.pile.cut_off, min(self.pile.formation, self.pile.cut_off)):
                at = np.array(self.at) + slopes * (self.level - z) - np.array(self.pile.at)
                allowed = (t.encroach_mm + t.encroach_growth_mm_per_m * (self.pile.cut_off - z)) / 1000
                for n in self.pile.normals:
                    fine &= at @ np.array(n) <= allowed
        return fine

    def inside(self, slopes: np.ndarray) -> np.ndarray:
        fine = self.frame(slopes)
        for ask in self.asks:
            w = ask.away + ask.h[:, None] * slopes[:, None, :]
            fine &= np.all(np.hypot(w[..., 0], w[..., 1]) <= ask.reach, axis=1)
        return fine

    def sure(self, slopes: np.ndarray) -> np.ndarray:
        fine = self.frame(slopes)
        for ask in self.asks:
            w = (ask.away + ask.h[:, None] * slopes[:, None, :]).reshape(-1, 2)
            cov = np.tile(ask.cov, (len(slopes), 1))
            p = principal_probability(w[:, 0], w[:, 1], cov=cov, limit=np.full(len(w), ask.reach))
            fine &= np.all(p.reshape(len(slopes), -1) >= self.s.site.confidence, axis=1)
        return fine


class Drilled:
    """A random wall, one of its piles not read yet; its windows, and the brute force's answer."""

    def __init__(self, seed: int, place: int) -> None:
        site = builders.random_site(seed)
        pile_id = site.design[place]["pile_id"]
        for rows in (site.tilts, site.profiles, site.records):
            rows[:] = [row for row in rows if row["pile_id"] != pile_id]
        if place % 5 == 4:
            site.pickups[:] = [row for row in site.pickups if row["pile_id"] != pile_id]
        oracle = second.Oracle(site)
        result = reconcile(builders.to_survey(site))
        self.given = steer_input(result, place)
        self.origin = np.array(result.survey.origin)
        pile = oracle.all[pile_id]
        self.read_to = pile.cut_off - 0.4 * (pile.cut_off - pile.toe)
        self.brute = Brute(oracle, pile, self.read_to)
        self.windows = {
            "plain": (window(self.given), self.brute.inside),
            "sure": (sure_window(self.given, read_to=self.read_to), self.brute.sure),
        }


PLACES = (1, 4, 7)
CASES = [(seed, place) for seed in SEEDS for place in PLACES]


@cache
def drilled(seed: int, place: int) -> Drilled:
    return Drilled(seed, place)


def around(drill: Drilled, name: str, rng: np.random.Generator) -> np.ndarray:
    """Leans all over, and close to the edge where there is one."""
    win, _ = drill.windows[name]
    points = [rng.uniform(-0.012, 0.012, (150, 2))]
    if not win.empty:
        middle = np.array([edge.middle for edge in win.edges])[rng.integers(len(win.edges), size=60)]
        points += [middle + rng.normal(0, size, (60, 2)) for size in (1e-3, 1e-4, 2e-5)]
    return np.concatenate(points)


def boundary(inside: Any, middle: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Where rays from a lean inside leave what the brute force calls inside."""
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    low, high = np.zeros(len(angles)), np.full(len(angles), 0.2)
    for _ in range(24):
        half = (low + high) / 2
        fine = inside(middle + half[:, None] * rays)
        low, high = np.where(fine, half, low), np.where(fine, high, half)
    return middle + low[:, None] * rays


def least_distance(inside: Any, middle: np.ndarray, lean: np.ndarray) -> float:
    """Distance from a lean outside to what the brute force calls inside: rays all around, then ever closer ones."""
    angles, best = np.linspace(0, 2 * np.pi, 37)[:-1], math.inf
    width = angles[1]
    for _ in range(6):
        away = np.hypot(*(boundary(inside, middle, angles) - lean).T)
        best = min(best, float(away.min()))
        centre = angles[away.argmin()]
        angles = centre + np.linspace(-width, width, 11)
        width = angles[1] - angles[0]
    return best


@pytest.mark.parametrize("name", ["plain", "sure"])
@pytest.mark.parametrize(("seed", "place"), CASES)
def test_inside_or_outside_agrees_but_on_the_edge(seed, place, name):
    drill = drilled(seed, place)
    win, inside = drill.windows[name]
    leans = around(drill, name, np.random.default_rng(100 * seed + place))
    differs = win.contains(leans) != inside(leans)
    assert leans[differs & (np.abs(win.margin(leans)) > NEAR)].tolist() == []


@pytest.mark.parametrize("name", ["plain", "sure"])
@pytest.mark.parametrize(("seed", "place"), CASES)
def test_vertices_and_the_middles_of_edges_lie_on_the_edge(seed, place, name):
    win, inside = drilled(seed, place).windows[name]
    if win.empty:
        assert len(win.vertices) == 0
        return
    points = np.concatenate([win.vertices, [edge.middle for edge in win.edges]])
    inwards = win.middle - points
    length = np.hypot(*inwards.T)
    # windows narrower than the step are left to the test of inside and outside
    points, inwards = points[length > NEAR], (inwards / length[:, None])[length > NEAR]
    assert inside(points + NEAR * inwards).all()
    assert not inside(points - NEAR * inwards).any()


SEARCHED = [(seed, "plain") for seed in SEEDS] + [(seed, "sure") for seed in (0, 3, 6, 9, 14, 17)]


@pytest.mark.parametrize(("seed", "name"), SEARCHED)
def test_the_nearest_lean_is_as_near_as_a_fine_search_finds(seed, name):
    place = PLACES[0]
    win, inside = drilled(seed, place).windows[name]
    if win.empty or win.margin(win.middle) < NEAR:
        return
    rng = np.random.default_rng(seed)
    leans = [lean for lean in rng.uniform(-0.012, 0.012, (12, 2)) if not win.contains(lean)]
    for lean in leans[: 4 if name == "plain" else 2]:
        near = win.nearest(lean)
        assert math.dist(near, lean) == pytest.approx(least_distance(inside, win.middle, lean), abs=NEAR)
        assert abs(win.margin(near)) < 1e-9


def test_the_random_walls_show_every_kind_of_window():
    drills = [drilled(*case) for case in CASES]
    neighbours = [one for drill in drills for one in drill.given.neighbours]
    above = [ask.h.min() < 0 for drill in drills for ask in drill.brute.asks]
    # an edge fit is not as uncertain in every direction
    turned = [drill for drill in drills if drill.given.cov[1] != 0]
    seen = {
        "empty": sum(drill.windows["plain"][0].empty for drill in drills),
        "two arcs": sum(len(drill.windows["plain"][0].edges) == 2 for drill in drills),
        "one circle": sum(len(drill.windows["plain"][0].edges) == 1 for drill in drills),
        "with lines": sum(any(e.kind == "line" for e in drill.windows["plain"][0].edges) for drill in drills),
        "two normals": sum(len(drill.given.pits) == 2 for drill in drills),
        "no pickup": sum(drill.given.centre_is == "design" for drill in drills),
        "not built": sum(one.is_built == "design" for one in neighbours),
        "not read": sum(one.lean == "assumed" for one in neighbours),
        "steps or profile": sum(len(one.axes.top) > 1 for one in neighbours),
        "levels above the centre": sum(above),
        "levels below only": len(above) - sum(above),
        "edge fits": sum(not drill.windows["sure"][0].empty for drill in turned),
    }
    assert [name for name, count in seen.items() if count < 3] == []
    assert any(drill.windows["sure"][0].empty and not drill.windows["plain"][0].empty for drill in drills)
