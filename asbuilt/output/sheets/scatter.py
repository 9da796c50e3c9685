"""The scatter sheets: plan offsets in grid axes and per side, distributions, joints lost and not sure at each level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS
from asbuilt.output.sheets.canvas import INK, Box
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.lettering import fit, text_width, wrap
from asbuilt.output.sheets.notes import CAUTION, level_range, sheet_notes
from asbuilt.output.sheets.pile_charts import ratio_text
from asbuilt.output.sheets.pile_figures import Grid
from asbuilt.output.sheets.pile_plan import name_near
from asbuilt.output.sheets.scatter_charts import ALL_LINE, KIND_LINES, draw_cloud, draw_groups, ring, window
from asbuilt.output.sheets.scatter_data import (
    CAP_LOADS,
    Cloud,
    beyond_text,
    group_row,
    holds_zero,
    reach_of,
    short_name,
)
from asbuilt.output.sheets.scatter_legend import cloud_legend
from asbuilt.output.sheets.scatter_levels import distribution_sheet

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import WallGroup
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.chart import Chart
    from asbuilt.output.sheets.job import Job

__all__ = ["scatter_sheets"]

#: Parts of a sheet in heights of text: its first line, ticks and label left of a window and below it.
HEAD, SIDEWAYS, UNDER = 6.0, 8.0, 5.4
#: Most sides on one sheet, most rows of the table of groups, most rigs in it.
SIDES, ROWS, RIGS = 6, 15, 4
#: Least height of the strip with the table, so that there is room for words beside it.
LEAST = 12.0
SET_OUT = "Means, ellipses and points: from the centre set out, the approved one else design. Tolerance: about design."
ELLIPSE = "Ellipse of a mean: holds the true mean with 95 %, from three piles on."


def scatter_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Lay out the scatter sheets: those of plan offsets where a pile is surveyed, and the distributions."""
    cloud = Cloud.of(job.result)
    sheets = []
    if len(cloud):
        sheets.append(_grid_sheet(cloud, area, text))
        sheets += list(_side_sheets(cloud, area, text))
    sheets.append(distribution_sheet(cloud, area, text))
    return sheets


def _notes(cloud: Cloud) -> list[str]:
    moved = cloud.moved_text()
    return [SET_OUT, ELLIPSE, *([moved] if moved else [])]


def _shown(cloud: Cloud) -> str:
    levels = level_range(np.asarray(cloud.result.piles["cut_off_level"], dtype=np.float64))
    return f"Level shown: cut-off, {levels}."


def _counted(cloud: Cloud) -> str:
    expected = int(np.asarray(cloud.result.piles.expected).sum())
    return f"{len(cloud)} of {expected} piles surveyed"


def _title(canvas: Canvas, area: Box, said: str, text: float) -> None:
    line, height = fit(said, area.width - 4.0, 1.4 * text, least=text)
    canvas.text(area.left + 2.0, area.top - 2.6 * text, line, height=height)


# ---------------------------------------------------------------------------------------------------- in grid axes


@dataclass(frozen=True, kw_only=True)
class _GridPage:
    cloud: Cloud
    area: Box
    text: float
    main: Chart
    means: Chart
    loads: tuple[tuple[str, Chart], ...]
    left_out: int
    table: Grid
    rows: tuple[WallGroup, ...]
    groups: tuple[tuple[WallGroup, tuple[float, tuple[float, ...]]], ...]
    beyond: str


def _grid_sheet(cloud: Cloud, area: Box, text: float) -> Sheet:
    page = _lay_out(cloud, area, text)
    ratio = (page.main.x.high - page.main.x.low) / page.main.box.width
    more = [*_notes(cloud), *([page.beyond] if page.beyond else [])]
    return Sheet(
        title="Scatter of plan offsets, grid axes",
        scale=None,
        scale_text=f"{ratio_text(ratio)} at the main plot",
        draw=lambda canvas: _draw_grid_page(canvas, page),
        legend=cloud_legend(cloud, groups=[group for group, _ in page.groups], beyond=bool(page.beyond)),
        notes=sheet_notes(cloud.result, text, shown=_shown(cloud), more=more),
        caution=CAUTION,
    )


