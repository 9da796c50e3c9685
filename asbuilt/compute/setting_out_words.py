"""What is said of a pile still to be set out, in words."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS
from asbuilt.compute.axes import NONE
from asbuilt.compute.setting_out_joints import Held
from asbuilt.compute.wording import beyond, chance, metres, number

if TYPE_CHECKING:
    from asbuilt.compute.setting_out_joints import Ties
    from asbuilt.model import Booleans, Codes, Floats, Integers, Reconciliation, Texts

__all__ = ["Told", "reasons"]

_MOVE, _STAY, _NO_NEIGHBOUR, _NOT_KNOWN, _BEGUN, _OMITTED = range(6)
_TO_DRILL = PROGRESS.index("to drill")


@dataclass(frozen=True, kw_only=True)
class Told:
    """What was found of k piles: their state, what they come to at three centres, and what else would do.

    ``alone``: it has one joint. ``approved``: its centre was. ``enough``: but for that another would be advised.
    """

    state: Codes
    design: Held
    present: Held
    best: Held
    held_by: Texts
    wider: Floats
    extra: Booleans
    alone: Booleans
    approved: Booleans
    enough: Booleans

    def final(self, moved: Booleans, owner: Integers) -> Held:
        """Return what they come to at the centre to set out: the best where ``moved`` (k,), else the present one."""
        of_joint = moved[owner]
        return Held(
            **{
                f.name: np.where(
                    of_joint if f.name.startswith("joint_") else moved,
                    getattr(self.best, f.name),
                    getattr(self.present, f.name),
                )
                for f in fields(Held)
            }
        )


def reasons(result: Reconciliation, ties: Ties, told: Told) -> Texts:
    """Return why a pile is to be moved or not, and what else would do (k,)."""
    said = np.full(len(ties.piles), "", dtype=object)
    for k in range(len(said)):
        state = int(told.state[k])
        if state <= _STAY:
            said[k] = "; ".join(_advice(result, ties, told, k))
        elif state == _NO_NEIGHBOUR:
            said[k] = "no neighbour is built yet"
        elif state == _NOT_KNOWN:
            said[k] = "; ".join(_not_known(result, ties, k))
        elif state == _BEGUN:
            progress = int(result.piles["progress"][ties.piles[k]])
            said[k] = PROGRESS[progress] if progress > _TO_DRILL else "being drilled"
        else:
            said[k] = "omitted in the design"
    return said


def _not_known(result: Reconciliation, ties: Ties, k: int) -> list[str]:
    """Say which neighbours stand nobody knows where."""
    ids, known = result.piles["pile_id"], ties.known
    lacking = []
    for other in ties.neighbour[ties.start[k] : ties.start[k + 1]].tolist():
        if known.built[other] or known.planned[other]:
            continue
        surveyed = not np.isnan(result.axes.surveyed_level[other])
        if surveyed and result.axes.method[other] == NONE:
            lacking.append(f"the lean of {ids[other]} is not known")
        else:
            progress = int(result.piles["progress"][other])
            begun = PROGRESS[progress] if progress > _TO_DRILL else "being drilled"
            lacking.append(f"{ids[other]} is {begun} and not surveyed")
    return [*lacking, "no centre is advised"]


def _advice(result: Reconciliation, ties: Ties, told: Told, k: int) -> list[str]:
    s = result.survey.settings
    where = "at the approved centre" if told.approved[k] else "at design"
    parts = [_overlap(result, told.present, k, where)]
    if told.state[k] == _MOVE:
        parts.append(_overlap(result, told.best, k, "at the advised centre"))
    else:
        gain = (told.best.spare[k] - told.present.spare[k]) * 1000.0
        onto = " by moving onto its one neighbour" if told.alone[k] else ""
        parts.append(f"the best centre gains {beyond(max(gain, 0.0), s.set_out.advise_from_mm)} mm{onto}")
        if told.approved[k] and told.enough[k]:
            parts.append("the approved centre holds until another is approved: ask the engineer")
    if s.decide.joint == "guarded":
        parts += _how_sure(told, k, where, s.site.confidence)
    if told.held_by[k]:
        parts.append(f"no better for the {told.held_by[k]}")
    return parts + _remedy(result, ties, told, k)


def _overlap(result: Reconciliation, held: Held, k: int, where: str) -> str:
    joint = int(held.joint[k])
    asked = float(result.joints.required[joint]) * 1000.0
    least = beyond(float(held.least[k]) * 1000.0, asked)
    at = f"{result.joints['joint_id'][joint]} at {metres(float(held.level[k]))}"
    return f"least overlap {where} {least} mm ({at}), {number(asked)} mm asked for"


def _how_sure(told: Told, k: int, where: str, confidence: float) -> list[str]:
    """Say what is not sure, at the centre that holds now and at the advised one."""
    parts = []
    held = [(told.present, where)] + ([(told.best, "at the advised centre")] if told.state[k] == _MOVE else [])
    for one, at in held:
        if one.sure[k]:
            continue
        if np.isnan(one.p[k]):
            return ["how sure it would be is not known: no verticality is allowed for its kind"]
        why = chance(float(one.p[k]), confidence)
        parts.append(f"not sure {at}: {why}" if why else f"not sure {at}")
    return parts


def _remedy(result: Reconciliation, ties: Ties, told: Told, k: int) -> list[str]:
    rows = slice(ties.start[k], ties.start[k + 1])
    ids = result.joints["joint_id"][ties.joint[rows]][ties.cut_short[rows]]
    if len(ids):
        return [f"the toe as built leaves {' and '.join(ids)} open below it: an extra pile would be needed"]
    if told.extra[k]:
        why = "no shift keeps the overlap asked for, nor does a wider pile within the limits towards the pit"
        return [f"{why}: an extra pile would be needed"]
    if not np.isnan(told.wider[k]):
        # never less than needed
        wide = np.ceil(told.wider[k] * 1000.0 - 1e-6)
        return [f"no shift keeps the overlap asked for: a diameter of {wide:.0f} mm would"]
    return []
