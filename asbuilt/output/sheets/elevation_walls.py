"""Walls unrolled on paper: the levels drawn along each, and into which stretches and pages it is cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.scaling import SCALES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from asbuilt.model import Reconciliation
    from asbuilt.views import UnrolledWall

__all__ = [
    "LevelLine",
    "Stretch",
    "choose_scales",
    "fill_pages",
    "level_lines",
    "level_span",
    "stretches",
]

HORIZONTAL = (50, 100, 200, 250, 500)
#: Vertical scales that are taken before the sheet shows more than one stretch at a coarser one.
FINEST = (50, 100)
#: Least width of a strip on paper for its bands to be legible [mm].
LEAST_STRIP = 2.5
#: Room above and below what is drawn [m], and by what part of the height other levels may add to it.
AIR, STRAY = 0.4, 0.35


@dataclass(frozen=True, kw_only=True)
class LevelLine:
    """A level drawn along the whole wall: name and level [m]; ``kind`` is a key of the looks of level lines."""

    name: str
    level: float
    kind: str


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A part of a wall that is drawn in one piece: chainages [m], its number and how many there are."""

    wall: UnrolledWall
    first: float
    last: float
    part: int
    parts: int

    @property
    def has_extra(self) -> bool:
        """Whether the joints beside the wall are drawn at its right end."""
        return self.part == self.parts and len(self.wall.extra) > 0


def level_lines(result: Reconciliation, wall: str) -> list[LevelLine]:
    """Return the levels that are drawn along a whole wall, the highest first; cut-off is drawn pile by pile."""
    settings = result.survey.settings
    levels = settings.levels
    lines: list[LevelLine] = []
    for stage in settings.stages:
        lines.append(LevelLine(name=stage.name, level=stage.level, kind="stage"))
        if stage.joints_to is not None:
            lines.append(LevelLine(name=f"joints for {stage.name} to", level=stage.joints_to, kind="joints to"))
    given = (
        ("formation", settings.wall_level(wall, "formation"), "formation"),
        ("interlock to", settings.wall_level(wall, "interlock_to"), "interlock to"),
        ("water outside", levels.water_outside, "water"),
        ("water inside", levels.water_inside, "water"),
        ("tight stratum", levels.tight_stratum, "tight stratum"),
    )
    lines += [LevelLine(name=name, level=level, kind=kind) for name, level, kind in given if level is not None]
    return sorted(lines, key=lambda line: -line.level)


def level_span(result: Reconciliation, wall: UnrolledWall) -> tuple[float, float]:
    """Return the lowest and highest level of a wall's drawing [m].

    It holds every joint's range, cut-offs, design toes, stages and formation. A level far beyond these (a toe that was
    misread, a stratum deep below) does not push the wall into a corner of the sheet: it is left to the notes.
    """
    joints, settings = result.joints, result.survey.settings
    own = np.concatenate([wall.joint, wall.extra])
    formation = settings.wall_level(wall.name, "formation")
    design_toe = np.asarray(result.survey.design["toe_level"], dtype=np.float64)[wall.pile]
    must = np.concatenate(
        [
            np.asarray(joints["range_top"], dtype=np.float64)[own],
            np.asarray(joints["range_bottom"], dtype=np.float64)[own],
            np.asarray(result.piles["cut_off_level"], dtype=np.float64)[wall.pile],
            design_toe,
            [stage.level for stage in settings.stages],
            [] if formation is None else [formation],
        ]
    )
    must = must[np.isfinite(must)]
    low, high = float(must.min()), float(must.max())
    stray = max(STRAY * (high - low), 1.0)
    built_toe = np.asarray(result.piles["toe_level"], dtype=np.float64)[wall.pile]
    may = np.concatenate([built_toe, [line.level for line in level_lines(result, wall.name)]])
    may = may[(may >= low - stray) & (may <= high + stray)]
    return min([low, *may.tolist()]) - AIR, max([high, *may.tolist()]) + AIR


