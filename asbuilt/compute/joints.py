"""Joints: the tie-in of neighbouring piles at every level, exactly.

Between consecutive vertices of the two axes the vector from one centre to the other is linear in level, so their
distance is convex: the least overlap lies at a vertex or an end, and the level where a given overlap is lost is a root
of a quadratic. No level is sampled. Only the level where a joint ceases to be *sure* has no closed form; it is bracketed
between those levels and refined.

Joints are worked on in lots, so that memory stays bounded and the arrays stay in the processor's cache.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from asbuilt.compute.axes import NONE, PROFILE, axis_positions, axis_variances, segment_at
from asbuilt.compute.verdicts import NOT_MADE, NOT_SURVEYED, OUTSIDE, SLACK_M, UNRESOLVED, WITHIN, decide, disc_probability

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Axes, Booleans, Codes, Floats, Integers
    from asbuilt.settings import Settings

__all__ = ["JointInputs", "JointResults", "evaluate_joints", "lens", "overlap_for_chord"]

#: Levels where a joint ceases to be sure are refined to this [m].
SURE_M = 1e-4
_LOT = 8192


def lens(distance: Floats, radius_a: Floats, radius_b: Floats) -> Floats:
    """Return the common chord of two circles [same unit]: 0 apart, the smaller diameter where one lies inside the other.

    chord = 2·√(r_a² − a²), a = (D² + r_a² − r_b²)/(2D).
    """
    safe = np.where(distance > 0, distance, 1.0)
    a = (distance**2 + radius_a**2 - radius_b**2) / (2 * safe)
    chord = 2 * np.sqrt(np.maximum(radius_a**2 - a**2, 0.0))
    chord = np.where(distance >= radius_a + radius_b, 0.0, chord)
    chord = np.where(distance <= np.abs(radius_a - radius_b), 2 * np.minimum(radius_a, radius_b), chord)
    return np.where(np.isnan(distance), np.nan, chord)


def overlap_for_chord(chord: float, radius_a: Floats, radius_b: Floats) -> Floats:
    """Return the overlap at which two circles share a chord [m]: r_a + r_b − √(r_a² − c²/4) − √(r_b² − c²/4)."""
    half = chord * chord / 4
    return (
        radius_a
        + radius_b
        - np.sqrt(np.maximum(radius_a**2 - half, 0.0))
        - np.sqrt(np.maximum(radius_b**2 - half, 0.0))
    )


@dataclass(frozen=True, kw_only=True)
class JointInputs:
    """What a lot of joints is worked out from; arrays over joints (m,), metres.

    ``cov`` (m, 3): covariance of the difference of the two surveyed centres, set-up part included as it stands for the
    pair. ``toe``: highest toe as built of the two, NaN where none counts (it lies low enough).
    """

    a: Integers
    b: Integers
    radius_a: Floats
    radius_b: Floats
    required: Floats
    top: Floats
    bottom: Floats
    formation: Floats
    along: Floats
    pit: Floats
    design_w: Floats
    cov: Floats
    toe: Floats

    def take(self, rows: Integers | slice) -> JointInputs:
        """Return the joints at ``rows``."""
        return JointInputs(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True, kw_only=True)
class JointResults:
    """Results over joints (m,), metres; NaN where not measured or none."""

    overlap_top: Floats
    overlap_formation: Floats
    least: Floats
    least_level: Floats
    levels_known: Booleans
    lost_level: Floats
    open_level: Floats
    sure_level: Floats
    chord_formation: Floats
    thickness_formation: Floats
    band_formation: Floats
    least_along: Floats
    least_across: Floats
    sigma: Floats
    p: Floats
    p_open: Floats
    governing_level: Floats
    other_least: Floats
    other_level: Floats
    depends_on_model: Booleans
    verdict: Codes


def evaluate_joints(inputs: JointInputs, axes: Axes, other: Axes, settings: Settings) -> JointResults:
    """Work out all joints under both lean models and judge them.

    Parameters
    ----------
    inputs : JointInputs
    axes, other : Axes
        Under the governing lean model and under the other.
    settings : Settings
        Rule, confidence, toe tolerance.
    """
    size = (np.diff(axes.start)[inputs.a] + np.diff(axes.start)[inputs.b]) * 64
    size += np.diff(other.start)[inputs.a] + np.diff(other.start)[inputs.b]
    order = np.arange(len(size)) if len(size) and np.all(size == size[0]) else np.argsort(size, kind="stable")
    lots = [order[k : k + _LOT] for k in range(0, len(order), _LOT)]
    work: Callable[[Integers], JointResults] = lambda rows: _lot(inputs.take(rows), axes, other, settings)  # noqa: E731
    if len(lots) > 1:
        with ThreadPoolExecutor(max_workers=min(8, os.cpu_count() or 1)) as pool:
            done = list(pool.map(work, lots))
    else:
        done = [work(order)]
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return JointResults(
        **{f.name: np.concatenate([getattr(d, f.name) for d in done])[back] for f in fields(JointResults)}
    )


@dataclass(frozen=True, kw_only=True)
class _Span:
    """Joints of one lot along their range under one lean model: levels (m, l) from the top down."""

    j: JointInputs
    axes: Axes
    levels: Floats
    w_e: Floats
    w_n: Floats
    distance: Floats

    def at(self, rows: Integers, levels: Floats) -> tuple[Floats, Floats, Floats]:
        """Return w_e, w_n, q² of some joints at levels (k, l)."""
        a, b = self.j.a[rows], self.j.b[rows]
        at_a, at_b = segment_at(self.axes, a, levels), segment_at(self.axes, b, levels)
        e_a, n_a = axis_positions(self.axes, a, levels, segment=at_a)
        e_b, n_b = axis_positions(self.axes, b, levels, segment=at_b)
        q2 = axis_variances(self.axes, a, levels, segment=at_a) + axis_variances(self.axes, b, levels, segment=at_b)
        return e_b - e_a, n_b - n_a, q2

    def score(self, rows: Integers, levels: Floats, limit: Floats) -> tuple[Floats, Floats]:
        """Return p(z) that the distance is at most ``limit``, and the standard uncertainty of the overlap."""
        w_e, w_n, q2 = self.at(rows, levels)
        return _conform(w_e, w_n, q2, self.j.cov[rows], limit)


def _conform(w_e: Floats, w_n: Floats, q2: Floats, cov: Floats, limit: Floats) -> tuple[Floats, Floats]:
    """Return P(|W| <= limit) and sigma along w for (k, l) levels of joints with centre covariance (k, 3)."""
    along, across, mixed, distance = _turned_cov(w_e, w_n, q2, cov)
    p = disc_probability(
        distance, np.broadcast_to(limit[:, None], distance.shape), var_along=along, var_across=across, cov=mixed
    )
    return p, np.sqrt(along)


def _turned_cov(w_e: Floats, w_n: Floats, q2: Floats, cov: Floats) -> tuple[Floats, Floats, Floats | None, Floats]:
    distance = np.hypot(w_e, w_n)
    ee, en, nn = (cov[:, k][:, None] for k in range(3))
    if not np.any(en) and np.array_equal(ee, nn, equal_nan=True):
        return q2 + ee, q2 + ee, None, distance
    safe = np.where(distance > 0, distance, 1.0)
    c, s = np.where(distance > 0, w_e / safe, 1.0), w_n / safe
    along = c * c * ee + 2 * c * s * en + s * s * nn + q2
    across = s * s * ee - 2 * c * s * en + c * c * nn + q2
    # circular covariances stay exactly uncorrelated
    mixed = np.where((en == 0) & (ee == nn), 0.0, c * s * (nn - ee) + (c * c - s * s) * en)
    return along, across, mixed, distance


def _span(j: JointInputs, axes: Axes) -> _Span:
    """Lay out the levels of every joint: ends, vertices of both axes, surveyed levels and deepest readings."""
    columns = [j.top, j.bottom]
    most = 1
    for piles in (j.a, j.b):
        count = axes.start[piles + 1] - axes.start[piles]
        most = max(most, int(count.max(initial=1)))
        for k in range(1, int(count.max(initial=1))):
            has = count > k
            vertex = j.top.copy()
            vertex[has] = axes.top[axes.start[piles[has]] + k]
            columns.append(vertex)
        columns += [axes.surveyed_level[piles], axes.deepest[piles]]
        if np.any(axes.method[piles] == PROFILE):
            # the wander of a profile's reference settles within a metre of the surveyed level
            columns += [axes.surveyed_level[piles] + 1.0, axes.surveyed_level[piles] - 1.0]
    levels = np.column_stack(columns)
    top, bottom = j.top[:, None], j.bottom[:, None]
    levels = np.where(np.isnan(levels), top, np.clip(levels, bottom, top))
    levels = -np.sort(-levels, axis=1)
    e_a, n_a = axis_positions(axes, j.a, levels)
    e_b, n_b = axis_positions(axes, j.b, levels)
    w_e, w_n = e_b - e_a, n_b - n_a
    return _Span(j=j, axes=axes, levels=levels, w_e=w_e, w_n=w_n, distance=np.hypot(w_e, w_n))


def _highest_beyond(span: _Span, limit: Floats) -> Floats:
    """Return the highest level of the range at which the distance exceeds ``limit`` (m,), NaN for none: exact."""
    beyond = span.distance > limit[:, None] + SLACK_M
    first = beyond.argmax(axis=1)
    rows = np.flatnonzero(beyond.any(axis=1))
    level = np.full(len(limit), np.nan)
    if not len(rows):
        return level
    first = first[rows]
    level[rows] = span.levels[rows, first]
    inner = first > 0
    rows, below = rows[inner], first[inner]
    above = below - 1
    w_e, w_n = span.w_e[rows, above], span.w_n[rows, above]
    d_e, d_n = span.w_e[rows, below] - w_e, span.w_n[rows, below] - w_n
    aa, bb = d_e * d_e + d_n * d_n, w_e * d_e + w_n * d_n
    cc = w_e * w_e + w_n * w_n - limit[rows] ** 2
    root = np.sqrt(np.maximum(bb * bb - aa * cc, 0.0))
    # the greater root, in the form that does not cancel
    tau = np.where(bb > 0, -cc / np.where(bb > 0, bb + root, 1.0), (root - bb) / aa)
    tau = np.clip(tau, 0.0, 1.0)
    level[rows] = span.levels[rows, above] + tau * (span.levels[rows, below] - span.levels[rows, above])
    return level


def _least_probability(span: _Span, rows: Integers, limit: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the least p(z) over the laid-out levels, its level and the overlap's sigma there, of some joints."""
    levels = span.levels[rows]
    w_e, w_n, q2 = span.at(rows, levels)
    along, across, mixed, distance = _turned_cov(w_e, w_n, q2, span.j.cov[rows])
    k = np.arange(len(rows))
    if mixed is None:
        # p falls with this score but for terms far below what is printed: only near ties need p itself
        sigma = np.sqrt(along)
        score = (limit[rows][:, None] - across / (2 * limit[rows][:, None]) - distance) / sigma
        at = score.argmin(axis=1)
        near = (score < score[k, at][:, None] + 0.02).sum(axis=1) > 1
        p = np.empty(len(rows))
        for chosen, several in ((~near, False), (near, True)):
            c = np.flatnonzero(chosen)
            if not len(c):
                continue
            if several:
                full = disc_probability(
                    distance[c], np.broadcast_to(limit[rows[c]][:, None], distance[c].shape), var_along=along[c], var_across=across[c]
                )
                at[c] = full.argmin(axis=1)
                p[c] = full.min(axis=1)
            else:
                p[c] = disc_probability(
                    distance[c, at[c]], limit[rows[c]], var_along=along[c, at[c]], var_across=across[c, at[c]]
                )
        return p, levels[k, at], sigma[k, at]
    full = disc_probability(
        distance, np.broadcast_to(limit[rows][:, None], distance.shape), var_along=along, var_across=across, cov=mixed
    )
    at = full.argmin(axis=1)
    return full[k, at], levels[k, at], np.sqrt(along[k, at])


