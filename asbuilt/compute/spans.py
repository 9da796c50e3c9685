"""Joints along their range: the vector between the centres at every level that matters, and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.axes import PROFILE, axis_positions, axis_variances, segment_at
from asbuilt.compute.crossing import crossing
from asbuilt.compute.verdicts import SLACK_M, disc_probability

if TYPE_CHECKING:
    from asbuilt.model import Axes, Booleans, Floats, Integers

__all__ = [
    "JointInputs",
    "Span",
    "Spread",
    "highest_beyond",
    "highest_unsure",
    "roots",
    "sounded",
    "surely_within",
]

#: Scores closer than this may change places when the probability itself is taken.
_NEAR_TIE = 0.02
#: Scores closer than this to the confidence asked for are replaced by the probability itself.
_CLOSE = 0.1
#: A disc less than so many standard deviations wide is no half-plane.
_WIDE = 12.0
#: Probabilities that differ by less are the same.
_ROUNDING = 1e-9


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


class Span:
    """Joints of one lot along their range, under one lean model: levels (m, l) from the top down, w and its length."""

    def __init__(self, j: JointInputs, axes: Axes) -> None:
        self.j, self.axes = j, axes
        self.levels = _laid_out(j, axes)
        self._at_a = segment_at(axes, j.a, self.levels)
        self._at_b = segment_at(axes, j.b, self.levels)
        e_a, n_a = axis_positions(axes, j.a, self.levels, segment=self._at_a)
        e_b, n_b = axis_positions(axes, j.b, self.levels, segment=self._at_b)
        self.w_e, self.w_n = e_b - e_a, n_b - n_a
        self.distance = np.hypot(self.w_e, self.w_n)
        self.circular = not np.any(j.cov[:, 1]) and np.array_equal(j.cov[:, 0], j.cov[:, 2], equal_nan=True)

    def level_between(self, rows: Integers, above: Integers, part: Floats) -> Floats:
        """Return levels (k,) at parts of the intervals below the laid-out levels ``above`` (k,)."""
        level: Floats = self.levels[rows, above]
        return level + part * (self.levels[rows, above + 1] - level)

    def variance(self, rows: Integers, columns: Integers | slice = slice(None)) -> Floats:
        """Return q² of both axes at laid-out levels of some joints (k, l)."""
        levels = self.levels[rows][:, columns]
        total = np.zeros(levels.shape)
        for piles, at in ((self.j.a[rows], self._at_a[rows]), (self.j.b[rows], self._at_b[rows])):
            segment = at if at.shape[1] == 1 else at[:, columns]
            total += axis_variances(self.axes, piles, levels, segment=segment)
        return total

    def conform(self, rows: Integers, levels: Floats, limit: Floats) -> Floats:
        """Return p(z), the chance that the distance is at most ``limit`` (k,), at any levels (k, l)."""
        return self._at(rows, levels).conform(limit)

    def conform_nearly(self, rows: Integers, levels: Floats, limit: Floats, confidence: float) -> Floats:
        """Return p(z) likewise: exact near ``confidence``, elsewhere good enough to tell on which side of it."""
        spread = self._at(rows, levels)
        if spread.mixed is not None:
            return spread.conform(limit)
        from scipy.special import ndtr, ndtri

        score = spread.score(limit)
        p: Floats = ndtr(score)
        close = np.abs(score - ndtri(confidence)) < _CLOSE
        close |= spread.along > (limit[:, None] / _WIDE) ** 2
        k = np.nonzero(close)[0]
        p[close] = disc_probability(
            spread.distance[close], limit[k], var_along=spread.along[close], var_across=spread.across[close]
        )
        return p

    def sigma(self, rows: Integers, levels: Floats) -> Floats:
        """Return the standard uncertainty of the overlap at one level of each of some joints (k,) [m]."""
        along: Floats = np.sqrt(self._at(rows, levels[:, None]).along[:, 0])
        return along

    def _at(self, rows: Integers, levels: Floats) -> Spread:
        a, b = self.j.a[rows], self.j.b[rows]
        at_a, at_b = segment_at(self.axes, a, levels), segment_at(self.axes, b, levels)
        e_a, n_a = axis_positions(self.axes, a, levels, segment=at_a)
        e_b, n_b = axis_positions(self.axes, b, levels, segment=at_b)
        q2 = axis_variances(self.axes, a, levels, segment=at_a) + axis_variances(self.axes, b, levels, segment=at_b)
        return self._spread(rows, e_b - e_a, n_b - n_a, q2)

    def laid_out(self, rows: Integers) -> Spread:
        """Return the difference of the centres with its uncertainty at the laid-out levels of some joints."""
        return self._spread(rows, self.w_e[rows], self.w_n[rows], self.variance(rows))

    def _spread(self, rows: Integers, w_e: Floats, w_n: Floats, q2: Floats) -> Spread:
        distance = np.hypot(w_e, w_n)
        ee, en, nn = (self.j.cov[rows, k][:, None] for k in range(3))
        if self.circular:
            return Spread(distance=distance, along=q2 + ee, across=q2 + ee, mixed=None)
        safe = np.where(distance > 0, distance, 1.0)
        c, s = np.where(distance > 0, w_e / safe, 1.0), w_n / safe
        # circular covariances stay exactly uncorrelated
        mixed = np.where((en == 0) & (ee == nn), 0.0, c * s * (nn - ee) + (c * c - s * s) * en)
        return Spread(
            distance=distance,
            along=c * c * ee + 2 * c * s * en + s * s * nn + q2,
            across=s * s * ee - 2 * c * s * en + c * c * nn + q2,
            mixed=mixed,
        )


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Length of w and its variances along and across it (k, l); ``mixed`` None: uncorrelated."""

    distance: Floats
    along: Floats
    across: Floats
    mixed: Floats | None

    def conform(self, limit: Floats) -> Floats:
        """Return P(|W| <= limit)."""
        return disc_probability(
            self.distance,
            np.broadcast_to(limit[:, None], self.distance.shape),
            var_along=self.along,
            var_across=self.across,
            cov=self.mixed,
        )

    def score(self, limit: Floats) -> Floats:
        """Return the margin in standard uncertainties, less what the disc's curvature costs on average."""
        wide = np.maximum(limit, 1e-9)[:, None]
        margin: Floats = (limit[:, None] - self.across / (2 * wide) - self.distance) / np.sqrt(self.along)
        return margin

    def least(self, limit: Floats) -> tuple[Floats, Integers]:
        """Return the least p over the levels (k,) and its column.

        Where the two components are uncorrelated and small beside the disc, p falls with the score but for terms far
        below what is printed: only near ties need p itself at every level. Where p is the same to rounding, the level
        of the least score is named, the highest of several.
        """
        k = np.arange(len(limit))
        score = self.score(limit)
        lowest = np.round(score, 9).argmin(axis=1)
        if self.mixed is None:
            near = (score < score[k, lowest][:, None] + _NEAR_TIE) & (self.along != self.along[k, lowest][:, None])
            doubtful = near.any(axis=1) | (self.along.max(axis=1) > (limit / _WIDE) ** 2)
        else:
            doubtful = np.ones(len(limit), dtype=bool)
        p = np.empty(len(limit))
        clear, rows = np.flatnonzero(~doubtful), np.flatnonzero(doubtful)
        p[clear] = self._only(clear, lowest[clear][:, None]).conform(limit[clear])[:, 0]
        if len(rows):
            every = self._only(rows).conform(limit[rows])
            place = np.arange(len(rows))
            least = every.min(axis=1)
            same = every[place, lowest[rows]] - least < _ROUNDING
            lowest[rows] = np.where(same, lowest[rows], every.argmin(axis=1))
            p[rows] = every[place, lowest[rows]]
        return p, lowest

    def _only(self, rows: Integers, columns: Integers | None = None) -> Spread:
        """Return some rows, of each the given columns (k, l)."""

        def taken(values: Floats) -> Floats:
            part: Floats = values[rows]
            return part if columns is None else np.take_along_axis(part, columns, axis=1)

        return Spread(
            distance=taken(self.distance),
            along=taken(self.along),
            across=taken(self.across),
            mixed=None if self.mixed is None else taken(self.mixed),
        )


