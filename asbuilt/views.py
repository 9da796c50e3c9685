"""What is worked out from a reconciliation for a picture: the wall at a level, a joint or a pile along its depth.

Frozen and columnar like the results themselves: plan coordinates are reduced to the survey's origin, metres
everywhere, slopes in metres per metre, NaN where not known. Who draws asks :class:`Views` for what it draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Booleans, Codes, Floats, Integers, Texts

__all__ = [
    "JOINT_STATES",
    "Bands",
    "Change",
    "Changes",
    "JointProfile",
    "PileProfile",
    "Slice",
    "Sources",
    "StageChange",
    "Toes",
    "UnrolledWall",
    "Views",
]

#: What a joint is at one level; codes are places in it. Open: a gap. Lost: less than the overlap asked for. Not sure:
#: enough, but not with the confidence asked for (or not under the other lean model). Not surveyed: not known.
JOINT_STATES = ("open", "lost", "not sure", "sure", "not surveyed")


@dataclass(frozen=True, kw_only=True)
class Slice:
    """The wall cut at one level; arrays over piles (n,) and joints (m,).

    ``level`` is None where every pile is shown at its own cut-off and every joint at the top of its range.
    """

    level: float | None
    e: Floats
    """Centres there [m]; NaN where not surveyed, where no axis is known, and for omitted piles."""
    n: Floats
    cov: Floats
    """(n, 3) covariance of the centre there [m²]: EE, EN, NN; set-up included."""
    stands: Booleans
    """Whether the pile is there: not omitted, cut-off at or above the level, toe (as recorded, else designed) at or
    below it."""
    predicted: Booleans
    """Whether the centre is predicted: below the deepest reading."""
    overlap: Floats
    """(m,) overlap [m]; NaN where not known. Negative: a gap."""
    sigma: Floats
    """(m,) standard uncertainty of the overlap [m]."""
    p: Floats
    """(m,) chance that the overlap is at least that asked for, under the lean model that governs."""
    state: Codes
    """(m,) place in :data:`JOINT_STATES`; -1 where the level lies outside the joint's range."""
    joint_predicted: Booleans
    """(m,) whether one of the two centres is predicted there."""
    widest: Floats
    """(m,) opening [m] that is not exceeded with the site's confidence: z·σ − o, at least 0; NaN where not known."""
    openings: Texts
    """(m,) ring (k, 2) [m] of the opening between the two circles as measured; None where there is none."""
    outlines: Texts
    """(m,) ring (k, 2) [m] of the opening as wide as ``widest``; None where that is 0 or not known."""


@dataclass(frozen=True, kw_only=True)
class Toes:
    """Where the axes of n piles end: at the toe as recorded, else as designed. NaN where not known."""

    level: Floats
    e: Floats
    n: Floats
    cov: Floats
    predicted: Booleans


@dataclass(frozen=True, kw_only=True)
class Bands:
    """What every joint is over the whole of its range; k bands in order of joint and from the top down.

    The bands of a joint follow one another without gap or overlap from the top of its range to the bottom; the levels
    between them are exact, those that bound *sure* within 0.1 mm. Below a toe as built that counts it is open.
    """

    joint: Integers
    top: Floats
    bottom: Floats
    state: Codes


@dataclass(frozen=True, kw_only=True)
class JointProfile:
    """One joint along its range, from the top down, under both lean models; arrays over k levels.

    The levels hold both ends, every vertex of both axes, the levels in its columns, and enough between them that lines
    drawn from one to the next do not leave the curves by more than 0.1 mm.
    """

    joint: int
    level: Floats
    overlap: Floats
    """[m]"""
    low: Floats
    """Overlap that is reached with the site's confidence: o − z·σ [m]."""
    high: Floats
    """o + z·σ [m]."""
    sigma: Floats
    p: Floats
    other_overlap: Floats
    """Under the other lean model [m]; NaN where there is none (both piles by profile, or no axis)."""
    other_low: Floats
    other_p: Floats
    required: float
    predicted_below: float
    toe: float
    """Level below which a toe as built leaves the joint open [m]; NaN where none does."""


