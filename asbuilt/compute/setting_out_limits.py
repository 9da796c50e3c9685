"""How far a pile may be moved when it is set out, and what else would do where no move does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from asbuilt.compute.alignment import align
from asbuilt.compute.setting_out_geometry import RIM_M, Allowed, distance_to
from asbuilt.compute.verdicts import SLACK_M

if TYPE_CHECKING:
    from asbuilt.compute.setting_out_joints import Held, Ties
    from asbuilt.model import Floats, Reconciliation

__all__ = ["Surroundings", "needed_diameters"]


class Surroundings:
    """What stands in the way of piles towards the pit, and along which line they may be moved."""

    def __init__(self, result: Reconciliation) -> None:
        survey, piles = result.survey, result.piles
        self.piles, self.settings = piles, survey.settings
        self.design = np.column_stack([piles.design_e, piles.design_n])
        self.line = np.column_stack([piles.along_e, piles.along_n])
        alignment = align(survey.design, survey.settings, e=piles.design_e, n=piles.design_n)
        self.pit = np.stack([alignment.pit_1, alignment.pit_2], axis=1)
        self.outline = survey.clear_outline
        if self.outline is not None:
            self.outline = shapely.transform(self.outline, lambda xy: xy - np.array(survey.origin))

    @property
    def movement(self) -> float | None:
        """Movement towards the pit allowed to a plumb pile [m]: that at cut-off, the least; None without a check."""
        mm = self.settings.tolerance.encroach_mm
        return None if mm is None else mm / 1000.0

    def allowed(self, pile: int) -> Allowed:
        """Return where the centre of a pile may be taken, relative to its design centre."""
        s = self.settings.set_out
        line = None if s.across_wall else self.line[pile]
        play = s.play_mm / 1000.0
        if line is not None and np.isnan(line).any():
            # in no line of a wall there is no way along it
            line, play = None, 0.0
        normals = np.unique(self.pit[pile][~np.isnan(self.pit[pile]).any(axis=1)], axis=0)
        if self.movement is None:
            normals = normals[:0]
        outline, clear = None, 0.0
        if self.outline is not None:
            outline = shapely.transform(self.outline, lambda xy: xy - self.design[pile])
            clear = min(self._clear(pile), float(distance_to(outline, np.zeros((1, 2)))[0]))
        return Allowed(
            play=play,
            line=line,
            normals=normals,
            offsets=np.full(len(normals), self.movement or 0.0),
            outline=outline,
            clear=clear,
        )

    def room_for(self, pile: int, centre: Floats, radius: float) -> bool:
        """Tell whether a pile of another radius [m] would keep the limits towards the pit at ``centre`` (2,).

        Its face may stand as far towards the pit as that of the pile itself at the greatest movement allowed.
        """
        more = radius - float(self.piles.radius[pile])
        off = centre - self.design[pile]
        fits = True
        if self.movement is not None:
            along = self.pit[pile] @ off
            fits = bool((along[~np.isnan(along)] + more <= self.movement + SLACK_M).all())
        if self.outline is not None:
            fits &= bool(distance_to(self.outline, centre[None])[0] >= self._clear(pile) + more - RIM_M)
        return fits

    def _clear(self, pile: int) -> float:
        """Return how far the centre of a pile keeps from the clear outline [m]."""
        t = self.settings.tolerance
        return float(self.piles.radius[pile]) + (t.overbreak_mm - t.clear_mm) / 1000.0


def needed_diameters(ties: Ties, held: Held) -> Floats:
    """Return the least diameter (k,) [m] with which piles keep what is asked for in all their joints.

    Parameters
    ----------
    ties : Ties
    held : Held
        Their joints at the centres that they would have.

    Notes
    -----
    With D the greatest distance in a joint and q the neighbour's radius: r >= D + overlap_mm − q, and where a chord is
    asked for r² >= (D − √(q² − chord²/4))² + chord²/4.
    """
    t = ties.known.settings.tolerance
    far, q = ties.reach - held.joint_spare, ties.pairs.radius_b
    radius = far + t.overlap_mm / 1000.0 - q
    if t.chord_mm is not None:
        half = t.chord_mm / 2000.0
        beyond = np.maximum(far - np.sqrt(np.maximum(q * q - half * half, 0.0)), 0.0)
        radius = np.maximum(radius, np.hypot(beyond, half))
    greatest = np.full(len(ties.piles), -np.inf)
    np.maximum.at(greatest, ties.owner, np.where(np.isnan(radius), np.inf, radius))
    return 2.0 * greatest
