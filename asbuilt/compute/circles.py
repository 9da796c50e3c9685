"""Least-squares circles through shots on a pile's edge, with what is known of the diameter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.chi_square import chi_square_limit

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers

__all__ = ["MIRROR_LIMIT", "CircleFit", "fit_circles"]

#: Two solutions whose sums of squares differ by less than this cannot be told apart.
MIRROR_LIMIT = 6.0

_STEPS = 60
#: A normal matrix whose correlation matrix has a lesser determinant is taken for singular.
_SINGULAR = 1e-10


@dataclass(frozen=True, kw_only=True)
class CircleFit:
    """Least-squares circles (k,) with known-radius term.

    ``cov`` (k, 3) [m²]: EE, EN, NN, scaled where the residuals ask for it. ``arc_deg`` is the arc that the edge shots
    cover. ``ambiguous``: the mirror image across the chord fits as well, or the shots do not fix a centre.
    """

    e: Floats
    n: Floats
    radius: Floats
    cov: Floats
    cost: Floats
    rms: Floats
    arc_deg: Floats
    ambiguous: Booleans


def fit_circles(
    e: Floats,
    n: Floats,
    *,
    group: Integers,
    sigma: Floats,
    edge: Booleans,
    start_e: Floats,
    start_n: Floats,
    radius: Floats,
    sigma_radius: float | Floats,
) -> CircleFit:
    """Fit a circle to the shots of each group: all groups at once.

    Minimises over centre c and radius R the sum of ((|p − c| − R)/sigma)² over edge shots, (|p − c|/sigma)² over centre
    shots, and ((R − radius)/sigma_radius)².

    Parameters
    ----------
    e, n, sigma : (s,) arrays
        Shots, reduced, and their standard deviation per axis [m].
    group : (s,) array of int
        Group of each shot, rising, 0 to k − 1.
    edge : (s,) array of bool
        Edge shot (else centre shot).
    start_e, start_n, radius : (k,) arrays
        Start of the iteration and known radius [m].
    sigma_radius : float or (k,) array
        Standard deviation of the known radius [m]; infinite: no such term.

    References
    ----------
    Gander, Golub, Strebel: Least-squares fitting of circles and ellipses, BIT 34 (1994), for the geometric fit without
    the last term.
    """
    k = len(start_e)
    prior = np.broadcast_to(1.0 / np.asarray(sigma_radius, dtype=float), (k,))
    shots = (e, n, sigma, edge, group)
    first = _iterate(shots, np.column_stack([start_e, start_n, radius]), radius, prior)
    arc, chord_start, chord_end = _arc(e, n, group, edge, first)
    mirrored = _mirror(first, chord_start, chord_end)
    second = _iterate(shots, mirrored, radius, prior)
    cost_1, cost_2 = _cost(shots, first, radius, prior), _cost(shots, second, radius, prior)
    apart = np.hypot(*(first - second)[:, :2].T) > 1e-3
    other_side = apart & (arc < 180.0)
    ambiguous = other_side & (np.abs(cost_1 - cost_2) < MIRROR_LIMIT)
    best = np.where((other_side & (cost_2 < cost_1))[:, None], second, first)
    cost = np.where(other_side, np.minimum(cost_1, cost_2), cost_1)
    arc, _, _ = _arc(e, n, group, edge, best)
    normal, _ = _normal(shots, best, radius, prior)
    # shots at one point, or in line with the centre, leave it free to move: no fit
    scale = np.sqrt(np.einsum("kii->ki", normal))
    scale = np.where(scale > 0, scale, 1.0)
    loose = ~(np.linalg.det(normal / (scale[:, :, None] * scale[:, None, :])) > _SINGULAR)
    ambiguous |= loose
    cov3 = np.linalg.inv(np.where(loose[:, None, None], np.eye(3), normal))
    edges = np.bincount(group, edge, minlength=k)
    rows = edges + 2 * np.bincount(group, ~edge, minlength=k) + (prior > 0)
    free = np.maximum(rows - 3, 1)
    inflate = np.where((rows > 3) & (cost > chi_square_limit(free, 0.01)), cost / free, 1.0)
    residual = np.where(edge, np.hypot(e - best[group, 0], n - best[group, 1]) - best[group, 2], 0.0)
    rms = np.sqrt(np.bincount(group, residual**2, minlength=k) / np.maximum(edges, 1))
    return CircleFit(
        e=best[:, 0],
        n=best[:, 1],
        radius=best[:, 2],
        cov=np.column_stack([cov3[:, 0, 0], cov3[:, 0, 1], cov3[:, 1, 1]]) * inflate[:, None],
        cost=cost,
        rms=rms,
        arc_deg=arc,
        ambiguous=ambiguous,
    )


_Shots = tuple["Floats", "Floats", "Floats", "Booleans", "Integers"]


def _normal(shots: _Shots, x: Floats, radius: Floats, prior: Floats) -> tuple[Floats, Floats]:
    """Return JᵀJ (k, 3, 3) and Jᵀr (k, 3) at the parameters x (k, 3)."""
    e, n, sigma, edge, group = shots
    k = len(x)
    de, dn = e - x[group, 0], n - x[group, 1]
    distance = np.hypot(de, dn)
    safe = np.where(distance > 0, distance, 1.0)
    ue, un = np.where(distance > 0, de / safe, 1.0), dn / safe
    w = 1.0 / sigma**2

    def total(values: Floats) -> Floats:
        summed: Floats = np.bincount(group, values * w, minlength=k).astype(np.float64)
        return summed

    r = np.where(edge, distance - x[group, 2], 0.0)
    jtj, jtr = np.zeros((k, 3, 3)), np.zeros((k, 3))
    jtj[:, 0, 0] = total(np.where(edge, ue * ue, 1.0))
    jtj[:, 0, 1] = jtj[:, 1, 0] = total(np.where(edge, ue * un, 0.0))
    jtj[:, 1, 1] = total(np.where(edge, un * un, 1.0))
    jtj[:, 0, 2] = jtj[:, 2, 0] = total(np.where(edge, ue, 0.0))
    jtj[:, 1, 2] = jtj[:, 2, 1] = total(np.where(edge, un, 0.0))
    jtj[:, 2, 2] = total(edge.astype(float)) + prior**2
    # residuals fall along −u as the centre moves along u; a centre shot's residual is (p − c) itself
    jtr[:, 0] = total(np.where(edge, -ue * r, -de))
    jtr[:, 1] = total(np.where(edge, -un * r, -dn))
    jtr[:, 2] = -total(r) + prior**2 * (x[:, 2] - radius)
    return jtj, jtr


def _cost(shots: _Shots, x: Floats, radius: Floats, prior: Floats) -> Floats:
    e, n, sigma, edge, group = shots
    distance = np.hypot(e - x[group, 0], n - x[group, 1])
    r = np.where(edge, distance - x[group, 2], distance) / sigma
    total: Floats = np.bincount(group, r * r, minlength=len(x)) + (prior * (x[:, 2] - radius)) ** 2
    return total


def _iterate(shots: _Shots, start: Floats, radius: Floats, prior: Floats) -> Floats:
    """Gauss-Newton with Levenberg's damping, every group on its own damping, until no group moves."""
    x = start.copy()
    damping = np.full(len(x), 1e-6)
    cost = _cost(shots, x, radius, prior)
    for _ in range(_STEPS):
        jtj, jtr = _normal(shots, x, radius, prior)
        scale = np.einsum("kii->k", jtj) / 3.0
        damped = jtj + (damping * scale)[:, None, None] * np.eye(3)
        step = -np.linalg.solve(damped, jtr[:, :, None])[:, :, 0]
        trial = _cost(shots, x + step, radius, prior)
        better = trial <= cost
        x = np.where(better[:, None], x + step, x)
        cost = np.where(better, trial, cost)
        damping = np.where(better, np.maximum(damping * 0.1, 1e-12), np.minimum(damping * 10.0, 1e6))
        if np.all(np.abs(step).max(axis=1, initial=0.0) < 1e-9):
            break
    return x


