"""The legend of the deviation plan: what is on that sheet and nothing else, with counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import GREY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.flags import EVERY, every_id
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.scaling import LONGEST_VECTOR
from asbuilt.output.sheets.symbols import (
    DESIGN_DASH,
    LOOKS,
    NO_VERDICT,
    OUTLINE_DASH,
    Look,
    arrows,
    draw_markers,
    draw_piles,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.flags import Flags
    from asbuilt.output.sheets.plan import Plan

__all__ = ["plan_legend"]

ROW = 2.3
"""Height of a sample in heights of text."""


def plan_legend(plan: Plan, piles: Flags, joints: Flags, names: Flags) -> tuple[Entry, ...]:
    """Return the legend of a plan whose flags are placed."""
    return (*_verdicts(plan), *_signs(plan), *_remarks(plan, piles, joints, names))


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _verdicts(plan: Plan) -> Iterator[Entry]:
    expected = np.asarray(plan.result.piles.expected)
    for code, look in enumerate((*LOOKS, NO_VERDICT)):
        code = code if code < len(VERDICTS) else -1  # noqa: PLW2901  # the last look is that of no verdict
        in_piles = (plan.verdict == code) & expected
        number, ties = int(in_piles.sum()), int((plan.joint_verdict == code).sum())
        if not number and not ties:
            continue
        letter = f" ({look.letter})" if look.letter else ""
        yield Entry(
            text=f"{look.name}{letter}: {_counted(number, 'pile')}, {_counted(ties, 'joint')}",
            sample=_verdict_sample(look, piles=bool(number), joints=bool(ties)),
            height=ROW,
        )


def _verdict_sample(look: Look, *, piles: bool, joints: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        radius = min(0.46 * box.height, 0.13 * box.width)
        marker = 0.75 * radius * 1.2
        at = np.array([[box.left + radius + 0.5, y]])
        if piles:
            draw_piles(canvas, look, at, np.array([radius]))
            canvas.circles(at, radius, width=look.width, colour=look.colour, dash=look.dash)
            if look.marker == "open triangle":
                draw_markers(canvas, look, at, 0.9 * radius)
            elif look.letter != "W" and look.letter:
                draw_markers(canvas, look, at + np.array([radius + marker, 0.0]), marker)
        if joints:
            x = box.left + 0.52 * box.width
            canvas.lines([[(x, y), (x + 4.5, y)]], width=look.width, colour=look.colour, dash=look.dash)
            if look.letter != "W" and look.letter:
                draw_markers(canvas, look, np.array([[x + 5.2 + marker / 2, y]]), marker)

    return sample


def _signs(plan: Plan) -> Iterator[Entry]:
    unknown = plan.verdict == VERDICTS.index("not surveyed")
    if (~unknown).any():
        yield Entry(text="design circle, true to scale like the others", sample=_design, height=ROW)
    if plan.joint_verdict.size:
        across = ", else across" if (plan.joint_stroke < 0).any() else ""
        yield Entry(text=f"joint: where two circles meet, pit side{across}", sample=_joint, height=ROW)
    known = plan.surveyed
    if (known & ~plan.hollow).any():
        yield Entry(text=f"offset × {plan.factor}, from design centre, not a gap", sample=_arrow(False), height=1.6)
    if (known & plan.hollow).any():
        yield Entry(
            text="hollow: under 2.45 standard uncertainties",
            sample=_arrow(True),
            height=1.6,
        )
    if plan.outline:
        yield Entry(text="clear outline of the permanent works", sample=_outline, height=1.4)
    if not np.asarray(plan.result.piles.expected).all():
        yield Entry(text="omitted pile, not built", sample=_omitted, height=ROW)


def _remarks(plan: Plan, piles: Flags, joints: Flags, names: Flags) -> Iterator[Entry]:
    cut = int((plan.cut & plan.surveyed).sum())
    if cut:
        yield Entry(
            text=f"Vectors are cut at {LONGEST_VECTOR:.0f} mm of paper ({cut} here), the offset beside the head."
        )
    off = np.flatnonzero(plan.off_sheet)
    if len(off):
        beyond = [str(plan.result.piles["pile_id"][row]) for row in off[:5]]
        more = f" and {len(off) - 5} more" if len(off) > 5 else ""
        yield Entry(text=f"As-built circles beyond this drawing: {', '.join(beyond)}{more}.")
    lost = [_counted(piles.left_out, "id")] if piles.left_out else []
    lost += [_counted(joints.left_out, "joint letter")] if joints.left_out else []
    lost += [_counted(names.left_out, "wall name")] if names.left_out else []
    few = "" if every_id(plan.scale) else f"Ids: every {EVERY}th pile, and what is not within. "
    room = f"Left out for lack of room: {', '.join(lost)}." if lost else ""
    if few or room:
        yield Entry(text=few + room)


def _circle_box(box: Box) -> tuple[float, float, float]:
    return box.left + 0.3 * box.width, box.middle[1], min(0.46 * box.height, 0.13 * box.width)


def _design(canvas: Canvas, box: Box) -> None:
    x, y, radius = _circle_box(box)
    canvas.circles([[x, y]], radius, width=THIN, colour=INK, dash=DESIGN_DASH)


def _joint(canvas: Canvas, box: Box) -> None:
    x, y, radius = _circle_box(box)
    y -= 0.3 * radius
    apart, radius = 0.62 * radius, 0.75 * radius
    canvas.circles([[x - apart, y], [x + apart, y]], radius, width=THIN, colour=GREY)
    foot = y + float(np.sqrt(max(radius**2 - apart**2, 0.0)))
    canvas.lines([[(x, foot + 0.3), (x, foot + 1.9)]], width=MEDIUM)


def _arrow(hollow: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        start, end = box.left + 0.08 * box.width, box.left + 0.6 * box.width
        arrows(canvas, np.array([[start, y]]), np.array([[end, y]]), hollow=np.array([hollow]), halo=False)

    return sample


def _outline(canvas: Canvas, box: Box) -> None:
    y = box.middle[1]
    canvas.lines([[(box.left, y), (box.left + 0.8 * box.width, y)]], width=MEDIUM, dash=OUTLINE_DASH)


def _omitted(canvas: Canvas, box: Box) -> None:
    x, y, radius = _circle_box(box)
    _design(canvas, box)
    reach = 0.6 * radius
    arms = [[(x - reach, y - reach), (x + reach, y + reach)], [(x - reach, y + reach), (x + reach, y - reach)]]
    canvas.lines(arms, width=THIN, colour=GREY)
