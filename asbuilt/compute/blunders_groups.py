"""Shots of a survey folder, old and fresh, as what the search for blunders looks at: groups with a centre each.

The groups are those of :mod:`asbuilt.compute.centres`, but rows of every attempt are kept, and fresh rows are grouped
apart from rows that are already in the folder, so that the two can be compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import OBJECTS, SHOTS, TABLES
from asbuilt.compute.centres import GROUP_LEVEL_M
from asbuilt.compute.circles import fit_circles
from asbuilt.compute.numbering import numbered
from asbuilt.compute.records import governing_attempts, governing_records

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.model import Booleans, Floats, Integers, Survey, Texts

__all__ = ["FALSE_ALARM", "Ground", "Groups", "ground_of", "groups_of", "plan_limit"]

#: Chance that a load without a blunder raises a finding of one kind [0 to 1]; shared among its piles.
FALSE_ALARM = 0.001

_CHECK = OBJECTS.index("check")
_EDGE = SHOTS.index("edge")
_OMITTED = TABLES["design"].column("status").choices.index("omitted")


def plan_limit(count: int, chance: float = FALSE_ALARM) -> float:
    """Return the limit on chi-square with two degrees of freedom that ``count`` clean points exceed by ``chance``.

    The chance of any of them is shared evenly (Bonferroni): −2·ln(chance/count).

    Examples
    --------
    >>> round(plan_limit(1), 2), round(plan_limit(24), 2)
    (13.82, 20.17)
    """
    return float(-2.0 * np.log(chance / max(count, 1)))


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What a load is held against, over the n piles of the design table.

    ``e``, ``n`` [m]: approved centre where there is one, else design centre, reduced. ``radius`` [m]: half the recorded
    casing's diameter, else half the nominal one. ``built``: whether the design has the pile built at all.
    """

    e: Floats
    n: Floats
    radius: Floats
    cut_off: Floats
    built: Booleans
    approved: Booleans
    ids: Texts
    files: tuple[str, ...]
    lean_sigma: Floats
    """Lean that an unread pile may have, one standard deviation per component [m per m]."""


def ground_of(survey: Survey) -> Ground:
    """Return what the loads of a survey are held against."""
    s, design, set_out = survey.settings, survey.design, survey.set_out
    count = len(design)
    e, n = design["easting"] - survey.origin[0], design["northing"] - survey.origin[1]
    approved = np.zeros(count, dtype=np.bool_)
    order = np.argsort(set_out["at"], kind="stable")
    pile = set_out.pile[order]
    e[pile] = set_out["easting"][order] - survey.origin[0]
    n[pile] = set_out["northing"][order] - survey.origin[1]
    approved[pile] = True
    attempts = governing_attempts(count, survey.pickups, survey.tilts, survey.profiles, survey.records)
    casing = governing_records(survey.records, attempts=attempts).casing_od_mm
    steepest = max(s.tolerance.verticality.values(), default=0.0) / 1000.0
    return Ground(
        e=e,
        n=n,
        radius=np.where(np.isfinite(casing), casing, design["diameter_mm"]) / 2000.0,
        cut_off=design["cut_off_level"],
        built=design["status"] != _OMITTED,
        approved=approved,
        ids=design["pile_id"],
        files=tuple(file.path for file in survey.files),
        lean_sigma=np.full(count, steepest / 2.0),
    )


@dataclass(frozen=True, kw_only=True)
class Groups:
    """Groups of shots (k,): of one pile, attempt, object, set-up and level.

    ``var`` [m²]: variance of the centre per component without the part common to the set-up, the greater of the two.
    ``spread`` is the greatest statistic (chi-square, two degrees of freedom) of one centre shot against the others of
    its group, ``spread_row`` that shot's row; ``misfit`` the sum of squares of a circle over its limit. ``row`` is the
    first row in the pickups table; ``centres`` and ``edges`` count shots.
    """

    row: Integers
    pile: Integers
    attempt: Integers
    object: Integers
    setup: Integers
    file: Integers
    level: Floats
    e: Floats
    n: Floats
    var: Floats
    centres: Integers
    edges: Integers
    too_few: Booleans
    ambiguous: Booleans
    spread: Floats
    spread_row: Integers
    radius: Floats
    rms: Floats
    arc: Floats
    misfit: Floats

    @property
    def solved(self) -> Booleans:
        """Whether the group has a centre."""
        solved: Booleans = ~self.too_few & ~self.ambiguous
        return solved

    def __len__(self) -> int:
        return len(self.pile)


def groups_of(survey: Survey, ground: Ground, *, chosen: Booleans) -> Groups:
    """Return the groups of a survey's pickups on piles, solved.

    Parameters
    ----------
    survey, ground
        The survey, and what its loads are held against.
    chosen : (s,) array of bool
        The pickups that are looked at.
    """
    t = survey.pickups
    rows = np.flatnonzero((t.pile >= 0) & (t["object"] != _CHECK) & chosen)
    columns = [
        t.pile[rows].astype(np.int64),
        t["attempt"][rows].astype(np.int64),
        t["object"][rows].astype(np.int64),
        numbered(t["setup"])[rows],
    ]
    level = t["level"][rows]
    order = np.lexsort((level, *reversed(columns)))
    rows, level = rows[order], level[order]
    key = np.column_stack(columns)[order]
    begins = np.any(np.diff(key, axis=0) != 0, axis=1) | (np.diff(level) > GROUP_LEVEL_M)
    first = np.flatnonzero(np.r_[True, begins]) if len(rows) else np.empty(0, dtype=np.int64)
    of_row = np.cumsum(np.r_[True, begins])[: len(rows)] - 1
    solution = _solve(survey, ground, rows, of_row, key[first, 0])
    size = np.maximum(np.bincount(of_row, minlength=len(first)), 1)
    return Groups(
        row=rows[first],
        pile=key[first, 0],
        attempt=key[first, 1],
        object=key[first, 2],
        setup=key[first, 3],
        file=t.file[rows[first]].astype(np.int64),
        level=np.bincount(of_row, level, minlength=len(first)) / size,
        **solution,
    )


