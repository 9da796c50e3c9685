"""Figures in words: a printed figure never contradicts the verdict or finding beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Floats, Texts

__all__ = [
    "all_against",
    "all_chances",
    "all_metres",
    "all_numbers",
    "beyond",
    "chance",
    "metres",
    "number",
    "of_allowed",
    "probability",
]

#: More digits than this are not printed for the sake of telling two figures apart.
_MOST_PLACES = 6
#: Of a probability no more than four places are printed.
_LEAST_CHANCE = 1e-4


def number(value: float, places: int = 0) -> str:
    """Return the value with so many decimal places, and no minus sign before a zero."""
    return f"{round(value, places) + 0.0:.{places}f}"


def metres(value: float) -> str:
    """Return a level [m] with its sign, to the centimetre."""
    return f"{round(value, 2) + 0.0:+.2f}"


def beyond(value: float, *limits: float, places: int = 0) -> str:
    """Return a value with as many more places as keep it from looking equal to a limit that it is not on.

    Examples
    --------
    >>> beyond(1.302, 0.95, 1.30, places=2)
    '1.302'
    """
    while places < _MOST_PLACES and any(
        value != limit and number(value, places) == number(limit, places) for limit in limits
    ):
        places += 1
    return number(value, places)


def of_allowed(value: float, limit: float, unit: str, *, places: int = 0) -> str:
    """Return a value against its limit, both with as many places as it takes to tell them apart.

    Examples
    --------
    >>> of_allowed(50.2, 50.0, "mm")
    '50.2 mm of 50.0 mm'
    """
    shown = beyond(value, limit, places=places)
    places = len(shown.partition(".")[2])
    return f"{shown} {unit} of {number(limit, places)} {unit}"


def probability(p: float, confidence: float) -> str:
    """Return a probability with two to four places, never rounded onto 0, 1 or the confidence, unless it is on them.

    Examples
    --------
    >>> probability(0.9496, 0.95), probability(0.94999, 0.95), probability(1e-7, 0.95)
    ('0.9496', '0.9499', 'under 0.0001')
    """
    limits = [limit for limit in (0.0, 1.0, confidence) if p != limit]
    shown = beyond(p, *limits, places=2)
    if len(shown) <= len("0.0000"):
        return shown
    # Nearer to one of them than four places can tell.
    if p < _LEAST_CHANCE:
        return f"under {_LEAST_CHANCE:.4f}"
    if p > 1.0 - _LEAST_CHANCE:
        return f"over {1.0 - _LEAST_CHANCE:.4f}"
    cut = np.floor(p / _LEAST_CHANCE) if p < confidence else np.ceil(p / _LEAST_CHANCE)
    return number(float(cut) * _LEAST_CHANCE, 4)


def chance(p: float, confidence: float) -> str:
    """Return a probability below the confidence asked for, not rounded up to it; "" where it is not below.

    Examples
    --------
    >>> chance(0.9496, 0.95)
    'probability 0.9496, 0.95 asked for'
    """
    return f"probability {probability(p, confidence)}, {confidence:g} asked for" if p < confidence else ""


# Many figures at once: equal figures are worded once.


def all_numbers(values: Floats, places: int = 0, *, sign: bool = False) -> Texts:
    """Return :func:`number` of every value (k,), with its sign where asked; "" for NaN."""
    scaled = np.rint(np.nan_to_num(values) * 10.0**places)
    distinct, at = np.unique(scaled, return_inverse=True)
    plus = "+" if sign else ""
    words = np.array([f"{v / 10.0**places + 0.0:{plus}.{places}f}" for v in distinct.tolist()] or [""], dtype=object)
    texts: Texts = words[at]
    texts[np.isnan(values)] = ""
    return texts


def all_metres(levels: Floats) -> Texts:
    """Return :func:`metres` of every level (k,)."""
    return all_numbers(levels, 2, sign=True)


def all_against(
    values: Floats, limits: Floats, unit: str, *, where: Texts | str = "", says: str = "allowed", places: int = 1
) -> Texts:
    """Return "value unit where, limit unit allowed" (k,), with a digit more rather than let the two look alike."""
    shown, limit = all_numbers(values, places), all_numbers(limits, places)
    for k in np.flatnonzero((shown == limit) & (values != limits)).tolist():
        shown[k] = beyond(float(values[k]), float(limits[k]), places=places)
        limit[k] = number(float(limits[k]), len(shown[k].partition(".")[2]))
    texts: Texts = shown + f" {unit}" + where + ", " + limit + f" {unit} {says}"
    return texts


def all_chances(p: Floats, confidence: float) -> Texts:
    """Return :func:`chance` of every probability (k,)."""
    words = "probability " + all_numbers(p, 3) + f", {confidence:g} asked for"
    asked = {number(confidence, 3), number(0.0, 3)}
    for k in np.flatnonzero((np.abs(p - confidence) < 1e-3) | (p < 1e-3)).tolist():
        if number(float(p[k]), 3) in asked:
            words[k] = chance(float(p[k]), confidence)
    words[~(p < confidence)] = ""
    texts: Texts = words
    return texts
