"""Flags on a plan: ids of piles on leaders, marker and letter of a verdict, the offset of a vector that is cut short.

Pile flags stand on the outer side of the wall, joint flags on the pit side, or on the outer side where they would come
nearer to another joint or cross a pile. None overlaps another, a vector or a circle; what finds no room is left out
and counted, and circle, fill or stroke still carry the verdict.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import HAIR, INK, Box
from asbuilt.output.sheets.figures import level_figure
from asbuilt.output.sheets.lettering import DESCENT, clean, text_width
from asbuilt.output.sheets.nearness import crosses_circles, nearest_is_own
from asbuilt.output.sheets.placing import Boxes, Room, join, place, spread_rank
from asbuilt.output.sheets.symbols import LOOKS, draw_markers

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans, Floats, Integers
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.plan_layout import Plan

__all__ = [
    "EVERY",
    "Flags",
    "cut_flags",
    "every_id",
    "free_room",
    "joint_flags",
    "pile_flags",
    "sure_down_to",
]

#: From this scale on, small, only every fifth id is written, and every id of what is not within.
FEWER_IDS_FROM, EVERY = 250, 5
NONE = np.empty(0, dtype=np.int64)
#: How far off a mark may stand that carries its id [mm].
FAR_OFF = (6.0, 10.0, 15.0, 21.0, 28.0, 36.0)
#: Free space around a flag [mm].
GAP = 0.6
WITHIN, NOT_SURVEYED, OUTSIDE = (VERDICTS.index(name) for name in ("within", "not surveyed", "outside"))
#: Characters with nothing below the baseline.
_LEVEL = frozenset("ABCDEFGHIKLMNOPRSTUVWXYZabcdefhiklmnorstuvwxz0123456789 .+-~#*%")
#: Which verdict's flags take room first, by its code; the last one is for no verdict.
_TURN = np.array([3, 2, 1, 0, 4])


def every_id(scale: float) -> bool:
    """Whether a plan at 1:``scale`` writes every pile's id."""
    return scale < FEWER_IDS_FROM


def marker_size(text: float) -> float:
    """Height of a verdict's marker beside text [mm]."""
    return 0.9 * text


@dataclass(frozen=True, kw_only=True)
class Label:
    """One line of text: where its baseline starts [mm], its height [mm] and angle [deg]."""

    x: float
    y: float
    text: str
    height: float
    angle: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Flags:
    """Placed flags: lettering, markers by verdict's code, leaders (k, 2, 2), what they cover, how many had no room."""

    labels: tuple[Label, ...]
    boxes: Boxes
    leaders: Floats
    markers: tuple[tuple[int, Floats], ...] = ()
    size: float = 0.0
    left_out: int = 0
    missed: tuple[str, ...] = ()
    """Ids of those left out that are not within."""

    def draw(self, canvas: Canvas, clip: Box) -> None:
        """Draw leaders, markers, lettering."""
        canvas.lines(self.leaders, width=HAIR, colour=INK, clip=clip)
        for code, at in self.markers:
            draw_markers(canvas, LOOKS[code], at, self.size, clip=clip)
        for label in self.labels:
            canvas.text(label.x, label.y, label.text, height=label.height, angle=label.angle)


@dataclass(frozen=True, kw_only=True)
class _Wanted:
    """k flags as wanted: they stand off ``base`` in ``direction``, first the marker, if any, then the text.

    ``turned``: the direction points left, so the text, read from below or from the right, runs towards the base.
    ``lead`` and ``length``: where the text begins, and how long the flag is [mm]. ``upright``: the text is a letter
    that is not turned with the flag, since a turned N is a Z.
    """

    base: Floats
    direction: Floats
    texts: Sequence[str]
    marked: Booleans
    height: float
    turned: Booleans
    lead: Floats
    half_height: Floats
    length: Floats
    upright: bool

    @property
    def axis(self) -> Floats:
        """Unit vectors in which the texts are read."""
        return np.where(self.turned[:, None], -self.direction, self.direction)

    def at(self, along: Floats, aside: float) -> Floats:
        """Return places so far from the bases [mm]: along the directions, and to the left of them."""
        left = np.stack([-self.direction[:, 1], self.direction[:, 0]], axis=1)
        return self.base + self.direction * along[:, None] + left * aside


