"""What is not within, in words with figures: the column ``reasons`` of piles and joints."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.verdicts import NOT_SURVEYED, OUTSIDE, UNRESOLVED
from asbuilt.compute.wording import beyond, chance, metres, number

if TYPE_CHECKING:
    from asbuilt.model import Codes, Floats, Integers, Texts

__all__ = ["joint_reasons", "pile_reasons"]


def _against(value: float, limit: float, unit: str, places: int = 1) -> str:
    """Return "value unit, limit unit allowed", with a digit more rather than let the two look alike."""
    shown = beyond(value, limit, places=places)
    return f"{shown} {unit}, {number(limit, len(shown.partition('.')[2]))} {unit} allowed"


def _join(count: int, parts: list[tuple[Integers, list[str]]]) -> Texts:
    """Return one text a row (count,): its parts in order, joined by "; "; "" where there are none."""
    texts = np.full(count, "", dtype=object)
    for rows, said in parts:
        if len(rows):
            fresh = texts[rows] == ""
            texts[rows] = np.where(fresh, "", texts[rows] + "; ") + np.array(said, dtype=object)
    return texts


def _rows(verdict: Codes, *codes: int) -> Integers:
    return np.flatnonzero(np.isin(verdict, codes))


def pile_reasons(
    *,
    verdicts: dict[str, Codes],
    figures: dict[str, Floats],
    centre_reason: Texts,
    surveyed: np.ndarray[tuple[int], np.dtype[np.bool_]],
    confidence: float,
    moved: tuple[Integers, list[str]],
) -> Texts:
    """Return the reasons of all piles (n,).

    Parameters
    ----------
    verdicts : dict
        Check to verdict codes: plan, vertical, encroach, toe.
    figures : dict
        Columns of the layer by name, and ``toe_above_mm``, ``toe_allowed_mm``, ``encroach_allowed_mm``, ``clear_mm``.
    centre_reason : (n,) array
        Why a pile that was shot has no centre.
    surveyed : (n,) array
        Whether there is a governing centre.
    moved : rows and texts
        Approved moves.
    """
    count = len(surveyed)
    parts: list[tuple[Integers, list[str]]] = []
    unsurveyed = np.flatnonzero(~surveyed & (np.maximum.reduce(list(verdicts.values())) >= 0))
    parts.append(
        (unsurveyed, [f"no centre: {why}" if why else "no pickup" for why in centre_reason[unsurveyed].tolist()])
    )
    doubtful = (int(UNRESOLVED), int(OUTSIDE))
    rows = _rows(verdicts["plan"], *doubtful)
    parts.append(
        (
            rows,
            [
                f"plan position {_against(v, a, 'mm')}" + (f" ({chance(p, confidence)})" if code == UNRESOLVED else "")
                for v, a, p, code in _columns(
                    figures, rows, "offset_mm", "allowed_mm", "p_plan", verdict=verdicts["plan"]
                )
            ],
        )
    )
    rows = np.flatnonzero((verdicts["plan"] == NOT_SURVEYED) & surveyed)
    parts.append(
        (rows, ["plan position not surveyed: no lean reading, and the pickup lies far from cut-off"] * len(rows))
    )
    rows = _rows(verdicts["vertical"], *doubtful)
    parts.append(
        (
            rows,
            [
                f"inclination {_against(v, a, 'mm/m', 2)}"
                + (f" ({chance(p, confidence)})" if code == UNRESOLVED else "")
                for v, a, p, code in _columns(
                    figures, rows, "incline_mm_per_m", "allowed_mm_per_m", "p_vertical", verdict=verdicts["vertical"]
                )
            ],
        )
    )
    rows = np.flatnonzero((verdicts["vertical"] == NOT_SURVEYED) & surveyed)
    parts.append((rows, ["no lean reading"] * len(rows)))
    rows = _rows(verdicts["encroach"], *doubtful)
    parts.append(
        (
            rows,
            [
                _encroach_text(confidence, *row)
                for row in _columns(
                    figures,
                    rows,
                    "worst_towards_pit_mm",
                    "worst_towards_pit_level",
                    "encroach_allowed_mm",
                    "face_inside_mm",
                    "face_inside_level",
                    "clear_mm",
                    "p_encroach",
                    verdict=verdicts["encroach"],
                )
            ],
        )
    )
    rows = _rows(verdicts["toe"], int(OUTSIDE))
    parts.append(
        (
            rows,
            [
                f"toe at {metres(z)}: above design {_against(above, allowed, 'mm', 0)}"
                for z, above, allowed, _ in _columns(
                    figures, rows, "toe_level", "toe_above_mm", "toe_allowed_mm", verdict=verdicts["toe"]
                )
            ],
        )
    )
    rows = _rows(verdicts["toe"], int(NOT_SURVEYED))
    parts.append((rows, ["no toe recorded"] * len(rows)))
    parts.append(moved)
    return _join(count, parts)


def _encroach_text(
    confidence: float,
    moved: float,
    at: float,
    allowed: float,
    inside: float,
    inside_at: float,
    clear: float,
    p: float,
    code: float,
) -> str:
    said = []
    if moved == moved and (moved > allowed or inside != inside or code == UNRESOLVED):
        said.append(f"towards the pit {_against(moved, allowed, 'mm')} at {metres(at)}")
    if inside == inside and (inside > clear or code == UNRESOLVED):
        said.append(f"face inside the clear outline {_against(inside, clear, 'mm')} at {metres(inside_at)}")
    if code == UNRESOLVED:
        said.append(chance(p, confidence))
    return ", ".join(said)


def _columns(figures: dict[str, Floats], rows: Integers, *names: str, verdict: Codes) -> list[tuple[float, ...]]:
    return list(zip(*(figures[name][rows].tolist() for name in names), verdict[rows].tolist(), strict=True))


def joint_reasons(
    *,
    verdict: Codes,
    figures: dict[str, Floats],
    a: Integers,
    b: Integers,
    pile_ids: Texts,
    surveyed: np.ndarray[tuple[int], np.dtype[np.bool_]],
    has_axis: np.ndarray[tuple[int], np.dtype[np.bool_]],
    depends: np.ndarray[tuple[int], np.dtype[np.bool_]],
    toe_of: Integers,
    toe: Floats,
    confidence: float,
) -> Texts:
    """Return the reasons of all joints (m,).

    Parameters
    ----------
    figures : dict
        Columns of the layer by name.
    surveyed, has_axis : (n,) arrays
        Over piles: whether there is a centre, and lean readings or a profile.
    depends : (m,) array
        Within under one lean model only.
    toe_of, toe : (m,) arrays
        Pile whose toe as built leaves the joint open, and its level; NaN for none.
    """
    parts: list[tuple[Integers, list[str]]] = []
    known = figures["levels_known"].astype(bool)
    rows = np.flatnonzero((verdict == OUTSIDE) & ~known & ~np.isnan(figures["overlap_cut_off_mm"]))
    parts.append(
        (
            rows,
            [
                f"overlap {v:.1f} mm at {metres(z)}, {need:.1f} mm asked for"
                for v, z, need in zip(
                    figures["overlap_cut_off_mm"][rows].tolist(),
                    figures["range_top"][rows].tolist(),
                    figures["required_overlap_mm"][rows].tolist(),
                    strict=True,
                )
            ],
        )
    )
    rows = np.flatnonzero(np.isin(verdict, (UNRESOLVED, OUTSIDE)) & known)
    parts.append(
        (
            rows,
            [
                _joint_text(confidence, *row)
                for row in zip(
                    *(
                        figures[name][rows].tolist()
                        for name in (
                            "least_overlap_mm",
                            "least_level",
                            "required_overlap_mm",
                            "lost_level",
                            "open_level",
                            "p_interlock",
                            "governing_level",
                            "sure_level",
                            "other_model_least_overlap_mm",
                            "other_model_least_level",
                        )
                    ),
                    depends[rows].tolist(),
                    verdict[rows].tolist(),
                    strict=True,
                )
            ],
        )
    )
    rows = np.flatnonzero(~np.isnan(toe))
    parts.append(
        (
            rows,
            [
                f"toe of {name} as built at {metres(z)}: the joint is open below it"
                for name, z in zip(pile_ids[toe_of[rows]].tolist(), toe[rows].tolist(), strict=True)
            ],
        )
    )
    rows = np.flatnonzero((verdict == NOT_SURVEYED) | (~known & (verdict == OUTSIDE)))
    lack = np.where(surveyed, np.where(has_axis, "", "no lean reading"), "no centre")
    missing = lack.astype(object)
    parts.append(
        (
            rows,
            [
                ", ".join(f"{name}: {why}" for name, why in ((na, wa), (nb, wb)) if why)
                for na, wa, nb, wb in zip(
                    pile_ids[a[rows]].tolist(),
                    missing[a[rows]].tolist(),
                    pile_ids[b[rows]].tolist(),
                    missing[b[rows]].tolist(),
                    strict=True,
                )
            ],
        )
    )
    return _join(len(verdict), parts)


def _joint_text(
    confidence: float,
    least: float,
    at: float,
    need: float,
    lost: float,
    gap: float,
    p: float,
    governing: float,
    sure: float,
    other: float,
    other_at: float,
    depends: bool,
    code: int,
) -> str:
    shown = beyond(least, need, places=1)
    places = len(shown.partition(".")[2])
    measured = f"overlap {shown} mm" if least >= 0 else f"gap {number(-least, places)} mm"
    said = [f"{measured} at {metres(at)}, {number(need, places)} mm asked for"]
    if lost == lost:
        said.append(f"lost from {metres(lost)}")
    if gap == gap:
        said.append(f"open from {metres(gap)}")
    if code == UNRESOLVED and not (depends and p >= confidence):
        said.append(f"{chance(p, confidence)} at {metres(governing)}")
    if sure == sure and lost != sure:
        said.append(f"not sure from {metres(sure)}")
    if depends:
        said.append(f"depends on the lean model: {other:.1f} mm at {metres(other_at)} under the other")
    return ", ".join(said)
