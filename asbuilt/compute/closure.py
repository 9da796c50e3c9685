"""How a ring of piles closes: the room left for the piles still to come against what they need, and a forecast.

All at cut-off, along the wall by the axes of the joints, t_J = unit(design centre of the next pile − that of this one).

A *leg* reaches from one surveyed pile to the next one round the ring, over m >= 1 joints and m − 1 piles that are not
surveyed. What it needs is the sum of its design spacings; what it has is that plus the movement along the wall of
its two ends, Δ·t_J of the last joint at its far end less Δ·t_J of the first joint at its near end (Δ as-built minus
design). x = has − needs is its drift: positive, it came out longer than designed, and its joints lost so much overlap.

A *gap* is a leg with piles still to be drilled. Its x is the room they have over what they need; negative, they stand
closer than designed.

The *running misclosure* is the sum of x over the legs so far, from the pile after the greatest gap round to the pile
before it (without a gap: from the first position and round to it again). On a straight side it is the along-wall
movement of the pile less that of the first one; at corners what a pile has moved across one side it has moved along the
other.

*Forecast*, while piles remain to be drilled in the greatest gap (of equals the first): the drift per joint is
b = Σx/Σm over the other legs, its scatter per joint s² = Σ(x − m·b)²/m / (L − 1) with L of these legs, the standard
error of b √(s²/Σm): least squares with a variance of m·s² for each leg. After r more piles with that drift the last
joint of the gap is x − r·b longer than designed, with a standard deviation of √(r²·s²/Σm + r·s²) and a 95 % band by
Student's t on L − 1 degrees of freedom. Piles set out from control and not from one another do not gather drift: the
band then errs to the wide side. Derived from first principles.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from asbuilt.columns import PROGRESS

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers, Reconciliation

__all__ = ["BAND", "Closure", "Projection", "closure", "projected"]

#: Share of forecasts that the band holds.
BAND = 0.95
_TO_DRILL = PROGRESS.index("to drill")


@dataclass(frozen=True, kw_only=True)
class Closure:
    """One ring, k surveyed piles and as many legs in the order of position, g gaps; metres, NaN where not known."""

    wall: str
    pile: Integers
    """(k,) surveyed piles, places in the design table, from where the running misclosure starts; leg i begins at i."""
    joints: Integers
    """(k,) joints m of each leg."""
    to_drill: Integers
    """(k,) piles of each leg that are still to be drilled."""
    needs: Floats
    """(k,) sum of the leg's design spacings."""
    has: Floats
    """(k,) the room along the wall that its two ends leave."""
    sigma: Floats
    """(k,) standard uncertainty of ``has``, the two centres taken as independent."""
    running: Floats
    """(k,) running misclosure at each pile, 0 at the first."""
    total: float
    """Sum of all legs: what the ring is longer than designed, gaps included."""
    gap: Integers
    """(g,) places of the legs that are gaps, in the same order."""
    remaining: int
    """Piles still to be drilled in the ring."""
    last: int
    """Place of the gap that the forecast is for; -1 without a gap."""
    drift: float
    """b, mean drift per joint outside that gap."""
    drift_error: float
    """Standard error of b."""
    scatter: float
    """s, standard deviation of the drift of one joint."""
    forecast: float
    """What the gap's last joint will be longer than designed: so much overlap less."""
    low: float
    high: float
    """95 % band of it."""


def closure(result: Reconciliation, wall: str) -> Closure | None:
    """Return how a ring closes; None for an open wall, and with fewer than two piles of it surveyed.

    Parameters
    ----------
    result : Reconciliation
    wall : str
        Its name in the settings.
    """
    piles, design = result.piles, result.survey.design
    if not result.survey.settings.walls[wall].closed:
        return None
    position = design["position"].astype(np.float64)
    ring = np.flatnonzero((design["wall"] == wall) & piles.expected & ~np.isnan(position))
    ring = ring[np.argsort(position[ring], kind="stable")]
    there = ~np.isnan(piles.centre_e[ring])
    if there.sum() < 2:
        return None
    legs = _legs(result, ring, there)
    # the greatest gap comes last: what is built runs from its far end round to its near end
    most = int(legs.to_drill.argmax())
    shift = most + 1 if legs.to_drill[most] else 0
    legs = _Legs(**{f.name: np.roll(getattr(legs, f.name), -shift) for f in fields(legs)})
    drift = legs.has - legs.needs
    gap = np.flatnonzero(legs.to_drill > 0)
    last = len(drift) - 1 if len(gap) else -1
    return Closure(
        wall=wall,
        pile=legs.pile,
        joints=legs.joints,
        to_drill=legs.to_drill,
        needs=legs.needs,
        has=legs.has,
        sigma=legs.sigma,
        running=np.concatenate([[0.0], np.cumsum(drift[:-1])]),
        total=float(drift.sum()),
        gap=gap,
        remaining=int(legs.to_drill.sum()),
        last=last,
        **_forecast(drift, legs.joints, int(legs.to_drill[last]) if last >= 0 else 0),
    )


