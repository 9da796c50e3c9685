"""The search of :mod:`asbuilt.compute.blunders` for one lean reading, as it is taken down at the rig.

Of the tests of a load those that one reading can fail are made; no special function is needed for them. The others look
at pickups, profiles and records, or need several readings: that of the unit compares those of one file. A test holds
the two searches against each other.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import SEVERITIES
from asbuilt.compute.blunders_again import repeats_in
from asbuilt.compute.blunders_dates import date_findings, old_date_findings
from asbuilt.compute.blunders_groups import ground_of
from asbuilt.compute.blunders_levels import level_findings
from asbuilt.compute.blunders_readings import reading_findings
from asbuilt.compute.withdrawn import why_withdrawn

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Finding, Survey

__all__ = ["search_reading"]

_LOADS = ("pickups", "tilts", "profiles", "records")


def search_reading(survey: Survey, fresh: Booleans, *, now: np.datetime64) -> tuple[Finding, ...]:
    """Return what is odd about one lean reading: the findings of :func:`asbuilt.compute.blunders.search_load`.

    Parameters
    ----------
    survey : Survey
        The whole folder, with the reading in it.
    fresh : (k,) array of bool
        Which row of its lean readings is the new one.
    now : datetime64
        Time of taking it down, UTC.

    Returns
    -------
    tuple of Finding
        ``already_loaded``: the folder has it. ``future_date``, ``time_order``: its date lies ahead, long before
        anything else, or before that of a reading above it. ``level_range``: its depth goes below the toe, or the level
        that it is counted from is none of the site. ``tilt_range``: steeper than 1:20. ``sign_flip``: the reading above
        it with both signs turned round. ``copied_readings``: equal to several others of the pile.
    """
    survey, new, found = _in_use(survey, fresh)
    ground = ground_of(survey)
    dates, wrong = date_findings(survey, ground, new, now=now)
    believed = {name: new[name] & ~wrong[name] for name in _LOADS}
    old, _ = old_date_findings(survey, ground, believed, now=now)
    none = np.zeros(len(survey.tilts), dtype=np.bool_)
    found += [
        *dates,
        *old,
        *level_findings(survey, ground, new, explained={}),
        *reading_findings(survey, ground, fresh=new["tilts"], elsewhere=none),
    ]
    unique = {(one.kind, one.item, one.file, one.line, one.column): one for one in reversed(found)}
    return tuple(
        sorted(unique.values(), key=lambda f: (SEVERITIES.index(f.severity), f.file, f.line, f.kind, f.item, f.column))
    )


def _in_use(survey: Survey, fresh: Booleans) -> tuple[Survey, dict[str, Booleans], list[Finding]]:
    """Return the survey with the rows that count, of the lean readings the pile's only; which is new; what repeats."""
    tables: dict[str, Any] = {}
    for name in _LOADS:
        table = getattr(survey, name)
        counts = why_withdrawn(table, survey.withdrawals) == np.array(None)
        if name == "tilts":
            counts &= np.isin(table.pile, table.pile[fresh])
            fresh = fresh[counts]
        tables[name] = table if counts.all() else table.take(counts)
    again, found = repeats_in(tables["tilts"], [file.path for file in survey.files], fresh=fresh)
    tables["tilts"] = tables["tilts"].take(~again)
    new = {name: np.zeros(len(table), dtype=np.bool_) for name, table in tables.items()}
    new["tilts"] = fresh[~again]
    return replace(survey, **tables), new, found
