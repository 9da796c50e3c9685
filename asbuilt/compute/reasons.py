"""What is not within, in words with figures: the column ``reasons`` of piles and joints."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import METHODS
from asbuilt.compute.axes import NO_AXIS_REACH_M
from asbuilt.compute.verdicts import NOT_SURVEYED, OUTSIDE, UNRESOLVED, WITHIN
from asbuilt.compute.wording import all_against, all_chances, all_metres, all_numbers

if TYPE_CHECKING:
    from collections.abc import Mapping

    from asbuilt.model import Booleans, Codes, Floats, Integers, Texts

__all__ = ["joint_reasons", "pile_reasons"]


class _Lines:
    """Texts of rows while their parts are gathered."""

    def __init__(self, count: int) -> None:
        self.texts: Texts = np.full(count, "", dtype=object)

    def add(self, rows: Integers, said: Texts | str, *, sep: str = "; ") -> None:
        """Append a part to the texts of ``rows``; what says nothing adds nothing."""
        if not len(rows):
            return
        before = self.texts[rows]
        more = np.broadcast_to(np.asarray(said, dtype=object), before.shape)
        joint = np.where((before == "") | (more == ""), "", sep)
        self.texts[rows] = before + joint + more


def _either(condition: Booleans, texts: Texts | str) -> Texts:
    """Return the texts where the condition holds, "" elsewhere."""
    chosen: Texts = np.where(condition, np.asarray(texts, dtype=object), "")
    return chosen


def pile_reasons(
    *,
    verdicts: Mapping[str, Codes],
    figures: Mapping[str, Floats],
    centre_reason: Texts,
    surveyed: Booleans,
    confidence: float,
    moved: tuple[Integers, list[str]],
    to_drill: Booleans,
) -> Texts:
    """Return the reasons of all piles (n,).

    Parameters
    ----------
    verdicts : mapping
        Check to verdict codes: plan, vertical, encroach, toe.
    figures : mapping
        Columns of the layer by name, and ``toe_above_mm``, ``toe_allowed_mm``, ``encroach_allowed_mm``, ``clear_mm``.
    centre_reason : (n,) array
        Why a pile that was shot has no centre.
    surveyed : (n,) array
        Whether there is a governing centre.
    confidence : float
        Asked for by the guarded rule.
    moved : rows and texts
        Approved moves.
    to_drill : (n,) array
        Piles not drilled yet: there is nothing that could have been surveyed.
    """
    lines = _Lines(len(surveyed))
    judged = np.maximum.reduce(list(verdicts.values())) >= WITHIN
    rows = np.flatnonzero(~surveyed & judged)
    why = centre_reason[rows]
    known = np.array([bool(text) for text in why.tolist()], dtype=bool)
    lacking = np.where(known, "no centre: " + np.where(known, why, ""), "no pickup")
    lines.add(rows, np.where(to_drill[rows] & ~known, "not drilled yet", lacking))
    for check, what, value, limit, unit, places in (
        ("plan", "plan position ", "offset_mm", "allowed_mm", "mm", 1),
        ("vertical", "inclination ", "incline_mm_per_m", "allowed_mm_per_m", "mm/m", 2),
    ):
        rows = _doubtful(verdicts[check])
        lines.add(rows, what + all_against(figures[value][rows], figures[limit][rows], unit, places=places))
        rows = np.flatnonzero(verdicts[check] == UNRESOLVED)
        lines.add(rows, all_chances(figures[f"p_{check}"][rows], confidence), sep=", ")
    bare = figures["method"] == METHODS.index("none")
    rows = np.flatnonzero((verdicts["plan"] == NOT_SURVEYED) & surveyed)
    away = np.abs(figures["surveyed_level"] - figures["cut_off_level"])[rows]
    far = "plan position not surveyed: no lean reading, and the pickup lies " + all_numbers(away, 2) + " m from cut-off"
    lines.add(rows, np.where(away > NO_AXIS_REACH_M, far, "plan position not surveyed: no lean reading, nor a limit"))
    lacking = (verdicts["vertical"] == NOT_SURVEYED) & (surveyed | ~bare)
    lines.add(np.flatnonzero(lacking & bare), "no lean reading")
    lines.add(np.flatnonzero(lacking & ~bare), "no inclination: the toe is not below cut-off")
    lacking = (verdicts["encroach"] == NOT_SURVEYED) & surveyed & (verdicts["vertical"] != NOT_SURVEYED)
    lines.add(np.flatnonzero(lacking), "encroachment not surveyed: no lean reading")
    _encroachment(lines, verdicts["encroach"], figures, confidence)
    rows = np.flatnonzero(verdicts["toe"] == OUTSIDE)
    above = all_against(figures["toe_above_mm"][rows], figures["toe_allowed_mm"][rows], "mm", places=0)
    lines.add(rows, "toe at " + all_metres(figures["toe_level"][rows]) + ": above design " + above)
    lines.add(np.flatnonzero((verdicts["toe"] == NOT_SURVEYED) & ~to_drill), "no toe recorded")
    lines.add(moved[0], np.array(moved[1], dtype=object))
    return lines.texts


def _doubtful(verdict: Codes) -> Integers:
    return np.flatnonzero((verdict == UNRESOLVED) | (verdict == OUTSIDE))


def _encroachment(lines: _Lines, verdict: Codes, figures: Mapping[str, Floats], confidence: float) -> None:
    """Say what moved too far, or may have: towards the pit, or into the clear outline."""
    rows = _doubtful(verdict)
    value = {name: figures[name][rows] for name in ("worst_towards_pit_mm", "face_inside_mm")}
    limit = {name: figures[name][rows] for name in ("encroach_allowed_mm", "clear_mm")}
    unresolved = verdict[rows] == UNRESOLVED
    moved, inside = value["worst_towards_pit_mm"], value["face_inside_mm"]
    limits = (limit["encroach_allowed_mm"], limit["clear_mm"])
    movement_judged = limits[0] > 0
    beyond = (movement_judged & (moved > limits[0]), inside > limits[1])
    tell = (
        ~np.isnan(moved) & movement_judged & (beyond[0] | np.isnan(inside) | unresolved),
        ~np.isnan(inside) & (beyond[1] | unresolved | ~movement_judged),
    )
    text = "towards the pit " + all_against(
        moved, limits[0], "mm", where=" at " + all_metres(figures["worst_towards_pit_level"][rows])
    )
    lines.add(rows, _either(tell[0], text))
    text = "face inside the clear outline " + all_against(
        inside, limits[1], "mm", where=" at " + all_metres(figures["face_inside_level"][rows])
    )
    lines.add(rows[tell[0]], _either(tell[1], text)[tell[0]], sep=", ")
    lines.add(rows[~tell[0]], _either(tell[1], text)[~tell[0]])
    lines.add(rows[unresolved], all_chances(figures["p_encroach"][rows[unresolved]], confidence), sep=", ")


def joint_reasons(
    *,
    verdict: Codes,
    figures: Mapping[str, Floats],
    a: Integers,
    b: Integers,
    pile_ids: Texts,
    surveyed: Booleans,
    has_axis: Booleans,
    depends: Booleans,
    toe_of: Integers,
    toe: Floats,
    confidence: float,
    guarded: bool,
    to_drill: Booleans,
) -> Texts:
    """Return the reasons of all joints (m,).

    Parameters
    ----------
    verdict : (m,) array
        Verdict codes.
    figures : mapping
        Columns of the layer by name.
    a, b : (m,) arrays
        Places of the two piles.
    pile_ids, surveyed, has_axis, to_drill : (n,) arrays
        Over piles: the id, whether there is a centre, and lean readings or a profile; whether it is not drilled yet.
    depends : (m,) array
        Within under one lean model only.
    toe_of, toe : (m,) arrays
        Pile whose toe as built leaves the joint open, and its level; NaN for none.
    confidence, guarded : float, bool
        Probability asked for by the guarded rule; whether joints are decided by it.
    """
    lines = _Lines(len(verdict))
    known = figures["levels_known"].astype(bool)
    rows = np.flatnonzero((verdict == OUTSIDE) & ~known & ~np.isnan(figures["lost_level"]))
    lines.add(rows, _overlap(figures, rows, "overlap_cut_off_mm", "range_top"))
    rows = np.flatnonzero(((verdict == UNRESOLVED) | (verdict == OUTSIDE)) & known)
    short = figures["least_overlap_mm"][rows] < figures["required_overlap_mm"][rows]
    told = rows[short | (verdict[rows] == UNRESOLVED)]
    lines.add(told, _overlap(figures, told, "least_overlap_mm", "least_level"))
    lost, gap, sure = (figures[name][rows] for name in ("lost_level", "open_level", "sure_level"))
    # where a toe as built is what opens the joint, its own words below say so
    lost, gap, sure = (np.where(level == toe[rows], np.nan, level) for level in (lost, gap, sure))
    lines.add(rows, _either(~np.isnan(lost), "lost from " + all_metres(lost)), sep=", ")
    lines.add(rows, _either(~np.isnan(gap), "open from " + all_metres(gap)), sep=", ")
    said = all_chances(figures["p_interlock"][rows], confidence)
    said = np.where(said == "", "", said + " at " + all_metres(figures["governing_level"][rows]))
    lines.add(rows, _either((verdict[rows] == UNRESOLVED) & guarded, said), sep=", ")
    lines.add(rows, _either(~np.isnan(sure) & (sure != lost), "not sure from " + all_metres(sure)), sep=", ")
    other = all_numbers(figures["other_model_least_overlap_mm"][rows], 1) + " mm at "
    other = other + all_metres(figures["other_model_least_level"][rows])
    lines.add(
        rows, _either(depends[rows], "depends on the lean model: " + other + " under the other"), sep=", "
    )
    rows = np.flatnonzero((figures["design_overlap_mm"] < 0) & (verdict == OUTSIDE))
    lines.add(rows, "the design itself leaves a gap here")
    rows = np.flatnonzero(~np.isnan(toe))
    at = all_metres(toe[rows])
    lines.add(rows, "toe of " + pile_ids[toe_of[rows]] + " as built at " + at + ": the joint is open below it")
    rows = np.flatnonzero((verdict == NOT_SURVEYED) | (~known & (verdict == OUTSIDE)))
    for end, sep in ((a, "; "), (b, ", ")):
        pile = end[rows]
        lack = np.where(surveyed[pile], _either(~has_axis[pile], "no lean reading"), "no centre")
        lack = np.where(to_drill[pile] & ~surveyed[pile], "not drilled yet", lack)
        lines.add(rows, np.where(lack == "", "", pile_ids[pile] + ": " + lack), sep=sep)
    return lines.texts


def _overlap(figures: Mapping[str, Floats], rows: Integers, name: str, level: str) -> Texts:
    """Return "overlap 12.3 mm at -9.50, 50.0 mm asked for"; a negative overlap is called a gap."""
    overlap, need = figures[name][rows], figures["required_overlap_mm"][rows]
    at = " at " + all_metres(figures[level][rows])
    text = all_against(overlap, need, "mm", where=at, says="asked for")
    gap = overlap < 0
    text[gap] = all_against(-overlap[gap], need[gap], "mm", where=at[gap], says="of overlap asked for")
    worded: Texts = np.where(gap, "gap ", "overlap ") + text
    return worded
