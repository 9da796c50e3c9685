"""Check shots on control points, set-ups, dates, levels and the order of the work in a fresh load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pandas import MultiIndex, Series, factorize

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_groups import plan_limit
from asbuilt.compute.blunders_rows import CANDIDATES
from asbuilt.compute.notes import level_range_findings
from asbuilt.compute.wording import beyond, metres, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.compute.blunders_load import Scatter
    from asbuilt.model import Booleans, Floats, Integers, Survey, Table, Times

__all__ = [
    "CheckShots",
    "check_shots",
    "date_findings",
    "level_findings",
    "record_findings",
    "setup_findings",
]

_CHECK = OBJECTS.index("check")
_CASING, _TRIMMED = OBJECTS.index("casing"), OBJECTS.index("trimmed")
#: Shots of one set-up that lie farther apart in time belong to two days: a date alone counts as the end of its day.
_ONE_DAY = np.timedelta64(20, "h")
#: Clocks of instruments may be fast by this much.
_FAST = np.timedelta64(15, "m")
_DAY = np.timedelta64(24, "h")
#: A trimmed head stands at its cut-off within this [m].
_TRIMMED_WITHIN = 0.30
#: A level this near to the commencing surface is that of the platform [m].
_AT_PLATFORM = 0.05
_TIMES = {
    "pickups": ("surveyed_at",),
    "tilts": ("read_at",),
    "profiles": ("read_at",),
    "records": ("drilled_at", "concreted_at"),
}


@dataclass(frozen=True, kw_only=True)
class CheckShots:
    """Check shots of a load (k,) on control points: ``row`` in the pickups table, offset from control (``e``, ``n``).

    ``sigma`` [m]: standard deviation per component of such an offset; ``bad``: more than it explains.
    """

    row: Integers
    e: Floats
    n: Floats
    sigma: Floats
    bad: Booleans
    findings: tuple[Finding, ...]


def check_shots(
    survey: Survey, ground: Ground, scatter: Scatter, *, fresh: Booleans, undone: Mapping[int, int]
) -> CheckShots:
    """Return the check shots of a load against the control points' coordinates.

    Parameters
    ----------
    survey, ground, scatter
        The survey, what its loads are held against, and how loads scatter.
    fresh : (s,) array of bool
        The load's pickups.
    undone
        Place of a file to the explanation (place in ``CANDIDATES``) that its pickups already have: the check shots are
        held against control with that undone.

    Notes
    -----
    Off when d² > limit·(σ_shot² + σ_batch² + σ_control²), the limit being the 0.1 %/k point of chi-square on two
    degrees of freedom for k check shots.
    """
    t, control = survey.pickups, survey.control
    rows = np.flatnonzero(fresh & (t["object"] == _CHECK))
    none = np.empty(0)
    if not len(rows) or not len(control):
        return CheckShots(row=rows[:0], e=none, n=none, sigma=none, bad=none.astype(np.bool_), findings=())
    known = {str(name): place for place, name in enumerate(control["point"].tolist())}
    place = np.array([known.get(str(name), -1) for name in t["point"][rows].tolist()], dtype=np.int64)
    found = [_unknown_point(survey, ground, int(row), known) for row in rows[place < 0].tolist()]
    rows, place = rows[place >= 0], place[place >= 0]
    given = np.column_stack([t["easting"][rows], t["northing"][rows]])
    for k, row in enumerate(rows.tolist()):
        if int(t.file[row]) in undone:
            one = CANDIDATES[undone[int(t.file[row])]]
            given[k] = (given[k, ::-1] if one.exchanged else given[k]) * (one.factor_e, one.factor_n)
    off = given - np.column_stack([control["easting"][place], control["northing"][place]])
    shot = np.nan_to_num(t["sigma_mm"][rows], nan=survey.settings.uncertainty.pickup_mm) / 1000.0
    fixed = np.nan_to_num(control["sigma_mm"][place], nan=0.0) / 1000.0
    variance = shot**2 + scatter.batch**2 + fixed**2
    statistic, limit = np.sum(off**2, axis=1) / variance, plan_limit(len(rows))
    bad = statistic > limit
    for k in np.flatnonzero(bad).tolist():
        name = str(t["point"][rows[k]])
        on_map = np.hypot(given[k, 0] - control["map_e"][place[k]], given[k, 1] - control["map_n"][place[k]])
        length = float(np.hypot(*off[k]))
        cause = (
            "these are its map coordinates, not those of the site grid"
            if on_map < 1.0
            else "a wrong backsight, a disturbed station or point, or another point than the one named"
        )
        text = (
            f"{name} found {_far(length)} from its control coordinates (E {_signed(off[k, 0])}, N "
            f"{_signed(off[k, 1])}; {number(float(np.sqrt(limit * variance[k])) * 1000)} mm can be explained): {cause}"
        )
        found.append(_at(survey.pickups, ground, int(rows[k]), kind="check_shot", item=name, text=text, column="point"))
    return CheckShots(
        row=rows, e=off[:, 0], n=off[:, 1], sigma=np.sqrt(variance), bad=bad, findings=tuple(found)
    )


def _unknown_point(survey: Survey, ground: Ground, row: int, known: Mapping[str, int]) -> Finding:
    name = str(survey.pickups["point"][row])
    names = ", ".join(list(known)[:8]) + (" ..." if len(known) > 8 else "")
    text = f"a check shot on {name}, which is no control point (there are {names}): it proves nothing"
    return _at(survey.pickups, ground, row, kind="check_shot", item=name, text=text, column="point")


def _far(length: float) -> str:
    return f"{number(length * 1000)} mm" if length < 1.0 else f"{number(length, 2)} m"


def _signed(value: float) -> str:
    return f"{round(value * 1000):+d} mm" if abs(value) < 1.0 else f"{value:+.2f} m"


def _at(
    table: Table, ground: Ground, row: int, *, kind: str, item: str, text: str, column: str, severity: str = "query"
) -> Finding:
    return Finding(
        severity=severity,
        kind=kind,
        item=item,
        text=text,
        file=ground.files[int(table.file[row])],
        line=int(table.line[row]),
        column=column,
    )


def _item(table: Table, row: int) -> str:
    name = table["pile_id"][row]
    return str(table["point"][row] if name is None else name)


def _date_alone(time: Times) -> Booleans:
    """Return which times are the last second of a minute, as the end of a day is in every time zone."""
    alone: Booleans = time.astype("datetime64[s]").astype(np.int64) % 60 == 59
    return alone & ~np.isnat(time)


def _before(time: Times, other: Times) -> Booleans:
    """Return where ``time`` is earlier than ``other`` could have been; False where one of them is not known."""
    before: Booleans = time < other - np.where(_date_alone(other), _DAY, np.timedelta64(0, "h"))
    return before


def _minute(time: np.datetime64) -> str:
    return f"{str(time)[:16]}Z"


def date_findings(
    survey: Survey, ground: Ground, fresh: Mapping[str, Booleans], *, now: np.datetime64
) -> tuple[list[Finding], dict[str, Booleans]]:
    """Return a finding for each time after ``now``, one for a pile and date, and which rows have one, by table.

    A date alone is read as the end of that day: up to a day ahead such a time is today's.
    """
    found, wrong = [], {}
    moment = now.astype("datetime64[ms]")
    for name, columns in _TIMES.items():
        table: Table = getattr(survey, name)
        wrong[name] = np.zeros(len(table), dtype=np.bool_)
        for column in columns:
            time = table[column].astype("datetime64[ms]")
            late = fresh[name] & (time > moment + np.where(_date_alone(time), _DAY, _FAST))
            wrong[name] |= late
            rows = np.flatnonzero(late)
            keys = [(_item(table, row), str(time[row])[:10]) for row in rows.tolist()]
            for (item, day), row in dict(reversed(list(zip(keys, rows.tolist(), strict=True)))).items():
                count = keys.count((item, day))
                text = (
                    f"{day} lies after the time of loading, {str(moment)[:10]}"
                    + (f" ({count} rows)" if count > 1 else "")
                    + ": a mistyped year or month, or a clock that is set wrong"
                )
                found.append(_at(table, ground, row, kind="future_date", item=item, text=text, column=column))
    return found, wrong


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
        yield _at(t, ground, at, kind="setup_reused", item=name, text=text, column="setup")


def level_findings(
    survey: Survey, ground: Ground, fresh: Mapping[str, Booleans], *, explained: Mapping[int, float]
) -> Iterator[Finding]:
    """Yield the levels of the load that cannot be meant: out of the site's range, or another surface than stated.

    Parameters
    ----------
    explained
        Row of a pickup to the factor of a wrong unit that it already has a finding for: a level in the same unit is
        no finding of its own.
    """
    low, high = survey.settings.levels.lowest, survey.settings.levels.highest
    t = survey.pickups
    own = fresh["pickups"].copy()
    for row, factor in explained.items():
        own[row] &= not low <= t["level"][row] * factor <= high
    tables = [t.take(own), survey.records.take(fresh["records"])]
    yield from level_range_findings(*tables, settings=survey.settings, files=ground.files)
    for name in ("tilts", "profiles"):
        table: Table = getattr(survey, name)
        level = table["from_level"]
        for row in np.flatnonzero(fresh[name] & ((level < low) | (level > high))).tolist():
            text = f"{metres(level[row])} lies outside the site's levels, {metres(low)} to {metres(high)}"
            yield _at(table, ground, row, kind="level_range", item=_item(table, row), text=text, column="from_level")
    yield from _trimmed_heads(survey, ground, own)
    yield from _toes_above(survey, ground, fresh["records"])


def _trimmed_heads(survey: Survey, ground: Ground, fresh: Booleans) -> Iterator[Finding]:
    """Yield trimmed heads that do not stand at their cut-off: platform or formation level taken for it."""
    t, levels = survey.pickups, survey.settings.levels
    rows = np.flatnonzero(fresh & (t["object"] == _TRIMMED) & (t.pile >= 0))
    level = t["level"][rows]
    off = level - ground.cut_off[t.pile[rows]]
    in_range = (level >= levels.lowest) & (level <= levels.highest)
    for k in np.flatnonzero(in_range & (np.abs(off) > _TRIMMED_WITHIN)).tolist():
        platform = abs(level[k] - levels.commence) <= _AT_PLATFORM
        cause = "this is the level of the commencing surface" if platform else "another surface, or not trimmed yet"
        text = (
            f"a trimmed head at {metres(level[k])}, {beyond(abs(off[k]), _TRIMMED_WITHIN, places=2)} m "
            f"{'above' if off[k] > 0 else 'below'} its cut-off {metres(level[k] - off[k])}: {cause}"
        )
        yield _at(t, ground, int(rows[k]), kind="level_range", item=_item(t, int(rows[k])), text=text, column="level")


def _toes_above(survey: Survey, ground: Ground, fresh: Booleans) -> Iterator[Finding]:
    """Yield recorded toes that stand above their pile's cut-off: a depth or a cut-off entered as a level."""
    t, levels = survey.records, survey.settings.levels
    toe, cut_off = t["toe_level"], ground.cut_off[t.pile]
    for row in np.flatnonzero(fresh & (toe > cut_off) & (toe <= levels.highest)).tolist():
        text = f"a toe at {metres(toe[row])}, above the cut-off {metres(cut_off[row])}: a depth, or another level"
        yield _at(t, ground, row, kind="level_range", item=_item(t, row), text=text, column="toe_level")