@dataclass(frozen=True, kw_only=True)
class PileProfile:
    """One pile along its depth, from the top down; arrays over k levels, r readings, s shots.

    Deviations [m] from the design centre in two directions square to each other: (towards the pit, along the wall), or
    (east, north) where the pile has no wall to stand in; ``directions`` names them, ``axes`` (2, 2) holds their unit
    vectors (e, n).
    """

    pile: int
    directions: tuple[str, str]
    axes: Floats
    level: Floats
    """From the higher of cut-off and the surveyed level down to the toe, with every vertex of the axis and cut-off."""
    deviation: Floats
    """(k, 2) under the lean model that governs."""
    sigma: Floats
    """(k, 2) standard uncertainty of it."""
    other: Floats
    """(k, 2) under the other lean model; NaN where there is none."""
    cut_off: float
    toe: float
    predicted_below: float
    reading_level: Floats
    """(r,) of every lean reading of the governing attempt, averaged by level, from the top down."""
    reading_slope: Floats
    """(r, 2) [m/m], to the toe."""
    reading_deviation: Floats
    """(r, 2) where the axis passes at the reading's level if it runs straight, as this reading leans, from the surveyed
    centre [m]."""
    reading_count: Integers
    measured_level: Floats
    """(q,) levels of the rows of a profile that governs; empty without one."""
    measured_deviation: Floats
    shot_e: Floats
    """(s,) shots of the governing attempt, not on control points [m, reduced]."""
    shot_n: Floats
    shot_level: Floats
    shot_edge: Booleans
    shot_used: Booleans
    fit: tuple[float, float, float] | None
    """Centre (e, n) and radius [m] of the circle fitted to the governing shots, where edge shots are among them."""


@dataclass(frozen=True, kw_only=True)
class UnrolledWall:
    """One wall laid out along a line; k piles in order of position, m joints between them, x joints beside them.

    A closed wall's first pile stands once more at its end. ``pile`` and ``joint`` are places in the results.
    """

    name: str
    pile: Integers
    position: Integers
    chainage: Floats
    """(k,) running sum of the design spacing [m]."""
    joint: Integers
    """(m,) in order of chainage."""
    reach: Floats
    """(m, 2) chainage of its two piles [m]."""
    extra: Integers
    """(x,) joints that are not between consecutive positions."""
    pit_on_left: bool | None
    """Whether the pit lies to the left as chainage rises; None where the wall does not say."""

    @property
    def length(self) -> float:
        """Length along the foot [m]."""
        return float(self.chainage[-1]) if len(self.chainage) else 0.0

    @property
    def spacing(self) -> float:
        """Width of an ordinary strip [m]; 1 without any."""
        return float(np.median(self.reach[:, 1] - self.reach[:, 0])) if len(self.joint) else 1.0


@dataclass(frozen=True, kw_only=True)
class Sources:
    """Rows of the input tables that serve the piles; k of them, by pile, in the order of the tables and of the files.

    ``table`` names the input table, ``file`` is a place in ``Survey.files``, ``line`` the line in it.
    """

    pile: Integers
    table: Texts
    file: Integers
    line: Integers


@dataclass(frozen=True, kw_only=True)
class Change:
    """A pile or joint judged otherwise than before, or whose figures got worse or better within a verdict.

    Verdicts are places in ``columns.VERDICTS``, -1 where it was not there, or not judged.
    """

    item: str
    was: int
    now: int
    text: str
    """Figures that differ, old and new."""
    worse: bool | None = None
    """Whether it got worse; None where that cannot be told: it is new, or gone."""


@dataclass(frozen=True, kw_only=True)
class StageChange:
    """A stage before and after: its state ("" where it was not there), items that hold it now, and those no more."""

    stage: str
    was: str
    now: str
    added: tuple[str, ...]
    gone: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Changes:
    """What changed since ``as_of``: items the gravest first and the better last, items whose accept lapsed, stages.

    An accept that lapsed since is listed also where it was made since.
    """

    as_of: np.datetime64
    items: tuple[Change, ...]
    lapsed: tuple[str, ...]
    stages: tuple[StageChange, ...]


@dataclass(frozen=True, kw_only=True)
class Views:
    """What can be asked of one reconciliation; what was asked for before is not worked out again."""

    at_level: Callable[[float | None], Slice]
    """The wall at a level [m]; None: every pile at its own cut-off."""
    toes: Callable[[], Toes]
    bands: Callable[[], Bands]
    joint: Callable[[int], JointProfile]
    """By the joint's place in the results."""
    pile: Callable[[int], PileProfile]
    """By the pile's place in the design table."""
    unrolled: Callable[[], tuple[UnrolledWall, ...]]
    """Every wall that has joints, in the order of the settings."""
    sources: Callable[[], Sources]
