"""One stretch of a wall on paper: where chainage and level lie, and what is drawn to these two scales."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.bands import draw_bands, draw_predicted, draw_triangles
from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN
from asbuilt.output.sheets.elevation_walls import level_lines
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Booleans, Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.elevation_walls import Stretch
    from asbuilt.views import Bands

__all__ = ["CONTOUR", "LINE_LOOKS", "TAB", "Panel", "built_toes", "draw_over", "draw_strips"]

#: Half of the hairline between strips [mm].
HALF_GAP = 0.1
#: Width of the contour of the overlap asked for [mm].
CONTOUR = 0.6
#: Line of a level by its kind: width and dash [mm].
LINE_LOOKS: dict[str, tuple[float, tuple[float, ...]]] = {
    "cut-off": (MEDIUM, ()),
    "stage": (FINE, ()),
    "joints to": (FINE, (2.0, 1.0)),
    "formation": (BOLD, ()),
    "interlock to": (MEDIUM, (5.0, 1.2)),
    "water": (THIN, ()),
    "tight stratum": (MEDIUM, (6.0, 1.0, 0.8, 1.0)),
}
#: How far level lines reach out to the left of the strips [mm].
TAB = 4.0
#: Half widths of a tick for a toe as built and for one as designed [mm]; never more than this part of a strip.
BUILT_TICK, DESIGN_TICK, TICK_SHARE = 1.1, 1.6, 0.45
BELOW = tuple(JOINT_STATES.index(name) for name in ("open", "lost"))
NOT_SURVEYED = JOINT_STATES.index("not surveyed")


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A stretch of a wall on paper.

    ``box`` [mm] holds the strips, those of extra joints at its right end, from ``low`` up [m]; ``across`` and ``up``
    are mm of paper to a metre of chainage and of level; ``extra_left`` and ``extra_width`` [mm] are where the strips of
    extra joints start, and their width.
    """

    result: Reconciliation
    bands: Bands
    stretch: Stretch
    box: Box
    low: float
    across: float
    up: float
    text: float
    extra_left: float
    extra_width: float

    def x(self, chainage: Floats) -> Floats:
        """Return places across the paper [mm] of chainages [m]."""
        return self.box.left + (chainage - self.stretch.first) * self.across

    def y(self, level: Floats) -> Floats:
        """Return heights on the paper [mm] of levels [m]."""
        return self.box.bottom + (level - self.low) * self.up

    def height(self, level: float) -> float:
        """Return the height on the paper [mm] of one level [m]."""
        return self.box.bottom + (level - self.low) * self.up

    @property
    def wall_right(self) -> float:
        """Where the wall itself ends, before its extra joints [mm]."""
        return self.box.left + (self.stretch.last - self.stretch.first) * self.across

    @cached_property
    def edges(self) -> Floats:
        """Left and right edge of every joint's strip (all joints, 2) [mm]; NaN where it is not on this panel."""
        wall = self.stretch.wall
        edges = np.full((len(self.result.joints), 2), np.nan)
        here = (wall.reach[:, 0] >= self.stretch.first - 1e-9) & (wall.reach[:, 1] <= self.stretch.last + 1e-9)
        edges[wall.joint[here]] = self.x(wall.reach[here])
        if self.stretch.has_extra:
            left = self.extra_left + np.arange(len(wall.extra)) * self.extra_width
            edges[wall.extra] = np.stack([left, left + self.extra_width], axis=1)
        return edges

    @cached_property
    def joints(self) -> Integers:
        """Joints on this panel, from left to right."""
        here = np.flatnonzero(np.isfinite(self.edges[:, 0]))
        return here[np.argsort(self.edges[here, 0], kind="stable")]

    @cached_property
    def middle(self) -> Floats:
        """Middle of every joint's strip (all joints,) [mm]."""
        return np.asarray(self.edges.mean(axis=1))

    @cached_property
    def piles(self) -> Integers:
        """Places in the wall's row of piles that stand on this panel; both ends are on it."""
        chainage = self.stretch.wall.chainage
        return np.flatnonzero((chainage >= self.stretch.first - 1e-9) & (chainage <= self.stretch.last + 1e-9))

    @cached_property
    def own(self) -> Integers:
        """Bands of the joints on this panel."""
        return np.flatnonzero(np.isfinite(self.edges[self.bands.joint, 0]))

    @cached_property
    def boxes(self) -> Floats:
        """Left, bottom, right and top edge of these bands (k, 4) [mm], with a hairline between strips."""
        bands, own = self.bands, self.own
        edges = self.edges[bands.joint[own]]
        bottom, top = self.y(bands.bottom[own]), self.y(bands.top[own])
        return np.stack([edges[:, 0] + HALF_GAP, bottom, edges[:, 1] - HALF_GAP, top], axis=1)

    @cached_property
    def predicted(self) -> Floats:
        """What of the bands is only predicted (j, 4) [mm]."""
        bands, own = self.bands, self.own
        below = np.asarray(self.result.joints["predicted_below"], dtype=np.float64)[bands.joint[own]]
        boxes = self.boxes.copy()
        boxes[:, 3] = np.minimum(boxes[:, 3], self.y(below))
        shown: Floats = boxes[(bands.state[own] != NOT_SURVEYED) & (boxes[:, 3] > boxes[:, 1])]
        return shown

    @cached_property
    def contour(self) -> Floats:
        """Return the lines (j, 2, 2) [mm] where the overlap comes to that asked for: in strips, and between them."""
        parts = [*self._levels_of_contour(), *self._sides_of_contour()]
        return np.array(parts, dtype=np.float64).reshape(-1, 2, 2)

    def _levels_of_contour(self) -> Iterator[list[tuple[float, float]]]:
        bands, own = self.bands, self.own
        state, joint = bands.state[own], bands.joint[own]
        below, known = np.isin(state, BELOW), state != NOT_SURVEYED
        flips = (joint[1:] == joint[:-1]) & (below[1:] != below[:-1]) & known[1:] & known[:-1]
        for row in np.flatnonzero(flips):
            left, bottom, right, _ = self.boxes[row]
            yield [(left - HALF_GAP, bottom), (right + HALF_GAP, bottom)]

    def _sides_of_contour(self) -> Iterator[list[tuple[float, float]]]:
        """Yield the upright parts: where one of two strips side by side is below what is asked for, and one is not."""
        bands, own = self.bands, self.own
        rows = {int(joint): own[bands.joint[own] == joint] for joint in self._around_lost()}
        for first, second in zip(self.joints[:-1], self.joints[1:], strict=True):
            a, b = rows.get(int(first)), rows.get(int(second))
            apart = self.edges[second, 0] - self.edges[first, 1] > 1e-6
            if a is None or b is None or apart:
                continue
            levels = np.unique(np.concatenate([bands.top[a], bands.bottom[a], bands.top[b], bands.bottom[b]]))
            middle = (levels[1:] + levels[:-1]) / 2
            states = [self._state_at(part, middle) for part in (a, b)]
            lost = [np.isin(state, BELOW) for state in states]
            known = [(state >= 0) & (state != NOT_SURVEYED) for state in states]
            for row in np.flatnonzero((lost[0] != lost[1]) & known[0] & known[1]):
                x = float(self.edges[second, 0])
                yield [(x, self.height(float(levels[row]))), (x, self.height(float(levels[row + 1])))]

    def _around_lost(self) -> Integers:
        """Return the joints on the panel that are somewhere below what is asked for, and their neighbours."""
        bands, own = self.bands, self.own
        lost = np.isin(self.joints, bands.joint[own][np.isin(bands.state[own], BELOW)])
        lost[1:] |= lost[:-1].copy()
        lost[:-1] |= lost[1:].copy()
        return self.joints[lost]

    def _state_at(self, rows: Integers, levels: Floats) -> Integers:
        """Return the state of one joint, whose bands are ``rows``, at levels; -1 outside its range."""
        inside = (self.bands.top[rows][:, None] > levels) & (self.bands.bottom[rows][:, None] < levels)
        return np.where(inside.any(axis=0), self.bands.state[rows][inside.argmax(axis=0)], -1)