def record_findings(survey: Survey, ground: Ground, fresh: Mapping[str, Booleans]) -> Iterator[Finding]:
    """Yield steps of the work that are dated before the step that they follow.

    A pile is concreted after it is drilled, and its head is shot after that. A date alone is the end of its day, and
    counts as any time of it. A casing may be shot while it is being drilled.
    """
    t = survey.records
    drilled, concreted = (t[name].astype("datetime64[ms]") for name in _TIMES["records"])
    for row in np.flatnonzero(fresh["records"] & _before(concreted, drilled)).tolist():
        text = f"concreted {_minute(concreted[row])}, drilled {_minute(drilled[row])}: one of the two is mistaken"
        yield _at(t, ground, row, kind="time_order", item=_item(t, row), text=text, column="concreted_at")
    yield from _heads_before_drilling(survey, ground, fresh["pickups"])


def _heads_before_drilling(survey: Survey, ground: Ground, fresh: Booleans) -> Iterator[Finding]:
    t, records = survey.pickups, survey.records
    rows = np.flatnonzero(fresh & (t.pile >= 0) & (t["object"] != _CASING) & (t["object"] != _CHECK))
    known = np.flatnonzero(~np.isnat(records["drilled_at"]))
    if not len(rows) or not len(known):
        return
    key = MultiIndex.from_arrays([records.pile[known], records["attempt"][known]])
    drilled = Series(records["drilled_at"][known].astype("datetime64[ms]"), index=key)
    drilled = drilled[~key.duplicated(keep="last")]
    wanted = MultiIndex.from_arrays([t.pile[rows], t["attempt"][rows]])
    of_pile = drilled.reindex(wanted).to_numpy().astype("datetime64[ms]")
    shot = t["surveyed_at"][rows].astype("datetime64[ms]")
    for k in np.flatnonzero(_before(shot, of_pile)).tolist():
        row = int(rows[k])
        text = (
            f"its head was shot {_minute(shot[k])}, before the pile was drilled, {_minute(of_pile[k])}: a date is "
            "mistaken, or it was drilled anew (then it is another attempt)"
        )
        yield _at(t, ground, row, kind="time_order", item=_item(t, row), text=text, column="surveyed_at")