def _lines(cloud: Cloud) -> list[tuple[WallGroup, tuple[float, tuple[float, ...]]]]:
    """Return the groups whose means are drawn, and their lines: all, and each kind where there are several."""
    kinds = cloud.groups("kind")
    found = [(group, KIND_LINES[KINDS.index(group.name)]) for group in kinds] if len(kinds) > 1 else []
    return [*found, *((group, ALL_LINE) for group in cloud.groups("all"))]


def _lay_out(cloud: Cloud, area: Box, text: float) -> _GridPage:
    loads = cloud.loads()
    drawn = loads[:CAP_LOADS] if len(loads) > 1 else []
    rows = _rows(cloud, drawn)
    table = _table(rows)
    across = (area.width - 4.0 - 2.0 * text * max(0, len(drawn) - 1)) / max(len(drawn), 1)
    small = min(across, 24.0 * text)
    strip = small + 7.0 * text if drawn else 0.0
    free = area.height - HEAD * text - UNDER * text - strip - max(table.height(text), LEAST * text) - 5.0 * text
    side = min(free, area.width - (2 * SIDEWAYS + (32.0 if drawn else 27.0)) * text)
    top = area.top - HEAD * text
    # With the room to be taller than wide the windows are; scales stay equal.
    tall = min(1.2 * side, free)
    main = Box(left=area.left + SIDEWAYS * text, bottom=top - tall, width=side, height=tall)
    left = main.right + SIDEWAYS * text
    wide = area.right - left - 2.0 * text
    high = min(tall, 1.35 * wide)
    beside = Box(left=left, bottom=top - high, width=wide, height=high)
    reach = reach_of(cloud.offset, cloud.allowed)
    chart = window(main, reach, x="mm east", y="mm north")
    groups = _lines(cloud)
    low_edge = main.bottom - UNDER * text - 5.6 * text
    windows = [
        Box(left=area.left + 2.0 + k * (small + 2.0 * text), bottom=low_edge - small, width=small, height=small)
        for k in range(len(drawn))
    ]
    return _GridPage(
        cloud=cloud,
        area=area,
        text=text,
        main=chart,
        means=_means_window(beside, [group for group, _ in groups]),
        loads=tuple((name, window(box, reach)) for name, box in zip(drawn, windows, strict=True)),
        left_out=max(0, len(loads) - len(drawn)) if drawn else 0,
        table=table,
        rows=tuple(rows),
        groups=tuple(groups),
        beyond=beyond_text(cloud, _beyond(chart, cloud)),
    )


def _beyond(chart: Chart, cloud: Cloud) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    e, n = cloud.offset.T
    inside = (chart.x.low < e) & (e < chart.x.high) & (chart.y.low < n) & (n < chart.y.high)
    found: np.ndarray[tuple[int], np.dtype[np.bool_]] = ~inside
    return found


def _means_window(box: Box, groups: Sequence[WallGroup]) -> Chart:
    """Return the window that shows the means and their ellipses enlarged."""
    parts = [np.array([group.mean_mm]) for group in groups] + [ring(group) for group in groups]
    every = np.concatenate([*parts, np.zeros((1, 2))])
    low, high = every.min(axis=0), every.max(axis=0)
    middle = (float(low[0] + high[0]) / 2.0, float(low[1] + high[1]) / 2.0)
    half = (high - low) / 2.0 * 1.12
    # The window need not be square: what is asked of its shorter side covers the longer extent.
    reach = max(float(half.max()), 0.5)
    return window(box, reach, middle=middle, x="mm east", y="mm north")


def _rows(cloud: Cloud, loads: Sequence[str]) -> list[WallGroup]:
    """Return the groups that the table lists."""
    by_load = {group.name: group for group in cloud.groups("load")}
    walls = cloud.groups("wall")
    rigs = cloud.groups("rig")[:RIGS]
    groups = [
        *cloud.groups("all"),
        *(walls if 1 < len(walls) <= 4 else []),
        *cloud.groups("kind"),
        *(by_load[name] for name in loads if name in by_load),
        *(rigs if len(rigs) > 1 else []),
    ]
    return groups[:ROWS]


