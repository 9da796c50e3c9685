"""Lean readings and profiles to pile axes, with their uncertainty at every level.

An axis is piecewise linear in level and passes through the surveyed centre at the surveyed level. Tilts are read as one
straight tube or as steps; both are worked out, the settings say which governs. A profile gives offsets with depth.
Without readings the axis is unknown beyond a short way from the surveyed level.

The variance per component at level z, at height h = z_s − z below the surveyed level, is

    q²(z) = q0 + v·(z − near)² + b²·h² + w²·g³/3 + a²·min(1, |h| / 1 m)

with q0, v, near of the segment that z lies in, and b, w, a of the pile; g is the length below the deepest reading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import METHODS
from asbuilt.model import Axes

if TYPE_CHECKING:
    from asbuilt.compute.readings import Readings
    from asbuilt.model import Booleans, Centres, Floats, Integers, Table
    from asbuilt.settings import Settings

__all__ = ["NO_AXIS_REACH_M", "axis_positions", "axis_variances", "build_axes", "placed", "segment_at"]

STRAIGHT, STEPPED, PROFILE, NONE = range(len(METHODS))
#: Without an axis the centre is carried with no slope over at most this [m].
NO_AXIS_REACH_M = 2.0
#: The slope below a profile is that of its deepest part of this length [m].
PROFILE_END_M = 3.0
#: Rows of one log follow one another within this [ms].
LOG_GAP_MS = 30 * 60 * 1000



@dataclass(frozen=True, kw_only=True)
class _Parts:
    """Segments of some piles, before they are put together."""

    pile: Integers
    top: Floats
    anchor_z: Floats
    anchor_e: Floats
    anchor_n: Floats
    slope_e: Floats
    slope_n: Floats
    v: Floats
    q0: Floats
    near: Floats


def _segments_of(counts: Integers) -> tuple[Integers, Integers]:
    """Return the owner of each of ``sum(counts)`` places, and the first place of each owner."""
    start = np.concatenate([[0], np.cumsum(counts)])
    return np.repeat(np.arange(len(counts)), counts), start


def _straight(readings: Readings, centres: Centres, piles: Integers, toe: Floats, settings: Settings) -> _Parts:
    u = settings.uncertainty
    last = readings.start[piles + 1] - 1
    deepest = readings.level[last]
    unread = np.maximum(0.0, deepest - toe[piles])
    v = (u.tilt_mm_per_m**2 / readings.count[last] + u.wander_mm_per_m**2 * unread) * 1e-6
    z_s = centres.level[piles]
    return _Parts(
        pile=piles,
        top=np.full(len(piles), np.inf),
        anchor_z=z_s,
        anchor_e=centres.e[piles],
        anchor_n=centres.n[piles],
        slope_e=readings.slope_e[last],
        slope_n=readings.slope_n[last],
        v=v,
        q0=np.zeros(len(piles)),
        near=z_s,
    )


def _stepped(readings: Readings, centres: Centres, piles: Integers, settings: Settings) -> _Parts:
    counts = readings.start[piles + 1] - readings.start[piles]
    owner, start = _segments_of(counts)
    k = np.arange(start[-1]) - start[owner] + readings.start[piles][owner]
    level, s_e, s_n = readings.level[k], readings.slope_e[k], readings.slope_n[k]
    is_first = np.arange(start[-1]) == start[owner]
    above = np.where(is_first, np.inf, np.r_[np.inf, level[:-1]])
    # offsets from the first reading's level down, at the top of each segment (at its foot for the first)
    anchor_z = np.where(is_first, level, above)
    reach = np.where(is_first, 0.0, anchor_z - level)
    f_e, f_n = (_offsets_at_top(s, reach, is_first) for s in (s_e, s_n))
    v = settings.uncertainty.tilt_mm_per_m**2 * 1e-6 / readings.count[k]
    return _through_centre(piles, centres, owner, start, top=above, z=anchor_z, f_e=f_e, f_n=f_n, s_e=s_e, s_n=s_n, v=v)


def _offsets_at_top(slope: Floats, reach: Floats, is_first: Booleans) -> Floats:
    """Return the running offset at the top of each segment, 0 at the anchor of each pile's first."""
    foot = np.cumsum(slope * reach)
    top = np.r_[0.0, foot[:-1]] if len(foot) else foot
    begin = np.flatnonzero(is_first)
    size = np.diff(np.r_[begin, len(slope)])
    relative: Floats = top - np.repeat(top[begin], size)
    # the first segment reaches up from its anchor: the second starts where the first is anchored
    return np.where(is_first, 0.0, relative)


