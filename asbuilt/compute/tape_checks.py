"""What a tape must show between a mark set out and the neighbours that stand: a check that needs no instrument.

All at the commencing level, where the tape is held, along the line from the mark to the neighbour's axis there. With
the distance D of the two centres, the pile's radius r and the neighbour's q (those that joints are worked out with:
half the casing as recorded, else half the design diameter):

* from the mark to the neighbour's near face D − q, before the casing stands there;
* over the casing, from its far face to the neighbour's near face, D − q + r;
* what the casing is to bite into the neighbour, r + q − D; less than 0: it does not touch.

A tape that is right differs from this by what is not known exactly: the neighbour's centre there (its pickup, set-up
and axis), the mark (one shot, one set-up) and the radius. σ² = uᵀ·C·u + pickup² + set-up² + radius² along the unit
vector u, and the band holds 95 of 100. A neighbour that is not surveyed has no face that a tape could be held to: NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from asbuilt.compute.axes import axis_positions, axis_variances
from asbuilt.compute.piles import covariance_at

if TYPE_CHECKING:
    from asbuilt.compute.setting_out import SettingOut
    from asbuilt.model import Floats, Reconciliation

__all__ = ["BAND", "TapeChecks", "tape_checks"]

#: Share of right tapes that the band holds.
BAND = 0.95


@dataclass(frozen=True, kw_only=True)
class TapeChecks:
    """Over the c joints of piles to set out; metres, plan reduced. NaN where the neighbour is not surveyed."""

    level: float
    neighbour_e: Floats
    """Its axis at ``level``; where it is not surveyed, where it is set out."""
    neighbour_n: Floats
    to_face: Floats
    over_casing: Floats
    bite: Floats
    band: Floats
    """Half the width of the 95 % band of a tape."""


def tape_checks(result: Reconciliation, found: SettingOut, e: Floats, n: Floats) -> TapeChecks:
    """Return what tapes must show.

    Parameters
    ----------
    result : Reconciliation
    found : SettingOut
        Whose piles, joints and neighbours are looked at.
    e, n : (k,) arrays
        Where the piles are set out, reduced [m].
    """
    piles, axes, centres, u = result.piles, result.axes, result.centres, result.survey.settings.uncertainty
    level = result.survey.settings.levels.commence
    owner = np.repeat(np.arange(len(found)), np.diff(found.start))
    other = found.neighbour
    at = np.full((len(other), 1), level)
    axis_e, axis_n = (x[:, 0] for x in axis_positions(axes, other, at))
    q2 = axis_variances(axes, other, at)[:, 0]
    surveyed = ~np.isnan(axes.surveyed_level[other])
    stands = surveyed & ~np.isnan(q2) & ~np.isnan(axis_e)
    there_e = np.where(stands, axis_e, np.where(surveyed, np.nan, piles.set_out_e[other]))
    there_n = np.where(stands, axis_n, np.where(surveyed, np.nan, piles.set_out_n[other]))
    away_e, away_n = there_e - e[owner], there_n - n[owner]
    apart = np.where(stands, np.hypot(away_e, away_n), np.nan)
    cov = covariance_at(centres.cov[other], centres.setup_var, q2)
    with np.errstate(invalid="ignore", divide="ignore"):
        ue, un = away_e / apart, away_n / apart
    variance = ue * ue * cov[:, 0] + 2.0 * ue * un * cov[:, 1] + un * un * cov[:, 2]
    variance = variance + (u.pickup_mm**2 + u.setup_mm**2 + u.radius_mm**2) * 1e-6
    own, theirs = piles.radius[found.pile][owner], piles.radius[other]
    return TapeChecks(
        level=level,
        neighbour_e=there_e,
        neighbour_n=there_n,
        to_face=apart - theirs,
        over_casing=apart - theirs + own,
        bite=own + theirs - apart,
        band=float(ndtri(0.5 + BAND / 2.0)) * np.sqrt(variance),
    )
