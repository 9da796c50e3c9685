"""Dimension lines and callouts: end marks, extension lines, figures on a white ground that no line runs through.

End marks are arrow heads (ISO 129-1): between the extension lines where there is room, else from outside, pointing at
them, so that a dimension too short to be seen is still found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import HAIR, INK, THIN, WHITE, Box
from asbuilt.output.sheets.lettering import DESCENT, clean, text_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Floats
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["LINE", "Callout", "block_size", "dimension", "end_marks"]

#: Distance of lines of text in heights of a capital letter.
LINE = 1.55
#: White ground around text, in heights of a capital letter.
MARGIN = 0.35
#: Length of an arrow head, and its half width in parts of that; how far an extension line stays off and runs on [mm].
HEAD, SLENDER = 1.8, 0.16
OFF, ON = 0.5, 1.0


def block_size(lines: Sequence[str], height: float) -> tuple[float, float]:
    """Return width and height [mm] of lines of text lettered ``height`` mm high, with the white ground about them."""
    widest = max((text_width(clean(line), height) for line in lines), default=0.0)
    tall = (max(len(lines), 1) - 1) * LINE * height + height * (1.0 + DESCENT)
    return widest + 2.0 * MARGIN * height, tall + 2.0 * MARGIN * height


def end_marks(
    canvas: Canvas, start: npt.ArrayLike, end: npt.ArrayLike, *, head: float = HEAD, clip: Box | None = None
) -> bool:
    """Draw the heads of n dimension lines, and their lines where the heads stand outside.

    Parameters
    ----------
    start, end : arrays (n, 2)
        Ends of the dimension lines [mm].
    head : float
        Length of a head [mm].

    Returns
    -------
    bool
        Whether all heads stand inside.
    """
    first, last = (np.atleast_2d(np.asarray(point, dtype=np.float64)) for point in (start, end))
    if not len(first):
        return True
    run = last - first
    length = np.hypot(run[:, 0], run[:, 1])
    unit = np.where(length[:, None] > 1e-9, run / np.maximum(length, 1e-9)[:, None], [1.0, 0.0])
    inside = length >= 3.0 * head
    turn = np.where(inside, 1.0, -1.0)[:, None]
    tips, back = np.concatenate([first, last]), np.concatenate([unit * turn, -unit * turn]) * head
    across = np.stack([-back[:, 1], back[:, 0]], axis=1) * SLENDER
    canvas.shapes(np.stack([tips, tips + back + across, tips + back - across], axis=1), fill=INK, clip=clip)
    tails = np.stack([tips + back, tips + 1.8 * back], axis=1)[np.tile(~inside, 2)]
    canvas.lines(tails, width=THIN, clip=clip)
    return bool(inside.all())


def dimension(
    canvas: Canvas,
    start: npt.ArrayLike,
    end: npt.ArrayLike,
    lines: Sequence[str],
    *,
    height: float,
    offset: float = 0.0,
    clip: Box | None = None,
) -> Box | None:
    """Draw a dimension line between two points, its figures in the middle, or beyond its end where it is too short.

    Parameters
    ----------
    start, end : (2,) arrays
        What is measured, from and to [mm of paper].
    lines : sequence of str
        The figures; none: marks alone. They are read from below, or from the right.
    height : float
        Height of a capital letter [mm].
    offset : float
        How far the dimension line stands to the left of the way from start to end [mm]; negative: to the right.
        Extension lines lead to it.

    Returns
    -------
    Box or None
        Upright box around the figures; None without any.
    """
    a, b = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    run = b - a
    length = float(np.hypot(*run))
    unit = run / length if length > 1e-9 else np.array([1.0, 0.0])
    left = np.array([-unit[1], unit[0]])
    if offset:
        side = np.sign(offset) * left
        marks = [(point + OFF * side, point + offset * left + ON * side) for point in (a, b)]
        canvas.lines(marks, width=HAIR, clip=clip)
        a, b = a + offset * left, b + offset * left
    canvas.lines([(a, b)], width=THIN, clip=clip)
    outside = not end_marks(canvas, a, b, clip=clip)
    return _figures(canvas, a, b, lines, height=height, outside=outside, clip=clip) if lines else None


def _figures(
    canvas: Canvas, a: Floats, b: Floats, lines: Sequence[str], *, height: float, outside: bool, clip: Box | None
) -> Box:
    """Write the figures of a dimension line from ``a`` to ``b``; return the upright box around them."""
    wide, tall = block_size(lines, height)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length if length > 1e-9 else np.array([1.0, 0.0])
    middle = (a + b) / 2.0
    if length < wide + 2.5 * HEAD:
        # no room between the heads: beyond the end, on the line run on
        beyond = b + along * (1.8 * HEAD if outside else 0.0)
        middle = beyond + along * (wide / 2.0 + 0.5)
    axis = along if (along[0] > 1e-9 or (abs(along[0]) <= 1e-9 and along[1] > 0)) else -along
    _block(canvas, middle, axis, lines, height=height, clip=clip)
    reach = np.abs(axis) * wide / 2.0 + np.abs(axis[::-1]) * tall / 2.0
    return Box(
        left=float(middle[0] - reach[0]),
        bottom=float(middle[1] - reach[1]),
        width=float(2.0 * reach[0]),
        height=float(2.0 * reach[1]),
    )


def _block(
    canvas: Canvas, middle: Floats, axis: Floats, lines: Sequence[str], *, height: float, clip: Box | None
) -> None:
    """Write lines of text about a middle, along a unit vector, on a white ground."""
    wide, tall = block_size(lines, height)
    up = np.array([-axis[1], axis[0]])
    corners = [middle + axis * x * wide / 2.0 + up * y * tall / 2.0 for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    canvas.shapes([corners], fill=WHITE, clip=clip)
    angle = round(float(np.degrees(np.arctan2(axis[1], axis[0]))), 3)
    first = tall / 2.0 - MARGIN * height - height
    for number, line in enumerate(lines):
        x, y = middle + up * (first - number * LINE * height) - axis * (wide / 2.0 - MARGIN * height)
        canvas.text(float(x), float(y), line, height=height, angle=angle)


@dataclass(frozen=True, kw_only=True)
class Callout:
    """Upright lines of text about ``middle`` (2,) [mm], on a white ground, with a leader from ``foot`` (2,) [mm]."""

    foot: Floats
    middle: Floats
    lines: tuple[str, ...]
    height: float

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the ground [mm]."""
        return block_size(self.lines, self.height)

    @property
    def reach(self) -> Floats:
        """Where the leader ends (2,) [mm]: the nearest place of the ground's edge."""
        half = np.array(self.size) / 2.0
        return np.asarray(np.clip(self.foot, self.middle - half, self.middle + half), dtype=np.float64)

    def draw(self, canvas: Canvas, *, width: float = THIN, colour: str = INK, clip: Box | None = None) -> None:
        """Draw leader, ground and text."""
        canvas.lines([(self.foot, self.reach)], width=width, colour=colour, clip=clip)
        _block(canvas, self.middle, np.array([1.0, 0.0]), self.lines, height=self.height, clip=clip)
