"""The plan pictures of a pile sheet: the axis' trace, and the shots on its edge with the circle fitted to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, HAIR, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.chart import Axis, Chart, round_step, tag
from asbuilt.output.sheets.figures import figure, level_figure
from asbuilt.output.sheets.lettering import text_width, wrap
from asbuilt.output.sheets.pile_charts import TOLERANCE_DASH, choose_ratio
from asbuilt.output.sheets.symbols import PREDICTED_DASH, arrows, crosses, pluses

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["WITHIN_95_PLANE", "Shots", "Trace", "draw_shots", "draw_trace", "ellipse", "name_near"]

#: Radius that holds 95 % of a plane normal distribution, in standard deviations: the square root of the 95 % point of
#: chi-squared on two degrees of freedom, -2 ln 0.05.
WITHIN_95_PLANE = float(np.sqrt(-2.0 * np.log(0.05)))
#: Half of the mark of a shot that is not on the edge, or not used [mm].
MARK = 1.1
#: Millimetres on site for one on paper, of the shots.
SHOT_RATIOS = tuple(step * 10.0**power for power in range(6) for step in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0))


def ellipse(centre: Floats, cov: Floats, *, factor: float = WITHIN_95_PLANE, points: int = 72) -> Floats:
    """Return the ring (k, 2) of a plane normal's ellipse.

    Parameters
    ----------
    centre : (2,) array
    cov : (3,) array
        First-first, first-second, second-second.
    factor : float
        Half axes in standard deviations; the default holds 95 %.
    """
    spread_out, turned = np.linalg.eigh(np.array([[cov[0], cov[1]], [cov[1], cov[2]]]))
    at = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    unit = np.stack([np.cos(at), np.sin(at)], axis=1) * factor * np.sqrt(np.maximum(spread_out, 0.0))
    ring: Floats = np.asarray(centre) + unit @ turned.T
    return ring


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What the plan trace shows, from the design centre (east, north) [mm]; NaN and None where not known."""

    level: Floats
    path: Floats
    predicted_below: float
    allowed: float
    rings: tuple[Floats, ...]
    pit: Floats | None
    cut_off: float
    toe: float
    surveyed: float
    words: tuple[str, ...] = ()

    @property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lower and upper ends of all that is drawn [mm]."""
        reach = 1.2 * self.allowed if np.isfinite(self.allowed) else 10.0
        parts = [np.array([[-reach, -reach], [reach, reach]]), self.path[np.isfinite(self.path).all(axis=1)]]
        parts += list(self.rings)
        every = np.concatenate(parts)
        return every.min(axis=0), every.max(axis=0)


def draw_trace(canvas: Canvas, trace: Trace, box: Box, text: float) -> float:
    """Draw the plan trace into a window; return its scale (mm on site for one on paper)."""
    low, high = trace.bounds
    room = np.array([box.width, box.height]) - 3.0 * text
    ratio = choose_ratio(float(((high - low) / room).max()), 1.0)
    mid, half = (low + high) / 2.0, np.array([box.width, box.height]) * ratio / 2.0
    step = round_step(2.0 * float(half.min()), 4)
    x = Axis(low=mid[0] - half[0], high=mid[0] + half[0], label="mm east", signed=True, step=step)
    y = Axis(low=mid[1] - half[1], high=mid[1] + half[1], label="mm north", signed=True, step=step)
    chart = Chart(box, x=x, y=y)
    chart.axes(canvas, text)
    centre = chart.at(0.0, 0.0)
    canvas.lines(pluses(np.array([centre]), np.array([1.6])), width=FINE)
    if np.isfinite(trace.allowed):
        canvas.circles([centre], trace.allowed / ratio, width=FINE, colour=INK, dash=TOLERANCE_DASH, clip=box)
    for ring in trace.rings:
        canvas.lines([chart.at(ring[:, 0], ring[:, 1])], width=THIN, closed=True, clip=box)
    taken: list[Box] = []
    if trace.pit is not None:
        taken.append(_pit_arrow(canvas, trace, trace.pit, chart, text))
    _path(canvas, trace, chart, taken, text)
    for number, line in enumerate(trace.words):
        tag(canvas, box.middle[0], box.top - (1.6 + 1.9 * number) * text, line, height=text, anchor="centre")
    return ratio


def _circle(radius: float) -> Floats:
    at = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    return np.stack([radius * np.cos(at), radius * np.sin(at)], axis=1)


def _pit_arrow(canvas: Canvas, trace: Trace, pit: Floats, chart: Chart, text: float) -> Box:
    """Draw the arrow towards the pit in the emptiest corner; return what it covers."""
    box, half = chart.box, 3.1 * text
    drawn = [trace.path, *trace.rings, _circle(trace.allowed)]
    every = np.concatenate(drawn)
    at = chart.at(every[:, 0], every[:, 1])
    at = at[np.isfinite(at).all(axis=1)]
    corners = [
        np.array([x, y])
        for y in (box.top - half - 0.5, box.bottom + half + 0.5)
        for x in (box.right - half - 0.5, box.left + half + 0.5)
    ]
    near = [float(np.min(np.hypot(*(at - corner).T), initial=np.inf)) for corner in corners]
    middle = corners[int(np.argmax(near))]
    arrows(canvas, (middle - pit * 2.6 * text)[None, :], (middle + pit * 2.6 * text)[None, :],
           hollow=np.array([True]), halo=False)  # fmt: skip
    # The word stands beside the shaft, towards the middle of the window.
    normal = np.array([-pit[1], pit[0]])
    normal *= 1.0 if normal @ (np.array(box.middle) - middle) >= 0.0 else -1.0
    reach = abs(normal[0]) * text_width("pit", text) / 2.0 + abs(normal[1]) * 0.9 * text
    word = middle + normal * (reach + 0.6 * text)
    tag(canvas, float(word[0]), float(word[1]), "pit", height=text, anchor="centre")
    return Box(left=middle[0] - half, bottom=middle[1] - half, width=2 * half, height=2 * half)


def _path(canvas: Canvas, trace: Trace, chart: Chart, taken: list[Box], text: float) -> None:
    known = np.isfinite(trace.path).all(axis=1)
    if not known.any():
        return
    z, path = trace.level[known], trace.path[known]
    at = chart.at(path[:, 0], path[:, 1])
    deep = z < trace.predicted_below - 1e-9 if np.isfinite(trace.predicted_below) else np.ones(len(z), dtype=bool)
    chart.line(canvas, np.where(deep, np.nan, path[:, 0]), np.where(deep, np.nan, path[:, 1]), width=BOLD)
    deep[:-1] |= deep[1:]
    chart.line(
        canvas, np.where(deep, path[:, 0], np.nan), np.where(deep, path[:, 1], np.nan), width=BOLD,
        dash=PREDICTED_DASH,
    )  # fmt: skip
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
    drawn = np.concatenate([at, *(chart.at(ring[:, 0], ring[:, 1]) for ring in trace.rings)])
    for name, level in _named(trace, z, float(run[-1]), text):
        place = np.array([np.interp(-level, -z, at[:, k]) for k in (0, 1)])
        canvas.circles([place], 0.85 if name in {"cut-off", "toe"} else 0.55, fill=INK, clip=chart.box)
        name_near(canvas, place, name, chart.box, taken, drawn, text)


def _named(trace: Trace, z: Floats, length: float, text: float) -> list[tuple[str, float]]:
    """Return the levels to mark along an axis that is ``length`` mm long on paper: both ends, and round ones."""
    named = [("cut-off", trace.cut_off), ("toe", trace.toe)]
    if not z[-1] - 1e-6 <= trace.cut_off <= z[0] + 1e-6:
        named.append(("surveyed", trace.surveyed))
    most = int(length / (5.0 * text))
    if most >= 2:
        step = round_step(float(z[0] - z[-1]), min(most, 5))
        rounds = np.arange(np.ceil(z[-1] / step), np.floor(z[0] / step) + 1) * step
        room = 0.4 * step
        digits = 0 if step > 0.9 else 1
        named += [
            (level_figure(float(v), digits=digits), float(v))
            for v in rounds
            if min(abs(v - trace.cut_off), abs(v - trace.toe)) > room
        ]
    return [(name, level) for name, level in named if z[-1] - 1e-6 <= level <= z[0] + 1e-6]


#: Directions in which a name may stand from its point, and how far [mm].
_AROUND = tuple((x, y) for x, y in ((1, 0), (-1, 0), (1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1)))
_AWAY = (1.2, 3.5, 6.5, 10.0)


def name_near(canvas: Canvas, at: Floats, name: str, within: Box, taken: list[Box], drawn: Floats, text: float) -> None:
    """Write a name beside a point where it covers none before it and the least of what is drawn.

    Parameters
    ----------
    canvas : Canvas
    at : (2,) array
        The point [mm].
    name : str
    within : Box
        The name stays in it; it is left out where there is no room.
    taken : list of Box
        What names cover so far; this one's place is added.
    drawn : (k, 2) array
        Points of the lines that should stay in sight [mm].
    text : float
        Height of a capital letter [mm].
    """
    wide, high = text_width(name, text) + 0.8, 1.5 * text
    best: tuple[float, Box] | None = None
    for number, away in enumerate(_AWAY):
        for dx, dy in _AROUND:
            x, y = at[0] + dx * (wide / 2 + away), at[1] + dy * (high / 2 + away)
            box = Box(left=x - wide / 2, bottom=y - high / 2, width=wide, height=high)
            inside = within.left < box.left and box.right < within.right
            inside = inside and within.bottom < box.bottom and box.top < within.top
            if not inside or any(_meet(box, other) for other in taken):
                continue
            hidden = (np.abs(drawn - (x, y)) < (wide / 2, high / 2)).all(axis=1).sum()
            cost = 3.0 * float(hidden) + number
            if best is None or cost < best[0]:
                best = cost, box
    if best is None:
        return
    x, y = best[1].middle
    if best[0] >= 1.0 and np.hypot(x - at[0], y - at[1]) > wide / 2 + 2.5:
        canvas.lines([[tuple(at), (x, y)]], width=HAIR)
    taken.append(best[1])
    tag(canvas, x, y, name, height=text, anchor="centre")


def _meet(a: Box, b: Box) -> bool:
    return a.left < b.right and b.left < a.right and a.bottom < b.top and b.bottom < a.top


@dataclass(frozen=True, kw_only=True)
class Shots:
    """The shots on a pile, from its design centre (east, north) [mm]."""

    at: Floats
    edge: Booleans
    used: Booleans
    fit: tuple[float, float, float] | None
    """Centre and radius of the fitted circle [mm]."""
    nominal: float
    words: tuple[str, ...] = ()


def draw_shots(canvas: Canvas, shots: Shots, box: Box, text: float, *, beside: bool) -> float:
    """Draw shots, the fitted and the nominal circle, and residuals in figures; return the scale.

    The window reaches a tenth past the nominal circle, and as far as the shots that are used; words say how many others
    lie beyond. They stand below the window within the box, or right of the box where ``beside``.
    """
    far = np.abs(shots.at).max(axis=1)
    reach = 1.1 * max(shots.nominal, float(np.max(far[shots.used], initial=0.0)))
    inside = far <= reach
    outside = int((~inside).sum())
    said = (*shots.words, *((f"{outside} more beyond this window",) if outside else ()))
    lines = [line for one in said for line in wrap(one, box.width, text)]
    under = 0.0 if beside else 1.75 * text * len(lines)
    window = Box(left=box.left, bottom=box.bottom + under, width=box.width, height=box.height - under)
    x, top = (box.right + 1.5 * text, box.top) if beside else (box.left, window.bottom)
    for number, line in enumerate(lines):
        canvas.text(x, top - (1.55 + 1.75 * number) * text, line, height=text)
    ratio = choose_ratio(2.0 * reach, min(window.width, window.height), SHOT_RATIOS)
    middle = np.array(window.middle)
    place = middle + shots.at / ratio
    canvas.circles([middle], shots.nominal / ratio, width=FINE, colour=INK, dash=TOLERANCE_DASH, clip=window)
    canvas.lines(pluses(middle[None, :], np.array([1.6])), width=FINE)
    if shots.fit:
        centre = middle + np.array(shots.fit[:2]) / ratio
        canvas.circles([centre], shots.fit[2] / ratio, width=MEDIUM, colour=INK, clip=window)
        canvas.circles([centre], 0.6, fill=INK, clip=window)
        _residuals(canvas, shots, shots.fit[2], centre, ratio, text)
    used, edge = shots.used, shots.edge
    inner, spare = place[inside & used & ~edge], place[inside & ~used]
    canvas.circles(place[inside & used & edge], 0.9, fill=INK, clip=window)
    canvas.lines(pluses(inner, np.full(len(inner), MARK)), width=MEDIUM)
    canvas.lines(crosses(spare, np.full(len(spare), MARK)), width=FINE)
    canvas.rectangle(window, width=FINE)
    return ratio


def _residuals(canvas: Canvas, shots: Shots, radius: float, centre: Floats, ratio: float, text: float) -> None:
    """Write how far each used edge shot lies outside the fitted circle [mm], within it on the shot's own radius."""
    fit = np.array(shots.fit[:2]) if shots.fit else np.zeros(2)
    run = shots.at[shots.used & shots.edge] - fit
    length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-9)
    taken: list[Box] = []
    for unit, residual in zip(run / length[:, None], length - radius, strict=True):
        said = figure(float(residual), digits=0 if abs(residual) >= 9.5 else 1, plus=True)
        at = centre + unit * (radius / ratio - 0.7 * text - abs(unit[0]) * text_width(said, text) / 2 - text)
        wide, high = text_width(said, text), 1.4 * text
        box = Box(left=at[0] - wide / 2, bottom=at[1] - high / 2, width=wide, height=high)
        if not any(_meet(box, other) for other in taken):
            taken.append(box)
            canvas.text(at[0], at[1] - text / 2, said, height=text, anchor="centre")
