"""The whole wall: bias and scatter, joints not sound at each level, chances, what the design itself allows.

Findings about the survey or the design as a whole come from :mod:`asbuilt.compute.budget`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from pandas import factorize

from asbuilt.columns import KINDS
from asbuilt.compute.budget import design_margin, tolerance_budget
from asbuilt.compute.stages import sure_levels
from asbuilt.compute.verdicts import NOT_SURVEYED, SLACK_M, WITHIN
from asbuilt.model import WallGroup, WallStatistics

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Booleans, Floats, Integers, Joints, Piles, Table, Texts
    from asbuilt.settings import Settings

__all__ = ["at_least_one", "confidence_ellipse", "rank_by_head", "wall_statistics"]

#: Chance left outside the confidence ellipse of a mean.
_OUTSIDE_ELLIPSE = 0.05


def wall_statistics(
    *,
    settings: Settings,
    design: Table,
    piles: Piles,
    joints: Joints,
    bias_e: Floats,
    bias_n: Floats,
    load_of_pile: Texts,
    rig_of_pile: Texts,
    p_open: Floats,
) -> WallStatistics:
    """Return bias and scatter by group, joints not sound by level, chances, and what the design allows.

    Parameters
    ----------
    settings : Settings
        Levels of the walls.
    design : Table
        The design table of n piles.
    piles : Piles
        Results over the n piles; ``allowed_mm`` and ``allowed_mm_per_m`` stand there for every pile, built or
        not. Omitted piles (not ``expected``) count nowhere.
    joints : Joints
        Results over the m joints.
    bias_e, bias_n : (n,) arrays
        As-built centre at cut-off minus the centre set out (the approved one, else design) [m]; NaN where it
        was not surveyed.
    load_of_pile, rig_of_pile : (n,) arrays of str or None
        File of the governing pickup, rig of the governing record.
    p_open : (m,) array
        Chance that each joint is open, at the level where that is likeliest; NaN where not surveyed.

    Notes
    -----
    Means, scatter (n - 1), RMS and 95th percentile are of the bias; shares are of the piles whose
    plan position was measured, against the contract's design centres and tolerances. The curves count joints
    from the top down: lost, or not sure, at that level or at one above it; and not surveyed in a range that
    begins there or above. A joint that was not surveyed may be sound or not: it takes the upper bound of a
    chance to 1.
    """
    # below a toe that is too high a joint is open for certain; where the design leaves a gap none is meant to be
    meant = design_margin(design=design, piles=piles, joints=joints) >= -SLACK_M
    open_below_toe = ~np.isnan(joints.toe_level)
    lost = np.where(open_below_toe, 1.0, 1.0 - np.asarray(joints["p_interlock"], dtype=np.float64))
    opened = np.where(open_below_toe, 1.0, p_open)
    level, lost_below, not_sure, not_surveyed = _curves(joints)
    depths, _ = tolerance_budget(settings=settings, design=design, piles=piles, joints=joints)
    wall = np.where(meant, joints["wall"], "")
    walls = [name for name in settings.walls if (wall == name).any()]
    order, head = rank_by_head(settings=settings, joints=joints)
    return WallStatistics(
        groups=_groups(design, piles, np.column_stack([bias_e, bias_n]), load_of_pile, rig_of_pile),
        curve_level=level,
        curve_lost=lost_below,
        curve_not_sure=not_sure,
        curve_not_surveyed=not_surveyed,
        chance_lost=at_least_one(lost[meant]),
        chance_open=at_least_one(opened[meant]),
        depth_guaranteed={name: float(depths[wall == name].min()) for name in walls},
        by_head=tuple(zip(joints["joint_id"][order].tolist(), head[order].tolist(), strict=True)),
    )


# ------------------------------------------------------------------------------------- bias and scatter


def confidence_ellipse(count: Integers, cov: Floats) -> Floats:
    """Return the 95 % confidence ellipse of the mean of a plane normal sample.

    Parameters
    ----------
    count : (g,) array of int
        Sizes of the samples.
    cov : (g, 3) array
        Sample covariances (n - 1): first-first, first-second, second-second [mm²].

    Returns
    -------
    (g, 3) array
        Half axes, the major one first [mm]; bearing of the major axis, clockwise from the second component
        towards the first, 0 up to 180 [deg]. NaN for fewer than three.

    Notes
    -----
    Half axes √(λ/n · T²), λ the eigenvalues of the covariance, T² = 2(n - 1)/(n - 2) · F(0.95; 2,
    n - 2). On two and m degrees of freedom F has the closed form m/2 · (0.05^(-2/m) - 1).

    References
    ----------
    Hotelling (1931); Johnson & Wichern, *Applied Multivariate Statistical Analysis*, section 5.4.
    """
    a, b, c = cov.T
    enough = count >= 3
    n = np.where(enough, count, 3).astype(np.float64)
    t_squared = (n - 1.0) * (_OUTSIDE_ELLIPSE ** (-2.0 / (n - 2.0)) - 1.0)
    middle, reach = (a + c) / 2.0, np.hypot((a - c) / 2.0, b)
    major = np.sqrt((middle + reach) / n * t_squared)
    minor = np.sqrt(np.maximum(middle - reach, 0.0) / n * t_squared)
    bearing = np.degrees(0.5 * np.arctan2(2.0 * b, c - a)) % 180.0
    return np.where(enough[:, None], np.column_stack([major, minor, bearing]), np.nan)


def _groups(
    design: Table, piles: Piles, bias: Floats, load_of_pile: Texts, rig_of_pile: Texts
) -> tuple[WallGroup, ...]:
    walls = design["wall"]
    kinds = np.asarray(design["kind"], dtype=np.int64)
    in_side = np.column_stack(
        [
            bias[:, 0] * piles.pit_e + bias[:, 1] * piles.pit_n,
            bias[:, 0] * piles.along_e + bias[:, 1] * piles.along_n,
        ]
    )
    everything = np.zeros(len(design), dtype=np.int64)
    groups = list(_statistics("all", everything, ["all"], piles, bias))
    whole = groups[0]
    for by, codes, names in (
        ("wall", *_coded(walls)),
        ("side", *_sides(walls, piles.side)),
        ("kind", kinds, KINDS),
        ("load", *_coded(load_of_pile)),
        ("rig", *_coded(rig_of_pile)),
    ):
        if by != "side" and len(names) == 1 and not codes[piles.expected].any():
            # one group of all piles: its figures are known
            groups.append(replace(whole, by=by, name=names[0]))
        else:
            groups += _statistics(by, codes, names, piles, in_side if by == "side" else bias)
    return tuple(groups)


def _coded(values: Texts) -> tuple[Integers, list[str]]:
    """Return the place of each value among the distinct ones, -1 for None; and these, sorted."""
    codes, names = factorize(values, sort=True)
    return codes.astype(np.int64), [str(name) for name in names]


def _sides(walls: Texts, side: Integers) -> tuple[Integers, list[str]]:
    """Return the place of each pile's side, -1 for none; and the sides' names, from 1 within each wall."""
    numbers, first, codes = np.unique(side, return_index=True, return_inverse=True)
    none = int((numbers < 0).sum())
    names: list[str] = []
    for wall in walls[first[none:]].tolist():
        before = sum(name.startswith(f"{wall} side ") for name in names)
        names.append(f"{wall} side {before + 1}")
    return codes.reshape(-1) - none, names


@dataclass(frozen=True, kw_only=True)
class _Grouping:
    """Piles sorted into ``size`` groups by ``codes``; sums and shares by group."""

    codes: Integers
    size: int

    @property
    def _narrow(self) -> npt.NDArray[np.integer[Any]]:
        """Return the codes in as few bits as they need: NumPy sorts 16 bits by radix."""
        return self.codes.astype(np.int16 if self.size < np.iinfo(np.int16).max else np.int64)

    def sum(self, rows: Booleans, weights: Floats | None = None) -> Floats:
        picked = None if weights is None else weights[rows]
        sums: Floats = np.bincount(self.codes[rows], picked, minlength=self.size).astype(np.float64)
        return sums

    def share(self, part: Floats, whole: Floats) -> Floats:
        found = np.full(self.size, np.nan)
        np.divide(part, whole, out=found, where=whole > 0)
        return found

    def mean(self, rows: Booleans, values: Floats) -> Floats:
        return self.share(self.sum(rows, values), self.sum(rows))

    def percentile_95(self, rows: Booleans, values: Floats) -> Floats:
        """Interpolate between the two values nearest to place 0.95·(n - 1), as ``numpy.percentile``."""
        count = self.sum(rows).astype(np.int64)
        # by value first, then a stable sort by group: quick where the groups are few or already stand together
        ranked = np.flatnonzero(rows)[np.argsort(values[rows])]
        ordered = values[ranked[np.argsort(self._narrow[ranked], kind="stable")]]
        found = np.full(self.size, np.nan)
        some = np.flatnonzero(count)
        start = (np.cumsum(count) - count)[some]
        place = 0.95 * (count[some] - 1)
        low = np.floor(place).astype(np.int64)
        high = np.minimum(low + 1, count[some] - 1)
        below, above = ordered[start + low], ordered[start + high]
        found[some] = below + (place - low) * (above - below)
        return found


def _statistics(
    by: str, codes: Integers, names: Sequence[str], piles: Piles, offset: Floats
) -> list[WallGroup]:
    """Return the statistics of every group that has a pile; ``offset`` (n, 2) in the group's frame [m]."""
    if not names:
        return []
    group = _Grouping(codes=codes, size=len(names))
    member = (codes >= 0) & piles.expected
    used = member & np.isfinite(offset).all(axis=1)
    pair = offset * 1000.0
    length = np.hypot(pair[:, 0], pair[:, 1])
    mean = np.column_stack([group.mean(used, pair[:, axis]) for axis in (0, 1)])
    d = pair - mean[codes]
    count = group.sum(used)
    products = ((0, 0), (0, 1), (1, 1))
    cov = np.column_stack([group.share(group.sum(used, d[:, i] * d[:, j]), count - 1.0) for i, j in products])
    ellipse = confidence_ellipse(count.astype(np.int64), cov)
    figures = np.column_stack(
        [
            np.sqrt(group.mean(used, length**2)),
            group.percentile_95(used, length),
            *_shares(group, member, piles),
        ]
    ).tolist()
    return [
        WallGroup(
            by=by,
            name=names[g],
            count=int(count[g]),
            frame="towards the pit, along" if by == "side" else "E, N",
            mean_mm=(float(mean[g, 0]), float(mean[g, 1])),
            scatter_mm=(float(np.sqrt(cov[g, 0])), float(np.sqrt(cov[g, 2]))),
            ellipse=(float(ellipse[g, 0]), float(ellipse[g, 1]), float(ellipse[g, 2]))
            if count[g] >= 3
            else None,
            rms_mm=figures[g][0],
            percentile_95_mm=figures[g][1],
            share_within=figures[g][2],
            share_inside=figures[g][3],
            mean_incline_mm_per_m=figures[g][4],
        )
        for g in np.flatnonzero((group.sum(member) > 0) | (by == "all")).tolist()
    ]


