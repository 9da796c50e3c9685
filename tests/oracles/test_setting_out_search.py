"""The best centre of a pile still to be drilled, against a search that knows nothing but overlaps at many levels."""

from __future__ import annotations

import functools
from collections import Counter

import numpy as np
import pytest
import shapely
from builders import Site, random_site, site_file, straight_wall, to_survey
from builders import _outline as near_outline
from steps import logged, shot

from asbuilt.compute.axes import axis_positions
from asbuilt.compute.joints import overlap_for_chord
from asbuilt.compute.setting_out import STATES, advise
from asbuilt.reconcile import reconcile

#: [m]: a hundredth of a millimetre.
CLOSE = 1e-5
SEEDS = range(10)
WAYS = {
    "along": "play_mm = 15",
    "along, wide": "play_mm = 80",
    "across": "play_mm = 15\nacross_wall = true",
    "across, wide": "play_mm = 90\nacross_wall = true",
    "across, no limit": "play_mm = 5000\nacross_wall = true",
}


def partly_built(seed, way):
    """A random wall of which two fifths of the piles are not begun, some of these with an approved centre."""
    site, rng = random_site(seed), np.random.default_rng(seed)
    missing = {row["pile_id"] for row in site.design if rng.random() < 0.4}
    tables = {
        name: [row for row in getattr(site, name) if row["pile_id"] not in missing]
        for name in ("pickups", "tilts", "profiles", "records")
    }
    approved = [
        {
            "pile_id": row["pile_id"],
            "easting": row["easting"] + rng.normal(0, 0.01),
            "northing": row["northing"] + rng.normal(0, 0.01),
            "approved_by": "the engineer",
            "at": "2025-03-01",
        }
        for row in site.design
        if row["pile_id"] in missing and rng.random() < 0.3
    ]
    # the permanent works so near that they are felt
    row = sorted((r for r in site.design if r.get("position") is not None), key=lambda r: r["position"])
    outline = site.outline and near_outline(row, "closed = true" in site.toml, gap=0.004)
    return site.with_rows(**tables, set_out=approved, outline=outline, toml=f"{site.toml}\n[set_out]\n{WAYS[way]}\n")


class Pile:
    """One pile to set out, worked out by hand: every neighbour at every vertex of its axis and at many levels between.

    ``least(at)``: least overlap less that asked for, at centres (k, 2); ``may(at)``: whether they may be taken.
    """

    def __init__(self, result, place):
        self.result, self.place = result, place
        self.s, self.piles = result.survey.settings, result.piles
        self.design = np.array([self.piles.design_e[place], self.piles.design_n[place]])
        self.radius = result.survey.design["diameter_mm"][place] / 2000
        self.outline = result.survey.clear_outline
        if self.outline is not None:
            self.outline = shapely.transform(self.outline, lambda xy: xy - np.array(result.survey.origin))
        self.points, self.reach = [], []
        for k in range(len(result.joints)):
            ends = [int(result.joints.a[k]), int(result.joints.b[k])]
            if place in ends and result.joints["design_overlap_mm"][k] >= 0:
                ends.remove(place)
                self._tie(k, ends[0])
        self.points, self.reach = np.vstack(self.points), np.concatenate(self.reach)

    def _tie(self, joint, other):
        axes, joints, t = self.result.axes, self.result.joints, self.s.tolerance
        top, bottom = joints["range_top"][joint], joints["range_bottom"][joint]
        if not np.isnan(joints.toe_level[joint]):
            bottom = max(bottom, joints.toe_level[joint])
        levels = np.r_[np.linspace(top, bottom, 12), axes.top[axes.start[other] : axes.start[other + 1]]]
        levels = levels[(levels <= top) & (levels >= bottom)]
        if np.isnan(axes.surveyed_level[other]):
            at = np.array([[self.piles.set_out_e[other], self.piles.set_out_n[other]]])
        else:
            at = np.column_stack([x[0] for x in axis_positions(axes, np.array([other]), levels[None])])
        radius = self.piles.radius[other]
        asked = t.overlap_mm / 1000
        if t.chord_mm is not None:
            chord = overlap_for_chord(t.chord_mm / 1000, np.array([self.radius]), np.array([radius]))
            asked = max(asked, float(chord[0]))
        self.points.append(at)
        self.reach.append(np.full(len(at), self.radius + radius - asked))

    def least(self, at):
        away = np.hypot(*(at[:, None, :] - self.points).transpose(2, 0, 1))
        return (self.reach - away).min(axis=1)

    def inside(self, at):
        """How far the face stands inside the outline [m]."""
        points = shapely.points(at)
        depth = np.where(
            shapely.intersects(points, self.outline),
            shapely.distance(points, self.outline.boundary),
            -shapely.distance(points, self.outline),
        )
        return self.radius + self.s.tolerance.overbreak_mm / 1000 + depth

    def may(self, at, slack=1e-8):
        off = at - self.design
        kept = np.hypot(*off.T) <= self.s.set_out.play_mm / 1000 + slack
        if self.s.tolerance.encroach_mm is not None:
            for normal in self.normals():
                kept &= off @ normal <= self.s.tolerance.encroach_mm / 1000 + slack
        if self.outline is not None:
            most = max(self.s.tolerance.clear_mm / 1000, float(self.inside(self.design[None])[0]))
            kept &= self.inside(at) <= most + slack
        return kept

    def normals(self):
        """Normals to the pit of the sides that meet at the pile; those of the pile itself off the line of the wall."""
        piles, joints = self.piles, self.result.joints
        own = np.array([piles.pit_e[self.place], piles.pit_n[self.place]])
        design = self.result.survey.design
        found = []
        for a, b in zip(joints.a.tolist(), joints.b.tolist(), strict=True):
            if self.place in (a, b) and not np.isnan(design["position"][[a, b]]).any():
                step = np.array([piles.design_e[b] - piles.design_e[a], piles.design_n[b] - piles.design_n[a]])
                square = np.array([-step[1], step[0]]) / np.hypot(*step)
                found.append(square if square @ own > 0 else -square)
        return found or [own]

    def search(self):
        """Return the greatest ``least`` of many tries, ever closer around the best ones."""
        play = self.s.set_out.play_mm / 1000
        # farther off than the neighbours no centre is better
        reach = min(play, 1.2)
        if not self.s.set_out.across_wall:
            line = np.array([self.piles.along_e[self.place], self.piles.along_n[self.place]])
            shape = np.linspace(-1, 1, 801)[:, None] * line
            starts = 1
        else:
            shape = np.stack(np.meshgrid(*[np.linspace(-1, 1, 25)] * 2), axis=-1).reshape(-1, 2)
            starts = 4 if self.outline is not None else 1
        # about each of the best of a first net, thrown anew and closer every time: one at rest would stall in a corner
        rng = np.random.default_rng(7)
        first = np.vstack([self.design, self.design + reach * shape])
        values = np.where(self.may(first), self.least(first), -np.inf)
        best = -np.inf
        for k in np.argsort(-values)[:starts]:
            at, width = first[k], reach / 10
            for _ in range(90):
                thrown = rng.normal(size=(400, 2)) if self.s.set_out.across_wall else rng.normal(size=(60, 1)) * line
                tries = np.vstack([at, at + width * thrown])
                found = np.where(self.may(tries), self.least(tries), -np.inf)
                at, width = tries[found.argmax()], width * 0.87
            best = max(best, float(found.max()))
        return best


