"""Steering a pile that is being drilled: which leans keep its joints, its verticality limit and the pit clear.

With its centre at the surveyed level and a straight axis a lean keeps a joint at a level when it lies in a disc of the
plane of slopes. The window is where all discs and half-planes meet; the sure window takes, in place of the overlap
alone, the distance at which the chance of enough overlap still reaches the confidence asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.steering_chance import chance_inside, sure_length
from asbuilt.compute.steering_input import covariances, places, sounding_levels, vertex_levels
from asbuilt.compute.steering_window import BOUND, LIMIT, PIT, Constraints, window_of

if TYPE_CHECKING:
    from asbuilt.compute.steering_input import SteerInput
    from asbuilt.compute.steering_window import Edge, Window
    from asbuilt.model import Booleans, Floats, Integers

__all__ = ["WIDEST", "constraints_of", "sure_window", "window"]

#: Where there is no verticality limit the window ends at this lean [m per m], 1 in 5: no pile is drilled beyond it.
WIDEST = 0.2
#: Nearer to the surveyed level than this [m] no lean moves the pile.
_AT_CENTRE_M = 1e-6
#: What a lean may lie beyond the sure window's true edge [m per m].
_CUT = 1e-6
_ROUNDS = 16


@dataclass(frozen=True, kw_only=True)
class _Reaches:
    """Over joints and levels (k,): place of the joint, level, height below the centre, w at no lean, limit of |w|."""

    of: Integers
    level: Floats
    h: Floats
    w: Floats
    reach: Floats
    cov: Floats

    def take(self, rows: Booleans | Integers) -> _Reaches:
        return _Reaches(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


def _reaches(given: SteerInput, *, lean_variance: float | None) -> _Reaches:
    """Return where the joints that count ask what of the lean; with a variance at the levels of the sure window too."""
    parts = []
    for place, one in enumerate(given.neighbours):
        if not one.counts:
            continue
        levels = vertex_levels(one) if lean_variance is None else sounding_levels(given, one)
        reach = np.full(len(levels), given.radius + one.radius - one.required)
        cov = covariances(given, one, levels, lean_variance or 0.0)
        w = given.centre - places(one, levels)
        of = np.full(len(levels), place, dtype=np.int64)
        parts.append(_Reaches(of=of, level=levels, h=given.level - levels, w=w, reach=reach, cov=cov))
    none, no_joint = np.empty(0), np.empty(0, dtype=np.int64)
    nothing = _Reaches(of=no_joint, level=none, h=none, w=np.empty((0, 2)), reach=none, cov=np.empty((0, 3)))
    columns = _Reaches.__dataclass_fields__
    return _Reaches(**{name: np.concatenate([getattr(part, name) for part in (nothing, *parts)]) for name in columns})


def constraints_of(given: SteerInput) -> Constraints:
    """Return what the window of a pile is made of: joints at their levels, verticality, the pit."""
    return _constraints(given, _reaches(given, lean_variance=None))


def _constraints(given: SteerInput, r: _Reaches) -> Constraints:
    """Return the limits of |w| at joints and levels as discs in the plane of slopes, with verticality and pit."""
    moves = np.abs(r.h) > _AT_CENTRE_M
    h, free = r.h[moves], np.isnan(given.limit)
    allowed = np.array(given.allowed)
    down = given.level - np.array([given.cut_off, given.formation])
    at = np.array([given.cut_off, given.formation])
    # one line, or fixed condition, for each normal and each of the two levels
    normal = np.repeat(given.pits, 2, axis=0)
    h_pit, at, allowed = (np.tile(x, len(given.pits)) for x in (down, at, allowed))
    spare = allowed - normal @ (given.centre - given.design)
    asked = ~np.isnan(spare)
    tilts = asked & (np.abs(h_pit) > _AT_CENTRE_M)
    stays = asked & ~tilts
    length = np.abs(h_pit[tilts])
    return Constraints(
        centre=np.concatenate([-r.w[moves] / h[:, None], np.zeros((1, 2))]),
        radius=np.r_[r.reach[moves] / np.abs(h), WIDEST if free else given.limit],
        scale=np.r_[np.abs(h), max(given.level - given.toe, 1.0)],
        of=np.r_[r.of[moves], BOUND if free else LIMIT],
        level=np.r_[r.level[moves], np.nan],
        normal=normal[tilts] * np.sign(h_pit[tilts])[:, None],
        offset=spare[tilts] / length,
        line_scale=length,
        line_level=at[tilts],
        fixed_of=np.r_[r.of[~moves], np.full(np.count_nonzero(stays), PIT)],
        fixed_level=np.r_[r.level[~moves], at[stays]],
        fixed_excess=np.r_[np.hypot(*r.w[~moves].T) - r.reach[~moves], -spare[stays]] - 1e-9,
    )


def window(given: SteerInput) -> Window:
    """Return the leans that keep every joint's overlap, the verticality limit and the pit clear, as measured.

    At its edge it is an even chance.
    """
    return window_of(constraints_of(given))


def sure_window(given: SteerInput, *, read_to: float, count: int = 1) -> Window:
    """Return the leans that keep every joint with the confidence asked for.

    Parameters
    ----------
    given : SteerInput
    read_to : float
        Level [m] that the lean was read at: the less of the pile was read, the less is sure.
    count : int
        Readings averaged.

    Notes
    -----
    Where the two centres are as uncertain in every direction, the leans that are sure at a level fill a disc, found
    exactly. Otherwise (an edge fit, say) they fill a convex set that bends at least as much as the plain disc. It is
    approached from outside by discs of that radius which touch it, each where the edge found so far leaves it most,
    until nothing leaves it by more than 0.001 mm/m.
    """
    plain = window(given)
    if plain.empty:
        return plain
    r = _reaches(given, lean_variance=given.lean_variance(read_to, count))
    alike = (r.cov[:, 1] == 0) & (np.abs(r.cov[:, 0] - r.cov[:, 2]) <= 1e-12 * r.cov[:, 0])
    fixed = np.abs(r.h) <= _AT_CENTRE_M
    straight = _unit(r.w)
    reach = r.reach.copy()
    whole = alike | fixed
    reach[whole] = sure_length(straight[whole], r.reach[whole], r.cov[whole], given.confidence)
    # no distance is short enough, or nothing tells: no lean is sure
    centred = np.where(whole, True, chance_inside(np.zeros_like(r.w), r.reach, r.cov) >= given.confidence)
    lost = np.isnan(reach) | ~centred
    reach[lost] = -np.inf
    base = _constraints(given, replace(r, reach=reach))
    if lost.any():
        return window_of(base)
    return _cut_down(base, r.take(~whole), given.confidence)


def _unit(vectors: Floats) -> Floats:
    length = np.hypot(vectors[:, 0], vectors[:, 1])[:, None]
    return np.where(length > 0, vectors / np.where(length > 0, length, 1.0), [1.0, 0.0])


def _cut_down(found: Constraints, r: _Reaches, confidence: float) -> Window:
    """Return the window of constraints less what is not sure at some joints and levels."""
    best = window_of(found)
    for _ in range(_ROUNDS):
        if best.empty or not len(r.h):
            break
        row, points = _least_sure(best, r, confidence)
        if not len(row):
            break
        found = _touched(found, r.take(row), points, confidence)
        best = window_of(found)
    return best


def _least_sure(best: Window, r: _Reaches, confidence: float) -> tuple[Integers, Floats]:
    """Return points (p, 2) of the edge that are not sure, and the joint and level (p,) at which each is least so.

    Looked at are the starts and middles of all edges, and on each arc the points farthest from where the two centres
    would meet at each joint and level.
    """
    every = np.array([p for edge in best.edges for p in (edge.start, edge.middle)])
    count, size = len(every), len(r.h)
    beyond = _beyond(r.take(np.repeat(np.arange(size), count)), np.tile(every, (size, 1)), confidence)
    beyond = beyond.reshape(size, count)
    at = np.flatnonzero(beyond.max(axis=0) > _CUT)
    rows, points = [beyond[:, at].argmax(axis=0)], [every[at]]
    for edge in best.edges:
        row, far = _farthest(edge, r)
        if len(row):
            past = _beyond(r.take(row), far, confidence)
            worst = int(past.argmax())
            if past[worst] > _CUT:
                rows.append(row[[worst]])
                points.append(far[[worst]])
    return np.concatenate(rows), np.concatenate(points)


def _farthest(edge: Edge, r: _Reaches) -> tuple[Integers, Floats]:
    """Return the point of an arc farthest from each disc's centre, where that is no end, and the places of the discs.

    On a line, and on an arc around the same centre, no point inside is farthest.
    """
    away = edge.centre + r.w / r.h[:, None]
    angle = np.mod(np.arctan2(away[:, 1], away[:, 0]) - edge.begins, 2.0 * np.pi)
    row = np.flatnonzero((angle < edge.sweep) & (np.hypot(away[:, 0], away[:, 1]) > _CUT))
    return row, edge.centre + edge.radius * _unit(away[row])


def _beyond(r: _Reaches, slopes: Floats, confidence: float) -> Floats:
    """Return how far each lean (k, 2) lies beyond what is sure at its joint and level (k,) [m per m], 0 inside."""
    w = r.w + r.h[:, None] * slopes
    beyond = np.zeros(len(w))
    unsure = chance_inside(w, r.reach, r.cov) < confidence - 1e-9
    length = sure_length(_unit(w[unsure]), r.reach[unsure], r.cov[unsure], confidence)
    beyond[unsure] = (np.hypot(*w[unsure].T) - length) / np.abs(r.h[unsure])
    return beyond


def _touched(base: Constraints, r: _Reaches, slopes: Floats, confidence: float) -> Constraints:
    """Return constraints with discs that touch what is sure at joints and levels in the directions of leans (k, 2)."""
    towards = _unit(r.w + r.h[:, None] * slopes)
    rim = sure_length(towards, r.reach, r.cov, confidence)[:, None] * towards
    step = 1e-5 * r.reach[:, None]
    # the chance falls fastest square to the edge
    fall = [
        chance_inside(rim - step * axis, r.reach, r.cov) - chance_inside(rim + step * axis, r.reach, r.cov)
        for axis in np.eye(2)
    ]
    middle = rim - r.reach[:, None] * _unit(np.column_stack(fall))
    length = np.abs(r.h)
    return base.with_discs(
        centre=(middle - r.w) / r.h[:, None], radius=r.reach / length, scale=length, of=r.of, level=r.level
    )