@dataclass(frozen=True, kw_only=True)
class Projection:
    """The running misclosure carried on over the r piles still to drill in the greatest gap (r + 1,); metres.

    From the last surveyed pile on, one value a pile. ``chainage``: design spacings from the first pile of the closure,
    the gap's own taken as equal. NaN where it cannot be forecast.
    """

    chainage: Floats
    running: Floats
    low: Floats
    high: Floats


def projected(ring: Closure) -> Projection | None:
    """Return the forecast pile by pile; None without a gap.

    After j piles the drift is j·b, its variance j²·s²/Σm + j·s²: the band has its full width at the last pile.
    """
    if ring.last < 0:
        return None
    r, legs = int(ring.to_drill[ring.last]), float(ring.joints[: ring.last].sum())
    j = np.arange(r + 1.0)
    running = ring.running[ring.last] + j * ring.drift
    off = (ring.high - ring.forecast) * np.sqrt((j * j / legs + j) / (r * r / legs + r))
    begin = float(ring.needs[: ring.last].sum())
    step = ring.needs[ring.last] / ring.joints[ring.last]
    return Projection(chainage=begin + j * step, running=running, low=running - off, high=running + off)


@dataclass(frozen=True, kw_only=True)
class _Legs:
    """Legs of a ring (k,): the pile each begins at, its joints, piles to drill, what it needs and has, and how sure."""

    pile: Integers
    joints: Integers
    to_drill: Integers
    needs: Floats
    has: Floats
    sigma: Floats


def _legs(result: Reconciliation, ring: Integers, there: Floats) -> _Legs:
    """Return the legs of a ring of piles (n,), of which some are ``there`` (n,), from the first surveyed one on."""
    piles, count = result.piles, len(ring)
    design = np.column_stack([piles.design_e, piles.design_n])[ring]
    moved = np.column_stack([piles.centre_e, piles.centre_n])[ring] - design
    step = np.roll(design, -1, axis=0) - design
    spacing = np.hypot(step[:, 0], step[:, 1])
    along = step / spacing[:, None]
    first = np.flatnonzero(there)
    after = np.append(first[1:], first[0] + count)
    run = np.concatenate([[0.0], np.cumsum(np.tile(spacing, 2))])
    open_before = np.concatenate([[0], np.cumsum(np.tile(piles["progress"][ring] == _TO_DRILL, 2))])
    needs = run[after] - run[first]
    begin, end = along[first], along[(after - 1) % count]
    near, far = moved[first], moved[after % count]
    return _Legs(
        pile=ring[first],
        joints=(after - first).astype(np.int64),
        to_drill=(open_before[after] - open_before[first + 1]).astype(np.int64),
        needs=needs,
        has=needs + (far * end).sum(axis=1) - (near * begin).sum(axis=1),
        sigma=np.sqrt(_along(piles.cov[ring[first]], begin) + _along(piles.cov[ring[after % count]], end)),
    )


def _along(cov: Floats, unit: Floats) -> Floats:
    """Return the variance (k,) of covariances (k, 3) along unit vectors (k, 2) [m²]."""
    e, n = unit[:, 0], unit[:, 1]
    variance: Floats = e * e * cov[:, 0] + 2.0 * e * n * cov[:, 1] + n * n * cov[:, 2]
    return variance


def _forecast(drift: Floats, joints: Integers, remaining: int) -> dict[str, float]:
    """Return the drift per joint outside the last leg, and what the last joint of that leg will come to."""
    unknown = float("nan")
    told = dict.fromkeys(("drift", "drift_error", "scatter", "forecast", "low", "high"), unknown)
    if remaining:
        x, m = drift[:-1], joints[:-1].astype(np.float64)
        room = float(drift[-1])
    else:
        x, m, room = drift, joints.astype(np.float64), unknown
    b = float(x.sum() / m.sum())
    told |= {"drift": b, "forecast": room - remaining * b}
    if len(x) > 1:
        variance = float(((x - m * b) ** 2 / m).sum()) / (len(x) - 1)
        off = float(stdtrit(len(x) - 1, 0.5 + BAND / 2.0)) * np.sqrt(variance * (remaining**2 / m.sum() + remaining))
        told |= {"drift_error": float(np.sqrt(variance / m.sum())), "scatter": float(np.sqrt(variance))}
        told |= {"low": told["forecast"] - float(off), "high": told["forecast"] + float(off)}
    return told
