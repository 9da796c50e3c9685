"""The order of the work in a fresh load, and records that contradict others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pandas import MultiIndex, Series

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_dates import minute
from asbuilt.compute.blunders_told import at_row
from asbuilt.compute.records_twice import contradicting_records
from asbuilt.compute.repeats import date_alone

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Finding, Survey, Times

__all__ = ["record_findings"]

_CHECK, _CASING = OBJECTS.index("check"), OBJECTS.index("casing")
_DAY = np.timedelta64(24, "h")
#: A casing is shot while its pile is being drilled, which is finished within so long, a weekend included.
_DRILLING = np.timedelta64(72, "h")


def record_findings(survey: Survey, ground: Ground, fresh: Mapping[str, Booleans]) -> Iterator[Finding]:
    """Yield steps of the work that are dated before the step that they follow, and records with two answers.

    A pile is concreted after it is drilled, and its head is shot after that. A date alone is the end of its day, and
    counts as any time of it. A casing may be shot up to three days before drilling is finished.
    """
    t = survey.records
    drilled, concreted = (t[name].astype("datetime64[ms]") for name in ("drilled_at", "concreted_at"))
    s = survey.settings
    for row in np.flatnonzero(fresh["records"] & _before(concreted, drilled)).tolist():
        text = f"concreted {minute(s, concreted[row])}, drilled {minute(s, drilled[row])}: one of the two is mistaken"
        yield at_row(t, ground, row, kind="time_order", text=text, column="concreted_at")
    yield from _shot_before_drilling(survey, ground, fresh)
    yield from contradicting_records(t, s, ground.files, fresh=fresh["records"])


def _before(time: Times, other: Times) -> Booleans:
    """Return where ``time`` is earlier than ``other`` could have been; False where one of them is not known."""
    before: Booleans = time < other - np.where(date_alone(other), _DAY, np.timedelta64(0, "h"))
    return before


def _shot_before_drilling(survey: Survey, ground: Ground, fresh: Mapping[str, Booleans]) -> Iterator[Finding]:
    """Yield shots of a pile before it was drilled: told at the shot where it is new, else at the record that is."""
    t, records = survey.pickups, survey.records
    rows = np.flatnonzero((t.pile >= 0) & (t["object"] != _CHECK))
    known = np.flatnonzero(~np.isnat(records["drilled_at"]))
    if not len(rows) or not len(known):
        return
    key = MultiIndex.from_arrays([records.pile[known], records["attempt"][known]])
    last = Series(known, index=key)
    last = last[~key.duplicated(keep="last")]
    wanted = MultiIndex.from_arrays([t.pile[rows], t["attempt"][rows]])
    place = last.index.get_indexer(wanted)
    rows, record = rows[place >= 0], last.to_numpy()[place[place >= 0]]
    shot = t["surveyed_at"][rows].astype("datetime64[ms]")
    drilled = records["drilled_at"][record].astype("datetime64[ms]")
    casing = t["object"][rows] == _CASING
    early = _before(shot + np.where(casing, _DRILLING, np.timedelta64(0, "h")), drilled)
    early &= fresh["pickups"][rows] | fresh["records"][record]
    told: set[int] = set()
    for k in np.flatnonzero(early).tolist():
        row, of = int(rows[k]), int(record[k])
        times = minute(survey.settings, shot[k]), minute(survey.settings, drilled[k])
        what = "casing" if casing[k] else "head"
        mistaken = "a date is mistaken, or it was drilled anew (then it is another attempt)"
        if fresh["pickups"][row]:
            text = f"its {what} was shot {times[0]}, before the pile was drilled, {times[1]}: {mistaken}"
            yield at_row(t, ground, row, kind="time_order", text=text, column="surveyed_at")
        elif of not in told:
            told.add(of)
            where = f"{ground.files[int(t.file[row])]}:{t.line[row]}"
            text = f"drilled {times[1]}, but its {what} was shot {times[0]} already ({where}): {mistaken}"
            yield at_row(records, ground, of, kind="time_order", text=text, column="drilled_at")
