"""The legend of a plan at a level: what is on that sheet and nothing else, with counts, and the worst openings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import FINE, GREY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.figures import counted
from asbuilt.output.sheets.flags import EVERY, every_id
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.level_marks import CONCRETE, LOST, OPEN, OUT_OF_RANGE, VERDICT_OF
from asbuilt.output.sheets.samples import circle_place, draw_joint, omitted_sample, outline_sample
from asbuilt.output.sheets.symbols import BOUND_DASH, DESIGN_DASH, LOOKS, PREDICTED_DASH, crosses, draw_markers
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.flags import Flags
    from asbuilt.output.sheets.level_marks import Marks, OpenList
    from asbuilt.output.sheets.level_plan import LevelPlan
    from asbuilt.output.sheets.samples import Sample
    from asbuilt.output.sheets.symbols import Look

__all__ = ["level_legend"]

#: Height of a sample in heights of text.
ROW = 1.65
#: What a joint's state means, by its code.
MEANING = (
    "open (gap)",
    "lost (overlap o too small)",
    "not sure (U)",
    "{sure} sure",
    "not surveyed (N)",
)


def level_legend(at: LevelPlan, marks: Marks, listed: OpenList, piles: Flags, walls: Flags) -> tuple[Entry, ...]:
    """Return the legend of a plan at a level whose lettering is placed."""
    return (*_joints(at), *_listed(listed), *_piles(at), *_openings(at), *_remarks(at, marks, piles, walls))


def _joints(at: LevelPlan) -> Iterator[Entry]:
    """Yield what the joints are there, state by state, and how many of them are predicted."""
    sure = f"{at.confidence * 100.0:.4g} %"
    for code in range(len(JOINT_STATES)):
        of_state = (at.state == code) & at.here
        number, predicted = int(of_state.sum()), int((of_state & at.cut.joint_predicted).sum())
        if not number:
            continue
        look = LOOKS[VERDICT_OF[code]]
        beside = f", {predicted} predicted" if predicted else ""
        yield Entry(
            text=f"{MEANING[code].format(sure=sure)}: {counted(number, 'joint')}{beside}",
            sample=_stroke(look),
            height=ROW,
        )
    beyond = int(((at.state == OUT_OF_RANGE) & at.here).sum())
    if beyond:
        yield Entry(text=f"No overlap is asked for here: {counted(beyond, 'joint')}, not marked.")


def _listed(listed: OpenList) -> Iterator[Entry]:
    """Yield the open joints with their figures, where the drawing has no room for them."""
    if listed.lines and listed.box is None:
        first, *others = listed.lines
        yield Entry(text=f"{first}: {'; '.join(others)}.")


def _piles(at: LevelPlan) -> Iterator[Entry]:
    look = LOOKS[VERDICTS.index("not surveyed")]
    built = at.omitted & at.plan.result.omitted_but_built
    rows: Sequence[tuple[str, Booleans, Sample]] = (
        ("measured (thin dashes: as designed)", at.measured, _measured),
        ("predicted, below last reading", at.predicted, _predicted),
        (f"not surveyed ({look.letter}): drawn as designed", at.unknown, _unknown),
        ("does not reach this level", at.absent, _absent),
        ("omitted, not built", at.omitted & ~built, omitted_sample(GREY)),
        ("omitted, but shot, read or recorded", built, omitted_sample(GREY)),
    )
    for said, which, sample in rows:
        number = int((which & at.plan.own).sum())
        if number:
            yield Entry(text=f"{said}: {counted(number, 'pile')}", sample=sample, height=ROW)


def _openings(at: LevelPlan) -> Iterator[Entry]:
    sure = f"{at.confidence * 100.0:.4g} %"
    opening = np.array([ring is not None for ring in at.cut.openings], dtype=bool)
    bound = np.array([ring is not None for ring in at.cut.outlines], dtype=bool)
    beyond = at.state == OUT_OF_RANGE
    colour = LOOKS[VERDICTS.index("outside")].colour
    for of_these, paint, where in ((~beyond, colour, ""), (beyond, GREY, ", no overlap asked for")):
        holes, alone = bool((opening & of_these).any()), bool((bound & ~opening & of_these).any())
        if holes:
            also = " (also alone)" if alone else ""
            yield Entry(text=f"opening; dashed{also}: at most, {sure} sure{where}", sample=_hole(paint), height=ROW)
        elif alone:
            yield Entry(text=f"may be open, at most so wide, {sure} sure{where}", sample=_bound(paint), height=ROW)
    if at.plan.outline:
        yield Entry(text="clear outline of the permanent works", sample=outline_sample, height=1.4)


def _remarks(at: LevelPlan, marks: Marks, piles: Flags, walls: Flags) -> Iterator[Entry]:
    off = np.flatnonzero(at.plan.off_sheet & at.plan.own)
    if len(off):
        beyond = [str(at.plan.result.piles["pile_id"][row]) for row in off[:5]]
        more = f" and {len(off) - 5} more" if len(off) > 5 else ""
        yield Entry(text=f"As-built circles beyond this drawing: {', '.join(beyond)}{more}.")
    bad = int((((at.state == OPEN) | (at.state == LOST)) & at.here).sum())
    letters = bad - int(np.isin(at.state[marks.rows], (OPEN, LOST)).sum())
    short = (
        f"X: {counted(letters, 'open or lost joint')} with no room for figures, see the schedule. " if letters else ""
    )
    lost = [counted(piles.left_out, "id")] if piles.left_out else []
    lost += [counted(marks.left_out, "joint letter")] if marks.left_out else []
    lost += [counted(walls.left_out, "wall name")] if walls.left_out else []
    few = "" if every_id(at.plan.scale) else f"Ids: every {EVERY}th pile, and those at joints that are not sure. "
    room = f"Left out for lack of room: {', '.join(lost)}." if lost else ""
    if short or few or room:
        yield Entry(text=(short + few + room).strip())


def _stroke(look: Look) -> Sample:
    def sample(canvas: Canvas, box: Box) -> None:
        draw_joint(canvas, look, box.left + 0.08 * box.width, box.middle[1], 0.4 * box.height)

    return sample


def _measured(canvas: Canvas, box: Box) -> None:
    x, y, radius = circle_place(box)
    canvas.circles([[x, y]], radius, fill=CONCRETE)
    canvas.circles([[x + 0.5 * radius, y]], radius, width=THIN, colour=GREY, dash=DESIGN_DASH)
    canvas.circles([[x, y]], radius, width=MEDIUM, colour=INK)


def _predicted(canvas: Canvas, box: Box) -> None:
    x, y, radius = circle_place(box)
    canvas.circles([[x, y]], radius, width=MEDIUM, colour=INK, dash=PREDICTED_DASH)


def _unknown(canvas: Canvas, box: Box) -> None:
    x, y, radius = circle_place(box)
    look = LOOKS[VERDICTS.index("not surveyed")]
    canvas.circles([[x, y]], radius, width=look.width, colour=look.colour, dash=look.dash)
    draw_markers(canvas, look, np.array([[x, y]]), 0.9 * radius)


def _absent(canvas: Canvas, box: Box) -> None:
    x, y, radius = circle_place(box)
    canvas.lines(crosses(np.array([[x, y]]), np.array([0.5 * radius])), width=THIN)


def _hole(colour: str) -> Sample:
    def sample(canvas: Canvas, box: Box) -> None:
        x, y, radius = circle_place(box)
        canvas.shapes([_bar(x, y, 0.3 * radius, 0.9 * radius)], fill=colour)
        _bound(colour)(canvas, box)

    return sample


def _bound(colour: str) -> Sample:
    def sample(canvas: Canvas, box: Box) -> None:
        x, y, radius = circle_place(box)
        ring = _bar(x, y, 0.8 * radius, 0.9 * radius)
        canvas.lines([ring], width=FINE, colour=colour, dash=BOUND_DASH, closed=True)

    return sample


def _bar(x: float, y: float, wide: float, high: float) -> list[tuple[float, float]]:
    return [(x - wide, y - high), (x + wide, y - high), (x + wide, y + high), (x - wide, y + high)]
