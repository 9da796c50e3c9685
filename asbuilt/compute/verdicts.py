"""Probabilities of conformity, and the four words that they become.

Everywhere p is the probability that the true value conforms given the measured one, with the true value taken as
normal about the measured and no prior (JCGM 106:2012, clause 7).
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.model import Booleans, Codes, Floats

__all__ = [
    "NOT_MADE",
    "NOT_SURVEYED",
    "OUTSIDE",
    "SLACK_M",
    "UNRESOLVED",
    "WITHIN",
    "decide",
    "disc_probability",
    "principal_probability",
    "worst",
]

WITHIN, UNRESOLVED, NOT_SURVEYED, OUTSIDE = (
    np.int8(VERDICTS.index(word)) for word in ("within", "unresolved", "not surveyed", "outside")
)
NOT_MADE = np.int8(-1)

#: Limits are compared with this slack [m, or m/m], so that a value on the limit is not outside by rounding.
SLACK_M = 1e-8

# A disc much wider than the scatter is nearly a half-plane: few Gauss-Hermite nodes suffice. Otherwise the integral
# over the component across is taken in the angle, where its integrand is smooth up to the disc's rim; correlation
# makes it steeper, and wants more nodes.
_WIDE, _VERY_WIDE = 12.0, 20.0
_REACH = 6.5
_HERMITE, _HERMITE_FEW = (np.polynomial.hermite_e.hermegauss(nodes) for nodes in (8, 4))
_LEGENDRE = np.polynomial.legendre.leggauss(32)
# below this ratio of radius to scatter the series for the noncentral chi-square distribution is quicker
_SERIES = 6.0


def disc_probability(
    distance: Floats, radius: Floats, *, var_along: Floats, var_across: Floats, cov: Floats | None = None
) -> Floats:
    """Return P(|W| <= radius) for a plane normal W whose mean lies ``distance`` from the disc's centre.

    Given the component across the mean vector, |W| <= radius is a difference of two Gaussian probabilities, which is
    integrated over that component. Absolute error below 1e-6.

    Parameters
    ----------
    distance : (k,) array
        Length of the mean vector [m].
    radius : (k,) array
        Radius of the disc [m]; negative: the probability is 0.
    var_along, var_across : (k,) arrays
        Variances of W along and across its mean vector [m²], positive.
    cov : (k,) array, optional
        Covariance of the two [m²]; None for none.

    Returns
    -------
    (k,) array
        Probability; NaN where an input is NaN.

    References
    ----------
    JCGM 106:2012, clause 7; for equal variances the noncentral chi-square distribution on two degrees of freedom.
    """
    distance, radius, var_along, var_across = (
        np.ascontiguousarray(a, dtype=float) for a in np.broadcast_arrays(distance, radius, var_along, var_across)
    )
    shape = distance.shape
    distance, radius, var_along, var_across = (a.ravel() for a in (distance, radius, var_along, var_across))
    mixed = np.zeros(distance.size) if cov is None else np.broadcast_to(cov, shape).ravel()
    across, along = np.sqrt(var_across), np.sqrt(var_along)
    widest = np.maximum(across, along)
    very_wide = (radius > _VERY_WIDE * widest) & (mixed == 0)
    if very_wide.all():
        return _half_plane_like(distance, radius, along, across, _HERMITE_FEW).reshape(shape)
    wide = ~very_wide & (radius > _WIDE * widest) & (mixed == 0)
    narrow = ~wide & ~very_wide
    alike = narrow & (mixed == 0) & (var_along == var_across) & (radius < _SERIES * across) & (radius >= 0)
    # very unequal scatter is as steep as correlated scatter
    correlated = (mixed != 0) | (narrow & (widest > 5.0 * np.minimum(across, along)))
    alike &= ~correlated
    p = np.empty(distance.size)
    for chosen, rule in ((very_wide, _HERMITE_FEW), (wide, _HERMITE)):
        if chosen.any():
            p[chosen] = _half_plane_like(distance[chosen], radius[chosen], along[chosen], across[chosen], rule)
    if alike.any():
        p[alike] = _series(distance[alike], radius[alike], across[alike])
    rest = narrow & ~alike & ~correlated
    if rest.any():
        p[rest] = _whole_disc(distance[rest], radius[rest], along[rest], across[rest])
    if correlated.any():
        p[correlated] = _correlated(
            distance[correlated], radius[correlated], var_along[correlated], var_across[correlated], mixed[correlated]
        )
    return p.reshape(shape)


def _half_plane_like(
    distance: Floats, radius: Floats, along: Floats, across: Floats, rule: tuple[Floats, Floats]
) -> Floats:
    """Integrate by Gauss-Hermite where the far rim is out of reach; nodes at ±v see the same rim."""
    from scipy.special import ndtr

    p = np.zeros(distance.size)
    for node, weight in zip(*rule, strict=True):
        if node > 0:
            v = node * across
            p += weight * ndtr((np.sqrt(radius * radius - v * v) - distance) / along)
    scaled: Floats = p * (2 / np.sqrt(2 * np.pi))
    return scaled


def _series(distance: Floats, radius: Floats, sigma: Floats) -> Floats:
    """Return the noncentral chi-square distribution on two degrees of freedom."""
    from scipy.special import chndtr

    p: Floats = np.asarray(chndtr((radius / sigma) ** 2, 2.0, (distance / sigma) ** 2), dtype=np.float64)
    return p


def _whole_disc(distance: Floats, radius: Floats, along: Floats, across: Floats) -> Floats:
    """Integrate by Gauss-Legendre in the angle of the rim, over what the scatter reaches; ±v see the same rim."""
    from scipy.special import ndtr

    safe = np.maximum(radius, 0.0)
    reach = np.arcsin(np.minimum(1.0, _REACH * across / np.maximum(safe, 1e-300)))
    p = np.zeros(distance.size)
    for node, weight in zip(*_LEGENDRE, strict=True):
        if node > 0:
            v, rim = safe * np.sin(node * reach), safe * np.cos(node * reach)
            inside = ndtr((rim - distance) / along) - ndtr((-rim - distance) / along)
            p += 2 * weight * rim * np.exp(-0.5 * (v / across) ** 2) * inside
    inside_disc: Floats = np.clip(p * reach / (across * np.sqrt(2 * np.pi)), 0.0, 1.0)
    return inside_disc


@cache
def _correlated_rule() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(160)
    return nodes, weights


def _correlated(distance: Floats, radius: Floats, var_along: Floats, var_across: Floats, mixed: Floats) -> Floats:
    """Integrate likewise, the component along given the one across being normal about a shifted mean."""
    from scipy.special import ndtr

    safe, across = np.maximum(radius, 0.0), np.sqrt(var_across)
    slope = mixed / var_across
    spread = np.sqrt(np.maximum(var_along - mixed * slope, 1e-9 * var_along))
    reach = np.arcsin(np.minimum(1.0, _REACH * across / np.maximum(safe, 1e-300)))
    p = np.zeros(distance.size)
    for node, weight in zip(*_correlated_rule(), strict=True):
        v, rim = safe * np.sin(node * reach), safe * np.cos(node * reach)
        mean = distance + slope * v
        inside = ndtr((rim - mean) / spread) - ndtr((-rim - mean) / spread)
        p += weight * rim * np.exp(-0.5 * (v / across) ** 2) * inside
    inside_disc: Floats = np.clip(p * reach / (across * np.sqrt(2 * np.pi)), 0.0, 1.0)
    return inside_disc


def principal_probability(e: Floats, n: Floats, *, cov: Floats, limit: Floats) -> Floats:
    """Return P(|X| <= limit) for X normal about (e, n) with covariance ``cov`` (k, 3): EE, EN, NN [same unit squared].

    The covariance is turned into the axes along and across the mean vector and integrated.
    """
    length = np.hypot(e, n)
    safe = np.where(length > 0, length, 1.0)
    c, s = np.where(length > 0, e / safe, 1.0), n / safe
    ee, en, nn = cov[..., 0], cov[..., 1], cov[..., 2]
    if not np.any(en) and np.array_equal(ee, nn, equal_nan=True):
        return disc_probability(length, limit, var_along=ee, var_across=ee)
    along = c * c * ee + 2 * c * s * en + s * s * nn
    across = s * s * ee - 2 * c * s * en + c * c * nn
    mixed = c * s * (nn - ee) + (c * c - s * s) * en
    return disc_probability(length, limit, var_along=along, var_across=across, cov=mixed)


def decide(
    beyond: Booleans,
    p: Floats,
    *,
    rule: str,
    confidence: float,
    measured: Booleans,
    made: Booleans | bool = True,
) -> Codes:
    """Return verdict codes by the simple or the guarded rule.

    Parameters
    ----------
    beyond : (k,) array of bool
        Whether the measured value itself lies beyond its limit.
    p : (k,) array
        Probability that the true value conforms.
    rule : str
        ``simple``: measured against allowed; ``guarded``: within when p >= confidence, outside when
        p <= 1 - confidence and the measured value is beyond, else unresolved.
    confidence : float
        Between 0.5 and 1.
    measured : (k,) array of bool
        False: not surveyed.
    made : (k,) array of bool
        False: the check is not asked for, code -1.
    """
    if rule == "simple":
        code = np.where(beyond, OUTSIDE, WITHIN)
    else:
        code = np.where(p >= confidence, WITHIN, np.where((p <= 1 - confidence) & beyond, OUTSIDE, UNRESOLVED))
    code = np.where(measured, code, NOT_SURVEYED)
    return np.where(made, code, NOT_MADE).astype(np.int8)


def worst(*codes: npt.NDArray[np.int8]) -> Codes:
    """Return the worst of several verdicts: outside, not surveyed, unresolved, within; -1 where none was made."""
    gravest: Codes = np.maximum.reduce(codes)
    return gravest
