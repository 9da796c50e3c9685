"""The vectors of a deviation plan, all drawn longer by one factor: of heads, of toes, and the mean of each side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, HAIR, INK, THIN, WHITE
from asbuilt.output.sheets.figures import PLUS_MINUS, figure
from asbuilt.output.sheets.flags import Flags, Label
from asbuilt.output.sheets.lettering import clean, text_width
from asbuilt.output.sheets.placing import Boxes, Room, first_free, join
from asbuilt.output.sheets.scaling import LONGEST_VECTOR
from asbuilt.output.sheets.scatter_data import holds_zero
from asbuilt.output.sheets.symbols import PREDICTED_DASH, arrows, directions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Booleans, Floats, Integers, WallGroup
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.plan_layout import Plan

__all__ = ["Means", "bold_arrow", "draw_vectors", "side_means", "toe_arrows"]

#: Colour of a toe vector, and its dashes where the toe is predicted: half as long, as vectors are short [mm].
TOE, SHORT_DASH = "#4A4A4A", tuple(part / 2.0 for part in PREDICTED_DASH)
#: Length of a toe vector's barbs [mm], and the tangent of half the angle between them.
BARB, SPREAD = 1.3, 0.42
#: Least piles of a side that has a mean vector.
LEAST_PILES = 3
#: Mean length of the unit vectors to the pit from which on a side counts as straight, with one bearing for all of it.
STRAIGHT = 0.99
#: How far a mean's words may be moved along the wall, in parts of their width.
ASIDE = (0.0, -0.75, 0.75, -1.2, 1.2)


def draw_vectors(canvas: Canvas, plan: Plan) -> None:
    """Draw the vectors of the toes, and over them those of the heads."""
    clip = plan.view.box
    shown = plan.toe_shown
    toe_arrows(
        canvas,
        plan.design[shown],
        plan.toe_tip[shown],
        hollow=plan.toe_hollow[shown],
        predicted=plan.toe_predicted[shown],
        cut=plan.toe_cut[shown],
        clip=clip,
    )
    known = plan.surveyed
    arrows(canvas, plan.design[known], plan.tip[known], hollow=plan.hollow[known], clip=clip)


def toe_arrows(
    canvas: Canvas,
    start: Floats,
    end: Floats,
    *,
    hollow: Booleans,
    predicted: Booleans,
    cut: Booleans,
    clip: Box | None = None,
    halo: bool = True,
) -> None:
    """Draw vectors of toes: thin, with two open barbs, or a hollow triangle where not told from none.

    Parameters
    ----------
    start, end : arrays (n, 2)
        Paper [mm].
    hollow, predicted, cut : arrays (n,)
        Whose head is hollow, whose shaft is dashed, and which are drawn too short, with a second pair of barbs.
    """
    if not len(start):
        return
    unit, across, length = directions(start, end)
    reach = np.minimum(BARB, length)[:, None]
    shaft_end = np.where(hollow[:, None], end - unit * reach, end)
    shafts = np.stack([start, shaft_end], axis=1)
    barbs = np.stack([end - (unit + SPREAD * across) * reach, end, end - (unit - SPREAD * across) * reach], axis=1)
    if halo:
        canvas.lines(shafts, width=THIN + 0.4, colour=WHITE, clip=clip)
    for mask, dash in ((~predicted, ()), (predicted, SHORT_DASH)):
        canvas.lines(shafts[mask], width=THIN, colour=TOE, dash=dash, clip=clip)
    canvas.lines(barbs[~hollow], width=THIN, colour=TOE, clip=clip)
    canvas.shapes(barbs[hollow], fill=WHITE, colour=TOE, width=THIN, clip=clip)
    second = cut & ~hollow
    canvas.lines(barbs[second] - (unit * 0.7 * BARB)[second][:, None, :], width=THIN, colour=TOE, clip=clip)


def bold_arrow(canvas: Canvas, start: Floats, end: Floats, *, hollow: bool, clip: Box | None = None) -> None:
    """Draw a mean vector from ``start`` to ``end`` (2,) [mm]."""
    run = end - start
    length = float(np.hypot(*run))
    unit = run / max(length, 1e-12)
    across = np.array([-unit[1], unit[0]])
    head = min(2.6, length)
    base = end - unit * head
    canvas.lines([[start, base]], width=0.8, clip=clip)
    corners = [[end, base + across * head * 0.36, base - across * head * 0.36]]
    canvas.shapes(corners, fill=WHITE if hollow else INK, colour=INK, width=FINE, clip=clip)
    for axis in (np.array([2.4, 0.0]), np.array([0.0, 2.4])):
        canvas.lines([[start - axis, start + axis]], width=HAIR, clip=clip)


@dataclass(frozen=True, kw_only=True)
class Means:
    """Mean vectors of sides in their places: ends (k, 2) [mm], hollow or not, and their lettering."""

    start: Floats
    end: Floats
    hollow: Booleans
    flags: Flags

    def draw(self, canvas: Canvas, clip: Box) -> None:
        """Draw the vectors and what is written beside them."""
        for start, end, hollow in zip(self.start, self.end, self.hollow.tolist(), strict=True):
            bold_arrow(canvas, start, end, hollow=hollow, clip=clip)
        self.flags.draw(canvas, clip)


@dataclass(frozen=True, kw_only=True)
class _Mean:
    """A side's mean: where it belongs and its direction to the pit, vector as drawn (2,) [mm], words."""

    at: Floats
    pit: Floats
    run: Floats
    hollow: bool
    lines: tuple[str, str, str]