@dataclass(frozen=True, kw_only=True)
class _Choice:
    """A form that flags may take: at a distance from their bases, moved aside [mm], for those of a mask."""

    wanted: _Wanted
    distance: Floats
    mask: Booleans
    aside: float = 0.0

    def boxes(self) -> Boxes:
        """Return what the flags cover; NaN where the mask is False."""
        wanted = self.wanted
        along = np.where(self.mask, self.distance + wanted.length / 2, np.nan)
        half = np.stack([wanted.length / 2 + GAP / 2, wanted.half_height], axis=1)
        return Boxes(centre=wanted.at(along, self.aside), half=half, axis=wanted.axis)

    def labels(self, rows: Integers) -> Iterator[Label]:
        """Yield the lettering of the flags at ``rows``, its middle height on the line of the flag."""
        w = self.wanted
        if w.upright:
            start = w.at(self.distance + (w.lead + w.length) / 2, self.aside)
            start[:, 0] -= np.array([text_width(text, w.height) for text in w.texts]) / 2
            start[:, 1] -= w.height / 2
            angle = np.zeros(len(start))
        else:
            axis = w.axis
            start = w.at(self.distance + np.where(w.turned, w.length, w.lead), self.aside)
            start = start - np.stack([-axis[:, 1], axis[:, 0]], axis=1) * w.height / 2
            angle = np.degrees(np.arctan2(axis[:, 1], axis[:, 0])).round(3)
        for row in rows:
            yield Label(x=start[row, 0], y=start[row, 1], text=w.texts[row], height=w.height, angle=angle[row])

    def shows(self, foot: Floats) -> Booleans:
        """Return which flags are so far from ``foot`` off their bases that a leader shows."""
        away = (self.distance - GAP > foot + 0.2) | ((self.aside != 0.0) & (foot < 90.0))
        return np.asarray(self.mask & away)

    def leaders(self, rows: Integers, foot: Floats) -> Floats:
        """Return the lines (k, 2, 2) from ``foot`` off the bases to the flags at ``rows``, where they show."""
        start, end = self.wanted.at(foot, 0.0), self.wanted.at(self.distance - GAP, self.aside)
        shows = rows[self.shows(foot)[rows]]
        return np.stack([start[shows], end[shows]], axis=1)

    def leads(self, foot: Floats) -> Boxes:
        """Return the leaders as thin boxes; NaN where there is none."""
        start, end = self.wanted.at(foot, 0.0), self.wanted.at(self.distance - GAP, self.aside)
        lines = Boxes.strips(start, end, 0.1)
        return replace(lines, centre=np.where(self.shows(foot)[:, None], lines.centre, np.nan))


def _want(
    base: Floats, direction: Floats, texts: Sequence[str], marked: Booleans, height: float, *, upright: bool = False
) -> _Wanted:
    texts = [clean(text) for text in texts]
    angle = np.degrees(np.arctan2(direction[:, 1], direction[:, 0]))
    width = np.array([text_width(text, height) for text in texts]).reshape(len(texts))
    if upright:
        width = np.where(width > 0, np.maximum(width, height), 0.0)
    low = np.array([not _LEVEL.issuperset(text) for text in texts], dtype=bool)
    lead = np.where(marked, 1.2 * marker_size(height) + np.where(width > 0, GAP, 0.0), 0.0)
    return _Wanted(
        base=base,
        direction=direction,
        texts=texts,
        marked=marked,
        height=height,
        turned=(angle > 90.5) | (angle < -89.5),
        lead=lead,
        half_height=np.maximum(np.where(low, height * (0.5 + DESCENT), 0.5 * height + 0.25), width / 2 * upright),
        length=lead + width,
        upright=upright,
    )