def stretches(wall: UnrolledWall, scale: int, width: float, extra: float) -> list[Stretch] | None:
    """Cut a wall at piles into the fewest parts of about one length that fit; None where not even one strip does.

    Parameters
    ----------
    wall : UnrolledWall
    scale : int
        Horizontal scale, 1:scale.
    width, extra : float
        Room on paper, and what the joints beside the wall take of it at the last part [mm].
    """
    longest = width * scale / 1000.0
    taken = extra * scale / 1000.0
    stops = np.unique(np.concatenate([[0.0], wall.reach.ravel(), [wall.length]]))
    for parts in range(max(1, int(np.ceil((wall.length + taken) / longest - 1e-9))), max(2, len(stops))):
        wanted = np.arange(1, parts) * (wall.length + taken) / parts
        near = np.clip(np.searchsorted(stops, wanted), 1, len(stops) - 1)
        near -= wanted - stops[near - 1] < stops[near] - wanted
        ends = np.concatenate([[0.0], stops[near], [wall.length]])
        room = np.full(parts, longest)
        room[-1] -= taken
        lengths = np.diff(ends)
        if (lengths <= room + 1e-9).all() and (parts == 1 or (lengths > 0).all()):
            return [
                Stretch(wall=wall, first=float(ends[k]), last=float(ends[k + 1]), part=k + 1, parts=parts)
                for k in range(parts)
            ]
    return None


def fill_pages(parts: Sequence[Stretch], heights: Mapping[str, float], room: float) -> list[list[Stretch]]:
    """Return the stretches page by page, one under the other as long as they fit into ``room`` [mm].

    ``heights`` [mm]: of a stretch, by the name of its wall.
    """
    pages: list[list[Stretch]] = []
    left = 0.0
    for part in parts:
        needed = heights[part.wall.name]
        if not pages or needed > left + 1e-9:
            pages.append([])
            left = room
        pages[-1].append(part)
        left -= needed
    return pages


def choose_scales(
    walls: Sequence[UnrolledWall],
    *,
    cut: Callable[[UnrolledWall, int], list[Stretch] | None],
    height: Callable[[UnrolledWall, int], float],
    room: float,
    asked: int | None,
) -> tuple[int, int, list[list[Stretch]]] | None:
    """Choose the horizontal and vertical scale of walls that are drawn alike: fewest pages, then the largest drawing.

    Parameters
    ----------
    walls : sequence of UnrolledWall
    cut : callable
        Wall and horizontal scale to its stretches; None where they cannot be cut to fit.
    height : callable
        Wall and vertical scale to the height of one of its stretches on paper [mm].
    room : float
        Height of a page [mm].
    asked : int, optional
        Horizontal scale that was asked for.

    Returns
    -------
    tuple or None
        Horizontal scale, vertical scale, stretches page by page; None where nothing fits.
    """
    fits = [v for v in SCALES if all(height(wall, v) <= room for wall in walls)]
    finest = [v for v in FINEST if v in fits] or fits[:1]
    spacing = min((wall.spacing for wall in walls), default=1.0)
    legible = [h for h in HORIZONTAL if spacing * 1000.0 / h >= LEAST_STRIP] or [HORIZONTAL[0]]
    found: list[tuple[int, int, int, list[list[Stretch]]]] = []
    for h in [asked] if asked else [*legible, *(h for h in SCALES if h not in legible)]:
        cuts = [cut(wall, h) for wall in walls]
        if not all(cuts) or (found and h not in legible):
            continue
        parts = [part for parts in cuts for part in parts or ()]
        # the height may be drawn larger than the length, not smaller
        for v in [v for v in finest if v <= h] or finest[-1:]:
            heights = {wall.name: height(wall, v) for wall in walls}
            pages = fill_pages(parts, heights, room)
            found.append((len(pages), v, h, pages))
    if not found:
        return None
    _, v, h, pages = min(found, key=lambda one: one[:3])
    return h, v, pages
