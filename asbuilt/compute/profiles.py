"""One joint along its range and one pile along its depth, at levels close enough to be joined by straight lines.

What is piecewise linear in level is given at its vertices. What is curved (the distance between two axes, every
uncertainty, every chance) is halved between levels until a straight line keeps to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from asbuilt.columns import OBJECTS, SHOTS
from asbuilt.compute.axes import NO_AXIS_REACH_M, NONE, PROFILE, axis_positions, axis_variances
from asbuilt.compute.piles import covariance_at
from asbuilt.compute.sections import pair_figures, tilted
from asbuilt.views import JointProfile, PileProfile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from asbuilt.compute.readings import Readings
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Axes, Floats, Integers, Reconciliation, Table

__all__ = ["DRAWN_M", "DRAWN_P", "Measurements", "joint_profile", "measurements", "pile_profile", "refined"]

#: Straight lines between levels keep to the curves within this [m], and to the chances within the other.
DRAWN_M = 1e-4
DRAWN_P = 1e-3
#: Levels are nowhere farther apart than this [m]: what is tested halfway shows between them.
_STEP_M = 1.0
#: Halvings of a step: the wander of a profile's reference starts like a square root.
_HALVINGS = 16
#: Levels closer than this are one [m].
_SAME_M = 1e-7

_CHECK, _EDGE = OBJECTS.index("check"), SHOTS.index("edge")
#: Levels in the columns of a joint.
_JOINT_LEVELS = (
    "least_level",
    "lost_level",
    "open_level",
    "sure_level",
    "worst_opening_level",
    "governing_level",
    "other_model_least_level",
    "predicted_below",
)


def _between(levels: Iterable[float], *, top: float, bottom: float) -> Floats:
    """Return distinct levels from the top down: both ends, and those between them; NaN is left out."""
    given = np.array(list(levels), dtype=np.float64)
    inside = given[(given < top - _SAME_M) & (given > bottom + _SAME_M)]
    inside = -np.unique(-inside)
    inside = inside[np.r_[True, np.diff(inside) < -_SAME_M]] if len(inside) else inside
    ends = [top] if not bottom < top - _SAME_M else [top, bottom]
    return np.concatenate([ends[:1], inside, ends[1:]])


def _vertices(axes: Axes, pile: int) -> list[float]:
    """Return the levels at which an axis, or the growth of its uncertainty, has a break."""
    inner = axes.top[axes.start[pile] + 1 : axes.start[pile + 1]].tolist()
    level = float(axes.surveyed_level[pile])
    found = [*inner, level, float(axes.deepest[pile])]
    if axes.method[pile] == PROFILE:
        found += [level + 1.0, level - 1.0]
    if axes.method[pile] == NONE:
        found += [level + NO_AXIS_REACH_M, level - NO_AXIS_REACH_M]
    return found


def refined(level: Floats, curves: Callable[[Floats], Floats], allowed: Floats) -> Floats:
    """Return more levels, from the top down, so that straight lines between them keep to the curves.

    Parameters
    ----------
    level : (k,) array
        Levels at which curves may have a break [m], from the top down.
    curves : callable
        Gives the curves (c, k) at levels (k,).
    allowed : (c,) array
        How far a line may leave each curve.

    Notes
    -----
    A step is halved while a curve lies off the line at its middle or at a quarter by more than three quarters of what
    is allowed. NaN never calls for a step.
    """
    parts = np.maximum(1, np.ceil(-np.diff(level) / _STEP_M)).astype(np.int64)
    top = np.repeat(level[:-1], parts)
    share = (np.arange(len(top)) - np.repeat(np.cumsum(parts) - parts, parts)) / np.repeat(parts, parts)
    top = top - share * np.repeat(-np.diff(level), parts)
    foot = np.r_[top[1:], level[-1:]] if len(top) else top
    kept = [level, top]
    for _ in range(_HALVINGS):
        if not len(top):
            break
        at = np.stack([top + f * (foot - top) for f in (0.0, 0.25, 0.5, 0.75, 1.0)])
        value = curves(at.ravel()).reshape(len(allowed), *at.shape)
        off = np.zeros(len(top))
        for k, f in ((1, 0.25), (2, 0.5), (3, 0.75)):
            line = value[:, 0] + f * (value[:, 4] - value[:, 0])
            off = np.maximum(off, np.nan_to_num(np.abs(value[:, k] - line) / allowed[:, None]).max(axis=0))
        coarse = off > 0.75
        middle = (top[coarse] + foot[coarse]) / 2.0
        kept.append(middle)
        top, foot = np.r_[top[coarse], middle], np.r_[middle, foot[coarse]]
    return -np.unique(-np.concatenate(kept))


def joint_profile(result: Reconciliation, j: JointInputs, joint: int) -> JointProfile:
    """Return one joint along its range under both lean models.

    Parameters
    ----------
    result : Reconciliation
    j : JointInputs
        Of all its joints.
    joint : int
        Place of the joint.
    """
    joints, axes, other = result.joints, result.axes, result.other_axes
    one = j.take(np.array([joint]))
    z = float(ndtri(result.survey.settings.site.confidence))
    a, b = int(j.a[joint]), int(j.b[joint])
    twofold = bool(tilted(one, axes, other)[0]) and bool(joints["levels_known"][joint])

    def curves(level: Floats) -> Floats:
        many = j.take(np.full(len(level), joint))
        rows = []
        for model in (axes, other) if twofold else (axes,):
            of = pair_figures(many, model, level)
            rows += [of.overlap, of.overlap - z * of.sigma, of.overlap + z * of.sigma, of.sigma, of.p]
        return np.array(rows)

    breaks = [float(joints[name][joint]) for name in _JOINT_LEVELS]
    breaks += [float(j.formation[joint]), float(j.toe[joint])]
    for model in (axes, other):
        breaks += _vertices(model, a) + _vertices(model, b)
    level = _between(breaks, top=float(j.top[joint]), bottom=float(j.bottom[joint]))
    allowed = np.array([DRAWN_M, DRAWN_M, DRAWN_M, DRAWN_M, DRAWN_P] * (2 if twofold else 1))
    level = refined(level, curves, allowed)
    found = curves(level)
    beside = found[5:] if twofold else np.full((5, len(level)), np.nan)
    return JointProfile(
        joint=joint,
        level=level,
        overlap=found[0],
        low=found[1],
        high=found[2],
        sigma=found[3],
        p=found[4],
        other_overlap=beside[0],
        other_low=beside[1],
        other_p=beside[4],
        required=float(j.required[joint]),
        predicted_below=float(joints["predicted_below"][joint]),
        toe=float(j.toe[joint]),
    )


@dataclass(frozen=True, kw_only=True)
class Measurements:
    """What was measured on the piles, as far as it counts: lean readings, and pickups in order of pile."""

    readings: Readings
    pickups: Table
    row: Integers
    """Rows of the pickups, but check shots and other attempts, in order of pile."""
    start: Integers
    """(n + 1,) Where each pile's rows begin among them."""


