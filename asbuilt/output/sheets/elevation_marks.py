"""What stands around an elevation: level lines with their names, scales, positions, ids of joints, marks of holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE
from asbuilt.output.sheets.chart import GRID, round_step
from asbuilt.output.sheets.elevation_panel import LINE_LOOKS, TAB, Panel
from asbuilt.output.sheets.elevation_walls import level_lines
from asbuilt.output.sheets.figures import MINUS, level_figure
from asbuilt.output.sheets.lettering import clean, fit, text_width
from asbuilt.output.sheets.stacking import spread
from asbuilt.output.sheets.symbols import MATCH_DASH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans, Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas

__all__ = [
    "LEADER",
    "LONGEST",
    "ROW",
    "axis_width",
    "cut_off_label",
    "draw_foot",
    "draw_holds",
    "draw_ids",
    "draw_level_axis",
    "draw_levels",
    "draw_unknown",
    "joint_marks",
    "level_label",
    "named_joints",
    "pile_marks",
    "stage_holds",
    "unknown_runs",
    "water_sign",
]

#: Height of a row of marks, distance of names, what a leader takes, in heights of text.
ROW, PITCH, LEADER = 1.9, 1.45, 1.4
#: Where the scale of levels stands, right of the strips [mm].
AXIS = 2.5
#: Longest id that is written out, in heights of text.
LONGEST = 18.0
#: A name stands at most so far from what it names, in heights of text.
FARTHEST = 9.0
#: Gravity of a verdict, by its code: who keeps a name where there is no room for all.
_RANK = {VERDICTS.index("outside"): 0, VERDICTS.index("unresolved"): 1, VERDICTS.index("not surveyed"): 2}
WITHIN = VERDICTS.index("within")


def level_label(name: str, level: float) -> str:
    """Return a level line's name as printed."""
    return f"{clean(name)} {level_figure(level)}"


def _label(name: str, room: float, text: float) -> str:
    """Return a level line's name, cut so that its level always stands in full."""
    words, _, level = name.rpartition(" ")
    return f"{fit(words, room - text_width(f' {level}', text), text, least=text)[0]} {level}"


def cut_off_label(levels: Floats) -> str:
    """Return the name of the cut-off line of several piles; none without piles."""
    if not len(levels):
        return ""
    low, high = float(np.min(levels)), float(np.max(levels))
    said = level_label("cut-off", high)
    return said if low == high else f"{said} to {level_figure(low)}"


def draw_levels(canvas: Canvas, panel: Panel, room: float) -> None:
    """Draw cut-off and the level lines over the strips, and their names at the left, ``room`` mm wide."""
    text, box = panel.text, panel.box
    lines = [
        line
        for line in level_lines(panel.result, panel.stretch.wall.name)
        if box.bottom <= panel.height(line.level) <= box.top
    ]
    left = box.left - TAB
    # all white edges before all lines, so that none hides a line close by
    for line in lines:
        y = panel.height(line.level)
        canvas.lines([[(box.left, y), (box.right, y)]], width=LINE_LOOKS[line.kind][0] + 0.3, colour=WHITE)
    for line in lines:
        y = panel.height(line.level)
        width, dash = LINE_LOOKS[line.kind]
        canvas.lines([[(left, y), (box.right, y)]], width=width, dash=dash)
        if line.kind == "water":
            water_sign(canvas, box.left - 0.45 * TAB, y)
    cut_off = _draw_cut_off(canvas, panel)
    names = [(panel.height(line.level), level_label(line.name, line.level)) for line in lines]
    if len(cut_off):
        names.append((panel.height(float(cut_off[0])), cut_off_label(cut_off)))
    names.sort()
    wanted = np.array([y for y, _ in names])
    placed = spread(wanted, PITCH * text, box.bottom + text / 2, box.top - text / 2)
    end = left - LEADER * text
    leaders = [[(left, y), (end + 0.3, to)] for y, to in zip(wanted, placed, strict=True)]
    canvas.lines(np.array(leaders).reshape(-1, 2, 2), width=HAIR, colour=INK)
    for (_, name), y in zip(names, placed, strict=True):
        canvas.text(end, y - text / 2, _label(name, room, text), height=text, anchor="right")


