"""One joint in words: its figures as rows of a table, why it is what it is, what is missing, what it holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import METHODS, VERDICTS
from asbuilt.output.sheets.figures import chance, counted, figure, level_text, true_minus

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.model import Reconciliation

__all__ = ["Fact", "figures", "holds_of", "lacking", "missing", "why"]

NOT_SURVEYED = "not surveyed"


@dataclass(frozen=True, kw_only=True)
class Fact:
    """One row of the table of figures."""

    name: str
    value: str


def holds_of(result: Reconciliation) -> Mapping[str, tuple[str, ...]]:
    """Return the names of the stages that each joint holds."""
    found: dict[str, tuple[str, ...]] = {}
    for stage in result.stages:
        for hold in stage.held_by:
            if hold.check == "joint":
                found[hold.item] = (*found.get(hold.item, ()), stage.stage)
    return found


def lacking(result: Reconciliation, row: int) -> list[tuple[str, tuple[str, ...]]]:
    """Return of both piles of a joint the name, and what is missing of it: "pickup", "lean"."""
    piles = result.piles
    found = []
    for pile in (int(result.joints.a[row]), int(result.joints.b[row])):
        centre, axis = np.isnan(piles.centre_e[pile]), METHODS[piles["method"][pile]] == "none"
        lack = tuple(name for name, is_missing in (("pickup", centre), ("lean", axis)) if is_missing)
        found.append((str(piles["pile_id"][pile]), lack))
    return found


def missing(result: Reconciliation, row: int) -> list[str]:
    """Return what is missing of the two piles of a joint, as "pickup of X" and "lean of X"."""
    return [f"{what} of {name}" for name, lack in lacking(result, row) for what in lack]


def figures(result: Reconciliation, row: int) -> list[Fact]:
    """Return the figures of one joint."""
    return [Fact(name=name, value=value) for name, value in (*_joint_rows(result, row), *_pile_rows(result, row))]


def _joint_rows(result: Reconciliation, row: int) -> Iterator[tuple[str, str]]:
    of = {name: values[row] for name, values in result.joints.columns.items()}
    need = float(of["required_overlap_mm"])
    formation = result.survey.settings.wall_level(str(of["wall"]), "formation")
    at_formation = np.nan if formation is None else formation
    blank = _why_blank(result, row, formation)
    yield "Designed; asked for", f"{_overlap(of['design_overlap_mm'], need)}; {figure(need)} mm"
    yield "At the top of the range", _at(_overlap(of["overlap_cut_off_mm"], need), of["range_top"])
    yield "At formation", _at(_overlap(of["overlap_formation_mm"], need, blank), at_formation)
    yield "Least", _at(_overlap(of["least_overlap_mm"], need), of["least_level"])
    for name, key in (("Lost from", "lost_level"), ("Open from", "open_level"), ("Not sure from", "sure_level")):
        yield name, _from(of, key)
    three = [of[f"{part}_formation_mm"] for part in ("chord", "thickness", "band")]
    yield "Chord; thickness; band", _at(_several(three, blank), at_formation)
    moved = [of["least_along_mm"], of["least_across_mm"]]
    yield "Moved along; across", _at(_several(moved, NOT_SURVEYED, plus=True), of["least_level"])
    p = of["p_interlock"]
    sure = result.survey.settings.site.confidence
    said = chance(p, sure) if np.isfinite(p) else NOT_SURVEYED
    yield "Probability, by the axes", _at(said, of["governing_level"])
    u = of["u_overlap_mm"]
    yield "Uncertainty there", f"{u:.1f} mm, 1 s.d." if np.isfinite(u) else NOT_SURVEYED
    none = "no other model" if of["levels_known"] else NOT_SURVEYED
    other = _overlap(of["other_model_least_overlap_mm"], need, none)
    yield "Other lean model, least", _at(other, of["other_model_least_level"])
    below = of["predicted_below"]
    yield "Predicted below", level_text(below) if np.isfinite(below) else "no reading"


def _pile_rows(result: Reconciliation, row: int) -> Iterator[tuple[str, str]]:
    piles = result.piles
    for pile in (int(result.joints.a[row]), int(result.joints.b[row])):
        of = {name: values[pile] for name, values in piles.columns.items()}
        verdict = VERDICTS[of["verdict"]] if of["verdict"] >= 0 else "no verdict"
        said = [f"{of['offset_mm']:.0f} mm off at cut-off"] if np.isfinite(of["offset_mm"]) else ["not surveyed"]
        said.append(f"lean {of['one_in']}" if of["one_in"] else "lean not known")
        yield f"{of['pile_id']}: {verdict}", ", ".join(said)
        yield "   surveyed", _surveyed(of)
        yield "   lean", _lean(result, pile)
        yield "   pickup file", str(of["load_file"] or "none")


def _surveyed(of: Mapping[str, Any]) -> str:
    if np.isnat(of["surveyed_at"]) and not np.isfinite(of["surveyed_level"]):
        return "no pickup that gives a centre"
    when = "undated"
    if not np.isnat(of["surveyed_at"]):
        when = str(of["surveyed_at"].astype("datetime64[m]")).replace("T", " ")
    shots = int(np.nan_to_num(of["n_shots"]))
    return f"{when}, {counted(shots, 'shot')}"


def _lean(result: Reconciliation, pile: int) -> str:
    method = METHODS[result.piles["method"][pile]]
    readings = int(result.axes.readings[pile])
    if method == "none":
        return "no reading"
    if method == "profile":
        return "by profile"
    return f"{method}, from {counted(readings, 'reading')}" if readings else method


def _overlap(value: float, need: float, blank: str = NOT_SURVEYED) -> str:
    if not np.isfinite(value):
        return blank
    return f"{figure(value, need)} mm" if value >= 0 else f"gap {figure(-value, 0.0)} mm"


def _at(said: str, at: float) -> str:
    known = np.isfinite(at) and any(sign.isdigit() for sign in said)
    return f"{said} at {level_text(at)}" if known else said


def _several(values: Sequence[float], blank: str, *, plus: bool = False) -> str:
    if not np.isfinite(values).any():
        return blank
    said = [figure(value, digits=0, plus=plus) if np.isfinite(value) else "none" for value in values]
    return f"{'; '.join(said)} mm"


def _from(of: Mapping[str, Any], key: str) -> str:
    value = of[key]
    if not np.isfinite(value):
        return "none in the range" if of["levels_known"] else NOT_SURVEYED
    depth = float(of["range_top"]) - float(value)
    return f"{level_text(value)}, {f'{depth:.2f} m below cut-off' if depth > 0 else 'the top of the range'}"


def _why_blank(result: Reconciliation, row: int, formation: float | None) -> str:
    """Return why a figure at formation is blank."""
    joints = result.joints
    if formation is not None and not joints["range_bottom"][row] <= formation <= joints["range_top"][row]:
        return "outside the range"
    if formation is not None and joints.toe_level[row] > formation:
        return "below the toe as built"
    return "no common chord" if np.isfinite(joints["overlap_formation_mm"][row]) else NOT_SURVEYED


def why(result: Reconciliation, row: int, holds: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Return the paragraphs that say why a joint is what it is, what its piles are, and which stages it holds."""
    joints, piles = result.joints, result.piles
    verdict = VERDICTS[joints["verdict"][row]]
    reasons = str(joints["reasons"][row]) or "nothing speaks against it; every level of the range is sure"
    said = [f"The joint is {verdict}: {reasons}."]
    said += [
        f"{piles['pile_id'][pile]} is {VERDICTS[piles['verdict'][pile]]}: {piles['reasons'][pile]}."
        for pile in (int(joints.a[row]), int(joints.b[row]))
        if piles["reasons"][pile] and VERDICTS[piles["verdict"][pile]] != "within"
    ]
    lack = missing(result, row)
    if lack:
        said.append(f"Missing: {', '.join(lack)}. What is not measured is not known to interlock.")
    said.append(_stages(result, str(joints["joint_id"][row]), holds))
    items = {str(joints["joint_id"][row]), *(str(piles["pile_id"][pile]) for pile in (joints.a[row], joints.b[row]))}
    said += [f"Odd: {found.item}, {found.text}." for found in result.findings if found.item in items]
    return [true_minus(text) for text in said]


def _stages(result: Reconciliation, joint_id: str, holds: Mapping[str, tuple[str, ...]]) -> str:
    if not result.stages:
        return "The site file names no stages."
    if "joint" not in result.survey.settings.decide.holds:
        return "The site file lets no joint hold a stage."
    held = holds.get(joint_id, ())
    free = [stage.stage for stage in result.stages if stage.stage not in held]
    if not held:
        return "It holds no stage."
    also = f"; not {', '.join(free)}: what is not sure lies below" if free else ""
    return f"It holds {', '.join(held)}{also}."
