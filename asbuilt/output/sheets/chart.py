"""A window of the paper with two straight scales: ticks, labels, curves, bands. Curves end where a value is NaN."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, HAIR, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.figures import figure
from asbuilt.output.sheets.lettering import clean, text_width

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from asbuilt.model import Booleans, Floats
    from asbuilt.output.sheets.canvas import Anchor, Canvas

__all__ = ["GRID", "Axis", "Chart", "round_range", "round_step", "tag"]

#: Colour of grid lines.
GRID = "#C9C9C9"


def round_step(span: float, most: int) -> float:
    """Return the least of 1, 2, 5 times a power of ten that divides ``span`` into at most ``most`` parts."""
    least = max(span, 1e-9) / max(most, 1)
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * (1 - 1e-9)))


def round_range(values: npt.ArrayLike, *, most: int = 6, pad: float = 0.04) -> tuple[float, float]:
    """Return a range with round ends that holds all finite values with a little room; (0, 1) without any."""
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = pad * (high - low) or 0.5
    step = round_step(high - low + 2 * room, most)
    return float(np.floor((low - room) / step) * step), float(np.ceil((high + room) / step) * step)


@dataclass(frozen=True, kw_only=True)
class Axis:
    """One scale of a chart: what lies at its two ends (``low`` at the left or below), its label and its ticks.

    ``step`` and ``digits`` of the ticks are chosen where None; ``signed`` prints a plus; ``grid`` draws lines across.
    """

    low: float
    high: float
    label: str = ""
    step: float | None = None
    digits: int | None = None
    signed: bool = False
    grid: bool = True

    def ticks(self, most: int) -> Floats:
        """Return round values within the range, from low to high."""
        first, last = sorted((self.low, self.high))
        step = self.step or round_step(last - first, most)
        return np.arange(np.ceil(first / step - 1e-6), np.floor(last / step + 1e-6) + 1) * step

    def written(self, value: float, ticks: Floats) -> str:
        """Return a tick's value as printed."""
        step = float(ticks[1] - ticks[0]) if len(ticks) > 1 else 1.0
        digits = self.digits if self.digits is not None else max(0, -int(np.floor(np.log10(step) + 1e-9)))
        return figure(0.0 if abs(value) < step / 1e6 else value, digits=digits, plus=self.signed)


class Chart:
    """A window of the paper true to two scales.

    Parameters
    ----------
    box : Box
        The window [mm of paper]; ticks and labels stand outside of it.
    x, y : Axis
        The scales, to the right and up.
    """

    def __init__(self, box: Box, *, x: Axis, y: Axis) -> None:
        self.box, self.x, self.y = box, x, y

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Return places on paper (n, 2) [mm]."""
        across, up = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        return np.stack(
            [
                self.box.left + (across - self.x.low) / (self.x.high - self.x.low) * self.box.width,
                self.box.bottom + (up - self.y.low) / (self.y.high - self.y.low) * self.box.height,
            ],
            axis=-1,
        )

    def axes(self, canvas: Canvas, text: float, *, x_at_top: bool = False) -> None:
        """Draw the border, grid lines, ticks and labels; ``text`` is the height of a capital letter [mm]."""
        box = self.box
        x_ticks = self.x.ticks(max(2, int(box.width / (5.0 * text))))
        y_ticks = self.y.ticks(max(2, int(box.height / (3.0 * text))))
        at_x = self.at(x_ticks, np.full(len(x_ticks), self.y.low))[:, 0]
        at_y = self.at(np.full(len(y_ticks), self.x.low), y_ticks)[:, 1]
        if self.x.grid:
            canvas.lines([[(a, box.bottom), (a, box.top)] for a in at_x], width=HAIR, colour=GRID)
        if self.y.grid:
            canvas.lines([[(box.left, b), (box.right, b)] for b in at_y], width=HAIR, colour=GRID)
        edge, out = (box.top, 1.0) if x_at_top else (box.bottom, -1.0)
        canvas.lines([[(a, edge), (a, edge + out)] for a in at_x], width=THIN)
        canvas.lines([[(box.left, b), (box.left - 1.0, b)] for b in at_y], width=THIN)
        baseline = edge + 1.6 if x_at_top else edge - 1.6 - text
        for value, a in zip(x_ticks, at_x, strict=True):
            canvas.text(a, baseline, self.x.written(value, x_ticks), height=text, anchor="centre")
        for value, b in zip(y_ticks, at_y, strict=True):
            canvas.text(box.left - 1.6, b - text / 2, self.y.written(value, y_ticks), height=text, anchor="right")
        if self.x.label:
            line = baseline + 1.9 * text if x_at_top else baseline - 1.9 * text
            canvas.text(box.middle[0], line, self.x.label, height=text, anchor="centre")
        if self.y.label:
            widest = max((text_width(self.y.written(v, y_ticks), text) for v in y_ticks), default=0.0)
            left = box.left - 1.6 - widest - 0.9 * text
            canvas.text(left, box.middle[1], self.y.label, height=text, anchor="centre", angle=90.0)
        canvas.rectangle(box, width=FINE)

    def line(
        self,
        canvas: Canvas,
        x: npt.ArrayLike,
        y: npt.ArrayLike,
        *,
        width: float = MEDIUM,
        colour: str = INK,
        dash: Sequence[float] = (),
    ) -> None:
        """Draw a line through points; it ends where one is not known."""
        for part in _pieces(self.at(x, y)):
            canvas.lines([part], width=width, colour=colour, dash=dash, clip=self.box)

    def between(
        self, canvas: Canvas, y: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike, *, fill: str
    ) -> None:
        """Fill the band between two curves x = low(y) and x = high(y)."""
        first, second = self.at(low, y), self.at(high, y)
        for rows in _runs(np.isfinite(np.concatenate([first, second], axis=1))):
            canvas.shapes([np.concatenate([first[rows], second[rows][::-1]])], fill=fill, clip=self.box)

    def across(
        self, canvas: Canvas, y: float, *, width: float = FINE, colour: str = INK, dash: Sequence[float] = ()
    ) -> None:
        """Draw a level line over the whole width."""
        self.line(canvas, [self.x.low, self.x.high], [y, y], width=width, colour=colour, dash=dash)

    def up(
        self, canvas: Canvas, x: float, *, width: float = FINE, colour: str = INK, dash: Sequence[float] = ()
    ) -> None:
        """Draw an upright line over the whole height."""
        self.line(canvas, [x, x], [self.y.low, self.y.high], width=width, colour=colour, dash=dash)


def _runs(known: Booleans) -> Iterator[slice]:
    """Yield the runs of two or more rows of (k, c) that are True throughout."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.all(axis=1).astype(np.int8), [0]])))
    for start, end in edges.reshape(-1, 2):
        if end - start > 1:
            yield slice(int(start), int(end))


def _pieces(points: Floats) -> Iterator[Floats]:
    for rows in _runs(np.isfinite(points)):
        yield points[rows]


def tag(
    canvas: Canvas, x: float, y: float, text: str, *, height: float, anchor: Anchor = "left", colour: str = INK
) -> Box:
    """Write a line of text on a white ground, its middle height at ``y`` [mm]; return what it covers."""
    text = clean(text)
    width = text_width(text, height)
    left = x - width * {"left": 0.0, "centre": 0.5, "right": 1.0}[anchor]
    ground = Box(left=left - 0.3, bottom=y - height * 0.9, width=width + 0.6, height=height * 1.8)
    canvas.shapes([ground.corners], fill=WHITE)
    canvas.text(left, y - height / 2, text, height=height, colour=colour)
    return ground