def _table(groups: Sequence[WallGroup]) -> Grid:
    headings = ("Group", "piles", "mean E", "mean N", "s.d. E", "s.d. N", "RMS", "95 % under", "within")
    return Grid(headings=headings, rows=[group_row(g) for g in groups], right=frozenset(range(1, 9)))


def _draw_grid_page(canvas: Canvas, page: _GridPage) -> None:
    text, cloud = page.text, page.cloud
    _title(canvas, page.area, f"Plan offsets at cut-off, mm: {_counted(cloud)}", text)
    page.main.axes(canvas, text)
    draw_cloud(canvas, page.main, cloud.offset, cloud.kind, cloud.look, cloud.allowed, text)
    draw_groups(canvas, page.main, page.groups, arm=0.7 * text)
    page.means.axes(canvas, text)
    _axes_through_zero(canvas, page.means)
    draw_groups(canvas, page.means, page.groups, arm=1.05 * text)
    _name_means(canvas, page)
    box = page.means.box
    ratio = (page.means.x.high - page.means.x.low) / box.width
    canvas.text(box.left, box.top + 0.7 * text, f"Means and their ellipses, {ratio_text(ratio)}", height=text)
    by_load = {group.name: group for group in cloud.groups("load")}
    for name, chart in page.loads:
        _draw_load(canvas, page, name, chart, by_load.get(name))
    top = min(page.area.bottom + 2.0 + max(page.table.height(text), LEAST * text) + 1.0 * text, _lowest(page))
    page.table.draw(canvas, page.area.left + 2.0, top, text)
    words = _bias_words(page.table, page.rows)
    left = page.area.left + 2.0 + sum(page.table.widths(text)) + 3.0 * text
    if box.bottom - page.main.box.bottom > 14.0 * text:
        _paragraphs(canvas, words, Box(left=box.left, bottom=0.0, width=box.width, height=box.bottom - 6 * text), text)
    elif page.area.right - 2.0 - left > 20.0 * text:
        _paragraphs(canvas, words, Box(left=left, bottom=0.0, width=page.area.right - 2.0 - left, height=top), text)


def _lowest(page: _GridPage) -> float:
    """Return the upper edge of what stands below all windows."""
    box = page.loads[0][1].box if page.loads else page.main.box
    return box.bottom - (2.0 if page.loads else UNDER + 2.0) * page.text


def _bias_words(table: Grid, groups: Sequence[WallGroup]) -> list[str]:
    """Return which of a table's groups have an ellipse that leaves out zero, in sentences."""
    named = [row[0] for row, group in zip(table.rows, groups, strict=True) if not holds_zero(group)]
    small = [row[0] for row, group in zip(table.rows, groups, strict=True) if group.ellipse is None]
    said = [
        f"The ellipse of these groups' means leaves out 0, so that a bias shows: {', '.join(named)}."
        if named
        else "Every ellipse of a mean holds 0: no bias shows."
    ]
    if small:
        said.append(f"Too few piles for an ellipse: {', '.join(small)}.")
    said.append("s.d.: scatter about the mean. 95 % under: 95th percentile of the offsets. Figures in mm.")
    return said


def _paragraphs(canvas: Canvas, said: Sequence[str], box: Box, text: float) -> None:
    """Write paragraphs below the upper edge of a box."""
    y = box.top - 1.35 * text
    for paragraph in said:
        for line in wrap(paragraph, box.width, text):
            canvas.text(box.left, y, line, height=text)
            y -= 1.6 * text
        y -= 0.5 * text


def _axes_through_zero(canvas: Canvas, chart: Chart) -> None:
    for draw, axis in ((chart.up, chart.x), (chart.across, chart.y)):
        if axis.low < 0.0 < axis.high:
            draw(canvas, 0.0, width=0.18, colour="#6E6E6E")


