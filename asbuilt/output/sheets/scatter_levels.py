"""The sheet of distributions of offset and lean, and of the joints lost, not sure and not surveyed at each level."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS
from asbuilt.output.sheets.canvas import FINE, GREY, THIN, Box
from asbuilt.output.sheets.chart import Axis, Chart, round_step, tag
from asbuilt.output.sheets.figures import chance, level_figure
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.lettering import fit, text_width, wrap
from asbuilt.output.sheets.levels import WALL_LEVELS, lead_to_names, levels_of_walls
from asbuilt.output.sheets.notes import CAUTION, level_range, sheet_notes
from asbuilt.output.sheets.pile_charts import TOLERANCE_DASH
from asbuilt.output.sheets.pile_figures import Grid
from asbuilt.output.sheets.scatter_charts import ALL_LINE, CURVES, KIND_LINES, empirical, steps
from asbuilt.output.sheets.scatter_data import Cloud, short_name
from asbuilt.output.sheets.scatter_legend import FEWEST, curve_legend, kind_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["counts_at", "distribution_sheet", "named_levels"]

#: Parts of the sheet in heights of text: first line, left of a chart, below it, names right of the curves.
HEAD, SIDEWAYS, UNDER, NAMES = 6.0, 8.0, 5.6, 22.0
MOST_LEVELS = 12


def distribution_sheet(cloud: Cloud, area: Box, text: float) -> Sheet:
    """Lay out the distributions, where a pile is surveyed, and the curves of joints."""
    result = cloud.result
    offset, lean = _values(cloud, "offset_mm"), _values(cloud, "incline_mm_per_m")
    drawn = bool(np.isfinite(offset).any() or np.isfinite(lean).any())
    legend = [
        *(kind_lines(cloud, limits=True, allowed=bool(len(cloud.allowed))) if drawn else ()),
        *(curve_legend() if len(result.joints) else ()),
    ]
    levels = level_range(result.statistics.curve_level)
    return Sheet(
        title="Distributions, and joints by level" if drawn else "Joints by level",
        scale=None,
        draw=lambda canvas: _draw(canvas, cloud, area, text, offset=offset, lean=lean),
        legend=tuple(legend),
        notes=sheet_notes(
            result, text, shown=f"Levels shown: joints, {levels}; offsets at cut-off.", more=_more(drawn)
        ),
        caution=CAUTION,
    )


def _more(drawn: bool) -> list[str]:
    said = [
        (
            "Lost: less than the overlap asked for; open: a gap. Not sure: lost, or not with the confidence asked for, "
            "or not under the other lean model. A joint counts from the highest such level down."
        ),
        "Not surveyed: not known, sound or not; counted from the top of the joint's range down.",
    ]
    if drawn:
        said.append("Distribution: share of the piles measured that have at most that value. Offsets are from design.")
    return said


def _values(cloud: Cloud, name: str) -> Floats:
    """Return a column of the expected piles, NaN for others."""
    piles = cloud.result.piles
    return np.where(np.asarray(piles.expected), np.asarray(piles[name], dtype=np.float64), np.nan)


def _draw(canvas: Canvas, cloud: Cloud, area: Box, text: float, *, offset: Floats, lean: Floats) -> None:
    result = cloud.result
    expected = int(np.asarray(result.piles.expected).sum())
    known = int(np.isfinite(offset).sum())
    said = f"{known} of {expected} piles surveyed, {len(result.joints)} joints" if known else (
        f"No pile is surveyed yet: of {expected} piles and {len(result.joints)} joints nothing is known"
    )  # fmt: skip
    line, height = fit(said, area.width - 4.0, 1.4 * text, least=text)
    canvas.text(area.left + 2.0, area.top - 2.6 * text, line, height=height)
    top = area.top - HEAD * text
    if known or np.isfinite(lean).any():
        tall = min(0.36 * area.height, 40.0 * text)
        wide = area.width / 2.0 - (SIDEWAYS + 2.0) * text
        lefts = [area.left + SIDEWAYS * text + k * area.width / 2.0 for k in (0, 1)]
        boxes = [Box(left=left, bottom=top - tall - 1.6 * text, width=wide, height=tall) for left in lefts]
        _distribution(canvas, cloud, boxes[0], text, offset, "allowed_mm", "Plan offset at cut-off, mm")
        _distribution(canvas, cloud, boxes[1], text, lean, "allowed_mm_per_m", "Lean, cut-off to toe, mm/m")
        top = boxes[0].bottom - (UNDER + 2.0) * text
    elif not known:
        canvas.text(
            area.left + 2.0,
            top - 0.4 * text,
            "Distributions of offset and lean follow with the first survey.",
            height=text,
        )
        top -= 3.0 * text
    _joints(canvas, result, Box(left=area.left, bottom=area.bottom, width=area.width, height=top - area.bottom), text)


def _distribution(canvas: Canvas, cloud: Cloud, box: Box, text: float, values: Floats, limit: str, label: str) -> None:
    """Draw the distribution of one quantity, of all piles and by kind, and what is allowed."""
    piles = cloud.result.piles
    kind = np.asarray(piles["kind"], dtype=np.int64)
    known = values[np.isfinite(values)]
    allowed = np.asarray(piles[limit], dtype=np.float64)
    expected = np.asarray(piles.expected)
    use = expected & np.isfinite(allowed)
    limits = np.unique(np.round(allowed[use], 6))
    limits = limits[[0, -1]] if len(limits) > 4 else limits
    by_kind = [", ".join(KINDS[k] for k in np.unique(kind[use & (np.abs(allowed - x) < 1e-5)])) for x in limits]
    high = _end(known, limits)
    step = round_step(high, 6)
    chart = Chart(
        box,
        x=Axis(low=0.0, high=float(np.ceil(high / step) * step), label=label),
        y=Axis(low=0.0, high=100.0, label="% of piles", step=20.0),
    )
    chart.axes(canvas, text)
    if not len(known):
        x, y = box.middle
        tag(canvas, x, y, "not surveyed", height=text, anchor="centre")
        return
    count = np.bincount(kind[np.isfinite(values)], minlength=len(KINDS))
    for code in np.flatnonzero(count >= FEWEST).tolist() if (count > 0).sum() > 1 else []:
        _curve(canvas, chart, empirical(values[kind == code]), KIND_LINES[code])
    _curve(canvas, chart, empirical(known), ALL_LINE)
    digits = 1 if limit == "allowed_mm" else 2
    kinds = by_kind if digits == 2 and len(limits) > 1 else [""] * len(limits)
    _limit_lines(canvas, chart, limits, kinds, text, digits=digits)
    beyond = int((known > chart.x.high).sum())
    more = f"; {beyond} beyond, up to {known.max():.0f}" if beyond else ""
    canvas.text(box.left, box.top + 0.7 * text, f"{len(known)} piles{more}", height=text)


def _curve(canvas: Canvas, chart: Chart, line: Floats, look: tuple[float, tuple[float, ...]]) -> None:
    """Draw a distribution, carried on at its last share to the end of the chart."""
    line = np.concatenate([[[0.0, 0.0]], line, [[max(chart.x.high, line[-1, 0]), line[-1, 1]]]])
    chart.line(canvas, line[:, 0], line[:, 1], width=look[0], dash=look[1])


def _limit_lines(
    canvas: Canvas, chart: Chart, limits: Floats, kinds: Sequence[str], text: float, *, digits: int
) -> None:
    """Draw what is allowed as upright lines, each with its value, and the kinds that it is of, at the foot."""
    for value in limits:
        chart.up(canvas, float(value), width=FINE, dash=TOLERANCE_DASH)
    for number, (value, kind) in enumerate(zip(limits, kinds, strict=True)):
        x, y = chart.at(value, 0.0)
        said = f"allowed {value:.{digits}f}{f', {kind}' if kind else ''}"
        left = min(float(x) + 0.6 * text, chart.box.right - text_width(said, text) - 0.6 * text)
        tag(canvas, left, float(y) + (1.4 + 2.0 * number) * text, said, height=text)


def _end(known: Floats, limits: Floats) -> float:
    """Return how far a distribution reaches: past what is allowed, and to all but a few values far out."""
    wanted = 1.3 * float(limits.max()) if len(limits) else 1.0
    if not len(known):
        return wanted
    most = float(np.percentile(known, 98.0)) if len(known) >= 20 else float(known.max())
    top = float(known.max())
    return max(wanted, top if top <= 1.6 * max(most, wanted) else 1.1 * most)


# ------------------------------------------------------------------------------------------------ joints by level


def named_levels(result: Reconciliation) -> list[tuple[str, float]]:
    """Return the levels to name beside the curves, from the top down: stages, and each wall's own levels."""
    named = [(stage.name, stage.level) for stage in result.survey.settings.stages]
    for said, levels in zip(("formation", "interlock to"), WALL_LEVELS, strict=True):
        named += [(f"{said} {', '.join(walls)}".strip(), level) for level, walls in levels_of_walls(result, levels)]
    together: dict[float, list[str]] = {}
    for said, level in named:
        together.setdefault(round(level, 6), []).append(said)
    found = [(short_name(", ".join(names), 24), level) for level, names in together.items()]
    return sorted(found, key=lambda one: -one[1])[:MOST_LEVELS]


