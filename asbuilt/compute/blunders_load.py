"""Is a whole load shifted, turned or scaled? One test for each instrument set-up of it, and one for all together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pandas import DataFrame, factorize
from scipy.special import chndtrinc, ndtri

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_groups import FALSE_ALARM, plan_limit

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.compute.blunders_groups import Ground, Groups
    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.settings import Settings

__all__ = ["BATCH_M", "PLACING_M", "LoadFit", "Scatter", "fit_load", "points_of_loads", "scatter_of_loads"]

#: Scatter of piles about their design centres until earlier loads tell it [m, per component].
PLACING_M = 0.012
#: Scatter of whole loads until earlier loads tell it [m, per component].
BATCH_M = 0.004
#: The two figures above count as much as this many piles, and loads, of this site.
_PRIOR_PILES, _PRIOR_LOADS = 10, 2
#: Earlier loads needed before their own spread counts.
_FEWEST_LOADS = 3
#: A load of fewer piles cannot tell a shift of the load from misplaced piles.
_FEWEST = 3
#: Piles needed for a turn and a scale.
_FEWEST_TO_TURN = 6
#: What moves no pile by more than this is not worth a question [m].
_SMALLEST = 0.010
#: Share of a load's piles that must follow a shift, turn or scale before the load is said to have one.
_SHARE = 0.6
#: Chance of showing what is called detectable.
_POWER = 0.8
#: Least share of a column's length that the other columns must leave it, for its factor to be told apart.
_APART = 0.05
_STEPS = 20
#: In plan half of all deviations lie within this many standard deviations, squared.
_MEDIAN = 2.0 * np.log(2.0)
_FACE = OBJECTS.index("face")


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """How piles scatter within a load (``placing``) and loads among themselves (``batch``), per component [m].

    ``piles``, ``loads``: how many of this site stand behind it.
    """

    placing: float
    batch: float
    piles: int
    loads: int


def points_of_loads(groups: Groups, *, usable: Booleans) -> Integers:
    """Return the places of the groups that stand for their pile in their set-up: one for each pile and set-up.

    Faces are not among them: they carry the bending of the wall.
    """
    rows = np.flatnonzero(groups.solved & (groups.object != _FACE) & usable)
    key = np.column_stack([groups.setup[rows], groups.file[rows], groups.pile[rows]])
    _, first = np.unique(key, axis=0, return_index=True)
    places: Integers = rows[np.sort(first)]
    return places


def scatter_of_loads(groups: Groups, ground: Ground, settings: Settings) -> Scatter:
    """Return the scatter that the loads already in the folder show, robust against blunders among them.

    Notes
    -----
    Within loads: the median of the squared deviations from their load's median, over 2·ln 2. Among loads: the same of
    the loads' means, less what the piles' own scatter gives them, from three loads on. Both are averaged with
    :data:`PLACING_M` and :data:`BATCH_M`, which count as ten piles and two loads; ``setup_mm`` is the least batch.
    """
    least = max(settings.uncertainty.setup_mm / 1000.0, 0.0)
    rows = points_of_loads(groups, usable=np.ones(len(groups), dtype=np.bool_))
    pile = groups.pile[rows]
    unit = factorize(groups.setup[rows] * (len(ground.files) + 1) + groups.file[rows])[0]
    offsets = DataFrame({"e": groups.e[rows] - ground.e[pile], "n": groups.n[rows] - ground.n[pile]})
    count = np.bincount(unit)[unit] if len(unit) else np.empty(0, dtype=np.int64)
    enough = count >= _FEWEST
    if not enough.any():
        return Scatter(placing=PLACING_M, batch=max(BATCH_M, least), piles=0, loads=0)
    offsets, unit = offsets[enough], unit[enough]
    middle = offsets.groupby(unit).transform("median")
    square = ((offsets - middle) ** 2).sum(axis=1).to_numpy()
    loads, piles = len(np.unique(unit)), len(unit)
    within = float(np.median(square)) / _MEDIAN * piles / max(piles - loads, 1)
    placing = (_PRIOR_PILES * PLACING_M**2 + piles * within) / (_PRIOR_PILES + piles)
    batch = BATCH_M**2
    if loads >= _FEWEST_LOADS:
        near = square <= plan_limit(piles) * max(within, PLACING_M**2)
        kept = offsets[near].groupby(unit[near])
        means, sizes = kept.mean(), kept.size().to_numpy()
        among = float(np.median((means**2).sum(axis=1))) / _MEDIAN - float(np.median(placing / sizes))
        batch = (_PRIOR_LOADS * BATCH_M**2 + loads * max(among, 0.0)) / (_PRIOR_LOADS + loads)
    return Scatter(placing=placing**0.5, batch=max(batch**0.5, least), piles=piles, loads=loads)


@dataclass(frozen=True, kw_only=True)
class LoadFit:
    """What one set-up's piles, or all of a load's, say of a shift, a turn and a scale.

    Lengths [m], ``turn`` [rad, counter-clockwise], ``scale`` (0: true to size). ``middle``: where the shift holds,
    reduced.
    ``shift_statistic`` against ``shift_limit``; ``turn`` and ``scale`` against their standard deviations times
    ``factor``; NaN where the load cannot tell. ``seen_*``: the size that would have been found four times in five.
    ``extent`` [m]: distance of the farthest pile from the middle.
    """

    points: Integers
    inliers: Booleans
    middle: tuple[float, float]
    shift: tuple[float, float]
    shift_statistic: float
    shift_limit: float
    seen_shift: float
    turn: float
    turn_sigma: float
    scale: float
    scale_sigma: float
    factor: float
    extent: float
    placing: float
    batch: float
    inwards: float
    """Mean movement towards the pit [m]; NaN where the piles have no pit."""

    @property
    def shifted(self) -> bool:
        """Whether the load lies off as a whole."""
        return self.shift_statistic > self.shift_limit and float(np.hypot(*self.shift)) > _SMALLEST

    @property
    def turned(self) -> bool:
        """Whether the load is turned."""
        return self._found(self.turn, self.turn_sigma)

    @property
    def scaled(self) -> bool:
        """Whether the load's lengths are too long or too short."""
        return self._found(self.scale, self.scale_sigma)

    def _found(self, value: float, sigma: float) -> bool:
        return abs(value) > self.factor * sigma and abs(value) * self.extent > _SMALLEST

    @property
    def found(self) -> bool:
        """Whether there is anything of the three."""
        return self.shifted or self.turned or self.scaled

    def seen(self, sigma: float) -> float:
        """Return the turn or scale of standard deviation ``sigma`` that would have been found four times in five."""
        return (self.factor + float(ndtri(_POWER))) * sigma

    def explained(self, e: Floats, n: Floats) -> tuple[Floats, Floats]:
        """Return by how much (k,), (k,) [m] points where (e, n) is measured lie off because of what was found."""
        if not self.found:
            return np.zeros_like(e), np.zeros_like(n)
        turn, scale = np.nan_to_num((self.turn, self.scale)) if self.turned or self.scaled else (0.0, 0.0)
        x = np.column_stack([e - self.middle[0] - self.shift[0], n - self.middle[1] - self.shift[1]])
        a, b = (1.0 + scale) * np.cos(turn), (1.0 + scale) * np.sin(turn)
        true = np.column_stack([a * x[:, 0] + b * x[:, 1], -b * x[:, 0] + a * x[:, 1]]) / (a * a + b * b)
        return e - self.middle[0] - true[:, 0], n - self.middle[1] - true[:, 1]


