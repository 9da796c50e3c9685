"""Set-ups of a fresh load whose name was used on another day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pandas import factorize

from asbuilt.compute.blunders_told import at_row

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Finding, Survey

__all__ = ["setup_findings"]

#: Shots of one set-up that lie farther apart in time belong to two days: a date alone counts as the end of its day.
_ONE_DAY = np.timedelta64(20, "h")


def setup_findings(survey: Survey, ground: Ground, *, fresh: Booleans, dated: Booleans) -> Iterator[Finding]:
    """Yield the set-ups of the load whose name was used on another day too: their common error is not the same.

    Parameters
    ----------
    fresh, dated : (s,) arrays of bool
        Pickups of the load; pickups whose date can be believed.
    """
    t = survey.pickups
    if not fresh.any():
        return
    code, names = factorize(t["setup"])
    rows = np.flatnonzero(dated & np.isin(code, np.unique(code[fresh])))
    if not len(rows):
        return
    time = t["surveyed_at"][rows].astype("datetime64[ms]").astype(np.int64)
    order = np.lexsort((time, code[rows]))
    rows, time = rows[order], time[order]
    own = code[rows]
    first = np.flatnonzero(np.r_[True, np.diff(own) != 0])
    span = np.maximum.reduceat(time, first) - np.minimum.reduceat(time, first)
    apart = span > _ONE_DAY.astype("timedelta64[ms]").astype(np.int64)
    for k in np.flatnonzero(apart).tolist():
        begin, end = int(first[k]), int(first[k + 1]) if k + 1 < len(first) else len(own)
        at = next((row for row in rows[begin:end].tolist() if fresh[row]), -1)
        if at < 0:
            continue
        name = str(names[own[begin]])
        days = [str(t["surveyed_at"][rows[j]].astype("datetime64[D]")) for j in (begin, end - 1)]
        text = (
            f"set-up {name} holds shots of {days[0]} and of {days[1]}: shots of one set-up share its error, those of "
            "two days do not; give each set-up a name of its own"
        )
        yield at_row(t, ground, at, kind="setup_reused", item=name, text=text, column="setup")
