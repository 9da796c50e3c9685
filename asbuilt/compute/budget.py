"""What design and survey allow as a whole: tolerances against overlap, uncertainty against limits.

Either is one finding for a wall or a check, not one for each pile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from asbuilt.compute.alignment import wall_levels
from asbuilt.compute.verdicts import SLACK_M
from asbuilt.compute.wording import chance
from asbuilt.model import Finding

if TYPE_CHECKING:
    from asbuilt.model import Floats, Joints, Piles, Table
    from asbuilt.settings import Settings

__all__ = [
    "Limits",
    "best_probability",
    "depth_guaranteed",
    "design_margin",
    "survey_too_poor_findings",
    "tolerance_budget",
    "tolerance_budget_findings",
]


def depth_guaranteed(
    *,
    margin: Floats,
    plan_a: Floats,
    plan_b: Floats,
    slope_a: Floats,
    slope_b: Floats,
    cut_off_a: Floats,
    cut_off_b: Floats,
) -> Floats:
    """Return how far down two piles within tolerance keep the overlap asked for, whichever way they deviate.

    Parameters
    ----------
    margin : (m,) array
        Design overlap less the overlap asked for [m].
    plan_a, plan_b : (m,) arrays
        Plan deviation allowed at each pile's cut-off [m].
    slope_a, slope_b : (m,) arrays
        Inclination allowed [m/m]; NaN where none is set.
    cut_off_a, cut_off_b : (m,) arrays
        Cut-off levels [m].

    Returns
    -------
    (m,) array
        Depth below the lower cut-off [m]; negative where the plan tolerances alone exceed the margin; NaN
        where a tolerance is not set: then nothing is guaranteed.

    Notes
    -----
    At level z the two may come apart by e_a + e_b + s_a·(z_a − z) + s_b·(z_b − z), which must not
    exceed the margin. For equal piles, n·((D − s − o)/2 − e) with s the spacing and o the overlap asked for.
    Derived from first principles.
    """
    level = (slope_a * cut_off_a + slope_b * cut_off_b - (margin - plan_a - plan_b)) / (slope_a + slope_b)
    depth: Floats = np.minimum(cut_off_a, cut_off_b) - level
    return depth


def tolerance_budget(
    *, settings: Settings, design: Table, piles: Piles, joints: Joints
) -> tuple[Floats, Floats]:
    """Return for each joint the depth that the tolerances guarantee and the depth asked for, both (m,) [m].

    Nominal diameters and design centres count. The depth asked for reaches from the lower cut-off to
    ``interlock_to``, the lower one where the joint ties two walls. Parameters as in
    :func:`tolerance_budget_findings`.
    """
    a, b = joints.a, joints.b
    cut_off, plan, slope = (
        np.asarray(piles[name], dtype=np.float64)
        for name in ("cut_off_level", "allowed_mm", "allowed_mm_per_m")
    )
    depth = depth_guaranteed(
        margin=design_margin(design=design, piles=piles, joints=joints),
        plan_a=plan[a] / 1000.0,
        plan_b=plan[b] / 1000.0,
        slope_a=slope[a] / 1000.0,
        slope_b=slope[b] / 1000.0,
        cut_off_a=cut_off[a],
        cut_off_b=cut_off[b],
    )
    to = wall_levels(settings, design["wall"], "interlock_to")
    return depth, np.minimum(cut_off[a], cut_off[b]) - np.minimum(to[a], to[b])


def design_margin(*, design: Table, piles: Piles, joints: Joints) -> Floats:
    """Return the overlap of the design circles beyond what is asked for, shape (m,) [m].

    Negative at the gap that an omitted pile leaves: such a joint is not meant to interlock.
    """
    a, b = joints.a, joints.b
    radius = np.asarray(design["diameter_mm"], dtype=np.float64) / 2000.0
    spacing = np.hypot(piles.design_e[b] - piles.design_e[a], piles.design_n[b] - piles.design_n[a])
    margin: Floats = radius[a] + radius[b] - spacing - joints.required
    return margin


def tolerance_budget_findings(
    *, settings: Settings, design: Table, piles: Piles, joints: Joints
) -> tuple[Finding, ...]:
    """Return a finding for each wall whose tolerances do not guarantee its joints down to ``interlock_to``.

    Parameters
    ----------
    settings : Settings
        Levels of the walls.
    design : Table
        The design table of n piles.
    piles : Piles
        Results over the n piles: design centres, ``cut_off_level``, ``allowed_mm``, ``allowed_mm_per_m``.
    joints : Joints
        Results over the m joints: which piles, the overlap asked for.
    """
    depth, asked = tolerance_budget(settings=settings, design=design, piles=piles, joints=joints)
    short = np.where(design_margin(design=design, piles=piles, joints=joints) >= -SLACK_M, asked - depth, -np.inf)
    found = []
    for wall in settings.walls:
        lacking = np.flatnonzero((joints["wall"] == wall) & (short > SLACK_M))
        if not len(lacking):
            continue
        j = int(lacking[np.argmax(short[lacking])])
        reach = (
            f"keep {joints.required[j] * 1000.0:.0f} mm of overlap only {depth[j]:.2f} m below cut-off"
            if depth[j] > 0
            else f"do not keep {joints.required[j] * 1000.0:.0f} mm of overlap even at cut-off"
        )
        joints_lost = _of_all(len(lacking), int(((joints["wall"] == wall) & np.isfinite(short)).sum()), "joint")
        text = (
            f"piles within tolerance may still lose {joints_lost} of wall {wall}; "
            f"at {joints['joint_id'][j]} the tolerances {reach}, {asked[j]:.2f} m asked for"
        )
        found.append(Finding(severity="note", kind="tolerance_budget", item=wall, text=text))
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Limits of one check beside the uncertainty of what is held against them: arrays over piles or joints.

    ``allowed``: what may be used up from the design [m, or m/m for inclination]: the limit itself, and for
    joints the design overlap less the overlap asked for. ``sigma``: one standard uncertainty of the measured
    value, per component, the smaller axis where two differ, so that what is said of it is never too hard.
    Entries with a NaN are left out.
    """

    allowed: Floats
    sigma: Floats


