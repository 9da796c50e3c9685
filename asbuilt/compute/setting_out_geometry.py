"""Where the next pile does best: the centre whose worst shortfall against its neighbours is least, exactly.

A pile that stands plumb at c keeps what is asked for at a point p of a neighbour's axis while |c − p| is at most the
reach R of that point (both radii less the overlap asked for). What it falls short by at worst,

    f(c) = max over the points of |c − p| − R,

is convex: in the open plane its least value is the smallest circle that holds circles of radius (constant − R) about
the points, fixed by at most three of them; along a line it lies at a foot, at an end, or where two points are equally
short, the root of a quadratic. Where that centre may not be taken, the best one lies on the rim of what may: on a line,
on a circle, or where two of them cross. Nothing is sampled.

Everything here is relative to the design centre, in metres.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats

__all__ = ["Allowed", "Best", "best_centre", "least_on_circle", "least_on_line", "shortfall", "smallest_circle"]

#: What lies on a rim is inside it; rims are met to far less than this [m].
RIM_M = 1e-9
#: Shortfalls that differ by less are the same [m].
_SAME_M = 1e-13
#: A centre on a circle is closed in on to this [m].
_CLOSE_M = 1e-11
#: A centre so near to a limit is held by it [m].
_HELD_M = 1e-7


@dataclass(frozen=True, kw_only=True)
class Allowed:
    """Where a centre may be taken; the design centre always may.

    ``play``: farthest from the design centre [m]. ``line``: unit vector that it may be moved along, None for the whole
    plane. ``normals`` (q, 2), ``offsets`` (q,): half-planes n·c <= offset [m]. ``outline``: Shapely area that the
    centre keeps at least ``clear`` [m] away from (negative: stands at most so far inside), None for none.
    """

    play: float
    line: Floats | None
    normals: Floats
    offsets: Floats
    outline: Any = None
    clear: float = 0.0

    def keeps(self, at: Floats) -> Booleans:
        """Return which of some centres (k, 2) may be taken (k,)."""
        kept: Booleans = np.hypot(at[:, 0], at[:, 1]) <= self.play + RIM_M
        kept &= (at @ self.normals.T <= self.offsets + RIM_M).all(axis=1)
        if self.outline is not None:
            kept &= distance_to(self.outline, at) >= self.clear - RIM_M
        return kept


@dataclass(frozen=True, kw_only=True)
class Best:
    """The best centre (2,) [m], the shortfall there [m] (negative: so much to spare), and what keeps it from a better.

    ``held_by``: any of ``play``, ``pit``, ``clear outline``; () where none does.
    """

    centre: Floats
    shortfall: float
    held_by: tuple[str, ...]


def distance_to(outline: Any, at: Floats) -> Floats:
    """Return how far points (k, 2) lie outside an area (k,) [m], negative inside."""
    import shapely

    distance = shapely.distance(shapely.points(at), shapely.boundary(outline))
    signed: Floats = np.where(shapely.contains_xy(outline, at[:, 0], at[:, 1]), -distance, distance)
    return signed


def shortfall(at: Floats, points: Floats, reach: Floats) -> Floats:
    """Return f at some centres (c, 2): the most by which a point (k, 2) lies beyond its reach (k,), all [m]."""
    away = np.hypot(at[:, None, 0] - points[:, 0], at[:, None, 1] - points[:, 1])
    worst: Floats = (away - reach).max(axis=1)
    return worst


def best_centre(points: Floats, reach: Floats, allowed: Allowed) -> Best:
    """Return the centre that may be taken and falls least short.

    Parameters
    ----------
    points : (k, 2) array
        Points of the neighbours' axes [m].
    reach : (k,) array
        How far from each the centre may be [m].
    allowed : Allowed

    Notes
    -----
    Where the outline has corners the area is not convex, f still is: from a centre inside it that is not the best one
    of the plane, f falls towards that one until the rim. So the best is that one, or the best along some line or circle
    of the rim, or where two of them cross.
    """
    if allowed.line is not None:
        tries = _along_the_line(points, reach, allowed, allowed.line)
    else:
        open_best, _ = smallest_circle(points, reach)
        tries = open_best[None]
        if not allowed.keeps(tries)[0]:
            tries = _around_the_rim(points, reach, allowed)
    tries = np.vstack([np.zeros((1, 2)), tries])
    tries = tries[allowed.keeps(tries)]
    values = shortfall(tries, points, reach)
    # of equals the least move
    order = np.lexsort((np.hypot(tries[:, 0], tries[:, 1]), np.round(values, 12)))
    centre: Floats = tries[order[0]]
    return Best(centre=centre, shortfall=float(values[order[0]]), held_by=_held_by(centre, allowed))


def _held_by(centre: Floats, allowed: Allowed) -> tuple[str, ...]:
    found = []
    if allowed.play - np.hypot(*centre) < _HELD_M:
        found.append("play")
    if bool((allowed.offsets - allowed.normals @ centre < _HELD_M).any()):
        found.append("pit")
    if allowed.outline is not None and distance_to(allowed.outline, centre[None])[0] - allowed.clear < _HELD_M:
        found.append("clear outline")
    return tuple(found)


# ------------------------------------------------------------------------------------------ without limits


def smallest_circle(points: Floats, reach: Floats) -> tuple[Floats, float]:
    """Return the centre (2,) in the open plane that falls least short, and f there [m].

    With one reach for all, f + reach is the radius of the smallest circle around the points. The point farthest out is
    taken among those that fix the circle until none is: every step raises f, so that there are few.
    """
    basis = [int(np.argmin(reach))]
    centre, value = points[basis[0]], -float(reach[basis[0]])
    while True:
        over = np.hypot(points[:, 0] - centre[0], points[:, 1] - centre[1]) - reach
        k = int(np.argmax(over))
        if over[k] <= value + _SAME_M or k in basis:
            return centre, float(over[k])
        basis, centre, value = _fixed_by(k, basis, points, reach)


def _fixed_by(k: int, basis: list[int], points: Floats, reach: Floats) -> tuple[list[int], Floats, float]:
    """Return which of ``basis`` fix the best centre together with ``k``, that centre and f there.

    Any centre bounds f from above: the best of all that one, two or three of them fix is the one.
    """
    every = [*basis, k]
    found: list[tuple[float, list[int], Floats]] = []
    for size in range(3):
        for others in itertools.combinations(basis, size):
            some = [*others, k]
            found += [
                (float(shortfall(centre[None], points[every], reach[every])[0]), some, centre)
                for centre in _fixed(points[some], reach[some])
            ]
    value, fixed, centre = min(found, key=lambda one: one[0])
    return fixed, centre, value


def _fixed(points: Floats, reach: Floats) -> list[Floats]:
    """Return the centres that one, two or three points fix."""
    if len(points) == 1:
        return [points[0]]
    return _by_two(points, reach) if len(points) == 2 else _by_three(points, reach)


def _by_two(points: Floats, reach: Floats) -> list[Floats]:
    """Return the centre on the line between two points at which both fall equally short."""
    step = points[1] - points[0]
    length = float(np.hypot(*step))
    if length <= abs(reach[0] - reach[1]):
        return []
    return [points[0] + step * ((length + reach[0] - reach[1]) / (2.0 * length))]


def _by_three(points: Floats, reach: Floats) -> list[Floats]:
    """Return the centres at which three points fall equally short by s: |c − p| = s + R for each of them."""
    q, r = points[1:] - points[0], reach[1:] - reach[0]
    across = float(q[0, 0] * q[1, 1] - q[0, 1] * q[1, 0])
    if abs(across) < 1e-14:
        return []
    # with t = s + R of the first: 2 q·c = |q|² − r² − 2 r t, so c = fixed + by_t·t
    inverse = np.array([[q[1, 1], -q[0, 1]], [-q[1, 0], q[0, 0]]]) / (2.0 * across)
    fixed, by_t = inverse @ ((q * q).sum(axis=1) - r * r), inverse @ (-2.0 * r)
    roots = _roots(float(by_t @ by_t) - 1.0, float(by_t @ fixed), float(fixed @ fixed))
    return [points[0] + fixed + by_t * t for t in roots]


def _roots(a: float, half_b: float, c: float) -> list[float]:
    """Return the real roots of a·t² + 2·half_b·t + c, in the form that does not cancel."""
    reached = half_b * half_b - a * c
    if reached < 0.0:
        return []
    far = -(half_b + np.copysign(np.sqrt(reached), half_b))
    return [value for value in ((c / far) if far else np.nan, (far / a) if a else np.nan) if np.isfinite(value)]


# ------------------------------------------------------------------------------------------ along a line


def least_on_line(
    points: Floats, reach: Floats, *, origin: Floats, direction: Floats, low: float, high: float
) -> float:
    """Return where on the line origin + t·direction, t from ``low`` to ``high``, f is least: t [m].

    f is convex along it. Few points matter: the one that falls shortest at the best t of those taken so far is taken
    in until none falls shorter.
    """
    away = points - origin
    x, y = away @ direction, away @ np.array([-direction[1], direction[0]])
    taken = [int(np.argmax(np.hypot(t - x, y) - reach)) for t in (low, high)]
    while True:
        some = np.unique(taken)
        tries = np.clip(np.r_[low, high, x[some], _equally_short(x[some], y[some], reach[some])], low, high)
        values = (np.hypot(tries[:, None] - x[some], y[some]) - reach[some]).max(axis=1)
        best = int(np.argmin(values))
        over = np.hypot(tries[best] - x, y) - reach
        k = int(np.argmax(over))
        if over[k] <= values[best] + _SAME_M or k in taken:
            return float(tries[best])
        taken.append(k)


def _equally_short(x: Floats, y: Floats, reach: Floats) -> Floats:
    """Return every t at which two of the points may fall equally short.

    Squaring |t − p| = |t − q| + d leaves a·t² + 2·b·t + c = 0; its roots hold those of d = 0 too, but only to half the
    digits: a step of Newton's method on the distances themselves mends that.
    """
    i, k = np.triu_indices(len(x), 1)
    d, shift = reach[i] - reach[k], x[k]
    xi, yi, yk = x[i] - shift, y[i], y[k]
    slope, rest = -2.0 * xi, xi * xi + yi * yi - yk * yk - d * d
    a, half_b, c = slope**2 - 4.0 * d * d, slope * rest, rest**2 - 4.0 * d * d * yk * yk
    root = np.sqrt(np.maximum(half_b**2 - a * c, 0.0))
    far = -(half_b + np.copysign(root, half_b))
    t = np.concatenate([_divided(c, far), _divided(far, a)])
    xi, yi, yk, d, shift = (np.tile(v, 2) for v in (xi, yi, yk, d, shift))
    for _ in range(2):
        p, q = np.hypot(t - xi, yi), np.hypot(t, yk)
        t = t - np.nan_to_num(_divided(p - q - d, _divided(t - xi, p) - _divided(t, q)))
    found: Floats = (t + shift)[np.isfinite(t)]
    return found


def _divided(above: Floats, below: Floats) -> Floats:
    quotient: Floats = np.full(np.shape(below), np.nan)
    return np.divide(above, below, out=quotient, where=np.abs(below) > 1e-300)


# ------------------------------------------------------------------------------------------ around a circle


def least_on_circle(points: Floats, reach: Floats, *, centre: Floats, radius: float) -> Floats:
    """Return the places (k, 2) on a circle where f is least among their neighbours.

    Round the circle the distance to one point falls to its nearest place and rises to the farthest. Between two
    farthest places f therefore falls and then rises; where it turns is closed in on by which of the two the point that
    falls shortest does, to 1e-11 m.
    """
    away = points - centre
    towards = np.arctan2(away[:, 1], away[:, 0])
    low = np.unique(np.mod(towards + np.pi, 2.0 * np.pi))
    high = np.r_[low[1:], low[0] + 2.0 * np.pi]
    for _ in range(int(np.ceil(np.log2(2.0 * np.pi * radius / _CLOSE_M + 2.0)))):
        middle = (low + high) / 2.0
        x, y = radius * np.cos(middle), radius * np.sin(middle)
        k = (np.hypot(x[:, None] - away[:, 0], y[:, None] - away[:, 1]) - reach).argmax(axis=1)
        rises = np.sin(middle - towards[k]) > 0
        low, high = np.where(rises, low, middle), np.where(rises, middle, high)
    middle = (low + high) / 2.0
    found: Floats = centre + radius * np.column_stack([np.cos(middle), np.sin(middle)])
    return found


# ------------------------------------------------------------------------------------------ the rim


@dataclass(frozen=True, kw_only=True)
class _Rim:
    """Lines (q, 2) with their directions (q, 2), and circles (m, 2) with their radii (m,)."""

    origin: Floats
    direction: Floats
    centre: Floats
    radius: Floats


def _rim(allowed: Allowed) -> _Rim:
    """Return what the rim of the area allowed is made of; more than that does no harm."""
    lines = [allowed.normals * allowed.offsets[:, None]]
    directions = [np.column_stack([-allowed.normals[:, 1], allowed.normals[:, 0]])]
    centres, radii = [np.zeros((1, 2))], [np.array([allowed.play])]
    if allowed.outline is not None:
        begin, step = _edges_near(allowed.outline, abs(allowed.clear) + allowed.play)
        square = np.column_stack([-step[:, 1], step[:, 0]])
        unit = square / np.hypot(step[:, 0], step[:, 1])[:, None]
        for off in (allowed.clear, -allowed.clear) if allowed.clear else (0.0,):
            lines.append(begin + off * unit)
            directions.append(np.column_stack([unit[:, 1], -unit[:, 0]]))
        if allowed.clear:
            centres += [begin, begin + step]
            radii += [np.full(len(begin), abs(allowed.clear))] * 2
    return _Rim(
        origin=np.vstack(lines),
        direction=np.vstack(directions),
        centre=np.vstack(centres),
        radius=np.concatenate(radii),
    )


def _edges_near(outline: Any, within: float) -> tuple[Floats, Floats]:
    """Return begin and step (k, 2) of the edges of an area that pass within so much of the design centre [m]."""
    import shapely

    rings = shapely.get_rings(shapely.get_parts(outline))
    corners = [shapely.get_coordinates(ring) for ring in rings]
    begin = np.vstack([c[:-1] for c in corners])
    step = np.vstack([np.diff(c, axis=0) for c in corners])
    length2 = (step * step).sum(axis=1)
    part = np.clip(-(begin * step).sum(axis=1) / np.where(length2 > 0, length2, 1.0), 0.0, 1.0)
    foot = begin + part[:, None] * step
    near = (np.hypot(foot[:, 0], foot[:, 1]) <= within + RIM_M) & (length2 > 0)
    return begin[near], step[near]


def _along_the_line(points: Floats, reach: Floats, allowed: Allowed, line: Floats) -> Floats:
    """Return centres on the one line allowed, among them the best that may be taken."""
    t = least_on_line(points, reach, origin=np.zeros(2), direction=line, low=-allowed.play, high=allowed.play)
    ends = np.array([[t], [-allowed.play], [allowed.play]]) * line
    rim = _rim(allowed)
    own = np.zeros((1, 2)), line[None]
    met = [
        _lines_meet(*own, rim.origin, rim.direction),
        _line_meets_circles(*own, rim.centre, rim.radius),
    ]
    return np.vstack([ends, *met])


def _around_the_rim(points: Floats, reach: Floats, allowed: Allowed) -> Floats:
    """Return centres on the rim of the area allowed, among them the best that may be taken."""
    rim = _rim(allowed)
    found = []
    for centre, radius in {(*c, r): (c, r) for c, r in zip(rim.centre, rim.radius, strict=True)}.values():
        if radius > 0:
            found.append(least_on_circle(points, reach, centre=centre, radius=float(radius)))
    for origin, direction in zip(rim.origin, rim.direction, strict=True):
        foot = origin - (origin @ direction) * direction
        half2 = allowed.play**2 - float(foot @ foot)
        if half2 > 0:
            half = float(np.sqrt(half2))
            t = least_on_line(points, reach, origin=foot, direction=direction, low=-half, high=half)
            found.append((foot + t * direction)[None])
    found.append(_lines_meet(rim.origin, rim.direction, rim.origin, rim.direction))
    found.append(_line_meets_circles(rim.origin, rim.direction, rim.centre, rim.radius))
    found.append(_circles_meet(rim.centre, rim.radius))
    return np.vstack(found)


def _lines_meet(origin: Floats, direction: Floats, others: Floats, along: Floats) -> Floats:
    """Return where lines meet other lines (k, 2) [m]; parallel ones do not."""
    turn = direction[:, None, 0] * along[None, :, 1] - direction[:, None, 1] * along[None, :, 0]
    i, k = np.nonzero(np.abs(turn) > 1e-12)
    gap = others[k] - origin[i]
    t = (gap[:, 0] * along[k, 1] - gap[:, 1] * along[k, 0]) / turn[i, k]
    met: Floats = origin[i] + t[:, None] * direction[i]
    return met


def _line_meets_circles(origin: Floats, direction: Floats, centre: Floats, radius: Floats) -> Floats:
    """Return where lines meet circles (k, 2) [m], and where they touch them."""
    i, k = (a.ravel() for a in np.indices((len(origin), len(centre))))
    gap = centre[k] - origin[i]
    foot = (gap * direction[i]).sum(axis=1)
    half2 = radius[k] ** 2 - (gap * gap).sum(axis=1) + foot**2
    meets = half2 > -RIM_M
    half = np.sqrt(np.maximum(half2[meets], 0.0))
    return _both_ways(origin[i[meets]] + foot[meets, None] * direction[i[meets]], half[:, None] * direction[i[meets]])


def _circles_meet(centre: Floats, radius: Floats) -> Floats:
    """Return where circles meet one another (k, 2) [m]."""
    i, k = np.triu_indices(len(centre), 1)
    step = centre[k] - centre[i]
    apart = np.hypot(step[:, 0], step[:, 1])
    some = apart > RIM_M
    i, k, step, apart = i[some], k[some], step[some] / apart[some, None], apart[some]
    foot = (apart**2 + radius[i] ** 2 - radius[k] ** 2) / (2.0 * apart)
    half2 = radius[i] ** 2 - foot**2
    meets = half2 > -RIM_M
    half = np.sqrt(np.maximum(half2[meets], 0.0))[:, None]
    square = np.column_stack([-step[meets, 1], step[meets, 0]])
    return _both_ways(centre[i[meets]] + foot[meets, None] * step[meets], half * square)


def _both_ways(middle: Floats, off: Floats) -> Floats:
    return np.vstack([middle + off, middle - off])
