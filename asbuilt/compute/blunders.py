"""What a load is searched for before it is taken in: gross blunders row by row, and a fault of the whole load.

Nothing is reassigned or mended: each finding says where it stands, what is wrong with figures, and what is likely to be
behind it. One cause is told once: shots that a gross blunder explains are left out of the tests of the whole load, and
what the whole load has is taken off before its piles are looked at one by one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import SEVERITIES
from asbuilt.compute.alignment import align
from asbuilt.compute.blunders_again import changed_answers, repeats_in
from asbuilt.compute.blunders_checks import setup_findings
from asbuilt.compute.blunders_dates import date_findings, old_date_findings
from asbuilt.compute.blunders_groups import ground_of, groups_of
from asbuilt.compute.blunders_levels import level_findings
from asbuilt.compute.blunders_load import LoadFit, fit_load, points_of_loads, scatter_of_loads
from asbuilt.compute.blunders_pickups import (
    edge_findings,
    misplaced_findings,
    repeat_findings,
    row_findings,
    spread_findings,
)
from asbuilt.compute.blunders_points import CheckedPoint, CheckShots, check_shots, checked_points
from asbuilt.compute.blunders_profiles import profile_findings
from asbuilt.compute.blunders_readings import STEEPEST, leans_of, reading_findings
from asbuilt.compute.blunders_records import record_findings
from asbuilt.compute.blunders_rows import CANDIDATES, Reach, group_causes, nearest_other, reach_of, row_causes
from asbuilt.compute.blunders_told import one_for_most, piles_of_files
from asbuilt.compute.blunders_units import unit_findings
from asbuilt.compute.blunders_words import load_findings
from asbuilt.compute.withdrawn import why_withdrawn

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from asbuilt.compute.blunders_groups import Ground, Groups
    from asbuilt.compute.blunders_load import Scatter
    from asbuilt.compute.blunders_rows import Misplaced
    from asbuilt.model import Booleans, Finding, Floats, Integers, Survey

__all__ = ["LOADS", "Search", "search", "search_load"]

LOADS = ("pickups", "tilts", "profiles", "records")
"""Tables that come in loads."""


@dataclass(frozen=True, kw_only=True)
class Search:
    """What a search brought: ``findings``, the gravest first, then by file and line; and where check shots lie."""

    findings: tuple[Finding, ...]
    checked: tuple[CheckedPoint, ...] = field(default=())


def search_load(survey: Survey, fresh: Mapping[str, Booleans], *, now: np.datetime64) -> tuple[Finding, ...]:
    """Return the findings of :func:`search`."""
    return search(survey, fresh, now=now).findings


def search(survey: Survey, fresh: Mapping[str, Booleans], *, now: np.datetime64) -> Search:
    """Search a load for blunders.

    Parameters
    ----------
    survey : Survey
        The whole folder, read together with the load's files.
    fresh : mapping of str to array of bool
        By name of a table (``pickups``, ``tilts``, ``profiles``, ``records``): which of its rows are the load's. A
        table that is not named has none.
    now : datetime64
        Time of loading, UTC: later dates are a finding.

    Returns
    -------
    Search
        Its findings are each of a kind of ``columns.FINDINGS``, with its severity there.

    Notes
    -----
    A test that compares with a limit raises one of its findings in one clean load of a thousand at most: limits for
    single piles are those of 0.1 % divided by the number of piles in the load. Rows that were withdrawn do not count,
    and rows that stand in another file too are noted and count once. What more than half of a file's piles have alike
    is one finding about the file.

    References
    ----------
    W. Baarda, *A testing procedure for use in geodetic networks*, Delft 1968, for a test of one observation among many
    and the size of a blunder that it can detect.
    """
    survey, new, found = _in_use(survey, fresh)
    ground = ground_of(survey)
    dates, wrong_date = date_findings(survey, ground, new, now=now)
    believed = {name: new[name] & ~wrong_date[name] for name in LOADS}
    old_dates, too_old = old_date_findings(survey, ground, believed, now=now)
    found += [*dates, *old_dates, *record_findings(survey, ground, new)]
    dated = ~wrong_date["pickups"] & ~too_old["pickups"]
    found += setup_findings(survey, ground, fresh=new["pickups"], dated=dated)
    pickups = _Pickups(survey, ground, new["pickups"])
    found += pickups.findings()
    found += level_findings(survey, ground, new, explained=pickups.units())
    found += _lean_findings(survey, ground, new)
    unique = {(one.kind, one.item, one.file, one.line, one.column): one for one in reversed(found)}
    told = one_for_most(unique.values(), piles_of_files(survey, new))
    return Search(
        findings=tuple(
            sorted(told, key=lambda f: (SEVERITIES.index(f.severity), f.file, f.line, f.kind, f.item, f.column))
        ),
        checked=() if pickups.checks is None else checked_points(survey, ground, pickups.checks),
    )


def _lean_findings(survey: Survey, ground: Ground, new: Mapping[str, Booleans]) -> Iterator[Finding]:
    """Yield what is odd in the load's lean readings and profiles: units first, as they explain the rest."""
    leans, slope = leans_of(survey, ground, fresh=new["tilts"])
    units, elsewhere = unit_findings(survey, ground, leans)
    yield from units
    yield from reading_findings(survey, ground, fresh=new["tilts"], elsewhere=elsewhere)
    in_doubt = elsewhere | (leans.size > STEEPEST)
    yield from profile_findings(survey, ground, fresh=new["profiles"], slope=slope, in_doubt=in_doubt)


