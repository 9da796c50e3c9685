"""The developed elevation: every wall unrolled, chainage along the foot and level up the side, each joint a strip.

A strip shows in bands what its joint is over the whole of its range: open, lost, not sure, sure, not surveyed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.elevation_legend import draw_scales, elevation_legend, elevation_remarks
from asbuilt.output.sheets.elevation_marks import (
    LEADER,
    LONGEST,
    ROW,
    axis_width,
    cut_off_label,
    draw_foot,
    draw_holds,
    draw_ids,
    draw_level_axis,
    draw_levels,
    draw_unknown,
    level_label,
    named_joints,
    stage_holds,
)
from asbuilt.output.sheets.elevation_panel import TAB, Panel, draw_over, draw_strips
from asbuilt.output.sheets.elevation_walls import (
    choose_scales,
    level_lines,
    level_span,
    stretches,
)
from asbuilt.output.sheets.frame import COLUMN, Sheet
from asbuilt.output.sheets.lettering import clean, fit, text_width
from asbuilt.output.sheets.notes import CAUTION, sheet_notes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.elevation_walls import Stretch
    from asbuilt.output.sheets.job import Job
    from asbuilt.views import UnrolledWall

__all__ = ["elevation_sheets"]

TITLE = "Developed elevation"
#: Sizes in heights of text: heading, position and chainage below the strips, strip of scale bars, widest name at the
#: left, room between strips and extra joints.
HEAD, FOOT, BARS, NAMES, ASIDE = 3.0, 6.2, 5.6, 17.0, 4.0
#: Strips of extra joints are so wide, in heights of text: each has room for its id, and none looks like a wall.
EXTRA = (1.6, 3.0)


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What all panels of a job have in common: the room on paper [mm] and what is found but once."""

    job: Job
    area: Box
    text: float
    holds: tuple[tuple[str, Booleans, Booleans], ...]

    @property
    def room(self) -> float:
        """Height for panels."""
        return self.area.height - (BARS + 1.0) * self.text

    def names(self, wall: UnrolledWall) -> float:
        """Return the width for names at the left."""
        lines = [level_label(line.name, line.level) for line in level_lines(self.job.result, wall.name)]
        lines += [f"holds {clean(stage)}: none here" for stage, _, _ in self.holds]
        lines += [cut_off_label(np.asarray(self.job.result.piles["cut_off_level"], dtype=np.float64)[wall.pile])]
        return min(max(text_width(line, self.text) for line in lines), NAMES * self.text)

    def left(self, wall: UnrolledWall) -> float:
        """Return what lies left of the strips."""
        return self.names(wall) + LEADER * self.text + TAB + self.text

    def ids(self, wall: UnrolledWall) -> float:
        """Return the height for the ids of joints."""
        joints = self.job.result.joints
        verdict = np.asarray(joints["verdict"])
        own = np.concatenate([wall.joint[verdict[wall.joint] != VERDICTS.index("within")], wall.extra])
        widest = max((text_width(clean(str(name)), self.text) for name in joints["joint_id"][own]), default=0.0)
        return (LEADER * self.text + min(widest, LONGEST * self.text) + 0.5 * self.text) if widest else 0.0

    def above(self, wall: UnrolledWall) -> float:
        """Return what lies above the strips: marks of holds, ids, heading."""
        return self.ids(wall) + (len(self.holds) * ROW + HEAD + 1.0) * self.text

    def height(self, wall: UnrolledWall, scale: int) -> float:
        """Return the height of a panel of a wall at a vertical scale."""
        low, high = level_span(self.job.result, wall)
        return (high - low) * 1000.0 / scale + self.above(wall) + FOOT * self.text

    def extra_width(self, wall: UnrolledWall, scale: int) -> float:
        """Return the width of the strip of an extra joint."""
        return min(max(EXTRA[0] * self.text, wall.spacing * 1000.0 / scale), EXTRA[1] * self.text)

    def aside(self, wall: UnrolledWall, scale: int) -> float:
        """Return the width that a wall's extra joints take."""
        if not len(wall.extra):
            return 0.0
        strips = len(wall.extra) * self.extra_width(wall, scale)
        return ASIDE * self.text + max(strips, text_width("extra joints", self.text))

    def width(self, stretch: Stretch, scale: int) -> float:
        """Return the width of a panel at a horizontal scale."""
        strips = (stretch.last - stretch.first) * 1000.0 / scale
        aside = self.aside(stretch.wall, scale) if stretch.has_extra else 0.0
        return self.left(stretch.wall) + strips + aside + axis_width(self.text)

    def cut(self, wall: UnrolledWall, scale: int) -> list[Stretch] | None:
        """Cut a wall to stretches that fit the page."""
        width = self.area.width - self.left(wall) - axis_width(self.text)
        return stretches(wall, scale, width, self.aside(wall, scale))


