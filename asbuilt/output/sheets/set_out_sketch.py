"""Small sketches of piles to set out among their neighbours, true to scale at the level at which tapes are held."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.figures import figure
from asbuilt.output.sheets.frame import Entry, Viewport
from asbuilt.output.sheets.lettering import clean, fit
from asbuilt.output.sheets.scaling import choose_scale
from asbuilt.output.sheets.symbols import DESIGN_DASH, UNKNOWN_DASH, arrows, pluses, tint

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from asbuilt.model import Floats
    from asbuilt.output._set_out import SetOutList
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["MOST_SKETCHED", "draw_row", "sketch_legend", "sketch_rows"]

#: Longer lists are not sketched.
MOST_SKETCHED = 12
#: Width of a sketch as wished, its caption, and the room around what is drawn, in heights of text.
_WIDTH, _CAPTION, _MARGIN = 27.0, 2.4, 1.6
#: Half a mark's cross, and the dash of a tape's line [mm].
_CROSS, _TAPE_DASH = 1.6, (0.8, 0.5)
_GROUND = tint(INK, 0.08)


def sketch_rows(listed: SetOutList, width: float, text: float) -> tuple[int, list[range], float]:
    """Return the scale of all sketches, the piles of each row, and the height of a row [mm]."""
    across = max(1, int(width / (_WIDTH * text)))
    side = width / across
    rows = [range(k, min(k + across, len(listed))) for k in range(0, len(listed), across)]
    bounds = [_bounds(listed, k) for k in range(len(listed))]
    wide = max((float(high[0] - low[0]) for low, high in bounds), default=1.0)
    tall = max((float(high[1] - low[1]) for low, high in bounds), default=1.0)

    def extent(scale: int) -> Floats:
        return np.array([0.0, 0.0, wide * 1000.0 / scale, tall * 1000.0 / scale])

    room = side - 2.0 * _MARGIN * text
    scale, found = choose_scale(extent, (room, 1.1 * room))
    return scale, rows, float(found[3]) + (2.0 * _MARGIN + _CAPTION) * text


def _bounds(listed: SetOutList, k: int) -> tuple[Floats, Floats]:
    """Return the corners (2,), (2,) of what is drawn of a pile [m]."""
    joints = slice(int(listed.start[k]), int(listed.start[k + 1]))
    centres = np.column_stack(
        [
            np.concatenate([listed.neighbour_e[joints], [listed.e[k]]]),
            np.concatenate([listed.neighbour_n[joints], [listed.n[k]]]),
        ]
    )
    radius = np.concatenate([listed.neighbour_radius[joints], [listed.radius[k]]])[:, None]
    known = ~np.isnan(centres).any(axis=1)
    # the arrow towards the pit reaches beyond the pile's own circle
    tip = centres[-1] + 1.4 * radius[-1] * np.nan_to_num([listed.pit_e[k], listed.pit_n[k]])
    low, high = (centres - radius)[known].min(axis=0), (centres + radius)[known].max(axis=0)
    return np.minimum(low, tip), np.maximum(high, tip)


def draw_row(canvas: Canvas, at: Box, listed: SetOutList, row: range, *, scale: int, text: float) -> None:
    """Draw the sketches of one row of piles side by side."""
    side = at.width / max(1, int(at.width / (_WIDTH * text)))
    for place, k in enumerate(row):
        box = Box(left=at.left + place * side, bottom=at.bottom, width=side, height=at.height)
        canvas.rectangle(box, width=HAIR, colour=GREY)
        _draw_one(canvas, box, listed, k, scale=scale, text=text)


def _draw_one(canvas: Canvas, box: Box, listed: SetOutList, k: int, *, scale: int, text: float) -> None:
    caption = f"{listed.pile_id[k]}: {listed.source[k]}"
    line, height = fit(caption, box.width - 1.6 * text, 1.15 * text, least=text)
    canvas.text(box.left + 0.8 * text, box.top - 1.75 * text, line, height=height)
    low, high = _bounds(listed, k)
    window = Box(left=box.left, bottom=box.bottom, width=box.width, height=box.height - _CAPTION * text)
    middle = (low + high) / 2.0
    view = Viewport(box=window, scale=scale, easting=float(middle[0]), northing=float(middle[1]))
    per_metre = 1000.0 / scale
    mark = view.paper(listed.e[k : k + 1], listed.n[k : k + 1])[0]
    joints = range(int(listed.start[k]), int(listed.start[k + 1]))
    places = view.paper(listed.neighbour_e, listed.neighbour_n)
    for j in joints:
        _draw_neighbour(canvas, places[j], float(listed.neighbour_radius[j]) * per_metre, str(listed.stands[j]), window)
    radius = float(listed.radius[k]) * per_metre
    if listed.moved[k]:
        design = view.paper(listed.design_e[k : k + 1], listed.design_n[k : k + 1])
        canvas.circles(design, radius, width=THIN, colour=GREY, dash=DESIGN_DASH, clip=window)
    canvas.circles([mark], radius, width=BOLD, colour=INK, clip=window)
    canvas.lines(pluses(mark[None], np.array([_CROSS])), width=MEDIUM)
    pit = np.array([listed.pit_e[k], listed.pit_n[k]])
    _draw_pit(canvas, mark, pit, radius, text)
    for j in joints:
        face = float(listed.to_face[j])
        _draw_tape(canvas, mark, places[j], face * per_metre)
        said = "" if np.isnan(face) else figure(face * 1000.0, digits=0)
        wide = float(listed.neighbour_radius[j]) * per_metre
        _write_name(canvas, mark, places[j], (str(listed.neighbour[j]), said), wide, text)


def _draw_neighbour(canvas: Canvas, at: Floats, radius: float, stands: str, window: Box) -> None:
    if np.isnan(at).any():
        return
    if stands == "as built":
        canvas.circles([at], radius, width=FINE, colour=INK, fill=_GROUND, clip=window)
    else:
        dash = DESIGN_DASH if stands == "to drill" else UNKNOWN_DASH
        canvas.circles([at], radius, width=FINE, colour=GREY, dash=dash, clip=window)


def _direction(mark: Floats, other: Floats) -> Floats:
    away = other - mark
    length = float(np.hypot(*away))
    return away / length if length > 0 else np.array([1.0, 0.0])


def _draw_pit(canvas: Canvas, mark: Floats, pit: Floats, radius: float, text: float) -> None:
    """Draw which way the pit lies, from within the pile's own circle."""
    if np.isnan(pit).any():
        return
    ends = (mark + 1.05 * radius * pit)[None], (mark + 1.4 * radius * pit)[None]
    arrows(canvas, *ends, hollow=np.array([False]), halo=False)
    at = mark + 0.62 * radius * pit
    canvas.text(at[0], at[1] - 0.5 * text, "pit", height=text, anchor="centre")


