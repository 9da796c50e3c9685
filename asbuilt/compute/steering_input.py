"""What steering a pile that is being drilled is worked out from: its casing, its limits, and the piles it ties in to.

Nothing here needs more than NumPy: an answer at the rig does not wait for larger packages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS, METHODS, POSITIONS
from asbuilt.compute.alignment import align
from asbuilt.compute.axes import axis_positions, axis_variances
from asbuilt.model import Axes

if TYPE_CHECKING:
    from asbuilt.model import Floats, Reconciliation
    from asbuilt.settings import Settings

__all__ = ["Neighbour", "SteerInput", "covariances", "places", "sounding_levels", "steer_input", "vertex_levels"]

_AS_BUILT, _DESIGN = POSITIONS
_STRAIGHT, _PROFILE, _NONE = (METHODS.index(method) for method in ("straight", "profile", "none"))
_ONE = np.zeros(1, dtype=np.int64)


@dataclass(frozen=True, kw_only=True)
class Neighbour:
    """The pile on the other side of one joint. Lengths and levels [m]."""

    joint_id: str
    pile_id: str
    is_built: str
    """``as-built``, or ``design``: not surveyed, and taken where it was set out, plumb."""
    lean: str
    """``read``; ``assumed``: surveyed, but never read, and taken as plumb within half its limit; ``design``."""
    radius: float
    required: float
    """Overlap asked for."""
    top: float
    bottom: float
    """Range of the joint."""
    axes: Axes
    """Its axis alone under the lean model that governs, and under the other."""
    other_axes: Axes
    cov: Floats
    """(3,) EE, EN, NN of its centre without the set-up part [m²]; 0 at design: the design is what it is."""
    shared: bool
    """Whether both centres come from one set-up."""
    counts: bool
    """False where the design leaves a gap: no lean can close it, and none is asked to."""
    toe_level: float
    """Below this level a toe as built leaves the joint open; NaN where none does."""


@dataclass(frozen=True, kw_only=True)
class SteerInput:
    """What steering one pile is worked out from. Lengths and levels [m], slopes [m per m], plan reduced."""

    pile_id: str
    centre: Floats
    """(2,) Centre of the casing, at ``level``."""
    level: float
    centre_is: str
    """``pickup``, ``set out`` (as approved) or ``design``."""
    cov: Floats
    """(3,) EE, EN, NN without the set-up part [m²]."""
    setup_var: float
    radius: float
    toe: float
    cut_off: float
    formation: float
    limit: float
    """Verticality allowed; NaN for none."""
    design: Floats
    """(2,) Design centre, which movement towards the pit is measured from."""
    pits: Floats
    """(k, 2) Unit vectors towards the pit: two on a corner, none for a pile without a wall."""
    allowed: tuple[float, float]
    """Movement towards the pit allowed at cut-off and at formation; NaN: not asked for."""
    neighbours: tuple[Neighbour, ...]
    sigma_reading: float
    sigma_systematic: float
    sigma_wander: float
    """[m per m, and per root of a metre not read]"""
    confidence: float
    turn: float
    """How much the casing can still be turned [m per m, per metre drilled]; NaN: not stated."""

    def lean_variance(self, read_to: float, count: int = 1) -> float:
        """Return the variance per component of a straight axis' slope: ``count`` readings averaged at a level [m]."""
        unread = max(0.0, read_to - self.toe)
        wander = self.sigma_wander**2 * unread
        return self.sigma_reading**2 / count + self.sigma_systematic**2 + wander

    def difference(self, neighbour: Neighbour) -> Floats:
        """Return the covariance (3,) of the difference of the two centres [m²]."""
        setups = 0 if neighbour.shared else 1 if neighbour.is_built == _DESIGN else 2
        common = setups * self.setup_var
        both: Floats = self.cov + neighbour.cov + np.array([common, 0.0, common])
        return both