def _shares(group: _Grouping, member: Booleans, piles: Piles) -> tuple[Floats, Floats, Floats]:
    """Return by group: share within, share whose measured value is inside, mean inclination [mm/m]."""
    plan = np.asarray(piles["plan_verdict"])
    found, allowed = (np.asarray(piles[name], dtype=np.float64) for name in ("offset_mm", "allowed_mm"))
    measured = member & (plan >= WITHIN) & (plan != NOT_SURVEYED) & np.isfinite(found)
    incline = np.asarray(piles["incline_mm_per_m"], dtype=np.float64)
    return (
        group.mean(measured, (plan == WITHIN).astype(np.float64)),
        group.mean(measured, (found <= allowed + 1000.0 * SLACK_M).astype(np.float64)),
        group.mean(member & np.isfinite(incline), incline),
    )


# --------------------------------------------------------------------------------- joints of the whole wall


def _curves(joints: Joints) -> tuple[Floats, Integers, Integers, Integers]:
    """Return levels from the top down, and how many joints are lost, not sure, not surveyed there or above.

    The counts change at these levels only: they are exact, and constant from each level down to the next.
    """
    top, bottom = (np.asarray(joints[name], dtype=np.float64) for name in ("range_top", "range_bottom"))
    lost = np.asarray(joints["lost_level"], dtype=np.float64)
    sure = sure_levels(joints)
    known = np.asarray(joints["levels_known"], dtype=np.bool_) & (
        np.asarray(joints["verdict"]) != NOT_SURVEYED
    )
    begins = np.where(known, np.nan, top)
    ends = [np.nanmax(top, initial=-np.inf), np.nanmin(bottom, initial=np.inf)]
    events = np.unique(np.concatenate([lost, sure, begins, ends]))
    levels = events[np.isfinite(events)][::-1]
    lost_count, sure_count, begin_count = (_at_or_above(levels, values) for values in (lost, sure, begins))
    return levels, lost_count, sure_count, begin_count