#: Check to its unit, and whether its limit is a circle about the design (or a line on one side of it).
_CHECKS = {
    "plan": ("mm", True),
    "vertical": ("mm/m", True),
    "encroach": ("mm", False),
    "joint": ("mm", False),
}


def best_probability(limits: Limits, *, circle: bool) -> Floats:
    """Return the probability of conformity of what is measured exactly as designed.

    Parameters
    ----------
    limits : Limits
        Limits and uncertainties.
    circle : bool
        True: the limit is a circle about the design, p = 1 − exp(−T²/(2σ²)) (Rayleigh). False: one side of a
        line, p = Φ(T/σ); for a joint this is the most that p can be, since scatter across it lengthens the
        distance.

    References
    ----------
    JCGM 106:2012, clause 7.
    """
    ratio = limits.allowed / limits.sigma
    p: Floats = -np.expm1(-0.5 * ratio**2) if circle else ndtr(ratio)
    return p


def survey_too_poor_findings(
    *,
    settings: Settings,
    plan: Limits | None = None,
    vertical: Limits | None = None,
    encroach: Limits | None = None,
    joint: Limits | None = None,
) -> tuple[Finding, ...]:
    """Return a finding for each guarded check that not even what is measured exactly as designed could pass.

    Only checks under the guarded rule are looked at, and only limits that leave anything to be used up: where
    the design itself does not conform no survey helps.

    Parameters
    ----------
    settings : Settings
        Confidence, and which checks are guarded.
    plan, vertical, encroach : Limits, optional
        Over piles; None where the check is not made.
    joint : Limits, optional
        Over joints: the margin of the design overlap, and the uncertainty of the overlap at the governing
        level.
    """
    confidence = settings.site.confidence
    given = {"plan": plan, "vertical": vertical, "encroach": encroach, "joint": joint}
    found = []
    for check, limits in given.items():
        unit, circle = _CHECKS[check]
        if limits is None or getattr(settings.decide, check) != "guarded":
            continue
        judged = np.isfinite(limits.sigma) & (limits.allowed > SLACK_M) & (limits.sigma > 0)
        kept = Limits(allowed=limits.allowed[judged], sigma=limits.sigma[judged])
        p = best_probability(kept, circle=circle)
        poor = int((p < confidence).sum())
        if not poor:
            continue
        worst = int(np.argmin(p))
        needed = np.sqrt(-2.0 * np.log(1.0 - confidence)) if circle else float(ndtri(confidence))
        allowed, sigma = kept.allowed[worst] * 1000.0, kept.sigma[worst] * 1000.0
        items = _of_all(poor, len(p), "joint" if check == "joint" else "pile")
        text = (
            f"{items} could not be shown to be within even if measured exactly as designed: at worst a "
            f"standard uncertainty of {sigma:.1f} {unit} beside {allowed:.1f} {unit} allowed gives "
            f"{chance(float(p[worst]), confidence)}; needed: {allowed / needed:.1f} {unit} or less"
        )
        found.append(Finding(severity="note", kind="survey_too_poor", item=check, text=text))
    return tuple(found)


def _of_all(part: int, whole: int, what: str) -> str:
    return f"{part} of {whole} {what}s" if whole != 1 else f"the only {what}"