def _place(
    choices: Sequence[_Choice], *, codes: Integers, rank: Integers, room: Room, foot: Floats
) -> tuple[Flags, Integers]:
    """Place flags, each in the first of ``choices`` that has room; return also the number of the one taken, or -1."""
    options = [choice.boxes() for choice in choices]
    chosen = place(options, rank=rank, room=room, leads=[choice.leads(foot) for choice in choices])
    labels: list[Label] = []
    leaders, marks = [np.empty((0, 2, 2))], [np.empty((0, 2))]
    boxes, marked_codes = [options[0].take(NONE)], [NONE]
    size = marker_size(choices[0].wanted.height)
    for number, choice in enumerate(choices):
        rows = np.flatnonzero(chosen == number)
        labels.extend(choice.labels(rows))
        boxes.append(options[number].take(rows))
        leaders.append(choice.leaders(rows, foot))
        marked = rows[choice.wanted.marked[rows]]
        marks.append(choice.wanted.at(choice.distance + 0.6 * size, choice.aside)[marked])
        marked_codes.append(codes[marked])
    at, code = np.concatenate(marks), np.concatenate(marked_codes)
    flags = Flags(
        labels=tuple(labels),
        boxes=join(boxes),
        leaders=np.concatenate(leaders),
        markers=tuple((int(c), at[code == c]) for c in np.unique(code)),
        size=size,
    )
    return flags, chosen


ASIDE = (0.55, -0.55, 1.0, -1.0, 2.0, -2.0, 3.0, -3.0)


def _spread(
    wanted: _Wanted, foot: Floats, mask: Booleans, steps: Sequence[float], aside_by: Sequence[float] = ASIDE
) -> list[_Choice]:
    """Return choices ever farther off, then moved aside by one to three lines of text, on slanting leaders."""
    line = wanted.height + 0.8 if not wanted.upright else wanted.height * 1.1 + 0.8
    straight = [_Choice(wanted=wanted, distance=foot + step, mask=mask) for step in steps]
    aside = [
        _Choice(wanted=wanted, distance=foot + steps[0] + abs(lines) * 1.5, mask=mask, aside=lines * line)
        for lines in aside_by
    ]
    return [*straight[:2], *aside[:2], *straight[2:], *aside[2:]]


def free_room(plan: Plan) -> Room:
    """Return the room that circles, vectors, joint strokes and the clear outline leave."""
    known = plan.surveyed
    room = Room(plan.view.box.inset(1.0))
    reach = 0.8 * np.maximum(plan.radius, plan.design_radius)
    room.cover(Boxes.squares(plan.stands, reach))
    room.cover(Boxes.strips(plan.design[known], plan.tip[known], 0.2, parts=4))
    toes = plan.toe_shown
    room.cover(Boxes.strips(plan.design[toes], plan.toe_tip[toes], 0.2, parts=4))
    room.cover(Boxes.strips(plan.joint_foot, plan.joint_end, 0.1))
    for ring in plan.outline:
        room.cover(Boxes.strips(ring[:-1], ring[1:], 0.2, parts=_parts(ring)))
    return room


def _parts(ring: Floats) -> int:
    """Return into how many parts the edges of a ring are cut, so that none is longer than about 10 mm."""
    return int(min(200.0, np.ceil(float(np.max(np.hypot(*np.diff(ring, axis=0).T))) / 10.0 + 1e-9)))


def cut_flags(plan: Plan, room: Room) -> Flags:
    """Write the true offset beside the head of each vector that is cut short: ahead of it, or aside on a leader."""
    rows = np.flatnonzero(plan.cut & plan.surveyed)
    if not len(rows):
        return Flags(labels=(), boxes=Boxes.none(), leaders=np.empty((0, 2, 2)))
    offset = np.asarray(plan.result.piles["offset_mm"], dtype=np.float64)[rows]
    ahead = plan.tip[rows] - plan.design[rows]
    ahead = ahead / np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)[:, None]
    left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    texts = [f"{value:.0f} mm" for value in offset]
    none, everyone = np.zeros(len(rows), dtype=bool), np.ones(len(rows), dtype=bool)
    foot = np.zeros(len(rows))
    choices: list[_Choice] = []
    for direction, steps in ((ahead, (1.0, 3.0)), (left, (2.0, 5.0, 9.0, 14.0, 20.0)), (-left, (2.0, 5.0, 9.0, 14.0))):
        wanted = _want(plan.tip[rows], direction, texts, none, plan.text)
        choices.extend(_spread(wanted, foot, everyone, steps))
    flags, chosen = _place(
        choices, codes=np.full(len(rows), -1), rank=np.arange(len(rows)), room=room, foot=np.full(len(rows), 0.4)
    )
    return replace(flags, left_out=int((chosen < 0).sum()))