def _solve(survey: Survey, ground: Ground, rows: Integers, of_row: Integers, pile: Integers) -> dict[str, Any]:
    """Solve every group: weighted mean, or circle with the known diameter."""
    t, u, k = survey.pickups, survey.settings.uncertainty, len(pile)
    e, n = t["easting"][rows] - survey.origin[0], t["northing"][rows] - survey.origin[1]
    sigma = t["sigma_mm"][rows] / 1000.0
    sigma = np.where(np.isnan(sigma), u.pickup_mm / 1000.0, sigma)
    edge = t["shot"][rows] == _EDGE
    edges = np.bincount(of_row, edge, minlength=k).astype(np.int64)
    centres = np.bincount(of_row, ~edge, minlength=k).astype(np.int64)
    w = np.where(edge, 0.0, 1.0 / sigma**2)
    weight = np.bincount(of_row, w, minlength=k)
    safe = np.where(weight > 0, weight, np.nan)
    found: dict[str, Any] = {
        "e": np.bincount(of_row, w * e, minlength=k) / safe,
        "n": np.bincount(of_row, w * n, minlength=k) / safe,
        "var": 1.0 / safe,
        "too_few": (centres == 0) & (edges < 3),
        "ambiguous": np.zeros(k, dtype=np.bool_),
        **{name: np.full(k, np.nan) for name in ("radius", "rms", "arc")},
        "misfit": np.zeros(k),
    }
    found["spread"], found["spread_row"] = _spread(found["e"], found["n"], weight, (e, n, w, sigma), rows, of_row)
    circle = (edges > 0) & ~found["too_few"]
    if circle.any():
        shots = {"e": e, "n": n, "sigma": sigma, "edge": edge}
        free = np.maximum(edges + 2 * centres + 1 - 3, 1)
        known = u.radius_mm / 1000.0
        _fit_circles(found, shots, ground, circle, of_row=of_row, pile=pile, free=free, sigma_radius=known)
    return {**found, "centres": centres, "edges": edges}


def _fit_circles(
    found: dict[str, Any],
    shots: dict[str, npt.NDArray[Any]],
    ground: Ground,
    circle: Booleans,
    *,
    of_row: Integers,
    pile: Integers,
    free: Integers,
    sigma_radius: float,
) -> None:
    """Put the centres of the groups with edge shots, marked in ``circle``, into what was found."""
    from scipy.special import chdtri

    chosen, number, at = circle[of_row], np.cumsum(circle) - 1, pile[circle]
    centred = np.isfinite(found["e"][circle])
    fit = fit_circles(
        shots["e"][chosen],
        shots["n"][chosen],
        group=number[of_row[chosen]],
        sigma=shots["sigma"][chosen],
        edge=shots["edge"][chosen],
        start_e=np.where(centred, found["e"][circle], ground.e[at]),
        start_n=np.where(centred, found["n"][circle], ground.n[at]),
        radius=ground.radius[at],
        sigma_radius=sigma_radius,
    )
    found["e"][circle], found["n"][circle] = fit.e, fit.n
    found["var"][circle] = np.maximum(fit.cov[:, 0], fit.cov[:, 2])
    found["radius"][circle], found["rms"][circle], found["arc"][circle] = fit.radius, fit.rms, fit.arc_deg
    found["misfit"][circle] = fit.cost / chdtri(free[circle], FALSE_ALARM / len(at))
    found["ambiguous"][circle] = fit.ambiguous


def _spread(
    mean_e: Floats,
    mean_n: Floats,
    weight: npt.NDArray[Any],
    shots: tuple[Floats, ...],
    rows: Integers,
    of_row: Integers,
) -> tuple[Floats, Integers]:
    """Return the greatest statistic of a centre shot against the others of its group, and that shot's row."""
    e, n, w, sigma = shots
    greatest, which = np.zeros(len(weight)), np.full(len(weight), -1, dtype=np.int64)
    rest = weight[of_row] - w
    several = (w > 0) & (rest > 1e-9 * weight[of_row])
    if not several.any():
        return greatest, which
    g, w, rest = of_row[several], w[several], rest[several]
    factor = weight[g] / rest
    d2 = ((e[several] - mean_e[g]) ** 2 + (n[several] - mean_n[g]) ** 2) * factor**2
    statistic = d2 / (sigma[several] ** 2 + 1.0 / rest)
    order = np.lexsort((rows[several], statistic, g))
    last = np.flatnonzero(np.r_[np.diff(g[order]) != 0, True])
    greatest[g[order][last]], which[g[order][last]] = statistic[order][last], rows[several][order][last]
    return greatest, which
