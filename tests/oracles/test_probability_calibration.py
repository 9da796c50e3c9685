"""Among items given the probability p, the share that truly conforms is p.

True positions and slopes are spread evenly, far beyond what the uncertainties blur (the method uses no prior), and
measured with the stated uncertainties. Those measured where a limit is in question are reconciled: leaving out what is
*measured* elsewhere changes no chance, and what is measured near the edge of the even spread has to be left out, as it
alone could tell the spread from an endless one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import builders
import numpy as np
import pytest

from asbuilt.reconcile import reconcile

SEED = 20250301
SIGMAS = 4.0  # of the binomial scatter of a bin's share
LEAST_COUNT = 100  # items in a bin
COMMENCE, CUT_OFF, TOE = 4.0, -1.0, -12.0
DEPTHS = {"straight": [10.0], "stepped": [5.0, 10.0]}  # of the readings, below COMMENCE
SPACING, DIAMETER, REQUIRED = 0.75, 0.88, 0.05

PICKUP, SETUP = 0.005, 0.003
READING, SYSTEMATIC, WANDER = 0.001, 0.0005, 0.0003


def bins_of(p: np.ndarray, conforms: np.ndarray) -> list[str]:
    """Return the bins whose share conforming is farther from the mean p than sampling explains."""
    wrong = []
    for k in range(10):
        inside = (p >= k / 10) & ((p < (k + 1) / 10) | (k == 9))
        count = int(inside.sum())
        assert count >= LEAST_COUNT, f"bin {k}: {count} items"
        bound = SIGMAS * math.sqrt(float(np.sum(p[inside] * (1 - p[inside])))) + 0.5
        true, foretold = float(conforms[inside].sum()), float(p[inside].sum())
        if abs(true - foretold) > bound:
            wrong.append(f"bin {k}: {true:.0f} of {count} conform, {foretold:.1f} foretold ± {bound:.1f}")
    return wrong


def boldness(p: np.ndarray, conforms: np.ndarray) -> float:
    """Return by how many standard deviations p is too timid (positive) or too bold (negative), over all items.

    Uncertainties stated too small push every p away from a half; no single bin need show it.
    """
    lean = p - 0.5
    return float(np.sum((conforms - p) * lean) / math.sqrt(np.sum(p * (1 - p) * lean**2)))


@dataclass
class Piles:
    """Piles as they are and as measured: centres at a level relative to design, a slope for each reading."""

    axis: str
    true_centre: np.ndarray
    centre: np.ndarray
    true_slope: np.ndarray
    slope: np.ndarray
    wander: np.ndarray

    def take(self, keep: np.ndarray) -> Piles:
        return Piles(
            self.axis,
            self.true_centre[keep],
            self.centre[keep],
            self.true_slope[keep],
            self.slope[keep],
            self.wander[keep],
        )

    def true_run(self, z_from: float, levels: np.ndarray) -> np.ndarray:
        """True displacement (piles, 2) from ``z_from`` down to each pile's own level, wander included.

        Straight: the tube's slope differs from what was read by a wander of its unread length. Stepped: below the
        deepest reading the slope wanders, which adds up to a displacement of variance w² g³/3.
        """
        depths = DEPTHS[self.axis]
        if self.axis == "straight":
            unread = (COMMENCE - TOE) - depths[-1]
            slope = self.true_slope[:, -1] + self.wander * WANDER * math.sqrt(unread)
            return slope * (z_from - levels)[:, None]
        run = np.zeros_like(self.true_centre)
        ends = [-math.inf, *depths[:-1], math.inf]
        for k in range(len(depths)):
            down = np.minimum(COMMENCE - levels, ends[k + 1]) - max(COMMENCE - z_from, ends[k])
            run += self.true_slope[:, k] * np.maximum(0.0, down)[:, None]
        below = np.maximum(0.0, COMMENCE - depths[-1] - levels)
        return run + self.wander * (WANDER * np.sqrt(below**3 / 3))[:, None]


def measure(axis: str, random: np.random.Generator, centre: np.ndarray, slope: np.ndarray, set_up: np.ndarray) -> Piles:
    """Measure piles of true ``centre`` (piles, 2) and ``slope`` (piles, readings, 2) with the stated uncertainties."""
    count = len(centre)
    return Piles(
        axis=axis,
        true_centre=centre,
        centre=centre + set_up + random.normal(0, PICKUP, (count, 2)),
        true_slope=slope,
        slope=slope + random.normal(0, READING, slope.shape) + random.normal(0, SYSTEMATIC, (count, 1, 2)),
        wander=random.normal(0, 1, (count, 2)),
    )


def site_of(piles: Piles, level: float, setups: list[str]) -> builders.Site:
    """A straight wall in which ``piles`` were measured at ``level``."""
    design = builders.straight_wall(len(piles.centre), spacing=SPACING, diameter_mm=1000 * DIAMETER, toe=TOE)
    pickups, tilts = [], []
    for i, row in enumerate(design):
        pickups.append(
            {
                "point": row["pile_id"],
                "pile_id": row["pile_id"],
                "easting": row["easting"] + piles.centre[i, 0],
                "northing": row["northing"] + piles.centre[i, 1],
                "level": level,
                "surveyed_at": "2025-03-03T12:00",
                "setup": setups[i],
            }
        )
        for k, depth in enumerate(DEPTHS[piles.axis]):
            tilts.append(
                {
                    "pile_id": row["pile_id"],
                    "read_at": f"2025-03-02T{8 + k:02d}:00",
                    "depth": depth,
                    "tilt_a": 1000 * piles.slope[i, k, 0],
                    "tilt_b": 1000 * piles.slope[i, k, 1],
                    "unit": "mm/m",
                    "bearing_a_deg": 90.0,
                    "bearing_b_deg": 0.0,
                }
            )
    toml = builders.site_file(
        commence=COMMENCE,
        cut_off=CUT_OFF,
        formation=-8.0,
        interlock_to=-11.0,
        overlap_mm=1000 * REQUIRED,
        axis=piles.axis,
    )
    return builders.Site(toml=toml, design=design, pickups=pickups, tilts=tilts)


def overall_slope(piles: Piles, slope: np.ndarray) -> np.ndarray:
    """Slope from cut-off to toe by ``slope`` (piles, readings, 2), nothing below the deepest reading added."""
    still = Piles(piles.axis, piles.centre, piles.centre, slope, slope, np.zeros_like(piles.wander))
    return still.true_run(CUT_OFF, np.full(len(slope), TOE)) / (CUT_OFF - TOE)


@cache
def piles_of(axis: str, check: str) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities and truth of piles that were shot at the commencing surface and are cut off five metres lower."""
    random, count = np.random.default_rng(SEED), 250_000
    slope = random.uniform(-0.018, 0.018, (count, len(DEPTHS[axis]), 2))
    centre = random.uniform(-0.18, 0.18, (count, 2))
    piles = measure(axis, random, centre, slope, random.normal(0, SETUP, (count, 2)))
    if check == "plan":
        at_cut_off = piles.centre + piles.slope[:, 0] * (COMMENCE - CUT_OFF)
        keep = (np.hypot(*at_cut_off.T) < 0.045) & (abs(piles.slope[:, 0]).max(axis=1) < 0.011)
    else:
        keep = np.hypot(*overall_slope(piles, piles.slope).T) < 0.010
    piles = piles.take(np.flatnonzero(keep)[:5000])
    site = site_of(piles, COMMENCE, [f"S{i}" for i in range(len(piles.centre))])
    found = reconcile(builders.to_survey(site)).piles.columns
    at = np.full(len(piles.centre), CUT_OFF)
    if check == "plan":
        return found["p_plan"], np.hypot(*(piles.true_centre + piles.true_run(COMMENCE, at)).T) <= 0.025
    overall = piles.true_run(CUT_OFF, np.full(len(at), TOE)) / (CUT_OFF - TOE)
    return found["p_vertical"], np.hypot(*overall.T) <= 0.005


