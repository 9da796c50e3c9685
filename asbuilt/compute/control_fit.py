"""The fit of control points by least squares, and what its residuals say of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betaincinv, chdtri

from asbuilt.model import Similarity

if TYPE_CHECKING:
    from asbuilt.model import Floats, Texts

__all__ = ["RISK", "Judgement", "Points", "SimilarityFit", "fit_similarity", "judge", "moved_without", "pope_tau"]

#: Chance that a sound point, or a sound set of points, is held to be wrong.
RISK = 0.001
#: √λ, λ the noncentrality of χ² with two degrees of freedom that passes its 0.1 % point in four of five cases.
DETECTABLE = 4.4342
#: Least points of which one can be named.
NAMED_FROM = 4
#: Points that lie nearer to one another than this (root mean square about their middle) carry no rotation [m].
LEAST_SPREAD = 0.1
#: Redundancy under which a point's error would not show in its residual.
_NONE = 1e-9
#: Residuals under this are rounding [m].
_EXACT = 1e-7


@dataclass(frozen=True, kw_only=True)
class Points:
    """Control points as read: places in the site grid and on the map (k, 2) [m], and standard deviations (k,) [m]."""

    name: Texts
    site: Floats
    on_map: Floats
    sigma: Floats

    def __len__(self) -> int:
        return len(self.name)

    @property
    def known(self) -> bool:
        """Whether each has its standard deviation."""
        return len(self) > 0 and bool(np.isfinite(self.sigma).all())


@dataclass(frozen=True, kw_only=True)
class SimilarityFit:
    """A fitted similarity; arrays over the points (k,).

    ``cov`` (4, 4) is that of a, b, origin_e, origin_n; ``middle`` the weighted middle of the points in the site grid,
    where the place is known best: ``u_middle`` [m] there, ``u_turn`` for each metre from it, per axis. Residuals are
    computed minus given [m]. NaN where no redundancy tells it.
    """

    similarity: Similarity
    cov: Floats
    residual_e: Floats
    residual_n: Floats
    redundancy: Floats
    s0: float
    degrees_of_freedom: int
    middle: tuple[float, float]
    u_middle: float
    u_turn: float


def fit_similarity(site: Floats, on_map: Floats, *, sigma: Floats | None = None) -> SimilarityFit:
    """Return the similarity that fits points in the site grid to their places on the map best.

    Parameters
    ----------
    site, on_map : arrays (k, 2)
        Easting and northing [m].
    sigma : array (k,), optional
        Standard deviation of each point per axis [m]. Without it all points weigh alike, and standard deviations come
        from the residuals.

    Returns
    -------
    SimilarityFit

    Raises
    ------
    ValueError
        With fewer than two points, or where they lie in one place.

    Notes
    -----
    Least squares of E' = a·E − b·N + origin_e, N' = b·E + a·N + origin_n with weights p = 1/σ². About the weighted
    middles, with D = Σ p (ΔE² + ΔN²): a = Σ p (ΔE ΔE' + ΔN ΔN')/D and b = Σ p (ΔE ΔN' − ΔN ΔE')/D; both have the
    variance s²/D, the middle's place s²/Σp. A point's redundancy is 1 − p/Σp − p (ΔE² + ΔN²)/D, alike in both axes.

    References
    ----------
    Ghilani, Wolf, *Adjustment Computations*, chapter 18, two-dimensional conformal coordinate transformation.
    """
    count = len(site)
    if count < 2:  # four unknowns need two points
        raise ValueError(f"{count} points, expected two or more")
    p = np.ones(count) if sigma is None else 1.0 / sigma**2
    middle, middle_map = (np.average(places, axis=0, weights=p) for places in (site, on_map))
    (e, n), (map_e, map_n) = (site - middle).T, (on_map - middle_map).T
    square = e**2 + n**2
    spread = float(p @ square)
    if spread / float(p.sum()) < LEAST_SPREAD**2:
        raise ValueError(f"all points lie within {LEAST_SPREAD:g} m or so, expected them to span the site")
    a = float(p @ (e * map_e + n * map_n)) / spread
    b = float(p @ (e * map_n - n * map_e)) / spread
    residual_e, residual_n = a * e - b * n - map_e, b * e + a * n - map_n
    free = 2 * count - 4
    s0 = float(np.sqrt(p @ (residual_e**2 + residual_n**2) / free)) if free else np.nan
    unit = s0 if sigma is None else 1.0
    u_turn, u_middle = unit / np.sqrt(spread), unit / np.sqrt(p.sum())
    origin = (middle_map[0] - a * middle[0] + b * middle[1], middle_map[1] - b * middle[0] - a * middle[1])
    # The origin follows from the middle's place and the turn about it: (a, b, middle e, middle n) to the parameters.
    lever = np.eye(4)
    lever[2, :2], lever[3, :2] = (-middle[0], middle[1]), (-middle[1], -middle[0])
    return SimilarityFit(
        similarity=Similarity(a=a, b=b, origin_e=float(origin[0]), origin_n=float(origin[1])),
        cov=lever @ np.diag(np.array([u_turn, u_turn, u_middle, u_middle]) ** 2) @ lever.T,
        residual_e=residual_e,
        residual_n=residual_n,
        redundancy=1.0 - p / p.sum() - p * square / spread,
        s0=s0,
        degrees_of_freedom=free,
        middle=(float(middle[0]), float(middle[1])),
        u_middle=float(u_middle),
        u_turn=float(u_turn),
    )


def pope_tau(free: int, risk: float, *, dimensions: int = 2) -> float:
    """Return what a residual over its standard deviation may come to, that deviation itself coming from the residuals.

    Parameters
    ----------
    free
        Degrees of freedom f.
    risk
        Chance that a sound point passes it.
    dimensions
        Components d of the residual: 1 for a single one, 2 for the length of a point's.

    Returns
    -------
    float
        τ; NaN for f ≤ d, where every residual comes to √f and nothing can be tested.

    Notes
    -----
    τ²/f follows the beta distribution with d/2 and (f − d)/2.

    References
    ----------
    Pope, *The statistics of residuals and the detection of outliers*, NOAA Technical Report NOS 65 NGS 1, 1976.

    Examples
    --------
    >>> round(pope_tau(10, 0.05, dimensions=1), 4)
    1.9039
    """
    if free <= dimensions:
        return np.nan
    return float(np.sqrt(free * betaincinv(dimensions / 2.0, (free - dimensions) / 2.0, 1.0 - risk)))


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What the residuals say: see :class:`asbuilt.model.ControlFit`."""

    state: str
    w: Floats
    detectable: Floats
    limit: float = np.nan
    suspect: int = -1

    @property
    def holds(self) -> bool:
        """Whether nothing speaks against the fit, so that its standard deviations mean what they say."""
        return self.state not in ("suspect", "at odds")


