"""Excavation stages: which items stand in the way of each, and which lie below it.

A stage is *held* by every joint that is not sure at or above ``joints_to`` or was not surveyed, by
encroachments not within at or above the level dug to, and by toes not within that end above ``joints_to``;
and by whatever the engineer holds. An accept that stands lifts what it is for, in stages that are dug no deeper than
it says. Nothing here releases a stage: the responsible engineer does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS, VERDICTS
from asbuilt.compute.alignment import wall_levels
from asbuilt.compute.decisions import governing_decisions, standing_holds
from asbuilt.compute.verdicts import NOT_SURVEYED, SLACK_M, UNRESOLVED
from asbuilt.compute.wording import chance, metres, number, of_allowed
from asbuilt.model import Hold, StageState

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from asbuilt.model import Booleans, Codes, Decision, Floats, Integers, Joints, Piles, Table, Texts
    from asbuilt.settings import Settings, Stage

__all__ = ["stage_states", "sure_levels"]

#: What an item's level is compared with.
_AT_JOINTS_TO, _ABOVE_JOINTS_TO, _AT_STAGE_LEVEL, _NOTHING = range(4)


@dataclass(frozen=True, kw_only=True)
class _Items:
    """What is not within under one check: arrays over these items, and how to word them."""

    check: str
    name: Texts
    verdict: Codes
    level: Floats
    """Highest level at which it is not sure [m]; NaN where none is known: it holds every stage."""
    told: Floats
    """The level that is told: as ``level``, and where only the top is known to be lost, that top [m]."""
    bottom: Floats
    """What joints_to is for this item where the stage gives none [m]."""
    compared: int
    unmeasured: Booleans
    """Which of them are not measured, or not over their whole range."""
    texts: Callable[[], list[str]]


def sure_levels(joints: Joints) -> Floats:
    """Return the highest level at which each joint is not sure [m], shape (m,); NaN where none is known.

    A toe as built that leaves the joint open counts as such a level.
    """
    level: Floats = np.fmax(np.asarray(joints["sure_level"], dtype=np.float64), joints.toe_level)
    return level


def stage_states(
    *,
    settings: Settings,
    design: Table,
    piles: Piles,
    joints: Joints,
    decisions: Sequence[Decision] = (),
    encroach_from: Floats | None = None,
) -> tuple[StageState, ...]:
    """Return what holds each stage of the site file and what lies below it, in the site file's order.

    Parameters
    ----------
    settings : Settings
        Stages, and ``decide.holds``: only checks named there hold.
    design : Table
        The design table of n piles.
    piles : Piles
        Results over the n piles. Omitted piles (not ``expected``) never hold.
    joints : Joints
        Results over the m joints.
    decisions : sequence of Decision
        The engineer's decisions, judged against the evidence that they were made on.
    encroach_from : (n,) array, optional
        Highest level at which each pile's encroachment is not within [m], NaN where there is none. Without it
        the higher of ``worst_towards_pit_level`` and ``face_inside_level`` counts: a level of the greatest
        excess, which may lie below the highest one that is not within.

    Returns
    -------
    tuple of StageState
        Items worst first (outside, not surveyed, unresolved), then from the highest level down; what has no
        level comes first. An item that fails two checks is listed for each.
    """
    if not settings.stages:
        return ()
    collected: dict[str, Callable[[], _Items]] = {
        "joint": lambda: _joint_items(joints),
        "toe": lambda: _toe_items(settings, design, piles, joints),
        "encroach": lambda: _encroach_items(settings, design, piles, encroach_from),
        "plan": lambda: _tolerance_items("plan", design, piles),
        "vertical": lambda: _tolerance_items("vertical", design, piles),
    }
    governing = governing_decisions(decisions)
    groups = [collect() for check, collect in collected.items() if check in settings.decide.holds]
    groups.append(_decided_items(standing_holds(decisions), piles, joints))
    holds, order = _worded(groups, governing)
    accepted_to = np.array([_accepted_to(hold) for hold in holds])
    return tuple(_state(stage, groups, holds, order, accepted_to) for stage in settings.stages)


def _worded(groups: list[_Items], governing: dict[str, Decision]) -> tuple[Texts, Integers]:
    """Word every item once, whatever the number of stages; return the holds and their order."""
    holds = [
        Hold(
            item=name,
            verdict=VERDICTS[code],
            check=items.check,
            text=text,
            level=level,
            decision=governing.get(name),
            unmeasured=unmeasured,
        )
        for items in groups
        for name, code, text, level, unmeasured in zip(
            items.name.tolist(),
            items.verdict.tolist(),
            items.texts(),
            items.told.tolist(),
            items.unmeasured.tolist(),
            strict=True,
        )
    ]
    found = np.empty(len(holds), dtype=object)
    found[:] = holds
    verdict = _joined([items.verdict for items in groups]).astype(np.int64)
    level = _joined([items.told for items in groups])
    return found, np.lexsort((-np.where(np.isnan(level), np.inf, level), -verdict))


def _joined(parts: list[Codes] | list[Floats] | list[Booleans]) -> Floats:
    return np.concatenate(parts) if parts else np.empty(0)


def _accepted_to(hold: Hold) -> float:
    """Return the level [m] of the deepest stage in which an accept lifts this hold; inf where none does."""
    decision = hold.decision
    if decision is None or not decision.standing or decision.effect != "accept":
        return math.inf
    return -math.inf if decision.down_to is None else decision.down_to


def _state(
    stage: Stage, groups: list[_Items], holds: Texts, order: Integers, accepted_to: Floats
) -> StageState:
    stands_in_the_way = _joined([_held(stage, items) for items in groups]).astype(np.bool_)[order]
    accepted = stands_in_the_way & (accepted_to[order] <= stage.level + SLACK_M)
    held = stands_in_the_way & ~accepted
    ranked = holds[order]
    held_by = tuple(ranked[held])
    return StageState(
        stage=stage.name,
        level=stage.level,
        joints_to=stage.joints_to,
        state="held" if held_by else "no holds",
        held_by=held_by,
        below=tuple(ranked[~stands_in_the_way]),
        accepted=tuple(ranked[accepted]),
    )


def _held(stage: Stage, items: _Items) -> Booleans:
    """Return which of the items stand in the way of the stage; what has no level always does."""
    down_to = items.bottom if stage.joints_to is None else stage.joints_to
    held: Booleans = np.isnan(items.level) | (items.compared == _NOTHING)
    if items.compared == _AT_JOINTS_TO:
        held |= items.level >= down_to - SLACK_M
    elif items.compared == _ABOVE_JOINTS_TO:
        held |= items.level > down_to + SLACK_M
    elif items.compared == _AT_STAGE_LEVEL:
        held |= items.level >= stage.level - SLACK_M
    return held


def _decided_items(held: Sequence[Decision], piles: Piles, joints: Joints) -> _Items:
    """Collect what the engineer holds: it stands in the way of every stage, until the engineer lifts it."""
    codes = {
        name: code
        for columns, key in ((piles, "pile_id"), (joints, "joint_id"))
        for name, code in zip(columns[key].tolist(), columns["verdict"].tolist(), strict=True)
    } if held else {}
    # A finding has no verdict of its own; what is gone cannot be shown to be sound.
    known = [max(codes.get(one.item, NOT_SURVEYED if one.state == "no such item" else UNRESOLVED), 0) for one in held]
    nowhere = np.full(len(held), np.nan)
    return _Items(
        check="decision",
        name=np.array([one.item for one in held], dtype=object),
        verdict=np.array(known, dtype=np.int8),
        level=nowhere,
        told=nowhere,
        bottom=nowhere,
        compared=_NOTHING,
        unmeasured=np.array([code == NOT_SURVEYED for code in known], dtype=np.bool_),
        texts=lambda: [f"held{f' until {one.until}' if one.until else ''}: {one.reason}" for one in held],
    )


# ------------------------------------------------------------------------------------------------- joints


def _joint_items(joints: Joints) -> _Items:
    """Collect the joints that are not sure somewhere, or of which it is not known where."""
    verdict = np.asarray(joints["verdict"]).astype(np.int8)
    known = np.asarray(joints["levels_known"], dtype=np.bool_)
    level = sure_levels(joints)
    # What is not known over its whole range is no better than not surveyed; what is not sure somewhere is no
    # better than unresolved.
    shown = np.where(known, verdict, np.maximum(verdict, NOT_SURVEYED))
    shown = np.where(np.isfinite(level), np.maximum(shown, UNRESOLVED), shown).astype(np.int8)
    rows = np.flatnonzero(shown >= UNRESOLVED)
    measured = known & (verdict != NOT_SURVEYED)
    return _Items(
        check="joint",
        name=joints["joint_id"][rows],
        verdict=shown[rows],
        level=np.where(measured, level, np.nan)[rows],
        told=level[rows],
        bottom=np.full(len(rows), -np.inf),
        compared=_AT_JOINTS_TO,
        unmeasured=~measured[rows],
        texts=lambda: [
            reasons or VERDICTS[code]
            for reasons, code in zip(joints["reasons"][rows].tolist(), shown[rows].tolist(), strict=True)
        ],
    )


# -------------------------------------------------------------------------------------------------- piles


def _to_drill(piles: Piles, rows: Integers) -> list[bool]:
    """Return which piles are not drilled yet: there is nothing that could have been surveyed."""
    ahead: list[bool] = (np.asarray(piles["progress"])[rows] == PROGRESS.index("to drill")).tolist()
    return ahead


def _missing(what: str, ahead: bool) -> str:
    """Word what is not measured of a pile."""
    return "not drilled yet" if ahead else f"{what} not surveyed"


def _not_within(piles: Piles, check: str) -> tuple[Integers, Codes]:
    """Return the places of the expected piles at which the check is not within, and its codes there."""
    codes = np.asarray(piles[f"{check}_verdict"]).astype(np.int8)
    rows = np.flatnonzero((codes >= UNRESOLVED) & piles.expected)
    return rows, codes[rows]


def _column(piles: Piles, name: str, rows: Integers) -> Floats:
    values: Floats = np.asarray(piles[name], dtype=np.float64)[rows]
    return values


def _encroach_items(settings: Settings, design: Table, piles: Piles, encroach_from: Floats | None) -> _Items:
    rows, verdict = _not_within(piles, "encroach")
    if encroach_from is None:
        # Which of the two is not within cannot be told for certain from the columns: take the higher level.
        level = np.fmax(
            _column(piles, "worst_towards_pit_level", rows), _column(piles, "face_inside_level", rows)
        )
    else:
        level = encroach_from[rows]
    level = np.where(verdict == NOT_SURVEYED, np.nan, level)
    return _Items(
        check="encroach",
        name=design["pile_id"][rows],
        verdict=verdict,
        level=level,
        told=level,
        bottom=np.full(len(rows), -np.inf),
        compared=_AT_STAGE_LEVEL,
        unmeasured=verdict == NOT_SURVEYED,
        texts=lambda: list(_encroach_texts(settings, piles, rows, verdict, level)),
    )


def _encroach_texts(
    settings: Settings, piles: Piles, rows: Integers, verdicts: Codes, level: Floats
) -> Iterator[str]:
    t = settings.tolerance
    depth = _column(piles, "cut_off_level", rows) - _column(piles, "worst_towards_pit_level", rows)
    limits = np.nan if t.encroach_mm is None else t.encroach_mm + t.encroach_growth_mm_per_m * depth
    movement = ("worst_towards_pit_mm", "worst_towards_pit_level")
    outline = ("face_inside_mm", "face_inside_level")
    columns = (_column(piles, name, rows).tolist() for name in (*movement, *outline, "p_encroach"))
    allowed = np.broadcast_to(limits, len(rows)).tolist()
    for code, ahead, limit, first, moved, moved_at, inside, inside_at, p in zip(
        verdicts.tolist(), _to_drill(piles, rows), allowed, level.tolist(), *columns, strict=True
    ):
        parts = [_missing("encroachment", ahead)] if code == NOT_SURVEYED else []
        if not math.isnan(moved):
            towards = f"{number(moved)} mm" if math.isnan(limit) else of_allowed(moved, limit, "mm")
            parts.append(f"{towards} towards the pit at {metres(moved_at)}")
        if not math.isnan(inside):
            where = "inside" if inside > 0 else "clear of"
            parts.append(f"face {number(abs(inside))} mm {where} the clear outline at {metres(inside_at)}")
        if not math.isnan(first) and first not in (moved_at, inside_at):
            parts.append(f"not within from {metres(first)} down")
        if code == UNRESOLVED:
            parts.append(chance(p, settings.site.confidence))
        yield "; ".join(filter(None, parts)) or VERDICTS[code]


def _toe_items(settings: Settings, design: Table, piles: Piles, joints: Joints) -> _Items:
    """Collect the toes not within. One that was not recorded cannot be shown to reach any level."""
    rows, verdict = _not_within(piles, "toe")
    level = np.where(verdict == NOT_SURVEYED, np.nan, _column(piles, "toe_level", rows))
    planned = np.asarray(design["toe_level"], dtype=np.float64)[rows]
    allowed = settings.tolerance.toe_mm or 0.0
    return _Items(
        check="toe",
        name=design["pile_id"][rows],
        verdict=verdict,
        level=level,
        told=level,
        bottom=_joints_end(settings, design, joints)[rows],
        compared=_ABOVE_JOINTS_TO,
        unmeasured=verdict == NOT_SURVEYED,
        texts=lambda: [
            (_missing("toe", ahead) if ahead else "toe not recorded")
            if math.isnan(toe)
            else _toe_text(toe, target, allowed)
            for toe, target, ahead in zip(level.tolist(), planned.tolist(), _to_drill(piles, rows), strict=True)
        ],
    )


def _toe_text(toe: float, planned: float, allowed_mm: float) -> str:
    above = of_allowed((toe - planned) * 1000.0, allowed_mm, "mm")
    return f"toe at {metres(toe)}, {above} allowed above design"


def _joints_end(settings: Settings, design: Table, joints: Joints) -> Floats:
    """Return the lowest level that each pile's joints must reach [m]; without joints, its interlock_to."""
    end = np.full(len(design), np.inf)
    bottom = np.asarray(joints["range_bottom"], dtype=np.float64)
    np.fmin.at(end, joints.a, bottom)
    np.fmin.at(end, joints.b, bottom)
    return np.where(np.isinf(end), wall_levels(settings, design["wall"], "interlock_to"), end)


