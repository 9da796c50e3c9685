"""Drawing on one sheet of paper in millimetres, origin at the bottom left corner.

A figure of the true size carries compound paths (all circles of one look are one path) and one artist that holds all
lettering, so that a page of thousands of piles costs little more than an empty one.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D, Bbox, TransformedBbox

from asbuilt.output.sheets.lettering import POINTS_PER_MM, clean, text_width
from asbuilt.output.sheets.writing import Lettering

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from asbuilt.model import Floats

__all__ = [
    "BOLD",
    "FINE",
    "GREY",
    "HAIR",
    "HEAVY",
    "INK",
    "MEDIUM",
    "THIN",
    "WHITE",
    "Box",
    "Canvas",
    "Letters",
    "page_settings",
]

#: Line widths [mm], the series of ISO 128-2.
HAIR, THIN, FINE, MEDIUM, BOLD, HEAVY = 0.13, 0.18, 0.25, 0.35, 0.5, 0.7
INK = "#1A1A1A"
GREY = "#6E6E6E"
WHITE = "#FFFFFF"

Anchor = Literal["left", "centre", "right"]

_CIRCLE = Outline.unit_circle()


@dataclass(frozen=True, kw_only=True)
class Box:
    """A rectangle on paper [mm]."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge [mm]."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Top edge [mm]."""
        return self.bottom + self.height

    @property
    def middle(self) -> tuple[float, float]:
        """Centre [mm]."""
        return self.left + self.width / 2, self.bottom + self.height / 2

    @property
    def corners(self) -> list[tuple[float, float]]:
        """The four corners [mm], anticlockwise from the lower left."""
        return [(self.left, self.bottom), (self.right, self.bottom), (self.right, self.top), (self.left, self.top)]

    def inset(self, by: float) -> Box:
        """Return the box whose edges lie inside by so much [mm]."""
        return Box(left=self.left + by, bottom=self.bottom + by, width=self.width - 2 * by, height=self.height - 2 * by)


@contextmanager
def page_settings() -> Iterator[None]:
    """Set what a page's bytes depend on, whatever the user's own configuration says.

    Fonts are embedded as TrueType, so that text can be searched and copied; dashes are lengths on paper.
    """
    with mpl.rc_context(
        {
            "pdf.fonttype": 42,
            # Matplotlib 3.11 splits a font into parts of 256 characters unless this, too, is 42.
            "ps.fonttype": 42,
            "pdf.compression": 6,
            "pdf.use14corefonts": False,
            "pdf.inheritcolor": False,
            "text.usetex": False,
            "lines.scale_dashes": False,
            "path.simplify": False,
            "path.sketch": None,
            "path.effects": [],
            "savefig.bbox": None,
            "savefig.facecolor": "white",
            "savefig.edgecolor": "white",
            "figure.autolayout": False,
            "figure.constrained_layout.use": False,
        }
    ):
        yield


@dataclass(frozen=True)
class Letters:
    """One line of text: where its baseline starts [mm], the height of a capital [mm], its angle [deg] and colour."""

    x: float
    y: float
    text: str
    height: float
    angle: float
    colour: str


class Canvas:
    """One sheet of paper.

    Parameters
    ----------
    width, height : float
        Size of the paper [mm].
    dpi : int
        Dots per inch of a picture; a PDF is drawn at 72, in points.
    """

    def __init__(self, width: float, height: float, *, dpi: int = 72) -> None:
        self.width = width
        self.height = height
        self.figure = Figure(figsize=(width / 25.4, height / 25.4), dpi=dpi, frameon=False)
        FigureCanvasPdf(self.figure)
        self._mm = Affine2D().scale(dpi / 25.4)
        self._lettering = Lettering()
        self._lettering.set_zorder(10)
        self.figure.add_artist(self._lettering)

    def lines(
        self,
        segments: npt.ArrayLike,
        *,
        width: float,
        colour: str = INK,
        dash: Sequence[float] = (),
        clip: Box | None = None,
        closed: bool = False,
    ) -> None:
        """Draw n lines of k points each, all with one look.

        Parameters
        ----------
        segments : array (n, k, 2)
            Points [mm].
        width : float
            Line width [mm].
        dash : sequence of float
            Lengths of strokes and gaps [mm]; empty: solid.
        clip : Box, optional
            Nothing is drawn outside it.
        closed : bool
            Whether each line returns to its first point.
        """
        path = _compound(_near(np.asarray(segments, dtype=np.float64), clip, width), closed=closed)
        self._add(path, width=width, colour=colour, dash=dash, clip=clip)

    def shapes(
        self,
        corners: npt.ArrayLike,
        *,
        fill: str,
        colour: str | None = None,
        width: float = THIN,
        clip: Box | None = None,
    ) -> None:
        """Fill n polygons of k corners each [mm], outlined where ``colour`` is given."""
        path = _compound(_near(np.asarray(corners, dtype=np.float64), clip, width), closed=True)
        self._add(path, width=width if colour else 0.0, colour=colour, fill=fill, clip=clip)

    def circles(
        self,
        centres: npt.ArrayLike,
        radii: npt.ArrayLike,
        *,
        width: float = 0.0,
        colour: str | None = None,
        dash: Sequence[float] = (),
        fill: str | None = None,
        clip: Box | None = None,
    ) -> None:
        """Draw n circles of given centres (n, 2) and radii (n,) [mm], all with one look."""
        middle = np.atleast_2d(np.asarray(centres, dtype=np.float64))
        radius = np.broadcast_to(np.asarray(radii, dtype=np.float64), len(middle))
        if clip is not None and len(middle):
            low, high = (clip.left - width, clip.bottom - width), (clip.right + width, clip.top + width)
            reach = radius[:, None]
            shown = np.all((middle + reach >= low) & (middle - reach <= high), axis=1)
            middle, radius = middle[shown], radius[shown]
        if not len(middle):
            return
        unit = np.asarray(_CIRCLE.vertices)
        points = middle[:, None, :] + radius[:, None, None] * unit[None, :, :]
        path = Outline(points.reshape(-1, 2), np.tile(np.asarray(_CIRCLE.codes), len(middle)))
        self._add(path, width=width, colour=colour, dash=dash, fill=fill, clip=clip)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        height: float,
        anchor: Anchor = "left",
        angle: float = 0.0,
        colour: str = INK,
    ) -> None:
        """Write one line of text.

        Parameters
        ----------
        x, y : float
            Where its baseline starts, has its middle or ends [mm], as ``anchor`` says.
        height : float
            Height of a capital letter [mm].
        angle : float
            Turned by this, anticlockwise [deg].
        """
        text = clean(text)
        if anchor != "left":
            back = text_width(text, height) * (0.5 if anchor == "centre" else 1.0)
            x -= back * float(np.cos(np.radians(angle)))
            y -= back * float(np.sin(np.radians(angle)))
        if text:
            self._lettering.texts.append(Letters(x, y, text, height, angle, colour))

    def rectangle(self, box: Box, *, width: float, colour: str = INK) -> None:
        """Outline a box."""
        self.lines([box.corners], width=width, colour=colour, closed=True)

    def _add(
        self,
        path: Outline | None,
        *,
        width: float,
        colour: str | None,
        dash: Sequence[float] = (),
        fill: str | None = None,
        clip: Box | None = None,
    ) -> None:
        if path is None:
            return
        patch = PathPatch(
            path,
            facecolor=fill or "none",
            edgecolor=colour or "none",
            linewidth=width * POINTS_PER_MM if colour else 0.0,
            linestyle=(0, [length * POINTS_PER_MM for length in dash]) if dash else "-",
            capstyle="butt",
            joinstyle="round",
            transform=self._mm,
            snap=False,
        )
        if clip is not None:
            bounds = Bbox.from_bounds(clip.left, clip.bottom, clip.width, clip.height)
            patch.set_clip_box(TransformedBbox(bounds, self._mm))
        self.figure.add_artist(patch)


def _near(lines: Floats, clip: Box | None, width: float) -> Floats:
    """Return those of n lines of k points (n, k, 2) that may show in a clip box: others only make the file larger."""
    if clip is None or lines.size == 0:
        return lines
    low, high = (clip.left - width, clip.bottom - width), (clip.right + width, clip.top + width)
    shown = np.all((lines.max(axis=1) >= low) & (lines.min(axis=1) <= high), axis=1)
    return lines if shown.all() else lines[shown]


def _compound(lines: Floats, *, closed: bool) -> Outline | None:
    """Return n lines of k points (n, k, 2) as one path; None when there is none."""
    if lines.size == 0:
        return None
    n, k, _ = lines.shape
    codes = np.full((n, k + closed), Outline.LINETO, dtype=Outline.code_type)
    codes[:, 0] = Outline.MOVETO
    if closed:
        codes[:, -1] = Outline.CLOSEPOLY
        lines = np.concatenate([lines, lines[:, :1]], axis=1)
    return Outline(lines.reshape(-1, 2), codes.ravel())