def sure_down_to(level: float) -> str:
    """Return the level down to which a joint is sure [m] as printed beside it: rounded up, so that it is sure there."""
    return level_figure(float(np.ceil(round(level * 10.0, 6)) / 10.0), digits=1) if np.isfinite(level) else ""


def joint_flags(plan: Plan, room: Room, *, depth: bool = False) -> Flags:
    """Put marker and letter of every joint that is not within at the end of its stroke, or else behind the wall.

    Parameters
    ----------
    plan : Plan
    room : Room
        What is free; the flags placed are taken from it.
    depth : bool
        Whether the level down to which the joint is sure follows the letter, where there is room.
    """
    rows = np.flatnonzero(plan.joint_verdict > WITHIN)
    codes = plan.joint_verdict[rows]
    everyone = np.ones(len(rows), dtype=bool)
    texts = [LOOKS[code].letter for code in codes]
    steps = (1.3 + plan.text * np.array([0.0, 1.4, 2.8, 4.2, 6.0])).tolist()
    sides = ((plan.joint_end[rows], plan.joint_normal[rows]), (plan.joint_back[rows], -plan.joint_normal[rows]))
    choices: list[_Choice] = []
    if depth and len(rows):
        levels, top = (
            np.asarray(plan.result.joints[name], dtype=np.float64)[rows] for name in ("sure_level", "range_top")
        )
        # Not sure from its very top: there is no level down to which it is sure.
        sure = [sure_down_to(level) for level in np.where(levels > top - 0.05, np.nan, levels)]
        known = np.array([bool(said) for said in sure])
        full = [f"{letter} {said}" for letter, said in zip(texts, sure, strict=True)]
        # On the pit side alone: the other one is for the ids.
        wanted = _want(*sides[0], full, everyone, plan.text)
        spread = _spread(wanted, np.zeros(len(rows)), known, steps[:3], ASIDE[:2])
        choices.extend(_own_side(plan, choice, rows) for choice in spread)
    for base, direction in sides:
        wanted = _want(base, direction, texts, everyone, plan.text, upright=True)
        spread = _spread(wanted, np.zeros(len(rows)), everyone, steps)
        choices.extend(_own_side(plan, choice, rows) for choice in spread)
    ids = [str(name) for name in np.asarray(plan.result.joints["joint_id"], dtype=object)[rows]]
    named = [f"{letter} {name}" for letter, name in zip(texts, ids, strict=True)]
    # With its id beside it a mark may stand where it is nearer to another joint.
    wanted = _want(*sides[0], named, everyone, plan.text)
    choices.extend(_spread(wanted, np.zeros(len(rows)), codes == OUTSIDE, FAR_OFF))
    flags, chosen = _place(
        choices,
        codes=codes,
        rank=spread_rank([_TURN[codes]]),
        room=room,
        foot=np.zeros(len(rows)),
    )
    missed = tuple(name for name, number in zip(ids, chosen, strict=True) if number < 0)
    return replace(flags, left_out=len(missed), missed=missed)


def _own_side(plan: Plan, choice: _Choice, rows: Integers) -> _Choice:
    """Keep a choice for the joints whose mark is then nearest to them, on a leader that runs through no pile."""
    w = choice.wanted
    mark = w.at(choice.distance + 0.6 * marker_size(w.height), choice.aside)
    end = w.at(choice.distance + w.length, choice.aside)
    mask = choice.mask & ~crosses_circles(w.base, end, plan.stands, plan.radius)
    for at in (mark, end):
        mask = mask & nearest_is_own(at, rows, plan.joint_middle)
    return replace(choice, mask=mask)


def _this_side(plan: Plan, choice: _Choice) -> _Choice:
    """Keep a choice for the piles whose flag then does not reach beyond a match line near it."""
    w, mask = choice.wanted, choice.mask
    for match in plan.part.lines:
        ends = plan.view.paper(match.line[:, 0], match.line[:, 1])
        for along in (choice.distance, choice.distance + w.length):
            off = w.at(along, choice.aside) - ends.mean(axis=0)
            near = np.hypot(*off.T) < np.hypot(*(ends[1] - ends[0]))
            mask = mask & ~(near & (off @ match.away > -0.5))
    return replace(choice, mask=mask)


