"""The window of leans that keep what must be kept: where discs and half-planes of the plane of slopes meet, exactly.

A lean is a point of that plane (towards east, towards north) [m per m, to the toe]. The window is bounded by arcs and
straight pieces, found in closed form; its polygon serves drawing only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers

__all__ = ["BOUND", "LIMIT", "PIT", "Constraints", "Edge", "Window", "least_violation", "window_of"]

#: What a constraint comes from, where it is not the place of a joint: the verticality limit; the pit; no limit at all.
LIMIT, PIT, BOUND = -1, -2, -3

#: Leans are told apart down to this [m per m]; the figures beyond it are rounding.
_FINE = 1e-12
#: Discs and lines closer than this are one [m per m].
_SAME = 1e-10
#: A lean on the edge is inside, whatever rounding makes of it [m per m].
_SLACK = 1e-9
#: Halvings of the worst violation: from metres to less than a nanometre.
_HALVINGS = 36
_TURN = 2.0 * np.pi


@dataclass(frozen=True, kw_only=True)
class Constraints:
    """Discs (k,), half-planes (l,) and conditions that no lean changes (f,), in the plane of slopes [m per m].

    ``scale``, ``line_scale``: length [m] that turns a distance in slope into one on the pile at the level meant.
    ``of``: place of the joint, or one of :data:`LIMIT`, :data:`BOUND`; half-planes all keep off the pit.
    """

    centre: Floats
    """(k, 2)"""
    radius: Floats
    scale: Floats
    of: Integers
    level: Floats
    normal: Floats
    """(l, 2) unit vectors that point out of the half-planes."""
    offset: Floats
    """(l,) normal · s <= offset."""
    line_scale: Floats
    line_level: Floats
    fixed_of: Integers
    fixed_level: Floats
    fixed_excess: Floats
    """How far beyond what is allowed, whatever the lean [m]: above 0 nothing keeps it."""

    @property
    def possible(self) -> bool:
        """Whether no single condition rules out every lean."""
        return bool(np.all(self.fixed_excess <= 0) and np.all(self.radius > 0))

    def outside(self, slopes: Floats) -> Floats:
        """Return how far outside each disc and half-plane leans (p, 2) lie, negative inside (p, k + l) [m per m]."""
        e, n = (slopes[:, None, k] - self.centre[:, k] for k in (0, 1))
        discs = np.sqrt(e * e + n * n) - self.radius
        return np.concatenate([discs, slopes @ self.normal.T - self.offset], axis=1)

    def excess(self, slopes: Floats) -> Floats:
        """Return by how much leans (p, 2) break each disc and half-plane (p, k + l) [m], negative where they keep it.

        Where there is no limit, the reach of the plane counts as never broken.
        """
        measured: Floats = self.outside(slopes) * np.r_[self.scale, self.line_scale]
        measured[:, np.flatnonzero(self.of == BOUND)] = -np.inf
        return measured

    def relaxed(self, by: float) -> Constraints:
        """Return the constraints with ``by`` [m] more allowed everywhere."""
        wider = np.where(self.of == BOUND, self.radius, self.radius + by / self.scale)
        return replace(self, radius=wider, offset=self.offset + by / self.line_scale)

    def with_discs(self, *, centre: Floats, radius: Floats, scale: Floats, of: Integers, level: Floats) -> Constraints:
        """Return the constraints and further discs."""
        return replace(
            self,
            centre=np.concatenate([self.centre, centre]),
            radius=np.r_[self.radius, radius],
            scale=np.r_[self.scale, scale],
            of=np.r_[self.of, of],
            level=np.r_[self.level, level],
        )


@dataclass(frozen=True, kw_only=True)
class Edge:
    """One piece of a window's edge, anticlockwise: an arc or a straight line, and the constraint it belongs to."""

    kind: str
    """``arc`` or ``line``."""
    of: int
    """Place of the joint, or :data:`LIMIT`, :data:`PIT`, :data:`BOUND`."""
    level: float
    """Level that the constraint comes from [m]; NaN for the verticality limit."""
    start: Floats
    end: Floats
    centre: Floats
    """NaN for a line."""
    radius: float
    begins: float
    """Angle from east at which an arc starts, anticlockwise [rad]; NaN for a line."""
    sweep: float
    """Angle that an arc covers [rad]; NaN for a line."""

    @property
    def middle(self) -> Floats:
        """The point halfway along."""
        if self.kind == "line":
            return (self.start + self.end) / 2.0
        angle = self.begins + self.sweep / 2.0
        return self.centre + self.radius * np.array([np.cos(angle), np.sin(angle)])

    @property
    def length(self) -> float:
        """Its length [m per m]."""
        if self.kind == "line":
            return float(np.hypot(*(self.end - self.start)))
        return self.radius * self.sweep


