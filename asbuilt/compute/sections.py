"""The wall cut at a level: where every centre is there, what every joint is, and the openings between the circles.

Also where the axes end. A slice says of a joint what :func:`asbuilt.compute.joints.evaluate_joints` says of its range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from asbuilt.compute.alignment import align
from asbuilt.compute.axes import axis_positions, axis_variances
from asbuilt.compute.piles import covariance_at
from asbuilt.compute.results import joint_inputs
from asbuilt.compute.spans import JointInputs, Span, Spread
from asbuilt.compute.verdicts import SLACK_M
from asbuilt.views import JOINT_STATES, Slice, Toes

if TYPE_CHECKING:
    from asbuilt.model import Axes, Booleans, Codes, Floats, Integers, Reconciliation, Texts

__all__ = [
    "PairFigures",
    "joint_inputs_of",
    "opening_rings",
    "pair_figures",
    "settled_at_top",
    "slice_at",
    "tilted",
    "toes_of",
]

OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(len(JOINT_STATES))
#: Points on each of the two arcs of an opening: the chords leave a pile of 2 m by half a millimetre.
_ARC_POINTS = 48


def joint_inputs_of(result: Reconciliation) -> JointInputs:
    """Return what the joints of a finished reconciliation were worked out from."""
    piles, survey = result.piles, result.survey
    inputs, _ = joint_inputs(
        design=survey.design,
        settings=survey.settings,
        alignment=align(survey.design, survey.settings, e=piles.design_e, n=piles.design_n),
        centres=result.centres,
        radius=piles.radius,
        toe_recorded=piles["toe_level"],
        design_e=piles.design_e,
        design_n=piles.design_n,
    )
    return inputs


@dataclass(frozen=True, kw_only=True)
class PairFigures:
    """Two piles at one level each (k,): overlap and its standard uncertainty [m], chance that it is enough."""

    overlap: Floats
    sigma: Floats
    p: Floats


def pair_figures(j: JointInputs, axes: Axes, level: Floats) -> PairFigures:
    """Return overlap, uncertainty and chance of joints (k,) at one level of each (k,) [m]; NaN where not known."""
    # a range without height is laid out as that one level
    span = Span(replace(j, top=level, bottom=level), axes)
    laid_out = span.laid_out(np.arange(len(level)))
    spread = Spread(
        distance=laid_out.distance[:, :1],
        along=laid_out.along[:, :1],
        across=laid_out.across[:, :1],
        mixed=None if laid_out.mixed is None else laid_out.mixed[:, :1],
    )
    reach = j.radius_a + j.radius_b
    variance = spread.along[:, 0]
    known = ~np.isnan(variance)
    return PairFigures(
        overlap=np.where(known, reach - spread.distance[:, 0], np.nan),
        sigma=np.sqrt(variance),
        p=spread.conform(reach - j.required)[:, 0],
    )


def tilted(j: JointInputs, axes: Axes, other: Axes) -> Booleans:
    """Return which joints the two lean models tell apart (m,)."""
    apart: Booleans = axes.method != other.method
    either: Booleans = apart[j.a] | apart[j.b]
    return either


def settled_at_top(result: Reconciliation) -> Booleans:
    """Return the joints (m,) without both axes that are lost beyond doubt at the top of their range."""
    joints, confidence = result.joints, result.survey.settings.site.confidence
    incomplete: Booleans = joints["levels_known"] == 0
    beyond = joints["overlap_cut_off_mm"] / 1000.0 < joints.required - SLACK_M
    settled: Booleans = incomplete & beyond & (joints["p_interlock"] <= 1 - confidence)
    return settled


def slice_at(result: Reconciliation, j: JointInputs, level: float | None) -> Slice:
    """Return the wall cut at a level.

    Parameters
    ----------
    result : Reconciliation
    j : JointInputs
        Of all its joints, see :func:`joint_inputs_of`.
    level : float or None
        Level [m]; None: every pile at its own cut-off, every joint at the top of its range.
    """
    piles, axes = result.piles, result.axes
    cut_off = piles["cut_off_level"]
    e, n, cov, predicted = _centres_at(result, cut_off if level is None else np.full(len(piles), float(level)))
    at = cut_off if level is None else level
    stands = piles.expected & (cut_off >= at - SLACK_M) & (axes.toe <= at + SLACK_M)
    z = j.top if level is None else np.full(len(j.a), float(level))
    in_range = (z <= j.top + SLACK_M) & (z >= j.bottom - SLACK_M)
    cut_short = z < j.toe - SLACK_M
    both_stand = (stands[j.a] & stands[j.b]) if level is not None else piles.expected[j.a] & piles.expected[j.b]
    found = pair_figures(j, axes, z)
    shown = (in_range & ~cut_short) | (both_stand & ~np.isnan(found.overlap))
    overlap, sigma, p = (np.where(shown, x, np.nan) for x in (found.overlap, found.sigma, found.p))
    state = _states(result, j, z, PairFigures(overlap=overlap, sigma=sigma, p=p))
    state[in_range & cut_short] = OPEN
    state[~in_range] = -1
    widest = np.where(np.isnan(overlap), np.nan, np.maximum(0.0, _z(result) * sigma - overlap))
    ends = _ends(j, axes, z)
    gap, wide = both_stand & (overlap < -SLACK_M), both_stand & (widest > SLACK_M)
    less = _z(result) * sigma / 2.0
    return Slice(
        level=level,
        e=e,
        n=n,
        cov=cov,
        stands=stands,
        predicted=predicted,
        overlap=overlap,
        sigma=sigma,
        p=p,
        state=state,
        joint_predicted=~np.isnan(overlap) & ((z < axes.deepest[j.a] - SLACK_M) | (z < axes.deepest[j.b] - SLACK_M)),
        widest=widest,
        openings=opening_rings(*ends, j.radius_a, j.radius_b, where=gap),
        outlines=opening_rings(*ends, j.radius_a - less, j.radius_b - less, where=wide),
    )


def toes_of(result: Reconciliation) -> Toes:
    """Return where the axes end; NaN where no axis is known, and for omitted piles."""
    level = result.axes.toe
    e, n, cov, predicted = _centres_at(result, level)
    return Toes(level=level, e=e, n=n, cov=cov, predicted=predicted)


def _z(result: Reconciliation) -> float:
    """Return the one-sided normal quantile of the site's confidence."""
    return float(ndtri(result.survey.settings.site.confidence))