def _draw_cut_off(canvas: Canvas, panel: Panel) -> Floats:
    """Draw the cut-off, stepped where it changes from pile to pile; return its levels from left to right [m]."""
    wall = panel.stretch.wall
    built = panel.piles[np.asarray(panel.result.piles.expected)[wall.pile[panel.piles]]]
    if not len(built):
        return np.empty(0)
    level = np.asarray(panel.result.piles["cut_off_level"], dtype=np.float64)[wall.pile[built]]
    x = panel.x(wall.chainage[built])
    between = (x[1:] + x[:-1]) / 2
    start = np.concatenate([[panel.box.left - TAB], between])
    end = np.concatenate([between, [panel.wall_right]])
    points = np.stack([np.stack([start, end], axis=1).ravel(), np.repeat(panel.y(level), 2)], axis=1)
    width, dash = LINE_LOOKS["cut-off"]
    canvas.lines([points], width=width, dash=dash)
    return level


def water_sign(canvas: Canvas, x: float, y: float) -> None:
    """Draw the triangle that stands on a water level [mm]."""
    canvas.shapes([[(x, y), (x - 1.1, y + 1.8), (x + 1.1, y + 1.8)]], fill=WHITE, colour=INK, width=FINE)
    canvas.lines([[(x - 0.9, y - 0.6), (x + 0.9, y - 0.6)], [(x - 0.45, y - 1.1), (x + 0.45, y - 1.1)]], width=THIN)


def draw_level_axis(canvas: Canvas, panel: Panel) -> None:
    """Draw the scale of levels at the right of the strips, ticks at round levels."""
    text, box = panel.text, panel.box
    high = panel.low + box.height / panel.up
    step = round_step(high - panel.low, max(2, int(box.height / (2.6 * text))))
    ticks = np.arange(np.ceil(panel.low / step - 1e-6), np.floor(high / step + 1e-6) + 1) * step
    digits = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    x = box.right + AXIS
    canvas.lines([[(x, box.bottom), (x, box.top)]], width=FINE)
    for level, y in zip(ticks, panel.y(ticks), strict=True):
        canvas.lines([[(x, y), (x + 1.2, y)]], width=FINE)
        canvas.text(x + 1.8, y - text / 2, level_figure(float(level), digits=digits), height=text)
    canvas.text(x, box.top + 0.5 * text, "level, m", height=text)


def axis_width(text: float) -> float:
    """Return what the scale of levels takes at the right of the strips [mm]."""
    return AXIS + max(text_width("level, m", text), 1.8 + text_width(f"{MINUS}00.0", text)) + 0.5 * text


def draw_foot(canvas: Canvas, panel: Panel) -> None:
    """Draw the positions along the foot, the chainage below them, and match lines where the wall goes on."""
    text, box, stretch = panel.text, panel.box, panel.stretch
    wall = stretch.wall
    x = panel.x(wall.chainage[panel.piles])
    position = wall.position[panel.piles]
    canvas.lines([[(box.left, box.bottom), (panel.wall_right, box.bottom)]], width=FINE)
    shown = _numbered(position, x, text)
    for mask, length in ((shown, 1.3), (~shown, 0.7)):
        canvas.lines([[(a, box.bottom), (a, box.bottom - length)] for a in x[mask]], width=THIN)
    row = box.bottom - 1.6 - text
    for number, a in zip(position[shown], x[shown], strict=True):
        canvas.text(a, row, str(number), height=text, anchor="centre")
    canvas.text(box.left - TAB - 0.5 * text, row, "position", height=text, anchor="right")
    if stretch.has_extra:
        canvas.text(panel.extra_left, row, "extra joints", height=text)
    axis = row - 0.7 * text
    canvas.lines([[(box.left, axis), (panel.wall_right, axis)]], width=FINE)
    ticks = _chainages(panel)
    at = panel.x(ticks)
    canvas.lines([[(a, axis), (a, axis - 1.2)] for a in at], width=FINE)
    for value, a in zip(ticks, at, strict=True):
        canvas.text(a, axis - 1.7 - text, f"{value:g}", height=text, anchor="centre")
    canvas.text(box.left - TAB - 0.5 * text, axis - 1.7 - text, "chainage, m", height=text, anchor="right")
    ends = [(stretch.part > 1, box.left), (stretch.part < stretch.parts, panel.wall_right)]
    match = [[(a, box.bottom - 1.0), (a, box.top + 1.0)] for goes_on, a in ends if goes_on]
    canvas.lines(match, width=MEDIUM, dash=MATCH_DASH)