@dataclass(frozen=True, kw_only=True)
class Window:
    """Leans that keep every constraint. ``edges`` go around anticlockwise; none: there is no such lean."""

    constraints: Constraints
    edges: tuple[Edge, ...]

    @property
    def empty(self) -> bool:
        """Whether no lean keeps everything."""
        return not self.edges

    @cached_property
    def vertices(self) -> Floats:
        """Where one edge passes into the next (v, 2), anticlockwise; none where the edge is one full circle."""
        if len(self.edges) == 1 and self.edges[0].sweep > _TURN - _FINE:
            return np.empty((0, 2))
        return np.array([edge.start for edge in self.edges]).reshape(-1, 2)

    @cached_property
    def middle(self) -> Floats:
        """A lean (2,) inside, away from the edge; NaN for an empty window."""
        if self.empty:
            return np.full(2, np.nan)
        points = np.array([p for edge in self.edges for p in (edge.start, edge.middle)])
        inside: Floats = points.mean(axis=0)
        return inside

    def contains(self, slopes: Floats) -> Booleans:
        """Return which leans (..., 2) lie inside or on the edge."""
        flat = np.asarray(slopes, dtype=np.float64).reshape(-1, 2)
        inside: Booleans = np.all(self.constraints.outside(flat) <= _SLACK, axis=1) & (not self.empty)
        return inside.reshape(np.shape(slopes)[:-1])

    def margin(self, slopes: Floats) -> Floats:
        """Return the least distance of leans (..., 2) to the edge inside, minus that to the window outside [m per m].

        -inf where the window is empty.
        """
        flat = np.asarray(slopes, dtype=np.float64).reshape(-1, 2)
        if self.empty:
            return np.full(np.shape(slopes)[:-1], -np.inf)
        # a ball lies in an intersection when it lies in each of its parts
        slack = -self.constraints.outside(flat).max(axis=1)
        away = self.nearest(flat) - flat
        outside = -np.hypot(away[:, 0], away[:, 1])
        return np.where(slack >= -_SLACK, np.maximum(slack, 0.0), outside).reshape(np.shape(slopes)[:-1])

    def nearest(self, slopes: Floats) -> Floats:
        """Return the nearest lean of the window to each of ``slopes`` (..., 2): itself inside; NaN for an empty one."""
        flat = np.asarray(slopes, dtype=np.float64).reshape(-1, 2)
        if self.empty:
            return np.full(np.shape(slopes), np.nan)
        feet = np.stack([_foot(edge, flat) for edge in self.edges])
        away = np.hypot(*np.moveaxis(feet - flat, -1, 0))
        near = feet[away.argmin(axis=0), np.arange(len(flat))]
        found: Floats = np.where(self.contains(flat)[:, None], flat, near)
        return found.reshape(np.shape(slopes))

    def polygon(self, tolerance: float) -> Floats:
        """Return a closed ring (m, 2) on the edge, its chords within ``tolerance`` [m per m]; (0, 2) if empty.

        For drawing and exchange only: nothing is judged by it.
        """
        if self.empty:
            return np.empty((0, 2))
        pieces = [_along(edge, tolerance) for edge in self.edges]
        ring: Floats = np.concatenate([*pieces, pieces[0][:1]])
        return ring


def _unit(angle: Floats) -> Floats:
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _foot(edge: Edge, slopes: Floats) -> Floats:
    """Return the nearest point of one edge to leans (p, 2)."""
    if edge.kind == "line":
        step = edge.end - edge.start
        part = np.clip((slopes - edge.start) @ step / (step @ step), 0.0, 1.0)
        return edge.start + part[:, None] * step
    away = slopes - edge.centre
    length = np.hypot(away[:, 0], away[:, 1])
    safe = np.where(length > 0, length, 1.0)[:, None]
    on_circle = edge.centre + edge.radius * np.where(length[:, None] > 0, away / safe, [1.0, 0.0])
    turned = np.mod(np.arctan2(away[:, 1], away[:, 0]) - edge.begins, _TURN)
    to_start, to_end = (np.hypot(*(slopes - p).T) for p in (edge.start, edge.end))
    end = np.where((to_start <= to_end)[:, None], edge.start, edge.end)
    return np.where((turned <= edge.sweep)[:, None], on_circle, end)