def _centres_at(result: Reconciliation, level: Floats) -> tuple[Floats, Floats, Floats, Booleans]:
    """Return the centres of all piles at one level of each, their covariance, and whether they are predicted."""
    axes, centres = result.axes, result.centres
    every = np.arange(len(axes))
    e, n = (x[:, 0] for x in axis_positions(axes, every, level[:, None]))
    q2 = axis_variances(axes, every, level[:, None])[:, 0]
    known = result.piles.expected & ~np.isnan(q2) & ~np.isnan(e)
    cov = covariance_at(centres.cov, centres.setup_var, q2)
    return (
        np.where(known, e, np.nan),
        np.where(known, n, np.nan),
        np.where(known[:, None], cov, np.nan),
        known & (level < axes.deepest - SLACK_M),
    )


def _states(result: Reconciliation, j: JointInputs, level: Floats, found: PairFigures) -> Codes:
    """Return what the joints are at one level each, as if it lay in their range and above any toe (m,)."""
    settings, o = result.survey.settings, found.overlap
    guarded = settings.decide.joint == "guarded"
    confidence = settings.site.confidence
    doubtful = found.p < confidence if guarded else np.zeros(len(o), dtype=bool)
    rows = np.flatnonzero(tilted(j, result.axes, result.other_axes) & ~np.isnan(o) & ~doubtful)
    if len(rows):
        beside = pair_figures(j.take(rows), result.other_axes, level[rows])
        doubtful[rows] = beside.p < confidence if guarded else beside.overlap < j.required[rows] - SLACK_M
    state: Codes = np.full(len(o), SURE, dtype=np.int8)
    state[doubtful] = NOT_SURE
    state[o < j.required - SLACK_M] = LOST
    state[o < -SLACK_M] = OPEN
    # without both axes a joint is not surveyed, near the surveyed level too, unless its top already settles it
    settled = settled_at_top(result)
    state[settled & ~(o < -SLACK_M)] = LOST
    state[np.isnan(o) | ((result.joints["levels_known"] == 0) & ~settled)] = NOT_SURVEYED
    return state


def _ends(j: JointInputs, axes: Axes, level: Floats) -> tuple[Floats, Floats]:
    """Return the centres of the two piles of every joint at one level each, (m, 2) and (m, 2) [m]."""
    ends = []
    for piles in (j.a, j.b):
        e, n = axis_positions(axes, piles, level[:, None])
        ends.append(np.column_stack([e[:, 0], n[:, 0]]))
    return ends[0], ends[1]


def opening_rings(a: Floats, b: Floats, radius_a: Floats, radius_b: Floats, *, where: Booleans) -> Texts:
    """Return the rings of the openings between circles that stand apart.

    An opening is the hull of the two circles less both: it lies between the two common outer tangents and the two arcs
    that face one another. The tangents touch both circles at the angle φ from the line of centres,
    cos φ = (r_a − r_b)/D.

    Parameters
    ----------
    a, b : (m, 2) arrays
        Centres [m].
    radius_a, radius_b : (m,) arrays
        Radii [m]; negative ones count as 0.
    where : (m,) array of bool
        For which a ring is wanted: their circles stand apart.

    Returns
    -------
    (m,) array
        Rings (k, 2), not closed; None elsewhere.
    """
    rings: Texts = np.full(len(where), None, dtype=object)
    rows: Integers = np.flatnonzero(where)
    if not len(rows):
        return rings
    step = b[rows] - a[rows]
    distance = np.hypot(step[:, 0], step[:, 1])
    r_a, r_b = np.maximum(radius_a[rows], 0.0), np.maximum(radius_b[rows], 0.0)
    touch = np.arccos(np.clip((r_a - r_b) / distance, -1.0, 1.0))[:, None]
    share = np.linspace(1.0, -1.0, _ARC_POINTS)
    towards = np.arctan2(step[:, 1], step[:, 0])[:, None]
    # around the side of a that faces b, then around the side of b that faces a
    angle_a = towards + touch * share
    angle_b = towards + np.pi + (np.pi - touch) * share
    arcs = [
        centre[:, None, :] + radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        for centre, radius, angle in ((a[rows], r_a, angle_a), (b[rows], r_b, angle_b))
    ]
    for row, ring in zip(rows.tolist(), np.concatenate(arcs, axis=1), strict=True):
        rings[row] = ring
    return rings
