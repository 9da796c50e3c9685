"""Samples in a legend that several sheets share: strokes, design circles, joints' strokes with their markers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import GREY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.symbols import DESIGN_DASH, OUTLINE_DASH, crosses, draw_markers

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.symbols import Look

    #: Draws what an entry explains into its box of the legend.
    Sample = Callable[[Canvas, Box], None]

__all__ = ["circle_place", "design_sample", "draw_joint", "line_sample", "omitted_sample", "outline_sample"]


def line_sample(*, width: float, dash: tuple[float, ...] = (), colour: str = INK, share: float = 0.9) -> Sample:
    """Return what draws a level stroke of one look over a share of the box's width."""

    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        canvas.lines([[(box.left, y), (box.left + share * box.width, y)]], width=width, dash=dash, colour=colour)

    return sample


#: The clear outline of the permanent works.
outline_sample = line_sample(width=MEDIUM, dash=OUTLINE_DASH, share=0.8)


def circle_place(box: Box) -> tuple[float, float, float]:
    """Return where a pile's circle stands in a box: its centre, and its radius [mm]."""
    return box.left + 0.3 * box.width, box.middle[1], min(0.46 * box.height, 0.13 * box.width)


def design_sample(colour: str) -> Sample:
    """Return what draws a design circle."""

    def sample(canvas: Canvas, box: Box) -> None:
        x, y, radius = circle_place(box)
        canvas.circles([[x, y]], radius, width=THIN, colour=colour, dash=DESIGN_DASH)

    return sample


def omitted_sample(colour: str) -> Sample:
    """Return what draws an omitted pile: its design circle, crossed out."""

    def sample(canvas: Canvas, box: Box) -> None:
        x, y, radius = circle_place(box)
        design_sample(colour)(canvas, box)
        canvas.lines(crosses(np.array([[x, y]]), np.array([0.6 * radius])), width=THIN, colour=GREY)

    return sample


def draw_joint(canvas: Canvas, look: Look, x: float, y: float, marker: float) -> None:
    """Draw a joint's stroke from a place on [mm], and its verdict's marker, unless it is within."""
    canvas.lines([[(x, y), (x + 4.5, y)]], width=look.width, colour=look.colour, dash=look.dash)
    if look.letter not in {"", "W"}:
        draw_markers(canvas, look, np.array([[x + 5.2 + marker / 2, y]]), marker)