def draw_strips(canvas: Canvas, panel: Panel) -> None:
    """Draw what level lines cross: piles below their joints, bands, what is predicted."""
    _draw_shafts(canvas, panel)
    states = panel.bands.state[panel.own].astype(np.int64)
    draw_bands(canvas, panel.boxes, states, clip=panel.box, triangles=False)
    draw_triangles(canvas, _between_lines(panel, panel.boxes[states == NOT_SURVEYED]), clip=panel.box)
    draw_predicted(canvas, panel.predicted, clip=panel.box)


def _between_lines(panel: Panel, boxes: Floats) -> Floats:
    """Return the parts of boxes (k, 4) [mm] between the level lines, so that no line runs through a triangle."""
    levels = np.array([line.level for line in level_lines(panel.result, panel.stretch.wall.name)])
    y = np.unique(np.concatenate([[panel.box.bottom, panel.box.top], panel.y(levels)]))
    parts = np.repeat(boxes[:, None, :], len(y) - 1, axis=1)
    parts[:, :, 1] = np.maximum(parts[:, :, 1], y[:-1])
    parts[:, :, 3] = np.minimum(parts[:, :, 3], y[1:])
    parts = parts.reshape(-1, 4)
    return parts[parts[:, 3] > parts[:, 1]]


def draw_over(canvas: Canvas, panel: Panel) -> None:
    """Draw what no level line may hide: the contour of the overlap asked for, and the toes."""
    canvas.lines(panel.contour, width=CONTOUR, colour=INK, clip=panel.box)
    _draw_toes(canvas, panel)


