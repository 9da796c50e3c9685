"""Blunders in lean readings: out of range, signs turned round, copied, out of order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import UNITS
from asbuilt.compute.alignment import align
from asbuilt.compute.blunders_dates import minute
from asbuilt.compute.blunders_groups import FALSE_ALARM, plan_limit
from asbuilt.compute.numbering import numbered
from asbuilt.compute.readings import slopes_of_readings
from asbuilt.compute.wording import number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.compute.blunders_units import Leans
    from asbuilt.model import Booleans, Floats, Integers, Survey

__all__ = ["STEEPEST", "leans_of", "reading_findings", "repeated_by_chance", "resolutions"]

#: A casing or bore that leans by more than this is a slip of the pen, or a disaster [m per m].
STEEPEST = 1.0 / 20.0
#: One component alone explains a change of sign better than both when it leaves so much less of chi-square.
_CLEARLY = 6.0
#: Readings in a row, or of a pile, that must be equal before copying is thought of.
_FEWEST_COPIED = 3
_FEWEST_SEQUENCE = 2
_DECIMALS = 6
_ONE_IN = UNITS.index("1:n")
_DEGREES = UNITS.index("deg")
_PERCENT = UNITS.index("%")
_GAP = UNITS.index("mm")


class _Sequence:
    """Readings of the piles that have a fresh one, by pile and attempt, from the top down."""

    def __init__(self, survey: Survey, ground: Ground, fresh: Booleans) -> None:
        t = survey.tilts
        touched = np.zeros(len(ground.ids) + 1, dtype=np.bool_)
        touched[t.pile[fresh]] = True
        touched[-1] = False
        rows = np.flatnonzero(touched[t.pile])
        level = t["from_level"][rows] - t["depth"][rows]
        order = np.lexsort((t.line[rows], t.file[rows], -level, t["attempt"][rows], t.pile[rows]))
        self.rows, self.level = rows[order], level[order]
        self.fresh = fresh[self.rows]
        self.pile = t.pile[self.rows].astype(np.int64)
        attempt = t["attempt"][self.rows]
        self.same = (np.diff(self.pile) == 0) & (np.diff(attempt) == 0)
        self.first = np.flatnonzero(np.r_[True, ~self.same]) if len(rows) else np.empty(0, dtype=np.int64)
        self.size = np.diff(np.r_[self.first, len(self.rows)])
        self.time = t["read_at"][self.rows]
        taken = t.take(self.rows)
        alignment = align(survey.design, survey.settings, e=ground.e, n=ground.n)
        slope_e, slope_n = slopes_of_readings(taken, survey.settings, alignment)
        self.slope = np.column_stack([slope_e, slope_n])
        stated = np.radians(taken["bearing_a_deg"])[:, None]
        along_a = np.column_stack([np.sin(stated), np.cos(stated)])
        self.along_a = np.where(np.isnan(stated), alignment.pit[self.pile], along_a)
        self.raw = np.column_stack([taken["tilt_a"], taken["tilt_b"]])
        self.unit = taken["unit"].astype(np.int64)
        self.file = taken.file.astype(np.int64)
        # a new reading is under suspicion, and what is new in a pair of readings
        self.fresh_pair = self.fresh[1:] | self.fresh[:-1] if len(rows) else np.empty(0, dtype=np.bool_)


def reading_findings(
    survey: Survey, ground: Ground, *, fresh: Booleans, elsewhere: Booleans
) -> Iterator[Finding]:
    """Yield what is odd in the fresh lean readings, each pile's seen with those already in the folder.

    Parameters
    ----------
    survey, ground
        The survey with the fresh files, and what its loads are held against.
    fresh : (k,) array of bool
        Lean readings that are not yet in the folder.
    elsewhere : (k,) array of bool
        Those whose unit is told to be another one: they are not too steep, nor turned round, besides.
    """
    if not fresh.any():
        return
    seen = _Sequence(survey, ground, fresh)
    yield from _out_of_range(survey, ground, seen, elsewhere[seen.rows])
    yield from _sign_flips(survey, ground, seen, elsewhere[seen.rows])
    yield from _copied(survey, ground, seen)
    yield from _out_of_order(survey, ground, seen)


def leans_of(survey: Survey, ground: Ground, *, fresh: Booleans) -> tuple[Leans, Floats]:
    """Return all lean readings of a survey for the search of their unit, and their slopes (k, 2) [m per m]."""
    from asbuilt.compute.blunders_units import Leans

    t = survey.tilts
    alignment = align(survey.design, survey.settings, e=ground.e, n=ground.n)
    slope = np.column_stack(slopes_of_readings(t, survey.settings, alignment))
    raw, unit = np.column_stack([t["tilt_a"], t["tilt_b"]]), t["unit"].astype(np.int64)
    key = numbered(t.file.astype(np.int64) * len(UNITS) + unit)
    step = resolutions(raw.ravel(), np.repeat(key, 2))[key] if len(t) else np.empty(0)
    leans = Leans(
        row=np.arange(len(t)),
        pile=t.pile.astype(np.int64),
        file=t.file.astype(np.int64),
        unit=unit,
        raw=raw,
        slope=slope,
        size=np.hypot(*slope.T),
        step=step * _per_unit(survey, raw, unit).max(axis=1) / 1000.0 if len(t) else step,
        fresh=fresh,
    )
    return leans, slope


def _per_unit(survey: Survey, raw: Floats, unit: Integers) -> Floats:
    """Return how many mm/m (k, 2) a step of one is, in the unit of each reading and at its size."""
    per_unit = np.full((len(unit), 2), 1.0)
    per_unit[unit == _PERCENT] = 10.0
    per_unit[unit == _DEGREES] = 1000.0 * np.pi / 180.0
    per_unit[unit == _GAP] = 1000.0 / survey.settings.readings.level_length_mm
    one_in = unit == _ONE_IN
    # 1:n read to a step is s = 1/n read to step·s²
    slope = np.divide(1.0, raw, out=np.zeros_like(raw), where=raw != 0)
    per_unit[one_in] = 1000.0 * slope[one_in] ** 2
    return per_unit


def _finding(
    survey: Survey, ground: Ground, seen: _Sequence, place: int, *, kind: str, column: str, text: str
) -> Finding:
    row = int(seen.rows[place])
    return Finding(
        severity="query",
        kind=kind,
        item=str(ground.ids[seen.pile[place]]),
        text=text,
        file=ground.files[int(survey.tilts.file[row])],
        line=int(survey.tilts.line[row]),
        column=column,
    )


def _lean(slope: Floats) -> str:
    return f"({number(slope[0] * 1000, 1)}, {number(slope[1] * 1000, 1)}) mm/m"


def _depth(survey: Survey, seen: _Sequence, place: int) -> str:
    return f"{number(float(survey.tilts['depth'][seen.rows[place]]), 2).rstrip('0').rstrip('.')} m"


def _out_of_range(survey: Survey, ground: Ground, seen: _Sequence, told: Booleans) -> Iterator[Finding]:
    steep = np.hypot(*seen.slope.T)
    for k in np.flatnonzero(seen.fresh & ~told & (steep > STEEPEST)).tolist():
        column = "tilt_a" if abs(seen.raw[k, 0]) >= abs(seen.raw[k, 1]) else "tilt_b"
        if seen.unit[k] == _ONE_IN:
            column = "tilt_a" if abs(seen.raw[k, 0]) <= abs(seen.raw[k, 1]) and seen.raw[k, 0] else "tilt_b"
        text = (
            f"a lean of {number(steep[k] * 1000, 0)} mm/m at {_depth(survey, seen, k)}, more than 1:20: "
            "a decimal point lost, or another unit than the one stated"
        )
        yield _finding(survey, ground, seen, k, kind="tilt_range", column=column, text=text)


def _sign_flips(survey: Survey, ground: Ground, seen: _Sequence, told: Booleans) -> Iterator[Finding]:
    """Yield readings that are the one before with both signs turned.

    Two readings of one lean s differ by 2σ_r²; s_k ≈ −s_{k−1} means that their sum is no more than noise while their
    difference is more than noise explains (0.1 % shared among the pairs of the load). Where one component alone changes
    its sign the lean may well have changed.
    """
    steep = np.hypot(*seen.slope.T) > STEEPEST
    variance = 2.0 * (survey.settings.uncertainty.tilt_mm_per_m / 1000.0) ** 2
    limit = plan_limit(int(np.count_nonzero(seen.same & seen.fresh_pair)))
    total = np.sum((seen.slope[1:] + seen.slope[:-1]) ** 2, axis=1) / variance
    change = np.sum((seen.slope[1:] - seen.slope[:-1]) ** 2, axis=1) / variance
    # the sum is held to the ordinary one in a thousand: a real change of lean need not be a change of sign
    flips = seen.same & ~told[1:] & (change > limit) & (total < plan_limit(1)) & ~steep[1:] & ~steep[:-1]
    flips &= total < _one_sign_alone(seen, variance) + _CLEARLY
    opposite = np.r_[False, flips]
    # the way back is no second flip: of a run of them every other one counts
    place = np.arange(len(opposite))
    start = np.maximum.accumulate(np.where(opposite & ~np.r_[False, opposite[:-1]], place, 0))
    turned = opposite & ((place - start) % 2 == 0)
    for k in np.flatnonzero(turned).tolist():
        if not seen.fresh_pair[k - 1]:
            continue
        back = k + 1 < len(opposite) and opposite[k + 1]
        last = k + 1 == len(opposite) or not seen.same[k]
        until = "" if back or last else ", and stays so below"
        text = (
            f"{_lean(seen.slope[k])} east, north at {_depth(survey, seen, k)} after {_lean(seen.slope[k - 1])} at "
            f"{_depth(survey, seen, k - 1)}: both signs turn round and the size stays{until}; "
            "the instrument stood the other way round, or the signs were mistaken"
        )
        yield _finding(survey, ground, seen, k, kind="sign_flip", column="tilt_a", text=text)


def _one_sign_alone(seen: _Sequence, variance: float) -> Floats:
    """Return what would be left if one component of each reading, a or b, had changed its sign, and the other not."""
    a = seen.along_a[1:]
    b = np.column_stack([a[:, 1], -a[:, 0]])
    left = []
    for one, other in ((a, b), (b, a)):
        turned = np.sum((seen.slope[1:] + seen.slope[:-1]) * one, axis=1)
        kept = np.sum((seen.slope[1:] - seen.slope[:-1]) * other, axis=1)
        left.append((turned**2 + kept**2) / variance)
    least: Floats = np.minimum(*left)
    return least


def resolutions(values: Floats, group: Integers) -> Floats:
    """Return the last decimal place in use (g,) in the values of each group (k,), as a step; NaN counts for nothing.

    Examples
    --------
    >>> resolutions(np.array([3.1, 2.0, 7.0]), np.array([0, 0, 1])).tolist()
    [0.1, 1.0]
    """
    count = int(group.max(initial=-1)) + 1
    places = np.zeros(count)
    for decimals in range(1, _DECIMALS + 1):
        scaled = values * 10.0 ** (decimals - 1)
        finer = np.isfinite(values) & (np.abs(scaled - np.rint(scaled)) > 1e-6 * np.maximum(np.abs(scaled), 1.0))
        np.maximum.at(places, group[finer], decimals)
    steps: Floats = 10.0**-places
    return steps


def repeated_by_chance(step: Floats, sigma: float) -> Floats:
    """Return the chance that two readings of one lean, σ ``sigma`` each, come out equal when read to ``step``.

    Their difference is normal with standard deviation √2·σ; it must be less than half a step either way, at most
    step/(2·√π·σ), and never more than 1.

    Examples
    --------
    >>> repeated_by_chance(np.array([0.1, 50.0]), 1.0).round(4).tolist()
    [0.0282, 1.0]
    """
    chance: Floats = np.minimum(1.0, step / (2.0 * np.sqrt(np.pi) * sigma))
    return chance


def _chances(survey: Survey, seen: _Sequence) -> Floats:
    """Return the chance (k,) that a reading equals another one of the same lean in both components."""
    key = numbered(seen.file * len(UNITS) + seen.unit)
    step = resolutions(seen.raw.ravel(), np.repeat(key, 2))[key]
    per_unit = _per_unit(survey, seen.raw, seen.unit)
    one_in = seen.unit == _ONE_IN
    chance = repeated_by_chance(step[:, None] * per_unit, survey.settings.uncertainty.tilt_mm_per_m)
    # plumb in 1:n has no neighbour to be told from: nothing follows from two of them
    chance = np.where(one_in[:, None] & (seen.raw == 0), 1.0, chance)
    product: Floats = chance[:, 0] * chance[:, 1]
    return product


def _copied(survey: Survey, ground: Ground, seen: _Sequence) -> Iterator[Finding]:
    """Yield runs of equal readings of one pile, and piles whose readings are those of another one."""
    piles = max(len(seen.first), 1)
    code = np.unique(np.column_stack([seen.raw, seen.unit]), axis=0, return_inverse=True)[1].ravel()
    log = np.log(np.maximum(_chances(survey, seen), 1e-300))
    equal = np.r_[False, seen.same & (np.diff(code) == 0)]
    begins = np.flatnonzero(~equal)
    length = np.diff(np.r_[begins, len(equal)])
    run_log = np.add.reduceat(np.where(equal, log, 0.0), begins)
    some_fresh = np.add.reduceat(seen.fresh.astype(np.int64), begins) > 0
    copied = (length >= _FEWEST_COPIED) & some_fresh & (run_log < np.log(FALSE_ALARM / piles))
    for place in np.flatnonzero(copied).tolist():
        first, last = int(begins[place]), int(begins[place] + length[place] - 1)
        at = next(k for k in range(first, last + 1) if seen.fresh[k])
        zero = "" if seen.raw[first].any() else ", all zero"
        text = (
            f"{length[place]} readings from {_depth(survey, seen, first)} to {_depth(survey, seen, last)} are equal "
            f"({seen.raw[first, 0] + 0.0:g}, {seen.raw[first, 1] + 0.0:g} {UNITS[seen.unit[first]]}{zero}); one "
            f"reading alone repeats another by chance in {_percent(float(np.exp(log[first])))}: copied, or an "
            "instrument that hangs"
        )
        yield _finding(survey, ground, seen, at, kind="copied_readings", column="tilt_a", text=text)
    yield from _copied_piles(survey, ground, seen, code, log)


def _percent(chance: float) -> str:
    return "less than 0.01 %" if chance < 1e-4 else f"{chance * 100:.2g} %"


def _copied_piles(
    survey: Survey, ground: Ground, seen: _Sequence, code: Integers, log: Floats
) -> Iterator[Finding]:
    """Yield piles of the load whose readings are, one for one, those of another pile of it."""
    count, size = len(seen.first), seen.size
    within = np.arange(len(code)) - np.repeat(seen.first, size)
    # a reading and its place in the sequence as one number, so that sequences can be compared as sums of hashes
    mixed = (code.astype(np.uint64) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    mixed ^= (within.astype(np.uint64) + np.uint64(1)) * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed ^= mixed >> np.uint64(29)
    mixed *= np.uint64(0xBF58476D1CE4E5B9)
    mixed ^= mixed >> np.uint64(32)
    total = np.add.reduceat(mixed, seen.first)
    chance = np.add.reduceat(log, seen.first)
    all_fresh = np.add.reduceat(seen.fresh.astype(np.int64), seen.first) > 0
    # equal all the way down is told already
    constant = np.add.reduceat((np.r_[False, np.diff(code) != 0] & (within > 0)).astype(np.int64), seen.first) == 0
    order = np.lexsort((seen.first, total))
    twin = np.r_[False, (np.diff(total[order]) == 0) & (np.diff(size[order]) == 0)]
    for place in np.flatnonzero(twin).tolist():
        one, other = int(order[place - 1]), int(order[place])
        pairs = count * (count - 1) / 2.0
        rare = chance[other] < np.log(FALSE_ALARM / pairs)
        if size[other] < _FEWEST_SEQUENCE or constant[other] or not rare or not (all_fresh[one] or all_fresh[other]):
            continue
        at = int(seen.first[other if all_fresh[other] else one])
        like = int(seen.first[one if all_fresh[other] else other])
        text = (
            f"its {size[other]} readings are, one for one, those of {ground.ids[seen.pile[like]]}: "
            "copied from that pile's sheet, or one sheet entered twice"
        )
        yield _finding(survey, ground, seen, at, kind="copied_readings", column="tilt_a", text=text)


def _out_of_order(survey: Survey, ground: Ground, seen: _Sequence) -> Iterator[Finding]:
    deeper = np.diff(seen.level) < -1e-9
    earlier = seen.same & deeper & (seen.time[1:] < seen.time[:-1]) & seen.fresh_pair
    for k in (np.flatnonzero(earlier) + 1).tolist():
        text = (
            f"read {minute(survey.settings, seen.time[k])} at {_depth(survey, seen, k)}, before the reading at "
            f"{_depth(survey, seen, k - 1)} of {minute(survey.settings, seen.time[k - 1])}: a time or a depth is "
            "mistaken, or the hole was drilled anew (then it is another attempt)"
        )
        yield _finding(survey, ground, seen, k, kind="time_order", column="read_at", text=text)
