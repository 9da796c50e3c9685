"""Blunders in fresh profiles: another unit, too steep, turned round, or another answer than the lean readings'."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.blunders_groups import plan_limit
from asbuilt.compute.blunders_readings import STEEPEST
from asbuilt.compute.blunders_told import at_row
from asbuilt.compute.wording import beyond, number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Finding, Floats, Integers, Survey

__all__ = ["profile_findings"]

#: Lengths shorter than this say little of a lean [m].
_SHORT = 3.0
#: A pile so straight and plumb is none: all offsets within this share of what one of them scatters by.
_NO_DEVIATION = 0.1
#: Of neighbouring offsets, each with its own scatter, a difference of so many standard deviations is no scatter.
_SURELY = 4.0
#: A less likely cause is told when it leaves so much less of chi-square.
_CLEARLY = 6.0
#: Offsets times this would be millimetres.
_UNITS = ((1000.0, "metres"), (10.0, "centimetres"), (304.8, "feet"), (25.4, "inches"), (0.001, "micrometres"))
_FEWEST = 2
#: Runs of one log follow one another within this.
_LOG_GAP = np.timedelta64(30, "m")


@dataclass(frozen=True, kw_only=True)
class _Log:
    """One profile: its rows from the top down, offsets (k, 2) [m] and levels (k,) [m]."""

    rows: Integers
    pile: int
    attempt: int
    level: Floats
    offset: Floats

    @property
    def length(self) -> float:
        """Length that it covers [m]."""
        return float(self.level[0] - self.level[-1])

    @property
    def reach(self) -> float:
        """Greatest distance of an offset from the first one [m]."""
        return float(np.hypot(*(self.offset - self.offset[0]).T).max())

    def lean(self, bottom: float) -> Floats:
        """Return the mean slope (2,) from its top down to a level within it [m per m]."""
        z = self.level[::-1]
        at = np.array([np.interp(bottom, z, self.offset[::-1, k]) for k in (0, 1)])
        mean: Floats = (at - self.offset[0]) / (self.level[0] - bottom)
        return mean


def profile_findings(
    survey: Survey, ground: Ground, *, fresh: Booleans, slope: Floats, in_doubt: Booleans
) -> Iterator[Finding]:
    """Yield what is odd in fresh profiles, each seen by itself and against the lean readings of its pile.

    Parameters
    ----------
    survey, ground
        The survey with the fresh files, and what its loads are held against.
    fresh : (r,) array of bool
        Profile rows that are not yet in the folder.
    slope : (k, 2) array
        Slopes of the survey's lean readings [m per m].
    in_doubt : (k,) array of bool
        Lean readings that have a finding of their own: nothing is held against them.

    Notes
    -----
    A difference between a profile and the deepest reading in its range has the variance
    σ_r²/m + σ_b² + σ_w²·d + 2a²/d² + b² per component, d the length from the profile's top down to the reading: bore
    and casing may part by as much as the axis wanders. The limit is that of one chance in a thousand, shared among
    the load's profiles.
    """
    if not fresh.any():
        return
    logs = list(_logs(survey, fresh))
    for log in logs:
        told = _by_itself(survey, ground, log)
        told = told or _beside_readings(survey, ground, log, slope, in_doubt, len(logs))
        if told is not None:
            yield told


def _logs(survey: Survey, fresh: Booleans) -> Iterator[_Log]:
    """Yield the fresh profiles: rows of one file, pile and attempt, each read within half an hour of the one before."""
    t = survey.profiles
    rows = np.flatnonzero(fresh & (t.pile >= 0))
    time = t["read_at"][rows].astype("datetime64[ms]")
    key = np.column_stack([t.file[rows], t.pile[rows], t["attempt"][rows]]).astype(np.int64)
    order = np.lexsort((time, *key.T[::-1]))
    rows, time, key = rows[order], time[order], key[order]
    begins = np.r_[True, np.any(np.diff(key, axis=0) != 0, axis=1) | (np.diff(time) > _LOG_GAP)]
    for own in np.split(rows, np.flatnonzero(begins)[1:]) if len(rows) else ():
        level = t["from_level"][own] - t["depth"][own]
        down = np.argsort(-level, kind="stable")
        ordered, level = own[down], level[down]
        if len(ordered) >= _FEWEST and level[0] > level[-1]:
            yield _Log(
                rows=ordered,
                pile=int(t.pile[ordered[0]]),
                attempt=int(t["attempt"][ordered[0]]),
                level=level,
                offset=np.column_stack([t["off_e_mm"][ordered], t["off_n_mm"][ordered]]) / 1000.0,
            )


def _by_itself(survey: Survey, ground: Ground, log: _Log) -> Finding | None:
    """Return what a profile shows by itself: no deviation at all, or more than a pile can have."""
    scatter = survey.settings.uncertainty.profile_mm / 1000.0
    if len(log.rows) > _FEWEST and log.length >= _SHORT and log.reach < _NO_DEVIATION * scatter:
        if log.reach == 0:
            text = f"its {len(log.rows)} offsets are equal: copied, or an instrument that hangs"
            return _finding(survey, ground, log, 0, kind="copied_readings", text=text)
        usual = f"{number(log.reach * 1000, 3)} mm over {number(log.length, 1)} m"
        text = (
            f"its offsets differ by no more than {usual}, one of them alone scatters by {number(scatter * 1000, 1)} mm"
            f"{_as_metres(log)}"
        )
        return _finding(survey, ground, log, 0, kind="wrong_unit", text=text)
    step = np.hypot(*np.diff(log.offset, axis=0).T)
    run = -np.diff(log.level)
    steep = step > STEEPEST * run + _SURELY * 2**0.5 * scatter
    whole = log.reach > STEEPEST * log.length + _SURELY * 2**0.5 * scatter
    if not steep.any() and not whole:
        return None
    k = int(np.argmax(step / np.maximum(run, 1e-6)))
    lean = step[k] / max(run[k], 1e-6) * 1000
    said = (
        f"a lean of {number(lean)} mm/m from {_depth(survey, log, k)} to {_depth(survey, log, k + 1)}, more than 1:20"
    )
    if 2 * np.count_nonzero(steep) > len(steep) or whole:
        small = log.offset[-1] - log.offset[0]
        factor = 0.001 if np.hypot(*small) > 1.0 else 0.1
        after = float(np.hypot(*small)) * factor * 1000
        unit = "micrometres" if factor == 0.001 else "tenths of a millimetre"
        if after < STEEPEST * 1000 * log.length:
            text = f"{said}: offsets in {unit}, then {number(after, 1)} mm over {number(log.length, 1)} m"
            return _finding(survey, ground, log, k + 1, kind="wrong_unit", text=text)
    text = f"{said}: a decimal point lost, another unit than mm, or two logs mixed"
    return _finding(survey, ground, log, k + 1, kind="tilt_range", text=text)


def _as_metres(log: _Log) -> str:
    return f": offsets in metres, then {number(log.reach * 1e6, 1)} mm"


def _finding(survey: Survey, ground: Ground, log: _Log, place: int, *, kind: str, text: str) -> Finding:
    offset = log.offset[place] - log.offset[max(place - 1, 0)]
    column = "off_n_mm" if abs(offset[1]) > abs(offset[0]) else "off_e_mm"
    return at_row(survey.profiles, ground, int(log.rows[place]), kind=kind, text=text, column=column)


def _depth(survey: Survey, log: _Log, place: int) -> str:
    return f"{number(float(survey.profiles['depth'][log.rows[place]]), 2).rstrip('0').rstrip('.')} m"


def _beside_readings(
    survey: Survey, ground: Ground, log: _Log, slope: Floats, in_doubt: Booleans, count: int
) -> Finding | None:
    """Return what the lean readings of the pile say against its profile."""
    t, u = survey.tilts, survey.settings.uncertainty
    rows = np.flatnonzero((t.pile == log.pile) & (t["attempt"] == log.attempt) & ~in_doubt)
    level = t["from_level"][rows] - t["depth"][rows]
    inside = (level >= log.level[-1] - 1e-6) & (level <= log.level[0] - 1.0)
    # a reading below the profile is of the same tube: the profile's foot is the nearest to it
    rows, level = (rows[inside], level[inside]) if inside.any() else (rows, np.maximum(level, log.level[-1]))
    if not len(rows) or log.length < 1.0:
        return None
    deepest = float(level.min())
    own = rows[level < deepest + 1e-6]
    read = slope[own].mean(axis=0)
    seen = log.lean(deepest)
    run = float(log.level[0]) - deepest
    if run < 1.0:
        return None
    variance = u.tilt_mm_per_m**2 / len(own) + u.tilt_systematic_mm_per_m**2 + u.wander_mm_per_m**2 * run
    variance = (variance + 2 * u.profile_mm**2 / run**2 + u.profile_mm_per_m**2) * 1e-6
    limit = plan_limit(count)
    if float(np.sum((seen - read) ** 2)) <= limit * variance:
        return None
    where = f"{ground.files[int(t.file[own[0]])]}:{t.line[own[0]]}"
    said = (
        f"it leans by {_lean(seen)} east, north on average down to {deepest:+.2f}, the reading there by {_lean(read)} "
        f"({where}; {beyond(float(np.sqrt(np.sum((seen - read) ** 2) / variance)), limit**0.5, places=1)} standard "
        f"uncertainties, limit {number(limit**0.5, 1)})"
    )
    kind, cause = _cause(seen, read, variance)
    return _finding(survey, ground, log, len(log.rows) - 1, kind=kind, text=f"{said}: {cause}")


def _cause(seen: Floats, read: Floats, variance: float) -> tuple[str, str]:
    """Return kind and likely cause of a profile that contradicts a reading: the first that makes them agree best."""
    tried = [
        ("sign_flip", -seen, "its signs are turned round, or those of the reading; turned they agree"),
        ("exchanged_coordinates", seen[::-1], "east and north stand in each other's place"),
        ("sign_flip", seen * (-1.0, 1.0), "the sign of its offsets to the east is turned round"),
        ("sign_flip", seen * (1.0, -1.0), "the sign of its offsets to the north is turned round"),
        *(("wrong_unit", seen * factor, f"offsets in {unit}, then they agree") for factor, unit in _UNITS),
    ]
    found = "repeated_pile", "one of the two is another pile's, or turned in bearing, or the pile was drilled anew"
    # what brings them to within noise, and much nearer than they are: next to nothing times a factor fits anything
    least = min(plan_limit(1) * variance, 0.25 * float(np.sum((seen - read) ** 2)))
    for kind, other, cause in tried:
        off = float(np.sum((other - read) ** 2))
        if off < least and not _too_little(kind, read, variance):
            found, least = (kind, cause), off - _CLEARLY * variance
    return found


def _too_little(kind: str, read: Floats, variance: float) -> bool:
    """Tell whether the reading is too near to plumb for another unit to be told from noise."""
    return kind == "wrong_unit" and float(np.sum(read**2)) < plan_limit(1) * variance


def _lean(slope: Floats) -> str:
    return f"({number(slope[0] * 1000, 1)}, {number(slope[1] * 1000, 1)}) mm/m"