def fit_load(
    groups: Groups,
    ground: Ground,
    alignment: Alignment,
    *,
    points: Integers,
    scatter: Scatter,
    setups: int,
    tests: int,
) -> LoadFit | None:
    """Return what the piles at ``points`` say of their load, None where they are too few or agree on nothing.

    Parameters
    ----------
    points : (p,) array of int
        Places of the groups, one for each pile, gross blunders left out.
    setups : int
        How many set-ups they come from: each has a common error of its own.
    tests : int
        How many such fits share the false-alarm rate.

    Notes
    -----
    Shift: m̄ᵀ[(σ_pos²/n + σ_batch²)·I]⁻¹m̄ > 13.8 and |m̄| > 10 mm, m̄ the mean offset. Turn and scale: least squares
    for shift, turn, scale and, where it can be told apart from them, the mean movement towards the pit; each against
    3.29 standard deviations (0.1 %, two-sided). Piles off the fit by more than scatter explains are left out of it.
    """
    count = len(points)
    if count < _FEWEST:
        return None
    pile = groups.pile[points]
    place = np.column_stack([ground.e[pile], ground.n[pile]])
    off = np.column_stack([groups.e[points], groups.n[points]]) - place
    model = _Model(place, off, alignment.pit[pile], groups.var[points] + scatter.placing**2)
    if not model.settle():
        return None
    inliers = model.inliers
    number = int(inliers.sum())
    placing = model.placing(scatter)
    variance = placing**2 / number + scatter.batch**2 / setups
    shift = off[inliers].mean(axis=0)
    limit = plan_limit(tests)
    turn, turn_sigma, scale, scale_sigma = model.turn_and_scale(placing)
    pit = alignment.pit[pile][inliers]
    known = np.isfinite(pit).all(axis=1)
    x = place[inliers] - model.middle
    return LoadFit(
        points=points,
        inliers=inliers,
        middle=(float(model.middle[0]), float(model.middle[1])),
        shift=(float(shift[0]), float(shift[1])),
        shift_statistic=float(shift @ shift / variance),
        shift_limit=limit,
        seen_shift=float(np.sqrt(chndtrinc(limit, 2, 1.0 - _POWER) * variance)),
        turn=turn,
        turn_sigma=turn_sigma,
        scale=scale,
        scale_sigma=scale_sigma,
        factor=float(-ndtri(FALSE_ALARM / tests / 2.0)),
        extent=float(np.hypot(x[:, 0], x[:, 1]).max()),
        placing=placing,
        batch=scatter.batch,
        inwards=float(np.sum(off[inliers][known] * pit[known], axis=1).mean()) if known.any() else np.nan,
    )


