"""Gross blunders in single pickups: what would bring a shot that lies far from its pile back to where it belongs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from asbuilt.columns import OBJECTS, SHOTS
from asbuilt.compute.blunders_groups import plan_limit

if TYPE_CHECKING:
    from asbuilt.compute.blunders_groups import Ground, Groups
    from asbuilt.compute.blunders_load import Scatter
    from asbuilt.model import Booleans, Floats, Integers, Survey

__all__ = ["CANDIDATES", "Candidate", "Misplaced", "Reach", "group_causes", "nearest_other", "reach_of", "row_causes"]

_EDGE = SHOTS.index("edge")
_CHECK = OBJECTS.index("check")
#: A pile this many times its plan tolerance off its place is asked about, even where scatter would explain it.
_TOLERANCES = 3.0
#: Out of reach of all piles, another one is thought of when it is so much nearer than the one named.
_MUCH_NEARER = 0.5
#: A less likely explanation is told when it leaves so much less [m].
_FAR_BETTER = 0.05


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One explanation of a misplaced shot: its kind of finding, column, what is said, and what undoes it.

    The true easting is ``factor_e`` times the easting as given, or times the northing where ``exchanged``.
    """

    kind: str
    column: str
    says: str
    factor_e: float = 1.0
    factor_n: float = 1.0
    exchanged: bool = False


_UNITS = (
    (0.001, "millimetres"),
    (0.01, "centimetres"),
    (0.3048, "feet"),
    (1200.0 / 3937.0, "US survey feet"),
)

CANDIDATES = (
    Candidate(
        kind="exchanged_coordinates",
        column="easting",
        says="easting and northing stand in each other's place",
        exchanged=True,
    ),
    Candidate(
        kind="sign_flip", column="easting", says="the sign of the easting is lost or turned round", factor_e=-1.0
    ),
    Candidate(
        kind="sign_flip", column="northing", says="the sign of the northing is lost or turned round", factor_n=-1.0
    ),
    Candidate(
        kind="sign_flip",
        column="easting",
        says="the signs of easting and northing are lost or turned round",
        factor_e=-1.0,
        factor_n=-1.0,
    ),
    *(
        Candidate(kind="wrong_unit", column="easting", says=f"coordinates in {unit}", factor_e=f, factor_n=f)
        for f, unit in _UNITS
    ),
    *(
        Candidate(kind="wrong_unit", column="easting", says=f"easting alone in {unit}", factor_e=f)
        for f, unit in _UNITS[:2]
    ),
    *(
        Candidate(kind="wrong_unit", column="northing", says=f"northing alone in {unit}", factor_n=f)
        for f, unit in _UNITS[:2]
    ),
    *(
        Candidate(
            kind="wrong_unit",
            column="easting",
            says=f"coordinates in {unit}, and easting and northing in each other's place",
            factor_e=f,
            factor_n=f,
            exchanged=True,
        )
        for f, unit in _UNITS
    ),
)
"""What is tried on a shot that is out of reach, the likeliest first."""


@dataclass(frozen=True, kw_only=True)
class Reach:
    """How far a pile's shot may lie from its design centre (k,) [m].

    ``tight``: what scatter explains, with the false-alarm rate shared among the load's piles. ``out``: from here on
    it is asked about.
    """

    tight: Floats
    out: Floats


def reach_of(
    survey: Survey, ground: Ground, scatter: Scatter, *, pile: Integers, level: Floats, var: Floats, count: int
) -> Reach:
    """Return the reach of shots or groups (k,) of the piles at ``pile``, in a load of ``count`` piles.

    Notes
    -----
    ``tight``² = limit·(σ_pos² + σ_batch² + σ_shot² + (σ_lean·h)²), h the depth of the shot below the commencing
    surface; limit is the 0.1 %/count point of chi-square on two degrees of freedom. ``out`` is the greater of that and
    three plan tolerances, and never more than half the pile's diameter.
    """
    s = survey.settings
    below = np.maximum(s.levels.commence - level, 0.0)
    # a shot below the site's levels is in doubt itself, and must not widen its own reach
    below = np.where(level < s.levels.lowest, 0.0, below)
    variance = scatter.placing**2 + scatter.batch**2 + var + (ground.lean_sigma[pile] * below) ** 2
    radius = ground.radius[pile]
    tight = np.minimum(np.sqrt(plan_limit(count) * variance), radius)
    out = np.maximum(tight, _TOLERANCES * s.tolerance.plan_mm / 1000.0)
    return Reach(tight=tight, out=np.minimum(out, radius))


def nearest_other(ground: Ground, *, e: Floats, n: Floats, pile: Integers) -> tuple[Integers, Floats]:
    """Return the place of the nearest design centre but the named one, (k,), and its distance (k,) [m].

    -1 and infinity where there is none. Omitted piles are not considered.
    """
    built = np.flatnonzero(ground.built)
    if not len(built) or not len(e):
        return np.full(len(e), -1, dtype=np.int64), np.full(len(e), np.inf)
    tree = cKDTree(np.column_stack([ground.e[built], ground.n[built]]))
    distance, place = map(np.asarray, tree.query(np.column_stack([e, n]), k=2))
    missing = place >= len(built)
    place = np.where(missing, -1, built[np.where(missing, 0, place)])
    own = place[:, 0] == pile
    rows = np.arange(len(e))
    return place[rows, own.astype(int)], distance[rows, own.astype(int)]


