"""Which places on a plan belong to one joint or pile alone, so that no mark can be read as another's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers

__all__ = ["crosses_circles", "nearest_is_own"]

#: A mark stands so far inside the line halfway between its own joint and the next nearest [mm].
CLEARLY = 0.2


def nearest_is_own(at: Floats, own: Integers, places: Floats) -> Booleans:
    """Return which points (k, 2) lie clearly nearest to ``places[own]`` among all ``places`` (n, 2) [mm].

    What is nearer to one place than to all others is convex: a straight leader from the place stays within it.
    """
    from scipy.spatial import cKDTree

    found = np.zeros(len(at), dtype=bool)
    rows = np.flatnonzero(np.isfinite(at).all(axis=1))
    if len(rows):
        apart, which = (np.asarray(part) for part in cKDTree(places).query(at[rows], k=2))
        # Where there is one place alone, the tree gives no second.
        second = np.minimum(which[:, 1], len(places) - 1)
        between = np.hypot(*(places[second] - places[which[:, 0]]).T)
        inside = apart[:, 1] ** 2 - apart[:, 0] ** 2 >= 2.0 * CLEARLY * between
        found[rows] = (which[:, 0] == own[rows]) & inside
    return found


def crosses_circles(start: Floats, end: Floats, centre: Floats, radius: Floats) -> Booleans:
    """Return which lines from ``start`` to ``end`` (k, 2) [mm] run through one of the circles (n, 2), (n,)."""
    from scipy.spatial import cKDTree

    share = np.linspace(0.1, 1.0, 8)
    points = (start[:, None, :] + (end - start)[:, None, :] * share[None, :, None]).reshape(-1, 2)
    inside = np.zeros(len(points), dtype=bool)
    rows = np.flatnonzero(np.isfinite(points).all(axis=1))
    if len(rows) and len(centre):
        apart, which = cKDTree(centre).query(points[rows])
        inside[rows] = apart < 0.98 * radius[which]
    return np.asarray(inside.reshape(len(start), len(share)).any(axis=1))
