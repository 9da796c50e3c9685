"""Which places on a plan belong to one joint or pile alone, so that no mark can be read as another's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers

__all__ = ["crosses_circles", "nearest_is_own"]

#: A mark stands so far inside the line halfway between its own joint and the next nearest [mm].
CLEARLY = 0.2
#: A line touches a circle, and does not cross it, where it comes no nearer to its centre than this part of its radius.
CLEAR_OF = 0.98


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
    """Return which lines from ``start`` to ``end`` (k, 2) [mm] run through one of the circles (n, 2), (n,).

    A line that ends on a circle, to within a fiftieth of its radius, does not. Lines and circles that are not known
    (NaN) meet nothing.
    """
    from scipy.spatial import cKDTree

    found = np.zeros(len(start), dtype=bool)
    lines = np.flatnonzero(np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1))
    known = np.isfinite(centre).all(axis=1) & np.isfinite(radius)
    centre, radius = centre[known], CLEAR_OF * radius[known]
    if not len(lines) or not len(centre):
        return found
    # No circle meets a line whose middle is farther from its own centre than half the line and the radius.
    half = np.hypot(*(end[lines] - start[lines]).T) / 2.0
    near = cKDTree(centre).query_ball_point((start[lines] + end[lines]) / 2.0, half + float(radius.max()))
    count = np.fromiter(map(len, near), dtype=np.int64, count=len(lines))
    line = np.repeat(lines, count)
    circle = np.fromiter((k for some in near for k in some), dtype=np.int64, count=int(count.sum()))
    run, apart = end[line] - start[line], centre[circle] - start[line]
    squared = np.maximum(np.sum(run**2, axis=1), 1e-12)
    share = np.clip(np.sum(apart * run, axis=1) / squared, 0.0, 1.0)
    nearest = apart - share[:, None] * run
    found[line[np.hypot(nearest[:, 0], nearest[:, 1]) < radius[circle]]] = True
    return found