def _figure(value: float) -> str:
    """Return a length [mm]: with a decimal where it is small."""
    return figure(value, digits=1 if abs(value) < 9.95 else 0)


def _wanted(plan: Plan) -> Iterator[_Mean]:
    """Yield the means of the sides whose middle pile belongs to the page."""
    whole = plan.whole
    piles = whole.piles
    walls = np.asarray(piles["wall"], dtype=object)
    groups = {group.name: group for group in whole.statistics.groups if group.by == "side"}
    place = np.full(len(piles), -1)
    place[plan.rows[plan.own]] = np.flatnonzero(plan.own)
    for wall in whole.survey.settings.walls:
        sides = np.unique(piles.side[(walls == wall) & (piles.side >= 0)])
        for number, side in enumerate(sides.tolist(), start=1):
            group = groups.get(f"{wall} side {number}")
            rows = np.flatnonzero(piles.side == side)
            if group is None or group.count < LEAST_PILES or group.ellipse is None:
                continue
            pit = np.stack([piles.pit_e, piles.pit_n], axis=1)[rows]
            straight = float(np.hypot(*np.nanmean(pit, axis=0))) >= STRAIGHT
            row = _middle(plan, rows) if straight else int(rows[len(rows) // 2])
            if place[row] >= 0:
                yield _mean(plan, group, row, int(place[row]), straight=straight)


def _middle(plan: Plan, rows: Integers) -> int:
    """Return the pile nearest to the middle of a straight side."""
    piles = plan.whole.piles
    e, n = piles.design_e[rows], piles.design_n[rows]
    return int(rows[np.argmin(np.hypot(e - e.mean(), n - n.mean()))])


def _mean(plan: Plan, group: WallGroup, row: int, local: int, *, straight: bool) -> _Mean:
    piles = plan.whole.piles
    pit = np.array([piles.pit_e[row], piles.pit_n[row]])
    along = np.array([piles.along_e[row], piles.along_n[row]])
    inwards, onwards = group.mean_mm
    east, north = inwards * pit + onwards * along
    length = float(np.hypot(east, north))
    run = np.array([east, north]) * plan.factor / plan.scale
    run *= min(1.0, LONGEST_VECTOR / max(float(np.hypot(*run)), 1e-9))
    bearing = round(float(np.degrees(np.arctan2(east, north)))) % 360
    turned = f"{figure(inwards, plus=True)} to the pit, {figure(onwards, plus=True)} along"
    said = f"{_figure(length)} mm, {bearing}\u00b0" if straight else turned
    axes = f"{PLUS_MINUS} {_figure(group.ellipse[0])} and {_figure(group.ellipse[1])} mm" if group.ellipse else ""
    return _Mean(
        at=plan.design[local],
        pit=pit,
        run=run,
        hollow=holds_zero(group),
        lines=(clean(f"Mean of {group.name}"), said, axes),
    )


def side_means(plan: Plan, room: Room) -> Means:
    """Place the mean vector of every side with its length, bearing and 95 % half axes, outside the wall at its middle.

    Parameters
    ----------
    plan : Plan
    room : Room
        What is free; what is placed is taken from it.
    """
    nothing = np.empty((0, 2))
    boxes = [Boxes.none()]
    starts, ends, hollow = [nothing], [nothing], []
    labels: list[Label] = []
    left_out = 0
    for mean in _wanted(plan):
        t = plan.text
        wide = max(text_width(line, t) for line in mean.lines)
        # From the far end of the cross hair at its start to its head, in each direction.
        arrow = np.abs(mean.run) + 5.4
        size = np.array([arrow[0] + 1.5 + wide, max(arrow[1], 4.8 * t)])
        taken = first_free(join(list(_places(plan, mean, size / 2.0 + 0.6))), room)
        if not len(taken):
            left_out += 1
            continue
        middle = taken.centre[0]
        left = middle[0] - size[0] / 2.0
        start = np.array([left + arrow[0] / 2.0, middle[1]]) - mean.run / 2.0
        starts.append(start[None, :])
        ends.append((start + mean.run)[None, :])
        hollow.append(mean.hollow)
        for line, y in zip(mean.lines, (1.2 * t, -0.5 * t, -2.2 * t), strict=True):
            labels.append(Label(x=float(left + arrow[0] + 1.5), y=float(middle[1] + y), text=line, height=t))
        boxes.append(taken)
    flags = Flags(labels=tuple(labels), boxes=join(boxes), leaders=np.empty((0, 2, 2)), left_out=left_out)
    return Means(
        start=np.concatenate(starts), end=np.concatenate(ends), hollow=np.array(hollow, dtype=bool), flags=flags
    )


def _places(plan: Plan, mean: _Mean, half: Floats) -> Iterator[Boxes]:
    """Yield boxes beside the middle of a side: on the pit side, ever farther and to either hand, or on the other."""
    along = np.array([-mean.pit[1], mean.pit[0]])
    reach = float(np.max(plan.radius)) + 1.0
    tried = [(1.0, step, aside) for step in (9.0, 13.0, 18.0, 25.0) for aside in ASIDE]
    tried += [(-1.0, step, aside) for step in (16.0, 24.0, 32.0, 42.0) for aside in ASIDE]
    # Near the middle rather than near the wall, and rather on the pit side, where no ids stand.
    for side, step, aside in sorted(tried, key=lambda place: place[1] + 14.0 * abs(place[2]) - 8.0 * (place[0] > 0)):
        clear = reach + step + float(np.abs(mean.pit) @ half)
        at = mean.at + side * mean.pit * clear + along * aside * 2.0 * float(np.abs(along) @ half)
        yield Boxes.upright(at[None, :], half)