def _through_centre(
    piles: Integers,
    centres: Centres,
    owner: Integers,
    start: Integers,
    *,
    top: Floats,
    z: Floats,
    f_e: Floats,
    f_n: Floats,
    s_e: Floats,
    s_n: Floats,
    v: Floats,
) -> _Parts:
    """Shift the axes so that each passes through its surveyed centre, and carry the variance away from there."""
    z_s = centres.level[piles]
    holds_s = _place_in(start, owner, top, z_s)
    shift_e = centres.e[piles] - (f_e[holds_s] + s_e[holds_s] * (z[holds_s] - z_s))
    shift_n = centres.n[piles] - (f_n[holds_s] + s_n[holds_s] * (z[holds_s] - z_s))
    foot = np.r_[top[1:], -np.inf]
    last = np.zeros(len(top), dtype=bool)
    last[start[1:] - 1] = True
    foot[last] = -np.inf
    place = np.arange(len(top))
    home = holds_s[owner]
    near = np.where(place == home, z_s[owner], np.where(place > home, top, foot))
    # variance gathered from the surveyed level to where each segment begins: over the home segment's part, and over
    # the whole of those between
    bounded = np.isfinite(top) & np.isfinite(foot)
    length = np.where(bounded, np.where(bounded, top, 0.0) - np.where(bounded, foot, 0.0), 0.0)
    run = np.cumsum(v * length**2)
    before = np.r_[0.0, run[:-1]]
    down = np.where(last[home], 0.0, z_s[owner] - np.where(last, 0.0, foot)[home])
    up = np.where(home == start[owner], 0.0, np.where(np.isfinite(top), top, 0.0)[home] - z_s[owner])
    q0 = np.where(
        place == home,
        0.0,
        np.where(place > home, v[home] * down**2 + before - run[home], v[home] * up**2 + before[home] - run),
    )
    return _Parts(
        pile=piles[owner],
        top=top,
        anchor_z=z,
        anchor_e=f_e + shift_e[owner],
        anchor_n=f_n + shift_n[owner],
        slope_e=s_e,
        slope_n=s_n,
        v=v,
        q0=np.maximum(q0, 0.0),
        near=near,
    )


def _place_in(start: Integers, owner: Integers, top: Floats, level: Floats) -> Integers:
    """Return the place of the segment that holds one level of each owner."""
    above = (top > level[owner]) & (np.arange(len(top)) != start[owner])
    inside: Integers = np.bincount(owner, above, minlength=len(level)).astype(np.int64)
    return start[:-1] + inside


def _logs(pile: Integers, level: Floats, time: Integers) -> tuple[Integers, Integers]:
    """Return the number of the log that each row belongs to, in order of pile, and the log's time.

    Rows of one pile are one log while each was read within :data:`LOG_GAP_MS` of the one before: some instruments stamp
    every row. A log that holds one level only is no profile: it is put before all others.
    """
    order = np.lexsort((level, time, pile))
    fresh = (np.diff(pile[order]) != 0) | (np.diff(time[order]) > LOG_GAP_MS)
    number = np.zeros(len(pile), dtype=np.int64)
    number[order] = np.concatenate([[0], np.cumsum(fresh)])[: len(pile)]
    count = int(number.max(initial=-1)) + 1
    newest = np.full(count, np.iinfo(np.int64).min)
    np.maximum.at(newest, number, time)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, number, level)
    np.maximum.at(high, number, level)
    newest[~(high - low > 1e-6)] = np.iinfo(np.int64).min + 1
    return number, newest[number]


