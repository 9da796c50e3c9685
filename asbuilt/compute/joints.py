"""Joints: the tie-in of neighbouring piles at every level, exactly.

Between consecutive vertices of the two axes the vector from one centre to the other is linear in level, so their
distance is convex: the least overlap lies at a vertex or an end, and the level where a given overlap is lost is a
root of a quadratic. No level is sampled. Only the level where a joint ceases to be *sure* has no closed form; it is
bracketed between those levels and refined.

Joints are worked on in lots, so that memory stays bounded and the arrays stay in the processor's cache.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.axes import NONE, axis_positions
from asbuilt.compute.lots import in_lots
from asbuilt.compute.spans import Span, Spread, highest_beyond, highest_unsure, surely_within
from asbuilt.compute.verdicts import OUTSIDE, SLACK_M, UNRESOLVED, WITHIN, decide

if TYPE_CHECKING:
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Axes, Booleans, Codes, Floats, Integers
    from asbuilt.settings import Settings

__all__ = ["JointResults", "evaluate_joints", "lens", "overlap_for_chord"]



def lens(distance: Floats, radius_a: Floats, radius_b: Floats) -> Floats:
    """Return the common chord of two circles [same unit]: 0 apart, the smaller diameter where one is inside the other.

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
    done = in_lots(lambda rows: _lot(inputs.take(rows), axes, other, settings), order) or [
        _lot(inputs, axes, other, settings)
    ]
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return JointResults(
        **{f.name: np.concatenate([getattr(d, f.name) for d in done])[back] for f in fields(JointResults)}
    )


def _lot(j: JointInputs, axes: Axes, other: Axes, settings: Settings) -> JointResults:
    """Work out one lot of joints."""
    out = _Judged(j, axes, settings)
    out.judge()
    out.beside(Span(j, other))
    return out.results()


class _Judged:
    """One lot of joints on its way to a verdict."""

    def __init__(self, j: JointInputs, axes: Axes, settings: Settings) -> None:
        self.j, self.axes = j, axes
        self.confidence, self.guarded = settings.site.confidence, settings.decide.joint == "guarded"
        self.rule = settings.decide.joint
        self.reach = j.radius_a + j.radius_b
        self.limit = self.reach - j.required
        self.span = span = Span(j, axes)
        self.k = np.arange(len(j.a))
        self.surveyed = ~np.isnan(span.distance[:, 0])
        self.complete = self.surveyed & (axes.method[j.a] != NONE) & (axes.method[j.b] != NONE)
        self.rows = np.flatnonzero(self.complete)
        self.far = np.where(self.complete, np.nan_to_num(span.distance, nan=-np.inf).argmax(axis=1), 0)
        self.least = self._if_complete(self.reach - span.distance[self.k, self.far])
        self.least_level = self._if_complete(span.levels[self.k, self.far])
        self.lost = self._if_complete(highest_beyond(span, self.limit))
        self.open = self._if_complete(highest_beyond(span, self.reach))
        self.p, self.p_open, self.sigma, self.governing, self.sure = (np.full(len(j.a), np.nan) for _ in range(5))

    def _if_complete(self, values: Floats) -> Floats:
        return np.where(self.complete, values, np.nan)

    def judge(self) -> None:
        """Give the verdict under the governing lean model."""
        span, rows, j = self.span, self.rows, self.j
        spread = span.laid_out(rows)
        self.p[rows], at = spread.least(self.limit[rows])
        places = np.arange(len(rows))
        self.sigma[rows], self.governing[rows] = np.sqrt(spread.along[places, at]), span.levels[rows, at]
        self.p_open[rows] = 1.0 - spread.least(self.reach[rows])[0]
        settled = self._settled_at_top()
        beyond = np.where(self.complete, self.least < j.required - SLACK_M, settled)
        self.verdict = decide(
            beyond, self.p, rule=self.rule, confidence=self.confidence, measured=self.complete | settled
        )
        self.verdict[settled] = OUTSIDE
        if self.guarded:
            doubtful = rows[~surely_within(span, rows, self.limit, self.confidence)]
            self.sure[doubtful], seen, where = highest_unsure(span, doubtful, self.limit, self.confidence)
            # between the levels laid out it may be less sure than at them
            slipped = (self.p[doubtful] >= self.confidence) & (seen < self.confidence)
            lower = doubtful[slipped]
            self.governing[lower] = where[slipped]
            self.p[lower] = span.conform(lower, where[slipped][:, None], self.limit[lower])[:, 0]
            self.sigma[lower] = span.sigma(lower, where[slipped])
            self.verdict[lower[self.verdict[lower] == WITHIN]] = UNRESOLVED
        else:
            self.sure[rows] = self.lost[rows]
        # below a toe that is too high there is no joint
        short = ~np.isnan(j.toe)
        self.verdict[short] = OUTSIDE
        self.sure[short] = np.fmax(self.sure, j.toe)[short]

    def _settled_at_top(self) -> Booleans:
        """Return where an axis is unknown but the top of the range is already lost beyond doubt."""
        settled = np.zeros(len(self.k), dtype=bool)
        rows = np.flatnonzero(self.surveyed & ~self.complete)
        if not len(rows):
            return settled
        # the laid-out levels begin with the top; a surveyed level out of reach leaves it unknown
        spread = self.span.laid_out(rows)
        top = Spread(
            distance=spread.distance[:, :1],
            along=spread.along[:, :1],
            across=spread.across[:, :1],
            mixed=None if spread.mixed is None else spread.mixed[:, :1],
        )
        p = top.conform(self.limit[rows])[:, 0]
        self.p[rows], self.sigma[rows] = p, np.sqrt(top.along[:, 0])
        self.surveyed[rows] = ~np.isnan(p)
        self.governing[rows] = np.where(np.isnan(p), np.nan, self.j.top[rows])
        overlap = self.reach[rows] - top.distance[:, 0]
        settled[rows] = (p <= 1 - self.confidence) & (overlap < self.j.required[rows] - SLACK_M)
        self.lost[settled] = self.sure[settled] = self.j.top[settled]
        opened = rows[settled[rows] & (overlap < -SLACK_M)]
        self.open[opened] = self.j.top[opened]
        return settled

    def beside(self, other: Span) -> None:
        """Hold the other lean model beside the one that governs."""
        j, a, b = self.j, self.axes.method, other.axes.method
        tilted = self.complete & ((a[j.a] != b[j.a]) | (a[j.b] != b[j.b]))
        far = np.nan_to_num(other.distance, nan=-np.inf).argmax(axis=1)
        self.other_least = np.where(tilted, self.reach - other.distance[self.k, far], np.nan)
        self.other_level = np.where(tilted, other.levels[self.k, far], np.nan)
        unsure = np.full(len(self.k), np.nan)
        rows = np.flatnonzero(tilted)
        if self.guarded:
            rows = rows[~surely_within(other, rows, self.limit, self.confidence)]
            unsure[rows], _, _ = highest_unsure(other, rows, self.limit, self.confidence, known=self.sure[rows])
        else:
            unsure[rows] = highest_beyond(other, self.limit)[rows]
        self.sure = np.fmax(self.sure, unsure)
        self.depends = ~np.isnan(unsure) & (self.verdict == WITHIN)
        self.verdict[self.depends] = UNRESOLVED

    def results(self) -> JointResults:
        """Return what was found."""
        distance, chord, thickness, band = _at_formation(self.j, self.axes, self.complete)
        along, across = _relative(self.span, self.far, self.j, self.complete)
        return JointResults(
            overlap_top=np.where(self.surveyed, self.reach - self.span.distance[:, 0], np.nan),
            overlap_formation=self.reach - distance,
            least=self.least,
            least_level=self.least_level,
            levels_known=self.complete,
            lost_level=self.lost,
            open_level=self.open,
            sure_level=self.sure,
            chord_formation=chord,
            thickness_formation=thickness,
            band_formation=band,
            least_along=along,
            least_across=across,
            sigma=self.sigma,
            p=self.p,
            p_open=self.p_open,
            governing_level=self.governing,
            other_least=self.other_least,
            other_level=self.other_level,
            depends_on_model=self.depends,
            verdict=self.verdict,
        )


