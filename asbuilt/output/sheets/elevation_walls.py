"""Walls unrolled: chainage of the piles along each wall, the strips of its joints, its levels, and how it is paged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.scaling import SCALES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from asbuilt.model import Floats, Integers, Reconciliation

__all__ = [
    "LevelLine",
    "Stretch",
    "UnrolledWall",
    "choose_scales",
    "fill_pages",
    "level_lines",
    "level_span",
    "stretches",
    "unrolled_walls",
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
class UnrolledWall:
    """One wall laid out along a line; k piles in order of position, m joints between them, x joints beside them.

    A closed wall's first pile stands once more at its end. ``pile`` and ``joint`` are places in the results.
    """

    name: str
    pile: Integers
    position: Integers
    chainage: Floats
    """(k,) running sum of the design spacing [m]."""
    joint: Integers
    """(m,) in order of chainage."""
    reach: Floats
    """(m, 2) chainage of its two piles [m]."""
    extra: Integers
    """(x,) joints that are not between consecutive positions."""
    pit_on_left: bool | None
    """Whether the pit lies to the left as chainage rises; None where the wall does not say."""

    @property
    def length(self) -> float:
        """Length along the foot [m]."""
        return float(self.chainage[-1]) if len(self.chainage) else 0.0

    @property
    def spacing(self) -> float:
        """Width of an ordinary strip [m]; 1 without any."""
        return float(np.median(self.reach[:, 1] - self.reach[:, 0])) if len(self.joint) else 1.0


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


def unrolled_walls(result: Reconciliation) -> list[UnrolledWall]:
    """Return every wall that has joints, in the order of the settings."""
    names = np.asarray(result.joints["wall"], dtype=object)
    return [_unrolled(result, name) for name in result.survey.settings.walls if (names == name).any()]


def _unrolled(result: Reconciliation, name: str) -> UnrolledWall:
    design, piles, joints = result.survey.design, result.piles, result.joints
    position = np.asarray(design["position"], dtype=np.float64)
    row = np.flatnonzero((np.asarray(design["wall"], dtype=object) == name) & np.isfinite(position))
    row = row[np.argsort(position[row], kind="stable")]
    if result.survey.settings.walls[name].closed and len(row) > 2:
        row = np.append(row, row[0])
    e, n = np.asarray(piles.design_e)[row], np.asarray(piles.design_n)[row]
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(e), np.diff(n)))])[: len(row)]
    own = np.flatnonzero(np.asarray(joints["wall"], dtype=object) == name)
    # consecutive among the piles that are built: the strip bridges one that is omitted
    built = np.flatnonzero(np.asarray(piles.expected)[row])
    low, high = np.minimum(joints.a[own], joints.b[own]), np.maximum(joints.a[own], joints.b[own])
    at = row[built]
    keys = np.minimum(at[:-1], at[1:]) * len(piles) + np.maximum(at[:-1], at[1:])
    order = np.argsort(keys, kind="stable")
    found = np.searchsorted(keys[order], low * len(piles) + high)
    between = np.zeros(len(own), dtype=bool)
    if len(keys):
        found = np.minimum(found, len(keys) - 1)
        between = keys[order][found] == low * len(piles) + high
    gap = order[found[between]] if len(keys) else np.empty(0, dtype=np.int64)
    reach = np.stack([chainage[built[gap]], chainage[built[gap + 1]]], axis=1) if len(gap) else np.empty((0, 2))
    along = np.argsort(reach[:, 0], kind="stable")
    return UnrolledWall(
        name=name,
        pile=row,
        position=position[row].astype(np.int64),
        chainage=chainage,
        joint=own[between][along],
        reach=reach[along],
        extra=own[~between],
        pit_on_left=_pit_on_left(result, row),
    )


def _pit_on_left(result: Reconciliation, row: Integers) -> bool | None:
    piles = result.piles
    turn = piles.along_e[row] * piles.pit_n[row] - piles.along_n[row] * piles.pit_e[row]
    known = turn[np.isfinite(turn)]
    return bool(np.median(known) > 0) if len(known) else None


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
