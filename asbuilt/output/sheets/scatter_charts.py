"""The pictures of the scatter sheets: clouds of offsets, confidence ellipses, distributions, joints against level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.chart import Axis, Chart
from asbuilt.output.sheets.pile_charts import TOLERANCE_DASH, choose_ratio
from asbuilt.output.sheets.symbols import pluses

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans, Floats, Integers, WallGroup
    from asbuilt.output.sheets.canvas import Canvas

__all__ = [
    "ALL_LINE",
    "CURVES",
    "FILLS",
    "KIND_LINES",
    "Curve",
    "draw_cloud",
    "draw_groups",
    "draw_kind",
    "empirical",
    "marker_size",
    "ring",
    "steps",
    "window",
]

#: Fill of a mark by verdict on plan position: within, unresolved, outside, none.
FILLS = (WHITE, "#A8A8A8", INK, WHITE)
#: Line of a kind's mean, ellipse and distribution: width and dash [mm].
ALL_LINE: tuple[float, tuple[float, ...]] = (BOLD, ())
KIND_LINES: tuple[tuple[float, tuple[float, ...]], ...] = (
    (MEDIUM, (2.0, 0.8)),
    (MEDIUM, (2.4, 0.6, 0.4, 0.6)),
    (MEDIUM, (0.4, 0.6)),
)
#: Lines of the curves of joints: lost, not sure, not surveyed.
CURVES: tuple[tuple[float, tuple[float, ...]], ...] = ((BOLD + 0.2, ()), (MEDIUM, (2.2, 0.9)), (BOLD, (0.5, 0.8)))
#: Millimetres on site for one on paper; the axes carry figures, so that these need not be as round as scales are.
_STEPS = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
RATIOS = (
    *(1.0 / (step * 10.0**power) for power in range(3, -1, -1) for step in reversed(_STEPS)),
    *(step * 10.0**power for power in range(6) for step in _STEPS[power == 0 :]),
)
_SQUARE = ((-0.45, -0.45), (0.45, -0.45), (0.45, 0.45), (-0.45, 0.45))
_DIAMOND = ((0.0, -0.62), (0.62, 0.0), (0.0, 0.62), (-0.62, 0.0))


def marker_size(count: int, text: float) -> float:
    """Return how high a mark is [mm], smaller the more there are; ``text`` is the height of a capital letter [mm]."""
    return text * (0.64 if count <= 500 else 0.44 if count <= 3000 else 0.28)


def window(box: Box, reach: float, *, middle: tuple[float, float] = (0.0, 0.0), x: str = "", y: str = "") -> Chart:
    """Return a chart with equal scales that reaches from its middle at least as far as asked for [mm]."""
    ratio = choose_ratio(reach, min(box.width, box.height) / 2.0, RATIOS)
    across, up = box.width * ratio / 2.0, box.height * ratio / 2.0
    return Chart(
        box,
        x=Axis(low=middle[0] - across, high=middle[0] + across, label=x, signed=True),
        y=Axis(low=middle[1] - up, high=middle[1] + up, label=y, signed=True),
    )


def draw_kind(canvas: Canvas, kind: int, fill: str, at: Floats, size: float, *, clip: Box | None = None) -> None:
    """Draw the marks (k, 2) [mm] of one kind and one fill as one path."""
    if not len(at):
        return
    if kind == 0:
        canvas.circles(at, size / 2.0, width=THIN, colour=INK, fill=fill, clip=clip)
    else:
        shape = np.array(_SQUARE if kind == 1 else _DIAMOND)
        canvas.shapes(at[:, None, :] + size * shape[None], fill=fill, colour=INK, width=THIN, clip=clip)


def draw_cloud(
    canvas: Canvas, chart: Chart, pairs: Floats, kind: Integers, look: Integers, allowed: Floats, text: float
) -> Booleans:
    """Draw offsets and the tolerance circles into a window with equal scales.

    Parameters
    ----------
    canvas : Canvas
    chart : Chart
    pairs : (k, 2) array
        To the right and up [mm].
    kind, look : (k,) arrays
        Place in KINDS, and in :data:`FILLS`.
    allowed : array
        Radii of the tolerance circles [mm].
    text : float
        Height of a capital letter [mm].

    Returns
    -------
    (k,) array of bool
        Which points lie beyond the window: an arrow head at its edge stands for each.
    """
    box = chart.box
    centre = chart.at(0.0, 0.0)
    per_mm = box.width / (chart.x.high - chart.x.low)
    canvas.lines(
        [[(box.left, centre[1]), (box.right, centre[1])], [(centre[0], box.bottom), (centre[0], box.top)]],
        width=THIN,
        colour=GREY,
    )
    at = chart.at(pairs[:, 0], pairs[:, 1])
    size = marker_size(len(at), text)
    half = np.array([box.width, box.height]) / 2.0 - size / 2.0
    away = (at - np.array(box.middle)) / half
    beyond = np.abs(away).max(axis=1) > 1.0
    for k in range(3):
        for number, fill in enumerate(FILLS):
            draw_kind(canvas, k, fill, at[~beyond & (kind == k) & (look == number)], size, clip=box)
    canvas.circles(np.tile(centre, (len(allowed), 1)), allowed * per_mm, width=FINE, colour=INK, dash=TOLERANCE_DASH,
                   clip=box)  # fmt: skip
    if beyond.any():
        _heads(canvas, box, at[beyond] - np.array(box.middle))
    return np.asarray(beyond)


def _heads(canvas: Canvas, box: Box, away: Floats) -> None:
    """Draw arrow heads at the edge of a window towards points beyond it."""
    half = np.array([box.width, box.height]) / 2.0 - 0.4
    tip = np.array(box.middle) + away / np.abs(away / half).max(axis=1)[:, None]
    unit = away / np.hypot(away[:, 0], away[:, 1])[:, None]
    side = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    base = tip - 2.2 * unit
    canvas.shapes(np.stack([tip, base + 0.8 * side, base - 0.8 * side], axis=1), fill=INK, clip=box)


def ring(group: WallGroup, *, points: int = 90) -> Floats:
    """Return the 95 % confidence ellipse of a group's mean (k, 2), to the right and up [mm]; empty without one.

    Notes
    -----
    The bearing of the major axis counts clockwise from the second component towards the first. In grid axes the first
    is east, to the right; of a side it is towards the pit, upwards.
    """
    if group.ellipse is None or not np.isfinite(group.ellipse).all():
        return np.empty((0, 2))
    major, minor, bearing = group.ellipse
    at = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    b = np.radians(bearing)
    first = group.mean_mm[0] + major * np.cos(at) * np.sin(b) + minor * np.sin(at) * np.cos(b)
    second = group.mean_mm[1] + major * np.cos(at) * np.cos(b) - minor * np.sin(at) * np.sin(b)
    found: Floats = np.stack([second, first] if group.by == "side" else [first, second], axis=1)
    return found


def draw_groups(
    canvas: Canvas,
    chart: Chart,
    groups: Sequence[tuple[WallGroup, tuple[float, tuple[float, ...]]]],
    *,
    arm: float,
) -> None:
    """Draw each group's mean as a cross and its confidence ellipse, with its own line."""
    for group, (width, dash) in groups:
        pair = group.mean_mm[::-1] if group.by == "side" else group.mean_mm
        x, y = chart.at(*pair)
        outline = ring(group)
        if len(outline):
            path = [chart.at(outline[:, 0], outline[:, 1])]
            canvas.lines(path, width=width + 0.6, colour=WHITE, closed=True, clip=chart.box)
            canvas.lines(path, width=width, dash=dash, closed=True, clip=chart.box)
        cross = pluses(np.array([[x, y]]), np.array([arm]))
        canvas.lines(cross, width=width + 0.8, colour=WHITE, clip=chart.box)
        canvas.lines(cross, width=width, clip=chart.box)


def empirical(values: Floats) -> Floats:
    """Return the empirical distribution as a line of steps (k, 2): value, share of the values not above it [%]."""
    ordered = np.sort(values[np.isfinite(values)])
    if not len(ordered):
        return np.empty((0, 2))
    found, last = np.unique(ordered, return_counts=True)
    share = 100.0 * np.cumsum(last) / len(ordered)
    x = np.repeat(found, 2)
    y = np.concatenate([[0.0], np.repeat(share, 2)[:-1]])
    return np.stack([x, y], axis=1)


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A line of steps: how many joints [to the right] at each level [up]."""

    level: Floats
    count: Floats


def steps(level: Floats, count: Integers, *, top: float, bottom: float) -> Curve:
    """Return counts that hold from each level down to the next as a line from ``top`` to ``bottom``."""
    if not len(level):
        return Curve(level=np.array([top, bottom]), count=np.zeros(2))
    values = np.concatenate([[0.0], np.asarray(count, dtype=np.float64)])
    edges = np.concatenate([[max(top, float(level[0]))], level, [min(bottom, float(level[-1]))]])
    return Curve(level=np.repeat(edges, 2)[1:-1], count=np.repeat(values, 2))
