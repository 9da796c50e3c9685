"""How a verdict, an arrow and a hatch are drawn on paper. The looks themselves are those of the column dictionary."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICT_LOOKS, VERDICTS
from asbuilt.output.sheets.canvas import FINE, HEAVY, INK, MEDIUM, THIN, WHITE

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats
    from asbuilt.output.sheets.canvas import Box, Canvas

__all__ = [
    "BOUND_DASH",
    "DESIGN_DASH",
    "LOOKS",
    "MATCH_DASH",
    "NO_VERDICT",
    "OTHER_DASH",
    "OUTLINE_DASH",
    "PREDICTED_DASH",
    "UNKNOWN_DASH",
    "Look",
    "arrows",
    "crosses",
    "directions",
    "draw_markers",
    "draw_piles",
    "hatch",
    "pluses",
    "tint",
]

#: Line of a verdict: width and dash [mm].
_LINES: dict[str, tuple[float, tuple[float, ...]]] = {
    "thin solid": (FINE, ()),
    "dash-dot": (MEDIUM, (1.8, 0.6, 0.35, 0.6)),
    "thick solid": (HEAVY, ()),
    "dotted": (MEDIUM, (0.35, 0.65)),
}
#: Corners of a marker of size 1.
_CORNERS = {
    "diamond": ((0.0, -0.6), (0.6, 0.0), (0.0, 0.6), (-0.6, 0.0)),
    "square": ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
    "open triangle": ((-0.58, -0.45), (0.58, -0.45), (0.0, 0.55)),
}
#: Dashes that mean one thing on every sheet [mm]: a design circle, the clear outline, what is predicted, the other lean
#: model, the bound that an opening does not exceed with the site's confidence, a match line.
DESIGN_DASH = (1.3, 0.6)
OUTLINE_DASH = (6.0, 1.0, 0.8, 1.0, 0.8, 1.0)
PREDICTED_DASH = (2.2, 1.1)
OTHER_DASH = (2.4, 0.7, 0.35, 0.7)
BOUND_DASH = (0.9, 0.45)
MATCH_DASH = (4.0, 0.9, 0.5, 0.9)
#: Distance of hatch lines, longest arrow head [mm].
HATCH_SPACING, LONGEST_HEAD = 0.9, 1.9


@dataclass(frozen=True, kw_only=True)
class Look:
    """A verdict as drawn: line width and dash [mm], fill, marker, letter, colour."""

    name: str
    letter: str
    width: float
    dash: tuple[float, ...]
    fill: str
    marker: str
    colour: str


LOOKS = tuple(
    Look(
        name=name,
        letter=look.letter,
        width=_LINES[look.line][0],
        dash=_LINES[look.line][1],
        fill=look.fill,
        marker=look.marker,
        colour=look.colour,
    )
    for name, look in ((name, VERDICT_LOOKS[name]) for name in VERDICTS)
)
#: Dashes of a circle that stands for a pile which is not surveyed [mm].
UNKNOWN_DASH = LOOKS[VERDICTS.index("not surveyed")].dash
#: What carries no verdict because none of its checks is made, or because it is never built.
NO_VERDICT = Look(name="no verdict", letter="", width=THIN, dash=(), fill="none", marker="circle", colour=INK)


def tint(colour: str, strength: float) -> str:
    """Return a colour thinned with white, so that lines over it stay legible."""
    parts = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return "#" + "".join(f"{round(255 - (255 - part) * strength):02X}" for part in parts)


def hatch(centres: Floats, radii: Floats) -> Floats:
    """Return diagonal strokes (k, 2, 2) [mm] that fill circles, at a fixed distance on the paper."""
    if not len(centres):
        return np.empty((0, 2, 2))
    most = int(np.max(radii) / HATCH_SPACING) + 1
    across = (np.arange(-most, most) + 0.5) * HATCH_SPACING
    inside = np.abs(across)[None, :] < radii[:, None]
    pile, line = np.nonzero(inside)
    half = np.sqrt(radii[pile] ** 2 - across[line] ** 2)
    along, normal = np.array([np.sqrt(0.5), np.sqrt(0.5)]), np.array([-np.sqrt(0.5), np.sqrt(0.5)])
    middle = centres[pile] + across[line, None] * normal
    return np.stack([middle - half[:, None] * along, middle + half[:, None] * along], axis=1)


def draw_piles(canvas: Canvas, look: Look, centres: Floats, radii: Floats, *, clip: Box | None = None) -> None:
    """Fill circles as their verdict asks; outlines come later, so that no fill hides one."""
    if look.fill == "solid":
        canvas.circles(centres, radii, fill=tint(look.colour, 0.5), clip=clip)
    elif look.fill == "light diagonal hatch":
        canvas.lines(hatch(centres, radii), width=THIN, colour=look.colour, clip=clip)


def draw_markers(canvas: Canvas, look: Look, centres: Floats, size: float, *, clip: Box | None = None) -> None:
    """Draw a verdict's marker, ``size`` mm high, at each place."""
    if not len(centres):
        return
    if look.marker == "circle":
        canvas.circles(centres, size / 2, width=FINE, colour=look.colour, clip=clip)
        return
    corners = centres[:, None, :] + size * np.array(_CORNERS[look.marker])[None, :, :]
    if look.marker.startswith("open"):
        canvas.shapes(corners, fill=WHITE, colour=look.colour, width=MEDIUM, clip=clip)
    else:
        canvas.shapes(corners, fill=look.colour, clip=clip)