def steer_input(result: Reconciliation, pile: int, *, attempt: int | None = None) -> SteerInput:
    """Return what steering a pile is worked out from.

    Parameters
    ----------
    result : Reconciliation
        Of it are used: survey (settings, design), centres, axes, other_axes; of the piles set-out and design centres,
        radii, cut-off levels; of the joints the piles, range and overlap asked for.
    pile : int
        Place in the design table.
    attempt : int, optional
        The attempt being drilled. A centre of another one does not serve. Default: the one that governs.

    Notes
    -----
    The centre is the pile's governing pickup, else where it was set out, at the commencing surface, as uncertain as one
    shot. A neighbour that is not surveyed stands plumb where it was set out.
    """
    piles, centres, survey = result.piles, result.centres, result.survey
    s, design = survey.settings, survey.design
    wall, kind = design["wall"][pile], KINDS[design["kind"][pile]]
    u, t = s.uncertainty, s.tolerance
    own = attempt is None or attempt == int(centres.attempt[pile])
    surveyed = own and not np.isnan(centres.e[pile])
    set_out = np.array([piles.set_out_e[pile], piles.set_out_n[pile]])
    here = np.array([piles.design_e[pile], piles.design_n[pile]])
    formation = s.wall_level(wall, "formation")
    cut_off = float(piles["cut_off_level"][pile])
    foot = cut_off if formation is None else min(formation, cut_off)
    limit = t.verticality.get(kind)
    shot = (u.pickup_mm / 1000.0) ** 2
    turn = s.steering.mm_per_m_per_metre
    mine = np.flatnonzero((result.joints.a == pile) | (result.joints.b == pile))
    return SteerInput(
        pile_id=str(design["pile_id"][pile]),
        centre=np.array([centres.e[pile], centres.n[pile]]) if surveyed else set_out,
        level=float(centres.level[pile]) if surveyed else s.levels.commence,
        centre_is="pickup" if surveyed else "set out" if np.any(set_out != here) else "design",
        cov=centres.cov[pile] if surveyed else np.array([shot, 0.0, shot]),
        setup_var=centres.setup_var,
        radius=float(piles.radius[pile]),
        toe=float(result.axes.toe[pile]) if own else float(design["toe_level"][pile]),
        cut_off=cut_off,
        formation=foot,
        limit=np.nan if limit is None else limit / 1000.0,
        design=here,
        pits=_pits(result, pile),
        allowed=_allowed(s, cut_off, foot),
        neighbours=tuple(_neighbour(result, pile, joint, surveyed=surveyed) for joint in mine.tolist()),
        sigma_reading=u.tilt_mm_per_m / 1000.0,
        sigma_systematic=u.tilt_systematic_mm_per_m / 1000.0,
        sigma_wander=u.wander_mm_per_m / 1000.0,
        confidence=s.site.confidence,
        turn=np.nan if turn is None else turn / 1000.0,
    )


def _pits(result: Reconciliation, pile: int) -> Floats:
    """Return the normals of the sides that meet at a pile (k, 2), each once."""
    survey, piles = result.survey, result.piles
    line = align(survey.design, survey.settings, e=piles.design_e, n=piles.design_n)
    both: Floats = np.array([line.pit_1[pile], line.pit_2[pile]])
    both = both[~np.isnan(both).any(axis=1)]
    return both[:1] if len(both) == 2 and np.abs(both[0] - both[1]).max() < 1e-9 else both


def _allowed(settings: Settings, cut_off: float, formation: float) -> tuple[float, float]:
    """Return the movement towards the pit allowed at cut-off and formation [m]; NaN where it is not asked for."""
    t = settings.tolerance
    if t.encroach_mm is None:
        return np.nan, np.nan
    growth = t.encroach_growth_mm_per_m * (cut_off - formation)
    return t.encroach_mm / 1000.0, (t.encroach_mm + growth) / 1000.0


def _neighbour(result: Reconciliation, pile: int, joint: int, *, surveyed: bool) -> Neighbour:
    """Return the neighbour on the other side of a joint; ``surveyed``: the pile's own centre is."""
    joints, piles, centres = result.joints, result.piles, result.centres
    a, b = int(joints.a[joint]), int(joints.b[joint])
    other = b if a == pile else a
    built = not np.isnan(centres.e[other])
    top, bottom = float(joints["range_top"][joint]), float(joints["range_bottom"][joint])
    lean, axes, beside = "design", _plumb(float(piles.set_out_e[other]), float(piles.set_out_n[other]), top), None
    if built:
        lean = "assumed" if result.axes.method[other] == _NONE else "read"
        axes, beside = _alone(result.axes, other), _alone(result.other_axes, other)
    return Neighbour(
        joint_id=str(joints["joint_id"][joint]),
        pile_id=str(result.survey.design["pile_id"][other]),
        is_built=_AS_BUILT if built else _DESIGN,
        lean=lean,
        radius=float(piles.radius[other]),
        required=float(joints.required[joint]),
        top=top,
        bottom=bottom,
        axes=axes,
        other_axes=beside or axes,
        cov=centres.cov[other] if built else np.zeros(3),
        shared=bool(built and surveyed and centres.setup[other] == centres.setup[pile] and centres.setup[pile] >= 0),
        counts=float(joints["design_overlap_mm"][joint]) > 0.0,
        toe_level=float(joints.toe_level[joint]),
    )


