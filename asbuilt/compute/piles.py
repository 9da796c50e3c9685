"""Plan position at cut-off, verticality and toe of every pile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS
from asbuilt.compute.axes import NONE, axis_positions, axis_variances
from asbuilt.compute.verdicts import (
    NOT_MADE,
    NOT_SURVEYED,
    OUTSIDE,
    SLACK_M,
    WITHIN,
    decide,
    disc_probability,
    principal_probability,
)

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.model import Axes, Booleans, Codes, Floats
    from asbuilt.settings import Settings

__all__ = [
    "Plan",
    "Verticality",
    "covariance_at",
    "plan_allowance_m",
    "plan_position",
    "toe_verdicts",
    "verticality",
    "verticality_limits",
]

#: The steepest inclination is taken over at least this [m].
BASE_M = 3.0


def plan_allowance_m(settings: Settings, cut_off: Floats) -> Floats:
    """Return the plan offset allowed at cut-off [m]: e0 + g·max(0, z_commence − z_cut_off).

    References
    ----------
    The form is that of ICE, Specification for Piling and Embedded Retaining Walls, 2nd ed. 2007, Table B1.4 as
    corrected by its published erratum; the figures are the project's own.
    """
    t = settings.tolerance
    below = np.maximum(0.0, settings.levels.commence - cut_off)
    return (t.plan_mm + t.plan_growth_mm_per_m * below) / 1000.0


def verticality_limits(settings: Settings, kind: Codes) -> Floats:
    """Return the inclination allowed for each pile [m per m]; NaN where its kind has no limit."""
    by_kind = np.array([settings.tolerance.verticality.get(k, np.nan) for k in KINDS]) / 1000.0
    return by_kind[kind]


def covariance_at(cov: Floats, setup_var: float, q2: Floats) -> Floats:
    """Return Σ = Σ_s + q²·I as (..., 3): EE, EN, NN [m²], from centre covariance, set-up variance and q²."""
    total = cov.copy()
    total[..., 0] += setup_var + q2
    total[..., 2] += setup_var + q2
    return total


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Plan position at cut-off (n,): centre, offset from design [m], covariance, probability, verdict."""

    e: Floats
    n: Floats
    offset_e: Floats
    offset_n: Floats
    offset: Floats
    towards_pit: Floats
    along: Floats
    allowed: Floats
    cov: Floats
    sigma: Floats
    smaller_sigma: Floats
    p: Floats
    verdict: Codes


def plan_position(
    axes: Axes,
    settings: Settings,
    alignment: Alignment,
    *,
    cov: Floats,
    setup_var: float,
    cut_off: Floats,
    design_e: Floats,
    design_n: Floats,
) -> Plan:
    """Carry every centre along its axis to the cut-off and judge its offset from design.

    Towards the pit is the greater of the components along the normals of the two sides that meet at the pile.
    Without an axis the centre is carried without slope over at most 2 m; farther, plan position is not surveyed.
    """
    piles = np.arange(len(axes))
    level = cut_off[:, None]
    e, n = (a[:, 0] for a in axis_positions(axes, piles, level))
    q2 = axis_variances(axes, piles, level)[:, 0]
    e, n = np.where(np.isnan(q2), np.nan, e), np.where(np.isnan(q2), np.nan, n)
    d_e, d_n = e - design_e, n - design_n
    total = covariance_at(cov, setup_var, q2)
    allowed = plan_allowance_m(settings, cut_off)
    p = principal_probability(d_e, d_n, cov=total, limit=allowed)
    offset = np.hypot(d_e, d_n)
    measured = ~np.isnan(offset)
    verdict = decide(
        offset > allowed + SLACK_M,
        p,
        rule=settings.decide.plan,
        confidence=settings.site.confidence,
        measured=measured,
        made=alignment.expected,
    )
    middle, apart = (total[:, 0] + total[:, 2]) / 2, np.hypot((total[:, 0] - total[:, 2]) / 2, total[:, 1])
    return Plan(
        e=e,
        n=n,
        offset_e=d_e,
        offset_n=d_n,
        offset=offset,
        towards_pit=np.maximum(
            d_e * alignment.pit_1[:, 0] + d_n * alignment.pit_1[:, 1],
            d_e * alignment.pit_2[:, 0] + d_n * alignment.pit_2[:, 1],
        ),
        along=d_e * alignment.along[:, 0] + d_n * alignment.along[:, 1],
        allowed=allowed,
        cov=total,
        sigma=np.sqrt(middle + apart),
        smaller_sigma=np.sqrt(np.maximum(middle - apart, 0.0)),
        p=p,
        verdict=verdict,
    )


@dataclass(frozen=True, kw_only=True)
class Verticality:
    """Inclination from cut-off to toe (n,) [m per m], its uncertainty, probability and verdict."""

    slope_e: Floats
    slope_n: Floats
    incline: Floats
    steepest: Floats
    allowed: Floats
    sigma: Floats
    p: Floats
    verdict: Codes


