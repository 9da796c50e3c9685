"""A wall cut into pages along its chainage: the scale, the window of every page, match lines between them.

What fits on one page stays on one page. Otherwise every wall that does not fit is cut into as few windows as hold it,
about equally long, from its first pile to its last; a smaller wall, or a pile that stands in none, is shown in a
window that holds it, else on a page of its own. Every pile and joint belongs to one page.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.frame import Viewport
from asbuilt.output.sheets.scaling import choose_scale

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Booleans, Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Box

    #: Scale to how far the vectors of the piles run on paper (n, 2) [mm], NaN for none.
    Runs = Callable[[int], Floats]

__all__ = ["Cut", "MatchLine", "cut_wall"]

#: Smallest scale at which the whole job is put on one page without being asked.
SMALLEST_WHOLE = 250
#: Scales of the pages of a job that is cut, the next one where there would be more pages than MOST_PAGES.
CUT_SCALES, MOST_PAGES = (200, 250, 500), 24
#: Free space around what needs no lettering [mm]; how far a match line reaches beyond the circles [mm].
RIM, REACH = 2.0, 26.0
#: A centre farther from its design than this many radii is a blunder: no window is made to hold it.
BLUNDER = 6.0


@dataclass(frozen=True, kw_only=True)
class MatchLine:
    """A line (2, 2) across the wall [m, reduced], from the outer to the pit side, and the page that goes on there.

    ``page`` is counted from 1. ``away`` is the unit vector (2,) along the wall, out of the page that shows the line;
    ``half_joint`` is half the length that the two circles there share [m].
    """

    line: Floats
    page: int
    away: Floats
    half_joint: float


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One page: its window, and the piles and joints (places in the results) that are named and counted on it.

    ``start`` and ``end`` are the match lines before its first and after its last pile; None where a wall ends there.
    """

    view: Viewport
    rows: Integers
    joints: Integers
    start: MatchLine | None = None
    end: MatchLine | None = None

    @property
    def lines(self) -> tuple[MatchLine, ...]:
        """The match lines of the page."""
        return tuple(line for line in (self.start, self.end) if line is not None)


@dataclass(frozen=True, kw_only=True)
class _Reach:
    """How far each pile reaches on an endless sheet (n, 2) [mm], and what all of it must hold besides."""

    low: Floats
    high: Floats
    rest: Floats = field(default_factory=lambda: np.empty((0, 2)))

    def bounds(self, rows: Integers) -> Floats:
        return np.concatenate([self.low[rows].min(axis=0), self.high[rows].max(axis=0)])

    def whole(self) -> Floats:
        low, high = np.concatenate([self.low, self.rest - RIM]), np.concatenate([self.high, self.rest + RIM])
        return np.concatenate([low.min(axis=0), high.max(axis=0)]) if len(low) else np.zeros(4)


def cut_wall(
    result: Reconciliation,
    box: Box,
    *,
    scale: int | None,
    pad: float,
    extra: Floats,
    runs: Runs | None = None,
) -> list[Cut]:
    """Choose the scale of a plan and cut it into pages.

    Without a scale asked for, the whole job goes on one page at the first scale at which it fits, down to 1:250; else
    pages are cut at 1:200, or 1:250 or 1:500 where that would make more than 24 of them.

    Parameters
    ----------
    result : Reconciliation
    box : Box
        The window of every page [mm of paper].
    scale : int or None
        1:scale, as asked for.
    pad : float
        Room around every circle, for its lettering [mm of paper].
    extra : array (k, 2)
        Places that a page with the whole job must also hold [m, reduced]; pages of a cut job need not.
    runs : callable, optional
        Scale to the vectors as drawn from the design centres (n, 2) [mm of paper], which windows hold too.

    Returns
    -------
    list of Cut
        At least one; every pile and every joint is in one of them.
    """

    def reach(candidate: int) -> _Reach:
        return _reach(result, candidate, pad=pad, extra=extra, runs=runs)

    everyone = np.arange(len(result.piles))
    fits_at = scale or choose_scale(lambda candidate: reach(candidate).whole(), (box.width, box.height))[0]
    bounds = reach(fits_at).whole()
    if _holds(box, bounds) and (scale is not None or fits_at <= SMALLEST_WHOLE):
        return [Cut(view=_view(box, fits_at, bounds), rows=everyone, joints=np.arange(len(result.joints)))]
    candidate, at, parts = 0, reach(fits_at), list[_Part]()
    for candidate in (scale,) if scale else CUT_SCALES:
        at = reach(candidate)
        parts = _parts(result, at, box)
        if len(parts) <= MOST_PAGES:
            break
    return _cuts(result, parts, box, candidate, at)


