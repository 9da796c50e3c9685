"""Limits for each direction on its own: the largest upright box that a window of leans holds.

Whoever has a card and no computer reads two figures and holds each against its limits: every corner of the box, and so
every lean in it, lies in the window, which is convex.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.compute.steering_window import Window
    from asbuilt.model import Floats

__all__ = ["largest_box"]

#: Steps of the search for each side: to less than a thousandth of a mm/m.
_STEPS = 48
_GOLDEN = (5.0**0.5 - 1.0) / 2.0


def largest_box(window: Window, along: Floats) -> Floats:
    """Return the box of the greatest area in a window: lowest and highest of each direction (2, 2) [m per m].

    Parameters
    ----------
    window : Window
    along : (2, 2) array
        Unit vectors of the two directions, square to one another.

    Returns
    -------
    (2, 2) array
        ``[[a_low, a_high], [b_low, b_high]]``; NaN where the window is empty.

    Notes
    -----
    Between two values of a, what is left to b is the part common to the chords at the two, found in closed form. The
    logarithm of the area is concave in those two values, so each is found by golden sections.
    """
    if window.empty:
        return np.full((2, 2), np.nan)
    chords = _Chords(window, along)
    low, high = chords.reach

    def best_high(left: float) -> float:
        return _greatest(lambda right: chords.area(left, right), left, high)

    left = _greatest(lambda value: chords.area(value, best_high(value)), low, high)
    right = best_high(left)
    below, above = chords.between(left, right)
    return np.array([[left, right], [below, above]])


class _Chords:
    """A window in the coordinates of two directions: its extent in the first, and its chords along the second."""

    def __init__(self, window: Window, along: Floats) -> None:
        c = window.constraints
        self.centre, self.radius = c.centre @ along.T, c.radius
        self.normal, self.offset = c.normal @ along.T, c.offset
        ends = [_extent(window, sign * along[0]) for sign in (-1.0, 1.0)]
        self.reach = -ends[0], ends[1]

    def between(self, left: float, right: float) -> tuple[float, float]:
        """Return what lies in both chords: lowest and highest, the first above the second where nothing does."""
        at = np.array([left, right])[:, None]
        half = np.sqrt(np.maximum(self.radius**2 - (at - self.centre[:, 0]) ** 2, 0.0))
        low, high = (self.centre[:, 1] - half).max(), (self.centre[:, 1] + half).min()
        rest = self.offset - at * self.normal[:, 0]
        rate = np.broadcast_to(self.normal[:, 1], rest.shape)
        up, down = rate > 1e-12, rate < -1e-12
        high = min(high, float(np.min(rest[up] / rate[up], initial=np.inf)))
        low = max(low, float(np.max(rest[down] / rate[down], initial=-np.inf)))
        return float(low), float(high)

    def area(self, left: float, right: float) -> float:
        """Return the area between two values of the first direction, negative where nothing is left to the second."""
        low, high = self.between(left, right)
        return (right - left) * (high - low) if high > low else high - low


def _extent(window: Window, way: Floats) -> float:
    """Return how far a window reaches in a direction: at the end of an edge, or where an arc turns square to it."""
    farthest = -np.inf
    for edge in window.edges:
        farthest = max(farthest, float(edge.start @ way), float(edge.end @ way))
        if edge.kind == "arc":
            turned = np.mod(np.arctan2(way[1], way[0]) - edge.begins, 2.0 * np.pi)
            if turned <= edge.sweep:
                farthest = max(farthest, float(edge.centre @ way) + edge.radius)
    return farthest


def _greatest(value: Callable[[float], float], low: float, high: float) -> float:
    """Return where a function that rises and then falls is greatest, by golden sections."""
    one, two = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_one, at_two = value(one), value(two)
    for _ in range(_STEPS):
        if at_one > at_two:
            high, two, at_two = two, one, at_one
            one = high - _GOLDEN * (high - low)
            at_one = value(one)
        else:
            low, one, at_one = one, two, at_two
            two = low + _GOLDEN * (high - low)
            at_two = value(two)
    return (low + high) / 2.0