def _at_or_above(levels: Floats, values: Floats) -> Integers:
    ordered = np.sort(values[np.isfinite(values)])
    return (len(ordered) - np.searchsorted(ordered, levels, side="left")).astype(np.int64)


def at_least_one(chance: Floats) -> tuple[float, float]:
    """Return bounds on the chance that at least one of several things is so, whatever ties them together.

    Parameters
    ----------
    chance : (m,) array
        Chance of each; NaN where nothing is known of it: anything from 0 to 1.

    Notes
    -----
    max(chance) <= P <= min(1, Σ chance): Fréchet's (or Boole's and Bonferroni's) inequalities.
    Neighbouring joints share a pile, so that their chances must not be multiplied.
    """
    low = float(np.nanmax(chance, initial=0.0))
    high = 1.0 if np.isnan(chance).any() else min(1.0, float(chance.sum()))
    return low, max(low, high)


def rank_by_head(*, settings: Settings, joints: Joints) -> tuple[Integers, Floats]:
    """Return the joints not sure from the greatest water head down, and the head at each ``sure_level`` [m].

    Parameters
    ----------
    settings : Settings
        ``levels``: ``water_outside``, ``water_inside``, ``tight_stratum`` (its top).
    joints : Joints
        Results over the m joints.

    Returns
    -------
    order : (k,) array of int
        Places of the joints that have a level at which they are not sure; at equal heads from the highest
        level down. Empty where one of the three levels is not given.
    head : (m,) array
        Water outside less the higher of water inside and that level, 0 below the top of the tight stratum and
        above the water; NaN for joints that are sure, or of which no level is known.
    """
    given = settings.levels
    if given.water_outside is None or given.water_inside is None or given.tight_stratum is None:
        return np.empty(0, dtype=np.int64), np.full(len(joints), np.nan)
    level = sure_levels(joints)
    head = np.maximum(given.water_outside - np.maximum(level, given.water_inside), 0.0)
    head = np.where(level < given.tight_stratum - SLACK_M, 0.0, head)
    order = np.lexsort((-level, -head))
    return order[: int(np.isfinite(level).sum())], head