def elevation_sheets(job: Job, area: Box, text: float) -> Sequence[Sheet]:
    """Lay out the developed elevation of every wall.

    Parameters
    ----------
    job : Job
        ``scale``, where given, is the horizontal scale; a note says so where it does not fit.
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Height of a capital letter [mm].

    Returns
    -------
    sequence of Sheet
        Long walls over several sheets; short walls one under the other, at the same scales, where that saves a sheet.
        None where no wall has a joint.
    """
    plan = _Plan(job=job, area=area, text=text, holds=tuple(stage_holds(job.result)))
    groups: list[tuple[list[UnrolledWall], tuple[int, int, list[list[Stretch]]]]] = []
    for wall in job.views.unrolled():
        alone = _scaled(plan, [wall])
        if groups:
            walls, before = groups[-1]
            together = _scaled(plan, [*walls, wall])
            # walls that each keep to the scale that was asked for do not lose it for the sake of a sheet
            kept = together[0] == job.scale or job.scale not in (before[0], alone[0])
            fewer = len(together[2]) < len(before[2]) + len(alone[2])
            if kept and fewer and together[1] <= max(before[1], alone[1], 100):
                groups[-1] = ([*walls, wall], together)
                continue
        groups.append(([wall], alone))
    return [
        _sheet(plan, page, number, pages, (h, v))
        for _, (h, v, pages) in groups
        for number, page in enumerate(pages, start=1)
    ]


def _scaled(plan: _Plan, walls: list[UnrolledWall]) -> tuple[int, int, list[list[Stretch]]]:
    for asked in dict.fromkeys((plan.job.scale, None)):
        found = choose_scales(walls, cut=plan.cut, height=plan.height, room=plan.room, asked=asked)
        if found is not None:
            return found
    raise AssertionError  # the coarsest scale holds a wall of any length


def _sheet(plan: _Plan, page: list[Stretch], number: int, pages: list[list[Stretch]], scales: tuple[int, int]) -> Sheet:
    panels = _panels(plan, page, scales)
    named = [named_joints(panel) for panel in panels]
    text = plan.text
    result = plan.job.result
    items = [str(result.joints["joint_id"][row]) for panel in panels for row in panel.joints]
    area = plan.area
    bars = Box(left=area.left + text, bottom=area.bottom, width=area.width - 2 * text, height=BARS * text)

    def draw(canvas: Canvas) -> None:
        for panel, names in zip(panels, named, strict=True):
            _draw_panel(canvas, plan, panel, names)
        draw_scales(canvas, bars, scales, page, text)

    return Sheet(
        title=_title(page, number, len(pages), text),
        scale=scales[0] if scales[0] == scales[1] else None,
        scale_text="" if scales[0] == scales[1] else _scale_text(scales, text),
        draw=draw,
        legend=elevation_legend(panels, plan.holds, sum(left_out for _, _, left_out in named)),
        notes=sheet_notes(
            result,
            text,
            shown=f"Levels shown: the whole range of every joint. Scales: horizontal 1:{scales[0]}, vertical "
            f"1:{scales[1]}.",
            more=(*_scale_note(plan.job.scale, scales[0]), *elevation_remarks(panels)),
        ),
        caution=CAUTION,
        items=tuple(items),
    )


def _panels(plan: _Plan, page: list[Stretch], scales: tuple[int, int]) -> list[Panel]:
    """Put the stretches of a page one under the other, what is left of its height shared out between them."""
    text = plan.text
    h, v = scales
    spare = (plan.room - sum(plan.height(stretch.wall, v) for stretch in page)) / (len(page) + 1)
    air = min(plan.area.width - plan.width(stretch, h) for stretch in page) / 2
    top = plan.area.top
    panels = []
    for stretch in page:
        wall = stretch.wall
        top -= spare
        low, high = level_span(plan.job.result, wall)
        height = (high - low) * 1000.0 / v
        length = (stretch.last - stretch.first) * 1000.0 / h
        box = Box(
            left=plan.area.left + air + plan.left(wall),
            bottom=top - plan.above(wall) - height,
            width=length + (plan.aside(wall, h) if stretch.has_extra else 0.0),
            height=height,
        )
        panels.append(
            Panel(
                result=plan.job.result,
                bands=plan.job.views.bands(),
                stretch=stretch,
                box=box,
                low=low,
                across=1000.0 / h,
                up=1000.0 / v,
                text=text,
                extra_left=box.left + length + ASIDE * text,
                extra_width=plan.extra_width(wall, h),
            )
        )
        top -= plan.height(wall, v)
    return panels


