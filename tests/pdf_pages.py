"""Reads a PDF of ours back: paper, painted paths, texts, all in millimetres of paper."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pikepdf

from asbuilt.output.sheets.lettering import CAPITAL, text_width

if TYPE_CHECKING:
    from pathlib import Path

MM = 25.4 / 72.0


@dataclass
class Drawn:
    """One painted path: sub-paths [mm], colours (None: none), width and dash [mm], clip (4,) [mm]."""

    parts: list[np.ndarray]
    stroke: tuple[float, ...] | None
    fill: tuple[float, ...] | None
    width: float
    dash: tuple[float, ...]
    clip: tuple[float, ...] | None


@dataclass
class Written:
    """One text: what it says, where its baseline starts [mm], its angle [deg] and the height of a capital [mm]."""

    text: str
    x: float
    y: float
    angle: float
    height: float
    colour: tuple[float, ...]


@dataclass
class Page:
    """What a page's content stream draws."""

    width: float
    height: float
    drawn: list[Drawn] = field(default_factory=list)
    texts: list[Written] = field(default_factory=list)

    def of(self, *, stroke: str | None = None, fill: str | None = None) -> list[Drawn]:
        """Return the paths of a stroke colour, or a fill colour."""
        return [
            d
            for d in self.drawn
            if (stroke is None or d.stroke == rgb(stroke)) and (fill is None or d.fill == rgb(fill))
        ]

    def words(self) -> str:
        return "\n".join(t.text for t in self.texts)


def rgb(colour: str) -> tuple[float, ...]:
    """Return the colour of a hexadecimal code as a content stream holds it."""
    parts = tuple(round(int(colour[k : k + 2], 16) / 255, 3) for k in (1, 3, 5))
    return parts[:1] if len(set(parts)) == 1 else parts


def _colour(operands: list[Any]) -> tuple[float, ...]:
    return tuple(round(float(v), 3) for v in operands)


@dataclass
class _State:
    matrix: np.ndarray = field(default_factory=lambda: np.eye(3))
    stroke: tuple[float, ...] = (0.0,)
    fill: tuple[float, ...] = (0.0,)
    width: float = 1.0
    dash: tuple[float, ...] = ()
    clip: tuple[float, ...] | None = None
    size: float = 0.0

    def point(self, x: Any, y: Any) -> np.ndarray:
        return (np.array([float(x), float(y), 1.0]) @ self.matrix)[:2] * MM


class _Reader:
    """Reads the operators that a page of ours may hold; any other is an error."""

    def __init__(self, page: Page) -> None:
        self.page, self.state, self.stack = page, _State(), []
        self.parts: list[list[np.ndarray]] = []
        self.box: tuple[float, ...] | None = None
        self.clipping = False

    def paint(self, stroke: bool, fill: bool) -> None:
        s = self.state
        if self.parts and (stroke or fill):
            parts = [np.array(part) for part in self.parts]
            self.page.drawn.append(
                Drawn(parts, s.stroke if stroke else None, s.fill if fill else None, s.width * MM, s.dash, s.clip)
            )
        if self.clipping:
            s.clip = self.box
        self.parts, self.box, self.clipping = [], None, False

    def path(self, operator: str, args: list[Any]) -> None:
        if operator == "m":
            self.parts.append([self.state.point(*args)])
        elif operator == "l":
            self.parts[-1].append(self.state.point(*args))
        elif operator == "c":
            self.parts[-1].extend(self.state.point(*args[k : k + 2]) for k in (0, 2, 4))
        elif operator == "h":
            self.parts[-1].append(self.parts[-1][0])
        elif operator == "re":
            x, y, w, h = (float(v) for v in args)
            low, high = self.state.point(x, y), self.state.point(x + w, y + h)
            self.box = (*low, *high)

    def style(self, operator: str, args: list[Any]) -> None:
        s = self.state
        if operator in ("RG", "G"):
            s.stroke = _colour(args)
        elif operator in ("rg", "g"):
            s.fill = _colour(args)
        elif operator == "w":
            s.width = float(args[0])
        elif operator == "d":
            s.dash = tuple(round(float(v) * MM, 3) for v in args[0])

    def text(self, operator: str, args: list[Any]) -> None:
        if operator == "Tf":
            self.state.size = float(args[1])
        elif operator == "TJ":
            said = "".join(
                bytes(part).decode("utf-16-be") for part in args[0] if not isinstance(part, (int, float, Decimal))
            )
            m = self.state.matrix
            x, y = m[2, :2] * MM
            angle = float(np.degrees(np.arctan2(m[0, 1], m[0, 0])))
            self.page.texts.append(Written(said, x, y, angle, self.state.size * MM * CAPITAL, self.state.fill))

    def run(self, instructions: Any) -> None:
        for operands, op in instructions:
            operator, args = str(op), list(operands)
            if operator == "q":
                self.stack.append(replace(self.state))
            elif operator == "Q":
                self.state = self.stack.pop()
            elif operator == "cm":
                a = [float(v) for v in args]
                self.state.matrix = np.array([[a[0], a[1], 0], [a[2], a[3], 0], [a[4], a[5], 1]]) @ self.state.matrix
            elif operator in ("m", "l", "c", "h", "re"):
                self.path(operator, args)
            elif operator in ("S", "f", "B", "n"):
                self.paint(operator in ("S", "B"), operator in ("f", "B"))
            elif operator == "W":
                self.clipping = True
            elif operator in ("RG", "G", "rg", "g", "w", "d"):
                self.style(operator, args)
            elif operator in ("Tf", "TJ"):
                self.text(operator, args)
            else:
                assert operator in ("gs", "CS", "cs", "J", "j", "BT", "ET", "Td"), operator


def read_pages(path: Path) -> list[Page]:
    """Read every page of a file."""
    pages = []
    with pikepdf.open(path) as pdf:
        for one in pdf.pages:
            box = [float(v) for v in one.mediabox]
            page = Page(width=(box[2] - box[0]) * MM, height=(box[3] - box[1]) * MM)
            _Reader(page).run(pikepdf.parse_content_stream(one))
            pages.append(page)
    return pages


def text_corners(text: Written) -> np.ndarray:
    """Return the corners (4, 2) [mm] of what a text covers: from its baseline to the top of a capital."""
    turn = np.radians(text.angle)
    along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    start = np.array([text.x, text.y])
    end = start + along * text_width(text.text, text.height)
    return np.array([start, end, end + up * text.height, start + up * text.height])


def visible(drawn: Drawn) -> np.ndarray:
    """Return low and high corner (2, 2) [mm] of what shows of a path: points as clipped, and half its line's width."""
    points = np.concatenate(drawn.parts)
    low, high = points.min(axis=0), points.max(axis=0)
    if drawn.clip is not None:
        clip = np.array(drawn.clip).reshape(2, 2)
        low, high = np.clip(low, clip[0], clip[1]), np.clip(high, clip[0], clip[1])
    half = drawn.width / 2 if drawn.stroke is not None else 0.0
    return np.array([np.maximum(low - half, -1e3), np.minimum(high + half, 1e4)])


def luminance(colour: tuple[float, ...]) -> float:
    """Return the relative luminance of a colour of a content stream. Source: WCAG 2.1, from memory."""
    parts = np.array(colour * 3 if len(colour) == 1 else colour)
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast_on_white(colour: tuple[float, ...]) -> float:
    """Return the contrast of a colour with white paper. Source: WCAG 2.1, success criterion 1.4.3, from memory."""
    return 1.05 / (luminance(colour) + 0.05)