class _Model:
    """Offsets as shift, turn, scale and movement towards the pit, fitted to the piles that follow it."""

    def __init__(self, place: Floats, off: Floats, pit: Floats, variance: Floats) -> None:
        self.place, self.off, self.pit, self.variance = place, off, pit, variance
        self.count = len(place)
        self.full = self.count >= _FEWEST_TO_TURN
        self.middle = place.mean(axis=0)
        self.inliers = np.ones(self.count, dtype=np.bool_)

    def settle(self) -> bool:
        """Find the piles that follow one shift, turn and scale; False where too few do."""
        limit = plan_limit(self.count) * self.variance
        best: Booleans = np.zeros(self.count, dtype=np.bool_)
        for start in (self._median, *((self._pairs,) if self.full else ())):
            if best.all():
                break
            inliers = np.sum(start() ** 2, axis=1) <= limit
            for _ in range(_STEPS):
                if inliers.sum() < max(_FEWEST, _SHARE * self.count):
                    break
                self.inliers = inliers
                after = np.sum(self._residuals() ** 2, axis=1) <= limit
                if (after == inliers).all():
                    break
                inliers = after
            if inliers.sum() > best.sum():
                best = inliers
        if best.sum() < max(_FEWEST, _SHARE * self.count):
            return False
        self.inliers = best
        self.full = bool(best.sum() >= _FEWEST_TO_TURN)
        self.middle = self.place[best].mean(axis=0)
        return True

    def _median(self) -> Floats:
        """Return the residuals of a shift alone."""
        residual: Floats = self.off - np.median(self.off, axis=0)
        return residual

    def _pairs(self) -> Floats:
        """Return the residuals of a similarity through the medians over pairs of piles."""
        z, d = self.place @ (1.0, 1.0j), self.off @ (1.0, 1.0j)
        steps = np.unique(np.linspace(1, self.count - 1, min(self.count - 1, 64)).astype(int))
        apart = np.concatenate([np.roll(z, -k) - z for k in steps])
        slope = np.concatenate([np.roll(d, -k) - d for k in steps])[np.abs(apart) > 0] / apart[np.abs(apart) > 0]
        turn = np.median(slope.real) + 1j * np.median(slope.imag) if len(slope) else 0.0
        rest = d - turn * (z - self.middle @ (1.0, 1.0j))
        rest = rest - (np.median(rest.real) + 1j * np.median(rest.imag))
        return np.column_stack([rest.real, rest.imag])

    def _columns(self, rows: Booleans) -> Floats:
        """Return the model's matrix (2k, 2 or 4 or 5), eastings first: shift, scale, turn, towards the pit."""
        x = self.place[rows] - self.place[rows].mean(axis=0)
        one, none = np.ones(len(x)), np.zeros(len(x))
        columns = [np.r_[one, none], np.r_[none, one]]
        if self.full:
            columns += [np.r_[x[:, 0], x[:, 1]], np.r_[-x[:, 1], x[:, 0]]]
            pit = np.r_[self.pit[rows][:, 0], self.pit[rows][:, 1]]
            if np.isfinite(pit).all() and _left(pit, np.column_stack(columns[:2])) > _APART:
                columns.append(pit)
        return np.column_stack(columns)

    def _residuals(self) -> Floats:
        """Return every pile's residual (k, 2) from the fit to the inliers."""
        a = self._columns(self.inliers)
        b = self.off[self.inliers].T.ravel()
        p = np.zeros(5)
        p[: a.shape[1]] = np.linalg.lstsq(a, b, rcond=1e-9)[0]
        x = self.place - self.place[self.inliers].mean(axis=0)
        turned = np.column_stack([-x[:, 1], x[:, 0]])
        inwards = p[4] * np.nan_to_num(self.pit)
        residual: Floats = self.off - (p[:2] + p[2] * x + p[3] * turned + inwards)
        return residual

    def placing(self, scatter: Scatter) -> float:
        """Return the piles' scatter per component [m]: of earlier loads, and of this one's own residuals."""
        residual = self._residuals()[self.inliers]
        free = max(2 * int(self.inliers.sum()) - (4 if self.full else 2), 1)
        own = float(np.sum(residual**2)) / free
        behind = _PRIOR_PILES + scatter.piles
        number = int(self.inliers.sum())
        return float(np.sqrt((behind * scatter.placing**2 + number * own) / (behind + number)))

    def turn_and_scale(self, placing: float) -> tuple[float, float, float, float]:
        """Return turn, its standard deviation, scale, its standard deviation; NaN where they cannot be told."""
        if not self.full:
            return np.nan, np.nan, np.nan, np.nan
        a = self._columns(self.inliers)
        p = np.linalg.lstsq(a, self.off[self.inliers].T.ravel(), rcond=1e-9)[0]
        q = np.linalg.pinv(a.T @ a, rcond=1e-12)
        told = [_left(a[:, k], np.delete(a, k, axis=1)) > _APART for k in (2, 3)]
        sigma = [placing * np.sqrt(q[k, k]) if fine else np.nan for k, fine in zip((2, 3), told, strict=True)]
        # w = (1 + scale, turn)·x: to the angle and the factor
        turn, scale = np.arctan2(p[3], 1.0 + p[2]), np.hypot(1.0 + p[2], p[3]) - 1.0
        return (
            float(turn) if told[1] else np.nan,
            float(sigma[1]),
            float(scale) if told[0] else np.nan,
            float(sigma[0]),
        )


def _left(column: Floats, others: Floats) -> float:
    """Return the share of a column's squared length that the other columns do not explain."""
    length = float(column @ column)
    if length == 0:
        return 0.0
    rest = column - others @ np.linalg.lstsq(others, column, rcond=1e-9)[0]
    return float(rest @ rest) / length
