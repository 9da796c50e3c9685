"""Figures in words: a printed figure never contradicts the verdict or finding beside it."""

from __future__ import annotations

__all__ = ["beyond", "chance", "metres", "number", "of_allowed"]

#: More digits than this are not printed for the sake of telling two figures apart.
_MOST_PLACES = 6


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


def chance(p: float, confidence: float) -> str:
    """Return a probability below the confidence asked for, not rounded up to it; "" where it is not below.

    Examples
    --------
    >>> chance(0.9496, 0.95)
    'probability 0.9496, 0.95 asked for'
    """
    return (
        f"probability {beyond(p, confidence, places=2)}, {confidence:g} asked for" if p < confidence else ""
    )