def _draw_panel(canvas: Canvas, plan: _Plan, panel: Panel, named: tuple[np.ndarray, np.ndarray, int]) -> None:
    text, box, wall = plan.text, panel.box, panel.stretch.wall
    marks = box.top + text
    ids = marks + len(plan.holds) * ROW * text
    draw_ids(canvas, panel, ids, named)
    draw_unknown(canvas, panel, ids)
    draw_holds(canvas, panel, marks, plan.holds, plan.names(wall))
    draw_strips(canvas, panel)
    draw_levels(canvas, panel, plan.names(wall))
    draw_over(canvas, panel)
    draw_level_axis(canvas, panel)
    draw_foot(canvas, panel)
    _draw_heading(canvas, plan, panel, ids + plan.ids(wall))


def _draw_heading(canvas: Canvas, plan: _Plan, panel: Panel, foot: float) -> None:
    """Write the wall's name above its strips, from where it is seen, and which parts it goes on in."""
    text, stretch, wall = plan.text, panel.stretch, panel.stretch.wall
    left, right = panel.box.left - plan.left(wall) + text, panel.box.right + axis_width(text) - 0.5 * text
    where = {True: ", seen from the ground side", False: ", seen from the pit", None: ""}[wall.pit_on_left]
    name = f"Wall {wall.name}, {_reach(stretch)}{where}"
    before = f"\u25c4 part {stretch.part - 1}" if stretch.part > 1 else ""
    after = f"part {stretch.part + 1} \u25ba" if stretch.part < stretch.parts else ""
    said = "    ".join(part for part in (before, after) if part)
    canvas.text(right, foot + 0.7 * text, said, height=text, anchor="right")
    room = (right - text_width(said, text) if said else plan.area.right) - text - left
    shown, height = fit(name, room, 1.25 * text, least=text)
    canvas.text(left, foot + 0.7 * text, shown, height=height)


def _reach(stretch: Stretch) -> str:
    if stretch.wall.length == 0:
        return "extra joints only"
    part = f"part {stretch.part} of {stretch.parts}: " if stretch.parts > 1 else ""
    return f"{part}chainage {stretch.first:.1f} to {stretch.last:.1f} m"


def _title(page: list[Stretch], number: int, pages: int, text: float) -> str:
    """Return the sheet's title, shorter where the title block has no room for all of it."""
    walls = list(dict.fromkeys(stretch.wall.name for stretch in page))
    name = f"wall {walls[0]}" if len(walls) == 1 else f"walls {', '.join(walls[:-1])} and {walls[-1]}"
    of = f", {number} of {pages}" if pages > 1 else ""
    span = f"{page[0].first:.1f} to {page[-1].last:.1f} m"
    title = f"{TITLE}, {name}{of}"
    if len(walls) > 1 or pages == 1:
        return title
    room = (COLUMN - 1.2) * text
    full = (
        f"{title}: chainage {span}",
        f"{title}: ch. {span}",
        f"Elevation, {name}{of}: ch. {span}",
        f"Elevation {number} of {pages}: ch. {span}, {name}",
    )
    return next((said for said in full if text_width(clean(said), text) <= room), full[-1])


def _scale_note(asked: int | None, drawn: int) -> tuple[str, ...]:
    """Return a note where the scale that was asked for is not the one drawn."""
    return () if asked in (None, drawn) else (f"Scale 1:{asked} was asked for and does not fit: drawn 1:{drawn}.",)


def _scale_text(scales: tuple[int, int], text: float) -> str:
    """Return both scales as the title block has room for them."""
    h, v = scales
    room = (0.4 * COLUMN - 1.2) * text
    said = (f"horizontal 1:{h}, vertical 1:{v}", f"hor. 1:{h}, vert. 1:{v}", f"H 1:{h}, V 1:{v}")
    return next((one for one in said if text_width(one, text) <= room), said[-1])
