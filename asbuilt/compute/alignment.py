"""The line of a wall: who stands next to whom, the directions along it and towards the pit, its sides and joints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import TABLES

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers, Table
    from asbuilt.settings import Settings, Wall

__all__ = ["CORNER_DEG", "Alignment", "align", "wall_levels"]

#: Where the two sides turn by more than this a pile stands on a corner: its readings must say their bearing.
CORNER_DEG = 30.0

_STATUS = TABLES["design"].column("status").choices
_PLANNED, _OMITTED = _STATUS.index("planned"), _STATUS.index("omitted")


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """Wall axes at every design pile (n,) and the joints (m,). Unit vectors; NaN where a pile has none.

    ``along``: t, in the order of position. ``pit``: n. ``pit_1``, ``pit_2``: the normals of the two sides that meet at
    the pile. ``joint_pit``: n_J of each joint; ``joint_along``: t_J.
    """

    along: Floats
    pit: Floats
    pit_1: Floats
    pit_2: Floats
    turn_deg: Floats
    side: Integers
    spacing_next: Floats
    expected: Booleans
    joint_a: Integers
    joint_b: Integers
    joint_along: Floats
    joint_pit: Floats


def _unit(vectors: Floats) -> Floats:
    length = np.hypot(vectors[:, 0], vectors[:, 1])
    return vectors / np.where(length > 0, length, np.nan)[:, None]


def _turned(vectors: Floats, sense: float) -> Floats:
    """Turn by 90 degrees to the left (sense 1) or right (-1)."""
    return sense * np.column_stack([-vectors[:, 1], vectors[:, 0]])


def wall_levels(settings: Settings, walls: object, name: str) -> Floats:
    """Return a level of each pile's wall (n,) [m]; ``name`` is formation or interlock_to."""
    of_pile = np.asarray(walls, dtype=object)
    level = np.full(of_pile.shape, np.nan)
    for wall in settings.walls:
        value = settings.wall_level(wall, name)  # type: ignore[arg-type]  # one of the literal names
        level[of_pile == wall] = np.nan if value is None else value
    return level


def align(design: Table, settings: Settings, *, e: Floats, n: Floats) -> Alignment:
    """Return wall axes and joints of all design piles.

    Parameters
    ----------
    design : Table
        The design table.
    settings : Settings
        For the walls: closed or open, pit side, extra joints.
    e, n : (n,) arrays
        Design centres, reduced [m].

    Notes
    -----
    At a design centre u1, u2 are the unit vectors from the previous and to the next centre; along = unit(u1 + u2);
    normals are these turned by 90 degrees to the pit side. The pit of a closed wall is its inside, by the sign of the
    area of the ring. An added pile borrows the axes of the wall pile that an extra joint ties it to.
    """
    line = _Line(design, np.column_stack([e, n]))
    pairs = [line.wall(name, wall) for name, wall in settings.walls.items()]
    extra = [pair for wall in settings.walls.values() for pair in wall.extra_joints]
    joints: Integers = np.concatenate([*pairs, line.tie(extra)])
    a, b = joints[:, 0], joints[:, 1]
    joint_along = _unit(line.centre[b] - line.centre[a])
    joint_pit = _turned(joint_along, 1.0) * line.sense[a][:, None]
    away = np.sum(joint_pit * line.axes["pit"][a], axis=1) < -1e-9
    return Alignment(
        **line.axes,
        turn_deg=line.turn,
        side=line.side,
        spacing_next=line.spacing,
        expected=design["status"] != _OMITTED,
        joint_a=a,
        joint_b=b,
        joint_along=joint_along,
        joint_pit=np.where(away[:, None], -joint_pit, joint_pit),
    )


class _Line:
    """Wall axes while they are gathered, wall by wall."""

    def __init__(self, design: Table, centre: Floats) -> None:
        count = len(design)
        self.design, self.centre = design, centre
        self.axes = {name: np.full((count, 2), np.nan) for name in ("along", "pit", "pit_1", "pit_2")}
        self.turn, self.spacing = np.full(count, np.nan), np.full(count, np.nan)
        self.side = np.full(count, -1, dtype=np.int64)
        self.sense = np.ones(count)
        self.sides = 0

    def wall(self, name: str, wall: Wall) -> Integers:
        """Fill in the axes of one wall's piles and return its joints (k, 2)."""
        own = self.design["wall"] == name
        mine = np.flatnonzero(own & (self.design["status"] == _PLANNED))
        mine = mine[np.argsort(self.design["position"][mine], kind="stable")]
        here = self.centre[mine]
        sense = 1.0 if wall.pit_side == "left" else -1.0
        if wall.closed:
            sense = 1.0 if _area(here) > 0 else -1.0
        self.sense[own] = sense
        if len(mine) < 2:
            return np.empty((0, 2), dtype=np.int64)
        step = np.roll(here, -1, axis=0) - here
        u2 = _unit(step)
        u1 = np.roll(u2, 1, axis=0)
        self.spacing[mine] = np.hypot(step[:, 0], step[:, 1])
        if not wall.closed:
            u1[0], u2[-1] = u2[0], u1[-1]
            self.spacing[mine[-1]] = np.nan
        along = _unit(u1 + u2)
        for axis, vectors in (("along", along), ("pit", _turned(along, sense))):
            self.axes[axis][mine] = vectors
        self.axes["pit_1"][mine], self.axes["pit_2"][mine] = _turned(u1, sense), _turned(u2, sense)
        cross, dot = u1[:, 0] * u2[:, 1] - u1[:, 1] * u2[:, 0], np.sum(u1 * u2, axis=1)
        self.turn[mine] = np.degrees(np.abs(np.arctan2(cross, dot)))
        self._number_sides(mine, closed=wall.closed)
        ends = slice(None) if wall.closed and len(mine) > 2 else slice(None, -1)
        return np.column_stack([mine[ends], np.roll(mine, -1)[ends]])

    def _number_sides(self, mine: Integers, *, closed: bool) -> None:
        """Give each straight run a number; the piles on corners belong to none."""
        corner = self.turn[mine] > CORNER_DEG
        number: Integers = np.cumsum(corner, dtype=np.int64)
        if closed and number[-1] > 0:
            # the last run of a ring goes on into its first
            number = np.where(number == 0, number[-1], number)
        distinct, number = np.unique(number, return_inverse=True)
        self.side[mine] = np.where(corner, -1, number + self.sides)
        self.sides += len(distinct)

    def tie(self, extra: list[tuple[str, str]]) -> Integers:
        """Return the extra joints (k, 2); an added pile borrows the axes of the wall pile it is tied to."""
        if not extra:
            return np.empty((0, 2), dtype=np.int64)
        place = {name: k for k, name in enumerate(self.design["pile_id"].tolist())}
        ties: Integers = np.array([(place[a], place[b]) for a, b in extra], dtype=np.int64)
        ties = ties[(self.design["status"][ties] != _OMITTED).all(axis=1)]
        for a, b in ties.tolist():
            for bare, tied in ((a, b), (b, a)):
                if np.isnan(self.axes["pit"][bare, 0]) and not np.isnan(self.axes["pit"][tied, 0]):
                    for values in self.axes.values():
                        values[bare] = values[tied]
                    self.turn[bare] = self.turn[tied]
        return ties.reshape(-1, 2)


def _area(ring: Floats) -> float:
    """Return twice the signed area of a ring, positive counter-clockwise."""
    after = np.roll(ring, -1, axis=0)
    return float(np.sum(ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]))