def _laid_out(j: JointInputs, axes: Axes) -> Floats:
    """Return ends, vertices of both axes, surveyed levels and deepest readings, in the range, from the top down."""
    candidates = []
    for k in range(1, int(max((axes.start[p + 1] - axes.start[p]).max(initial=1) for p in (j.a, j.b)))):
        for piles in (j.a, j.b):
            has = axes.start[piles + 1] - axes.start[piles] > k
            vertex = j.top.copy()
            vertex[has] = axes.top[axes.start[piles[has]] + k]
            candidates.append(vertex)
    for piles in (j.a, j.b):
        candidates += [axes.surveyed_level[piles], axes.deepest[piles]]
        if np.any(axes.method[piles] == PROFILE):
            # the wander of a profile's reference settles within a metre of the surveyed level
            candidates += [axes.surveyed_level[piles] + 1.0, axes.surveyed_level[piles] - 1.0]
    columns = [j.top]
    for level in candidates:
        inside = np.where(np.isnan(level), j.top, np.clip(level, j.bottom, j.top))
        # piles are mostly surveyed above the range and read at the same depths: what adds nothing is left out
        if not np.all((inside == j.top) | (inside == j.bottom) | (inside == columns[-1])):
            columns.append(inside)
    levels = np.column_stack([*columns, j.bottom])
    return -np.sort(-levels, axis=1)


def highest_beyond(span: Span, limit: Floats) -> Floats:
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
    rows, above = rows[inner], first[inner] - 1
    _, lower = roots(span, rows, above, limit[rows])
    level[rows] = span.level_between(rows, above, np.clip(lower, 0.0, 1.0))
    return level


