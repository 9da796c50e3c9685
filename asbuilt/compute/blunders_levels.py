"""Levels and depths of a fresh load that cannot be meant."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_told import at_row
from asbuilt.compute.records import governing_attempts, governing_records
from asbuilt.compute.wording import beyond, metres, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Floats, Survey, Table

__all__ = ["BELOW_TOE_M", "depth_findings", "level_findings"]

_CHECK, _FACE = OBJECTS.index("check"), OBJECTS.index("face")
_CASING, _TRIMMED = OBJECTS.index("casing"), OBJECTS.index("trimmed")
#: A trimmed head stands at its cut-off within this [m].
_TRIMMED_WITHIN = 0.30
#: A level this near to the commencing surface is that of the platform [m].
_AT_PLATFORM = 0.05
#: Nothing is left of a pile this far below its cut-off [m].
_BELOW_CUT_OFF = 1.0
#: A casing stands out of the commencing surface by no more than this, a head by less [m].
_CASING_ABOVE, _HEAD_ABOVE = 5.0, 2.0
#: A reading this far below the pile's toe was not taken in the pile [m].
BELOW_TOE_M = 1.0
#: What makes of a level the one that was meant, and what it is called.
_MEANT: tuple[tuple[float, str], ...] = (
    (-1.0, "the sign is lost or turned round"),
    (0.1, "the decimal point has slipped"),
    (0.01, "the decimal point has slipped, or centimetres"),
    (0.001, "millimetres"),
    (0.3048, "feet"),
    (10.0, "the decimal point has slipped"),
)


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
    yield from _out_of_range(survey, ground, t, own, "level")
    yield from _out_of_range(survey, ground, survey.records, fresh["records"], "toe_level")
    for name in ("tilts", "profiles"):
        yield from _out_of_range(survey, ground, getattr(survey, name), fresh[name], "from_level")
    yield from _trimmed_heads(survey, ground, own)
    yield from _no_pile_there(survey, ground, own)
    yield from _toes_above(survey, ground, fresh["records"])
    yield from depth_findings(survey, ground.files, fresh)


def _out_of_range(survey: Survey, ground: Ground, table: Table, fresh: Booleans, column: str) -> Iterator[Finding]:
    """Yield levels outside ``lowest`` to ``highest``, with what would fit."""
    low, high = survey.settings.levels.lowest, survey.settings.levels.highest
    level = table[column]
    for row in np.flatnonzero(fresh & ((level < low) | (level > high))).tolist():
        within = (low, high)
        if column == "level" and table.pile[row] >= 0 and table["object"][row] != _FACE:
            within = _standing(survey, ground, table, row)
        hint = _hint(float(level[row]), *within, "a mistyped digit, or another datum")
        text = f"{level[row]:+.3f} lies outside the site's levels, {metres(low)} to {metres(high)}{hint}"
        yield at_row(table, ground, row, kind="level_range", text=text, column=column)


def _standing(survey: Survey, ground: Ground, table: Table, row: int) -> tuple[float, float]:
    """Return the lowest and the highest level that a shot on a pile can have."""
    above = _CASING_ABOVE if table["object"][row] == _CASING else _HEAD_ABOVE
    return float(ground.cut_off[table.pile[row]]) - _BELOW_CUT_OFF, survey.settings.levels.commence + above


def _hint(level: float, low: float, high: float, otherwise: str) -> str:
    """Return what would fit in place of a level, and why; ``otherwise`` where nothing does."""
    for factor, cause in _MEANT:
        if low <= level * factor <= high:
            return f" ({metres(level * factor)} would fit): {cause}"
    return f": {otherwise}"


def _no_pile_there(survey: Survey, ground: Ground, fresh: Booleans) -> Iterator[Finding]:
    """Yield shots on casings and heads far below the cut-off or far above the commencing surface."""
    t, levels = survey.pickups, survey.settings.levels
    shot = fresh & (t.pile >= 0) & ~np.isin(t["object"], (_CHECK, _FACE, _TRIMMED))
    shot &= (t["level"] >= levels.lowest) & (t["level"] <= levels.highest)
    level, pile = t["level"], np.maximum(t.pile, 0)
    low = (ground.cut_off - _BELOW_CUT_OFF)[pile] if len(ground.cut_off) else np.full(len(level), -np.inf)
    high = levels.commence + np.where(t["object"] == _CASING, _CASING_ABOVE, _HEAD_ABOVE)
    for row in np.flatnonzero(shot & ((level < low) | (level > high))).tolist():
        what = OBJECTS[int(t["object"][row])]
        cut_off = float(ground.cut_off[t.pile[row]])
        where = (
            f"{number(cut_off - level[row], 2)} m below its cut-off {metres(cut_off)}"
            if level[row] < low[row]
            else f"{number(level[row] - levels.commence, 2)} m above the commencing surface {metres(levels.commence)}"
        )
        hint = _hint(float(level[row]), float(low[row]), float(high[row]), "another surface, or another datum")
        text = f"a {what} at {metres(level[row])}, {where}{hint}"
        yield at_row(t, ground, row, kind="level_range", text=text, column="level")


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
        cut_off = float(level[k] - off[k])
        hint = f": {cause}" if platform else _hint(float(level[k]), cut_off - 0.3, cut_off + 0.3, cause)
        text = (
            f"a trimmed head at {metres(level[k])}, {beyond(abs(off[k]), _TRIMMED_WITHIN, places=2)} m "
            f"{'above' if off[k] > 0 else 'below'} its cut-off {metres(cut_off)}{hint}"
        )
        yield at_row(t, ground, int(rows[k]), kind="level_range", text=text, column="level")


def _toes_above(survey: Survey, ground: Ground, fresh: Booleans) -> Iterator[Finding]:
    """Yield recorded toes that stand above their pile's cut-off: a depth or a cut-off entered as a level."""
    t, levels = survey.records, survey.settings.levels
    toe, cut_off = t["toe_level"], ground.cut_off[t.pile]
    for row in np.flatnonzero(fresh & (toe > cut_off) & (toe <= levels.highest)).tolist():
        text = f"a toe at {metres(toe[row])}, above the cut-off {metres(cut_off[row])}: a depth, or another level"
        yield at_row(t, ground, row, kind="level_range", text=text, column="toe_level")