def _profiles(
    profiles: Table, centres: Centres, attempt: Integers
) -> tuple[_Parts, Integers, Floats, Floats]:
    """Return segments of piles with a profile, those piles, the level of their deepest row and its time."""
    rows = np.flatnonzero((profiles.pile >= 0) & (profiles["attempt"] == attempt[profiles.pile]))
    pile = profiles.pile[rows].astype(np.int64)
    time = profiles["read_at"][rows].astype("datetime64[ms]").astype(np.int64)
    level = profiles["from_level"][rows] - profiles["depth"][rows]
    log, time = _logs(pile, level, time)
    order = np.lexsort((-level, log))
    rows, pile, time, level, log = rows[order], pile[order], time[order], level[order], log[order]
    newest = np.full(len(attempt), np.iinfo(np.int64).min)
    np.maximum.at(newest, pile, time)
    keep = time == newest[pile]
    rows, pile, level = rows[keep], pile[keep], level[keep]
    f_e, f_n = profiles["off_e_mm"][rows] / 1000.0, profiles["off_n_mm"][rows] / 1000.0
    # rows at one depth are averaged: between them there is no slope
    first = np.flatnonzero(np.r_[True, (np.diff(pile) != 0) | (np.diff(level) < -1e-6)]) if len(pile) else rows
    if len(first) < len(pile):
        size = np.diff(np.r_[first, len(pile)])
        f_e, f_n = np.add.reduceat(f_e, first) / size, np.add.reduceat(f_n, first) / size
        pile, level = pile[first], level[first]
    keep = (np.bincount(pile, minlength=len(attempt)) > 1)[pile]
    pile, level, f_e, f_n = pile[keep], level[keep], f_e[keep], f_n[keep]
    piles, owner, counts = np.unique(pile, return_inverse=True, return_counts=True)
    _, start = _segments_of(counts)
    # segment k runs from row k to row k + 1; the first also reaches up, the last continues below the deepest row
    place = np.arange(len(pile))
    is_first, is_last = place == start[owner], place == start[owner + 1] - 1
    following = np.where(is_last, place, place + 1)
    length = np.where(is_last, 1.0, level - level[following])
    s_e, s_n = (f_e[following] - f_e) / length, (f_n[following] - f_n) / length
    deepest = level[start[1:] - 1]
    begin = np.minimum(deepest + PROFILE_END_M, level[start[:-1]])
    home = _place_in(start, owner, np.where(is_first, np.inf, level), begin)
    span = begin - deepest
    end_e = (f_e[start[1:] - 1] - (f_e[home] + s_e[home] * (level[home] - begin))) / span
    end_n = (f_n[start[1:] - 1] - (f_n[home] + s_n[home] * (level[home] - begin))) / span
    s_e, s_n = np.where(is_last, end_e[owner], s_e), np.where(is_last, end_n[owner], s_n)
    parts = _through_centre(
        piles,
        centres,
        owner,
        start,
        top=np.where(is_first, np.inf, level),
        z=level,
        f_e=f_e,
        f_n=f_n,
        s_e=s_e,
        s_n=s_n,
        v=np.zeros(len(pile)),
    )
    return parts, piles, deepest, newest[piles].astype(float)


def _none(centres: Centres, piles: Integers, limit: Floats) -> _Parts:
    """Return a short stub: no slope, half the verticality limit per metre as its standard deviation."""
    z_s = centres.level[piles]
    zero = np.zeros(len(piles))
    half = limit[piles] / 2.0
    return _Parts(
        pile=piles,
        top=np.full(len(piles), np.inf),
        anchor_z=z_s,
        anchor_e=centres.e[piles],
        anchor_n=centres.n[piles],
        slope_e=zero,
        slope_n=zero,
        v=half * half,
        q0=zero,
        near=z_s,
    )


def build_axes(
    centres: Centres,
    readings: Readings,
    profiles: Table,
    settings: Settings,
    *,
    attempt: Integers,
    cut_off: Floats,
    toe: Floats,
    limit: Floats,
) -> tuple[Axes, Axes, Floats]:
    """Return the axes under the governing lean model and under the other, and the time of each pile's deepest reading.

    A pile that was read but not surveyed has a lean and no place: its axis hangs from (0, 0) at cut-off until
    :func:`placed` says that it has none.

    Parameters
    ----------
    centres, readings, profiles
        Governing centres, collected lean readings, the profile table.
    attempt, cut_off, toe, limit : (n,) arrays
        Governing attempt; cut-off and toe level [m]; verticality allowed [m per m], NaN for none.
    """
    count, u = len(toe), settings.uncertainty
    hung = _hung(centres, cut_off)
    profile_parts, profiled, profile_deepest, profile_time = _profiles(profiles, hung, attempt)
    method = np.full(count, NONE, dtype=np.int8)
    method[profiled] = PROFILE
    tilted = np.flatnonzero((method == NONE) & (np.diff(readings.start) > 0))
    bare = method == NONE
    bare[tilted] = False
    last = readings.start[tilted + 1] - 1
    deepest, newest, averaged = np.full(count, np.nan), np.full(count, np.nan), np.zeros(count, dtype=np.int64)
    deepest[profiled], newest[profiled] = profile_deepest, profile_time
    deepest[tilted], newest[tilted] = readings.level[last], readings.newest[tilted]
    # no pile is below its toe: a reading said to be from there does not make anything measured that is predicted
    deepest = np.where(deepest < toe, toe, deepest)
    averaged[tilted] = readings.count[last]
    b2, a2 = np.zeros(count), np.where(method == PROFILE, 2 * u.profile_mm**2 * 1e-6, 0.0)
    b2[profiled], b2[tilted] = u.profile_mm_per_m**2 * 1e-6, u.tilt_systematic_mm_per_m**2 * 1e-6

    def model(code: int, parts: _Parts) -> Axes:
        w2 = np.where(bare, 0.0, u.wander_mm_per_m**2 * 1e-6 / 3.0)
        if code == STRAIGHT:
            w2[tilted] = 0.0
        mine = method.copy()
        mine[tilted] = code
        return _assemble(
            [profile_parts, _none(hung, np.flatnonzero(bare), limit), parts],
            count,
            method=mine,
            surveyed_level=centres.level,
            deepest=deepest,
            readings=averaged,
            toe=toe,
            variance={"b2": b2, "w2": w2, "a2": a2},
        )

    straight = model(STRAIGHT, _straight(readings, hung, tilted, toe, settings))
    stepped = model(STEPPED, _stepped(readings, hung, tilted, settings))
    return (straight, stepped, newest) if u.axis == "straight" else (stepped, straight, newest)