def roots(span: Span, rows: Integers, above: Integers, limit: Floats) -> tuple[Floats, Floats]:
    """Return where the distance equals ``limit`` (k,) between the laid-out levels ``above`` (k,) and the next ones.

    Both are parts of the interval, the upper first, below 0 or above 1 where they lie outside it. Where the distance
    stays greater, both are where it is least; where it does not change, both are 0.
    """
    w_e, w_n = span.w_e[rows, above], span.w_n[rows, above]
    d_e, d_n = span.w_e[rows, above + 1] - w_e, span.w_n[rows, above + 1] - w_n
    aa, bb = d_e * d_e + d_n * d_n, w_e * d_e + w_n * d_n
    cc = w_e * w_e + w_n * w_n - limit**2
    reached = bb * bb - aa * cc
    # in the form that does not cancel: the root of greater size first, the other from their product
    far = -(bb + np.copysign(np.sqrt(np.maximum(reached, 0.0)), bb))
    one = far / np.where(aa > 0, aa, 1.0)
    two = np.where((reached > 0) & (aa > 0), cc / np.where(far != 0, far, 1.0), one)
    return np.minimum(one, two), np.maximum(one, two)


def surely_within(span: Span, rows: Integers, limit: Floats, confidence: float) -> Booleans:
    """Return where a coarse bound already shows p(z) >= confidence over the whole range of the joint.

    The variance is greatest at an end of the range (it grows both ways from the surveyed level), the distance at a
    vertex; the disc's curvature costs at most the reach of its rim over what the scatter reaches.
    """
    from scipy.special import ndtri

    ends = span.variance(rows, np.array([0, span.levels.shape[1] - 1]))
    most = ends.max(axis=1) + span.j.cov[rows][:, [0, 2]].sum(axis=1)
    far = span.distance[rows].max(axis=1)
    reach = 5.0 * np.sqrt(most)
    rim = np.sqrt(np.maximum(limit[rows] ** 2 - reach**2, 0.0))
    sure: Booleans = (rim - far) / np.sqrt(most) > ndtri(confidence) + 0.01
    return sure


def sounded(span: Span, rows: Integers, limit: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Return the levels (k, l), from the top down, between which p(z) passes the confidence at most once, and p there.

    But where p falls short at two that follow one another, it may suffice in between.
    """
    levels = np.column_stack([span.levels[rows], *_where_bent(span, rows)])
    levels = -np.sort(-levels, axis=1)
    return levels, span.conform_nearly(rows, levels, limit[rows], confidence)


def highest_unsure(
    span: Span, rows: Integers, limit: Floats, confidence: float, *, known: Floats | None = None
) -> tuple[Floats, Floats, Floats]:
    """Return the highest level where p(z) < confidence (k,), NaN for none; about the least p, and its level.

    Where it cannot lie above a level already ``known`` (k,), it is found no closer than to the levels laid out.
    """
    levels, p = sounded(span, rows, limit, confidence)
    unsure = p < confidence
    found = unsure.any(axis=1)
    first = unsure.argmax(axis=1)
    level = np.full(len(rows), np.nan)
    k = np.arange(len(rows))
    level[found] = levels[k, first][found]
    inner = found & (first > 0)
    if known is not None:
        inner &= ~(levels[k, np.maximum(first - 1, 0)] <= known)
    inner_rows = np.flatnonzero(inner)
    if len(inner_rows):
        f = first[inner_rows]
        mine = rows[inner_rows]
        level[inner_rows] = crossing(
            lambda at, z: span.conform(mine[at], z[:, None], limit[mine[at]])[:, 0],
            confidence,
            high=levels[inner_rows, f - 1],
            low=levels[inner_rows, f],
            p_high=p[inner_rows, f - 1],
            p_low=p[inner_rows, f],
        )
    at = p.argmin(axis=1)
    return level, p[k, at], levels[k, at]


def _where_bent(span: Span, rows: Integers) -> list[Floats]:
    """Return further levels (k,) each where the uncertainty does not grow as a convex function of level.

    Between two laid-out levels it does (it is the length of a vector that is linear in level), but below a deepest
    reading, where wander gathers, and within a metre of a profile's surveyed level.
    """
    axes, j, inner = span.axes, span.j, (0.25, 0.5, 0.75)
    top, bottom = j.top[rows], j.bottom[rows]
    found = []
    for piles in (j.a[rows], j.b[rows]):
        if np.any(axes.variance["w2"][piles] > 0):
            begin = np.clip(np.where(np.isnan(axes.deepest[piles]), bottom, axes.deepest[piles]), bottom, top)
            found += [begin + f * (bottom - begin) for f in inner]
        if np.any(axes.method[piles] == PROFILE):
            z_s = axes.surveyed_level[piles]
            found += [np.clip(z_s + sign * f, bottom, top) for f in inner for sign in (1.0, -1.0)]
    return found
