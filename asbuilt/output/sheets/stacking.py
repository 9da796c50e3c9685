"""Labels in a row: as near to where they belong as they can stand without running over one another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.model import Floats

__all__ = ["spread"]


def spread(
    wanted: npt.ArrayLike, heights: npt.ArrayLike, low: float, high: float, *, downwards: bool = False
) -> Floats:
    """Return middles of labels near those wanted, in the same order, without overlap, and between ``low`` and ``high``.

    Least squares: labels that would overlap are pooled about their mean (pool adjacent violators). When they are too
    many for the room they are set closer than their heights, so that none is ever out of range.

    Parameters
    ----------
    wanted : array (n,)
        Where each belongs, in any order [mm].
    heights : float or array (n,)
        How high each is, with the room that it takes to the next one [mm].
    low, high : float
        Bounds of the middles [mm].
    downwards : bool
        Whether labels that belong at the same place stand in their order from the top down, not from below.

    Returns
    -------
    array (n,)
        In the order of ``wanted``.
    """
    at = np.asarray(wanted, dtype=np.float64)
    n = len(at)
    if n == 0:
        return at
    if downwards:
        return -spread(-at, heights, -high, -low)
    order = np.argsort(at, kind="stable")
    tall = np.broadcast_to(np.asarray(heights, dtype=np.float64), n)[order]
    above = np.concatenate([[0.0], np.cumsum((tall[1:] + tall[:-1]) / 2.0)])
    above *= min(1.0, max(high - low, 0.0) / max(float(above[-1]), 1e-9))
    pools: list[tuple[float, int]] = []
    for value in (at[order] - above).tolist():
        mean, count = value, 1
        while pools and pools[-1][0] > mean:
            other, size = pools.pop()
            mean, count = (other * size + mean * count) / (size + count), size + count
        pools.append((mean, count))
    placed = np.repeat([mean for mean, _ in pools], [count for _, count in pools])
    found = np.empty(n)
    found[order] = np.clip(placed, low, max(high - float(above[-1]), low)) + above
    return found