@dataclass(frozen=True, kw_only=True)
class Misplaced:
    """Shots or groups (k,) that lie out of reach, and why.

    ``index``: place in what was looked at. ``kind`` is ``exchanged_coordinates``, ``wrong_unit``, ``wrong_pile``,
    ``edge_as_centre`` or ``far_from_design``; ``candidate`` the place in :data:`CANDIDATES`, -1 for none. ``off`` [m]:
    distance from the named pile; ``after`` [m]: what is left once the cause is undone; ``other``: the nearest other
    pile, ``other_off`` [m] how far.
    """

    index: Integers
    pile: Integers
    kind: np.ndarray[tuple[int], np.dtype[np.object_]]
    candidate: Integers
    off: Floats
    after: Floats
    other: Integers
    other_off: Floats


def row_causes(survey: Survey, ground: Ground, scatter: Scatter, *, rows: Integers, count: int) -> Misplaced:
    """Return the pickups among ``rows`` that another reading of their coordinates, or of their pile, explains.

    A shot is out when it is out of reach of the named pile's centre (an edge shot: of its edge), and explained when one
    of :data:`CANDIDATES` brings it within scatter of it; or else when it lies within scatter of another pile's centre.
    Out-of-reach shots without such an explanation are left to :func:`group_causes`.
    """
    t, origin = survey.pickups, survey.origin
    rows = rows[(t.pile[rows] >= 0) & (t["object"][rows] != _CHECK)]
    pile = t.pile[rows].astype(np.int64)
    given = np.column_stack([t["easting"][rows], t["northing"][rows]])
    sigma = np.nan_to_num(t["sigma_mm"][rows], nan=survey.settings.uncertainty.pickup_mm) / 1000.0
    reach = reach_of(survey, ground, scatter, pile=pile, level=t["level"][rows], var=sigma**2, count=count)
    # an edge shot may lie anywhere on the rim
    rim = np.where(t["shot"][rows] == _EDGE, ground.radius[pile], 0.0)
    target = np.column_stack([ground.e[pile] + origin[0], ground.n[pile] + origin[1]])
    off = np.hypot(*(given - target).T)
    out = np.flatnonzero(off > reach.out + rim)
    candidate, after = _candidates(given[out], target[out], (reach.tight + rim)[out])
    e, n = given[out, 0] - origin[0], given[out, 1] - origin[1]
    other, other_off = nearest_other(ground, e=e, n=n, pile=pile[out])
    elsewhere = (candidate < 0) & (other_off <= reach.tight[out]) & (rim[out] == 0)
    kind = np.array([c.kind for c in CANDIDATES] + ["wrong_pile"], dtype=object)[candidate]
    told = (candidate >= 0) | elsewhere
    return Misplaced(
        index=rows[out][told],
        pile=pile[out][told],
        kind=kind[told],
        candidate=candidate[told],
        off=off[out][told],
        after=after[told],
        other=other[told],
        other_off=other_off[told],
    )


def _candidates(given: Floats, target: Floats, within: Floats) -> tuple[Integers, Floats]:
    """Return the first candidate that brings each point within reach of its target, -1 for none, and what is left."""
    chosen, left = np.full(len(given), -1, dtype=np.int64), np.full(len(given), np.nan)
    for place, one in enumerate(CANDIDATES):
        true = given[:, ::-1] if one.exchanged else given
        after = np.hypot(*(true * (one.factor_e, one.factor_n) - target).T)
        # near the grid's origin a smaller unit brings anything to its place, and explains nothing
        size = np.hypot(*(target * (one.factor_e != 1.0, one.factor_n != 1.0)).T)
        after = np.where((one.kind != "exchanged_coordinates") & (size < 2.0 * within), np.inf, after)
        # of two explanations that fit (feet of two kinds) the likelier one is told, unless the other fits far better
        fits = (after <= within) & ((chosen < 0) | (after < left - _FAR_BETTER))
        chosen, left = np.where(fits, place, chosen), np.where(fits, after, left)
    return chosen, left


def group_causes(
    ground: Ground, groups: Groups, reach: Reach, *, places: Integers, explained: tuple[Floats, Floats]
) -> Misplaced:
    """Return the groups of shots that lie out of reach of their pile, once what the whole load has is taken off.

    Parameters
    ----------
    places : (k,) array of int
        Places of the groups.
    reach : Reach
        Of these (k,).
    explained : (k,), (k,) arrays
        By how much the whole load's shift, turn and scale moved each [m].
    """
    pile = groups.pile[places]
    e, n = groups.e[places] - explained[0], groups.n[places] - explained[1]
    off = np.hypot(e - ground.e[pile], n - ground.n[pile])
    out: Booleans = off > reach.out
    other, other_off = nearest_other(ground, e=e[out], n=n[out], pile=pile[out])
    tight, radius = reach.tight[out], ground.radius[pile][out]
    on_rim = (np.abs(off[out] - radius) <= tight) & (groups.edges[places][out] == 0)
    kind = np.select(
        [other_off <= tight, on_rim, other_off < _MUCH_NEARER * off[out]],
        ["wrong_pile", "edge_as_centre", "wrong_pile"],
        "far_from_design",
    ).astype(object)
    return Misplaced(
        index=places[out],
        pile=pile[out],
        kind=kind,
        candidate=np.full(int(out.sum()), -1, dtype=np.int64),
        off=off[out],
        after=np.full(int(out.sum()), np.nan),
        other=other,
        other_off=other_off,
    )
