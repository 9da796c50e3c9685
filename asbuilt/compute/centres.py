"""Pickups to the governing centre of each pile, with its covariance.

Shots are grouped by pile, attempt, object, set-up and level, and each group is solved together: the weighted mean of
centre shots, or a least-squares circle through edge shots that knows the diameter, or both in one adjustment.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import OBJECTS, SHOTS
from asbuilt.compute.circles import fit_circles
from asbuilt.compute.numbering import numbered
from asbuilt.model import Centres, Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import Booleans, Floats, Integers, Table, Texts
    from asbuilt.settings import Settings

__all__ = ["GROUP_LEVEL_M", "REPEAT_LIMIT", "SHORT_ARC_DEG", "solve_centres"]

#: Shots of one group lie within this of the next in level [m].
GROUP_LEVEL_M = 0.3
#: 0.27 % point of chi-square on two degrees of freedom, "three standard deviations" in plan.
REPEAT_LIMIT = 11.8
#: Edge shots over less than this leave the radius unchecked [deg].
SHORT_ARC_DEG = 120.0

_CASING, _HEAD, _TRIMMED, _FACE, _CHECK = (OBJECTS.index(o) for o in ("casing", "head", "trimmed", "face", "check"))
_EDGE = SHOTS.index("edge")


def solve_centres(
    pickups: Table,
    settings: Settings,
    *,
    e: Floats,
    n: Floats,
    attempt: Integers,
    design_e: Floats,
    design_n: Floats,
    cut_off: Floats,
    radius: Floats,
    pile_ids: Texts,
    file_names: Sequence[str],
) -> Centres:
    """Return the governing centre of every pile.

    Parameters
    ----------
    pickups : Table
        All pickups that count.
    e, n : (s,) arrays
        Their coordinates, reduced [m].
    attempt : (n,) array of int
        Governing attempt of each pile: rows of another never serve.
    design_e, design_n, cut_off, radius : (n,) arrays
        Design centre (start of the circle fit), cut-off level, half the diameter shot [m].
    pile_ids, file_names
        For findings.

    Notes
    -----
    The trimmed head governs where there is one, else the newest of head and casing; ties go to the group nearest to
    the cut-off, then to more shots, then by file and line.
    """
    solver = _Solver(pickups, settings, attempt)
    solver.group()
    solver.solve(e, n, design_e, design_n, radius)
    solver.govern(cut_off)
    return solver.result(len(design_e), pile_ids, file_names, radius)


class _Solver:
    """Steps of :func:`solve_centres`, sharing the shots in their order of groups."""

    def __init__(self, pickups: Table, settings: Settings, attempt: Integers) -> None:
        self.t = pickups
        self.s = settings
        on_pile = (pickups.pile >= 0) & (pickups["object"] != _CHECK)
        own = np.where(on_pile, attempt[pickups.pile] if len(attempt) else 0, 0)
        self.old_attempt = on_pile & (pickups["attempt"] != own)
        self.rows = np.flatnonzero(on_pile & ~self.old_attempt)
        self.attempt = attempt

    def group(self) -> None:
        """Put the rows in order of pile, object, set-up and level, and number their groups."""
        t, rows = self.t, self.rows
        self.setup = numbered(t["setup"][rows])
        pile, kind, level = t.pile[rows].astype(np.int64), t["object"][rows].astype(np.int64), t["level"][rows]
        self.order = np.arange(len(rows))
        if not np.all(np.diff(pile) > 0):
            self.order = np.lexsort((level, self.setup, kind, pile))
        o = self.order
        self.rows, self.setup = rows[o], self.setup[o]
        pile, kind, level = pile[o], kind[o], level[o]
        fresh = (
            (np.diff(pile) != 0) | (np.diff(kind) != 0) | (np.diff(self.setup) != 0) | (np.diff(level) > GROUP_LEVEL_M)
        )
        self.first = np.flatnonzero(np.r_[True, fresh]) if len(o) else np.empty(0, dtype=np.int64)
        self.size = np.diff(np.r_[self.first, len(o)])
        self.of_row = np.repeat(np.arange(len(self.first)), self.size)
        self.pile, self.kind, self.g_setup = pile[self.first], kind[self.first], self.setup[self.first]
        self.level = self._sum(level) / np.maximum(self.size, 1)
        time = t["surveyed_at"][self.rows].astype("datetime64[ms]").astype(np.int64)
        self.time = np.maximum.reduceat(time, self.first) if len(o) else time

    def _sum(self, values: Floats) -> Floats:
        if len(self.first) == len(self.rows):
            return values.astype(float)
        total: Floats = np.add.reduceat(values.astype(float), self.first)
        return total

    def solve(self, e: Floats, n: Floats, design_e: Floats, design_n: Floats, radius: Floats) -> None:
        """Solve every group: weighted mean, or circle."""
        t, rows, k = self.t, self.rows, len(self.first)
        e, n = e[rows], n[rows]
        sigma = t["sigma_mm"][rows] / 1000.0
        self.sigma = sigma = np.where(np.isnan(sigma), self.s.uncertainty.pickup_mm / 1000.0, sigma)
        edge = t["shot"][rows] == _EDGE
        edges = self._sum(edge)
        centres = self.size - edges
        w = np.where(edge, 0.0, 1.0 / sigma**2)
        weight = self._sum(w)
        safe = np.where(weight > 0, weight, np.nan)
        self.e, self.n = self._sum(w * e) / safe, self._sum(w * n) / safe
        self.cov = np.column_stack([1.0 / safe, np.zeros(k), 1.0 / safe])
        self.rms, self.radius, self.arc = np.full(k, np.nan), np.full(k, np.nan), np.full(k, np.nan)
        self.too_few = (centres == 0) & (edges < 3)
        self.ambiguous = np.zeros(k, dtype=bool)
        self.repeated = np.zeros(k)
        several = (centres > 1)[self.of_row] & ~edge
        if several.any():
            # each shot against the mean of the others of its group
            g = self.of_row[several]
            rest = weight[g] - w[several]
            factor = weight[g] / rest
            d2 = ((e[several] - self.e[g]) ** 2 + (n[several] - self.n[g]) ** 2) * factor**2
            np.maximum.at(self.repeated, g, d2 / (sigma[several] ** 2 + 1.0 / rest))
        circle = (edges > 0) & ~self.too_few
        if circle.any():
            chosen = circle[self.of_row]
            number = np.cumsum(circle) - 1
            pile = self.pile[circle]
            fit = fit_circles(
                e[chosen],
                n[chosen],
                group=number[self.of_row[chosen]],
                sigma=sigma[chosen],
                edge=edge[chosen],
                start_e=np.where(centres[circle] > 0, self.e[circle], design_e[pile]),
                start_n=np.where(centres[circle] > 0, self.n[circle], design_n[pile]),
                radius=radius[pile],
                sigma_radius=self.s.uncertainty.radius_mm / 1000.0,
            )
            self.e[circle], self.n[circle], self.cov[circle] = fit.e, fit.n, fit.cov
            self.rms[circle], self.radius[circle], self.arc[circle] = fit.rms, fit.radius, fit.arc_deg
            self.ambiguous[circle] = fit.ambiguous
        self.solved = ~self.too_few & ~self.ambiguous

    def govern(self, cut_off: Floats) -> None:
        """Choose the governing group of every pile."""
        candidate = np.flatnonzero(self.solved & (self.kind != _FACE))
        pile = self.pile[candidate]
        if np.all(np.diff(pile) > 0):
            self.governing = candidate
            return
        first_row = self.rows[self.first[candidate]]
        order = np.lexsort(
            (
                self.t.line[first_row],
                self.t.file[first_row],
                -self.size[candidate],
                np.abs(self.level[candidate] - cut_off[pile]),
                -self.time[candidate],
                self.kind[candidate] != _TRIMMED,
                pile,
            )
        )
        ranked = candidate[order]
        self.governing = ranked[np.r_[True, np.diff(self.pile[ranked]) != 0]]

    def result(self, count: int, pile_ids: Texts, file_names: Sequence[str], radius: Floats) -> Centres:
        """Spread the governing groups over the piles."""
        g, t = self.governing, self.t
        at = self.pile[g]
        governs = np.zeros(len(self.first), dtype=bool)
        governs[g] = True
        used = np.zeros(len(t), dtype=bool)
        used[self.rows] = governs[self.of_row]
        first_row = self.rows[self.first]

        def spread(values: Floats) -> Floats:
            full = np.full((count, *values.shape[1:]), np.nan)
            full[at] = values[g]
            return full

        def spread_int(values: Integers) -> Integers:
            full = np.full(count, -1, dtype=np.int64)
            full[at] = values[g]
            return full

        surveyed_at = np.full(count, np.datetime64("NaT", "ms"), dtype="datetime64[ms]")
        surveyed_at[at] = self.time[g].astype("datetime64[ms]")
        reason = np.full(count, None, dtype=object)
        reason[self.pile[self.too_few]] = "fewer than three edge shots and no centre shot"
        reason[self.pile[self.ambiguous]] = "edge shots on so short an arc that two centres fit"
        reason[at] = None
        return Centres(
            e=spread(self.e),
            n=spread(self.n),
            level=spread(self.level),
            cov=spread(self.cov),
            setup_var=(self.s.uncertainty.setup_mm / 1000.0) ** 2,
            setup=spread_int(self.g_setup),
            attempt=self.attempt,
            object=spread_int(self.kind).astype(np.int8),
            shots=spread_int(self.size),
            fit_rms=spread(self.rms),
            fit_radius=spread(self.radius),
            fit_arc_deg=spread(self.arc),
            surveyed_at=surveyed_at,
            file=spread_int(t.file[first_row].astype(np.int64)),
            line=spread_int(t.line[first_row].astype(np.int64)),
            reason=reason,
            used=used,
            superseded_by=self._superseded(used, governs, count, file_names),
            findings=tuple(self._findings(pile_ids, file_names, radius)),
            groups={
                "pile": self.pile,
                "e": self.e,
                "n": self.n,
                "level": self.level,
                "cov": self.cov,
                "object": self.kind,
                "setup": self.g_setup,
                "solved": self.solved,
                "governing": governs,
                "file": t.file[first_row],
                "line": t.line[first_row],
            },
        )

    def _superseded(self, used: Booleans, governs: Booleans, count: int, file_names: Sequence[str]) -> Texts:
        """Say of every row that does not serve what took its place, or why it does not."""
        t = self.t
        said = np.full(len(t), None, dtype=object)
        said[(t.pile >= 0) & (t["object"] == _CHECK) | (t.pile < 0)] = "a check shot"
        said[self.old_attempt] = "an attempt that does not govern"
        governor = np.full(count, -1, dtype=np.int64)
        governor[self.pile[governs]] = np.flatnonzero(governs)
        left = np.flatnonzero(~used[self.rows])
        for place in left.tolist():
            group = self.of_row[place]
            row = self.rows[place]
            if self.too_few[group]:
                said[row] = "too few shots"
            elif self.ambiguous[group]:
                said[row] = "refused: its mirror image fits as well"
            elif self.kind[group] == _FACE:
                said[row] = "a face shot, compared only"
            else:
                by = self.rows[self.first[governor[self.pile[group]]]]
                said[row] = f"{file_names[t.file[by]]}:{t.line[by]}"
        return said

    def _findings(self, pile_ids: Texts, file_names: Sequence[str], radius: Floats) -> list[Finding]:
        found: list[Finding] = []

        def add(severity: str, kind: str, group: int, text: str) -> None:
            row = self.rows[self.first[group]]
            found.append(
                Finding(
                    severity=severity,
                    kind=kind,
                    item=str(pile_ids[self.pile[group]]),
                    text=text,
                    file=file_names[self.t.file[row]],
                    line=int(self.t.line[row]),
                )
            )

        for g in np.flatnonzero(self.repeated > REPEAT_LIMIT).tolist():
            add(
                "query",
                "repeated_pile",
                g,
                f"{self.size[g]} shots of one group differ by more than their uncertainty explains "
                f"(statistic {self.repeated[g]:.1f}, limit {REPEAT_LIMIT})",
            )
        for g in np.flatnonzero(self.too_few).tolist():
            add(
                "query",
                "too_few_shots",
                g,
                f"{self.size[g]} edge shots and no centre shot: no centre; three are needed",
            )
        off = np.abs(self.radius - radius[self.pile]) * 1000.0
        for g in np.flatnonzero(self.solved & (off > self.s.tolerance.radius_check_mm)).tolist():
            add(
                "query",
                "edge_radius",
                g,
                f"fitted radius {self.radius[g] * 1000:.0f} mm, {radius[self.pile[g]] * 1000:.0f} mm expected; "
                f"allowed difference {self.s.tolerance.radius_check_mm:.0f} mm",
            )
        short = self.ambiguous | (self.solved & (self.arc < SHORT_ARC_DEG))
        # a face never shows more than half its edge
        for g in np.flatnonzero(short & (self.kind != _FACE)).tolist():
            why = "two centres fit as well: no centre" if self.ambiguous[g] else "the radius is unchecked"
            add("note", "short_arc", g, f"edge shots cover {self.arc[g]:.0f} degrees: {why}")
        return found
