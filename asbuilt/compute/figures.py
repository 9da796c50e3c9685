"""The figures of a pile or joint that a decision is made on: as text, read back, compared, and worded then and now."""

from __future__ import annotations

import math
from contextlib import suppress
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import LAYERS, VERDICTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from asbuilt.model import Joints, Piles

__all__ = [
    "Figures",
    "difference",
    "figures_from_text",
    "figures_of",
    "figures_text",
    "figures_words",
    "is_worse",
    "printed_figures",
]

Figures = dict[str, float | str]
"""Name of a figure to its value; what is not known, or does not occur, is left out."""

#: Figures of a joint and of a pile: name, places, and whether more of it is worse (1), less (-1).
_JOINT_FIGURES = {
    "least_overlap_mm": (1, -1),
    "least_level": (4, 0),
    "lost_level": (4, 1),
    "open_level": (4, 1),
    "sure_level": (4, 1),
    "p_interlock": (4, -1),
}
_PILE_FIGURES = {
    "offset_mm": (1, 1),
    "p_plan": (4, -1),
    "incline_mm_per_m": (2, 1),
    "p_vertical": (4, -1),
    "worst_towards_pit_mm": (1, 1),
    "face_inside_mm": (1, 1),
    "p_encroach": (4, -1),
    "toe_level": (4, 1),
}
_SENSES = {name: sense for name, (_, sense) in {**_JOINT_FIGURES, **_PILE_FIGURES}.items()}
_VERDICT = "verdict"


def figures_of(item: str, piles: Piles, joints: Joints) -> Figures:
    """Return the figures of a pile or joint that a decision is made on; none for anything else."""
    for columns, key, names in ((piles, "pile_id", _PILE_FIGURES), (joints, "joint_id", _JOINT_FIGURES)):
        rows = np.flatnonzero(columns[key] == item)
        if len(rows):
            return _figures(columns, int(rows[0]), names)
    return {}


def _figures(columns: Piles | Joints, row: int, names: Mapping[str, tuple[int, int]]) -> Figures:
    code = int(columns[_VERDICT][row])
    found: Figures = {} if code < 0 else {_VERDICT: VERDICTS[code]}
    for name, (places, _) in names.items():
        value = float(columns[name][row])
        if not math.isnan(value):
            found[name] = round(value, places) + 0.0
    return found


def printed_figures(piles: Piles, joints: Joints) -> dict[str, Figures]:
    """Return the figures of every pile and joint, no finer than people read them."""
    found: dict[str, Figures] = {}
    for columns, key, names in ((piles, "pile_id", _PILE_FIGURES), (joints, "joint_id", _JOINT_FIGURES)):
        plain = {name: np.asarray(columns[name], dtype=np.float64) for name in names}
        values = {name: np.round(column, _printed_places(name)) + 0.0 for name, column in plain.items()}
        rows = zip(*(column.tolist() for column in values.values()), strict=True)
        for item, code, row in zip(columns[key].tolist(), columns[_VERDICT].tolist(), rows, strict=True):
            known = {name: value for name, value in zip(values, row, strict=True) if not math.isnan(value)}
            found[item] = known if code < 0 else {_VERDICT: VERDICTS[int(code)], **known}
    return found


def figures_text(figures: Figures) -> str:
    """Return figures as they stand in ``decisions.csv``: ``name=value; name=value``."""
    return "; ".join(f"{name}={value}" for name, value in figures.items())


def figures_words(figures: Figures) -> str:
    """Return figures in words, as people read them; "" for none."""
    labels = _labels()
    named = ((*labels.get(name, (name, "")), _shown(name, value, figures)) for name, value in figures.items())
    return ", ".join(f"{label} {shown}{unit}" for label, unit, shown in named)


def figures_from_text(text: str) -> Figures:
    """Return what :func:`figures_text` wrote; what it did not write is left out."""
    found: Figures = {}
    for part in text.split(";"):
        name, _, value = part.strip().partition("=")
        if name == _VERDICT and value in VERDICTS:
            found[name] = value
        elif name in _SENSES:
            with suppress(ValueError):
                number = float(value)
                if math.isfinite(number):
                    found[name] = number
    return found


def is_worse(old: Figures, new: Figures) -> bool:
    """Tell whether an item is worse than it was: its verdict, any of its figures, or less is known of it.

    A level that a joint is lost from and was not before is worse; one that is gone is not. A verdict that is gone is:
    nothing shows any more that the item is as good as it was.
    """
    ranks = [VERDICTS.index(str(figures[_VERDICT])) if _VERDICT in figures else -1 for figures in (old, new)]
    if ranks[1] > ranks[0] or (ranks[1] < 0 <= ranks[0]):
        return True
    for name, sense in _SENSES.items():
        was, now = old.get(name), new.get(name)
        if was is not None and now is not None:
            if sense * (float(now) - float(was)) > 0:
                return True
        elif sense and (name in _OCCURS if was is None else name not in _OCCURS) and was != now:
            return True
    return False


#: Figures that are absent because nothing of the kind occurs, rather than because it was not measured.
_OCCURS = frozenset({"lost_level", "open_level", "sure_level"})


def difference(old: Figures, new: Figures) -> str:
    """Return the figures that differ, old and new, in words; "" where none does."""
    labels = _labels()
    parts = []
    for name in dict.fromkeys([*old, *new]):
        was, now = old.get(name), new.get(name)
        if was != now:
            label, unit = labels.get(name, (name, ""))
            pairs = ((old, was), (new, now))
            shown = [_shown(name, value, of) for of, value in pairs]
            if shown[0] == shown[1]:
                shown = [_shown(name, value, of, more=2) for of, value in pairs]
            parts.append(f"{label} {' -> '.join(shown)}{unit}")
    return ", ".join(parts)


def _shown(name: str, value: float | str | None, of: Figures, *, more: int = 0) -> str:
    """Word one figure out of those of its item, with ``more`` places than is usual."""
    if value is None:
        return "none" if name in _OCCURS and "least_overlap_mm" in of else "not known"
    if isinstance(value, str):
        return value
    if name == "face_inside_mm":
        side = "inside" if value > 0 else "clear of"
        return f"{abs(value):.{_printed_places(name) + more}f} mm {side} the clear outline"
    sign = "+" if name.endswith("_level") else ""
    return f"{value:{sign}.{_printed_places(name) + more}f}"


def _printed_places(name: str) -> int:
    return 2 if name.endswith("_level") else {**_JOINT_FIGURES, **_PILE_FIGURES}[name][0]


@cache
def _labels() -> dict[str, tuple[str, str]]:
    """Return name to what it is called, and its unit."""
    named = {}
    for layer in ("joints", "asbuilt_piles"):
        for column in LAYERS[layer].columns:
            for ending, unit in (("_mm_per_m", " mm/m"), ("_mm", " mm")):
                if column.name.endswith(ending):
                    named[column.name] = (column.name.removesuffix(ending).replace("_", " "), unit)
                    break
            else:
                named[column.name] = (column.name.replace("_", " "), "")
    named.update(
        lost_level=("lost from", ""),
        open_level=("open from", ""),
        sure_level=("not sure from", ""),
        p_interlock=("probability", ""),
        p_plan=("probability of plan", ""),
        p_vertical=("probability of verticality", ""),
        p_encroach=("probability of encroachment", ""),
        incline_mm_per_m=("inclination", " mm/m"),
        worst_towards_pit_mm=("towards the pit", " mm"),
        face_inside_mm=("face", ""),
    )
    return named