def _chainages(panel: Panel) -> Floats:
    stretch = panel.stretch
    widest = text_width(f"{stretch.wall.length:.1f}", panel.text)
    length = stretch.last - stretch.first
    step = round_step(length, max(1, int(length * panel.across / (widest + 2.5 * panel.text))))
    low, high = np.ceil(stretch.first / step - 1e-6), np.floor(stretch.last / step + 1e-6)
    # adding 0 turns a negative zero into zero
    return np.round(np.arange(low, high + 1) * step, 9) + 0.0


def _numbered(position: Integers, x: Floats, text: float) -> Booleans:
    """Return which piles are numbered: every one, or every 2nd, 5th, 10th ...; and both ends where there is room."""
    shown = np.zeros(len(position), dtype=bool)
    if not len(position):
        return shown
    half = np.array([text_width(str(number), text) / 2 for number in position])
    pitch = float(np.median(np.diff(x))) if len(x) > 1 else np.inf
    need = 2.0 * float(half.max()) + 0.6 * text
    step = next((k for k in (1, 2, 5, 10, 20, 50, 100) if k * pitch >= need), 200)
    last = -np.inf
    for k in np.flatnonzero(position % step == 0).tolist():
        if x[k] - half[k] - 0.6 * text >= last:
            shown[k] = True
            last = x[k] + half[k]
    for k in (0, len(position) - 1):
        others = np.flatnonzero(shown)
        if (np.abs(x[others] - x[k]) >= half[others] + half[k] + 0.6 * text).all():
            shown[k] = True
    return shown


def unknown_runs(panel: Panel) -> list[tuple[Integers, str]]:
    """Return the runs of strips side by side that are not surveyed, with what is written over each.

    Only those wide enough for the words: they stand for the joints' ids.
    """
    verdict = np.asarray(panel.result.joints["verdict"], dtype=np.int64)[panel.joints]
    unknown = (verdict == VERDICTS.index("not surveyed")) & ~np.isin(panel.joints, panel.stretch.wall.extra)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], unknown.astype(np.int8), [0]])))
    runs = []
    for start, end in edges.reshape(-1, 2).tolist():
        run = panel.joints[start:end]
        said = f"not surveyed: {end - start} joints"
        if panel.edges[run[-1], 1] - panel.edges[run[0], 0] > text_width(said, panel.text):
            runs.append((run, said))
    return runs


def draw_unknown(canvas: Canvas, panel: Panel, foot: float) -> None:
    """Draw a bracket and words over long runs of strips that are not surveyed; ``foot`` is as for the ids [mm]."""
    text = panel.text
    for run, said in unknown_runs(panel):
        left, right = float(panel.edges[run[0], 0]) + 0.5, float(panel.edges[run[-1], 1]) - 0.5
        bar = foot + 0.8 * text
        canvas.lines([[(left, foot + 0.2), (left, bar), (right, bar), (right, foot + 0.2)]], width=MEDIUM)
        canvas.text((left + right) / 2, bar + 0.5 * text, said, height=text, anchor="centre")