def _draw_tape(canvas: Canvas, mark: Floats, other: Floats, length: float) -> None:
    """Draw the line of a tape [mm of paper] from the mark to the neighbour's near face."""
    if np.isnan(length) or length <= 0:
        return
    u = _direction(mark, other)
    end, normal = mark + u * length, np.array([-u[1], u[0]])
    canvas.lines([[mark, end]], width=FINE, dash=_TAPE_DASH)
    canvas.lines([[end - normal, end + normal]], width=FINE)


def _write_name(
    canvas: Canvas, mark: Floats, other: Floats, words: tuple[str, str], radius: float, text: float
) -> None:
    """Write a neighbour's name in its circle, away from the pile to set out, and under it what the tape must show."""
    if np.isnan(other).any():
        return
    at = other + _direction(mark, other) * 0.25 * radius
    lines = [word for word in words if word]
    for number, word in enumerate(lines):
        line, height = fit(clean(word), 1.6 * radius, text, least=text)
        y = at[1] + (0.75 * (len(lines) - 1) - 0.5 - 1.5 * number) * text
        canvas.text(at[0], y, line, height=height, anchor="centre")


def sketch_legend() -> Iterator[Entry]:
    """Yield the legend of the sketches."""
    yield Entry(text="pile to set out, its mark", sample=_own, height=2.2)
    yield Entry(text="neighbour as built", sample=_circle(FINE, INK, (), _GROUND), height=1.9)
    yield Entry(text="neighbour to drill, or the design centre", sample=_circle(FINE, GREY, DESIGN_DASH), height=1.9)
    yield Entry(text="neighbour begun, not surveyed", sample=_circle(FINE, GREY, UNKNOWN_DASH), height=1.9)
    yield Entry(text="tape from the mark to a near face: mm, under the neighbour's name", sample=_tape, height=1.4)


def _circle(
    width: float, colour: str, dash: tuple[float, ...], fill: str | None = None
) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        radius = min(0.46 * box.height, 0.2 * box.width)
        at = [[box.left + 0.3 * box.width, box.middle[1]]]
        canvas.circles(at, radius, width=width, colour=colour, dash=dash, fill=fill)

    return sample


def _own(canvas: Canvas, box: Box) -> None:
    at = np.array([[box.left + 0.3 * box.width, box.middle[1]]])
    canvas.circles(at, min(0.46 * box.height, 0.2 * box.width), width=BOLD, colour=INK)
    canvas.lines(pluses(at, np.array([0.8 * _CROSS])), width=MEDIUM)


def _tape(canvas: Canvas, box: Box) -> None:
    y = box.middle[1]
    right = box.left + 0.7 * box.width
    canvas.lines([[(box.left + 0.08 * box.width, y), (right, y)]], width=FINE, dash=_TAPE_DASH)
    canvas.lines([[(right, y - 1.0), (right, y + 1.0)]], width=FINE)