def _name_means(canvas: Canvas, page: _GridPage) -> None:
    """Write the names of the groups beside their ellipses, or beside their means where there is none."""
    outlines = [(group, ring(group, points=180)) for group, _ in page.groups]
    placed = [page.means.at(line[:, 0], line[:, 1]) for _, line in outlines if len(line)]
    drawn = np.concatenate([*placed, page.means.at(*np.array([group.mean_mm for group, _ in outlines]).T)])
    taken: list[Box] = []
    middle = drawn.mean(axis=0)
    for group, line in outlines:
        at = page.means.at(*group.mean_mm)
        if len(line):
            # The point of its own ellipse that is farthest from all others.
            own = page.means.at(line[:, 0], line[:, 1])
            rest = [page.means.at(other[:, 0], other[:, 1]) for one, other in outlines if one is not group]
            others = np.concatenate([part for part in rest if len(part)] or [np.full((1, 2), np.inf)])
            away = np.hypot(*(own[:, None, :] - others[None, :, :]).transpose(2, 0, 1)).min(axis=1)
            at = own[int(np.argmax(away + 0.3 * np.hypot(*(own - middle).T)))]
        name_near(canvas, at, "all" if group.by == "all" else group.name, page.means.box, taken, drawn, page.text)


def _draw_load(canvas: Canvas, page: _GridPage, name: str, chart: Chart, group: WallGroup | None) -> None:
    """Draw the piles of one load in a window that reaches as far as the main one."""
    text, cloud, box = page.text, page.cloud, chart.box
    rows = cloud.in_load(name)
    draw_cloud(canvas, chart, cloud.offset[rows], cloud.kind[rows], cloud.look[rows], cloud.allowed, text)
    if group is not None:
        draw_groups(canvas, chart, [(group, ALL_LINE)], arm=0.55 * text)
    canvas.rectangle(box, width=0.25, colour=INK)
    count = int(rows.sum())
    bare = name.rsplit("/", 1)[-1].removesuffix(".csv")
    most = len(bare)
    while most > 4 and text_width(short_name(bare, most), text) > box.width:
        most -= 1
    canvas.text(box.left, box.top + 2.5 * text, short_name(bare, most), height=text)
    canvas.text(box.left, box.top + 0.7 * text, f"{count} pile{'s' * (count != 1)}", height=text)
    if page.loads and chart is page.loads[0][1]:
        reach = chart.x.high
        rest = f"; {page.left_out} earlier loads are in the totals only" if page.left_out else ""
        said = f"By load, latest first, each \u00b1{reach:.0f} mm{rest}"
        canvas.text(box.left, box.top + 4.4 * text, said, height=text)


# -------------------------------------------------------------------------------------------------- per side, wall axes


def _side_sheets(cloud: Cloud, area: Box, text: float) -> Iterator[Sheet]:
    sides = cloud.groups("side")
    number = _side_numbers(cloud)
    pages = [sides[k : k + SIDES] for k in range(0, len(sides), SIDES)]
    for place, some in enumerate(pages, start=1):
        of = f", {place} of {len(pages)}" if len(pages) > 1 else ""
        yield _side_sheet(cloud, area, text, some, number, of)


def _side_numbers(cloud: Cloud) -> dict[str, int]:
    """Return each side's number by its name in the statistics: the wall's name, and its place within the wall."""
    side, walls = np.asarray(cloud.result.piles.side), cloud.result.survey.design["wall"]
    numbers, first = np.unique(side, return_index=True)
    found: dict[str, int] = {}
    for k, at in zip(numbers.tolist(), first.tolist(), strict=True):
        if k >= 0:
            before = sum(name.startswith(f"{walls[at]} side ") for name in found)
            found[f"{walls[at]} side {before + 1}"] = k
    return found


