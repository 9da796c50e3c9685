"""Rows of a load that the folder has already: the same once more, or one shot with another answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.repeats import date_alone, repeated_of
from asbuilt.compute.wording import number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pandas import MultiIndex

    from asbuilt.model import Booleans, Floats, Integers, Survey, Table

__all__ = ["changed_answers", "repeats_in"]

#: One shot of an instrument: what cannot be alike for two.
_ONE_SHOT = ("pile_id", "point", "attempt", "object", "shot", "surveyed_at")
_NAMED = 4
_MM = 1000.0
_WORDS = {"pickups": "point, pile, time, coordinates", "tilts": "pile, time, depth, reading", "records": "every entry"}


def repeats_in(table: Table, files: Sequence[str], *, fresh: Booleans) -> tuple[Booleans, list[Finding]]:
    """Return which rows of a table repeat another row, and a note for each fresh file that has some.

    Parameters
    ----------
    table, files
        One table of the loads, and the paths of the survey's files.
    fresh : (n,) array of bool
        The load's rows.
    """
    first = repeated_of(table, late=fresh)
    found = []
    again = first >= 0
    if not (fresh & again).any():
        return again, []
    elsewhere = again & (table.file != table.file[np.maximum(first, 0)]) if len(table) else again
    for file in np.unique(table.file[fresh & again & ~elsewhere]).tolist():
        rows = np.flatnonzero(fresh & again & ~elsewhere & (table.file == file))
        found.append(_twice_in(table, files[file], rows, first))
    for file in np.unique(table.file[fresh & elsewhere]).tolist():
        rows = np.flatnonzero(fresh & elsewhere & (table.file == file))
        every = int(np.count_nonzero(fresh & (table.file == file)))
        one = int(rows[np.argmin(table.line[rows])])
        like = int(first[one])
        others = len(np.unique(table.file[first[rows]])) - 1
        where = f"{files[int(table.file[like])]}:{table.line[like]}" + (f" and {others} more files" if others else "")
        text = (
            f"{len(rows)} of its {every} rows stand in another file already ({_WORDS[table.name]} alike; the first in "
            f"{where}): a file exported again with more rows? They count once"
        )
        found.append(
            Finding(
                severity="note",
                kind="already_loaded",
                item=files[file],
                text=text,
                file=files[file],
                line=int(table.line[one]),
            )
        )
    return again, found


def _twice_in(table: Table, path: str, rows: Integers, first: Integers) -> Finding:
    """Return the note that rows stand twice in one file."""
    one = int(rows[np.argmin(table.line[rows])])
    many = "1 row stands" if len(rows) == 1 else f"{len(rows)} rows stand"
    text = (
        f"{many} in it twice ({_WORDS[table.name]} alike; line {table.line[one]} is line "
        f"{table.line[int(first[one])]} again): copied within the file? Counted once"
    )
    return Finding(
        severity="note", kind="already_loaded", item=path, text=text, file=path, line=int(table.line[one])
    )


def changed_answers(survey: Survey, *, fresh: Booleans) -> tuple[Booleans, list[Finding]]:
    """Return the fresh pickups that are a shot of the folder with other coordinates, and a finding for each file.

    Parameters
    ----------
    survey : Survey
        Without rows that repeat one another.
    fresh : (s,) array of bool
        The load's pickups.

    Notes
    -----
    One point of one pile, shot at one time of day, has one answer: no chance is involved. Rows with a date alone are
    left to :func:`asbuilt.compute.blunders_pickups.repeat_findings`, as a point may be shot twice on a day.
    """
    t = survey.pickups
    changed = np.zeros(len(t), dtype=np.bool_)
    timed = ~date_alone(t["surveyed_at"]) & ~np.isnat(t["surveyed_at"])
    old, new = np.flatnonzero(timed & ~fresh), np.flatnonzero(timed & fresh)
    if not len(old) or not len(new):
        return changed, []
    known = _shots(t, old)
    single = ~known.duplicated(keep=False)
    place = known[single].get_indexer(_shots(t, new))
    rows, like = new[place >= 0], old[single][place[place >= 0]]
    changed[rows] = True
    return changed, list(_answers(survey, rows, like))


def _shots(table: Table, rows: Integers) -> MultiIndex:
    from pandas import MultiIndex

    return MultiIndex.from_arrays([table[name][rows] for name in _ONE_SHOT])


def _answers(survey: Survey, rows: Integers, like: Integers) -> Iterator[Finding]:
    t = survey.pickups
    off = np.column_stack([t[name][rows] - t[name][like] for name in ("easting", "northing", "level")]) * _MM
    for file in np.unique(t.file[rows]).tolist():
        own = np.flatnonzero(t.file[rows] == file)
        at = int(own[np.argmin(t.line[rows[own]])])
        points = [str(name) for name in t["point"][rows[own]].tolist()]
        named = ", ".join(points[:_NAMED]) + (f" and {len(points) - _NAMED} more" if len(points) > _NAMED else "")
        path = survey.files[file].path
        text = (
            f"{len(own)} shot{'s' * (len(own) != 1)} of the folder with other coordinates ({named}; the first in "
            f"{survey.files[int(t.file[like[at]])].path}:{t.line[like[at]]}): the same point, pile and time, "
            f"{_off(off[own])}: worked out anew, or changed by hand. One of the two is to be withdrawn"
        )
        yield Finding(
            severity="query",
            kind="repeated_pile",
            item=path,
            text=text,
            file=path,
            line=int(t.line[rows[at]]),
            column="easting",
        )


def _off(off: Floats) -> str:
    """Say by how much the shots (k, 3) [mm] differ."""
    mean = off.mean(axis=0) + 0.0
    far = float(np.hypot(off[:, 0], off[:, 1]).max())
    high = float(np.abs(off[:, 2]).max())
    return (
        f"up to {number(far, 1)} mm apart in plan and {number(high, 1)} mm in level (on average E {mean[0]:+.1f} mm, N "
        f"{mean[1]:+.1f} mm, level {mean[2]:+.1f} mm)"
    )