def counts_at(level: Floats, count: Integers, wanted: float) -> int:
    """Return a curve's count at a level: that of the lowest of its levels that is not below it; 0 above the first."""
    place = int(np.searchsorted(-level, -wanted, side="right"))
    return int(count[place - 1]) if place else 0


def _joints(canvas: Canvas, result: Reconciliation, area: Box, text: float) -> None:
    """Draw the curves of joints, their counts at the levels that matter, and the chances in words."""
    t = result.statistics
    if not len(result.joints) or not len(t.curve_level):
        canvas.text(area.left + 2.0, area.top - 2.0 * text, "There is no joint in this design.", height=text)
        return
    named = named_levels(result)
    curves = (t.curve_lost, t.curve_not_sure, t.curve_not_surveyed)
    table = Grid(
        headings=("Level, m", "lost", "not sure", "not surveyed"),
        rows=[
            (level_figure(level), *(str(counts_at(t.curve_level, curve, level)) for curve in curves))
            for _, level in named
        ],
        right=frozenset({0, 1, 2, 3}),
    )
    beside = sum(table.widths(text)) + 2.0 * text
    words_below = area.width - beside - (SIDEWAYS + NAMES) * text < 26.0 * text
    below = max(table.height(text), 13.0 * text) + text if words_below else 0.0
    beside = 0.0 if words_below else beside
    foot = UNDER * text + 2.0 + below
    box = Box(
        left=area.left + SIDEWAYS * text,
        bottom=area.bottom + foot,
        width=area.width - (SIDEWAYS + NAMES) * text - beside - text,
        height=area.height - foot - 2.0 * text,
    )
    _joint_curves(canvas, result, named, box, text)
    if words_below:
        left, top = area.left + 2.0, area.bottom + below
        table.draw(canvas, left, top, text)
        left += sum(table.widths(text)) + 2.0 * text
        _words(canvas, result, left, top - 1.35 * text, area.right - 2.0 - left, text)
    else:
        left = area.right - beside
        y = table.draw(canvas, left, box.top + 1.0 * text, text) - 2.0 * text
        y = _words(canvas, result, left, y, beside - text, text)
        _heads(canvas, result, left, y, box.bottom, text)