def depth_findings(
    survey: Survey, files: Sequence[str], fresh: Mapping[str, Booleans] | None = None
) -> Iterator[Finding]:
    """Yield lean readings and profiles that go more than a metre below their pile's toe, one for a pile and file.

    Parameters
    ----------
    survey, files
        A survey of rows that count, and the paths of its files.
    fresh
        By table: the rows that are looked at; None for all.
    """
    design = survey.design
    attempts = governing_attempts(len(design), survey.pickups, survey.tilts, survey.profiles, survey.records)
    recorded = governing_records(survey.records, attempts=attempts).toe_level
    toe: Floats = np.where(np.isnan(recorded), design["toe_level"], recorded)
    for name in ("tilts", "profiles"):
        table: Table = getattr(survey, name)
        rows = np.flatnonzero((table.pile >= 0) & (True if fresh is None else fresh[name]))
        rows = rows[table["attempt"][rows] == attempts[table.pile[rows]]]
        level = table["from_level"][rows] - table["depth"][rows]
        below = level < toe[table.pile[rows]] - BELOW_TOE_M
        told: set[tuple[int, int]] = set()
        for k in np.flatnonzero(below).tolist():
            row, pile = int(rows[k]), int(table.pile[rows[k]])
            if (pile, int(table.file[row])) in told:
                continue
            told.add((pile, int(table.file[row])))
            yield _below_toe(table, files, row, float(level[k]), float(toe[pile]), bool(np.isnan(recorded[pile])))


def _below_toe(table: Table, files: Sequence[str], row: int, level: float, toe: float, designed: bool) -> Finding:
    depth, start = float(table["depth"][row]), float(table["from_level"][row])
    cause = "a mistyped depth, another pile, or a toe that is recorded wrongly"
    for factor, unit in ((0.3048, "feet"), (0.01, "centimetres"), (0.001, "millimetres")):
        if 1.0 <= depth * factor <= start - toe:
            cause = f"a mistyped digit, or a depth in {unit} ({number(depth * factor, 2)} m would fit)"
            break
    text = (
        f"{number(depth, 2)} m deep is {metres(level)}, {number(toe - level, 2)} m below the "
        f"{'design ' if designed else ''}toe {metres(toe)}: {cause}"
    )
    return Finding(
        severity="query",
        kind="level_range",
        item=str(table["pile_id"][row]),
        text=text,
        file=files[int(table.file[row])],
        line=int(table.line[row]),
        column="depth",
    )