def measurements(result: Reconciliation, *, readings: Readings, pickups: Table) -> Measurements:
    """Put measurements in order of pile.

    Parameters
    ----------
    result : Reconciliation
    readings : Readings
        Of the governing attempts.
    pickups : Table
        Those known at the date of the result.
    """
    attempt = result.centres.attempt
    counts = (pickups.pile >= 0) & (pickups["object"] != _CHECK)
    if len(attempt):
        counts &= pickups["attempt"] == attempt[pickups.pile]
    row: Integers = np.flatnonzero(counts)
    row = row[np.argsort(pickups.pile[row], kind="stable")]
    start = np.searchsorted(pickups.pile[row], np.arange(len(attempt) + 1))
    return Measurements(readings=readings, pickups=pickups, row=row, start=start.astype(np.int64))


class _Plumb:
    """One pile seen in two directions square to each other, from its design centre."""

    def __init__(self, result: Reconciliation, pile: int) -> None:
        piles, centres = result.piles, result.centres
        self.pile, self.centres = pile, centres
        self.design = np.array([piles.design_e[pile], piles.design_n[pile]])
        pit = (float(piles.pit_e[pile]), float(piles.pit_n[pile]))
        along = (float(piles.along_e[pile]), float(piles.along_n[pile]))
        walled = not np.isnan([*pit, *along]).any()
        self.directions = ("towards the pit", "along the wall") if walled else ("east", "north")
        self.axes = np.array([pit, along]) if walled else np.eye(2)

    def deviation(self, axes: Axes, level: Floats) -> Floats:
        """Return the deviation (k, 2) [m], NaN where no axis is known."""
        one = np.array([self.pile])
        e, n = (x[0] for x in axis_positions(axes, one, level[None, :]))
        q2 = axis_variances(axes, one, level[None, :])[0]
        away = np.column_stack([e, n]) - self.design
        turned: Floats = np.where(np.isnan(q2)[:, None], np.nan, away) @ self.axes.T
        return turned

    def sigma(self, axes: Axes, level: Floats) -> Floats:
        """Return the standard uncertainty of the deviation (k, 2) [m]."""
        q2 = axis_variances(axes, np.array([self.pile]), level[None, :])[0]
        own = np.broadcast_to(self.centres.cov[self.pile], (len(level), 3))
        ee, en, nn = covariance_at(own, self.centres.setup_var, q2).T[:, :, None]
        u, v = self.axes[:, 0], self.axes[:, 1]
        both: Floats = np.sqrt(u * u * ee + 2 * u * v * en + v * v * nn)
        return both


