"""Encroachment: how far a pile moves towards the pit, and how far its face stands inside the clear outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr

from asbuilt.compute.axes import NONE, axis_positions, axis_variances
from asbuilt.compute.crossing import crossing
from asbuilt.compute.lots import in_lots
from asbuilt.compute.piles import covariance_at
from asbuilt.compute.verdicts import NOT_MADE, SLACK_M, decide

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.model import Axes, Booleans, Codes, Floats, Integers
    from asbuilt.settings import Settings

__all__ = ["Encroachment", "encroach_allowance_m", "encroachment"]

_HALVINGS = 20


@dataclass(frozen=True, kw_only=True)
class Encroachment:
    """Movement towards the pit and how far the face stands inside the clear outline (n,) [m], with levels.

    ``from_level``: highest level at which the check is not within, NaN for none or not measured.
    """

    movement: Floats
    movement_level: Floats
    face_inside: Floats
    face_level: Floats
    of_allowed: Floats
    p: Floats
    from_level: Floats
    sigma: Floats
    verdict: Codes
    made: bool


@dataclass(frozen=True, kw_only=True)
class _Wall:
    """What the check of all piles is worked out from."""

    axes: Axes
    settings: Settings
    alignment: Alignment
    cov: Floats
    setup_var: float
    cut_off: Floats
    foot: Floats
    design: Floats
    radius: Floats
    outline: Any


def encroachment(
    axes: Axes,
    settings: Settings,
    alignment: Alignment,
    *,
    cov: Floats,
    setup_var: float,
    cut_off: Floats,
    formation: Floats,
    design_e: Floats,
    design_n: Floats,
    radius: Floats,
    outline: Any = None,
) -> Encroachment:
    """Judge encroachment from cut-off to formation, by movement and against the clear outline.

    Parameters
    ----------
    cov : (n, 3) array
        Covariance of the surveyed centres without the set-up part [m²].
    cut_off, formation : (n,) arrays
        Levels between which it is judged [m].
    design_e, design_n, radius : (n,) arrays
        Design centres, reduced, and radii [m].
    outline : Shapely polygon or None
        Clear outline, in the same reduced coordinates.

    Notes
    -----
    Movement towards the pit less what is allowed is linear between vertices of the axis: its greatest value lies at a
    vertex or an end. Beside a corner of the outline the nearest approach need not: it is found inside the interval too.
    A pile whose axis is unknown is judged where it is known; it is not surveyed unless that already settles it.
    """
    count = len(axes)
    empty = {
        name: np.full(count, np.nan) for name in Encroachment.__dataclass_fields__ if name not in ("verdict", "made")
    }
    judged = Encroachment(
        **empty,
        verdict=np.full(count, NOT_MADE, dtype=np.int8),
        made=settings.tolerance.encroach_mm is not None or outline is not None,
    )
    if not judged.made:
        return judged
    wall = _Wall(
        axes=axes,
        settings=settings,
        alignment=alignment,
        cov=cov,
        setup_var=setup_var,
        cut_off=cut_off,
        foot=np.minimum(formation, cut_off),
        design=np.column_stack([design_e, design_n]),
        radius=radius,
        outline=outline,
    )
    segments = np.diff(axes.start)
    alike = [np.flatnonzero(segments == size) for size in np.unique(segments)]
    in_lots(lambda piles: _fill(judged, wall, piles), *alike)
    return judged


def encroach_allowance_m(settings: Settings, cut_off: Floats, level: Floats) -> Floats:
    """Return the movement towards the pit allowed at a level [m]: encroach_mm, and its growth below cut-off."""
    t = settings.tolerance
    return ((t.encroach_mm or 0.0) + t.encroach_growth_mm_per_m * np.maximum(0.0, cut_off - level)) / 1000.0


def _levels(wall: _Wall, piles: Integers, size: int) -> Floats:
    """Return ends, vertices, surveyed level and deepest reading, clipped to the range, from the top down (k, l)."""
    axes, top, foot = wall.axes, wall.cut_off[piles], wall.foot[piles]
    vertices = axes.top[axes.start[piles][:, None] + np.arange(1, size)]
    inner = np.column_stack([vertices, axes.surveyed_level[piles], axes.deepest[piles]])
    clipped = np.clip(np.where(np.isnan(inner), top[:, None], inner), foot[:, None], top[:, None])
    return -np.sort(-np.column_stack([top, clipped, foot]), axis=1)


@dataclass(frozen=True, kw_only=True)
class _State:
    """The check at levels (k, l): movement, face inside [m], probability, whether beyond; where the axis is known."""

    movement: Floats
    excess: Floats
    face: Floats
    p: Floats
    sigma: Floats
    beyond: Booleans
    known: Booleans


def _state_at(wall: _Wall, piles: Integers, levels: Floats) -> _State:
    t = wall.settings.tolerance
    q2 = axis_variances(wall.axes, piles, levels)
    e, n = axis_positions(wall.axes, piles, levels)
    known = ~np.isnan(q2) & ~np.isnan(e)
    total = covariance_at(np.repeat(wall.cov[piles][:, None, :], levels.shape[1], axis=1), wall.setup_var, q2)
    movement, face = np.full(levels.shape, np.nan), np.full(levels.shape, np.nan)
    excess, sigma = np.full(levels.shape, -np.inf), np.full(levels.shape, np.nan)
    p, beyond = np.full(levels.shape, np.inf), np.zeros(levels.shape, dtype=bool)
    if t.encroach_mm is not None:
        allowed = encroach_allowance_m(wall.settings, wall.cut_off[piles][:, None], levels)
        d_e, d_n = e - wall.design[piles, :1], n - wall.design[piles, 1:]
        for pit in (wall.alignment.pit_1[piles], wall.alignment.pit_2[piles]):
            along = d_e * pit[:, :1] + d_n * pit[:, 1:]
            movement = np.fmax(movement, along)
            sigma = _sigma_towards(total, pit[:, None, :])
            p = np.fmin(p, np.where(known, ndtr((allowed - along) / sigma), np.inf))
        excess = np.where(known & ~np.isnan(movement), movement - allowed, -np.inf)
        beyond |= excess > SLACK_M
    if wall.outline is not None:
        limit = t.clear_mm / 1000.0
        for k in range(levels.shape[1]):
            distance, toward = _signed_distance(e[:, k], n[:, k], wall.outline)
            face[:, k] = np.where(known[:, k], wall.radius[piles] + t.overbreak_mm / 1000.0 - distance, np.nan)
            across = _sigma_towards(total[:, k], toward)
            sigma[:, k] = np.fmax(sigma[:, k], across)
            p[:, k] = np.fmin(p[:, k], np.where(known[:, k], ndtr((limit - face[:, k]) / across), np.inf))
        beyond |= face > limit + SLACK_M
    return _State(movement=movement, excess=excess, face=face, p=p, sigma=sigma, beyond=beyond, known=known)


def _fill(out: Encroachment, wall: _Wall, piles: Integers) -> None:
    """Fill in the results of one lot of piles with equally many segments."""
    s, t = wall.settings, wall.settings.tolerance
    levels = _levels(wall, piles, int(wall.axes.start[piles[0] + 1] - wall.axes.start[piles[0]]))
    state = _state_at(wall, piles, levels)
    rows = np.arange(len(piles))
    complete = (wall.axes.method[piles] != NONE) & ~np.isnan(wall.axes.surveyed_level[piles])
    p, utilisation = state.p.min(axis=1), np.full(len(piles), np.nan)
    beyond: Booleans = np.asarray(state.beyond.any(axis=1))
    made = np.zeros(len(piles), dtype=bool)
    if t.encroach_mm is not None:
        at = state.excess.argmax(axis=1)
        seen = np.isfinite(state.excess[rows, at])
        out.movement[piles] = np.where(seen, state.movement[rows, at], np.nan)
        out.movement_level[piles] = np.where(seen, levels[rows, at], np.nan)
        made |= ~np.isnan(wall.alignment.pit_1[piles][:, 0])
        allowed = state.movement[rows, at] - state.excess[rows, at]
        utilisation = np.where(seen, np.maximum(state.movement[rows, at], 0.0) / np.where(seen, allowed, 1.0), np.nan)
    if wall.outline is not None:
        face, level = _face_inside(wall, piles, levels, state)
        there = _state_at(wall, piles, np.where(np.isnan(level), levels[:, 0], level)[:, None])
        p, beyond = np.fmin(p, there.p[:, 0]), beyond | there.beyond[:, 0]
        levels = -np.sort(-np.column_stack([levels, np.where(np.isnan(level), levels[:, 0], level)]), axis=1)
        state = _state_at(wall, piles, levels)
        out.face_inside[piles], out.face_level[piles] = face, level
        made[:] = True
        if t.clear_mm > 0:
            utilisation = np.fmax(utilisation, np.maximum(face, 0.0) / (t.clear_mm / 1000.0))
        else:
            # no percentage of nothing
            utilisation = np.where(face > t.clear_mm / 1000.0 + SLACK_M, np.nan, utilisation)
    made &= wall.alignment.expected[piles]
    p = np.where(np.isfinite(p), p, np.nan)
    settled = (p <= 1 - s.site.confidence) & beyond
    complete &= ~np.isnan(p)
    out.p[piles] = np.where(made & (complete | settled), p, np.nan)
    out.sigma[piles] = np.where(complete, state.sigma[:, -1], np.nan)
    out.of_allowed[piles] = utilisation
    # the greatest of what little was seen is not the greatest
    partial = piles[~(complete | settled)]
    for column in (out.movement, out.movement_level, out.face_inside, out.face_level, out.of_allowed):
        column[partial] = np.nan
    out.verdict[piles] = decide(
        beyond, p, rule=s.decide.encroach, confidence=s.site.confidence, measured=complete | settled, made=made
    )
    out.from_level[piles] = _highest_not_within(wall, piles, levels, state)


def _fails(wall: _Wall, state: _State) -> Booleans:
    if wall.settings.decide.encroach == "simple":
        return state.beyond & state.known
    return state.known & (state.p < wall.settings.site.confidence)


def _highest_not_within(wall: _Wall, piles: Integers, levels: Floats, state: _State) -> Floats:
    """Return the highest level at which the check is not within (k,) [m]: bracketed, then closed in on to 0.1 mm."""
    fails = _fails(wall, state)
    first = fails.argmax(axis=1)
    found = fails.any(axis=1)
    level = np.where(found, levels[np.arange(len(piles)), first], np.nan)
    inner = np.flatnonzero(found & (first > 0))
    if not len(inner):
        return level
    mine, at = piles[inner], first[inner]
    high, low = levels[inner, at - 1], levels[inner, at]
    if wall.settings.decide.encroach == "guarded":
        level[inner] = crossing(
            lambda some, z: _state_at(wall, mine[some], z[:, None]).p[:, 0],
            wall.settings.site.confidence,
            high=high,
            low=low,
            p_high=state.p[inner, at - 1],
            p_low=state.p[inner, at],
        )
        return level
    for _ in range(_HALVINGS):
        middle = (high + low) / 2
        bad = _fails(wall, _state_at(wall, mine, middle[:, None]))[:, 0]
        low, high = np.where(bad, middle, low), np.where(bad, high, middle)
    level[inner] = low
    return level


def _sigma_towards(cov: Floats, unit: Floats) -> Floats:
    """Return the standard deviation along a unit vector [m]."""
    variance = (
        unit[..., 0] ** 2 * cov[..., 0]
        + 2 * unit[..., 0] * unit[..., 1] * cov[..., 1]
        + unit[..., 1] ** 2 * cov[..., 2]
    )
    sigma: Floats = np.sqrt(variance)
    return sigma


def _signed_distance(e: Floats, n: Floats, outline: Any) -> tuple[Floats, Floats]:
    """Return the distance from points to the outline [m], negative inside, and the unit vector to its nearest point.

    Inside, the unit vector still points into the outline: deeper is worse.
    """
    import shapely

    points = shapely.points(e, n)
    lost = np.isnan(e)
    points[lost] = None
    ring = shapely.boundary(outline)
    distance = shapely.distance(points, ring)
    inside = shapely.contains_xy(outline, np.where(lost, 0.0, e), np.where(lost, 0.0, n)) & ~lost
    nearest = shapely.get_coordinates(shapely.shortest_line(points[~lost], ring)).reshape(-1, 2, 2)
    toward = np.zeros((len(e), 2))
    toward[~lost] = nearest[:, 1] - nearest[:, 0]
    length = np.hypot(toward[:, 0], toward[:, 1])
    toward = np.where((length > 1e-12)[:, None], toward / np.where(length > 1e-12, length, 1.0)[:, None], [1.0, 0.0])
    toward[inside] *= -1.0
    return np.where(inside, -distance, distance), toward


def _face_inside(wall: _Wall, piles: Integers, levels: Floats, state: _State) -> tuple[Floats, Floats]:
    """Return how far each face stands inside the outline at worst (k,) [m] and at which level.

    While the axis stays outside, the nearest approach of each of its straight pieces is exact. Where it enters, the
    depth inside is a least distance to several edges: it is followed to its greatest value in each piece.
    """
    e, n = axis_positions(wall.axes, piles, levels)
    reach = wall.radius[piles] + wall.settings.tolerance.overbreak_mm / 1000.0
    distance = np.where(state.known, reach[:, None] - state.face, np.inf)
    at = distance.argmin(axis=1)
    rows = np.arange(len(piles))
    best, level = distance[rows, at], levels[rows, at]
    for k in range(levels.shape[1] - 1):
        open_piece = state.known[:, k] & state.known[:, k + 1] & (levels[:, k] - levels[:, k + 1] > SLACK_M)
        for chosen, finder in _split_pieces(open_piece, e, n, k, wall.outline):
            d, tau = finder(chosen)
            z = levels[chosen, k] + tau * (levels[chosen, k + 1] - levels[chosen, k])
            closer = d < best[chosen] - 1e-12
            best[chosen[closer]], level[chosen[closer]] = d[closer], z[closer]
    seen = np.isfinite(best)
    return np.where(seen, reach - best, np.nan), np.where(seen, level, np.nan)


def _split_pieces(open_piece: Booleans, e: Floats, n: Floats, k: int, outline: Any) -> Any:
    """Yield (rows, finder) for pieces that stay outside the outline and for those that enter it."""
    import shapely

    rows = np.flatnonzero(open_piece)
    if not len(rows):
        return
    ends = np.stack(
        [np.column_stack([e[rows, k], n[rows, k]]), np.column_stack([e[rows, k + 1], n[rows, k + 1]])], axis=1
    )
    pieces = shapely.linestrings(ends)
    enters = shapely.intersects(pieces, outline)

    def outside(chosen: Integers) -> tuple[Floats, Floats]:
        mine = pieces[np.searchsorted(rows, chosen)]
        line = shapely.get_coordinates(shapely.shortest_line(mine, outline)).reshape(-1, 2, 2)
        tau = shapely.line_locate_point(mine, shapely.points(line[:, 0]), normalized=True)
        return shapely.distance(mine, outline), np.nan_to_num(tau)

    def entering(chosen: Integers) -> tuple[Floats, Floats]:
        def depth(tau: Floats) -> Floats:
            x = e[chosen, k] + tau * (e[chosen, k + 1] - e[chosen, k])
            y = n[chosen, k] + tau * (n[chosen, k + 1] - n[chosen, k])
            return _signed_distance(x, y, outline)[0]

        return _least_of(depth, len(chosen))

    if not enters.all():
        yield rows[~enters], outside
    if enters.any():
        yield rows[enters], entering


def _least_of(function: Any, count: int, starts: int = 32) -> tuple[Floats, Floats]:
    """Return the least value of a function over 0 to 1 and where: best of a grid, then golden section."""
    grid = np.linspace(0.0, 1.0, starts + 1)
    values = np.column_stack([function(np.full(count, g)) for g in grid])
    at = values.argmin(axis=1)
    low, high = grid[np.maximum(at - 1, 0)], grid[np.minimum(at + 1, starts)]
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(48):
        a, b = high - golden * (high - low), low + golden * (high - low)
        left = function(a) < function(b)
        low, high = np.where(left, low, a), np.where(left, b, high)
    middle = (low + high) / 2
    inner, edge = function(middle), values[np.arange(count), at]
    return np.minimum(inner, edge), np.where(inner < edge, middle, grid[at])
