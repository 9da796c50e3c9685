"""Where labels go: turned boxes that must not touch one another, nor what is drawn already.

Labels that are wanted at once are compared as turned boxes, those near one another found through a grid; who yields to
whom is settled by rank, which gives what going through them one by one in that order would give. What is there already
is kept as covered cells of the paper, so that ten thousand circles under one label cost no more than one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.output.sheets.canvas import Box

__all__ = ["Boxes", "Room", "first_free", "join", "overlapping", "place", "spread_rank"]

#: Side of a cell of covered paper [mm].
CELL = 0.25
#: So many labels are tried for, by rank: no sheet along its walls has room for more.
MOST_LABELS = 1500


@dataclass(frozen=True, kw_only=True)
class Boxes:
    """n turned rectangles: centres (n, 2) and half sizes (n, 2) [mm], unit vectors along their lengths (n, 2)."""

    centre: Floats
    half: Floats
    axis: Floats

    @classmethod
    def none(cls) -> Boxes:
        """Return no boxes."""
        nothing = np.empty((0, 2))
        return cls(centre=nothing, half=nothing, axis=nothing)

    @classmethod
    def upright(cls, centre: Floats, half: Floats) -> Boxes:
        """Return boxes (n, 2) that are not turned; ``half`` (n, 2), or one (2,) for all."""
        n = len(centre)
        return cls(centre=centre, half=np.broadcast_to(half, (n, 2)), axis=np.tile([1.0, 0.0], (n, 1)))

    @classmethod
    def of(cls, boxes: Sequence[Box]) -> Boxes:
        """Return parts of the paper as boxes."""
        middle = np.array([box.middle for box in boxes]).reshape(-1, 2)
        return cls.upright(middle, np.array([(box.width / 2, box.height / 2) for box in boxes]).reshape(-1, 2))

    @classmethod
    def squares(cls, centre: Floats, half: Floats) -> Boxes:
        """Return upright squares about centres (n, 2), half their sides (n,) [mm]."""
        return cls.upright(centre, np.stack([half, half], axis=1))

    @classmethod
    def strips(cls, start: Floats, end: Floats, half_width: float, *, parts: int = 1) -> Boxes:
        """Return lines as thin boxes, each cut into parts, lest a long one widen the search for neighbours."""
        run = end - start
        length = np.hypot(run[:, 0], run[:, 1])
        axis = np.where(length[:, None] > 1e-9, run / np.maximum(length, 1e-9)[:, None], [1.0, 0.0])
        share = (np.arange(parts) + 0.5) / parts
        centre = (start[:, None, :] + run[:, None, :] * share[None, :, None]).reshape(-1, 2)
        half = np.stack([np.repeat(length / (2 * parts), parts), np.full(len(start) * parts, half_width)], axis=1)
        return cls(centre=centre, half=half, axis=np.repeat(axis, parts, axis=0))

    def __len__(self) -> int:
        return len(self.centre)

    def take(self, rows: Integers | Booleans) -> Boxes:
        """Return the boxes at ``rows``."""
        return Boxes(centre=self.centre[rows], half=self.half[rows], axis=self.axis[rows])

    def corners(self) -> Floats:
        """Return the corners (n, 4, 2) [mm]."""
        along = self.axis * self.half[:, :1]
        across = np.stack([-self.axis[:, 1], self.axis[:, 0]], axis=1) * self.half[:, 1:]
        c = self.centre
        return np.stack([c - along - across, c + along - across, c + along + across, c - along + across], axis=1)


def join(parts: Sequence[Boxes]) -> Boxes:
    """Return all boxes of several sets as one."""
    return Boxes(
        centre=np.concatenate([p.centre for p in parts]),
        half=np.concatenate([p.half for p in parts]),
        axis=np.concatenate([p.axis for p in parts]),
    )


def _near(a: Floats, b: Floats, cell: float) -> tuple[Integers, Integers]:
    """Return pairs of places in ``a`` and ``b`` whose points lie in the same or adjoining cells of a grid."""
    cells_a = np.floor(a / cell).astype(np.int64)
    cells_b = np.floor(b / cell).astype(np.int64)
    low = np.minimum(cells_a.min(axis=0), cells_b.min(axis=0)) - 1
    stride = int(max(cells_a[:, 1].max(), cells_b[:, 1].max()) - low[1]) + 3
    keys_a = (cells_a[:, 0] - low[0]) * stride + cells_a[:, 1] - low[1]
    keys_b = (cells_b[:, 0] - low[0]) * stride + cells_b[:, 1] - low[1]
    order = np.argsort(keys_b, kind="stable")
    sorted_b = keys_b[order]
    first, second = [], []
    for column in (-stride, 0, stride):
        start = np.searchsorted(sorted_b, keys_a + column - 1, side="left")
        count = np.searchsorted(sorted_b, keys_a + column + 1, side="right") - start
        i = np.repeat(np.arange(len(a)), count)
        within = np.arange(len(i)) - np.repeat(np.cumsum(count) - count, count)
        first.append(i)
        second.append(order[start[i] + within])
    return np.concatenate(first), np.concatenate(second)


def overlapping(a: Boxes, b: Boxes) -> tuple[Integers, Integers]:
    """Return the pairs (places in ``a``, places in ``b``) of boxes that overlap.

    Two turned rectangles are apart when they are apart along an axis of one of them (separating axes).
    """
    if not len(a) or not len(b):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    reach = float(np.hypot(*a.half.T).max() + np.hypot(*b.half.T).max())
    i, j = _near(a.centre, b.centre, max(reach, 1e-6))
    gap = b.centre[j] - a.centre[i]
    cos = np.abs(np.sum(a.axis[i] * b.axis[j], axis=1))
    sin = np.abs(a.axis[i, 0] * b.axis[j, 1] - a.axis[i, 1] * b.axis[j, 0])
    meet = np.ones(len(i), dtype=bool)
    for axis, own, other in ((a.axis[i], a.half[i], b.half[j]), (b.axis[j], b.half[j], a.half[i])):
        along = np.abs(np.sum(gap * axis, axis=1))
        across = np.abs(axis[:, 0] * gap[:, 1] - axis[:, 1] * gap[:, 0])
        meet &= along < own[:, 0] + other[:, 0] * cos + other[:, 1] * sin
        meet &= across < own[:, 1] + other[:, 0] * sin + other[:, 1] * cos
    return i[meet], j[meet]


def _settle(i: Integers, j: Integers, rank: Integers) -> Booleans:
    """Return who stays when of every pair (i, j) the lower rank wins over the higher, in the order of rank."""
    stays = np.zeros(len(rank), dtype=bool)
    open_ = np.ones(len(rank), dtype=bool)
    while open_.any():
        yields = np.zeros(len(rank), dtype=bool)
        yields[i[rank[j] < rank[i]]] = True
        won = open_ & ~yields
        stays |= won
        open_ &= ~won
        open_[i[won[j]]] = False
        left = open_[i] & open_[j]
        i, j = i[left], j[left]
    return stays


class Room:
    """What is free on a rectangle of paper: it knows the cells that are covered, and the labels that are in place."""

    def __init__(self, area: Box) -> None:
        self.area = area
        self._low = np.array([area.left, area.bottom])
        self._shape = np.ceil(np.array([area.width, area.height]) / CELL).astype(np.int64) + 1
        self._covered = np.zeros(int(self._shape.prod()), dtype=bool)
        self._labels = Boxes.none()

    def cover(self, boxes: Boxes) -> None:
        """Mark the cells that boxes cover, and a rim of one or two cells, so that none that touches one is missed."""
        cells, inside = self._cells(boxes, grow=2.0 * CELL, spacing=0.7 * CELL)
        self._covered[cells[inside]] = True

    def keep(self, labels: Boxes) -> None:
        """Take labels in: they are few, and kept as they are, so that others may stand close to them."""
        self._labels = join([self._labels, labels])

    def meets(self, boxes: Boxes) -> Booleans:
        """Return which boxes touch what is covered or a label kept, or reach out of the area."""
        met = np.ones(len(boxes), dtype=bool)
        corners = boxes.corners()
        high = self._low + np.array([self.area.width, self.area.height])
        within = np.flatnonzero(np.all((corners >= self._low) & (corners <= high), axis=(1, 2)))
        # Most boxes that meet something do so along their middle line, which is looked at first.
        for flat in (True, False):
            if len(within):
                cells, inside = self._cells(boxes.take(within), grow=0.0, spacing=1.2 * CELL, flat=flat)
                met[within] = (self._covered[cells] & inside).any(axis=1)
                within = within[~met[within]]
        met[within[overlapping(boxes.take(within), self._labels)[0]]] = True
        return met

    def meets_label(self, leads: Boxes) -> Booleans:
        """Return which leaders run through a label kept; those with a NaN centre do not."""
        met = np.zeros(len(leads), dtype=bool)
        met[_crossing(leads, self._labels)[0]] = True
        return met

    def _cells(self, boxes: Boxes, *, grow: float, spacing: float, flat: bool = False) -> tuple[Integers, Booleans]:
        """Return the cells under a lattice of points in each box (n, k), and whether they lie in the area.

        ``flat``: only those on the box's middle line.
        """
        if not len(boxes):
            return np.empty((0, 0), dtype=np.int64), np.empty((0, 0), dtype=bool)
        half = boxes.half + grow
        counts = np.ceil(2.0 * half.max(axis=0) / spacing).astype(np.int64) + 1
        rows = np.zeros(1) if flat else np.linspace(-1.0, 1.0, counts[1])
        u, v = np.meshgrid(np.linspace(-1.0, 1.0, counts[0]), rows)
        along = half[:, :1] * u.ravel()
        across = half[:, 1:] * v.ravel()
        cos, sin = boxes.axis[:, :1], boxes.axis[:, 1:]
        column = np.floor((boxes.centre[:, :1] - self._low[0] + along * cos - across * sin) / CELL).astype(np.int64)
        row = np.floor((boxes.centre[:, 1:] - self._low[1] + along * sin + across * cos) / CELL).astype(np.int64)
        inside = (column >= 0) & (column < self._shape[0]) & (row >= 0) & (row < self._shape[1])
        return np.where(inside, column * self._shape[1] + row, 0), inside


def place(options: Sequence[Boxes], *, rank: Integers, room: Room, leads: Sequence[Boxes] = ()) -> Integers:
    """Choose one option for each label, and keep what is chosen.

    Parameters
    ----------
    options : sequence of Boxes
        Each holds one box for every label, the most wanted first. A box with a NaN centre is no option.
    rank : array (n,)
        Lower wins; no two alike.
    room : Room
        What no label may touch, and where labels wholly lie; the chosen ones are added. Only the first
        :data:`MOST_LABELS` are tried.
    leads : sequence of Boxes, optional
        For every option the leaders as thin boxes, NaN where there is none: no leader may run through another label.

    Returns
    -------
    array (n,)
        Number of the option chosen, -1 where there is no room.
    """
    chosen = np.full(len(rank), -1, dtype=np.int64)
    for number, option in enumerate(options):
        waiting = np.flatnonzero((chosen < 0) & (rank < MOST_LABELS))
        if not len(waiting):
            break
        waiting = waiting[~room.meets(option.take(waiting))]
        if leads:
            waiting = waiting[~room.meets_label(leads[number].take(waiting))]
        boxes = option.take(waiting)
        i, j = overlapping(boxes, boxes)
        if leads:
            lead, label = _crossing(leads[number].take(waiting), boxes)
            i, j = np.concatenate([i, lead, label]), np.concatenate([j, label, lead])
        other = i != j
        stays = _settle(i[other], j[other], rank[waiting])
        chosen[waiting[stays]] = number
        room.keep(boxes.take(stays))
        if leads:
            lines = leads[number].take(waiting[stays])
            room.keep(lines.take(np.isfinite(lines.centre[:, 0])))
    return chosen


def _crossing(leads: Boxes, labels: Boxes) -> tuple[Integers, Integers]:
    """Return the pairs (places in ``leads``, places in ``labels``) of leaders that run through a label."""
    there = np.flatnonzero(np.isfinite(leads.centre[:, 0]))
    i, j = overlapping(leads.take(there), labels)
    return there[i], j


def first_free(choices: Boxes, room: Room) -> Boxes:
    """Return the first of several places of one label that is free, and keep it; no box where none is."""
    taken = choices.take(np.flatnonzero(~room.meets(choices))[:1])
    room.keep(taken)
    return taken


def spread_rank(classes: Sequence[Integers]) -> Integers:
    """Return ranks (n,) by the classes, first one first; within a class spread over the sequence, not from one end.

    Neighbours then do not wait for one another in a chain, and what finds room is spread along the wall.
    """
    n = len(classes[0])
    bits = max(1, int(n - 1).bit_length())
    places = np.arange(n)
    mirrored = np.zeros(n, dtype=np.int64)
    for bit in range(bits):
        mirrored |= ((places >> bit) & 1) << (bits - 1 - bit)
    order = np.lexsort((mirrored, *reversed(classes)))
    rank = np.empty(n, dtype=np.int64)
    rank[order] = places
    return rank