def _pile_levels(result: Reconciliation, plumb: _Plumb) -> Floats:
    """Return the levels of one pile's profile, from the higher of cut-off and surveyed level down to its toe."""
    axes, pile = result.axes, plumb.pile
    cut_off, toe = float(result.piles["cut_off_level"][pile]), float(axes.toe[pile])
    top = max(toe, float(np.fmax(cut_off, result.centres.level[pile])))
    breaks = [cut_off, *_vertices(axes, pile), *_vertices(result.other_axes, pile)]
    level = _between(breaks, top=top, bottom=toe)
    return refined(level, lambda z: plumb.sigma(axes, z).T, np.array([DRAWN_M, DRAWN_M]))


def pile_profile(result: Reconciliation, measured: Measurements, pile: int) -> PileProfile:
    """Return one pile along its depth, with what was measured on it.

    Parameters
    ----------
    result : Reconciliation
    measured : Measurements
        Of all piles.
    pile : int
        Place of the pile in the design table.
    """
    axes, other, centres = result.axes, result.other_axes, result.centres
    plumb = _Plumb(result, pile)
    twofold = axes.method[pile] != other.method[pile]

    level = _pile_levels(result, plumb)
    deviation = plumb.deviation(axes, level)

    r = measured.readings
    own = slice(int(r.start[pile]), int(r.start[pile + 1]))
    slope = np.column_stack([r.slope_e[own], r.slope_n[own]]) @ plumb.axes.T
    start = (np.array([centres.e[pile], centres.n[pile]]) - plumb.design) @ plumb.axes.T
    rows = axes.anchor_z[axes.start[pile] : axes.start[pile + 1]] if axes.method[pile] == PROFILE else np.empty(0)

    t, shots = measured.pickups, measured.row[measured.start[pile] : measured.start[pile + 1]]
    origin_e, origin_n = result.survey.origin
    fit_radius = float(centres.fit_radius[pile])
    return PileProfile(
        pile=pile,
        directions=plumb.directions,
        axes=plumb.axes,
        level=level,
        deviation=deviation,
        sigma=plumb.sigma(axes, level),
        other=plumb.deviation(other, level) if twofold else np.full_like(deviation, np.nan),
        cut_off=float(result.piles["cut_off_level"][pile]),
        toe=float(axes.toe[pile]),
        predicted_below=float(axes.deepest[pile]),
        reading_level=r.level[own],
        reading_slope=slope,
        reading_deviation=start + slope * (centres.level[pile] - r.level[own])[:, None],
        reading_count=r.count[own],
        measured_level=rows,
        measured_deviation=plumb.deviation(axes, rows),
        shot_e=t["easting"][shots] - origin_e,
        shot_n=t["northing"][shots] - origin_n,
        shot_level=t["level"][shots],
        shot_edge=t["shot"][shots] == _EDGE,
        shot_used=centres.used[shots],
        fit=None if np.isnan(fit_radius) else (float(centres.e[pile]), float(centres.n[pile]), fit_radius),
    )