@pytest.mark.parametrize("axis", ["straight", "stepped"])
@pytest.mark.parametrize("check", ["plan", "vertical"])
def test_piles(axis, check):
    assert bins_of(*piles_of(axis, check)) == []


@pytest.mark.parametrize("axis", ["straight", "stepped"])
@pytest.mark.parametrize("check", ["plan", "vertical"])
def test_piles_are_neither_too_bold_nor_too_timid(axis, check):
    assert abs(boldness(*piles_of(axis, check))) < SIGMAS


@cache
def joints_of(axis: str) -> tuple[np.ndarray, np.ndarray]:
    """Joints of pairs of piles: every second joint of a long wall, so that no two share a pile.

    The pairs' difference vectors and slopes are spread evenly, each reading's by itself. One half
    was shot from one set-up each, the other half from two.
    """
    random, count, z_s = np.random.default_rng(SEED + 1), 250_000 if axis == "straight" else 900_000, 0.0
    one = random.random(count) < 0.5
    set_up = random.normal(0, SETUP, (2, count, 2))
    set_up[1, one] = set_up[0, one]
    shape = (count, len(DEPTHS[axis]), 2)
    centre_a, slope_a = random.normal(0, 0.01, (count, 2)), random.normal(0, 0.002, shape)
    centre_b = centre_a + random.uniform(-0.14, 0.14, (count, 2))
    slope_b = slope_a + random.uniform(-0.0105, 0.0105, shape)
    a = measure(axis, random, centre_a, slope_a, set_up[0])
    b = measure(axis, random, centre_b, slope_b, set_up[1])
    moved, leant = b.centre - a.centre, b.slope - a.slope
    deep = moved + leant.mean(axis=1) * 11
    keep = (
        (abs(moved).max(axis=1) < 0.107)
        & (abs(leant).max(axis=(1, 2)) < 0.004)
        & (deep[:, 0] > 0)
        & (deep[:, 0] < 0.14)
    )
    chosen = np.flatnonzero(keep)[:4000]
    a, b, one = a.take(chosen), b.take(chosen), one[chosen]
    pairs = len(chosen)

    def woven(first: np.ndarray, second: np.ndarray) -> np.ndarray:
        return np.stack([first, second], axis=1).reshape(2 * pairs, *first.shape[1:])

    piles = Piles(
        axis, *(woven(getattr(a, n), getattr(b, n)) for n in ("true_centre", "centre", "true_slope", "slope", "wander"))
    )
    setups = [f"S{i - (i % 2 if one[i // 2] else 0)}" for i in range(2 * pairs)]
    result = reconcile(builders.to_survey(site_of(piles, z_s, setups))).joints
    order = np.argsort(result.a)[::2]
    assert list(result["pile_a"][order[:3]]) == ["P1", "P3", "P5"]
    p, governing = result["p_interlock"][order], result["governing_level"][order]
    at = piles.true_centre + piles.true_run(z_s, np.repeat(governing, 2))
    return p, np.hypot(*(at[1::2] - at[0::2] + [SPACING, 0.0]).T) <= DIAMETER - REQUIRED


@pytest.mark.parametrize("axis", ["straight", "stepped"])
def test_joints_at_their_governing_level(axis):
    assert bins_of(*joints_of(axis)) == []


@pytest.mark.parametrize("axis", ["straight", "stepped"])
def test_joints_are_neither_too_bold_nor_too_timid(axis):
    assert abs(boldness(*joints_of(axis))) < SIGMAS