def _joint_curves(
    canvas: Canvas, result: Reconciliation, named: Sequence[tuple[str, float]], box: Box, text: float
) -> None:
    """Draw how many joints are lost, not sure, not surveyed at each level."""
    t = result.statistics
    curves = (t.curve_lost, t.curve_not_sure, t.curve_not_surveyed)
    levels = [*t.curve_level.tolist(), *(level for _, level in named)]
    low, high = min(levels), max(levels)
    room = 0.04 * (high - low) or 0.5
    most = max(1, *(int(curve.max()) for curve in curves))
    chart = Chart(
        box,
        x=Axis(low=0.0, high=_most(most), label="Joints", step=float(max(1, round_step(_most(most), 6)))),
        y=Axis(low=low - room, high=high + room, label="Level, m", signed=True, step=round_step(high - low, 16)),
    )
    chart.axes(canvas, text)
    for (width, dash), curve in reversed(list(zip(CURVES, curves, strict=True))):
        line = steps(t.curve_level, curve, top=high + room, bottom=low)
        chart.line(canvas, line.count, line.level, width=width, dash=dash)
    _names(canvas, chart, named, text)


def _most(count: int) -> float:
    step = max(1.0, round_step(1.08 * count, 8))
    return float(np.ceil(1.08 * count / step) * step)


