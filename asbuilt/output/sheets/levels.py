"""Levels with names: those set for the walls, and the leaders to names that stand beside charts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import HAIR
from asbuilt.output.sheets.stacking import spread

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Literal

    from asbuilt.model import Floats, Reconciliation
    from asbuilt.output.sheets.canvas import Box, Canvas

    WallLevel = Literal["formation", "interlock_to"]

__all__ = ["WALL_LEVELS", "lead_to_names", "levels_of_walls"]

#: The levels of a wall that are named beside those of stages.
WALL_LEVELS: tuple[WallLevel, WallLevel] = ("formation", "interlock_to")


def levels_of_walls(result: Reconciliation, name: WallLevel) -> list[tuple[float, tuple[str, ...]]]:
    """Return the levels [m] set for the walls that have piles, and for which of them; () where it is for them all."""
    settings, built = result.survey.settings, set(result.piles["wall"])
    levels = {wall: settings.wall_level(wall, name) for wall in settings.walls if wall in built}
    found = []
    for level in dict.fromkeys(levels.values()):
        if level is not None:
            own = tuple(wall for wall, value in levels.items() if value == level)
            found.append((level, () if len(own) == len(levels) else own))
    return found


def lead_to_names(
    canvas: Canvas, up: Sequence[float], box: Box, text: float, *, turns: tuple[float, float, float] = (0.6, 1.8, 2.2)
) -> Floats:
    """Draw leaders from levels at the right edge of a box to names beside it, one under the other.

    Parameters
    ----------
    canvas : Canvas
    up : sequence of float
        Heights of the levels on paper [mm].
    box : Box
        The names stand no higher and no lower than it.
    text : float
        Height of a capital letter [mm].
    turns : tuple of float
        How far right of the box a leader turns, turns back and ends, in heights of text.

    Returns
    -------
    array (n,)
        Middle heights of the names [mm].
    """
    places = spread(up, 1.75 * text, box.bottom + 0.5 * text, box.top, downwards=True)
    first, second, end = (box.right + turn * text for turn in turns)
    x = np.array([box.right, first, second, end])
    for y, place in zip(up, places.tolist(), strict=True):
        canvas.lines([np.stack([x, [y, y, place, place]], axis=1)], width=HAIR)
    return places