def wanted_ids(plan: Plan) -> tuple[Booleans, Booleans]:
    """Return whose id is to be written, and which of them are at the joints that are not within."""
    joints = plan.result.joints
    at_joint = np.zeros(len(plan.verdict), dtype=bool)
    bad = plan.joint_verdict > WITHIN
    at_joint[joints.a[bad]] = True
    at_joint[joints.b[bad]] = True
    position = np.asarray(plan.result.piles["position"], dtype=np.float64)
    fifth = ~(np.mod(position, EVERY) > 0)
    return plan.own & (fifth | at_joint | (plan.verdict != WITHIN) | every_id(plan.scale)), at_joint


def _outward(plan: Plan) -> Floats:
    """Return unit vectors (n, 2) away from the pit; four directions in turn for piles that have no wall to stand in."""
    away = -np.stack([plan.result.piles.pit_e, plan.result.piles.pit_n], axis=1)
    turn = np.pi / 4 + np.pi / 2 * (np.arange(len(away)) % 4)
    return np.where(np.isfinite(away), away, np.stack([np.cos(turn), np.sin(turn)], axis=1))


def pile_flags(plan: Plan, room: Room, *, checks: bool = False) -> Flags:
    """Write pile ids on leaders on the outer side of the wall, with marker and letter where not within.

    Parameters
    ----------
    plan : Plan
    room : Room
        What is free; the flags placed are taken from it.
    checks : bool
        Whether the letters of the checks that the verdict comes from follow its own.
    """
    ids = [str(name) for name in plan.result.piles["pile_id"]]
    wanted, at_joint = wanted_ids(plan)
    codes, outward = plan.verdict, _outward(plan)
    known = plan.surveyed
    built = np.where(known[:, None], plan.built, plan.design)
    off = plan.off_sheet
    base = np.where((known & ~off)[:, None], built, plan.design)
    flagged = plan.own & (codes > WITHIN)
    marked = flagged & ((codes != NOT_SURVEYED) | known)
    letters = [LOOKS[code].letter if code > WITHIN else "" for code in codes]
    turned = _want(base, outward, letters, marked, plan.text).turned
    said = (
        [f"{letter} {why}".strip() for letter, why in zip(letters, plan.checks(), strict=True)] if checks else letters
    )
    full, turned_round = (
        [
            (f"{i} {why}" if after == away else f"{why} {i}").strip()
            for i, why, after in zip(ids, said, turned, strict=True)
        ]
        for away in (True, False)
    )
    foot = np.maximum(plan.radius, plan.design_radius) + 0.3
    long = _want(base, outward, full, marked, plan.text)
    short = _want(base, outward, letters, marked, plan.text, upright=True)
    steps = (1.6, 3.0, 5.0, 7.5, 10.5, 14.0, 18.0)
    whole = [_this_side(plan, choice) for choice in _spread(long, foot, wanted, steps)]
    # What is not within is rather named far off, or on the pit side, than not at all.
    far = _spread(long, foot, wanted & flagged, (22.0, 27.0, 33.0), (4.0, -4.0, 5.0, -5.0, 6.5, -6.5))
    inwards = _spread(_want(base, -outward, turned_round, marked, plan.text), foot, wanted & flagged, steps[2:])
    whole += [_this_side(plan, choice) for choice in (*far, *inwards)]
    letter = [_this_side(plan, choice) for choice in _spread(short, foot, wanted & flagged, steps[:3])]
    position = np.asarray(plan.result.piles["position"], dtype=np.float64)
    fifth = np.mod(position, EVERY) > 0
    grave = np.where(at_joint & (codes == WITHIN), _TURN[1], _TURN[codes])
    flags, chosen = _place(
        [*whole, *letter],
        codes=codes,
        rank=spread_rank([(~wanted).astype(np.int64), grave, fifth.astype(np.int64)]),
        room=room,
        foot=foot,
    )
    lost = wanted & ((chosen < 0) | (chosen >= len(whole)))
    missed = tuple(ids[row] for row in np.flatnonzero(lost & flagged))
    return replace(flags, left_out=int(lost.sum()), missed=missed)
