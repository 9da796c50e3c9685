"""How the bands of a joint look on paper: open, lost, not sure, sure, not surveyed; and what is only predicted.

The looks are told apart without colour: solid dark, tinted with a thick edge, hatched, white with a thin edge, dotted
with open triangles. Every fill ends exactly where its band does; edges lie inside of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, GREY, HAIR, MEDIUM, WHITE
from asbuilt.output.sheets.symbols import LOOKS, draw_markers, tint
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.symbols import Look

__all__ = [
    "BAND_LOOKS",
    "BandLook",
    "band_sample",
    "draw_bands",
    "draw_predicted",
    "draw_triangles",
    "predicted_sample",
    "strokes",
]

_OF = {look.name: look for look in LOOKS}
_CORNERS = np.array([(0, 1), (2, 1), (2, 3), (0, 3)])
#: Distance of the lines of a band that is not sure, and of what is only predicted, along an edge [mm].
HATCH, SPARSE = 1.3, 4.2
#: Distance of the triangles down a band that is not surveyed, greatest size of one, and the least worth drawing [mm].
MARKER_STEP, MARKER, LEAST_MARKER = 18.0, 2.2, 0.7


@dataclass(frozen=True, kw_only=True)
class BandLook:
    """How one state is drawn: fill (None: left as it is), edge width and dash [mm], colour of edge and hatch."""

    name: str
    fill: str | None
    hatched: bool
    width: float
    dash: tuple[float, ...]
    colour: str


def _look(name: str, verdict: Look, *, fill: str | None, width: float, hatched: bool = False) -> BandLook:
    dotted = verdict.name == "not surveyed"
    dash = verdict.dash if dotted else ()
    return BandLook(name=name, fill=fill, hatched=hatched, width=width, dash=dash, colour=verdict.colour)


#: By the places in :data:`asbuilt.views.JOINT_STATES`.
BAND_LOOKS = (
    _look("open", _OF["outside"], fill=_OF["outside"].colour, width=FINE),
    _look("lost", _OF["outside"], fill=tint(_OF["outside"].colour, 0.3), width=0.6),
    _look("not sure", _OF["unresolved"], fill=WHITE, hatched=True, width=FINE),
    _look("sure", _OF["within"], fill=WHITE, width=HAIR),
    _look("not surveyed", _OF["not surveyed"], fill=None, width=MEDIUM),
)


def draw_bands(
    canvas: Canvas, boxes: Floats, states: Integers, *, clip: Box | None = None, triangles: bool = True
) -> None:
    """Draw bands of joints.

    Parameters
    ----------
    canvas : Canvas
    boxes : array (k, 4)
        Left, bottom, right and top edge of each [mm of paper].
    states : array (k,)
        Places in :data:`asbuilt.views.JOINT_STATES`.
    clip : Box, optional
        Nothing is drawn outside it.
    triangles : bool
        Whether those of what is not surveyed are drawn as well; else :func:`draw_triangles` draws them.
    """
    known = np.asarray(states, dtype=np.int64)
    rows = np.asarray(boxes, dtype=np.float64).reshape(-1, 4)
    for state, look in enumerate(BAND_LOOKS):
        own = rows[known == state]
        if not len(own):
            continue
        if look.fill:
            canvas.shapes(own[:, _CORNERS], fill=look.fill, clip=clip)
        if look.hatched:
            canvas.lines(strokes(own, HATCH), width=FINE, colour=look.colour, clip=clip)
        edge = _inset(own, look.width / 2)
        canvas.lines(edge[:, _CORNERS], width=look.width, colour=look.colour, dash=look.dash, clip=clip, closed=True)
        if JOINT_STATES[state] == "not surveyed" and triangles:
            draw_triangles(canvas, own, clip=clip)


def draw_predicted(canvas: Canvas, boxes: Floats, *, clip: Box | None = None) -> None:
    """Hatch what is only predicted, over its bands: sparse lines that fall to the right, each on a white edge.

    Parameters
    ----------
    canvas : Canvas
    boxes : array (k, 4)
        Left, bottom, right and top edge of each [mm of paper]; those of no height or NaN are left out.
    clip : Box, optional
        Nothing is drawn outside it.
    """
    rows = np.asarray(boxes, dtype=np.float64).reshape(-1, 4)
    lines = strokes(rows[_real(rows)], SPARSE, falling=True)
    # the white edge is what is seen of a line over a solid fill
    canvas.lines(lines, width=HAIR + 0.3, colour=WHITE, clip=clip)
    canvas.lines(lines, width=HAIR, colour=GREY, clip=clip)


def strokes(boxes: Floats, spacing: float, *, falling: bool = False) -> Floats:
    """Return strokes at 45° that fill rectangles, all on one set of parallels: they run on from one to the next.

    Parameters
    ----------
    boxes : array (k, 4)
        Left, bottom, right and top edge of each [mm].
    spacing : float
        Distance of the strokes along an edge [mm].
    falling : bool
        Whether they fall to the right instead of rising.

    Returns
    -------
    array (j, 2, 2)
        Both ends of each [mm], from left to right.
    """
    rows = boxes[_real(boxes)]
    left, bottom, right, top = rows.T
    # a stroke is y = c + x (rising) or y = c - x (falling)
    lowest, highest = (bottom + left, top + right) if falling else (bottom - right, top - left)
    first = np.floor(lowest / spacing).astype(np.int64) + 1
    count = np.maximum(np.ceil(highest / spacing).astype(np.int64) - first, 0)
    box = np.repeat(np.arange(len(rows)), count)
    number = np.arange(len(box)) - np.repeat(np.cumsum(count) - count, count)
    c = (first[box] + number) * spacing
    low, high = (c - top[box], c - bottom[box]) if falling else (bottom[box] - c, top[box] - c)
    start, end = np.maximum(left[box], low), np.minimum(right[box], high)
    sign = -1.0 if falling else 1.0
    return np.stack([np.stack([x, c + sign * x], axis=1) for x in (start, end)], axis=1)


def _real(boxes: Floats) -> Booleans:
    """Return which boxes have a width and a height; none of an edge that is not known has."""
    return np.asarray((boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1]))


def _inset(boxes: Floats, by: float) -> Floats:
    """Return boxes whose edges lie inside by so much [mm], or halfway where a box is too small for that."""
    half = np.minimum(by, 0.5 * np.stack([boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]], axis=1))
    return np.concatenate([boxes[:, :2] + half, boxes[:, 2:] - half], axis=1)


def draw_triangles(canvas: Canvas, boxes: Floats, *, clip: Box | None = None) -> None:
    """Draw the open triangles of what is not surveyed down the middle of boxes (k, 4) [mm], evenly, where they fit."""
    if not len(boxes):
        return
    wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    # a triangle is 1.16 times as wide as its size, and needs a little air on both sides
    size = float(np.clip(np.median(wide) / 2.0, 0.0, MARKER))
    count = np.where(
        (wide >= 1.6 * size) & (high >= 1.8 * size), np.maximum(1, np.round(high / MARKER_STEP)), 0
    ).astype(np.int64)
    if size < LEAST_MARKER or not count.any():
        return
    box = np.repeat(np.arange(len(boxes)), count)
    number = np.arange(len(box)) - np.repeat(np.cumsum(count) - count, count)
    share = (number + 0.5) / count[box]
    at = np.stack([(boxes[box, 0] + boxes[box, 2]) / 2, boxes[box, 3] - share * high[box]], axis=1)
    draw_markers(canvas, _OF["not surveyed"], at, size, clip=clip)


def _sample_box(box: Box) -> Floats:
    width = min(0.55 * box.width, 1.6 * box.height)
    return np.array([[box.left + 0.5, box.bottom + 0.3, box.left + 0.5 + width, box.top - 0.3]])


def band_sample(state: int) -> Callable[[Canvas, Box], None]:
    """Return what draws one state's look in a legend; ``state`` is a place in :data:`asbuilt.views.JOINT_STATES`."""

    def sample(canvas: Canvas, box: Box) -> None:
        draw_bands(canvas, _sample_box(box), np.array([state]))

    return sample


def predicted_sample(canvas: Canvas, box: Box) -> None:
    """Draw the look of what is only predicted, over a band that is sure, in a legend."""
    draw_bands(canvas, _sample_box(box), np.array([JOINT_STATES.index("sure")]))
    draw_predicted(canvas, _sample_box(box))