def _surely_within(span: _Span, rows: Integers, limit: Floats, confidence: float) -> Booleans:
    """Return where a coarse bound already shows p(z) >= confidence over the whole range of the joint.

    The variance is greatest at an end of the range (it grows both ways from the surveyed level), the distance at a
    vertex; the disc's curvature costs at most the reach of its rim over what the scatter reaches.
    """
    ends = np.column_stack([span.j.top[rows], span.j.bottom[rows]])
    _, _, q2 = span.at(rows, ends)
    most = q2.max(axis=1) + span.j.cov[rows][:, [0, 2]].sum(axis=1)
    far = span.distance[rows].max(axis=1)
    reach = 5.0 * np.sqrt(most)
    rim = np.sqrt(np.maximum(limit[rows] ** 2 - reach**2, 0.0))
    return (rim - far) / np.sqrt(most) > ndtri(confidence) + 0.01


def _highest_unsure(span: _Span, rows: Integers, limit: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Return the highest level of the range where p(z) < confidence (k,), NaN for none, and the least p seen (k,)."""
    levels = span.levels[rows]
    bent = np.any(span.axes.variance["w2"][span.j.a[rows]] > 0) or np.any(span.axes.variance["w2"][span.j.b[rows]] > 0)
    if bent:
        # below a deepest reading the uncertainty may bend the other way: look inside the intervals as well
        inner = [levels[:, :-1] + f * np.diff(levels, axis=1) for f in (0.25, 0.5, 0.75)]
        levels = -np.sort(-np.concatenate([levels, *inner], axis=1), axis=1)
    p, _ = span.score(rows, levels, limit[rows])
    unsure = p < confidence
    found = unsure.any(axis=1)
    first = unsure.argmax(axis=1)
    level = np.full(len(rows), np.nan)
    k = np.arange(len(rows))
    level[found] = levels[k, first][found]
    inner_rows = np.flatnonzero(found & (first > 0))
    if len(inner_rows):
        f = first[inner_rows]
        level[inner_rows] = _refine(
            span,
            rows[inner_rows],
            limit,
            confidence,
            high=levels[inner_rows, f - 1],
            low=levels[inner_rows, f],
            p_high=p[inner_rows, f - 1],
            p_low=p[inner_rows, f],
        )
    return level, p.min(axis=1)


def _probit(p: Floats) -> Floats:
    score: Floats = ndtri(np.clip(p, 1e-15, 1 - 1e-15))
    return score


def _refine(
    span: _Span,
    rows: Integers,
    limit: Floats,
    confidence: float,
    *,
    high: Floats,
    low: Floats,
    p_high: Floats,
    p_low: Floats,
) -> Floats:
    """Close in on the level where p(z) passes the confidence, within 0.1 mm: false position on the probit, guarded.

    ``high`` is sure, ``low`` is not; the returned level is the lower end of the last bracket, which is not sure.
    """
    target = float(ndtri(confidence))
    f_high, f_low = _probit(p_high) - target, _probit(p_low) - target
    high, low = high.copy(), low.copy()
    active = np.arange(len(rows))
    for step in range(64):
        active = active[high[active] - low[active] > SURE_M / 2]
        if not len(active):
            break
        a, b = high[active], low[active]
        fraction = f_high[active] / (f_high[active] - f_low[active])
        if step % 3 == 2:
            fraction = np.full(len(active), 0.5)
        # stay clear of the ends by less than the precision asked for, so that the bracket closes from both sides
        margin = np.minimum(0.25, 0.4 * SURE_M / (a - b))
        z = a + np.clip(fraction, margin, 1 - margin) * (b - a)
        p, _ = span.score(rows[active], z[:, None], limit[rows[active]])
        f = _probit(p[:, 0]) - target
        sure = p[:, 0] >= confidence
        high[active[sure]], f_high[active[sure]] = z[sure], f[sure]
        low[active[~sure]], f_low[active[~sure]] = z[~sure], f[~sure]
    return low


def _lot(j: JointInputs, axes: Axes, other: Axes, settings: Settings) -> JointResults:
    """Work out one lot of joints."""
    count = len(j.a)
    confidence, guarded = settings.site.confidence, settings.decide.joint == "guarded"
    reach = j.radius_a + j.radius_b
    limit = reach - j.required
    span = _span(j, axes)
    surveyed = ~np.isnan(span.distance[:, 0])
    complete = surveyed & (axes.method[j.a] != NONE) & (axes.method[j.b] != NONE)
    rows = np.flatnonzero(complete)
    k = np.arange(count)
    at = np.where(complete, np.nan_to_num(span.distance, nan=-np.inf).argmax(axis=1), 0)
    least = np.where(complete, reach - span.distance[k, at], np.nan)
    least_level = np.where(complete, span.levels[k, at], np.nan)
    lost, open_ = _highest_beyond(span, limit), _highest_beyond(span, reach)
    p, governing, sigma = (np.full(count, np.nan) for _ in range(3))
    p[rows], governing[rows], sigma[rows] = _least_probability(span, rows, limit)
    p_open = np.full(count, np.nan)
    sure = np.full(count, np.nan)
    # where one axis is unknown the top of the range may already settle it
    top_only = np.flatnonzero(surveyed & ~complete)
    if len(top_only):
        p_top, s_top = span.score(top_only, j.top[top_only][:, None], limit[top_only])
        p[top_only], sigma[top_only], governing[top_only] = p_top[:, 0], s_top[:, 0], j.top[top_only]
        unknown = np.isnan(p[top_only])
        surveyed[top_only[unknown]] = False
        governing[top_only[unknown]] = np.nan
    lost[~complete] = np.nan
    open_[~complete] = np.nan
    overlap_top = np.where(surveyed, reach - span.distance[:, 0], np.nan)
    beyond = np.where(complete, least < j.required - SLACK_M, overlap_top < j.required - SLACK_M)
    settled = surveyed & ~complete & beyond & (p <= 1 - confidence)
    lost[settled] = sure[settled] = j.top[settled]
    open_[settled & (overlap_top < -SLACK_M)] = j.top[settled & (overlap_top < -SLACK_M)]
    verdict = decide(
        beyond,
        p,
        rule=settings.decide.joint,
        confidence=confidence,
        measured=complete | settled,
    )
    verdict[settled] = OUTSIDE
    # below a toe that is too high there is no joint
    short_toe = ~np.isnan(j.toe)
    verdict[short_toe] = OUTSIDE
    # the other lean model
    span_o = _span(j, other)
    differs = complete & ~(np.array_equal(axes.method, other.method))
    far = np.nan_to_num(span_o.distance, nan=-np.inf).argmax(axis=1)
    tilted = differs & ((axes.method[j.a] != other.method[j.a]) | (axes.method[j.b] != other.method[j.b]))
    other_least = np.where(tilted, reach - span_o.distance[k, far], np.nan)
    other_level = np.where(tilted, span_o.levels[k, far], np.nan)
    other_rows = np.flatnonzero(tilted)
    depends = np.zeros(count, dtype=bool)
    if guarded:
        doubtful = rows[~_surely_within(span, rows, limit, confidence)]
        if len(doubtful):
            sure[doubtful], p_seen = _highest_unsure(span, doubtful, limit, confidence)
            slipped = (p[doubtful] >= confidence) & (p_seen < confidence)
            p[doubtful[slipped]] = p_seen[slipped]
            verdict[doubtful[slipped & (verdict[doubtful] == WITHIN)]] = UNRESOLVED
        doubtful = other_rows[~_surely_within(span_o, other_rows, limit, confidence)]
        if len(doubtful):
            other_sure, _ = _highest_unsure(span_o, doubtful, limit, confidence)
            sure[doubtful] = np.fmax(sure[doubtful], other_sure)
            depends[doubtful] = ~np.isnan(other_sure) & (verdict[doubtful] == WITHIN)
    else:
        other_lost = _highest_beyond(span_o, limit)
        other_lost[~tilted] = np.nan
        sure[complete] = np.fmax(lost, other_lost)[complete]
        depends = tilted & ~np.isnan(other_lost) & (verdict == WITHIN)
    verdict[depends] = UNRESOLVED
    sure = np.where(short_toe, np.fmax(sure, j.toe), sure)
    # chance of a gap: only where it can matter to the sums of the whole wall
    p_open[rows] = _chance_open(span, rows, reach, governing[rows], sigma[rows])
    at_formation = _at_formation(j, axes, complete)
    least_along, least_across = _relative(span, at, j, complete)
    return JointResults(
        overlap_top=overlap_top,
        overlap_formation=np.where(np.isnan(at_formation[0]), np.nan, reach - at_formation[0]),
        least=least,
        least_level=least_level,
        levels_known=complete,
        lost_level=lost,
        open_level=open_,
        sure_level=sure,
        chord_formation=at_formation[1],
        thickness_formation=at_formation[2],
        band_formation=at_formation[3],
        least_along=least_along,
        least_across=least_across,
        sigma=sigma,
        p=p,
        p_open=p_open,
        governing_level=governing,
        other_least=other_least,
        other_level=other_level,
        depends_on_model=depends,
        verdict=verdict,
    )


def _chance_open(span: _Span, rows: Integers, reach: Floats, governing: Floats, sigma: Floats) -> Floats:
    """Return 1 − least p(z) of |W| <= r_a + r_b: the chance of a gap, least over the laid-out levels."""
    del governing, sigma
    p, _, _ = _least_probability(span, rows, reach)
    return 1.0 - p


def _at_formation(j: JointInputs, axes: Axes, complete: Booleans) -> tuple[Floats, Floats, Floats, Floats]:
    """Return distance, chord, thickness square to the wall and common band at formation (m,), NaN below the range."""
    level = j.formation[:, None]
    here = complete & (j.formation >= j.bottom - SLACK_M)
    e_a, n_a = (x[:, 0] for x in axis_positions(axes, j.a, level))
    e_b, n_b = (x[:, 0] for x in axis_positions(axes, j.b, level))
    w_e, w_n = np.where(here, e_b - e_a, np.nan), np.where(here, n_b - n_a, np.nan)
    distance = np.hypot(w_e, w_n)
    chord = lens(distance, j.radius_a, j.radius_b)
    safe = np.where(distance > 0, distance, 1.0)
    thickness = chord * np.abs((w_e * j.along[:, 0] + w_n * j.along[:, 1]) / safe)
    across_a = e_a * j.pit[:, 0] + n_a * j.pit[:, 1]
    across_b = e_b * j.pit[:, 0] + n_b * j.pit[:, 1]
    band = np.minimum(across_a + j.radius_a, across_b + j.radius_b) - np.maximum(across_a - j.radius_a, across_b - j.radius_b)
    return distance, chord, thickness, np.where(here, band, np.nan)


def _relative(span: _Span, at: Integers, j: JointInputs, complete: Booleans) -> tuple[Floats, Floats]:
    """Return the relative movement against design at the least level, along and across the joint (m,) [m]."""
    k = np.arange(len(at))
    d_e = np.where(complete, span.w_e[k, at] - j.design_w[:, 0], np.nan)
    d_n = np.where(complete, span.w_n[k, at] - j.design_w[:, 1], np.nan)
    return d_e * j.along[:, 0] + d_n * j.along[:, 1], d_e * j.pit[:, 0] + d_n * j.pit[:, 1]