def _reach(result: Reconciliation, scale: int, *, pad: float, extra: Floats, runs: Runs | None) -> _Reach:
    piles = result.piles
    k = 1000.0 / scale
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    built = np.stack([piles.centre_e, piles.centre_n], axis=1)
    wide = np.asarray(result.survey.design["diameter_mm"], dtype=np.float64) / 2000.0
    # A centre metres off must not push the wall into a corner of the sheet.
    shown = (np.hypot(*(built - design).T) <= BLUNDER * piles.radius)[:, None]
    places = [design * k, np.where(shown, built * k, np.nan)]
    around = [wide * k + pad, piles.radius * k + pad]
    if runs is not None:
        places.append(np.where(shown, places[0] + runs(scale), np.nan))
        around.append(np.full(len(design), RIM))
    low = np.fmin.reduce([at - room[:, None] for at, room in zip(places, around, strict=True)])
    high = np.fmax.reduce([at + room[:, None] for at, room in zip(places, around, strict=True)])
    return _Reach(low=low, high=high, rest=np.asarray(extra, dtype=np.float64).reshape(-1, 2) * k)


def _holds(box: Box, bounds: Floats, share: float = 1.0) -> bool:
    """Return whether a share of the window's size holds (low x, low y, high x, high y) [mm]."""
    return bool(bounds[2] - bounds[0] <= share * box.width and bounds[3] - bounds[1] <= share * box.height)


def _view(box: Box, scale: int, bounds: Floats) -> Viewport:
    e, n = (bounds[:2] + bounds[2:]) * scale / 2000.0
    return Viewport(box=box, scale=scale, easting=float(e), northing=float(n))


@dataclass(kw_only=True)
class _Part:
    """One page: a stretch of wall, or whole walls; what else lies in its window; the parts that go on at its ends."""

    run: Integers
    more: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    before: int = -1
    after: int = -1


def _parts(result: Reconciliation, at: _Reach, box: Box) -> list[_Part]:
    """Return the pages: of walls too long for one first, which may hold smaller ones; then of the others together."""
    names = np.asarray(result.piles["wall"], dtype=object)
    position = np.asarray(result.piles["position"], dtype=np.float64)
    alone = np.ones(len(names), dtype=bool)
    parts: list[_Part] = []
    small: list[Integers] = []
    for name, wall in result.survey.settings.walls.items():
        rows = np.flatnonzero((names == name) & np.isfinite(position))
        rows = rows[np.argsort(position[rows], kind="stable")]
        alone[rows] = False
        if not len(rows):
            continue
        if _holds(box, at.bounds(rows)):
            small.append(rows)
        else:
            parts.extend(_linked(_even(rows, at, box), len(parts), closed=wall.closed))
    together: list[Integers] = []
    for rows in [row for row in small if not _hosted(row, parts, at, box)]:
        if together and not _holds(box, at.bounds(np.concatenate([*together, rows]))):
            parts.append(_Part(run=np.concatenate(together)))
            together = []
        together.append(rows)
    if together:
        parts.append(_Part(run=np.concatenate(together)))
    left = np.flatnonzero(alone)
    for part in parts:
        inside = _inside(np.concatenate([at.low[left], at.high[left]], axis=1), part, at, box)
        part.more = np.concatenate([part.more, left[inside]])
        left = left[~inside]
    left = left[np.lexsort((at.low[left, 1], at.low[left, 0]))]
    return [*parts, *(_Part(run=piece) for piece in _even(left, at, box))]


def _linked(pieces: list[Integers], first: int, *, closed: bool) -> list[_Part]:
    """Return the pages of one wall, each with the numbers of those at its ends."""
    count = len(pieces)
    parts = [_Part(run=piece, before=first + k - 1, after=first + k + 1) for k, piece in enumerate(pieces)]
    parts[0].before = first + count - 1 if closed and count > 1 else -1
    parts[-1].after = first if closed and count > 1 else -1
    return parts


