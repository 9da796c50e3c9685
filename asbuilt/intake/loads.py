"""What the loads say, against the design and the site file: rows that name a pile, readings, profiles."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from asbuilt.columns import OBJECTS, UNITS
from asbuilt.intake.design import BEARINGS
from asbuilt.intake.nearest import NearestIds
from asbuilt.intake.values import short

if TYPE_CHECKING:
    from collections.abc import Container, Iterator, Mapping, Sequence

    from asbuilt.errors import Problem
    from asbuilt.intake.tables import Part

__all__ = ["check_control", "check_piles", "check_profiles", "check_shots", "check_tilts"]

CHECK_SHOT = OBJECTS.index("check")
DEGREES = UNITS.index("deg")
SQUARE_DEG = 1e-6
"""Slack of the right angle between two bearings [deg]; they are written with few decimals."""

Booleans = npt.NDArray[np.bool_]


def check_piles(parts: Sequence[Part], known: Mapping[str, int]) -> Iterator[Problem]:
    """Yield each pile that a file names and the design table has not, with known ids near it.

    Parameters
    ----------
    parts
        The files' rows.
    known
        Pile id to place in the design table.
    """
    suggest = NearestIds(list(known))
    for part in parts:
        unknown = np.array([*(name not in known for name in part.names.tolist()), False])
        rows = unknown[part.codes] & part.good("pile_id")
        for row, count in _firsts(part.codes, rows):
            name = part.columns["pile_id"][row]
            what = f"unknown pile {short(name)}{_more(count)}"
            yield replace(part.problem(row, "pile_id", what, suggest.expected(name)), kind="unknown_pile")


def check_shots(parts: Sequence[Part]) -> Iterator[Problem]:
    """Yield the pickups that name no pile and are no check shots."""
    for part in parts:
        nameless = (part.codes < 0) & (part.columns["object"] != CHECK_SHOT) & part.good("pile_id", "object")
        for row in np.flatnonzero(nameless).tolist():
            yield part.problem(row, "pile_id", "blank", "a pile id, as only a check shot has none")


def check_tilts(
    parts: Sequence[Part], *, sense: str | None, known: Mapping[str, int], why_bearing: npt.NDArray[np.int8]
) -> Iterator[Problem]:
    """Yield the lean readings whose direction or sense cannot be told.

    Parameters
    ----------
    parts
        The files' rows.
    sense
        What the site file says of readings that do not say it themselves.
    known
        Pile id to place in the design table.
    why_bearing
        Why a reading of each pile must say its bearing, as in :class:`asbuilt.intake.design.DesignCheck`.
    """
    for part in parts:
        if sense is None:
            rows = np.flatnonzero((part.columns["sense"] < 0) & part.good("sense"))
            if rows.size:
                expected = "toe or top here, or sense in [readings] of the site file"
                yield part.problem(int(rows[0]), "sense", f"not said{_more(rows.size)}", expected)
        yield from _too_far(part)
        yield from _not_square(part)
        a, b = (part.columns[name] for name in ("bearing_a_deg", "bearing_b_deg"))
        places = np.array([*(known.get(name, -1) for name in part.names.tolist()), -1])[part.codes]
        why = np.where(places >= 0, np.append(why_bearing, 0)[places], 0)
        # Where b is there the missing a has its line already.
        missing = (why > 0) & np.isnan(a) & np.isnan(b) & part.good("bearing_a_deg", "bearing_b_deg")
        for row, count in _firsts(part.codes, missing):
            reason = f"blank, and {part.columns['pile_id'][row]}: {BEARINGS[int(why[row])]}"
            yield part.problem(row, "bearing_a_deg", reason + _more(count), "a bearing from site-grid north")


def _too_far(part: Part) -> Iterator[Problem]:
    for name in ("tilt_a", "tilt_b"):
        far = (part.columns["unit"] == DEGREES) & (np.abs(part.columns[name]) >= 90.0)
        for row in np.flatnonzero(far).tolist():
            yield part.problem(row, name, f"{part.columns[name][row]:.10g} degrees from plumb", "less than 90")


def _not_square(part: Part) -> Iterator[Problem]:
    a, b = part.columns["bearing_a_deg"], part.columns["bearing_b_deg"]
    if np.isnan(b).all():
        return
    alone = np.isnan(a) & ~np.isnan(b) & part.good("bearing_a_deg")
    for row in np.flatnonzero(alone).tolist():
        yield part.problem(row, "bearing_a_deg", "blank beside a bearing_b_deg", "both bearings, or a alone")
    between = np.mod(b - a, 180.0)
    for row in np.flatnonzero(np.abs(between - 90.0) > SQUARE_DEG).tolist():
        what = f"{b[row]:.10g} is not square to bearing_a_deg {a[row]:.10g}"
        one, other = (np.mod(a[row] + turn, 360.0) for turn in (90.0, 270.0))
        yield part.problem(row, "bearing_b_deg", what, f"{one:.10g} or {other:.10g}")


def check_profiles(parts: Sequence[Part], *, withdrawn: Container[tuple[str, str | None]] = ()) -> Iterator[Problem]:
    """Yield the rows of a profile that do not lie deeper than the row before.

    A profile is what has one pile, attempt and time; its rows stand in the order of depth. Rows that were withdrawn are
    none of it: ``withdrawn`` holds their file and pile, None for all piles of the file.
    """
    parts = [part for part in parts if (part.path, None) not in withdrawn]
    if not parts:
        return
    number = np.concatenate([np.full(len(part), place) for place, part in enumerate(parts)])
    row_of = np.concatenate([np.arange(len(part)) for part in parts])
    good = np.concatenate([part.good("pile_id", "depth", "read_at", "attempt", "from_level") for part in parts])
    columns = {
        name: np.concatenate([part.columns[name] for part in parts])
        for name in ("pile_id", "depth", "read_at", "attempt", "from_level")
    }
    gone = np.concatenate([_named(part, withdrawn) for part in parts])
    place = np.flatnonzero(good & ~gone)
    names = {name: code for code, name in enumerate(dict.fromkeys(columns["pile_id"][place].tolist()))}
    code = np.array([names[name] for name in columns["pile_id"][place].tolist()], dtype=np.int64)
    attempt, at = columns["attempt"][place], columns["read_at"][place].astype(np.int64)
    order = np.lexsort((np.arange(place.size), at, attempt, code))
    keys = np.column_stack([code, attempt, at])[order]
    depth = columns["depth"][place][order]
    same = (np.diff(keys, axis=0) == 0).all(axis=1)
    for before in np.flatnonzero(same & (np.diff(depth) <= 0)).tolist():
        bad, above = (int(place[order[k]]) for k in (before + 1, before))
        what = f"{depth[before + 1]:.10g} after {depth[before]:.10g} in one profile"
        if number[above] != number[bad]:
            # as when a log is exported again with more in it
            other = parts[int(number[above])]
            what += f" with {other.path}:{other.lines[row_of[above]]}"
        yield parts[int(number[bad])].problem(int(row_of[bad]), "depth", what, "depths that increase from row to row")


def _named(part: Part, withdrawn: Container[tuple[str, str | None]]) -> Booleans:
    """Return which rows of a file were withdrawn by their pile."""
    named: Booleans = np.array([*((part.path, name) in withdrawn for name in part.names.tolist()), False])[part.codes]
    return named


def check_control(parts: Sequence[Part]) -> Iterator[Problem]:
    """Yield control points that are there twice."""
    for part in parts:
        first: dict[str, int] = {}
        for row, name in enumerate(part.columns["point"].tolist()):
            if name is None:
                continue
            if name in first:
                what = f"{short(name)} is there already, at line {part.lines[first[name]]}"
                yield part.problem(row, "point", what, "a name of its own")
            first.setdefault(name, row)


def _firsts(codes: npt.NDArray[np.int64], rows: Booleans) -> Iterator[tuple[int, int]]:
    """Yield the first of the chosen rows of each pile, and how many it has."""
    chosen = np.flatnonzero(rows)
    if not chosen.size:
        return
    _, first, counts = np.unique(codes[chosen], return_index=True, return_counts=True)
    yield from zip(chosen[first].tolist(), counts.tolist(), strict=True)


def _more(count: int) -> str:
    return "" if count == 1 else f" ({count} rows)"
