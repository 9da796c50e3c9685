"""Rows that are there twice: one shot or reading, exported again beside later ones or in one file, counts once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.numbering import alike, not_alone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans, Integers, Table, Texts, Times

__all__ = ["date_alone", "repeated_of", "why_repeated"]

#: What two rows must have alike to be one: numbers first, as they tell nearly all rows apart and are quick to compare.
_ALIKE = {
    "pickups": (
        ("easting", "northing", "level"),
        ("surveyed_at", "point", "pile_id", "attempt", "object", "shot"),
    ),
    "tilts": (
        ("read_at", "depth", "tilt_a", "tilt_b"),
        ("pile_id", "attempt", "from_level", "unit", "bearing_a_deg", "bearing_b_deg", "sense"),
    ),
    "records": (
        ("drilled_at", "concreted_at", "toe_level", "casing_od_mm", "concrete_m3"),
        ("pile_id", "attempt", "rig"),
    ),
}


def repeated_of(table: Table, *, late: Booleans | None = None) -> Integers:
    """Return the place (n,) of the row that each row repeats, -1 where it repeats none.

    Parameters
    ----------
    table : Table
        Pickups, tilts or records; of others no row repeats another. A profile that is there twice cannot be read.
    late : (n,) array of bool, optional
        Rows that come after all others. Else files come in their order, and rows by line.

    Notes
    -----
    Alike are all that was measured or said of it: place or reading, time, point, pile, attempt, object. Set-up,
    surveyor and notes may differ: a file is a set-up of its own where it does not name one. Of one file, lean readings
    with a date alone are left alone: two equal ones may have been taken. Two shots do not agree to the millimetre in
    all three coordinates.
    """
    first = np.full(len(table), -1, dtype=np.int64)
    if table.name not in _ALIKE or not len(table):
        return first
    quick, rest = _ALIKE[table.name]
    some = np.flatnonzero(not_alone([table[name] for name in quick]))
    if not len(some):
        return first
    key = alike([table[name][some] for name in (*quick, *rest)])
    after = np.zeros(len(some), dtype=np.bool_) if late is None else late[some]
    order = np.lexsort((table.line[some], table.file[some], after, key))
    some, key = some[order], key[order]
    begins = np.r_[True, np.diff(key) != 0]
    lead = some[np.maximum.accumulate(np.where(begins, np.arange(len(some)), 0))]
    again = (table.file[some] != table.file[lead]) | ((some != lead) & ~_taken_twice(table, some))
    first[some[again]] = lead[again]
    return first


def date_alone(time: Times) -> Booleans:
    """Return which times are the last second of a minute, as the end of a day is in every time zone."""
    alone: Booleans = time.astype("datetime64[s]").astype(np.int64) % 60 == 59
    return alone & ~np.isnat(time)


def _taken_twice(table: Table, rows: Integers) -> Booleans:
    """Return which rows (k,) may have been taken twice alike on one day."""
    if table.name != "tilts":
        return np.zeros(len(rows), dtype=np.bool_)
    return date_alone(table["read_at"][rows])


def why_repeated(table: Table, files: Sequence[str], *, why: Texts) -> Texts:
    """Return why each row (n,) of a table does not count, None where it does, repeated rows included.

    Parameters
    ----------
    table, files
        One table of a survey, and the paths of its files.
    why : (n,) array of object
        What is known already: such rows do not count, and none repeats them.
    """
    counts = np.flatnonzero(why == np.array(None))
    first = repeated_of(table if len(counts) == len(table) else table.take(counts))
    again = np.flatnonzero(first >= 0)
    if not len(again):
        return why
    told = why.copy()
    for row, like in zip(counts[again].tolist(), counts[first[again]].tolist(), strict=True):
        told[row] = f"stands in {files[int(table.file[like])]}:{table.line[like]} too, and counts once"
    return told
