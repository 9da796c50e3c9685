"""What the sheet of piles to set out, and the instrument's file, are made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers, Texts

__all__ = ["SOURCES", "ClosureView", "SetOutList"]

#: Where a centre comes from: the design table, an approval of the engineer, an advice that nobody has confirmed yet, or
#: an approval that may be mistyped.
SOURCES = ("design", "approved", "advised", "approved-check")


@dataclass(frozen=True, kw_only=True)
class ClosureView:
    """How a ring closes, in sentences, and its running misclosure to draw; metres."""

    wall: str
    text: tuple[str, ...]
    first: str
    """The pile that chainage and misclosure start from."""
    chainage: Floats
    """(k,) of the surveyed piles, in order."""
    running: Floats
    ahead: Floats
    """(r + 1,) chainage of the last surveyed pile and of those still to drill after it; empty without a forecast."""
    forecast: Floats
    low: Floats
    high: Floats
    end: float
    """Chainage at which the ring is closed."""
    total: float
    """Misclosure that it must come to there: the pile that stands there does not move."""


@dataclass(frozen=True, kw_only=True)
class SetOutList:
    """k piles to set out and their c joints; metres, plan reduced. NaN where not known.

    Pile i owns joints ``start[i]`` to ``start[i + 1]``.
    """

    plain: bool
    """Whether this is the plain design, without advice."""
    level: float
    """Commencing level, at which marks are set out and tapes held."""
    pile: Integers
    """Place in the design table."""
    pile_id: Texts
    source: Texts
    """One of :data:`SOURCES`."""
    origin: tuple[float, float]
    e: Floats
    n: Floats
    design_e: Floats
    design_n: Floats
    along: Floats
    """Movement from design along the wall, and towards the pit; NaN for a pile in no line of a wall."""
    across: Floats
    pit_e: Floats
    """Unit vector towards the pit; NaN for a pile in no line of a wall."""
    pit_n: Floats
    radius: Floats
    design_least: Floats
    least: Floats
    """At (e, n): the joint that has the least to spare."""
    least_level: Floats
    least_joint: Texts
    asked: Floats
    gain: Floats
    """What is left of the worst joint at (e, n) over what is asked for, less the same at design."""
    needed_diameter: Floats
    """Diameter that would do where no shift does; NaN for none."""
    extra_pile: Booleans
    """Whether neither a shift nor a wider pile would do."""
    sure: Texts
    """``yes``, ``no``, or None where nothing is known of it."""
    reason: Texts
    start: Integers
    neighbour: Texts
    stands: Texts
    """``as built``, ``not surveyed`` (begun, but nobody knows where it stands), ``to drill``."""
    neighbour_e: Floats
    """At ``level``; where it is not surveyed, where it is set out."""
    neighbour_n: Floats
    neighbour_radius: Floats
    to_face: Floats
    """From the mark to the neighbour's near face."""
    over_casing: Floats
    """From the casing's far face to the neighbour's near face."""
    bite: Floats
    """What the casing is to bite into the neighbour at ``level``."""
    band: Floats
    """Half the width of the band of a tape."""
    joint_design_least: Floats
    joint_least: Floats
    joint_asked: Floats
    closures: tuple[ClosureView, ...] = ()
    checks: tuple[str, ...] = ()
    """What is to be checked of approved centres before anything is set out."""
    left_out: tuple[tuple[str, str], ...] = ()
    """Piles still to drill that are not in the list, and why; empty where piles were named."""

    def __len__(self) -> int:
        return len(self.pile)

    @property
    def site_e(self) -> Floats:
        """Eastings to set out, site grid (k,)."""
        return self.e + self.origin[0]

    @property
    def site_n(self) -> Floats:
        """Northings to set out, site grid (k,)."""
        return self.n + self.origin[1]

    @property
    def moved(self) -> Booleans:
        """Which piles stand elsewhere than in the design (k,)."""
        return np.hypot(self.e - self.design_e, self.n - self.design_n) > 1e-9

    def count(self, source: str) -> int:
        """Return how many piles have such a centre."""
        return int((self.source == source).sum())