def moved_without(points: Points, fit: SimilarityFit, left_out: int, places: Floats) -> tuple[float, float]:
    """Return how far places (k, 2) [m, site grid] would move on the map at least and at most [m], one point left out.

    NaN where the other points carry no fit.
    """
    others = np.arange(len(points)) != left_out
    sigma = points.sigma[others] if points.known else None
    try:
        other = fit_similarity(points.site[others], points.on_map[others], sigma=sigma).similarity
    except ValueError:
        return np.nan, np.nan
    one = fit.similarity
    # About the middle of the points, as the origins of both lie far from the site.
    (e, n), middle = (places - fit.middle).T, np.array(fit.middle)
    a, b = other.a - one.a, other.b - one.b
    shift_e = a * middle[0] - b * middle[1] + other.origin_e - one.origin_e
    shift_n = b * middle[0] + a * middle[1] + other.origin_n - one.origin_n
    away = np.hypot(a * e - b * n + shift_e, b * e + a * n + shift_n)
    return float(away.min()), float(away.max())


def judge(points: Points, fit: SimilarityFit | None) -> Judgement:
    """Test the residuals of control points, one point at a time and all together.

    Parameters
    ----------
    points
        The points, with standard deviations or without.
    fit
        Their fit; None where there is none.

    Returns
    -------
    Judgement
        Only the point that stands out most is named, and only of four or more.

    Notes
    -----
    Of two degrees of freedom, so that the length of a point's residual over its standard deviation passes 3.72 with a
    chance of 0.1 % (χ² with two degrees of freedom). With three points that length is the same for all three. Without
    standard deviations it is held against Pope's τ.

    References
    ----------
    Baarda, *A testing procedure for use in geodetic networks*, Netherlands Geodetic Commission, 1968, from memory.
    """
    nothing = np.full(len(points), np.nan)
    if fit is None or not fit.degrees_of_freedom:
        return Judgement(state="no check", w=nothing, detectable=nothing)
    length = np.hypot(fit.residual_e, fit.residual_n)
    seen = fit.redundancy > _NONE
    root = np.sqrt(np.where(seen, fit.redundancy, np.nan))
    if points.known:
        w, limit = length / (points.sigma * root), float(np.sqrt(chdtri(2, RISK)))
        detectable = DETECTABLE * points.sigma / root
        strange = bool(fit.s0**2 * fit.degrees_of_freedom > chdtri(fit.degrees_of_freedom, RISK))
    else:
        # What is left of an exact fit is rounding: it tells nothing.
        w = length / (fit.s0 * root) if fit.s0 > _EXACT else nothing
        limit, detectable, strange = pope_tau(fit.degrees_of_freedom, RISK), nothing, False
    worst = int(np.argmax(np.nan_to_num(w)))
    found = bool(np.nan_to_num(w)[worst] > limit)
    if len(points) >= NAMED_FROM and found:
        return Judgement(state="suspect", w=w, detectable=detectable, limit=limit, suspect=worst)
    if np.isnan(limit):
        return Judgement(state="residuals only", w=nothing, detectable=detectable)
    return Judgement(state="at odds" if found or strange else "fits", w=w, detectable=detectable, limit=limit)
