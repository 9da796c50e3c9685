"""Lean readings of a whole file in another unit than the one stated: all too small, or all too large."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri, fdtr, fdtrc

from asbuilt.columns import UNITS
from asbuilt.compute.blunders_groups import FALSE_ALARM
from asbuilt.compute.blunders_told import at_row, names_of
from asbuilt.compute.readings import slope_of_values
from asbuilt.compute.wording import number

if TYPE_CHECKING:

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Finding, Floats, Integers, Survey

__all__ = ["Leans", "unit_findings"]

#: An instrument may be better than stated by this much; readings of less than its scatter then are in another unit.
_BETTER = 0.4
#: Readings coarser than this share of their stated scatter hide it [1].
_COARSE = 0.3
#: Leans of one load against those of earlier ones: less than so many times larger or smaller is the ground's doing.
_TIMES = 4.0
#: Piles read before that it takes to compare with them, and piles of the file.
_FEWEST_BEFORE, _FEWEST = 6, 3
#: Without earlier readings: so many times the verticality tolerance is no lean of a whole load.
_TOLERANCES = 3.0
#: Another unit explains when it makes leans that differ from what is usual by no more than this factor.
_USUAL = 3.0
_WORDS = ("mm/m", "1:n", "%", "degrees", "mm of gap under the level")


@dataclass(frozen=True, kw_only=True)
class Leans:
    """Lean readings (k,) by pile: slope (k, 2) and its size [m per m], values as read, unit and its last decimal place.

    ``step`` [m per m]: the last decimal place in use in the file, as a lean.
    """

    row: Integers
    pile: Integers
    file: Integers
    unit: Integers
    raw: Floats
    slope: Floats
    size: Floats
    step: Floats
    fresh: Booleans


def unit_findings(survey: Survey, ground: Ground, leans: Leans) -> tuple[list[Finding], Booleans]:
    """Return a finding for each file whose readings of one unit fit another one, and which readings these are (k,).

    Notes
    -----
    Too small: the readings' sum of squares lies under the 0.1 % point of what four tenths of `tilt_mm_per_m` alone
    would give, leaning or not; or that about each pile's mean does, and they are no larger themselves; or (from three
    piles on, six read before) it is less than a sixteenth of the earlier piles' and so by chance in 0.1 % at most (F).
    Too large: likewise; without earlier readings, a median lean of more than three times the verticality tolerance, or
    readings of one pile that differ by more than four times `tilt_mm_per_m`. They are in another unit when one of those
    of the column dictionary makes leans of the usual size of them, within a factor of three.
    """
    found: list[Finding] = []
    told = np.zeros(len(leans.row), dtype=np.bool_)
    usual, before = _usual(survey, ground, leans)
    for file, unit in np.unique(np.column_stack([leans.file, leans.unit])[leans.fresh], axis=0).tolist():
        own = np.flatnonzero(leans.fresh & (leans.file == file) & (leans.unit == unit) & (leans.raw != 0).any(axis=1))
        if not len(own):
            continue
        mean = _mean_square(leans, own)
        small = _too_small(survey, leans, own, mean, before)
        if not small and not _too_large(survey, leans, own, mean, before):
            continue
        meant = _meant(survey, leans, own, usual)
        if not meant and not small and (len(before) < _FEWEST_BEFORE or len(mean) < _FEWEST):
            continue  # each of them is asked about by itself where it is beyond what can be
        told[own] = True
        found.append(_finding(survey, ground, leans, own, small=small, meant=meant, before=before))
    return found, told


def _mean_square(leans: Leans, rows: Integers) -> Floats:
    """Return the mean square lean of each pile of some readings."""
    code = np.unique(leans.pile[rows], return_inverse=True)[1]
    mean: Floats = np.bincount(code, leans.size[rows] ** 2) / np.bincount(code)
    return mean


def _usual(survey: Survey, ground: Ground, leans: Leans) -> tuple[float, Floats]:
    """Return the usual size of a lean [m per m], and the mean squares of the piles read before."""
    old = np.flatnonzero(~leans.fresh)
    before = _mean_square(leans, old) if len(old) else np.empty(0)
    if len(before) >= _FEWEST_BEFORE:
        return float(np.sqrt(np.median(before))), before
    reading = survey.settings.uncertainty.tilt_mm_per_m / 1000.0
    sigma = float(ground.lean_sigma[0]) if len(ground.lean_sigma) else 0.0
    # of piles that keep a tolerance of two standard deviations, most lean by about one
    return float(np.sqrt(sigma**2 + 2.0 * reading**2)), np.empty(0)


def _too_small(survey: Survey, leans: Leans, own: Integers, mean: Floats, before: Floats) -> bool:
    sigma = survey.settings.uncertainty.tilt_mm_per_m / 1000.0
    fine = own[leans.step[own] <= _COARSE * sigma]
    least = (_BETTER * sigma) ** 2
    square, between, free = _squares(leans, fine)
    # chdtri takes the chance of more
    if len(fine) > 1 and square < chdtri(2 * len(fine), 1.0 - FALSE_ALARM) * least:
        return True
    if free and square < 2.0 * len(fine) * least and between < chdtri(free, 1.0 - FALSE_ALARM) * least:
        return True
    if len(before) < _FEWEST_BEFORE or len(mean) < _FEWEST:
        return False
    ratio = float(np.mean(mean) / max(np.median(before), 1e-30))
    return ratio < _TIMES**-2 and float(fdtr(2 * len(mean), 2 * len(before), ratio)) < FALSE_ALARM / 2.0


def _squares(leans: Leans, rows: Integers) -> tuple[float, float, int]:
    """Return the sum of squares of readings, that about the mean of their pile, and its degrees of freedom."""
    slope = leans.slope[rows]
    code = np.unique(leans.pile[rows], return_inverse=True)[1]
    count = np.bincount(code)
    mean = np.column_stack([np.bincount(code, slope[:, k]) for k in (0, 1)]) / count[:, None]
    between = float(np.sum((slope - mean[code]) ** 2)) if len(rows) else 0.0
    return float(np.sum(slope**2)), between, 2 * (len(rows) - len(count))


def _too_large(survey: Survey, leans: Leans, own: Integers, mean: Floats, before: Floats) -> bool:
    if len(before) >= _FEWEST_BEFORE and len(mean) >= _FEWEST:
        ratio = float(np.median(mean)) / max(float(np.mean(before)), 1e-30)
        return ratio > _TIMES**2 and float(fdtrc(2 * len(mean), 2 * len(before), ratio)) < FALSE_ALARM / 2.0
    steepest = max(survey.settings.tolerance.verticality.values(), default=0.0) / 1000.0
    size = float(np.median(leans.size[own]))
    if _within(leans, own) > _TIMES * survey.settings.uncertainty.tilt_mm_per_m / 1000.0:
        return True
    return steepest > 0 and len(own) > 1 and size > _TOLERANCES * steepest


def _within(leans: Leans, rows: Integers) -> float:
    """Return by how much readings of one pile differ in size, the median of the piles with several [m per m]."""
    code = np.unique(leans.pile[rows], return_inverse=True)[1]
    count = np.bincount(code)
    mean = np.bincount(code, leans.size[rows]) / count
    square = np.bincount(code, (leans.size[rows] - mean[code]) ** 2)[count > 1] / (count[count > 1] - 1)
    return float(np.sqrt(np.median(square))) if len(square) else 0.0


def _meant(survey: Survey, leans: Leans, own: Integers, usual: float) -> list[tuple[int, float]]:
    """Return the units whose leans are of the usual size, the nearest to it first, with their size [m per m]."""
    stated, found = int(leans.unit[own[0]]), []
    length = survey.settings.readings.level_length_mm
    for unit in range(len(UNITS)):
        if unit == stated:
            continue
        slope = slope_of_values(leans.raw[own], np.full(leans.raw[own].shape, unit), length)
        rms = float(np.sqrt(np.mean(np.sum(slope**2, axis=1))))
        away = abs(float(np.log(max(rms, 1e-30) / usual)))
        if away < np.log(_USUAL):
            found.append((away, unit, rms))
    return [(unit, rms) for _, unit, rms in sorted(found)]


def _finding(
    survey: Survey,
    ground: Ground,
    leans: Leans,
    own: Integers,
    *,
    small: bool,
    meant: list[tuple[int, float]],
    before: Floats,
) -> Finding:
    rms = float(np.sqrt(np.mean(leans.size[own] ** 2)))
    first = own[np.argmin(survey.tilts.line[leans.row[own]])]
    piles = [str(ground.ids[k]) for k in dict.fromkeys(leans.pile[own].tolist())]
    sigma = survey.settings.uncertainty.tilt_mm_per_m
    against = f"readings alone scatter by {number(sigma * 2**0.5, 1)} mm/m" if small else "far more than piles lean"
    if len(before):
        against = f"{number(float(np.sqrt(np.median(before))) * 1000, 1)} mm/m in earlier loads ({len(before)} piles)"
    cause = f"{'made up, or ' if small else ''}in another unit than {_WORDS[int(leans.unit[first])]}"
    if meant:
        each = " or ".join(f"{_WORDS[other]} ({number(size * 1000, 1)} mm/m then)" for other, size in meant)
        cause = f"in {each} rather than {_WORDS[int(leans.unit[first])]}"
    text = (
        f"{len(own)} lean readings of {names_of(piles, 4)} are {number(rms * 1000, 2)} mm/m on average (root mean "
        f"square), too {'small' if small else 'large'} for leans; {against}: {cause}"
    )
    row = int(leans.row[first])
    kind = "wrong_unit" if meant else "tilt_range"
    file = ground.files[int(leans.file[first])]
    return at_row(survey.tilts, ground, row, kind=kind, text=text, column="unit", item=file)