@functools.cache
def sought(seed, way):
    """Pairs of what was found for a pile and the same worked out by hand."""
    result = reconcile(to_survey(partly_built(seed, way)))
    found = advise(result)
    looked = np.flatnonzero(np.isin(found.state, (STATES.index("move"), STATES.index("stay"))))
    along = ~np.isnan(result.piles.along_e[found.pile])
    return [(found, k, Pile(result, int(found.pile[k]))) for k in looked.tolist() if along[k]]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("seed", SEEDS)
def test_no_centre_is_better(seed, way):
    for found, k, pile in sought(seed, way):
        centre = np.array([[found.best_e[k], found.best_n[k]]])
        assert pile.may(centre).all()
        assert found.best_spare[k] == pytest.approx(float(pile.least(centre)[0]), abs=1e-9)
        assert found.best_spare[k] == pytest.approx(pile.search(), abs=CLOSE)
        design = np.array([[found.e[k] - found.move_e[k], found.n[k] - found.move_n[k]]])
        assert found.design_spare[k] == pytest.approx(float(pile.least(design)[0]), abs=1e-9)


def test_every_limit_is_met_by_some_of_them():
    met = Counter()
    for way in WAYS:
        for seed in SEEDS:
            met.update((way, str(found.held_by[k])) for found, k, _ in sought(seed, way))
    assert {(way, "play") for way in ("along", "along, wide", "across", "across, wide")} <= met.keys()
    assert {("across", ""), ("along", ""), ("across, no limit", ""), ("across, no limit", "pit")} <= met.keys()
    assert {("along", "clear outline"), ("across", "clear outline")} <= met.keys()


@pytest.mark.parametrize("seed", range(40))
def test_with_equal_radii_and_no_limits_it_is_the_smallest_circle(seed):
    """Both neighbours built, leaning any way: the centre of the smallest circle around the points of their axes."""
    rng = np.random.default_rng(seed)
    design = straight_wall(3)
    profiles, pickups = [], []
    for row in (design[0], design[2]):
        e = n = 0.0
        profile = []
        for depth in range(0, 15, 2):
            e, n = e + rng.normal(0, 12), n + rng.normal(0, 12)
            profile.append((float(depth), e, n))
        profiles += logged(row["pile_id"], *profile)
        off = rng.normal(0, 0.02, 2)
        pickups.append(shot(row["pile_id"], row["easting"] + off[0], row["northing"] + off[1]))
    site = Site(
        toml=site_file(more_tolerance="") + "\n[set_out]\nacross_wall = true\nplay_mm = 1e4\n",
        design=design,
        pickups=pickups,
        profiles=profiles,
    )
    result = reconcile(to_survey(site))
    found = advise(result, [1])
    levels = np.r_[3.2, -9.5, 4.0 - np.arange(2.0, 13.0, 2.0)]
    points = [
        np.column_stack([x[0] for x in axis_positions(result.axes, np.array([p]), levels[None])]) for p in (0, 2)
    ]
    axes = shapely.MultiPoint(np.vstack(points))
    circle = shapely.minimum_bounding_circle(axes)
    assert found.best_spare[0] == pytest.approx(0.88 - 0.05 - shapely.minimum_bounding_radius(axes), abs=1e-9)
    centre = shapely.get_coordinates(circle.centroid)[0]
    assert (found.best_e[0], found.best_n[0]) == pytest.approx(tuple(centre), abs=1e-6)