def _along(edge: Edge, tolerance: float) -> Floats:
    """Return points from the start of an edge up to, but without, its end (m, 2)."""
    if edge.kind == "line":
        return edge.start[None, :]
    step = 2.0 * np.arccos(np.clip(1.0 - tolerance / edge.radius, 0.0, 1.0))
    count = max(1, int(np.ceil(edge.sweep / step - 1e-9)))
    if edge.sweep > np.pi:
        count = max(count, 8)
    points = edge.centre + edge.radius * _unit(edge.begins + edge.sweep * np.arange(count) / count)
    points[0] = edge.start
    return points


def window_of(constraints: Constraints) -> Window:
    """Return the window of some constraints, which hold a disc at least: no window is without an end.

    Every circle and line is cut where the others cross it, and the pieces inside all of them are the edge. A window
    narrower than rounding can tell is empty.
    """
    nothing = Window(constraints=constraints, edges=())
    if not constraints.possible:
        return nothing
    c = _distinct(constraints)
    edges = [*_arcs(c), *_lines(c)]
    if sum(edge.length for edge in edges) < _SAME:
        return nothing
    edges = [edge for edge in edges if edge.length > _FINE]
    middle = np.array([edge.middle for edge in edges])
    away = middle - (middle.mean(axis=0) if len(edges) > 1 else edges[0].centre)
    # the edge is convex: its pieces follow one another as their middles do around a point inside
    around = np.argsort(np.arctan2(away[:, 1], away[:, 0]), kind="stable")
    return Window(constraints=constraints, edges=tuple(edges[k] for k in around.tolist()))


def _distinct(c: Constraints) -> Constraints:
    """Return the constraints without repeated discs and half-planes; the first of several alike stays."""
    discs = np.column_stack([c.centre, c.radius])
    lines = np.column_stack([c.normal, c.offset])
    of_disc, of_line = _first_of_each(discs, 1.0 + c.radius), _first_of_each(lines, 1.0 + np.abs(c.offset))
    return replace(
        c,
        **{name: getattr(c, name)[of_disc] for name in ("centre", "radius", "scale", "of", "level")},
        **{name: getattr(c, name)[of_line] for name in ("normal", "offset", "line_scale", "line_level")},
    )


def _first_of_each(rows: Floats, size: Floats) -> Integers:
    alike = np.abs(rows[:, None, :] - rows).sum(axis=2) < _SAME * size
    first: Integers = np.flatnonzero(~np.tril(alike, -1).any(axis=1))
    return first


def _kept(c: Constraints, points: Floats) -> Booleans:
    """Return which points (p, 2) keep every constraint but for rounding."""
    rounding = _FINE + 1e-14 * np.r_[c.radius + np.abs(c.centre).sum(axis=1), np.abs(c.offset)]
    inside: Booleans = np.all(c.outside(points) <= rounding, axis=1)
    return inside


