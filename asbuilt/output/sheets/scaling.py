"""Scale, exaggeration and grid of a plan, and what shows them on the sheet: bars, north arrow, crosses, coordinates."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, GREY, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.figures import figure
from asbuilt.output.sheets.lettering import text_width
from asbuilt.output.sheets.placing import Boxes, overlapping
from asbuilt.output.sheets.symbols import pluses

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from asbuilt.model import Floats
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.frame import Viewport

__all__ = [
    "FACTORS",
    "LONGEST_TOE",
    "LONGEST_VECTOR",
    "SCALES",
    "bar_length",
    "choose_factor",
    "choose_scale",
    "draw_bars",
    "draw_blocks",
    "draw_grid",
    "grid_spacing",
    "plan_boxes",
    "scale_bar",
]

SCALES = (50, 100, 200, 250, 500, 1000, 2000, 2500, 5000)
FACTORS = (10, 20, 25, 50, 100)
#: Length that the median vector comes nearest to, and at which vectors are cut [mm of paper].
MEDIAN_VECTOR, LONGEST_VECTOR = 3.5, 30.0
#: The same for toe vectors, whose median may not come to more.
MEDIAN_TOE, LONGEST_TOE = 9.0, 16.0


def _scales() -> Iterator[int]:
    yield from SCALES
    for power in count(4):
        yield from (10**power, 2 * 10**power, 25 * 10 ** (power - 1), 5 * 10**power)


def choose_scale(extent: Callable[[int], Floats], room: tuple[float, float]) -> tuple[int, Floats]:
    """Return the first scale at which the drawing fits, and its bounds there.

    Parameters
    ----------
    extent : callable
        Scale to the bounds of the drawing (low x, low y, high x, high y) [mm of paper].
    room : tuple of float
        Width and height of the drawing area [mm].
    """
    for scale in _scales():
        bounds = extent(scale)
        if bounds[2] - bounds[0] <= room[0] and bounds[3] - bounds[1] <= room[1]:
            return scale, bounds
    raise AssertionError  # the scales have no end


def choose_factor(offsets: Floats, scale: float, *, toes: Floats | None = None) -> int:
    """Return by how much vectors are drawn longer than the scale makes them.

    Parameters
    ----------
    offsets : array (n,)
        At cut-off [m], NaN where not known.
    scale : float
        1:scale.
    toes : array (n,), optional
        At the toe [m], drawn longer by the same factor: they keep it lower where they would run too far, but not below
        half of what suits the offsets.
    """
    median = _median(offsets)
    if not median > 0:
        return 50
    misfit = np.abs(np.log(median * 1000.0 / scale * np.array(FACTORS) / MEDIAN_VECTOR))
    best = FACTORS[int(np.argmin(misfit))]
    toe = _median(toes) if toes is not None else 0.0
    lower = [f for f in FACTORS if best / 2 <= f <= best]
    return next((f for f in reversed(lower) if toe * 1000.0 / scale * f <= MEDIAN_TOE), lower[0])


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def _round_down(value: float, steps: tuple[float, ...] = (1.0, 2.0, 5.0)) -> float:
    """Return the greatest of 1, 2, 5 times a power of ten that is not above ``value``."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(power * max(step for step in steps if step * power <= value * (1 + 1e-9)))


def bar_length(per_unit: float, longest: float) -> float:
    """Return a round length, in the unit, whose bar is at most ``longest`` mm at ``per_unit`` mm of paper each."""
    return _round_down(longest / per_unit)


def grid_spacing(scale: float) -> float:
    """Return the spacing of grid crosses [m]: round, and 50 mm of paper or more."""
    least = 50.0 * scale / 1000.0
    return next(s for s in (step * 10.0**k for k in range(-2, 9) for step in (1, 2, 5)) if s >= least * (1 - 1e-9))


def plan_boxes(area: Box, text: float) -> tuple[Box, Box]:
    """Return the window of a plan, coordinates at its border, and the strip below it for the bars [mm]."""
    band, strip = 2.3 * text, 6.4 * text
    window = Box(
        left=area.left + band,
        bottom=area.bottom + strip + band,
        width=area.width - band - 2.0,
        height=area.height - strip - band - 2.0,
    )
    return window, Box(left=window.left, bottom=area.bottom + 1.0, width=window.width, height=strip - 1.5)