def crosses(at: Floats, reach: Floats) -> Floats:
    """Return diagonal crosses (2 n, 2, 2) [mm] at places (n, 2), each so far in both directions (n,)."""
    return _both(at, reach, [[(-1.0, -1.0), (1.0, 1.0)], [(-1.0, 1.0), (1.0, -1.0)]])


def pluses(at: Floats, reach: Floats) -> Floats:
    """Return upright crosses (2 n, 2, 2) [mm] at places (n, 2), each so far in every direction (n,)."""
    return _both(at, reach, [[(-1.0, 0.0), (1.0, 0.0)], [(0.0, -1.0), (0.0, 1.0)]])


def _both(at: Floats, reach: Floats, arms: list[list[tuple[float, float]]]) -> Floats:
    lines: Floats = (at[:, None, None, :] + reach[:, None, None, None] * np.array(arms)[None]).reshape(-1, 2, 2)
    return lines


def directions(start: Floats, end: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the unit vectors (n, 2) from starts to ends, those to the left of them, and the lengths (n,)."""
    run = end - start
    length = np.hypot(run[:, 0], run[:, 1])
    unit = run / np.maximum(length, 1e-12)[:, None]
    return unit, np.stack([-unit[:, 1], unit[:, 0]], axis=1), length


def arrows(
    canvas: Canvas, start: Floats, end: Floats, *, hollow: Booleans, clip: Box | None = None, halo: bool = True
) -> None:
    """Draw vectors from a dot to an arrow head, on a white edge that sets them off from circles.

    Parameters
    ----------
    start, end : arrays (n, 2)
        Paper [mm].
    hollow : array (n,)
        Which heads are hollow.
    """
    if not len(start):
        return
    unit, across, length = directions(start, end)
    head = np.minimum(LONGEST_HEAD, length)[:, None]
    base = end - unit * head
    shafts = np.stack([start, base], axis=1)
    heads = np.stack([end, base + across * head * 0.27, base - across * head * 0.27], axis=1)
    if halo:
        canvas.lines(shafts, width=MEDIUM + 0.5, colour=WHITE, clip=clip)
        canvas.lines(heads, width=0.5, colour=WHITE, clip=clip, closed=True)
    canvas.lines(shafts, width=FINE, colour=INK, clip=clip)
    canvas.shapes(heads[~hollow], fill=INK, colour=INK, width=THIN, clip=clip)
    canvas.shapes(heads[hollow], fill=WHITE, colour=INK, width=THIN, clip=clip)
    canvas.circles(start, 0.4, fill=INK, clip=clip)