def _in_use(
    survey: Survey, fresh: Mapping[str, Booleans]
) -> tuple[Survey, dict[str, Booleans], list[Finding]]:
    """Return the survey without withdrawn and repeated rows, which of the rest are fresh, and what is repeated."""
    tables, new = {}, {}
    files, found = [file.path for file in survey.files], []
    for name in LOADS:
        table = getattr(survey, name)
        mask = fresh.get(name, np.zeros(len(table), dtype=np.bool_))
        if survey.withdrawals:
            kept = why_withdrawn(table, survey.withdrawals) == np.array(None)
            table, mask = table.take(kept), mask[kept]
        again, told = repeats_in(table, files, fresh=np.asarray(mask, dtype=np.bool_))
        found += told
        if again.any():
            table, mask = table.take(~again), mask[~again]
        tables[name], new[name] = table, np.asarray(mask, dtype=np.bool_)
    return replace(survey, **tables), new, found


class _Pickups:
    """The search of a load's pickups: single shots first, then the whole load, then what is left of each pile."""

    def __init__(self, survey: Survey, ground: Ground, fresh: Booleans) -> None:
        self.survey, self.ground, self.fresh = survey, ground, fresh
        self.checks: CheckShots | None = None
        t = survey.pickups
        self.count = len(np.unique(t.pile[fresh & (t.pile >= 0)]))
        self.old: Groups = groups_of(survey, ground, chosen=~fresh)
        self.scatter: Scatter = scatter_of_loads(self.old, ground, survey.settings)
        rows = np.flatnonzero(fresh)
        self.rows: Misplaced = row_causes(survey, ground, self.scatter, rows=rows, count=self.count)
        told = np.zeros(len(t), dtype=np.bool_)
        told[self.rows.index] = True
        self.new: Groups = groups_of(survey, ground, chosen=fresh & ~told)
        self.reach: Reach = reach_of(
            survey,
            ground,
            self.scatter,
            pile=self.new.pile,
            level=self.new.level,
            var=self.new.var,
            count=self.count,
        )

    def units(self) -> dict[int, float]:
        """Return the factor of the wrong unit of each row that has one in both coordinates, check shots included."""
        t, undone = self.survey.pickups, self._undone()
        told = dict(zip(self.rows.index.tolist(), self.rows.candidate.tolist(), strict=True))
        beside = np.flatnonzero(self.fresh & (t.pile < 0) & np.isin(t.file, list(undone)))
        told |= {row: undone[int(t.file[row])] for row in beside.tolist()}
        units = {row: CANDIDATES[k] for row, k in told.items() if k >= 0 and CANDIDATES[k].kind == "wrong_unit"}
        return {row: one.factor_e for row, one in units.items() if one.factor_e == one.factor_n}

    def _undone(self) -> dict[int, int]:
        """Return the explanation that each file's shots have, where all that have one have the same."""
        by_file: dict[int, set[int]] = {}
        for row, place in zip(self.rows.index.tolist(), self.rows.candidate.tolist(), strict=True):
            if place >= 0:
                by_file.setdefault(int(self.survey.pickups.file[row]), set()).add(place)
        return {file: places.pop() for file, places in by_file.items() if len(places) == 1}

    def findings(self) -> Iterator[Finding]:
        """Yield all that is odd in the load's pickups."""
        if not self.fresh.any():
            return
        survey, ground, new = self.survey, self.ground, self.new
        checks = check_shots(survey, ground, self.scatter, fresh=self.fresh, undone=self._undone())
        self.checks = checks
        yield from checks.findings
        yield from row_findings(survey, ground, self.rows, fresh=self.fresh)
        yield from edge_findings(survey, ground, new)
        spread, repeated = spread_findings(survey, ground, new, count=self.count)
        yield from spread
        explained = self._explained(checks, repeated)
        yield from self.of_load
        places = np.flatnonzero(new.solved & ~repeated)
        reach = Reach(tight=self.reach.tight[places], out=self.reach.out[places])
        gross = group_causes(
            ground, new, reach, places=places, explained=(explained[0][places], explained[1][places])
        )
        yield from misplaced_findings(survey, ground, new, gross, self.reach)
        told = repeated | self._answered()
        told[gross.index] = True
        yield from self.answers
        yield from repeat_findings(
            survey, ground, self.scatter, old=self.old, new=new, explained=explained, left_out=told
        )

    def _answered(self) -> Booleans:
        """Return which groups (k,) hold a shot that the folder has with other coordinates: told of their file."""
        t, seen = self.survey.pickups, self.fresh.copy()
        seen[self.rows.index] = False
        changed, self.answers = changed_answers(self.survey, fresh=seen)
        files = len(self.ground.files)
        key = t.pile[changed].astype(np.int64) * files + t.file[changed]
        answered: Booleans = np.isin(self.new.pile * files + self.new.file, key)
        return answered

    def _explained(self, checks: CheckShots, repeated: Booleans) -> tuple[Floats, Floats]:
        """Look at the whole load, and return by how much (k,), (k,) [m] that moved each group."""
        new, ground = self.new, self.ground
        e, n = np.zeros(len(new)), np.zeros(len(new))
        fits, units = self._fits(repeated)
        self.of_load = tuple(load_findings(self.survey, ground, new, checks, fits))
        for fit, unit in zip(fits, units, strict=True):
            e[unit], n[unit] = fit.explained(new.e[unit], new.n[unit])
        return e, n

    def _fits(self, repeated: Booleans) -> tuple[list[LoadFit], list[Booleans]]:
        """Return what was found of set-ups, or else of the load as a whole, and which groups each concerns."""
        new, ground = self.new, self.ground
        off = np.hypot(new.e - ground.e[new.pile], new.n - ground.n[new.pile])
        known = new.solved
        elsewhere = np.zeros(len(new), dtype=np.bool_)
        _, other_off = nearest_other(ground, e=new.e[known], n=new.n[known], pile=new.pile[known])
        elsewhere[known] = (other_off <= self.reach.tight[known]) & (off[known] > self.reach.out[known])
        points = points_of_loads(new, usable=~repeated & ~elsewhere & ~(new.misfit > 1.0))
        key = np.column_stack([new.setup, new.file])
        setups = np.unique(key[points], axis=0)
        tests = len(setups) + (len(setups) > 1)
        alignment = align(self.survey.design, self.survey.settings, e=ground.e, n=ground.n)

        def fit(chosen: Integers, count: int) -> LoadFit | None:
            return fit_load(
                new, ground, alignment, points=chosen, scatter=self.scatter, setups=count, tests=tests
            )

        fits, units = [], []
        for setup in setups.tolist():
            unit = (key == setup).all(axis=1)
            one = fit(points[unit[points]], 1)
            if one is not None and one.found:
                fits.append(one)
                units.append(unit)
        if not fits and len(setups) > 1:
            # one pile of two set-ups counts once
            once = points[np.sort(np.unique(new.pile[points], return_index=True)[1])]
            one = fit(once, len(setups))
            if one is not None and one.found:
                fits, units = [one], [np.ones(len(new), dtype=np.bool_)]
        return fits, units
