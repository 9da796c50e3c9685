"""What every joint is over the whole of its range: open, lost, not sure, sure or not surveyed, band by band.

Each reason for not being sure holds over some stretches of the range. Where a stretch begins and ends is found for
each reason by itself, in closed form for a distance, refined for a probability. All the turns of a joint are then
gone through from the top down, and between two of them the gravest reason that holds names the band.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from asbuilt.compute.axes import NO_AXIS_REACH_M, NONE, axis_positions, axis_variances
from asbuilt.compute.crossing import CROSSING_M, crossing
from asbuilt.compute.lots import in_lots
from asbuilt.compute.spans import Span, roots, sounded, surely_within
from asbuilt.compute.verdicts import SLACK_M
from asbuilt.views import JOINT_STATES, Bands

if TYPE_CHECKING:
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Axes, Booleans, Codes, Floats, Integers
    from asbuilt.settings import Settings

__all__ = ["LOST", "NOT_SURE", "NOT_SURVEYED", "OPEN", "SURE", "joint_bands"]

OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(len(JOINT_STATES))
#: Reasons from the gravest on: a gap, a toe, not known, lost, not sure under either lean model.
_GAP, _TOE, _UNKNOWN, _LOST, _UNSURE, _UNSURE_BESIDE = range(6)
#: What a band is for the gravest of its reasons, and for none.
_STATE_FOR = np.array([OPEN, OPEN, NOT_SURVEYED, LOST, NOT_SURE, NOT_SURE, SURE], dtype=np.int8)
#: Bands shorter than this [m] are merged away.
_SHORTEST_M = 1e-6
#: A disc less than so many standard deviations wide is no half-plane.
_WIDE = 12.0
#: A score that falls short by more cannot be mended by the disc's curvature.
_CLOSE = 0.1
_GOLDEN = (5**0.5 - 1) / 2


def joint_bands(inputs: JointInputs, axes: Axes, other: Axes, settings: Settings, *, settled: Floats) -> Bands:
    """Return the state of every joint over the whole of its range.

    Parameters
    ----------
    inputs : JointInputs
    axes, other : Axes
        Under the governing lean model and under the other.
    settings : Settings
        Rule, confidence.
    settled : (m,) array
        Level [m] at which a joint without complete axes is lost beyond doubt, the top of its range; NaN otherwise.
        It is shown so as far down as its centres are known.

    Returns
    -------
    Bands
        In order of joint and from the top down. Neighbours differ in state, and none is shorter than a micrometre
        but that of a range without length.

    Notes
    -----
    Between two levels that :func:`asbuilt.compute.spans.sounded` gives, what is to spare and the uncertainty are
    concave and convex functions of level: where p(z) suffices is one stretch there, if it is anywhere.
    """
    size = np.diff(axes.start)[inputs.a] + np.diff(axes.start)[inputs.b]
    order = np.argsort(size, kind="stable")
    done = in_lots(lambda rows: _lot(inputs.take(rows), axes, other, settings, settled[rows], rows), order)
    if not done:
        none = np.empty(0)
        return Bands(joint=none.astype(np.int64), top=none, bottom=none, state=none.astype(np.int8))
    joint, top, bottom, state = (np.concatenate(part) for part in zip(*done, strict=True))
    back = np.argsort(joint, kind="stable")
    return Bands(joint=joint[back], top=top[back], bottom=bottom[back], state=state[back])


@dataclass(frozen=True, kw_only=True)
class _Turns:
    """Where something begins (``step`` 1) or ceases (-1) to hold, going down: joints of the lot and levels (k,)."""

    row: Integers
    level: Floats
    step: Integers

    @staticmethod
    def of(*parts: tuple[int, Integers, Floats]) -> _Turns:
        """Return turns of several parts: step, joints and levels."""
        return _Turns(
            row=np.concatenate([row for _, row, _ in parts]),
            level=np.concatenate([level for _, _, level in parts]),
            step=np.concatenate([np.full(len(row), step) for step, row, _ in parts]),
        )


def _lot(
    j: JointInputs, axes: Axes, other: Axes, settings: Settings, settled: Floats, joint: Integers
) -> tuple[Integers, Floats, Floats, Codes]:
    """Return the bands of one lot: joint, top, bottom, state."""
    span = Span(j, axes)
    reach = j.radius_a + j.radius_b
    limit = reach - j.required
    complete = ~np.isnan(span.distance[:, 0]) & (axes.method[j.a] != NONE) & (axes.method[j.b] != NONE)
    tilted = complete & ((axes.method[j.a] != other.method[j.a]) | (axes.method[j.b] != other.method[j.b]))
    rows, beside = np.flatnonzero(complete), np.flatnonzero(tilted)
    short = np.flatnonzero(~np.isnan(j.toe))
    turns = {
        _GAP: [_beyond(span, rows, reach)],
        _TOE: [_Turns.of((1, short, np.minimum(j.toe, j.top)[short]))],
        _LOST: [_beyond(span, rows, limit)],
    }
    also = Span(j.take(beside), other)
    if settings.decide.joint == "guarded":
        confidence = settings.site.confidence
        # below a toe it does not matter how sure the joint would be
        hidden = np.where(np.isnan(j.toe), -np.inf, j.toe)
        turns[_UNSURE] = [_unsure(span, rows, limit, confidence, hidden)]
        hidden = np.fmax(hidden, _to_the_bottom(turns[_UNSURE][0], len(j.a)))
        found = _unsure(also, np.arange(len(beside)), limit[beside], confidence, hidden[beside])
    else:
        found = _beyond(also, np.arange(len(beside)), limit[beside])
    turns[_UNSURE_BESIDE] = [_Turns(row=beside[found.row], level=found.level, step=found.step)]
    _unknown(turns, span, complete, settled)
    row, top, bottom, state = _gone_through(j, turns)
    return joint[row], top, bottom, state


def _beyond(span: Span, rows: Integers, limit: Floats) -> _Turns:
    """Return where the distance begins and ceases to exceed ``limit`` (m,): exact."""
    beyond = span.distance > limit[:, None] + SLACK_M
    rows = rows[beyond[rows].any(axis=1)]
    beyond = beyond[rows]
    at_top = rows[beyond[:, 0]]
    k, above = np.nonzero(beyond[:, :-1] | beyond[:, 1:])
    before, after, row = beyond[k, above], beyond[k, above + 1], rows[k]
    first, last = roots(span, row, above, limit[row])
    # the distance is convex: beyond at both ends it may come within and go beyond again
    ceases = before & (~after | ((first > 0) & (last < 1) & (first < last)))
    begins = after & (~before | ceases)
    upper, lower = (span.level_between(row, above, np.clip(part, 0.0, 1.0)) for part in (first, last))
    return _Turns.of(
        (1, at_top, span.levels[at_top, 0]), (-1, row[ceases], upper[ceases]), (1, row[begins], lower[begins])
    )


def _unsure(span: Span, rows: Integers, limit: Floats, confidence: float, hidden: Floats) -> _Turns:
    """Return where p(z) begins and ceases to fall short of the confidence, refined above the levels ``hidden`` (m,)."""
    rows = rows[hidden[rows] < span.j.top[rows]]
    rows = rows[~surely_within(span, rows, limit, confidence)]
    levels, p = sounded(span, rows, limit, confidence)
    unsure = p < confidence
    k, c = np.nonzero(unsure[:, :-1] != unsure[:, 1:])
    begins = unsure[k, c + 1]
    sure_at, unsure_at = np.where(begins, c, c + 1), np.where(begins, c + 1, c)
    high, low, p_high, p_low = levels[k, sure_at], levels[k, unsure_at], p[k, sure_at], p[k, unsure_at]
    inner, at, level, p_level = _sure_within(span, rows, limit[rows], confidence, levels, p, hidden[rows])
    # each stretch found between two levels has two ends
    row = rows[np.concatenate([k, inner, inner])]
    high, p_high = np.concatenate([high, level, level]), np.concatenate([p_high, p_level, p_level])
    low = np.concatenate([low, levels[inner, at], levels[inner, at + 1]])
    p_low = np.concatenate([p_low, p[inner, at], p[inner, at + 1]])
    seen = np.flatnonzero(np.maximum(high, low) > hidden[row])
    turn = low.copy()
    turn[seen] = crossing(
        lambda item, z: span.conform(row[seen[item]], z[:, None], limit[row[seen[item]]])[:, 0],
        confidence,
        high=high[seen],
        low=low[seen],
        p_high=p_high[seen],
        p_low=p_low[seen],
    )
    step = np.concatenate([np.where(begins, 1, -1), np.full(len(inner), -1), np.full(len(inner), 1)])
    at_top = np.flatnonzero(unsure[:, 0])
    return _Turns(
        row=np.concatenate([rows[at_top], row]),
        level=np.concatenate([levels[at_top, 0], turn]),
        step=np.concatenate([np.ones(len(at_top), dtype=np.int64), step]),
    )


def _sure_within(
    span: Span, rows: Integers, limit: Floats, confidence: float, levels: Floats, p: Floats, hidden: Floats
) -> tuple[Integers, Integers, Floats, Floats]:
    """Return levels where p(z) suffices between two that follow one another and where it does not.

    As the place among ``rows``, the column above, the level and p there. What is to spare at the least distance, over
    the least uncertainty, already tells nearly all of the others.
    """
    unsure = p < confidence
    k, c = np.nonzero(unsure[:, :-1] & unsure[:, 1:] & (levels[:, :-1] > np.maximum(levels[:, 1:], hidden[:, None])))
    ends = np.column_stack([levels[k, c], levels[k, c + 1]])
    least, variance, wide = _bounds(span, rows[k], ends, limit[k])
    promising = (least < limit[k]) & (
        ~wide | (limit[k] - least > (ndtri(confidence) - _CLOSE) * np.sqrt(np.maximum(variance, 0.0)))
    )
    k, c, ends = k[promising], c[promising], ends[promising]
    level, p_level = _surest(span, rows[k], limit[k], confidence, ends)
    found = p_level >= confidence
    return k[found], c[found], level[found], p_level[found]


def _bounds(span: Span, rows: Integers, ends: Floats, limit: Floats) -> tuple[Floats, Floats, Booleans]:
    """Return the least distance between two levels (k, 2) that no vertex parts, and a bound below the variance.

    And whether the scatter is small beside the disc. An axis is surest at its surveyed level, which no two levels
    enclose: its variance is least at one of them.
    """
    piles = span.j.a[rows], span.j.b[rows]
    (e_a, n_a), (e_b, n_b) = (axis_positions(span.axes, pile, ends) for pile in piles)
    w_e, w_n = e_b - e_a, n_b - n_a
    d_e, d_n = w_e[:, 1] - w_e[:, 0], w_n[:, 1] - w_n[:, 0]
    length = d_e * d_e + d_n * d_n
    part = np.clip(-(w_e[:, 0] * d_e + w_n[:, 0] * d_n) / np.where(length > 0, length, 1.0), 0.0, 1.0)
    least = np.hypot(w_e[:, 0] + part * d_e, w_n[:, 0] + part * d_n)
    each = [axis_variances(span.axes, pile, ends) for pile in piles]
    ee, en, nn = span.j.cov[rows].T
    smaller = (ee + nn - np.hypot(ee - nn, 2 * en)) / 2
    variance = smaller + each[0].min(axis=1) + each[1].min(axis=1)
    wide = ee + nn + each[0].max(axis=1) + each[1].max(axis=1) < (limit / _WIDE) ** 2
    return least, variance, wide


def _surest(span: Span, rows: Integers, limit: Floats, confidence: float, ends: Floats) -> tuple[Floats, Floats]:
    """Return a level between two (k, 2) where p(z) suffices, or else where it is greatest, and p there.

    By golden section, to the precision of :func:`asbuilt.compute.crossing.crossing`: a shorter stretch is no band.
    """

    def chance(item: Integers, z: Floats) -> Floats:
        return span.conform(rows[item], z[:, None], limit[item])[:, 0]

    every = np.arange(len(rows))
    upper, lower = ends[:, 0].copy(), ends[:, 1].copy()
    one, two = upper + (1 - _GOLDEN) * (lower - upper), upper + _GOLDEN * (lower - upper)
    p_one, p_two = chance(every, one), chance(every, two)
    while True:
        open_ = (np.maximum(p_one, p_two) < confidence) & (upper - lower > CROSSING_M / 2)
        if not open_.any():
            break
        left, right = np.flatnonzero(open_ & (p_one >= p_two)), np.flatnonzero(open_ & (p_one < p_two))
        lower[left], two[left], p_two[left] = two[left], one[left], p_one[left]
        one[left] = upper[left] + (1 - _GOLDEN) * (lower[left] - upper[left])
        p_one[left] = chance(left, one[left])
        upper[right], one[right], p_one[right] = one[right], two[right], p_two[right]
        two[right] = upper[right] + _GOLDEN * (lower[right] - upper[right])
        p_two[right] = chance(right, two[right])
    better = p_one >= p_two
    return np.where(better, one, two), np.where(better, p_one, p_two)


def _to_the_bottom(turns: _Turns, count: int) -> Floats:
    """Return the level from which something holds all the way down (m,); -inf where it does not at the bottom."""
    holds = np.bincount(turns.row, turns.step, minlength=count) > 0
    level = np.full(count, np.inf)
    begins = turns.step > 0
    np.minimum.at(level, turns.row[begins], turns.level[begins])
    return np.where(holds, level, -np.inf)


def _unknown(turns: dict[int, list[_Turns]], span: Span, complete: Booleans, settled: Floats) -> None:
    """Add what is known of joints without complete axes."""
    j, axes = span.j, span.axes
    # a joint may also be lost from a toe down: that settles nothing above
    known = ~complete & (settled >= j.top - SLACK_M)
    lost = np.flatnonzero(known)
    end = j.bottom[lost]
    for pile in (j.a[lost], j.b[lost]):
        stub = axes.method[pile] == NONE
        end = np.where(stub, np.fmax(end, axes.surveyed_level[pile] - NO_AXIS_REACH_M), end)
    end = np.minimum(end, j.top[lost])
    gap = j.radius_a[lost] + j.radius_b[lost] - span.distance[lost, 0] < -SLACK_M
    turns[_LOST].append(_Turns.of((1, lost, j.top[lost])))
    turns[_GAP].append(_Turns.of((1, lost[gap], j.top[lost[gap]])))
    ends = end > j.bottom[lost]
    unknown = np.flatnonzero(~complete & ~known)
    turns[_GAP].append(_Turns.of((-1, lost[gap & ends], end[gap & ends])))
    turns[_UNKNOWN] = [_Turns.of((1, unknown, j.top[unknown]), (1, lost[ends], end[ends]))]


def _gone_through(j: JointInputs, turns: dict[int, list[_Turns]]) -> tuple[Integers, Floats, Floats, Codes]:
    """Go through the turns of each joint from the top down; return joint, top, bottom and state of its bands."""
    count = len(j.a)
    each = [(kind, part) for kind, parts in turns.items() for part in parts]
    row = np.concatenate([np.arange(count), *(part.row for _, part in each)])
    level = np.concatenate([j.top, *(part.level for _, part in each)])
    steps = np.zeros((len(row), len(_STATE_FOR) - 1), dtype=np.int32)
    place = count
    for kind, part in each:
        steps[place : place + len(part.row), kind] = part.step
        place += len(part.row)
    order = np.lexsort((-level, row))
    row, top = row[order], level[order]
    holding = np.cumsum(steps[order], axis=0)
    begin = np.searchsorted(row, np.arange(count))
    before = np.where((begin > 0)[:, None], holding[np.maximum(begin - 1, 0)], 0)
    holds = np.column_stack([holding - before[row] > 0, np.ones(len(row), dtype=bool)])
    state = _STATE_FOR[holds.argmax(axis=1)]
    return _merged(row, top, state, j.bottom)


def _merged(row: Integers, top: Floats, state: Codes, end: Floats) -> tuple[Integers, Floats, Floats, Codes]:
    """Merge neighbours of one state, and what is too short with what is above it; ``end`` (m,) of each joint."""
    highest = top[np.r_[True, row[1:] != row[:-1]]]

    def distinct(row: Integers, state: Codes) -> Booleans:
        fresh: Booleans = np.r_[True, (row[1:] != row[:-1]) | (state[1:] != state[:-1])]
        return fresh

    def bottoms(row: Integers, top: Floats) -> Floats:
        is_last = np.r_[row[1:] != row[:-1], True]
        return np.where(is_last, end[row], np.r_[top[1:], np.nan])

    keep = distinct(row, state)
    row, top, state = row[keep], top[keep], state[keep]
    long = top - bottoms(row, top) >= _SHORTEST_M
    # a range without length is one band
    whole = np.r_[row[1:] != row[:-1], True] & (np.bincount(row, long, minlength=len(end)) == 0)[row]
    row, top, state = row[long | whole], top[long | whole], state[long | whole]
    keep = distinct(row, state)
    row, top, state = row[keep], top[keep], state[keep]
    top = np.where(np.r_[True, row[1:] != row[:-1]], highest[row], top)
    return row, top, bottoms(row, top), state