def verticality(axes: Axes, settings: Settings, *, cut_off: Floats, allowed: Floats, expected: Booleans) -> Verticality:
    """Judge the overall inclination, cut-off to toe, and give the steepest over a base of at least 3 m."""
    piles = np.arange(len(axes))
    length = cut_off - axes.toe
    length = np.where(length > 0, length, np.nan)
    e, n = axis_positions(axes, piles, np.column_stack([cut_off, axes.toe]))
    known = axes.method != NONE
    s_e = np.where(known, (e[:, 1] - e[:, 0]) / length, np.nan)
    s_n = np.where(known, (n[:, 1] - n[:, 0]) / length, np.nan)
    incline = np.hypot(s_e, s_n)
    variance = _run_variance(axes, cut_off, axes.toe) / length**2
    measured = ~np.isnan(incline)
    p = np.full(len(piles), np.nan)
    judged = measured & ~np.isnan(allowed)
    p[judged] = disc_probability(
        incline[judged], allowed[judged], var_along=variance[judged], var_across=variance[judged]
    )
    verdict = decide(
        incline > allowed + SLACK_M,
        p,
        rule=settings.decide.vertical,
        confidence=settings.site.confidence,
        measured=measured,
        made=expected & ~np.isnan(allowed),
    )
    return Verticality(
        slope_e=s_e,
        slope_n=s_n,
        incline=incline,
        steepest=np.where(measured, np.fmax(incline, _steepest(axes, cut_off)), np.nan),
        allowed=allowed,
        sigma=np.where(measured, np.sqrt(variance), np.nan),
        p=p,
        verdict=verdict,
    )


def _run_variance(axes: Axes, top: Floats, foot: Floats) -> Floats:
    """Return q² gathered from one level to a lower one of each pile [m²]: only the axis between them counts."""
    of = axes.variance
    length = top - foot
    if len(axes.top) == len(axes):
        run = of["v"] * length**2
    else:
        owner = np.repeat(np.arange(len(axes)), np.diff(axes.start))
        below = np.r_[axes.top[1:], -np.inf]
        below[axes.start[1:] - 1] = -np.inf
        crossed = np.maximum(0.0, np.minimum(axes.top, top[owner]) - np.maximum(below, foot[owner]))
        run = np.add.reduceat(of["v"] * crossed**2, axes.start[:-1])
    run = run + of["b2"] * length**2 + of["a2"] * np.minimum(1.0, length)
    unread = np.fmax(0.0, np.minimum(axes.deepest, top) - np.minimum(foot, axes.deepest))
    return np.where(axes.method == NONE, np.nan, run + of["w2"] * unread**3)


def _steepest(axes: Axes, cut_off: Floats) -> Floats:
    """Return the steepest inclination between two levels at least 3 m apart, cut-off to toe [m per m].

    The inclination over a window is the mean of the slopes in it, so its greatest value is reached with both ends at
    vertices, or over exactly 3 m with one end at a vertex.
    """
    count = np.diff(axes.start)
    steepest = np.full(len(axes), np.nan)
    sizes = np.unique(count[count > 1])
    chunk = 4096
    for size in sizes.tolist():
        all_piles = np.flatnonzero(count == size)
        for begin in range(0, len(all_piles), chunk):
            piles = all_piles[begin : begin + chunk]
            top, toe = cut_off[piles][:, None], axes.toe[piles][:, None]
            vertices = axes.top[axes.start[piles][:, None] + np.arange(1, size)]
            vertices = np.concatenate([top, np.clip(vertices, toe, top), toe], axis=1)
            worst_here = np.zeros(len(piles))
            e, n = axis_positions(axes, piles, vertices)
            # whole windows between vertices, one shift of the list at a time
            for shift in range(1, size + 1):
                base = vertices[:, :-shift] - vertices[:, shift:]
                run = np.hypot(e[:, :-shift] - e[:, shift:], n[:, :-shift] - n[:, shift:])
                slope = np.divide(run, base, out=np.zeros_like(run), where=base >= BASE_M - SLACK_M)
                worst_here = np.maximum(worst_here, slope.max(axis=1, initial=0.0))
            for step in (BASE_M, -BASE_M):
                other = vertices + step
                inside = (other <= top + SLACK_M) & (other >= toe - SLACK_M)
                oe, on = axis_positions(axes, piles, other)
                slope = np.where(inside, np.hypot(oe - e, on - n) / BASE_M, 0.0)
                worst_here = np.maximum(worst_here, slope.max(axis=1))
            steepest[piles] = worst_here
    return steepest


def toe_verdicts(settings: Settings, *, recorded: Floats, designed: Floats, expected: Booleans) -> Codes:
    """Return toe verdicts: within when the recorded toe is at most ``toe_mm`` above the designed one."""
    allowed = settings.tolerance.toe_mm
    if allowed is None:
        return np.full(len(recorded), NOT_MADE, dtype=np.int8)
    above = recorded - designed > allowed / 1000.0 + SLACK_M
    code = np.where(np.isnan(recorded), NOT_SURVEYED, np.where(above, OUTSIDE, WITHIN))
    return np.where(expected, code, NOT_MADE).astype(np.int8)
