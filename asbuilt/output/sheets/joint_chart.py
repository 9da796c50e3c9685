"""A joint's overlap against level: both lean models, the band of uncertainty, states, named levels, dimensions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.bands import draw_bands, strokes
from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, HEAVY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.chart import GRID, Axis, Chart, round_range, tag
from asbuilt.output.sheets.dimension import end_marks
from asbuilt.output.sheets.figures import level_text
from asbuilt.output.sheets.lettering import clean, fit, text_width, wrap
from asbuilt.output.sheets.stacking import spread
from asbuilt.output.sheets.symbols import OTHER_DASH, PREDICTED_DASH

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.views import JointProfile

__all__ = [
    "BAND",
    "JointChart",
    "LaidChart",
    "NamedLevel",
    "chart_scale",
    "level_scale",
]

#: Fill of the band of uncertainty.
BAND = "#D9D9D9"
#: Dashes of what is predicted, of the other lean model, and of named levels [mm].
STAGE_DASH, JOINTS_DASH, READ_DASH = (5.0, 0.8, 0.8, 0.8), (1.6, 0.8), (0.4, 0.8)
LEVEL_SCALES = (10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000)
#: In heights of text: distance of lines; what stands above and below the window, least room in it beyond the range, and
#: its greatest width.
LINE, ABOVE, BELOW, PAD, WIDEST = 1.45, 4.3, 2.2, 0.9, 60.0
MOST_LINES = 3


@dataclass(frozen=True, kw_only=True)
class NamedLevel:
    """A level line with its names; ``kind`` is end, stage, joints, formation, read or toe."""

    level: float
    text: str
    kind: str


@dataclass(frozen=True, kw_only=True)
class JointChart:
    """What the chart of one joint shows [m]; ``marks`` are the levels that are dimensioned from ``top``, with words."""

    profile: JointProfile
    top: float
    bottom: float
    named: tuple[NamedLevel, ...]
    marks: tuple[tuple[str, float], ...]
    band_edges: Floats
    """(k, 2) top and bottom of the bands."""
    band_states: Integers
    confidence: float
    lost: float
    open: float
    other_model: str
    unknown: str
    """What to write where nothing of the joint is known."""


#: Looks of level lines: width, dash.
_LEVEL_LOOKS: dict[str, tuple[float, tuple[float, ...]]] = {
    "end": (MEDIUM, ()),
    "stage": (FINE, STAGE_DASH),
    "joints": (THIN, JOINTS_DASH),
    "formation": (MEDIUM, STAGE_DASH),
    "read": (FINE, READ_DASH),
    "toe": (HEAVY, ()),
}


def level_scale(span: float, height: float, pad: float) -> int:
    """Return the largest round scale at which ``span`` [m] and ``pad`` [mm] at both ends fit in ``height`` [mm]."""
    return next(
        (scale for scale in LEVEL_SCALES if span * 1000.0 / scale + 2.0 * pad <= height), LEVEL_SCALES[-1] * 5
    )


@dataclass(frozen=True, kw_only=True)
class LaidChart:
    """The chart as laid out on paper: where its window, strip, dimensions and labels stand."""

    chart: Chart
    scale: int
    strip: Box
    dimension_x: tuple[float, ...]
    label_x: float
    label_width: float
    text: float
    data: JointChart

    @classmethod
    def lay_out(cls, data: JointChart, area: Box, text: float) -> LaidChart:
        """Lay the chart of a joint out in a part of the paper."""
        t = text
        data = replace(data, profile=_above_toe(data.profile))
        lanes = len([at for _, at in data.marks if at < data.top - 1e-9])
        words = [line for _, lines in _written(data, 19.0 * t, t) for line in lines]
        label = max((text_width(line, t) for line in words), default=0.0)
        strip, lane = 2.4 * t, 1.6 * t
        beside = 0.8 * t + strip + lane * (lanes + 0.6) + 1.6 * t + label
        scale = chart_scale(data, area.height, t)
        span, pad = data.top - data.bottom, PAD * t
        height = min(area.height - (ABOVE + BELOW) * t, 1.3 * span * 1000.0 / scale + 2.0 * pad)
        spare = height * scale / 1000.0 - span
        left = area.left + 7.0 * t
        box = Box(
            left=left,
            bottom=area.top - ABOVE * t - height,
            width=min(area.right - beside - left, WIDEST * t),
            height=height,
        )
        low, high = _across(data.profile)
        chart = Chart(
            box,
            x=Axis(low=low, high=high, signed=True),
            y=Axis(low=data.bottom - 0.55 * spare, high=data.top + 0.45 * spare, signed=True, label="Level [m]"),
        )
        edge = box.right + 0.8 * t
        return cls(
            chart=chart,
            scale=scale,
            strip=Box(left=edge, bottom=box.bottom, width=strip, height=box.height),
            dimension_x=tuple(edge + strip + lane * (k + 0.8) for k in range(lanes)),
            label_x=edge + strip + lane * (lanes + 0.6) + 1.6 * t,
            label_width=19.0 * t,
            text=t,
            data=data,
        )

    def draw(self, canvas: Canvas) -> None:
        """Draw it."""
        box, t = self.chart.box, self.text
        canvas.text(box.left - 7.0 * t, box.top + 3.0 * t, f"Overlap [mm] against level 1:{self.scale}", height=1.2 * t)
        self._ground(canvas)
        self.chart.axes(canvas, t, x_at_top=True)
        self._levels(canvas)
        self._curves(canvas)
        self._foot(canvas)
        self._strip(canvas)
        self._labels(canvas)
        canvas.rectangle(box, width=FINE)

    def _ground(self, canvas: Canvas) -> None:
        """Hatch where there is a gap, and fill the band over it."""
        box, p = self.chart.box, self.data.profile
        zero = float(self.chart.at(0.0, self.data.top)[0])
        gap = np.array([[box.left, box.bottom, zero, box.top]])
        canvas.lines(strokes(gap, 3.2), width=HAIR, colour=GRID, clip=box)
        self.chart.between(canvas, p.level, p.low * 1000.0, p.high * 1000.0, fill=BAND)

    def _levels(self, canvas: Canvas) -> None:
        for named in self.data.named:
            if not self.chart.y.low <= named.level <= self.chart.y.high:
                continue
            width, dash = _LEVEL_LOOKS[named.kind]
            self.chart.across(canvas, named.level, width=width, dash=dash)

    def _curves(self, canvas: Canvas) -> None:
        p = self.data.profile
        mm = self.chart
        mm.up(canvas, 0.0, width=BOLD)
        mm.up(canvas, p.required * 1000.0, width=FINE, dash=(4.0, 1.0))
        mm.line(canvas, p.low * 1000.0, p.level, width=HAIR, colour=GREY)
        mm.line(canvas, p.high * 1000.0, p.level, width=HAIR, colour=GREY)
        mm.line(canvas, p.other_overlap * 1000.0, p.level, width=FINE, dash=OTHER_DASH)
        mm.line(canvas, p.other_low * 1000.0, p.level, width=HAIR, dash=OTHER_DASH)
        measured, predicted = _split(p.level, p.overlap, p.predicted_below)
        mm.line(canvas, measured[1] * 1000.0, measured[0], width=HEAVY)
        mm.line(canvas, predicted[1] * 1000.0, predicted[0], width=HEAVY, dash=PREDICTED_DASH)
        # where the curve itself passes a limit; not where the range starts beyond it, or a toe ends it
        at = [
            (1000.0 * limit, found)
            for limit, found in ((p.required, self.data.lost), (0.0, self.data.open))
            if found < self.data.top - 1e-9 and found != p.toe
        ]
        if at:
            canvas.circles(mm.at([x for x, _ in at], [y for _, y in at]), 0.9, fill=INK, clip=mm.box)

    def _foot(self, canvas: Canvas) -> None:
        """Name the two upright lines below the chart, and say what is not known in it."""
        box, t, p = self.chart.box, self.text, self.data.profile
        y = box.bottom - 1.7 * t
        zero, need = (float(self.chart.at(x, self.data.top)[0]) for x in (0.0, p.required * 1000.0))
        canvas.lines([[(x, box.bottom), (x, box.bottom - 0.5 * t)] for x in {zero, need}], width=FINE)
        gap = "gap"
        if zero - box.left > text_width(gap, t):
            canvas.text(zero - 0.4 * t, y, gap, height=t, anchor="right")
        asked = f"{p.required * 1000.0:.4g} asked for"
        right = max(min(need - 0.4 * t, box.right + 5.0 * t - text_width(asked, t)), zero + 0.4 * t)
        canvas.text(right, y, asked, height=t)
        known = np.isfinite(p.overlap)
        if known.all() or not self.data.unknown:
            return
        lowest = float(p.level[known].min()) if known.any() else self.data.top
        if np.isfinite(p.toe) and lowest <= p.toe + 1e-6:
            return
        # the words stand in the part that has no curve
        _, above = self.chart.at(0.0, lowest)
        _, below = self.chart.at(0.0, self.data.bottom)
        lines = wrap(self.data.unknown, box.width - 2.0 * t, t)
        first = (above + below) / 2.0 + (len(lines) - 1) * LINE * t / 2.0
        for number, line in enumerate(lines):
            tag(canvas, box.middle[0], first - number * LINE * t, line, height=t, anchor="centre")

    def _strip(self, canvas: Canvas) -> None:
        strip = self.strip
        edges = [self.chart.at(0.0, self.data.band_edges[:, k])[:, 1] for k in (0, 1)]
        k = len(self.data.band_states)
        boxes = np.stack([np.full(k, strip.left), edges[1], np.full(k, strip.right), edges[0]], axis=1)
        draw_bands(canvas, boxes, self.data.band_states, clip=strip)

    def _labels(self, canvas: Canvas) -> None:
        """Dimension the marks from the top, and name the levels, at the right of the chart."""
        t = self.text
        seen = (self.chart.y.low, self.chart.y.high)
        lines = [(at, words) for at, words in _written(self.data, self.label_width, t) if seen[0] <= at <= seen[1]]
        order = sorted(range(len(lines)), key=lambda k: (-lines[k][0], k))
        ranked = [lines[k] for k in order]
        if not ranked:
            return
        at = self.chart.at(0.0, [value for value, _ in ranked])[:, 1]
        heights = np.array([len(words) * LINE * t + 0.55 * t for _, words in ranked])
        box = self.chart.box
        low, high = box.bottom - 2.0 * t + heights[-1] / 2.0, box.top + 2.0 * t - heights[0] / 2.0
        middle = spread(at, heights, low, high, downwards=True)
        knee, end = self.label_x - 1.6 * t, self.label_x - 0.3 * t
        start = self.strip.right + 0.4
        leaders = [[(start, y), (knee, y), (end, m)] for y, m in zip(at, middle, strict=True)]
        canvas.lines(leaders, width=HAIR, colour=INK)
        for (_, words), m in zip(ranked, middle, strict=True):
            first = m + (len(words) - 1) * LINE * t / 2.0 - t / 2.0
            for number, line in enumerate(words):
                canvas.text(self.label_x, first - number * LINE * t, line, height=t)
        self._dimensions(canvas)

    def _dimensions(self, canvas: Canvas) -> None:
        below = sorted((at for _, at in self.data.marks if at < self.data.top - 1e-9), reverse=True)
        top = float(self.chart.at(0.0, self.data.top)[1])
        if not below:
            return
        ends = self.chart.at(0.0, below)[:, 1]
        start = np.array([(x, top) for x in self.dimension_x])
        end = np.stack([np.array(self.dimension_x), ends], axis=1)
        canvas.lines(np.stack([start, end], axis=1), width=THIN)
        for first, last in zip(start, end, strict=True):
            end_marks(canvas, first, last)


def chart_scale(data: JointChart, height: float, text: float) -> int:
    """Return the scale of levels of the chart of a joint that may be ``height`` mm high with what belongs to it."""
    return level_scale(data.top - data.bottom, height - (ABOVE + BELOW) * text, PAD * text)


def _written(data: JointChart, width: float, text: float) -> list[tuple[float, list[str]]]:
    """Return the labels of levels and of dimensions, each as lines no wider than ``width`` [mm]."""
    wrapped = [(one.level, _at_level(one.text, one.level, width, text)) for one in data.named]
    for name, at in data.marks:
        first = _at_level(name, at, width, text)
        depth = f"{data.top - at:.2f} m below cut-off" if at < data.top - 1e-9 else "the top of the range"
        wrapped.append((at, [*first, depth]))
    return [(at, lines if len(lines) <= MOST_LINES else _cut(lines, width, text)) for at, lines in wrapped]


def _at_level(words: str, at: float, width: float, text: float) -> list[str]:
    """Return words and a level as lines; the level is never torn."""
    figure = level_text(at)
    lines = wrap(clean(words), width, text)
    last = f"{lines[-1]} {figure}" if lines else figure
    return [*lines[:-1], last] if text_width(last, text) <= width else [*lines, figure]


def _cut(lines: list[str], width: float, text: float) -> list[str]:
    rest = " ".join(lines[MOST_LINES - 1 :])
    return [*lines[: MOST_LINES - 1], fit(rest, width, text, least=text)[0]]


def _across(profile: JointProfile) -> tuple[float, float]:
    """Return the range of overlap [mm] that the chart shows: all curves, and of the bands as much as is sensible."""
    core = np.concatenate([profile.overlap, profile.other_overlap, [0.0, profile.required, -0.01]])
    core = core[np.isfinite(core)]
    low, high = float(core.min()), float(core.max())
    room = max(0.4 * (high - low), 0.06)
    edges = np.concatenate([profile.low, profile.high, profile.other_low])
    seen = np.clip(edges[np.isfinite(edges)], low - room, high + room)
    return round_range(1000.0 * np.concatenate([core, seen]), most=8)


def _above_toe(profile: JointProfile) -> JointProfile:
    """Return a profile without what lies below the toe that leaves the joint open: there is no pile."""
    if not np.isfinite(profile.toe) or profile.toe <= profile.level[-1]:
        return profile
    above = profile.level > profile.toe

    def cut(values: Floats) -> Floats:
        return np.append(values[above], np.interp(-profile.toe, -profile.level, values))

    return replace(
        profile,
        level=np.append(profile.level[above], profile.toe),
        overlap=cut(profile.overlap),
        low=cut(profile.low),
        high=cut(profile.high),
        sigma=cut(profile.sigma),
        p=cut(profile.p),
        other_overlap=cut(profile.other_overlap),
        other_low=cut(profile.other_low),
        other_p=cut(profile.other_p),
    )


def _split(levels: Floats, values: Floats, at: float) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return a curve from the top down as the part above a level and the part below it, which meet there."""
    if not np.isfinite(at) or at <= levels[-1]:
        return (levels, values), (levels[:0], values[:0])
    if at >= levels[0]:
        return (levels[:0], values[:0]), (levels, values)
    between = float(np.interp(-at, -levels, values))
    above = levels > at
    first = np.append(levels[above], at), np.append(values[above], between)
    return first, (np.insert(levels[~above], 0, at), np.insert(values[~above], 0, between))