def draw_grid(canvas: Canvas, view: Viewport, origin: tuple[float, float], text: float, *, covered: Boxes) -> None:
    """Draw crosses at round coordinates (not where flags cover them), ticks at the border, coordinates beside them."""
    spacing = grid_spacing(view.scale)
    box = view.box
    low, high = view.site(box.left, box.bottom), view.site(box.right, box.top)
    east, north = (
        np.arange(np.ceil((low[k] + origin[k]) / spacing), np.floor((high[k] + origin[k]) / spacing) + 1) * spacing
        for k in (0, 1)
    )
    e, n = np.meshgrid(east - origin[0], north - origin[1])
    at = view.paper(e.ravel(), n.ravel())
    hidden = overlapping(Boxes.upright(at, np.full(2, 2.0)), covered)[0]
    at = np.delete(at, hidden, axis=0)
    canvas.lines(pluses(at, np.full(len(at), 2.0)), width=THIN, colour=GREY, clip=box)
    x = view.paper(east - origin[0], np.zeros(len(east)))[:, 0]
    y = view.paper(np.zeros(len(north)), north - origin[1])[:, 1]
    ticks = [[(a, box.bottom), (a, box.bottom - 1.2)] for a in x] + [[(box.left, b), (box.left - 1.2, b)] for b in y]
    canvas.lines(np.array(ticks).reshape(-1, 2, 2), width=THIN)
    digits = max(0, -int(np.floor(np.log10(spacing))))
    for value, a in zip(east, x, strict=True):
        label = f"E {figure(float(value), digits=digits)}"
        half = text_width(label, text) / 2
        if box.left + half < a < box.right - half:
            canvas.text(a, box.bottom - 1.6 - text, label, height=text, anchor="centre")
    for value, b in zip(north, y, strict=True):
        label = f"N {figure(float(value), digits=digits)}"
        half = text_width(label, text) / 2
        if box.bottom + half < b < box.top - half:
            canvas.text(box.left - 1.8, b, label, height=text, anchor="centre", angle=90.0)
    canvas.rectangle(box, width=MEDIUM)


def draw_bars(
    canvas: Canvas, strip: Box, scale: int, factor: int | None, text: float, *, what: str = "offset"
) -> None:
    """Draw the scale bar, the bar of the exaggerated vectors (unless there are none) and the north arrow in a strip.

    ``what`` the vectors show is written beside their bar.
    """
    longest = min(24.0 * text, 0.28 * strip.width)
    scale_bar(canvas, strip.left + 2 * text, strip.bottom, f"Scale 1:{scale}", 1000.0 / scale, longest, text)
    if factor is not None:
        _vector_bar(canvas, strip.left + 0.4 * strip.width, strip.bottom, scale, factor, text, what)
    _north(canvas, strip.right - 2.5 * text, strip, text)


def scale_bar(
    canvas: Canvas, x: float, bottom: float, title: str, per_metre: float, longest: float, text: float
) -> None:
    """Draw a scale bar under its title, figures below it, in a strip from ``bottom`` [mm] up.

    Parameters
    ----------
    canvas : Canvas
    x, bottom : float
        Where it starts, and the strip's lower edge [mm].
    title : str
    per_metre, longest : float
        Paper to a metre on site, and how long the bar may be [mm].
    text : float
        Height of a capital letter [mm].
    """
    metres = bar_length(per_metre, longest)
    length = metres * per_metre
    bar = bottom + 2.0 * text
    draw_blocks(canvas, x, bar, length)
    canvas.text(x, bar + 2.4, title, height=text)
    for share in (0.0, 0.5, 1.0):
        unit = " m" if share == 1.0 else ""
        canvas.text(x + share * length, bar - 1.5 * text, f"{metres * share:g}{unit}", height=text, anchor="centre")


def draw_blocks(canvas: Canvas, x: float, bottom: float, length: float) -> None:
    """Draw a bar of four blocks, black and white in turn [mm]."""
    start = x + length * np.arange(4) / 4
    end = start + length / 4
    top = bottom + 1.2
    blocks = np.array([[(a, bottom), (b, bottom), (b, top), (a, top)] for a, b in zip(start, end, strict=True)])
    canvas.shapes(blocks[0::2], fill=INK, colour=INK, width=FINE)
    canvas.shapes(blocks[1::2], fill=WHITE, colour=INK, width=FINE)


def _vector_bar(canvas: Canvas, x: float, y: float, scale: int, factor: int, text: float, what: str) -> None:
    per_mm = factor / scale
    value = bar_length(per_mm, 10.0 * text)
    length = value * per_mm
    bar = y + 1.2 * text
    canvas.lines([[(x, bar), (x + length, bar)]], width=MEDIUM)
    canvas.lines([[(end, bar - 1.0), (end, bar + 1.0)] for end in (x, x + length)], width=FINE)
    canvas.text(x, y + 2.0 * text + 2.4, f"{what.capitalize()} vectors: {factor} times the scale", height=text)
    canvas.text(x + length + text, bar - text / 2, f"{value:g} mm of {what}", height=text)


def _north(canvas: Canvas, x: float, strip: Box, text: float) -> None:
    foot, tip = strip.bottom + 0.5 * text, strip.top - 1.9 * text
    middle = foot + 0.25 * (tip - foot)
    wide = 0.75 * text
    canvas.shapes([[(x, tip), (x - wide, foot), (x, middle)]], fill=INK, colour=INK, width=FINE)
    canvas.shapes([[(x, tip), (x + wide, foot), (x, middle)]], fill=WHITE, colour=INK, width=FINE)
    canvas.text(x, tip + 0.4 * text, "N", height=1.2 * text, anchor="centre")