def _at_formation(j: JointInputs, axes: Axes, complete: Booleans) -> tuple[Floats, Floats, Floats, Floats]:
    """Return distance, chord, thickness square to the wall and common band at formation (m,), NaN below the range."""
    level = j.formation[:, None]
    here = complete & (j.formation >= j.bottom - SLACK_M) & (j.formation <= j.top + SLACK_M)
    e_a, n_a = (x[:, 0] for x in axis_positions(axes, j.a, level))
    e_b, n_b = (x[:, 0] for x in axis_positions(axes, j.b, level))
    w_e, w_n = np.where(here, e_b - e_a, np.nan), np.where(here, n_b - n_a, np.nan)
    distance = np.hypot(w_e, w_n)
    chord = lens(distance, j.radius_a, j.radius_b)
    safe = np.where(distance > 0, distance, 1.0)
    thickness = chord * np.abs((w_e * j.along[:, 0] + w_n * j.along[:, 1]) / safe)
    across_a = e_a * j.pit[:, 0] + n_a * j.pit[:, 1]
    across_b = e_b * j.pit[:, 0] + n_b * j.pit[:, 1]
    band = np.minimum(across_a + j.radius_a, across_b + j.radius_b) - np.maximum(
        across_a - j.radius_a, across_b - j.radius_b
    )
    return distance, chord, thickness, np.where(here, band, np.nan)


def _relative(span: Span, at: Integers, j: JointInputs, complete: Booleans) -> tuple[Floats, Floats]:
    """Return the relative movement against design at the least level, along and across the joint (m,) [m]."""
    k = np.arange(len(at))
    d_e = np.where(complete, span.w_e[k, at] - j.design_w[:, 0], np.nan)
    d_n = np.where(complete, span.w_n[k, at] - j.design_w[:, 1], np.nan)
    return d_e * j.along[:, 0] + d_n * j.along[:, 1], d_e * j.pit[:, 0] + d_n * j.pit[:, 1]