def _standing(panel: Panel) -> tuple[Integers, Floats]:
    """Return the piles on the panel that are built (places in the design) and where they stand [mm]."""
    wall = panel.stretch.wall
    rows = panel.piles[np.asarray(panel.result.piles.expected)[wall.pile[panel.piles]]]
    return wall.pile[rows], panel.x(wall.chainage[rows])


def _draw_shafts(canvas: Canvas, panel: Panel) -> None:
    """Draw a hairline down every pile, so that toes are seen to belong to one."""
    pile, x = _standing(panel)
    cut_off = np.asarray(panel.result.piles["cut_off_level"], dtype=np.float64)[pile]
    built, design = _toes(panel, pile)
    toe = np.where(np.isfinite(built), built, design)
    ends = np.stack([np.stack([x, panel.y(level)], axis=1) for level in (cut_off, toe)], axis=1)
    canvas.lines(ends[np.isfinite(ends).all(axis=(1, 2))], width=HAIR, colour=GREY, clip=panel.box)


def _toes(panel: Panel, pile: Integers) -> tuple[Floats, Floats]:
    """Return toe levels as recorded (NaN where not) and as designed [m]."""
    built = np.asarray(panel.result.piles["toe_level"], dtype=np.float64)[pile]
    return built, np.asarray(panel.result.survey.design["toe_level"], dtype=np.float64)[pile]


def built_toes(panel: Panel) -> tuple[Booleans, Booleans]:
    """Return which standing piles of the panel have a recorded toe, and which of these lie outside the drawing."""
    pile, _ = _standing(panel)
    built, _ = _toes(panel, pile)
    y = panel.y(built)
    return np.isfinite(built), (y < panel.box.bottom) | (y > panel.box.top)


def _draw_toes(canvas: Canvas, panel: Panel) -> None:
    pile, x = _standing(panel)
    built, design = _toes(panel, pile)
    strip = panel.stretch.wall.spacing * panel.across
    for level, half, width in ((design, DESIGN_TICK, THIN), (built, BUILT_TICK, 0.7)):
        reach = min(half, TICK_SHARE * strip)
        y = panel.y(level)
        ticks = np.stack([np.stack([x - reach, y], axis=1), np.stack([x + reach, y], axis=1)], axis=1)
        canvas.lines(ticks[np.isfinite(y)], width=width, clip=panel.box)