def _alone(axes: Axes, pile: int) -> Axes:
    """Return the axis of one pile; one that was never read is plumb, and as uncertain as its limit makes it."""
    own = slice(int(axes.start[pile]), int(axes.start[pile + 1]))
    of_segment = ("v", "q0", "near")
    code = axes.method[pile]
    return replace(
        axes,
        start=np.array([0, own.stop - own.start]),
        **{k: getattr(axes, k)[own] for k in ("top", "anchor_z", "anchor_e", "anchor_n", "slope_e", "slope_n")},
        **{k: getattr(axes, k)[[pile]] for k in ("surveyed_level", "deepest", "readings", "toe")},
        method=np.array([_STRAIGHT if code == _NONE else code], dtype=np.int8),
        variance={k: v[own] if k in of_segment else v[[pile]] for k, v in axes.variance.items()},
    )


def _plumb(e: float, n: float, level: float) -> Axes:
    """Return a plumb axis without uncertainty."""
    zero = np.zeros(1)
    return Axes(
        start=np.array([0, 1]),
        top=np.full(1, np.inf),
        anchor_z=np.full(1, level),
        anchor_e=np.full(1, e),
        anchor_n=np.full(1, n),
        slope_e=zero,
        slope_n=zero,
        method=np.array([_STRAIGHT], dtype=np.int8),
        surveyed_level=np.full(1, level),
        deepest=np.full(1, np.nan),
        readings=_ONE,
        toe=np.full(1, np.nan),
        variance={"v": zero, "q0": zero, "near": np.full(1, level), "b2": zero, "w2": zero, "a2": zero},
    )


def vertex_levels(neighbour: Neighbour, axes: Axes | None = None) -> Floats:
    """Return the ends of a joint's range and its neighbour's vertices in it, from the top down (l,) [m]."""
    vertices = (axes or neighbour.axes).top[1:]
    inner = vertices[(vertices < neighbour.top) & (vertices > neighbour.bottom)]
    return _downwards(np.r_[neighbour.top, inner, neighbour.bottom])


def sounding_levels(given: SteerInput, neighbour: Neighbour) -> Floats:
    """Return those, and what else the uncertainty turns at: between two of them it grows as a convex function of level.

    As for a joint that is judged: surveyed levels, the neighbour's deepest reading, and, where the uncertainty bends
    the other way (below that reading, and beside a profile's surveyed level), levels between.
    """
    axes, top, bottom = neighbour.axes, neighbour.top, neighbour.bottom
    z_s, deepest = float(axes.surveyed_level[0]), float(axes.deepest[0])
    levels = [given.level, z_s, deepest]
    if axes.variance["w2"][0] > 0:
        begin = np.clip(deepest, bottom, top)
        levels += [begin + f * (bottom - begin) for f in (0.25, 0.5, 0.75)]
    if axes.method[0] == _PROFILE:
        levels += [z_s + sign * f for f in (0.25, 0.5, 0.75, 1.0) for sign in (1.0, -1.0)]
    inner = np.array([z for z in levels if bottom < z < top])
    return _downwards(np.r_[vertex_levels(neighbour), inner])


def _downwards(levels: Floats) -> Floats:
    """Return distinct levels from the top down."""
    # asked for nothing but the values, NumPy first loads its masked arrays, which takes as long as all of the answer
    falling: Floats = -np.unique(-levels, return_index=True)[0]
    return falling


def places(neighbour: Neighbour, levels: Floats, axes: Axes | None = None) -> Floats:
    """Return the neighbour's centre (l, 2), reduced [m], at levels (l,)."""
    return np.column_stack([x[0] for x in axis_positions(axes or neighbour.axes, _ONE, levels[None, :])])


def covariances(given: SteerInput, neighbour: Neighbour, levels: Floats, lean_variance: float) -> Floats:
    """Return the covariance (l, 3) of the difference of the two centres at levels (l,) [m²]: EE, EN, NN."""
    q2 = axis_variances(neighbour.axes, _ONE, levels[None, :])[0] + lean_variance * (given.level - levels) ** 2
    both = np.tile(given.difference(neighbour), (len(levels), 1))
    both[:, 0] += q2
    both[:, 2] += q2
    return both
