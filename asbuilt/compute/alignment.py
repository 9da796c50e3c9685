"""The line of a wall: who stands next to whom, the directions along it and towards the pit, its sides and joints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import TABLES

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers, Table
    from asbuilt.settings import Settings

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
    count = len(design)
    centre = np.column_stack([e, n])
    axes = {name: np.full((count, 2), np.nan) for name in ("along", "pit", "pit_1", "pit_2")}
    turn, spacing = np.full(count, np.nan), np.full(count, np.nan)
    side = np.full(count, -1, dtype=np.int64)
    sense_of = np.ones(count)
    status = design["status"]
    pairs: list[Integers] = []
    sides = 0
    for wall, walls_settings in settings.walls.items():
        mine = np.flatnonzero((design["wall"] == wall) & (status == _PLANNED))
        place = design["position"][mine]
        if np.any(np.diff(place) < 0):
            mine = mine[np.argsort(place, kind="stable")]
        closed = walls_settings.closed
        if closed:
            x, y = e[mine], n[mine]
            area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
            sense = 1.0 if area > 0 else -1.0
        else:
            sense = 1.0 if walls_settings.pit_side == "left" else -1.0
        sense_of[design["wall"] == wall] = sense
        if len(mine) < 2:
            continue
        after = np.roll(mine, -1)
        step = _unit(centre[after] - centre[mine])
        u2, u1 = step.copy(), np.roll(step, 1, axis=0)
        if not closed:
            u1[0], u2[-1] = u2[0], u1[-1]
        spacing[mine] = np.hypot(*(centre[after] - centre[mine]).T)
        if not closed:
            spacing[mine[-1]] = np.nan
        axes["along"][mine] = _unit(u1 + u2)
        axes["pit_1"][mine], axes["pit_2"][mine] = _turned(u1, sense), _turned(u2, sense)
        axes["pit"][mine] = _turned(axes["along"][mine], sense)
        cross, dot = u1[:, 0] * u2[:, 1] - u1[:, 1] * u2[:, 0], np.sum(u1 * u2, axis=1)
        turn[mine] = np.degrees(np.abs(np.arctan2(cross, dot)))
        corner = turn[mine] > CORNER_DEG
        number = np.cumsum(corner)
        if closed and number[-1] > 0 and not corner[0]:
            number = np.where(number == 0, number[-1], number)
        distinct, number = np.unique(number, return_inverse=True)
        side[mine] = np.where(corner, -1, number + sides)
        sides += len(distinct)
        ends = slice(None) if closed and len(mine) > 2 else slice(None, -1)
        pairs.append(np.column_stack([mine[ends], after[ends]]))
    place_of: dict[str, int] = {}
    if any(w.extra_joints for w in settings.walls.values()):
        place_of = {name: k for k, name in enumerate(design["pile_id"].tolist())}
    extra = [
        (place_of[a], place_of[b])
        for w in settings.walls.values()
        for a, b in w.extra_joints
        if status[place_of[a]] != _OMITTED and status[place_of[b]] != _OMITTED
    ]
    for a, b in extra:
        for bare, tied in ((a, b), (b, a)):
            if np.isnan(axes["pit"][bare, 0]) and not np.isnan(axes["pit"][tied, 0]):
                for values in axes.values():
                    values[bare] = values[tied]
                turn[bare] = turn[tied]
    if extra:
        pairs.append(np.array(extra, dtype=np.int64))
    joints = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    a, b = joints[:, 0], joints[:, 1]
    joint_along = _unit(centre[b] - centre[a])
    joint_pit = _turned(joint_along, 1.0) * sense_of[a][:, None]
    away = np.sum(joint_pit * axes["pit"][a], axis=1) < -1e-9
    joint_pit = np.where(away[:, None], -joint_pit, joint_pit)
    return Alignment(
        **axes,
        turn_deg=turn,
        side=side,
        spacing_next=spacing,
        expected=status != _OMITTED,
        joint_a=a,
        joint_b=b,
        joint_along=joint_along,
        joint_pit=joint_pit,
    )