def _arc(e: Floats, n: Floats, group: Integers, edge: Booleans, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the arc covered by the edge shots [deg], and the points (k, 2) at its two ends."""
    k = len(x)
    arc = np.full(k, np.nan)
    start, end = np.full((k, 2), np.nan), np.full((k, 2), np.nan)
    e, n, group = e[edge], n[edge], group[edge]
    if not len(e):
        return arc, start, end
    angle = np.arctan2(n - x[group, 1], e - x[group, 0])
    order = np.lexsort((angle, group))
    e, n, group, angle = e[order], n[order], group[order], angle[order]
    first = np.flatnonzero(np.r_[True, np.diff(group) != 0])
    size = np.diff(np.r_[first, len(group)])
    last = first + size - 1
    gap = np.empty(len(angle))
    gap[:-1] = np.diff(angle)
    gap[last] = angle[first] + 2 * np.pi - angle[last]
    widest = np.maximum.reduceat(gap, first)
    at = np.flatnonzero(gap == np.repeat(widest, size))
    at = at[np.r_[True, np.diff(group[at]) != 0]]
    following = np.where(at == last, first, at + 1)
    owner = group[first]
    arc[owner] = np.degrees(2 * np.pi - widest)
    end[owner] = np.column_stack([e[at], n[at]])
    start[owner] = np.column_stack([e[following], n[following]])
    return arc, start, end


def _mirror(x: Floats, chord_start: Floats, chord_end: Floats) -> Floats:
    """Return the parameters with their centre mirrored across the chord of the shots."""
    along = chord_end - chord_start
    length = np.hypot(along[:, 0], along[:, 1])
    known = length > 0
    unit = along / np.where(known, length, 1.0)[:, None]
    offset = x[:, :2] - chord_start
    across = offset - unit * np.sum(unit * offset, axis=1)[:, None]
    mirrored = x.copy()
    mirrored[known, :2] = (x[:, :2] - 2 * across)[known]
    return mirrored