def _hung(centres: Centres, cut_off: Floats) -> Centres:
    """Return the centres with (0, 0) at cut-off for piles that have none."""
    missing = np.isnan(centres.level)
    if not missing.any():
        return centres
    return replace(
        centres,
        e=np.where(missing, 0.0, centres.e),
        n=np.where(missing, 0.0, centres.n),
        level=np.where(missing, cut_off, centres.level),
    )


def placed(axes: Axes) -> Axes:
    """Return the axes with those of unsurveyed piles in no place: their positions become NaN."""
    missing = np.isnan(axes.surveyed_level)
    if not missing.any():
        return axes
    unplaced = np.repeat(missing, np.diff(axes.start))
    return replace(
        axes,
        anchor_e=np.where(unplaced, np.nan, axes.anchor_e),
        anchor_n=np.where(unplaced, np.nan, axes.anchor_n),
    )


def _assemble(parts: list[_Parts], count: int, *, variance: dict[str, Floats], **of_pile: object) -> Axes:
    """Join the segments of all piles in order of pile."""
    parts = [p for p in parts if len(p.pile)] or parts[:1]
    pile = np.concatenate([p.pile for p in parts])
    order = slice(None) if len(parts) == 1 else np.argsort(pile, kind="stable")

    def gather(name: str) -> Floats:
        values: Floats = np.concatenate([getattr(p, name) for p in parts])[order]
        return values

    start = np.concatenate([[0], np.cumsum(np.bincount(pile, minlength=count))])
    return Axes(
        start=start,
        top=gather("top"),
        anchor_z=gather("anchor_z"),
        anchor_e=gather("anchor_e"),
        anchor_n=gather("anchor_n"),
        slope_e=gather("slope_e"),
        slope_n=gather("slope_n"),
        variance={**variance, "v": gather("v"), "q0": gather("q0"), "near": gather("near")},
        **of_pile,  # type: ignore[arg-type]  # named as the record names them
    )


def segment_at(axes: Axes, piles: Integers, levels: Floats) -> Integers:
    """Return the place of the segment that holds each level; ``piles`` (k,) against ``levels`` (k, l)."""
    start = axes.start[piles][:, None]
    counts = axes.start[piles + 1] - axes.start[piles]
    most = int(counts.max(initial=1))
    if most == 1:
        return start
    place = np.zeros(levels.shape, dtype=np.int64)
    for k in range(1, most):
        top = np.full(len(piles), -np.inf)
        has = counts > k
        top[has] = axes.top[axes.start[piles[has]] + k]
        place += top[:, None] > levels
    return start + place


def axis_positions(
    axes: Axes, piles: Integers, levels: Floats, *, segment: Integers | None = None
) -> tuple[Floats, Floats]:
    """Return easting and northing (k, l), reduced [m], of the axes of ``piles`` (k,) at ``levels`` (k, l) [m]."""
    at = segment_at(axes, piles, levels) if segment is None else segment
    down = axes.anchor_z[at] - levels
    return axes.anchor_e[at] + axes.slope_e[at] * down, axes.anchor_n[at] + axes.slope_n[at] * down


def axis_variances(axes: Axes, piles: Integers, levels: Floats, *, segment: Integers | None = None) -> Floats:
    """Return q² (k, l) [m²]: the variance per component that the axis adds to the surveyed centre's.

    Beyond the reach of a pile without an axis it is NaN.
    """
    at = segment_at(axes, piles, levels) if segment is None else segment
    of = axes.variance
    h = axes.surveyed_level[piles][:, None] - levels
    away = levels - of["near"][at]
    q2 = of["q0"][at] + of["v"][at] * away * away + of["b2"][piles][:, None] * h * h
    w2 = of["w2"][piles][:, None]
    if w2.any():
        deepest = axes.deepest[piles][:, None]
        g = np.abs(np.minimum(levels, deepest) - np.minimum(axes.surveyed_level[piles][:, None], deepest))
        q2 = q2 + np.where(w2 > 0, w2 * g**3, 0.0)
    a2 = of["a2"][piles][:, None]
    if a2.any():
        q2 = q2 + a2 * np.minimum(1.0, np.abs(h))
    bare = (axes.method[piles] == NONE)[:, None]
    if bare.any():
        exact = np.abs(h) <= 1e-9
        within = np.abs(h) <= NO_AXIS_REACH_M + 1e-9
        q2 = np.where(bare, np.where(exact, 0.0, np.where(within, q2, np.nan)), q2)
    return q2
