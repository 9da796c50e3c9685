"""The limit that a sum of squares of normal deviates exceeds by a given chance, without a special function.

For whole degrees of freedom the chi-square distribution is a finite sum, and its limit one root: an answer at the rig
does not wait for a library of special functions.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers

__all__ = ["chance_beyond", "chi_square_limit"]

_STEPS = 40


def chi_square_limit(free: Integers, chance: float) -> Floats:
    """Return the value (k,) that chi-square exceeds with probability ``chance``.

    Parameters
    ----------
    free : (k,) array of int
        Degrees of freedom, 1 or more.
    chance : float
        Between 0 and 1.

    Notes
    -----
    Newton's method on the logarithm of the chance, which is concave in the value, from E. B. Wilson and M. M.
    Hilferty's approximation (PNAS 17, 1931; from memory). The sum is derived by parts from the density.

    Examples
    --------
    >>> chi_square_limit(np.array([1, 2, 9]), 0.01).round(3).tolist()
    [6.635, 9.21, 21.666]
    """
    distinct, place = np.unique(free, return_inverse=True)
    limits: Floats = np.array([_limit(int(one), chance) for one in distinct.tolist()], dtype=np.float64)[place]
    return limits


def chance_beyond(value: float, free: int) -> float:
    """Return the probability that chi-square with ``free`` degrees of freedom exceeds a positive value.

    With h half the value it is the sum of h^s·e^−h/Γ(s + 1): over s = 0, 1 … free/2 − 1 for even ``free``; over s =
    1/2, 3/2 … free/2 − 1 for odd, and then erfc(√h) besides.
    """
    half = value / 2.0
    first = 0.5 if free % 2 else 0.0
    terms = [
        math.exp((first + k) * math.log(half) - half - math.lgamma(first + k + 1.0)) for k in range(free // 2)
    ]
    return math.fsum([math.erfc(math.sqrt(half)) if free % 2 else 0.0, *terms])


@lru_cache(maxsize=4096)
def _limit(free: int, chance: float) -> float:
    part = 2.0 / (9.0 * free)
    value = free * max(1.0 - part + NormalDist().inv_cdf(1.0 - chance) * math.sqrt(part), 0.05) ** 3
    for _ in range(_STEPS):
        tail = chance_beyond(value, free)
        density = 0.5 * math.exp((free / 2.0 - 1.0) * math.log(value / 2.0) - value / 2.0 - math.lgamma(free / 2.0))
        step = tail * math.log(tail / chance) / density
        value = max(value + step, value / 8.0)
        if abs(step) < 1e-14 * value:
            break
    return value
