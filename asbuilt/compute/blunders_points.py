"""Check shots of a fresh load, on control points and against one another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pandas import factorize

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_groups import plan_limit
from asbuilt.compute.blunders_rows import CANDIDATES
from asbuilt.compute.wording import number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.compute.blunders_load import Scatter
    from asbuilt.model import Booleans, Floats, Integers, Survey

__all__ = ["CheckShots", "CheckedPoint", "check_shots", "checked_points"]

_CHECK = OBJECTS.index("check")
#: Points of one set-up that it takes to judge them together.
_FEWEST_TOGETHER = 2
#: Check points that are named in a note.
_NAMED = 6


@dataclass(frozen=True, kw_only=True)
class CheckShots:
    """Check shots of a load (k,) that could be compared: ``row`` in the pickups table, offset (``e``, ``n``) [m].

    Offsets are from control, and where no control point has the name (``by_control`` false) from where other set-ups
    found the point. ``sigma`` [m]: standard deviation per component; ``bad``: more than it explains.
    """

    row: Integers
    e: Floats
    n: Floats
    sigma: Floats
    bad: Booleans
    by_control: Booleans
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True)
class CheckedPoint:
    """How far a point's check shot lies off in plan (``off_mm``, ``e_mm``, ``n_mm``), and whether it can be explained.

    ``by_control``: off its control point; else off where other set-ups found it.
    """

    file: str
    line: int
    point: str
    off_mm: float
    e_mm: float
    n_mm: float
    explained: bool
    by_control: bool


def checked_points(survey: Survey, ground: Ground, checks: CheckShots) -> tuple[CheckedPoint, ...]:
    """Return how far each check shot of a load lies off, in the order of its rows."""
    t = survey.pickups
    off = np.hypot(checks.e, checks.n) * 1000.0
    return tuple(
        CheckedPoint(
            file=ground.files[int(t.file[row])],
            line=int(t.line[row]),
            point=str(t["point"][row]),
            off_mm=float(off[k]),
            e_mm=float(checks.e[k]) * 1000.0,
            n_mm=float(checks.n[k]) * 1000.0,
            explained=not bool(checks.bad[k]),
            by_control=bool(checks.by_control[k]),
        )
        for k, row in enumerate(checks.row.tolist())
    )


def check_shots(
    survey: Survey, ground: Ground, scatter: Scatter, *, fresh: Booleans, undone: Mapping[int, int]
) -> CheckShots:
    """Return the check shots of a load against the control points' coordinates, or else against one another.

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
    Off when d² > limit·σ², the limit being the 0.1 %/k point of chi-square on two degrees of freedom for k comparisons
    of the load. Against control σ² = σ_shot² + σ_batch² + σ_control². Within one set-up, against the shot before,
    σ² = σ₁² + σ₂². Without a control table, against the median of the set-ups before: their number is s, and
    σ² = σ_shot² + σ_batch² + min(1, π/2s)·(σ_others² + σ_batch²), π/2s the variance of a median of many (no median of
    few has a greater one).

    Two points or more of one set-up are judged together as well: their mean offset d̄ from control is off when
    d̄² > limit·(mean σ_shot²/k + σ_set² + mean σ_control²/k), σ_set `setup_mm`. Each may be explained by itself and all
    of them not.
    """
    t = survey.pickups
    every = np.flatnonzero(t["object"] == _CHECK)
    shots = _Shots(survey, ground, scatter, every=every, fresh=fresh[every], undone=undone)
    return shots.compared()


class _Shots:
    """All check shots of a folder (c,), by point, those of the load last, then by time."""

    def __init__(
        self,
        survey: Survey,
        ground: Ground,
        scatter: Scatter,
        *,
        every: Integers,
        fresh: Booleans,
        undone: Mapping[int, int],
    ) -> None:
        t = survey.pickups
        self.survey, self.ground, self.scatter = survey, ground, scatter
        code = factorize(t["point"][every])[0]
        time = t["surveyed_at"][every].astype("datetime64[ms]").astype(np.int64)
        order = np.lexsort((t.line[every], t.file[every], time, fresh, code))
        self.row, self.fresh, self.code = every[order], fresh[order], code[order]
        self.given = np.column_stack([t["easting"][self.row], t["northing"][self.row]])
        for k in np.flatnonzero(self.fresh).tolist():
            if int(t.file[self.row[k]]) in undone:
                one = CANDIDATES[undone[int(t.file[self.row[k]])]]
                self.given[k] = (self.given[k, ::-1] if one.exchanged else self.given[k]) * (one.factor_e, one.factor_n)
        self.shot = np.nan_to_num(t["sigma_mm"][self.row], nan=survey.settings.uncertainty.pickup_mm) / 1000.0
        self.setup = factorize(t["setup"][self.row])[0] * (len(ground.files) + 1) + t.file[self.row].astype(np.int64)
        control = survey.control
        known = {str(name): place for place, name in enumerate(control["point"].tolist())} if len(control) else {}
        self.known = known
        self.place = np.array([known.get(str(name), -1) for name in t["point"][self.row].tolist()], dtype=np.int64)

    def compared(self) -> CheckShots:
        """Compare the load's shots with control, with one another, and say of which that cannot be done."""
        by_control = np.flatnonzero(self.fresh & (self.place >= 0))
        free = np.flatnonzero(self.fresh & (self.place < 0))
        found: list[Finding] = []
        others: list[tuple[int, Floats, float, int]] = []
        if self.known:
            found += [self._unknown(int(k)) for k in free.tolist()]
        else:
            others = [one for k in free.tolist() if (one := self._among(int(k))) is not None]
        closings = list(self._closings())
        limit = plan_limit(len(by_control) + len(others) + len(closings))
        at = np.array([*by_control.tolist(), *(one[0] for one in others)], dtype=np.int64)
        off, variance = self._from_control(by_control)
        off = np.vstack([off, *(one[1] for one in others)])
        variance = np.r_[variance, [one[2] for one in others]]
        bad = np.sum(off**2, axis=1) > limit * variance
        count = len(by_control)
        for j in np.flatnonzero(bad).tolist():
            explained = float(np.sqrt(limit * variance[j]))
            found.append(
                self._off_control(int(at[j]), off[j], explained)
                if j < count
                else self._off_others(int(at[j]), off[j], explained, others[j - count][3])
            )
        joint, together = self._together(by_control, off[:count], bad[:count])
        found += together
        bad[:count] |= joint
        for k, moved, square in closings:
            if moved @ moved > limit * square:
                found.append(self._moved(k, moved, float(np.sqrt(limit * square))))
        if not self.known:
            found += self._without_control(free, {one[0]: one for one in others})
        order = np.argsort(self.row[at])
        return CheckShots(
            row=self.row[at][order],
            e=off[order, 0],
            n=off[order, 1],
            sigma=np.sqrt(variance)[order],
            bad=bad[order],
            by_control=(np.arange(len(at)) < count)[order],
            findings=tuple(found),
        )

    def _together(self, shots: Integers, off: Floats, bad: Booleans) -> tuple[Booleans, list[Finding]]:
        """Return which check shots (k,) are off together with the others of their set-up, none of them by itself."""
        joint, found = np.zeros(len(shots), dtype=np.bool_), []
        setups = np.unique(self.setup[shots])
        limit = plan_limit(len(shots) + len(setups))
        control, u = self.survey.control, self.survey.settings.uncertainty
        for setup in setups.tolist():
            own = np.flatnonzero(self.setup[shots] == setup)
            points = np.unique(self.code[shots[own]])
            if len(points) < _FEWEST_TOGETHER or bad[own].any():
                continue
            fixed = np.nan_to_num(control["sigma_mm"][self.place[shots[own]]], nan=0.0) / 1000.0
            alone = float(np.mean(self.shot[shots[own]] ** 2)) / len(own) + float(np.mean(fixed**2)) / len(points)
            variance = alone + (u.setup_mm / 1000.0) ** 2
            mean = off[own].mean(axis=0)
            if mean @ mean > limit * variance:
                joint[own] = True
                names = " and ".join(dict.fromkeys(self._name(int(k)) for k in shots[own].tolist()))
                far = _how_far(mean, float(np.sqrt(limit * variance)), "their control coordinates on average")
                text = (
                    f"{names} found {far}: one by one they could be explained, together not; a wrong backsight or a "
                    "disturbed station, the same for all shots of this set-up"
                )
                found.append(self._finding(int(shots[own][0]), text))
        return joint, found

    def _from_control(self, shots: Integers) -> tuple[Floats, Floats]:
        """Return offsets (k, 2) from control and their variances (k,)."""
        control, place = self.survey.control, self.place[shots]
        if not len(shots):
            return np.empty((0, 2)), np.empty(0)
        fixed = np.nan_to_num(control["sigma_mm"][place], nan=0.0) / 1000.0
        off = self.given[shots] - np.column_stack([control["easting"][place], control["northing"][place]])
        return off, self.shot[shots] ** 2 + self.scatter.batch**2 + fixed**2

    def _among(self, k: int) -> tuple[int, Floats, float, int] | None:
        """Return a shot's offset from the median of the set-ups before it, its variance, and how many they are."""
        others = np.flatnonzero((self.code == self.code[k]) & (self.setup != self.setup[k]))
        others = others[others < k]
        if not len(others):
            return None
        unit = np.unique(self.setup[others], return_inverse=True)[1]
        size = np.bincount(unit)
        means = np.column_stack([np.bincount(unit, self.given[others, axis]) / size for axis in (0, 1)])
        batch = self.scatter.batch**2
        theirs = float(np.mean(self.shot[others] ** 2)) + batch
        variance = self.shot[k] ** 2 + batch + min(1.0, np.pi / (2.0 * len(size))) * theirs
        return k, self.given[k] - np.median(means, axis=0), float(variance), len(size)

    def _closings(self) -> Iterator[tuple[int, Floats, float]]:
        """Yield the load's shots on a point that their set-up shot before: offset from the first one, and variance."""
        for k in np.flatnonzero(self.fresh).tolist():
            first = int(np.flatnonzero((self.code == self.code[k]) & (self.setup == self.setup[k]))[0])
            if first < k:
                yield k, self.given[k] - self.given[first], float(self.shot[k] ** 2 + self.shot[first] ** 2)

    # ---- what is said of them

    def _name(self, k: int) -> str:
        return str(self.survey.pickups["point"][self.row[k]])

    def _finding(self, k: int, text: str) -> Finding:
        t, row = self.survey.pickups, int(self.row[k])
        return Finding(
            severity="query",
            kind="check_shot",
            item=self._name(k),
            text=text,
            file=self.ground.files[int(t.file[row])],
            line=int(t.line[row]),
            column="point",
        )

    def _unknown(self, k: int) -> Finding:
        names = ", ".join(list(self.known)[:8]) + (" ..." if len(self.known) > 8 else "")
        return self._finding(
            k, f"a check shot on {self._name(k)}, which is no control point (there are {names}): it proves nothing"
        )

    def _off_control(self, k: int, off: Floats, explained: float) -> Finding:
        control, place = self.survey.control, self.place[k]
        on_map = np.hypot(self.given[k, 0] - control["map_e"][place], self.given[k, 1] - control["map_n"][place])
        cause = (
            "these are its map coordinates, not those of the site grid"
            if on_map < 1.0
            else "a wrong backsight, a disturbed station or point, or another point than the one named"
        )
        return self._finding(k, f"{self._name(k)} found {_how_far(off, explained, 'its control coordinates')}: {cause}")

    def _off_others(self, k: int, off: Floats, explained: float, setups: int) -> Finding:
        where = "where another set-up found it" if setups == 1 else f"the median of {setups} other set-ups"
        return self._finding(
            k,
            f"{self._name(k)} found {_how_far(off, explained, where)}: one of the set-ups has a wrong backsight or a "
            "disturbed station, or the point has moved, or it is another point than the one named",
        )

    def _moved(self, k: int, off: Floats, explained: float) -> Finding:
        far = _how_far(off, explained, "where the same set-up had it before")
        return self._finding(k, f"{self._name(k)} found {far}: the station or the point was disturbed meanwhile")

    def _without_control(
        self, free: Integers, others: Mapping[int, tuple[int, Floats, float, int]]
    ) -> Iterator[Finding]:
        """Yield a note for each file whose check shots no control point stands behind."""
        t = self.survey.pickups
        files = t.file[self.row[free]]
        for file in np.unique(files).tolist():
            shots = free[files == file].tolist()
            told = {self._name(k): self._held(others.get(k)) for k in shots}
            named = "; ".join(f"{name} {said}" for name, said in list(told.items())[:_NAMED])
            more = f"; {len(told) - _NAMED} more points" if len(told) > _NAMED else ""
            row = int(min(self.row[k] for k in shots))
            many = f"{len(shots)} check shot{'s' * (len(shots) != 1)}"
            yield Finding(
                severity="note",
                kind="check_without_control",
                item=self.ground.files[file],
                text=(
                    f"{many}, and no control table (control/points.csv) to hold them against: {named}{more}. Set-ups "
                    "that agree may be wrong alike"
                ),
                file=self.ground.files[file],
                line=int(t.line[row]),
                column="point",
            )

    @staticmethod
    def _held(other: tuple[int, Floats, float, int] | None) -> str:
        if other is None:
            return "was not shot from another set-up before"
        setups = f"{other[3]} other set-up{'s' * (other[3] != 1)}"
        return f"lies {_far(float(np.hypot(*other[1])))} from where {setups} had it"


def _how_far(off: Floats, explained: float, where: str) -> str:
    return (
        f"{_far(float(np.hypot(*off)))} from {where} (E {_signed(off[0])}, N {_signed(off[1])}; "
        f"{number(explained * 1000)} mm can be explained)"
    )


def _far(length: float) -> str:
    return f"{number(length * 1000)} mm" if length < 1.0 else f"{number(length, 2)} m"


def _signed(value: float) -> str:
    return f"{round(value * 1000):+d} mm" if abs(value) < 1.0 else f"{value:+.2f} m"
