"""Among items given the probability p, the share that truly conforms is p.

True positions and slopes are spread evenly, far beyond what the uncertainties blur (the method uses no prior), then
measured with the stated uncertainties, and the measurements are reconciled. What is measured near the edge of the even
spread is left out: it alone could tell the spread from an endless one.
"""

from __future__ import annotations

import math
from functools import lru_cache

import builders
import numpy as np
import pytest

from asbuilt.reconcile import reconcile

SEED = 20250301
SIGMAS = 4.0  # of the binomial scatter of a bin's share
COMMENCE, CUT_OFF, TOE = 4.0, -1.0, -12.0
DEPTHS = {"straight": [10.0], "stepped": [4.0, 7.0, 10.0]}  # of the readings, below COMMENCE

PICKUP, SETUP = 0.005, 0.003
READING, SYSTEMATIC, WANDER = 0.001, 0.0005, 0.0003


def bins_of(p: np.ndarray, conforms: np.ndarray, least_count: int = 40) -> list[str]:
    """Return the bins whose share conforming is farther from the mean p than sampling explains."""
    wrong = []
    for k in range(10):
        inside = (p >= k / 10) & ((p < (k + 1) / 10) | (k == 9))
        count = int(inside.sum())
        assert count >= least_count, f"bin {k}: {count} items"
        bound = SIGMAS * math.sqrt(float(np.sum(p[inside] * (1 - p[inside])))) + 0.5
        if abs(float(conforms[inside].sum()) - float(p[inside].sum())) > bound:
            wrong.append(f"bin {k}: {conforms[inside].sum()} of {count} conform, {p[inside].sum():.1f} foretold ± {bound:.1f}")
    return wrong


class Yard:
    """Piles of a straight wall with even true positions at ``z_s`` and slopes, and their measurement."""

    def __init__(self, axis: str, count: int, seed: int) -> None:
        self.axis, self.count = axis, count
        self.random = np.random.default_rng(seed)
        self.depths = DEPTHS[axis]
        self.deepest = COMMENCE - self.depths[-1]

    def readings(self, slopes: np.ndarray) -> np.ndarray:
        """Measured slopes (piles, depths, 2) of true ``slopes``, one of them per depth."""
        reading = self.random.normal(0, READING, slopes.shape)
        systematic = self.random.normal(0, SYSTEMATIC, (len(slopes), 1, 2))
        return slopes + reading + systematic

    def true_run(self, slopes: np.ndarray, z_from: float, levels: np.ndarray, wander: np.ndarray) -> np.ndarray:
        """True displacement (piles, 2) from ``z_from`` to each pile's level of ``levels``, wander included.

        Straight: the tube's slope differs from the reading by a wander of its unread length. Stepped: below the
        deepest reading the slope wanders, which adds up to a displacement of variance w² g³/3.
        """
        if self.axis == "straight":
            unread = (COMMENCE - TOE) - self.depths[-1]
            slope = slopes[:, -1] + wander * WANDER * math.sqrt(unread)
            return slope * (z_from - levels)[:, None]
        run = np.zeros((len(slopes), 2))
        ends = [-math.inf, *self.depths[:-1], math.inf]
        d1, d2 = COMMENCE - z_from, COMMENCE - levels
        for k in range(len(self.depths)):
            down = np.minimum(d2, ends[k + 1]) - max(d1, ends[k])
            run += slopes[:, k] * np.maximum(0.0, down)[:, None]
        below = np.maximum(0.0, self.deepest - levels)
        return run + wander * (WANDER * np.sqrt(below**3 / 3))[:, None]


def tilt_rows(ids: list[str], depths: list[float], measured: np.ndarray) -> list[builders.Row]:
    return [
        {
            "pile_id": pile,
            "read_at": f"2025-03-02T{8 + k:02d}:00",
            "depth": depth,
            "tilt_a": 1000 * measured[i, k, 0],
            "tilt_b": 1000 * measured[i, k, 1],
            "unit": "mm/m",
            "bearing_a_deg": 90.0,
            "bearing_b_deg": 0.0,
        }
        for i, pile in enumerate(ids)
        for k, depth in enumerate(depths)
    ]


def pickup_rows(ids: list[str], centres: np.ndarray, level: float, setups: list[str]) -> list[builders.Row]:
    return [
        {
            "point": f"C{i}",
            "pile_id": pile,
            "easting": centres[i, 0],
            "northing": centres[i, 1],
            "level": level,
            "surveyed_at": "2025-03-03T12:00",
            "setup": setups[i],
        }
        for i, pile in enumerate(ids)
    ]


def wall(count: int) -> list[builders.Row]:
    return builders.straight_wall(count, spacing=0.75, toe=TOE)


def site_text(axis: str) -> str:
    return builders.site_file(commence=COMMENCE, cut_off=CUT_OFF, formation=-8.0, interlock_to=-11.0, axis=axis)