def _names(canvas: Canvas, chart: Chart, named: Sequence[tuple[str, float]], text: float) -> None:
    box = chart.box
    up = [float(chart.at(0.0, level)[1]) for _, level in named]
    for _, level in named:
        chart.across(canvas, level, width=THIN, colour=GREY)
    places = lead_to_names(canvas, up, box, text, turns=(0.5, 1.5, 1.9))
    for (name, level), place in zip(named, places, strict=True):
        at = f" {level_figure(level)}"
        said, height = fit(name, (NAMES - 2.6) * text - text_width(at, text), text, least=text)
        canvas.text(box.right + 2.2 * text, place - text / 2, said + at, height=height)


def _words(canvas: Canvas, result: Reconciliation, x: float, y: float, width: float, text: float) -> float:
    """Write the chances, and how deep the design's own tolerances reach; return where the next line would stand."""
    t = result.statistics
    said = [
        f"Chance that a joint or more is lost: {_bounds(t.chance_lost)}; that one is open: {_bounds(t.chance_open)}.",
        "Below: the likeliest joint's own. Above: all added up, 1 where one is not surveyed.",
    ]
    if t.depth_guaranteed:
        kept = ", ".join(
            f"wall {short_name(wall, 12)} {f'{depth:.1f} m' if depth > 0 else 'not even there'}"
            for wall, depth in list(t.depth_guaranteed.items())[:4]
        )
        said.append(f"The design's own tolerances keep the joints down to this depth below cut-off: {kept}.")
    for paragraph in said:
        for line in wrap(paragraph, width, text):
            canvas.text(x, y, line, height=text)
            y -= 1.6 * text
        y -= 0.5 * text
    return y


def _heads(canvas: Canvas, result: Reconciliation, x: float, y: float, floor: float, text: float) -> None:
    """List the joints not sure by the head of water where they cease to be, as far as there is room."""
    heads = result.statistics.by_head
    room = int((y - floor - 1.5 * text) / (1.95 * text)) - 1
    if not heads or room < 2:
        return
    shown = len(heads) if len(heads) <= room else room - 1
    rows = [(joint, f"{head:.2f}") for joint, head in heads[:shown]]
    if shown < len(heads):
        rows.append((f"{len(heads) - shown} more", ""))
    Grid(headings=("Not sure, by water head", "m"), rows=rows, right=frozenset({1})).draw(canvas, x, y, text)


def _bounds(pair: tuple[float, float]) -> str:
    """Return a chance that is known between bounds: the lower one rounded down, the upper one up, so that both hold."""
    low, high = chance(pair[0]), chance(pair[1])
    if pair[0] == pair[1] or low == high:
        return f"{pair[0]:.0f}" if pair[0] == pair[1] and pair[0] in (0.0, 1.0) else low
    least, most = np.floor(round(pair[0] * 1e3, 6)) / 1e3, np.ceil(round(pair[1] * 1e3, 6)) / 1e3
    return f"between {least:.3g} and {most:.3g}"