#: Check to what it measures, its column, its limit's column, and their unit.
_TOLERANCES = {
    "plan": ("plan offset", "offset_mm", "allowed_mm", "mm"),
    "vertical": ("inclination", "incline_mm_per_m", "allowed_mm_per_m", "mm/m"),
}


def _tolerance_items(check: str, design: Table, piles: Piles) -> _Items:
    """Collect piles beyond a contract tolerance; named among the checks that hold, it holds every stage."""
    rows, verdict = _not_within(piles, check)
    what, value, limit, unit = _TOLERANCES[check]
    columns = (_column(piles, name, rows).tolist() for name in (value, limit))
    triples = zip(*columns, _to_drill(piles, rows), strict=True)
    level = np.where(verdict == NOT_SURVEYED, np.nan, _column(piles, "cut_off_level", rows))
    return _Items(
        check=check,
        name=design["pile_id"][rows],
        verdict=verdict,
        level=level,
        told=level,
        bottom=np.full(len(rows), -np.inf),
        compared=_NOTHING,
        unmeasured=verdict == NOT_SURVEYED,
        texts=lambda: [
            _missing(what, ahead)
            if math.isnan(found)
            else f"{what} {of_allowed(found, allowed, unit, places=1)} allowed"
            for found, allowed, ahead in triples
        ],
    )
