"""Lean readings to slopes, collected by pile from the top down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import SENSES, UNITS
from asbuilt.compute.chi_square import chi_square_limit

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.model import Booleans, Floats, Integers, Table
    from asbuilt.settings import Settings

__all__ = ["Readings", "collect_readings", "slope_of_values", "slopes_of_readings"]

_TOP_SENSE = SENSES.index("top")


def slopes_of_readings(tilts: Table, settings: Settings, alignment: Alignment) -> tuple[Floats, Floats]:
    """Return the slopes (k,), (k,) of lean readings towards east and north [m per m], pointing where the toe goes.

    Notes
    -----
    s = a·u(bearing_a) + b·u(bearing_b), u(β) = (sin β, cos β). Bearing a is by default towards the pit, b by default
    90 degrees clockwise of a as seen from above. Readings that say where the top leans are negated. 0 is plumb in every
    unit, also in 1:n.
    """
    unit = tilts["unit"]
    a, b = (slope_of_values(tilts[name], unit, settings.readings.level_length_mm) for name in ("tilt_a", "tilt_b"))
    stated = tilts["bearing_a_deg"]
    pit = alignment.pit[tilts.pile]
    a_e, a_n = pit[:, 0], pit[:, 1]
    given = ~np.isnan(stated)
    if given.any():
        angle = np.radians(stated)
        a_e, a_n = np.where(given, np.sin(angle), a_e), np.where(given, np.cos(angle), a_n)
    b_e, b_n = a_n, -a_e
    stated = tilts["bearing_b_deg"]
    given = ~np.isnan(stated)
    if given.any():
        angle = np.radians(stated)
        b_e, b_n = np.where(given, np.sin(angle), b_e), np.where(given, np.cos(angle), b_n)
    sense = tilts["sense"]
    by_default = -1.0 if settings.readings.sense == "top" else 1.0
    sign = np.where(sense < 0, by_default, np.where(sense == _TOP_SENSE, -1.0, 1.0))
    return sign * (a * a_e + b * b_e), sign * (a * a_n + b * b_n)


def slope_of_values(values: Floats, unit: Integers, level_length_mm: float) -> Floats:
    """Return raw readings, each in a unit of the column dictionary, as slopes [m per m]."""
    factor = np.array([1e-3, np.nan, 1e-2, np.nan, 1.0 / level_length_mm])[unit]
    slope: Floats = values * factor
    one_in, degrees = unit == UNITS.index("1:n"), unit == UNITS.index("deg")
    if one_in.any():
        n = values[one_in]
        slope[one_in] = np.divide(1.0, n, out=np.zeros(len(n)), where=n != 0)
    if degrees.any():
        slope[degrees] = np.tan(np.radians(values[degrees]))
    return slope


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Lean readings that serve, averaged by pile and level, in order of pile and from the top down.

    ``count`` is how many were averaged; ``start`` (n + 1,) delimits the piles; ``used`` marks the rows of the table
    of an attempt that governs; ``row`` is one row of each entry; ``drift`` (n,) the statistic over its 1 % limit.
    """

    start: Integers
    level: Floats
    slope_e: Floats
    slope_n: Floats
    count: Integers
    used: Booleans
    newest: Floats
    drift: Floats
    mean_e: Floats
    mean_n: Floats


def collect_readings(
    tilts: Table, settings: Settings, *, slope_e: Floats, slope_n: Floats, attempt: Integers
) -> Readings:
    """Return the readings of governing attempts, by pile and from the top down."""
    count = len(attempt)
    used = (tilts.pile >= 0) & (tilts["attempt"] == attempt[tilts.pile])
    rows = slice(None) if used.all() else np.flatnonzero(used)
    pile = tilts.pile[rows].astype(np.int64)
    level = tilts["from_level"][rows] - tilts["depth"][rows]
    time = tilts["read_at"][rows].astype("datetime64[ms]").astype(np.int64)
    s_e, s_n = slope_e[rows], slope_n[rows]
    same = np.diff(pile) == 0
    if np.any(np.diff(pile) < 0) or np.any(same & (np.diff(level) > 0)):
        order = np.lexsort((-level, pile))
        pile, level, time, s_e, s_n = pile[order], level[order], time[order], s_e[order], s_n[order]
        same = np.diff(pile) == 0
    sigma = settings.uncertainty.tilt_mm_per_m / 1000.0
    n_of = np.bincount(pile, minlength=count)
    safe = np.maximum(n_of, 1)
    mean_e, mean_n = np.bincount(pile, s_e, count) / safe, np.bincount(pile, s_n, count) / safe
    square = np.bincount(pile, (s_e - mean_e[pile]) ** 2 + (s_n - mean_n[pile]) ** 2, count) / sigma**2
    free = np.maximum(2 * (n_of - 1), 1)
    drift = np.where(n_of > 1, square / chi_square_limit(free, 0.01), 0.0)
    first = np.flatnonzero(np.r_[True, ~same | (np.abs(np.diff(level)) > 1e-6)]) if len(pile) else np.empty(0, np.int64)
    size = np.diff(np.r_[first, len(pile)])
    if len(first) < len(pile):
        s_e, s_n = np.add.reduceat(s_e, first) / size, np.add.reduceat(s_n, first) / size
        time = np.maximum.reduceat(time, first)
        pile, level = pile[first], level[first]
    start = np.concatenate([[0], np.cumsum(np.bincount(pile, minlength=count))])
    newest = np.full(count, np.nan)
    has = np.diff(start) > 0
    newest[has] = time[start[1:][has] - 1]
    return Readings(
        start=start,
        level=level,
        slope_e=s_e,
        slope_n=s_n,
        count=size,
        used=used,
        newest=newest,
        drift=drift,
        mean_e=np.where(n_of > 0, mean_e, np.nan),
        mean_n=np.where(n_of > 0, mean_n, np.nan),
    )
