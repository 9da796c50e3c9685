"""What is looked at before piles are set out: those named, approved centres that may be mistyped, piles left out."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS
from asbuilt.compute.approved import approved_centres
from asbuilt.compute.setting_out import STATES, advise
from asbuilt.compute.wording import beyond, metres, number
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.compute.approved import Approved
    from asbuilt.compute.setting_out import SettingOut
    from asbuilt.model import Booleans, Reconciliation

__all__ = ["TOO_LATE", "approved_to_check", "named_piles", "piles_left_out"]

_TO_DRILL = PROGRESS.index("to drill")
_BEGUN, _OMITTED = STATES.index("begun"), STATES.index("omitted")
#: States of a pile that is not set out any more.
TOO_LATE = (_BEGUN, _OMITTED)
#: A centre is written to the millimetre in both coordinates: no nearer than this [m] is it told from the play.
_ROUNDED_M = float(np.hypot(0.0005, 0.0005)) + 1e-6


def named_piles(result: Reconciliation, names: Sequence[str], *, control: bool = False) -> tuple[int, ...]:
    """Return the places of the piles named on the command line.

    Parameters
    ----------
    result
        The reconciliation.
    names
        Pile ids; one that is named twice counts once.
    control
        Whether the control points are asked for too.

    Raises
    ------
    InputError
        With every pile that is unknown, begun or omitted, and ``control`` where there are no control points.
    """
    known = result.piles["pile_id"].tolist()
    place = {name: number for number, name in enumerate(known)}
    found = tuple(place[name] for name in dict.fromkeys(names) if name in place)
    problems = [_unknown(name, known) for name in dict.fromkeys(names) if name not in place]
    problems += _too_late(result, found)
    if control and not len(result.survey.control):
        problems.append(
            _problem("--control", "there are no control points", "control/points.csv, or setout without --control")
        )
    if problems:
        raise InputError(problems)
    return found


def _problem(what: str, text: str, expected: str) -> Problem:
    return Problem(file="command line", column=what, text=text, expected=expected)


def _unknown(name: str, known: list[str]) -> Problem:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    nearest = f", the nearest is {close[0]}" if close else ""
    return _problem(name, f"no such pile{nearest}", "a pile of the design table")


def _too_late(result: Reconciliation, places: Sequence[int]) -> Iterator[Problem]:
    if not places:
        return
    found = advise(result, places)
    for k, state in enumerate(found.state.tolist()):
        name = str(result.piles["pile_id"][found.pile[k]])
        if state == _BEGUN:
            yield _problem(name, f"is {found.reason[k]} already: too late to set it out", "a pile still to drill")
        elif state == _OMITTED:
            yield _problem(name, "is omitted in the design: nothing to set out", "a pile still to drill")


def approved_to_check(result: Reconciliation, found: SettingOut) -> tuple[Booleans, tuple[str, ...]]:
    """Return which of the piles in the design table (n,) have an approved centre to check, and what is to be said.

    Looked at are the piles to set out, and their neighbours still to drill: these stand where they were approved.
    Joints that would be open come first, then centres beyond the play.
    """
    piles, approved = result.piles, approved_centres(result)
    joints = list(_open_joints(result, found, approved))
    off = np.hypot(piles.set_out_e - piles.design_e, piles.set_out_n - piles.design_n)
    near = np.zeros(len(piles), dtype=bool)
    near[found.pile] = True
    near[found.neighbour[piles["progress"][found.neighbour] == _TO_DRILL]] = True
    play = result.survey.settings.set_out.play_mm
    far = near & approved.there & (off > play / 1000.0 + _ROUNDED_M)
    flagged = far.copy()
    flagged[[pile for pile, _ in joints]] = True
    beyond_play = (
        f"{piles['pile_id'][pile]}: approved centre lies {beyond(float(off[pile]) * 1000.0, play)} mm from design, "
        f"beyond the play of {play:g} mm: check the line in {approved.where[pile]}"
        for pile in np.flatnonzero(far).tolist()
    )
    return flagged, (*dict.fromkeys(said for _, said in joints), *beyond_play)


def _open_joints(result: Reconciliation, found: SettingOut, approved: Approved) -> Iterator[tuple[int, str]]:
    """Yield the pile with an approved centre, and what is said, for each joint that would be open because of it."""
    ids, to_drill = result.piles["pile_id"], result.piles["progress"] == _TO_DRILL
    owner = np.repeat(found.pile, np.diff(found.start))
    for j in np.flatnonzero(found.joint_least < 0.0).tolist():
        name = result.joints["joint_id"][found.joint[j]]
        for pile in (int(owner[j]), int(found.neighbour[j])):
            if not (approved.there[pile] and to_drill[pile]):
                continue
            said = (
                f"{ids[pile]}: approved centre would leave joint {name} open at {metres(float(found.joint_level[j]))}, "
                f"overlap {number(float(found.joint_least[j]) * 1000.0)} mm: check the line in {approved.where[pile]}"
            )
            yield pile, said


def piles_left_out(result: Reconciliation, found: SettingOut) -> tuple[tuple[str, str], ...]:
    """Return the piles still to drill that are not in the list, and why: no neighbour to go by yet."""
    due = result.piles.expected & (result.piles["progress"] == _TO_DRILL)
    due[found.pile] = False
    left = advise(result, np.flatnonzero(due))
    ids = result.piles["pile_id"][left.pile]
    return tuple(
        (str(ids[k]), str(left.reason[k])) for k, state in enumerate(left.state.tolist()) if state not in TOO_LATE
    )
