"""The walls' names on a plan, and on which side of them the pit lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.flags import Flags, Label
from asbuilt.output.sheets.lettering import clean, text_width
from asbuilt.output.sheets.placing import Boxes, Room, first_free, join

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers
    from asbuilt.output.sheets.plan_layout import Plan

__all__ = ["wall_names"]


def wall_names(plan: Plan, room: Room) -> Flags:
    """Write each wall's name on its pit side, else on its outer side; count those that find no room on either.

    A closed wall is named inside where its ring has room.

    Parameters
    ----------
    plan : Plan
    room : Room
        What is free; the names placed are taken from it.
    """
    piles, settings = plan.result.piles, plan.result.survey.settings
    walls = np.asarray(piles["wall"], dtype=object)
    of_all = np.asarray(plan.whole.piles["wall"], dtype=object)
    pit = np.nan_to_num(np.stack([piles.pit_e, piles.pit_n], axis=1))
    large, small = 1.4 * plan.text, plan.text
    labels: list[Label] = []
    left_out = 0
    boxes = [Boxes.none()]
    for name, wall in settings.walls.items():
        rows = np.flatnonzero((walls == name) & plan.own)
        if not len(rows):
            continue
        first = clean(f"Wall {name}")
        ring = wall.closed and len(rows) == int((of_all == name).sum())
        inner, outer = ("inside: pit", "pit: inside the ring") if ring else ("pit side", "pit: other side")
        half = np.array([max(text_width(first, large), text_width(outer, small)) / 2 + 1.0, large + small])
        places, inside = _places(plan, rows, pit[rows], half, closed=ring)
        chosen = first_free(Boxes.upright(np.array(places), half), room)
        if not len(chosen):
            left_out += 1
            continue
        x, y = chosen.centre[0]
        second = inner if any(np.array_equal(at, chosen.centre[0]) for at in places[:inside]) else outer
        labels.append(Label(x=x - text_width(first, large) / 2, y=y + 0.1 * large, text=first, height=large))
        labels.append(Label(x=x - text_width(second, small) / 2, y=y - 1.6 * small, text=second, height=small))
        boxes.append(chosen)
    return Flags(labels=tuple(labels), boxes=join(boxes), leaders=np.empty((0, 2, 2)), left_out=left_out)


def _places(plan: Plan, rows: Integers, pit: Floats, half: Floats, *, closed: bool) -> tuple[list[Floats], int]:
    """Return where a wall's name may stand, pit side first, and how many of the places are on the pit side."""
    middle = plan.design[rows].mean(axis=0)
    count = len(rows)
    picks = np.array([count // 2, count // 4, 3 * count // 4])
    reach = float(np.max(plan.radius)) + 6.0
    sides: list[list[Floats]] = [[middle] if closed else [], []]
    for side, places in zip((1.0, -1.0), sides, strict=True):
        for row in picks:
            direction = side * pit[row]
            clear = reach + float(np.abs(direction) @ half)
            for more in (0.0, 6.0, 12.0) if side > 0 else (0.0, 6.0, 12.0, 20.0, 30.0):
                at = plan.design[rows[row]] + direction * (clear + more)
                # Past the middle of a ring the pit side of one pile is the outer side of another.
                if not closed or side < 0 or float((middle - at) @ direction) >= 0:
                    places.append(at)
    return [*sides[0], *sides[1]], len(sides[0])