@lru_cache(maxsize=None)
def piles(axis: str) -> dict[str, np.ndarray]:
    """Plan and verticality of piles shot at the commencing surface and cut off five metres lower."""
    count, z_s = 3000, COMMENCE
    yard = Yard(axis, count, SEED)
    slopes = np.repeat(yard.random.uniform(-0.016, 0.016, (count, 1, 2)), len(yard.depths), axis=1)
    wander = yard.random.normal(0, 1, (count, 2))
    at_cut_off = yard.random.uniform(-0.085, 0.085, (count, 2))
    down = yard.true_run(slopes, z_s, np.full(count, CUT_OFF), wander)
    design = wall(count)
    ids = [row["pile_id"] for row in design]
    nominal = np.array([[row["easting"], row["northing"]] for row in design])
    noise = yard.random.normal(0, PICKUP, (count, 2)) + yard.random.normal(0, SETUP, (count, 2))
    site = builders.Site(
        toml=site_text(axis),
        design=design,
        pickups=pickup_rows(ids, nominal + at_cut_off - down + noise, z_s, [f"S{i}" for i in range(count)]),
        tilts=tilt_rows(ids, yard.depths, yard.readings(slopes)),
    )
    found = reconcile(builders.to_survey(site)).piles.columns
    overall = yard.true_run(slopes, CUT_OFF, np.full(count, TOE), wander) / (CUT_OFF - TOE)
    measured_slope = np.hypot(found["tilt_e_mm_per_m"], found["tilt_n_mm_per_m"])
    return {
        "p_plan": found["p_plan"],
        "plan": np.hypot(*at_cut_off.T) <= 0.025,
        "plan_kept": np.maximum(abs(found["offset_e_mm"]), abs(found["offset_n_mm"])) < 60,
        "p_vertical": found["p_vertical"],
        "vertical": np.hypot(*overall.T) <= 0.005,
        "vertical_kept": measured_slope < 12,
    }


@pytest.mark.parametrize("axis", ["straight", "stepped"])
@pytest.mark.parametrize("check", ["plan", "vertical"])
def test_piles(axis, check):
    found = piles(axis)
    kept = found[f"{check}_kept"]
    assert bins_of(found[f"p_{check}"][kept], found[check][kept], least_count=20) == []


@lru_cache(maxsize=None)
def joints(axis: str) -> dict[str, np.ndarray]:
    """Joints of pairs of piles: every second joint of a long wall, so that no two share a pile."""
    pairs, z_s = 4000, 0.0
    count = 2 * pairs
    yard = Yard(axis, count, SEED + 1)
    shape = (pairs, 1, 2)
    first = yard.random.normal(0, 0.002, shape)
    apart = yard.random.uniform(-0.022, 0.022, shape)
    slopes = np.empty((count, len(yard.depths), 2))
    slopes[0::2], slopes[1::2] = first, first + apart
    wander = yard.random.normal(0, 1, (count, 2))
    centres = np.empty((count, 2))
    centres[0::2] = yard.random.normal(0, 0.01, (pairs, 2))
    centres[1::2] = centres[0::2] + yard.random.uniform(-0.16, 0.16, (pairs, 2))
    design = wall(count)
    ids = [row["pile_id"] for row in design]
    centres += np.array([[row["easting"], row["northing"]] for row in design])
    own = yard.random.normal(0, SETUP, (count, 2))
    setups = [f"S{i}" for i in range(count)]
    for k in range(0, pairs, 2):  # every second pair was shot from one set-up
        own[2 * k + 1], setups[2 * k + 1] = own[2 * k], setups[2 * k]
    site = builders.Site(
        toml=site_text(axis),
        design=design,
        pickups=pickup_rows(ids, centres + own + yard.random.normal(0, PICKUP, (count, 2)), z_s, setups),
        tilts=tilt_rows(ids, yard.depths, yard.readings(slopes)),
    )
    result = reconcile(builders.to_survey(site)).joints
    order = np.flatnonzero(np.isin(result["pile_a"], ids[0::2]))
    order = order[np.argsort(result.a[order])]
    assert list(result["pile_b"][order]) == ids[1::2]
    found = {name: result[name][order] for name in ("p_interlock", "governing_level", "overlap_cut_off_mm", "least_along_mm")}

    def true_distance(levels: np.ndarray) -> np.ndarray:
        at = centres + np.where(
            np.repeat(levels <= z_s, 2)[:, None],
            yard.true_run(slopes, z_s, np.minimum(np.repeat(levels, 2), z_s), wander),
            0.0,
        )
        return np.hypot(*(at[1::2] - at[0::2]).T)

    apart_measured = (result_slopes := yard_slopes(site, yard))[1::2] - result_slopes[0::2]
    moved = np.array([[row["easting"], row["northing"]] for row in site.pickups])
    moved = moved[1::2] - moved[0::2] - [0.75, 0.0]
    return {
        "p": found["p_interlock"],
        "conforms": true_distance(found["governing_level"]) <= 0.88 - 0.05,
        "kept": (abs(apart_measured).max(axis=(1, 2)) < 0.013) & (abs(moved).max(axis=1) < 0.12),
    }


def yard_slopes(site: builders.Site, yard: Yard) -> np.ndarray:
    """Measured slopes as written into the rows (piles, depths, 2)."""
    return np.array([[row["tilt_a"], row["tilt_b"]] for row in site.tilts]).reshape(yard.count, len(yard.depths), 2) / 1000


@pytest.mark.parametrize("axis", ["straight", "stepped"])
def test_joints_at_their_governing_level(axis):
    found = joints(axis)
    kept = found["kept"]
    assert bins_of(found["p"][kept], found["conforms"][kept]) == []