def _crossings(c: Constraints) -> Floats:
    """Return the angles at which the others cross each circle, sorted (k, 2(k + l)); NaN, at the end, for none."""
    step = c.centre[None, :, :] - c.centre[:, None, :]
    apart, r = np.hypot(step[..., 0], step[..., 1]), c.radius[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        cos_disc = ((apart - c.radius) * (apart + c.radius) + r * r) / (2.0 * apart * r)
        cos_line = (c.offset - c.centre @ c.normal.T) / r
    cosine = np.concatenate([cos_disc, cos_line], axis=1)
    towards = np.arctan2(step[..., 1], step[..., 0])
    out = np.broadcast_to(np.arctan2(c.normal[:, 1], c.normal[:, 0]), cos_line.shape)
    towards = np.concatenate([towards, out], axis=1)
    crossed = np.abs(cosine) < 1.0
    half = np.arccos(np.where(crossed, cosine, np.nan))
    return np.sort(np.mod(np.concatenate([towards - half, towards + half], axis=1), _TURN), axis=1)


def _arcs(c: Constraints) -> list[Edge]:
    """Return the arcs of all circles that lie inside everything else."""
    begin = _crossings(c)
    uncut = np.isnan(begin[:, 0])
    begin[uncut, 0] = 0.0
    end = np.column_stack([begin[:, 1:], np.full(len(begin), np.nan)])
    end = np.where(np.isnan(end) & ~np.isnan(begin), begin[:, :1] + _TURN, end)
    circle, piece = np.nonzero(end > begin)
    start, stop = begin[circle, piece], end[circle, piece]
    # two points: a piece that lies outside a disc may touch it at one
    inside = np.ones(len(circle), dtype=bool)
    for part in (0.4, 0.8):
        inside &= _kept(c, c.centre[circle] + c.radius[circle, None] * _unit(start + part * (stop - start)))
    runs: dict[int, list[list[float]]] = {}
    for k in np.flatnonzero(inside).tolist():
        mine = runs.setdefault(int(circle[k]), [])
        if mine and mine[-1][1] == start[k]:
            mine[-1][1] = float(stop[k])
        else:
            mine.append([float(start[k]), float(stop[k])])
    return [_arc(c, k, *run) for k, mine in runs.items() for run in _closed(mine)]


def _closed(runs: list[list[float]]) -> list[list[float]]:
    """Return the pieces of one circle with the last joined to the first where they meet at the full turn."""
    if len(runs) > 1 and runs[-1][1] == runs[0][0] + _TURN:
        return [*runs[1:-1], [runs[-1][0], runs[0][1] + _TURN]]
    return runs


def _arc(c: Constraints, k: int, start: float, stop: float) -> Edge:
    centre, radius = c.centre[k], float(c.radius[k])
    ends = centre + radius * _unit(np.array([start, stop]))
    return Edge(
        kind="arc",
        of=int(c.of[k]),
        level=float(c.level[k]),
        start=ends[0],
        end=ends[1],
        centre=centre,
        radius=radius,
        begins=start,
        sweep=stop - start,
    )


def _lines(c: Constraints) -> list[Edge]:
    """Return the pieces of the lines that lie inside everything else: one of each at most."""
    edges = []
    for k in range(len(c.offset)):
        normal, offset = c.normal[k], float(c.offset[k])
        along = np.array([-normal[1], normal[0]])
        off, middle = c.centre @ normal - offset, c.centre @ along
        half = np.sqrt(np.maximum(c.radius**2 - off**2, 0.0))
        low, high = float(np.max(middle - half)), float(np.min(middle + half))
        rest = c.offset - c.normal @ (normal * offset)
        rate = c.normal @ along
        up, down = rate > _FINE, rate < -_FINE
        high = min(high, float(np.min(rest[up] / rate[up], initial=np.inf)))
        low = max(low, float(np.max(rest[down] / rate[down], initial=-np.inf)))
        ends = normal * offset + np.outer([low, high], along)
        if high - low <= _FINE or not _kept(c, ends.mean(axis=0)[None, :])[0]:
            continue
        edges.append(
            Edge(
                kind="line",
                of=PIT,
                level=float(c.line_level[k]),
                start=ends[0],
                end=ends[1],
                centre=np.full(2, np.nan),
                radius=np.nan,
                begins=np.nan,
                sweep=np.nan,
            )
        )
    return edges


def least_violation(constraints: Constraints) -> tuple[Floats, float]:
    """Return the lean (2,) whose worst violation is least, and that violation [m]; 0 where there is a window.

    Violations are lengths on the pile at the level of each constraint. The greatest of convex functions is convex: the
    least violation is where a window first opens as more and more is allowed everywhere, halved down to a nanometre.
    What no lean changes is left aside.
    """
    free = replace(constraints, fixed_excess=np.minimum(constraints.fixed_excess, 0.0))
    high = max(0.0, float(free.excess(np.zeros((1, 2))).max(initial=0.0)))
    low, found = 0.0, window_of(free)
    if not found.empty:
        return found.middle, 0.0
    # a little more, so that the window is not a point
    high = 1.01 * high + 1e-6
    found = window_of(free.relaxed(high))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        tried = window_of(free.relaxed(middle))
        if tried.empty:
            low = middle
        else:
            high, found = middle, tried
    return found.middle, high
