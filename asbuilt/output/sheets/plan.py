"""The deviation plan: design and as-built circles at cut-off, offset vectors, joints, verdicts, ids, on the grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN
from asbuilt.output.sheets.flags import cut_flags, free_room, joint_flags, pile_flags
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.key_plan import cover_match_lines, match_flags, match_lines, place_key_plan
from asbuilt.output.sheets.names import wall_names
from asbuilt.output.sheets.notes import CAUTION, plan_notes
from asbuilt.output.sheets.placing import join
from asbuilt.output.sheets.plan_layout import NOT_SURVEYED, Plan, lay_out
from asbuilt.output.sheets.plan_legend import Placed, plan_legend
from asbuilt.output.sheets.scaling import draw_bars, draw_grid, plan_boxes
from asbuilt.output.sheets.symbols import (
    DESIGN_DASH,
    LOOKS,
    MATCH_DASH,
    NO_VERDICT,
    OUTLINE_DASH,
    crosses,
    draw_markers,
    draw_piles,
)
from asbuilt.output.sheets.vectors import draw_vectors, side_means

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans, Integers
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.cutting import Cut
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.symbols import Look

__all__ = ["Plan", "plan_sheets"]

TITLE = "Deviation plan at cut-off"


def plan_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Lay out the deviation plan, on as many sheets as its scale takes.

    Parameters
    ----------
    job : Job
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Height of a capital letter [mm].
    """
    box, bars = plan_boxes(area, text)
    plans = lay_out(job.result, box, text, scale=job.scale, toes=job.views.toes())
    cuts = [plan.part for plan in plans]
    return [_sheet(plan, cuts, bars, text) for plan in plans]


def _sheet(plan: Plan, cuts: Sequence[Cut], bars: Box, text: float) -> Sheet:
    box, origin = plan.view.box, plan.result.survey.origin
    room = free_room(plan)
    cover_match_lines(plan.part, room)
    key = place_key_plan(plan.whole, cuts, plan.page - 1, room=room, text=text)
    match, cut = match_flags(plan.part, plan.pages, text, room), cut_flags(plan, room)
    joints = joint_flags(plan, room, depth=True)
    # The name of a wall can go farther off than its piles' ids, so it comes after them.
    piles = pile_flags(plan, room, checks=True)
    names, means = wall_names(plan, room), side_means(plan, room)
    placed = Placed(cut=cut, piles=piles, joints=joints, names=names, match=match, means=means, key=key)
    factor = plan.factor if plan.surveyed.any() or len(means.start) else None

    def draw(canvas: Canvas) -> None:
        flags = (match, cut, joints, piles, names, means.flags)
        draw_grid(canvas, plan.view, origin, text, covered=join([key.boxes, *(part.boxes for part in flags)]))
        _draw_circles(canvas, plan)
        _draw_joints(canvas, plan)
        canvas.lines(match_lines(plan.part), width=BOLD, dash=MATCH_DASH, clip=box)
        _draw_markers(canvas, plan)
        draw_vectors(canvas, plan)
        for part in flags[:-1]:
            part.draw(canvas, box)
        means.draw(canvas, box)
        key.draw(canvas)
        draw_bars(canvas, bars, plan.scale, factor, text)

    return Sheet(
        title=TITLE if plan.pages == 1 else f"{TITLE}, {plan.page} of {plan.pages}",
        scale=plan.scale,
        draw=draw,
        legend=plan_legend(plan, placed),
        notes=plan_notes(plan.whole, text),
        caution=CAUTION,
    )


def _by_verdict(codes: Integers) -> Iterator[tuple[Look, Booleans]]:
    for code, look in enumerate((NO_VERDICT, *LOOKS), start=-1):
        mask = codes == code
        if mask.any():
            yield look, mask


def _shortened(dash: tuple[float, ...], radius: float) -> tuple[float, ...]:
    """Return dashes that still show as dashes around a small circle."""
    return tuple(length * min(1.0, max(radius, 0.4) / 1.8) for length in dash)


def _draw_circles(canvas: Canvas, plan: Plan) -> None:
    """Draw the clear outline, fills, as-built circles, and over them the design's, so that both show."""
    clip = plan.view.box
    surveyed = plan.surveyed
    _draw_beyond(canvas, plan)
    typical = float(np.median(plan.design_radius)) if len(plan.design_radius) else 0.0
    for ring in plan.outline:
        canvas.lines([ring], width=MEDIUM, colour=INK, dash=OUTLINE_DASH, clip=clip)
    looks = list(_by_verdict(plan.verdict))
    for look, mask in looks:
        draw_piles(canvas, look, plan.built[mask & surveyed], plan.radius[mask & surveyed], clip=clip)
    for look, mask in looks:
        if look.name == "not surveyed":
            continue
        at = mask & surveyed
        canvas.circles(
            plan.built[at],
            plan.radius[at],
            width=look.width,
            colour=look.colour,
            dash=_shortened(look.dash, typical),
            clip=clip,
        )
    unknown = (plan.verdict == NOT_SURVEYED) & plan.own
    look = LOOKS[NOT_SURVEYED]
    part = unknown & surveyed
    canvas.circles(plan.built[part], plan.radius[part], width=FINE, colour=look.colour, clip=clip)
    canvas.circles(
        plan.design[~unknown & plan.own],
        plan.design_radius[~unknown & plan.own],
        width=THIN,
        colour=INK,
        dash=_shortened(DESIGN_DASH, typical),
        clip=clip,
    )
    canvas.circles(
        plan.design[unknown],
        plan.design_radius[unknown],
        width=look.width,
        colour=look.colour,
        dash=_shortened(look.dash, typical),
        clip=clip,
    )
    omitted = ~np.asarray(plan.result.piles.expected) & plan.own
    canvas.lines(crosses(plan.design[omitted], plan.design_radius[omitted] * 0.6), width=THIN, colour=GREY, clip=clip)


def _draw_joints(canvas: Canvas, plan: Plan) -> None:
    strokes = np.stack([plan.joint_foot, plan.joint_end], axis=1)
    for look, mask in _by_verdict(plan.joint_verdict):
        canvas.lines(strokes[mask], width=look.width, colour=look.colour, dash=look.dash, clip=plan.view.box)


def _draw_beyond(canvas: Canvas, plan: Plan) -> None:
    """Draw the piles beyond the match lines that lie in the window: lightly, as built where surveyed."""
    beyond = ~plan.own
    radius = np.where(np.isfinite(plan.built[:, 0]), plan.radius, plan.design_radius)
    canvas.circles(plan.stands[beyond], radius[beyond], width=HAIR, colour=GREY, clip=plan.view.box)


def _draw_markers(canvas: Canvas, plan: Plan) -> None:
    """Draw the triangles of piles not surveyed."""
    unknown = (plan.verdict == NOT_SURVEYED) & ~plan.surveyed & plan.own
    typical = float(np.median(plan.design_radius)) if len(plan.design_radius) else 0.0
    size = min(2.4, max(0.9, typical))
    draw_markers(canvas, LOOKS[NOT_SURVEYED], plan.design[unknown], size, clip=plan.view.box)
