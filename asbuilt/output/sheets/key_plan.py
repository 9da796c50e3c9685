"""What keeps the pages of a wall that is cut together: the key plan, and the match lines between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.flags import Flags, Label
from asbuilt.output.sheets.frame import COLUMN, Entry
from asbuilt.output.sheets.frame import GAP as COLUMN_GAP
from asbuilt.output.sheets.lettering import text_width
from asbuilt.output.sheets.placing import Boxes, first_free, join, overlapping
from asbuilt.output.sheets.symbols import MATCH_DASH

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.cutting import Cut, MatchLine
    from asbuilt.output.sheets.placing import Room

__all__ = [
    "KeyPlan",
    "cover_match_lines",
    "draw_key_plan",
    "match_flags",
    "match_lines",
    "place_key_plan",
    "sheet_of",
]

#: Heights of a key plan in a legend, most width and height in a corner, and the rim, all in heights of text.
LEGEND_HEIGHT, CORNER, PAD = 15.0, (26.0, 18.0), 2.2
#: Width of the line of the page that is shown [mm].
CURRENT = 1.1
#: A match line is broken so far on either side of the joint that it runs through, beyond the circles [mm].
BREAK_OUT, BREAK_PIT = 0.8, 11.0


def sheet_of(page: int, pages: int) -> str:
    """Return how one page of several of a plan is called."""
    return f"sheet {page} of {pages}"


def _walls(result: Reconciliation) -> Iterator[tuple[Integers, bool]]:
    """Yield the piles of each wall in the order of position, and whether it is closed."""
    names = np.asarray(result.piles["wall"], dtype=object)
    position = np.asarray(result.piles["position"], dtype=np.float64)
    for name, wall in result.survey.settings.walls.items():
        rows = np.flatnonzero((names == name) & np.isfinite(position))
        if len(rows):
            yield rows[np.argsort(position[rows], kind="stable")], wall.closed


def draw_key_plan(
    canvas: Canvas, box: Box, result: Reconciliation, cuts: Sequence[Cut], current: int, *, text: float
) -> None:
    """Draw the walls small, the part of each page numbered, that of the current one bold.

    Parameters
    ----------
    canvas : Canvas
    box : Box
        What it may fill [mm].
    result : Reconciliation
    cuts : sequence of Cut
        The pages.
    current : int
        Place of the page that is drawn in ``cuts``.
    text : float
        Height of a capital letter [mm].
    """
    piles = result.piles
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    low, high = design.min(axis=0), design.max(axis=0)
    pad = PAD * text
    span = np.maximum(high - low, 1e-6)
    k = float(np.min((np.array([box.width, box.height]) - 2 * pad) / span))
    at = np.array(box.middle) + (design - (low + high) / 2.0) * k
    for rows, closed in _walls(result):
        canvas.lines([at[rows]], width=MEDIUM, colour=GREY, closed=closed, clip=box)
    for cut in cuts:
        for line in cut.lines:
            middle = np.array(box.middle) + (line.line.mean(axis=0) - (low + high) / 2.0) * k
            across = line.line[1] - line.line[0]
            tick = across / max(float(np.hypot(*across)), 1e-9) * 0.5 * text
            canvas.lines([[middle - tick, middle + tick]], width=FINE, clip=box)
    for rows in _stretches(result, cuts[current].rows):
        canvas.lines([at[rows]], width=CURRENT, colour=INK, clip=box)
    for x, y, number in _numbers(result, cuts, current, at, text):
        canvas.text(x, y, number, height=text, anchor="centre")


def _stretches(result: Reconciliation, rows: Integers) -> Iterator[Integers]:
    """Yield the piles of a page wall by wall, in the order of the wall; one pile twice, so that it shows."""
    mine = np.zeros(len(result.piles), dtype=bool)
    mine[rows] = True
    for wall, closed in _walls(result):
        held = mine[wall]
        if closed and held.all():
            yield np.append(wall, wall[0])
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(np.int8), [0]])))
        for start, end in edges.reshape(-1, 2):
            yield wall[start:end]


def _numbers(
    result: Reconciliation, cuts: Sequence[Cut], current: int, at: Floats, text: float
) -> Iterator[tuple[float, float, str]]:
    """Yield the pages' numbers beside their parts of the wall; the current one first, none over another."""
    piles = result.piles
    taken = Boxes.none()
    for number in (current, *(k for k in range(len(cuts)) if k != current)):
        rows = cuts[number].rows
        if not len(rows):
            continue
        row = rows[len(rows) // 2]
        out = -np.nan_to_num(np.array([piles.pit_e[row], piles.pit_n[row]]), nan=-np.sqrt(0.5))
        said = str(number + 1)
        half = np.array([[text_width(said, text) / 2 + 0.4, text / 2 + 0.4]])
        for side in (1.0, -1.0):
            middle = at[row] + side * out * (1.0 + float(np.abs(out) @ half[0]))
            box = Boxes.upright(middle[None, :], half)
            on_wall = (np.abs(at - middle) < half[0]).all(axis=1).any()
            if not on_wall and not len(overlapping(box, taken)[0]):
                taken = join([taken, box])
                yield float(middle[0]), float(middle[1]) - text / 2, said
                break


@dataclass(frozen=True, kw_only=True)
class KeyPlan:
    """A key plan in its place on a sheet, or in the legend where no corner of the drawing is free (``box`` None)."""

    result: Reconciliation
    cuts: Sequence[Cut]
    current: int
    text: float
    box: Box | None = None

    @property
    def boxes(self) -> Boxes:
        """What it covers of the drawing."""
        return Boxes.of([] if self.box is None else [self.box])

    def draw(self, canvas: Canvas) -> None:
        """Draw it with its caption, where it has a place on the drawing."""
        if self.box is None:
            return
        box, t = self.box, self.text
        canvas.rectangle(box, width=THIN)
        canvas.text(box.left + 0.7 * t, box.top - 1.7 * t, self._caption(), height=t)
        inside = replace(box, height=box.height - 1.8 * t)
        draw_key_plan(canvas, inside, self.result, self.cuts, self.current, text=t)

    def entries(self) -> tuple[Entry, ...]:
        """Return what the legend says of match lines, and the key plan itself where it stands there."""
        entries: list[Entry] = []
        if self.cuts[self.current].lines:
            entries.append(
                Entry(text="match line; beyond it, light, piles of another sheet", sample=_match_sample, height=1.6)
            )
        if len(self.cuts) > 1 and self.box is None:
            entries += [Entry(text=f"{self._caption()}."), Entry(text="", sample=self._sample, height=LEGEND_HEIGHT)]
        return tuple(entries)

    def _caption(self) -> str:
        return f"Key plan, {sheet_of(self.current + 1, len(self.cuts))}"

    def _sample(self, canvas: Canvas, box: Box) -> None:
        # The entry has no text, so the figure takes the whole width of the column.
        wide = replace(box, width=COLUMN * self.text - 2 * COLUMN_GAP)
        draw_key_plan(canvas, wide, self.result, self.cuts, self.current, text=self.text)


def place_key_plan(result: Reconciliation, cuts: Sequence[Cut], current: int, *, room: Room, text: float) -> KeyPlan:
    """Put the key plan in a free corner of the drawing, which it then takes; else it goes to the legend.

    Parameters
    ----------
    result : Reconciliation
        Of the whole job.
    cuts : sequence of Cut
        The pages of the plan.
    current : int
        Place of the page in ``cuts``.
    room : Room
        What is free.
    text : float
        Height of a capital letter [mm].
    """
    plan = KeyPlan(result=result, cuts=cuts, current=current, text=text)
    if len(cuts) < 2:
        return plan
    piles, window = result.piles, cuts[current].view.box
    span = np.maximum([np.ptp(piles.design_e), np.ptp(piles.design_n)], 1e-6)
    pad = 2 * PAD * text
    # As large as the corner may be, or as the walls need at that scale.
    most = np.array([min(CORNER[0] * text, 0.3 * window.width), min(CORNER[1] * text, 0.3 * window.height)])
    size = span * float(np.min((most - pad) / span)) + pad
    wide = max(float(size[0]), text_width(plan._caption(), text) + 2 * text)
    high = float(size[1]) + 1.8 * text
    places = [
        Box(left=x, bottom=y, width=wide, height=high)
        for x in (window.left + 2.0, window.right - wide - 2.0)
        for y in (window.top - high - 2.0, window.bottom + 2.0)
    ]
    free = np.flatnonzero(~room.meets(Boxes.of(places)))
    if not len(free):
        return plan
    room.cover(Boxes.of([places[free[0]]]))
    return replace(plan, box=places[free[0]])


def _match_sample(canvas: Canvas, box: Box) -> None:
    x, y = box.left + 0.36 * box.width, box.middle[1]
    canvas.lines([[(box.left, y), (box.left + 0.62 * box.width, y)]], width=BOLD, dash=MATCH_DASH)
    canvas.circles([[x + 0.45 * box.width, y]], min(0.4 * box.height, 0.11 * box.width), width=HAIR, colour=GREY)


def match_lines(cut: Cut) -> Floats:
    """Return the match lines of a page as drawn (k, 2, 2) [mm]: broken about the joint that they run through."""
    per_metre = 1000.0 / cut.view.scale
    parts = [np.empty((0, 2, 2))]
    for match in cut.lines:
        ends = cut.view.paper(match.line[:, 0], match.line[:, 1])
        middle = ends.mean(axis=0)
        across = ends[1] - ends[0]
        half = float(np.hypot(*across)) / 2.0
        unit = across / (2.0 * half)
        radius = match.half_joint * per_metre
        outer = [middle - half * unit, middle - (radius + BREAK_OUT) * unit]
        inner = [middle + (radius + BREAK_PIT) * unit, middle + half * unit]
        parts.append(np.array([outer, inner]))
    return np.concatenate(parts)


def cover_match_lines(cut: Cut, room: Room) -> None:
    """Take the match lines of a page from the free room, to a hair: the ids of the piles beside them stand close."""
    lines = match_lines(cut)
    room.keep(Boxes.strips(lines[:, 0], lines[:, 1], 0.3, parts=4))


def match_flags(cut: Cut, pages: int, text: float, room: Room) -> Flags:
    """Write beside every match line which sheet goes on there, on the far side of it.

    Parameters
    ----------
    cut : Cut
    pages : int
        Pages of the plan.
    text : float
        Height of a capital letter [mm].
    room : Room
        What is free; the words placed are taken from it.
    """
    labels: list[Label] = []
    boxes = [Boxes.none()]
    for match in cut.lines:
        said = sheet_of(match.page, pages)
        taken = first_free(join(list(_beside(cut, match, said, text))), room)
        if not len(taken):
            continue
        along = taken.axis[0]
        start = taken.centre[0] - along * text_width(said, text) / 2 - np.array([-along[1], along[0]]) * text / 2
        angle = float(np.degrees(np.arctan2(along[1], along[0])).round(3))
        labels.append(Label(x=float(start[0]), y=float(start[1]), text=said, height=text, angle=angle))
        boxes.append(taken)
    return Flags(
        labels=tuple(labels),
        boxes=join(boxes),
        leaders=np.empty((0, 2, 2)),
        left_out=len(cut.lines) - len(labels),
    )


def _beside(cut: Cut, match: MatchLine, said: str, text: float) -> Iterator[Boxes]:
    """Yield where the words of a match line may stand: along it, first on the far side, then level at its ends."""
    outer, inner = match_lines(replace(cut, start=match, end=None))
    across = (inner[1] - inner[0]) / float(np.hypot(*(inner[1] - inner[0])))
    # Read from below or from the right.
    axis = across if across[0] > 1e-9 or (abs(across[0]) <= 1e-9 and across[1] > 0) else -across
    half = np.array([[text_width(said, text) / 2 + 0.4, 0.5 * text + 0.5]])
    length = float(half[0, 0])
    ends = ((inner[0], inner[1], across), (outer[1], outer[0], -across))
    for aside in (1.0, -1.0, 1.8, -1.8):
        for near, _, outwards in ends:
            for slide in (0.5, 4.0, 8.0, 14.0):
                at = near + outwards * (length + slide) + match.away * aside * (half[0, 1] + 0.6)
                yield Boxes(centre=at[None, :], half=half, axis=axis[None, :])
    for _, far, outwards in ends:
        for step in (1.0, 3.0, 6.0):
            at = far + outwards * (float(np.abs(across) @ half[0]) + step)
            yield Boxes.upright(at[None, :], half)
