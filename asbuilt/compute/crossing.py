"""Where a probability passes the confidence asked for, between a level where it suffices and one where it does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Floats, Integers

__all__ = ["CROSSING_M", "crossing"]

#: Levels are refined to this [m].
CROSSING_M = 1e-4
_STEPS = 64


def _probit(p: Floats) -> Floats:
    from scipy.special import ndtri

    score: Floats = ndtri(np.clip(p, 1e-15, 1 - 1e-15))
    return score


def crossing(
    probability: Callable[[Integers, Floats], Floats],
    confidence: float,
    *,
    high: Floats,
    low: Floats,
    p_high: Floats,
    p_low: Floats,
) -> Floats:
    """Return the levels (k,) where p(z) passes the confidence, within 0.1 mm: interpolated on the probit.

    Parameters
    ----------
    probability : callable
        p of some of the k items, given by their places, at one level each.
    confidence : float
        Probability asked for.
    high, low : (k,) arrays
        Levels [m]: at ``high`` p suffices, at ``low`` it does not; either may be the higher one.
    p_high, p_low : (k,) arrays
        p there.

    Returns
    -------
    (k,) array
        The end of the last bracket at which p does not suffice [m].
    """
    target = float(_probit(np.array(confidence)))
    high, low = high.copy(), low.copy()
    f_high, f_low = _probit(p_high) - target, _probit(p_low) - target
    # the point before the last two, for inverse quadratic steps
    older, f_older = low.copy(), f_low.copy()
    fraction = f_high / (f_high - f_low)
    active = np.arange(len(high))
    for _ in range(_STEPS):
        wide = np.abs(high[active] - low[active]) > CROSSING_M / 2
        active = active[wide]
        if not len(active):
            break
        a, b = high[active], low[active]
        # stay clear of the ends by less than the precision asked for, so that the bracket closes from both sides
        margin = np.minimum(0.25, 0.4 * CROSSING_M / np.abs(a - b))
        z = a + np.clip(fraction[active], margin, 1 - margin) * (b - a)
        p = probability(active, z)
        f, enough = _probit(p) - target, p >= confidence
        older[active] = np.where(enough, a, b)
        f_older[active] = np.where(enough, f_high[active], f_low[active])
        high[active[enough]], f_high[active[enough]] = z[enough], f[enough]
        low[active[~enough]], f_low[active[~enough]] = z[~enough], f[~enough]
        fraction[active] = _next(
            high[active], low[active], older[active], f_high[active], f_low[active], f_older[active]
        )
    return low


def _next(a: Floats, b: Floats, c: Floats, fa: Floats, fb: Floats, fc: Floats) -> Floats:
    """Return where between a and b to look next: inverse quadratic where that is safe, else the middle.

    References
    ----------
    T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm, Advances in Engineering Software 28 (1997). From
    memory.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        safe = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi)
        step = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
    return np.where(safe & np.isfinite(step), step, 0.5)