def _inside(bounds: Floats, part: _Part, at: _Reach, box: Box) -> Booleans:
    """Return which of several bounds (n, 4) lie in the window of a page."""
    held = at.bounds(part.run)
    middle, half = (held[:2] + held[2:]) / 2.0, np.array([box.width, box.height]) / 2.0
    return np.asarray(((bounds[:, :2] >= middle - half) & (bounds[:, 2:] <= middle + half)).all(axis=1))


def _hosted(rows: Integers, parts: list[_Part], at: _Reach, box: Box) -> bool:
    """Give a small wall to the first page whose window holds it; return whether there is one."""
    bounds = at.bounds(rows)[None, :]
    for part in parts:
        if _inside(bounds, part, at, box)[0]:
            part.more = np.concatenate([part.more, rows])
            return True
    return False


def _even(rows: Integers, at: _Reach, box: Box) -> list[Integers]:
    """Cut a sequence of piles into as few pages as hold it, and those about equally long."""
    best = _greedy(rows, at, box, 1.0)
    low, high = 0.3, 1.0
    for _ in range(8):
        middle = (low + high) / 2.0
        tried = _greedy(rows, at, box, middle)
        if len(tried) > len(best):
            low = middle
        else:
            best, high = tried, middle
    return best


def _greedy(rows: Integers, at: _Reach, box: Box, share: float) -> list[Integers]:
    """Return the pieces of a sequence, each as long as a share of the window holds it, and at least one pile."""
    size = share * np.array([box.width, box.height])
    pieces: list[Integers] = []
    start, ahead = 0, 256
    while start < len(rows):
        some = rows[start : start + ahead]
        low = np.minimum.accumulate(at.low[some], axis=0)
        high = np.maximum.accumulate(at.high[some], axis=0)
        count = int(np.count_nonzero(np.all(high - low <= size, axis=1)))
        if count == len(some) and start + count < len(rows):
            ahead *= 2
            continue
        pieces.append(some[: max(count, 1)])
        start += max(count, 1)
    return pieces


def _cuts(result: Reconciliation, parts: list[_Part], box: Box, scale: int, at: _Reach) -> list[Cut]:
    page = np.zeros(len(result.piles), dtype=np.int64)
    for number, part in enumerate(parts):
        page[part.run] = page[part.more] = number
    belongs = page[result.joints.a]

    def match(own: int, other: int, beyond: int) -> MatchLine | None:
        """Return the line between a pile at the end of its page and the next one, which is on another page."""
        if beyond < 0:
            return None
        next_page = parts[beyond].run
        return _match_line(result, own, int(next_page[other]), page=beyond + 1, reach=REACH * scale / 1000.0)

    return [
        Cut(
            view=_view(box, scale, at.bounds(part.run)),
            rows=np.concatenate([part.run, part.more]),
            joints=np.flatnonzero(belongs == number),
            start=match(int(part.run[0]), -1, part.before),
            end=match(int(part.run[-1]), 0, part.after),
        )
        for number, part in enumerate(parts)
    ]


def _match_line(result: Reconciliation, own: int, beyond: int, *, page: int, reach: float) -> MatchLine:
    """Return the line across the wall in the middle of the joint between two piles."""
    piles = result.piles
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    built = np.stack([piles.centre_e, piles.centre_n], axis=1)
    shown = np.hypot(*(built - design).T) <= BLUNDER * piles.radius
    stands = np.where(shown[:, None], built, design)
    run = stands[beyond] - stands[own]
    apart = max(float(np.hypot(*run)), 1e-9)
    away = run / apart
    # Where the two circles meet: on the line that they share.
    share = np.clip((apart**2 + piles.radius[own] ** 2 - piles.radius[beyond] ** 2) / (2.0 * apart**2), 0.0, 1.0)
    middle = stands[own] + share * run
    across = np.array([-away[1], away[0]])
    pit = np.nan_to_num([piles.pit_e[own] + piles.pit_e[beyond], piles.pit_n[own] + piles.pit_n[beyond]])
    if float(across @ pit) < 0:
        across = -across
    shared = float(np.sqrt(max(float(piles.radius[own]) ** 2 - (float(share) * apart) ** 2, 0.0)))
    half = (float(max(piles.radius[own], piles.radius[beyond])) + reach) * across
    return MatchLine(line=np.stack([middle - half, middle + half]), page=page, away=away, half_joint=shared)