def _side_sheet(
    cloud: Cloud, area: Box, text: float, sides: Sequence[WallGroup], number: dict[str, int], of: str
) -> Sheet:
    side = np.asarray(cloud.result.piles.side)
    table = _side_table(cloud, sides, number)
    high = max(table.height(text), LEAST * text)
    boxes = _side_boxes(len(sides), area, text, high + 2.5 * text)
    rows = [side[cloud.row] == number[group.name] for group in sides]
    walls = [str(cloud.result.survey.design["wall"][side == number[group.name]][0]) for group in sides]
    allowed = {wall: cloud.allowed_in(wall) for wall in walls}
    reach = reach_of(cloud.offset, cloud.allowed)
    charts = [window(box, reach, x="mm along the wall", y="mm towards the pit") for box in boxes]
    ratio = (charts[0].x.high - charts[0].x.low) / boxes[0].width
    beyond = np.zeros(len(cloud), dtype=bool)
    for row, chart in zip(rows, charts, strict=True):
        limit = np.array([chart.x.high, chart.y.high])
        beyond[row] = (np.abs(cloud.in_wall[row]) >= limit).any(axis=1)
    words = beyond_text(cloud, beyond)
    cell = _words_box(boxes, area, sum(table.widths(text)), high, text)

    def draw(canvas: Canvas) -> None:
        _title(canvas, area, "Plan offsets at cut-off by side, in wall axes, mm", text)
        for group, wall, row, chart in zip(sides, walls, rows, charts, strict=True):
            chart.axes(canvas, text)
            draw_cloud(canvas, chart, cloud.in_wall[row], cloud.kind[row], cloud.look[row], allowed[wall], text)
            draw_groups(canvas, chart, [(group, ALL_LINE)], arm=0.7 * text)
            said = f"{group.name}: {int(row.sum())} pile{'s' * (int(row.sum()) != 1)}"
            canvas.text(chart.box.left, chart.box.top + 0.7 * text, said, height=1.15 * text)
        table.draw(canvas, area.left + 2.0, area.bottom + 2.0 + high + text, text)
        if cell is not None:
            _paragraphs(canvas, _bias_words(table, sides), cell, text)

    picked = np.any(rows, axis=0)
    return Sheet(
        title=f"Scatter of plan offsets by side, wall axes{of}",
        scale=None,
        scale_text=f"{ratio_text(ratio)} at each side",
        draw=draw,
        legend=cloud_legend(cloud, groups=list(sides), beyond=bool(words), rows=picked, allowed=allowed),
        notes=sheet_notes(cloud.result, text, shown=_shown(cloud), more=[*_notes(cloud), *([words] if words else [])]),
        caution=CAUTION,
    )


def _side_table(cloud: Cloud, sides: Sequence[WallGroup], number: dict[str, int]) -> Grid:
    side, expected = np.asarray(cloud.result.piles.side), np.asarray(cloud.result.piles.expected)
    return Grid(
        headings=("Side", "piles", "mean pit", "mean along", "s.d. pit", "s.d. along", "RMS", "95 % under", "within"),
        rows=[group_row(g, int((expected & (side == number[g.name])).sum())) for g in sides],
        right=frozenset(range(1, 9)),
    )


def _words_box(boxes: Sequence[Box], area: Box, wide: float, high: float, text: float) -> Box | None:
    """Return where words stand: in the empty place beside the last window, else beside the table; None without room."""
    last, first = boxes[-1], boxes[0]
    if len(boxes) > 2 and last.right + 0.5 * last.width < area.right:
        left = last.right + SIDEWAYS * text
        return Box(left=left, bottom=last.bottom, width=first.width, height=last.height)
    left = area.left + 2.0 + wide + 3.0 * text
    if area.right - 2.0 - left < 20.0 * text:
        return None
    return Box(left=left, bottom=area.bottom, width=area.right - 2.0 - left, height=2.0 + high + text)


def _side_boxes(count: int, area: Box, text: float, table: float) -> list[Box]:
    """Return a window for each of up to six sides, as large as go above the table."""
    across = 1 if count == 1 else 2 if count <= 4 else 3
    down = -(-count // across)
    wide = area.width / across - (SIDEWAYS + 2.0) * text
    high = (area.height - table - HEAD * text) / down - (UNDER + 2.6) * text
    tall = min(high, 1.5 * wide)
    wide = min(wide, 1.5 * tall)
    boxes = []
    for k in range(count):
        row, column = divmod(k, across)
        left = area.left + SIDEWAYS * text + column * (area.width / across)
        top = area.top - HEAD * text - 1.6 * text - row * (tall + (UNDER + 2.6) * text)
        boxes.append(Box(left=left, bottom=top - tall, width=wide, height=tall))
    return boxes
