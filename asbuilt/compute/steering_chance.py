"""How near to the rim of a disc a normal mean may lie for the true value to be inside with a given probability.

Beside :mod:`asbuilt.compute.verdicts`, which works on whole walls: here no special function is needed, so that an
answer at the rig does not wait for one to be loaded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Floats

__all__ = ["chance_inside", "sure_length"]

#: Directions around the mean. The integrand is smooth and periodic: the plain sum converges faster than any power.
_DIRECTIONS = 128
_ANGLE = (np.arange(_DIRECTIONS) + 0.5) * (2.0 * np.pi / _DIRECTIONS)
_COS, _SIN = np.cos(_ANGLE), np.sin(_ANGLE)
#: Halvings of a radius: to less than a nanometre.
_HALVINGS = 40


def chance_inside(mean: Floats, radius: Floats, cov: Floats) -> Floats:
    """Return P(|W| <= radius) for W normal about a mean inside the disc.

    Parameters
    ----------
    mean : (k, 2) array
        [m]
    radius : (k,) array
        [m]
    cov : (k, 3) array
        EE, EN, NN [m²], positive definite.

    Returns
    -------
    (k,) array
        Probability; 0 stands for a mean on the rim or beyond it, where it is less than a half.

    Notes
    -----
    Seen from the mean, in units of the scatter, the rim stands at ρ(φ) in the direction φ, and a standard normal goes
    farther in that direction with probability exp(−ρ²/2): P = 1 − (1/2π) ∫ exp(−ρ(φ)²/2) dφ. For a half-plane it is
    J. W. Craig's form of the normal integral (IEEE MILCOM, 1991; from memory). Derived from first principles.
    """
    ee, en, nn = cov.T
    root = np.sqrt(ee)
    slope = en / root
    rest = np.sqrt(nn - slope * slope)
    e = root[:, None] * _COS
    n = slope[:, None] * _COS + rest[:, None] * _SIN
    across = e * e + n * n
    along = mean[:, :1] * e + mean[:, 1:] * n
    spare = radius * radius - mean[:, 0] ** 2 - mean[:, 1] ** 2
    inside = (spare > 0) & (radius > 0)
    reach = (np.sqrt(along * along + across * np.where(inside, spare, 0.0)[:, None]) - along) / across
    p: Floats = 1.0 - np.exp(-0.5 * reach * reach).mean(axis=1)
    return np.where(inside, p, 0.0)


def sure_length(direction: Floats, radius: Floats, cov: Floats, confidence: float) -> Floats:
    """Return the greatest length of a mean vector for which P(|W| <= radius) still reaches the confidence.

    Parameters
    ----------
    direction : (k, 2) array
        Unit vectors along the mean.
    radius : (k,) array
        Of the disc [m].
    cov : (k, 3) array
        EE, EN, NN [m²].
    confidence : float
        Above a half.

    Returns
    -------
    (k,) array
        [m]; NaN where no length is short enough, or an input is NaN.
    """
    known = np.isfinite(cov).all(axis=1) & (radius > 0)
    length = np.full(len(radius), np.nan)
    direction, radius, cov = direction[known], radius[known], cov[known]
    low, high = np.zeros(len(radius)), radius.copy()
    never = chance_inside(np.zeros_like(direction), radius, cov) < confidence
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        enough = chance_inside(middle[:, None] * direction, radius, cov) >= confidence
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    length[known] = np.where(never, np.nan, low)
    return length
