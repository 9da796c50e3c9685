"""What is written at the joints of a level plan: openings and overlaps with their figures, on leaders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import FINE, MEDIUM, THIN, Box
from asbuilt.output.sheets.dimension import LINE, Callout, block_size
from asbuilt.output.sheets.figures import AT_MOST, asked_level, at_most, counted, figure, level_text
from asbuilt.output.sheets.flags import Flags, joint_flags
from asbuilt.output.sheets.nearness import crosses_circles
from asbuilt.output.sheets.placing import Boxes, join, overlapping
from asbuilt.output.sheets.symbols import LOOKS, draw_markers
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.level_plan import LevelPlan
    from asbuilt.output.sheets.placing import Room
    from asbuilt.output.sheets.plan_layout import Plan

__all__ = [
    "CONCRETE",
    "LOST",
    "NOT_SURE",
    "NOT_SURVEYED",
    "OPEN",
    "OUT_OF_RANGE",
    "SURE",
    "VERDICT_OF",
    "Marks",
    "OpenList",
    "figures",
    "joint_marks",
    "list_open",
    "worst_first",
]

OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(len(JOINT_STATES))
OUT_OF_RANGE = -1
#: The verdict whose look a joint's state has, by its code; the last one is for a level out of the joint's range.
VERDICT_OF = np.array(
    [VERDICTS.index(name) for name in ("outside", "outside", "unresolved", "within", "not surveyed")] + [-1]
)
#: So many callouts are tried for on one sheet, the worst first; the others keep marker and letter.
MOST_CALLOUTS = 120
#: After so many that found no place none is tried aslant any more, after twice as many none at all.
PATIENCE = 8
#: So many open joints are listed with their figures.
LISTED = 8
#: Distances of a callout from its joint, in heights of text, and how far it is moved along the wall, in half widths.
STEPS = (1.2, 2.6, 4.2, 6.2, 8.6, 11.5, 15.0, 19.0, 24.0, 30.0)
ASIDE = (0.0, 0.5, -0.5, 1.0, -1.0, 1.6, -1.6, 2.4, -2.4, 3.4, -3.4, 4.5, -4.5)
#: By how much they stand aslant where there is no place straight off the wall [deg].
ASLANT = (0.0, -40.0, 40.0, -60.0, 60.0, -75.0, 75.0)
#: Half of the room that a leader takes across [mm].
HALF_LEADER = 0.15
#: Fill of a pile where it is measured.
CONCRETE = "#E4E4E4"


def figures(level: LevelPlan, row: int) -> tuple[str, ...]:
    """Return what is known of a joint at the level: what it is, then what it may be."""
    cut, state = level.cut, int(level.cut.state[row])
    overlap, widest = float(cut.overlap[row]), float(cut.widest[row])
    required = float(level.required[row])
    sure = f"{level.confidence * 100.0:.4g} %"
    if overlap < 0:
        beyond = ("out of its range",) if state == OUT_OF_RANGE else ()
        gap = f"open {figure(-overlap * 1000.0, 0.0, digits=0)} mm"
        return (gap, f"{AT_MOST} {at_most(widest * 1000.0)} mm at {sure}", *beyond)
    if state == OPEN:
        toe = float(level.toe[row])
        return ("open", f"below toe {level_text(toe)}") if np.isfinite(toe) else ("open",)
    if not np.isfinite(overlap):
        return (JOINT_STATES[state], "as at its top") if state == LOST else (JOINT_STATES[state],)
    said = f"o {figure(overlap * 1000.0, required * 1000.0, digits=0)} of {required * 1000.0:.4g} mm"
    return (said, f"may be open up to {at_most(widest * 1000.0)} mm") if widest > 0 else (said,)


def _with_figures(level: LevelPlan) -> Booleans:
    """Return which joints are written with figures (m,): open, lost, or open for all one can tell."""
    cut, state = level.cut, level.cut.state
    maybe = (state == NOT_SURE) & (cut.widest > 0)
    beyond = (state == OUT_OF_RANGE) & np.array([ring is not None for ring in cut.openings], dtype=bool)
    return np.asarray((state == OPEN) | (state == LOST) | maybe | beyond)


def worst_first(level: LevelPlan, rows: Integers) -> Integers:
    """Return joints by how bad they are: open, widest first, then lost, the least overlap first, then the others."""
    overlap = np.nan_to_num(level.cut.overlap[rows], nan=-np.inf)
    state = level.cut.state[rows]
    order: Integers = rows[np.lexsort((overlap, np.where(state == OUT_OF_RANGE, NOT_SURVEYED, state)))]
    return order


@dataclass(frozen=True, kw_only=True)
class OpenList:
    """The open joints with their figures, the worst first, in a free place of the drawing; ``box`` None: no room."""

    lines: tuple[str, ...]
    text: float
    box: Box | None

    @property
    def boxes(self) -> Boxes:
        """What it covers of the drawing."""
        return Boxes.of([] if self.box is None else [self.box])

    def draw(self, canvas: Canvas) -> None:
        """Draw it, where it has a place."""
        if self.box is None:
            return
        box, t = self.box, self.text
        canvas.rectangle(box, width=THIN)
        for number, line in enumerate(self.lines):
            canvas.text(box.left + t, box.top - (1.9 + number * LINE) * t, line, height=t)


def list_open(level: LevelPlan, room: Room) -> OpenList:
    """Put the list of the open joints of a page where there is room for it, the corners first.

    Parameters
    ----------
    level : LevelPlan
    room : Room
        What is free; the list is taken from it.
    """
    t, view = level.plan.text, level.plan.view.box
    rows = worst_first(level, np.flatnonzero((level.state == OPEN) & level.here))
    unknown = int(((level.state == NOT_SURVEYED) & level.here).sum())
    if not len(rows) and not unknown:
        return OpenList(lines=(), text=t, box=None)
    number = counted(len(rows), "joint") if len(rows) else "none known"
    lines = [f"Open at {asked_level(level.cut.level or 0.0)}: {number}"]
    if unknown:
        lines.append(f"Not surveyed, so not known: {counted(unknown, 'joint')}")
    for row in rows[:LISTED].tolist():
        predicted = ", predicted" if level.cut.joint_predicted[row] else ""
        lines.append(f"{level.names[row]} {', '.join(figures(level, row))}{predicted}")
    if len(rows) > LISTED:
        lines.append(f"and {len(rows) - LISTED} more: see the schedule")
    wide, high = (size + 1.3 * t for size in block_size(lines, t))
    across = np.linspace(view.left + 2.0, view.right - wide - 2.0, 9)
    up = np.linspace(view.top - high - 2.0, view.bottom + 2.0, 9)
    order = (0, 8, 4, 2, 6, 1, 3, 5, 7)
    places = [Box(left=x, bottom=y, width=wide, height=high) for y in up[[*order]] for x in across[[*order]]]
    free = np.flatnonzero(~room.meets(Boxes.of(places)))
    box = places[free[0]] if len(free) else None
    listed = OpenList(lines=tuple(lines), text=t, box=box)
    room.cover(listed.boxes)
    return listed


@dataclass(frozen=True, kw_only=True)
class Marks:
    """Placed: callouts with their joints (k,), and flags, marker and letter, of all other joints that are not sure.

    ``start`` (k, 2): where the strokes of the joints with callouts start [mm]; ``codes`` (k,): what their looks are.
    """

    callouts: tuple[Callout, ...]
    rows: Integers
    codes: Integers
    start: Floats
    flags: tuple[Flags, ...]
    size: float

    @property
    def left_out(self) -> int:
        """Joints that are not sure and found room for neither figures nor letter."""
        return sum(flags.left_out for flags in self.flags)

    @property
    def boxes(self) -> Boxes:
        """What the lettering covers."""
        return join([_grounds(self.callouts), *(flags.boxes for flags in self.flags)])

    def draw(self, canvas: Canvas, clip: Box) -> None:
        """Draw leaders, markers, lettering."""
        at = np.array([callout.foot for callout in self.callouts]).reshape(-1, 2)
        bare = self.codes < 0
        canvas.lines(np.stack([self.start[bare], at[bare]], axis=1), width=FINE, clip=clip)
        for code, callout in zip(self.codes, self.callouts, strict=True):
            callout.draw(canvas, width=MEDIUM if code >= 0 else FINE, clip=clip)
        for code in np.unique(self.codes[~bare]):
            draw_markers(canvas, LOOKS[code], at[self.codes == code], self.size, clip=clip)
        for flags in self.flags:
            flags.draw(canvas, clip)


def _grounds(callouts: tuple[Callout, ...]) -> Boxes:
    middle = np.array([c.middle for c in callouts]).reshape(-1, 2)
    return Boxes.upright(middle, np.array([c.size for c in callouts]).reshape(-1, 2) / 2.0)


def _leader(callout: Callout) -> Boxes:
    return Boxes.strips(callout.foot[None, :], callout.reach[None, :], HALF_LEADER)


def joint_marks(level: LevelPlan, room: Room) -> Marks:
    """Write the figures of open and lost joints on leaders, and mark the other joints that are not sure.

    Parameters
    ----------
    level : LevelPlan
    room : Room
        What is free; what is placed is taken from it.
    """
    plan = level.plan
    size = 0.9 * plan.text
    at = plan.joint_end + plan.joint_normal * (0.6 * size * np.sign(plan.joint_stroke))[:, None]
    wanted = _with_figures(level) & level.here
    tried = worst_first(level, np.flatnonzero(wanted))[:MOST_CALLOUTS]
    room.cover(Boxes.squares(at[tried], np.full(len(tried), size / 2)))
    # Letters stay close to their joints, and figures go where they leave room.
    letters = _lettered(level, ~wanted & level.here, room)
    callouts: list[Callout] = []
    rows: list[int] = []
    written, failed = letters.boxes, 0
    for row in tried.tolist():
        callout = _placed(level, row, at[row], room, written, aslant=failed < PATIENCE)
        if callout is not None:
            leader = _leader(callout)
            written = join([written, _grounds((callout,)), leader])
            callouts.append(callout)
            rows.append(row)
        failed += callout is None
        if failed == 2 * PATIENCE:
            break
    wanted[rows] = False
    return Marks(
        callouts=tuple(callouts),
        rows=np.array(rows, dtype=np.int64),
        codes=plan.joint_verdict[rows],
        start=plan.joint_foot[rows],
        flags=(letters, _lettered(level, wanted, room)),
        size=size,
    )


def _lettered(level: LevelPlan, which: Booleans, room: Room) -> Flags:
    """Put marker and letter at some joints, as far as they are not within."""
    plan = level.plan
    if not (plan.joint_verdict[which] > VERDICTS.index("within")).any():
        return Flags(labels=(), boxes=Boxes.none(), leaders=np.empty((0, 2, 2)))
    flags = joint_flags(replace(plan, joint_verdict=np.where(which, plan.joint_verdict, -1)), room)
    room.cover(Boxes.strips(flags.leaders[:, 0], flags.leaders[:, 1], HALF_LEADER))
    return flags


def _placed(level: LevelPlan, row: int, foot: Floats, room: Room, written: Boxes, *, aslant: bool) -> Callout | None:
    """Place the callout of a joint; None where there is no room.

    Its leader crosses neither pile nor lettering nor leader, and nothing else where that leaves a place.
    """
    plan = level.plan
    said = figures(level, row)
    full = (f"{level.names[row]}: {said[0]}", *said[1:])
    normal = plan.joint_normal[row]
    sides = [(foot, normal * np.sign(plan.joint_stroke[row]))]
    if plan.joint_stroke[row] < 0:
        sides.append((plan.joint_foot[row] + normal, normal))
    tries = [(full, way, True) for way in sides] + [(said, way, True) for way in sides]
    if aslant:
        # Beside a corner of the wall there may be room aslant.
        tries += [(full, (base, _turned(way, angle)), False) for base, way in sides for angle in ASLANT]
    for lines, (base, direction), strict in tries:
        callout = Callout(foot=base, middle=base, lines=lines, height=plan.text)
        half = np.array(callout.size) / 2.0
        middle = _clear(_choices(base, direction, half, plan.text), half, base, plan, room, written, strict=strict)
        if len(middle):
            callout = replace(callout, middle=middle[0])
            room.keep(_grounds((callout,)))
            room.cover(_leader(callout))
            return callout
    return None


def _clear(
    middle: Floats, half: Floats, foot: Floats, plan: Plan, room: Room, written: Boxes, *, strict: bool
) -> Floats:
    """Return the places (k, 2) of a callout that are free, and whose leader is; what costs little is asked first."""

    def leader() -> tuple[Floats, Floats]:
        reach = np.clip(foot, middle - half, middle + half)
        run = reach - foot
        length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-9)
        return foot + run * np.minimum(1.0, 0.8 * plan.text / length)[:, None], reach

    blocked = np.zeros(len(middle), dtype=bool)
    blocked[overlapping(Boxes.upright(middle, half), written)[0]] = True
    blocked[overlapping(Boxes.strips(*leader(), HALF_LEADER), written)[0]] = True
    middle = middle[~blocked]
    middle = middle[~crosses_circles(*leader(), plan.stands, plan.radius)]
    if strict:
        middle = middle[~room.meets(Boxes.strips(*leader(), HALF_LEADER))]
    return middle[~room.meets(Boxes.upright(middle, half))]


def _turned(vector: Floats, angle: float) -> Floats:
    """Return a vector turned anticlockwise by an angle [deg]."""
    cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.array([vector[0] * cos - vector[1] * sin, vector[0] * sin + vector[1] * cos])


def _choices(foot: Floats, normal: Floats, half: Floats, text: float) -> Floats:
    """Return where the middle of a callout may stand (k, 2) [mm]: near and straight off the wall first."""
    along = np.array([-normal[1], normal[0]])
    step, aside = (part.ravel() for part in np.meshgrid(STEPS, ASIDE, indexing="ij"))
    order = np.argsort(step + 5.0 * np.abs(aside), kind="stable")
    away = float(np.abs(normal) @ half) + step[order] * text
    sideways = float(np.abs(along) @ half) * aside[order]
    return np.asarray(foot + normal * away[:, None] + along * sideways[:, None])