def named_joints(panel: Panel) -> tuple[Integers, Floats, int]:
    """Return the joints whose ids are written, where [mm], and how many that are not sure find no room.

    Joints that are not within are named; where there is no room, the graver verdict keeps its name. Extra joints,
    which have no position, are always named.
    """
    result, pitch = panel.result, PITCH * panel.text
    low, high = panel.box.left - TAB, panel.box.right + 4.0 * panel.text
    verdict = np.asarray(result.joints["verdict"], dtype=np.int64)
    extra = np.isin(panel.joints, panel.stretch.wall.extra)
    runs = np.concatenate([np.empty(0, dtype=np.int64), *(run for run, _ in unknown_runs(panel))])
    asked = panel.joints[((verdict[panel.joints] != WITHIN) | extra) & ~np.isin(panel.joints, runs)]
    rank = np.array([_RANK.get(int(code), 3) for code in verdict[asked]], dtype=np.int64)
    rank[np.isin(asked, panel.stretch.wall.extra)] = -1
    kept = np.ones(len(asked), dtype=bool)
    while True:
        wanted = panel.middle[asked[kept]]
        placed = spread(wanted, pitch, low, high)
        over = np.abs(placed - wanted) > FARTHEST * panel.text
        crowded = (kept.sum() - 1) * pitch > high - low
        if not over.any() and not crowded:
            return asked[kept], placed, int((~kept).sum())
        rows = np.flatnonzero(kept)
        worst = int(np.argmax(np.abs(placed - wanted))) if over.any() else len(rows) // 2
        near = np.arange(len(rows))[np.abs(wanted - wanted[worst]) <= FARTHEST * panel.text]
        lowest = near[rank[rows[near]] == rank[rows[near]].max()]
        kept[rows[lowest[len(lowest) // 2]]] = False


def draw_ids(canvas: Canvas, panel: Panel, foot: float, named: tuple[Integers, Floats, int]) -> None:
    """Write the ids of joints upright above the rows of marks, whose upper edge is ``foot`` [mm]."""
    joints, at, _ = named
    text = panel.text
    middle = panel.middle[joints]
    top = panel.y(np.asarray(panel.result.joints["range_top"], dtype=np.float64)[joints])
    points = [(middle, top + 0.4), (middle, np.full(len(at), foot)), (at, np.full(len(at), foot + LEADER * text - 0.6))]
    canvas.lines(np.stack([np.stack(point, axis=1) for point in points], axis=1), width=HAIR, colour=GREY)
    for joint, x in zip(joints, at, strict=True):
        name, _ = fit(str(panel.result.joints["joint_id"][joint]), LONGEST * text, text, least=text)
        canvas.text(x + text / 2, foot + LEADER * text, name, height=text, angle=90.0)


def stage_holds(result: Reconciliation) -> list[tuple[str, Booleans, Booleans]]:
    """Return, stage by stage, its name, which joints hold it (m,) and which piles (n,)."""
    joint_at = {str(name): row for row, name in enumerate(result.joints["joint_id"])}
    pile_at = {str(name): row for row, name in enumerate(result.piles["pile_id"])}
    found = []
    for stage in result.stages:
        joints, piles = np.zeros(len(joint_at), dtype=bool), np.zeros(len(pile_at), dtype=bool)
        joints[[joint_at[hold.item] for hold in stage.held_by if hold.item in joint_at]] = True
        piles[[pile_at[hold.item] for hold in stage.held_by if hold.item in pile_at]] = True
        found.append((stage.stage, joints, piles))
    return found


def draw_holds(
    canvas: Canvas, panel: Panel, foot: float, holds: Sequence[tuple[str, Booleans, Booleans]], room: float
) -> None:
    """Draw a row of marks for each stage from ``foot`` [mm] up, the first stage uppermost; its name at the left."""
    text, box, wall = panel.text, panel.box, panel.stretch.wall
    for number, (stage, joints, piles) in enumerate(reversed(holds)):
        bottom = foot + number * ROW * text
        canvas.lines([[(box.left, bottom), (box.right, bottom)]], width=HAIR, colour=GRID)
        held = panel.joints[joints[panel.joints]]
        standing = panel.piles[piles[wall.pile[panel.piles]]]
        size = min(0.8 * text, 0.8 * wall.spacing * panel.across)
        joint_marks(canvas, panel.middle[held], bottom + 1.65 * text, size)
        pile_marks(canvas, panel.x(wall.chainage[standing]), bottom + 0.42 * text, size)
        count = len(held) + len(np.unique(wall.pile[standing]))
        said = f": {count}" if count else ": none here"
        name, _ = fit(f"holds {stage}", room - text_width(said, text), text, least=text)
        canvas.text(box.left - TAB, bottom + 0.5 * text, name + said, height=text, anchor="right")


def joint_marks(canvas: Canvas, x: Floats, top: float, size: float) -> None:
    """Draw the mark of a joint that holds a stage, its tip down, ``size`` mm wide, at each x [mm]."""
    tips = np.array([(-0.5, 0.0), (0.5, 0.0), (0.0, -1.0)]) * size
    at = np.stack([x, np.full(len(x), top)], axis=1)
    canvas.shapes(at[:, None, :] + tips[None], fill=INK)


def pile_marks(canvas: Canvas, x: Floats, y: float, size: float) -> None:
    """Draw the mark of a pile that holds a stage, a ring ``size`` mm wide, at each x [mm]."""
    canvas.circles(np.stack([x, np.full(len(x), y)], axis=1), 0.38 * size, width=FINE, colour=INK, fill=WHITE)
