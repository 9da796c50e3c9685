"""The legend of the deviation plan: what is on that sheet and nothing else, with counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import GREY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.figures import counted
from asbuilt.output.sheets.flags import EVERY, every_id
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.notes import few
from asbuilt.output.sheets.plan_layout import CHECKS, NOT_SURVEYED, TOLD_FROM_NONE, WITHIN
from asbuilt.output.sheets.samples import circle_place, design_sample, draw_joint, omitted_sample, outline_sample
from asbuilt.output.sheets.scaling import LONGEST_VECTOR
from asbuilt.output.sheets.symbols import LOOKS, NO_VERDICT, Look, arrows, draw_markers, draw_piles
from asbuilt.output.sheets.vectors import bold_arrow, toe_arrows

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.flags import Flags
    from asbuilt.output.sheets.key_plan import KeyPlan
    from asbuilt.output.sheets.plan_layout import Plan
    from asbuilt.output.sheets.vectors import Means

__all__ = ["Placed", "plan_legend"]

ROW = 1.85
"""Height of a sample in heights of text."""
MOST_NAMED = 8
"""So many of those left out are named."""


@dataclass(frozen=True, kw_only=True)
class Placed:
    """What is written on a page, and how much of it found no room."""

    cut: Flags
    piles: Flags
    joints: Flags
    names: Flags
    match: Flags
    means: Means
    key: KeyPlan


def plan_legend(plan: Plan, placed: Placed) -> tuple[Entry, ...]:
    """Return the legend of a page whose flags are placed."""
    return (
        *_verdicts(plan),
        *_figures(plan),
        *_signs(plan),
        *_vectors(plan, placed.means),
        *_remarks(plan, placed),
        *placed.key.entries(),
    )


def _verdicts(plan: Plan) -> Iterator[Entry]:
    expected = np.asarray(plan.result.piles.expected) & plan.own
    for code, look in enumerate((*LOOKS, NO_VERDICT)):
        code = code if code < len(VERDICTS) else -1  # noqa: PLW2901  # the last look is that of no verdict
        in_piles = (plan.verdict == code) & expected
        number, ties = int(in_piles.sum()), int((plan.joint_verdict == code).sum())
        if not number and not ties:
            continue
        letter = f" ({look.letter})" if look.letter else ""
        yield Entry(
            text=f"{look.name}{letter}: {counted(number, 'pile')}, {counted(ties, 'joint')}",
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
            draw_joint(canvas, look, box.left + 0.52 * box.width, y, marker)

    return sample


def _figures(plan: Plan) -> Iterator[Entry]:
    """Yield what the letters and figures beside the marks mean."""
    letters = set("".join(letters for letters, own in zip(plan.checks(), plan.own.tolist(), strict=True) if own))
    said = ""
    if letters:
        said = (
            f"Checks not within: {', '.join(f'{letter} {name}' for letter, _, name in CHECKS if letter in letters)}. "
        )
        outward = _only_outward(plan)
        said += f"{counted(outward, 'pile')} in plan alone, away from the pit. " if outward else ""
    sure = np.asarray(plan.result.joints["sure_level"], dtype=np.float64)
    if (np.isfinite(sure) & (plan.joint_verdict > WITHIN)).any():
        said += "By a joint's letter: level down to which it is sure."
    if said:
        yield Entry(text=said)


def _only_outward(plan: Plan) -> int:
    """Return how many piles miss in plan alone, and away from the pit."""
    towards = np.asarray(plan.result.piles["towards_pit_mm"], dtype=np.float64)
    only = np.array([letters == "p" for letters in plan.checks()], dtype=bool)
    return int((only & plan.own & (towards < 0)).sum())


def _signs(plan: Plan) -> Iterator[Entry]:
    designs = bool(((plan.verdict != NOT_SURVEYED) & plan.own).any())
    joints = bool(plan.joint_verdict.size)
    across = ", else across" if (plan.joint_stroke < 0).any() else ""
    if designs and joints:
        yield Entry(
            text=f"design circle; joint, on its pit side{across}",
            sample=_design_and_joint,
            height=ROW,
        )
    elif designs:
        yield Entry(text="design circle, true to scale like the others", sample=design_sample(INK), height=ROW)
    elif joints:
        yield Entry(text=f"joint: where two circles meet, pit side{across}", sample=_joint, height=ROW)
    if plan.outline:
        yield Entry(text="clear outline of the permanent works", sample=outline_sample, height=1.4)
    omitted = ~np.asarray(plan.result.piles.expected) & plan.own
    built = omitted & plan.result.omitted_but_built
    if (omitted & ~built).any():
        yield Entry(text="omitted pile, not built", sample=omitted_sample(INK), height=ROW)
    if built.any():
        names = few(plan.result.piles["pile_id"][built].tolist())
        yield Entry(text=f"omitted, but shot, read or recorded: {names}", sample=omitted_sample(INK), height=ROW)


def _vectors(plan: Plan, means: Means) -> Iterator[Entry]:
    known, toes = plan.surveyed, plan.toe_shown
    if (known & ~plan.hollow).any():
        yield Entry(text=f"offset × {plan.factor}, from design centre, not a gap", sample=_arrow(False), height=1.4)
    if toes.any():
        which = "" if plan.every_toe else ", of piles not within"
        dashed = ", predicted" if plan.toe_predicted[toes].all() else "; dashed: predicted"
        dashed = dashed if plan.toe_predicted[toes].any() else ""
        cut = int((plan.toe_cut & toes).sum())
        barbs = f"; double barbs: cut ({cut})" if cut else ""
        yield Entry(
            text=f"toe × {plan.factor}{dashed}{which}{barbs}",
            sample=_toe(hollow=False, predicted=bool(plan.toe_predicted[toes].any())),
            height=1.4,
        )
    heads, tails = bool((known & plan.hollow).any()), bool((toes & plan.toe_hollow).any())
    if heads or tails:
        predicted = bool(plan.toe_predicted[toes & plan.toe_hollow].any())
        yield Entry(
            text=f"hollow: under {TOLD_FROM_NONE:g} standard uncertainties",
            sample=_hollow(heads=heads, toes=tails, predicted=predicted),
            height=2.2 if heads and tails else 1.4,
        )
    if len(means.start):
        hollow = "; hollow: may be 0" if means.hollow.any() else ""
        yield Entry(
            text=f"mean of a side × {plan.factor}, ± 95 %{hollow}",
            sample=_mean(bool(means.hollow.all())),
            height=1.5,
        )


def _remarks(plan: Plan, placed: Placed) -> Iterator[Entry]:
    said = []
    cut = int((plan.cut & plan.surveyed).sum())
    if cut:
        said.append(f"Vectors are cut at {LONGEST_VECTOR:.0f} mm of paper ({cut} here), the offset beside the head.")
    off = np.flatnonzero(plan.off_sheet)
    if len(off):
        beyond = [str(plan.result.piles["pile_id"][row]) for row in off[:5]]
        more = f" and {len(off) - 5} more" if len(off) > 5 else ""
        said.append(f"As-built circles beyond this drawing: {', '.join(beyond)}{more}.")
    if not every_id(plan.scale):
        said.append(f"Ids: every {EVERY}th pile, and what is not within.")
    lost = [
        counted(flags.left_out, noun) + _of_these(flags.missed)
        for flags, noun in (
            (placed.piles, "id"),
            (placed.joints, "joint letter"),
            (placed.cut, "vector's offset"),
            (placed.names, "wall name"),
            (placed.means.flags, "side mean"),
            (placed.match, "match-line label"),
        )
        if flags.left_out
    ]
    if lost:
        said.append(f"Left out for lack of room: {', '.join(lost)}.")
    if said:
        yield Entry(text=" ".join(said))


def _of_these(missed: Sequence[str]) -> str:
    """Name those left out that are not within."""
    if not missed:
        return ""
    more = f" and {len(missed) - MOST_NAMED} more" if len(missed) > MOST_NAMED else ""
    return f" (not within: {', '.join(missed[:MOST_NAMED])}{more})"


def _joint(canvas: Canvas, box: Box) -> None:
    x, y, radius = circle_place(box)
    y -= 0.3 * radius
    apart, radius = 0.62 * radius, 0.75 * radius
    canvas.circles([[x - apart, y], [x + apart, y]], radius, width=THIN, colour=GREY)
    foot = y + float(np.sqrt(max(radius**2 - apart**2, 0.0)))
    canvas.lines([[(x, foot + 0.3), (x, foot + 1.9)]], width=MEDIUM)


def _design_and_joint(canvas: Canvas, box: Box) -> None:
    design_sample(INK)(canvas, replace(box, left=box.left - 0.17 * box.width))
    _joint(canvas, replace(box, left=box.left + 0.38 * box.width))


def _arrow(hollow: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        start, end = box.left + 0.08 * box.width, box.left + 0.6 * box.width
        arrows(canvas, np.array([[start, y]]), np.array([[end, y]]), hollow=np.array([hollow]), halo=False)

    return sample


def _toe(*, hollow: bool, predicted: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        start, end = box.left + 0.08 * box.width, box.left + 0.6 * box.width
        toe_arrows(
            canvas,
            np.array([[start, y]]),
            np.array([[end, y]]),
            hollow=np.array([hollow]),
            predicted=np.array([predicted]),
            cut=np.array([False]),
            halo=False,
        )

    return sample


def _hollow(*, heads: bool, toes: bool, predicted: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        apart = 0.25 * box.height if heads and toes else 0.0
        if heads:
            _arrow(True)(canvas, replace(box, bottom=box.bottom + apart))
        if toes:
            _toe(hollow=True, predicted=predicted)(canvas, replace(box, bottom=box.bottom - apart))

    return sample


def _mean(hollow: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        y = box.middle[1]
        start, end = box.left + 2.4, box.left + 0.6 * box.width
        bold_arrow(canvas, np.array([start, y]), np.array([end, y]), hollow=hollow)

    return sample
