"""What a lean read at the rig means: go on, correct by how much, or stop and ask; and what it does to each joint."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import SENSES, UNITS
from asbuilt.compute.steering import constraints_of, sure_window
from asbuilt.compute.steering_chance import chance_inside
from asbuilt.compute.steering_input import covariances, places, sounding_levels, vertex_levels
from asbuilt.compute.steering_window import BOUND, LIMIT, PIT, least_violation, window_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.compute.steering_input import Neighbour, SteerInput
    from asbuilt.compute.steering_window import Constraints, Window
    from asbuilt.model import Floats

__all__ = ["ANSWERS", "Advice", "GivenUp", "JointAtLean", "Lean", "Trend", "advise", "reader_values", "trend_of"]

ANSWERS = ("go on", "correct", "stop and ask")
_GO_ON, _CORRECT, _STOP = ANSWERS
#: Violations that differ by less [m] are the same: 0.01 mm.
_ALIKE_M = 1e-5
_SLACK_M = 1e-8


@dataclass(frozen=True, kw_only=True)
class Lean:
    """One reading, or the mean of ``count`` at one level: slope (2,) towards east and north [m per m], to the toe."""

    level: float
    slope: Floats
    count: int = 1


@dataclass(frozen=True, kw_only=True)
class Trend:
    """How the lean has changed with depth: straight line through all readings by least squares."""

    per_metre: Floats
    """(2,) Change of slope for each metre further down [m per m, per metre]."""
    sigma: float
    """Its standard uncertainty per component, from the readings alone."""
    last_change: Floats
    """(2,) The newest reading less the one above it [m per m]."""


@dataclass(frozen=True, kw_only=True)
class GivenUp:
    """What the least bad lean breaks."""

    what: str
    """Joint id, ``verticality`` or ``pit``."""
    level: float
    """[m]; NaN for verticality."""
    by: float
    """On the pile at that level, verticality at its toe [m]."""


@dataclass(frozen=True, kw_only=True)
class JointAtLean:
    """One joint with the pile at the lean given: overlap [m] and levels [m]; NaN without a reading, or for none."""

    neighbour: Neighbour
    least_overlap: float
    least_level: float
    lost_level: float
    """Highest level of the range at which the overlap is less than asked for."""
    sure: bool | None
    """Whether the chance reaches the confidence all along the range."""
    sigma: float
    """Standard uncertainty of the overlap at ``least_level``."""
    low: float
    high: float
    """Least overlap less and plus what the confidence makes of that uncertainty, one-sided."""
    model_low: float
    model_high: float
    """Least overlap under the least and the most kind of the lean models: the tube straight or stepped through its
    earlier readings, the neighbour under either of its own."""


@dataclass(frozen=True, kw_only=True)
class Advice:
    """The answer to a reading, with all that it rests on. Slopes [m per m], to the toe."""

    answer: str
    """One of :data:`ANSWERS`."""
    why: str
    reading: Lean | None
    inside: bool | None
    sure: bool | None
    margin: float
    """In the plain window: the least distance to its edge inside, minus that to the window outside; NaN without a
    reading, -inf where there is no window."""
    sure_margin: float
    """The same in the sure window."""
    nearest: Floats
    """(2,) The nearest lean of the sure window, else of the window, else the one with the least worst violation.

    Without a reading the nearest to plumb."""
    nearest_in: str
    """``sure window``, ``window`` or ``least violation``."""
    correction: Floats
    """(2,) ``nearest`` less the lean read; NaN without a reading."""
    can_turn: float
    """How much can still be turned over the remaining depth; NaN where it is not stated."""
    worst_violation: float
    """That of ``nearest`` where there is no window [m], else 0."""
    gives_up: tuple[GivenUp, ...]
    """What ``nearest`` breaks, the worst first; () where there is a window."""
    window: Window
    sure_window: Window
    joints: tuple[JointAtLean, ...]
    trend: Trend | None
    """None with fewer than two readings at different levels."""


def advise(given: SteerInput, reading: Lean | None, earlier: Sequence[Lean] = ()) -> Advice:
    """Return the answer to one reading of a pile that is being drilled.

    Parameters
    ----------
    given : SteerInput
    reading : Lean or None
        The newest reading; None: there is none.
    earlier : sequence of Lean
        Those above it, in any order. They tell the trend and the other lean model, not the answer.

    Notes
    -----
    Go on inside the sure window; correct outside it, while there is one and the correction is not more than can still
    be turned down to the toe; else stop and ask.
    """
    constraints = constraints_of(given)
    plain = window_of(constraints)
    # without a reading nothing below the centre is read
    read_to, count = (reading.level, reading.count) if reading else (given.level, 1)
    sure = sure_window(given, read_to=read_to, count=count)
    slope = reading.slope if reading else np.zeros(2)
    nearest, nearest_in, worst = slope, "least violation", 0.0
    if not plain.empty:
        nearest_in = "window" if sure.empty else "sure window"
        nearest = (plain if sure.empty else sure).nearest(slope)
    else:
        nearest, worst = least_violation(constraints)
    can_turn = given.turn * max(0.0, read_to - given.toe)
    given_up = _given_up(given, constraints, nearest) if plain.empty else ()
    correction = nearest - slope if reading else np.full(2, np.nan)
    answer, why = _answer(plain, sure, reading, float(np.hypot(*correction)), can_turn)
    return Advice(
        answer=answer,
        why=why,
        reading=reading,
        inside=bool(plain.contains(slope)) if reading else None,
        sure=bool(sure.contains(slope)) if reading else None,
        margin=float(plain.margin(slope)) if reading else np.nan,
        sure_margin=float(sure.margin(slope)) if reading else np.nan,
        nearest=nearest,
        nearest_in=nearest_in,
        correction=correction,
        can_turn=can_turn,
        worst_violation=max([worst, *(one.by for one in given_up)]),
        gives_up=given_up,
        window=plain,
        sure_window=sure,
        joints=tuple(_at_lean(given, one, reading, earlier) for one in given.neighbours),
        trend=trend_of([*earlier, reading], given.sigma_reading) if reading else None,
    )


def _answer(plain: Window, sure: Window, reading: Lean | None, correction: float, can_turn: float) -> tuple[str, str]:
    """Return the answer and why."""
    if reading is None:
        return _STOP, "there is no reading"
    if plain.empty:
        return _STOP, "no lean keeps every joint, the verticality limit and the pit clear"
    if sure.empty:
        return _STOP, "no lean is sure to keep every joint"
    if sure.contains(reading.slope):
        return _GO_ON, "inside the sure window"
    if correction > can_turn:
        return _STOP, "the correction is more than can still be turned over the remaining depth"
    if plain.contains(reading.slope):
        return _CORRECT, "inside the window, but not the sure one: an even chance at the edge"
    return _CORRECT, "outside the window"


def _given_up(given: SteerInput, c: Constraints, slope: Floats) -> tuple[GivenUp, ...]:
    """Return what a lean breaks: of each joint, of verticality and of the pit the worst, the worst of all first."""
    of = np.r_[c.of, np.full(len(c.offset), PIT), c.fixed_of]
    level = np.r_[c.level, c.line_level, c.fixed_level]
    by = np.r_[c.excess(slope[None, :])[0], c.fixed_excess]
    names = {LIMIT: "verticality", PIT: "pit"}
    found = []
    for one in np.unique(of[of != BOUND]).tolist():
        k = int(np.where(of == one, by, -np.inf).argmax())
        if by[k] > _SLACK_M:
            what = names.get(one) or given.neighbours[one].joint_id
            found.append(GivenUp(what=what, level=float(level[k]), by=float(by[k])))
    return tuple(sorted(found, key=lambda one: (-round(one.by / _ALIKE_M), one.what)))


# ---------------------------------------------------------------------------------------------- joint by joint


def _at_lean(given: SteerInput, one: Neighbour, reading: Lean | None, earlier: Sequence[Lean]) -> JointAtLean:
    """Return one joint with the pile at the lean read."""
    if reading is None:
        no = np.nan
        figures = dict.fromkeys(
            ("least_overlap", "least_level", "lost_level", "sigma", "low", "high", "model_low", "model_high"), no
        )
        return JointAtLean(neighbour=one, sure=None, **figures)
    reach = given.radius + one.radius
    levels = vertex_levels(one)
    w = _apart(given, one, levels, reading)
    distance = np.hypot(w[:, 0], w[:, 1])
    at = int(distance.argmax())
    variance = given.lean_variance(reading.level, reading.count)
    ee, en, nn = covariances(given, one, levels[[at]], variance)[0]
    e, n = w[at] / distance[at] if distance[at] > 0 else (1.0, 0.0)
    sigma = float(np.sqrt(e * e * ee + 2 * e * n * en + n * n * nn))
    least = reach - float(distance[at])
    band = NormalDist().inv_cdf(given.confidence) * sigma
    models = _under_models(given, one, reading, earlier)
    sounded = sounding_levels(given, one)
    chance = chance_inside(
        _apart(given, one, sounded, reading),
        np.full(len(sounded), reach - one.required),
        covariances(given, one, sounded, variance),
    )
    return JointAtLean(
        neighbour=one,
        least_overlap=least,
        least_level=float(levels[at]),
        lost_level=_highest_beyond(levels, w, reach - one.required),
        sure=bool(np.all(chance >= given.confidence)),
        sigma=sigma,
        low=least - band,
        high=least + band,
        model_low=min(models),
        model_high=max(models),
    )


def _apart(given: SteerInput, one: Neighbour, levels: Floats, reading: Lean) -> Floats:
    """Return the vector from the neighbour's centre to the pile's (l, 2) at levels (l,) [m], the tube straight."""
    apart: Floats = given.centre + np.outer(given.level - levels, reading.slope) - places(one, levels)
    return apart


def _under_models(given: SteerInput, one: Neighbour, reading: Lean, earlier: Sequence[Lean]) -> list[float]:
    """Return the least overlap under both lean models of either pile [m]: up to four figures."""
    steps = _steps([*earlier, reading])
    found = []
    for axes in (one.axes, one.other_axes):
        levels = vertex_levels(one, axes)
        breaks = np.array([step.level for step in steps[:-1]])
        breaks = breaks[(breaks < one.top) & (breaks > one.bottom)]
        levels = np.r_[levels, breaks]
        there = places(one, levels, axes)
        for moved in (np.outer(given.level - levels, reading.slope), _stepped(steps, given.level, levels)):
            away = given.centre + moved - there
            found.append(given.radius + one.radius - float(np.hypot(away[:, 0], away[:, 1]).max()))
    return found


def _steps(readings: Sequence[Lean]) -> list[Lean]:
    """Return readings from the top down, those of one level averaged."""
    at: dict[float, list[Lean]] = {}
    for one in readings:
        at.setdefault(round(one.level, 6), []).append(one)
    steps = []
    for level in sorted(at, reverse=True):
        count = sum(one.count for one in at[level])
        slope = np.sum([one.count * one.slope for one in at[level]], axis=0) / count
        steps.append(Lean(level=level, slope=slope, count=count))
    return steps


def _stepped(steps: list[Lean], start: float, levels: Floats) -> Floats:
    """Return the displacement (l, 2) from a level down, or up, to others: each reading holds up to the one above it."""
    foot = np.array([*(one.level for one in steps[:-1]), -np.inf])
    top = np.r_[np.inf, foot[:-1]]
    low, high = np.minimum(levels, start)[:, None], np.maximum(levels, start)[:, None]
    crossed = np.maximum(0.0, np.minimum(high, top) - np.maximum(low, foot))
    moved: Floats = np.sign(start - levels)[:, None] * (crossed @ np.array([one.slope for one in steps]))
    return moved


def _highest_beyond(levels: Floats, w: Floats, limit: float) -> float:
    """Return the highest level at which the distance exceeds ``limit`` [m]; w (l, 2) is linear between the levels."""
    distance = np.hypot(w[:, 0], w[:, 1])
    beyond = np.flatnonzero(distance > limit + _SLACK_M)
    if not len(beyond):
        return np.nan
    k = int(beyond[0])
    if k == 0:
        return float(levels[0])
    step = w[k] - w[k - 1]
    aa, bb, cc = float(step @ step), float(w[k - 1] @ step), float(distance[k - 1] ** 2 - limit**2)
    # it is kept at the upper end, beyond at the lower: one root lies between, the greater
    part = (-bb + np.sqrt(max(bb * bb - aa * cc, 0.0))) / aa
    return float(levels[k - 1] + min(max(part, 0.0), 1.0) * (levels[k] - levels[k - 1]))


# ------------------------------------------------------------------------------------------------ the readings


def trend_of(readings: Sequence[Lean], sigma_reading: float) -> Trend | None:
    """Return how the lean has changed with depth; None with fewer than two readings at different levels.

    ``sigma_reading``: standard uncertainty of one reading [m per m].
    """
    steps = _steps(readings)
    if len(steps) < 2:
        return None
    depth = -np.array([one.level for one in steps])
    slope, weight = np.array([one.slope for one in steps]), np.array([float(one.count) for one in steps])
    depth = depth - weight @ depth / weight.sum()
    square = float(weight @ depth**2)
    return Trend(
        per_metre=(weight * depth) @ slope / square,
        sigma=sigma_reading / square**0.5,
        last_change=steps[-1].slope - steps[-2].slope,
    )


def reader_values(
    slope: Floats,
    *,
    bearing_a_deg: float,
    bearing_b_deg: float | None = None,
    sense: str,
    unit: str,
    level_length_mm: float,
) -> tuple[float, float]:
    """Return a slope, or a correction, as the instrument shows it: readings a and b.

    Parameters
    ----------
    slope : (2,) array
        Towards east and north [m per m], to the toe.
    bearing_a_deg, bearing_b_deg : float
        Directions of the readings, clockwise from north; b by default 90 degrees clockwise of a.
    sense : str
        ``toe``: readings say where the toe goes; ``top``: where the top leans, which is the other way.
    unit : str
        One of the column dictionary's. 0 is plumb in every one, also in 1:n.
    level_length_mm : float
        Length of the level, for readings in mm.
    """
    other = bearing_a_deg + 90.0 if bearing_b_deg is None else bearing_b_deg
    angle = np.radians([bearing_a_deg, other])
    shown = np.linalg.solve(np.array([np.sin(angle), np.cos(angle)]), slope)
    if sense == SENSES[1]:
        shown = -shown
    a, b = (_in_unit(float(value), unit, level_length_mm) for value in shown)
    return a, b


def _in_unit(slope: float, unit: str, level_length_mm: float) -> float:
    """Return a slope [m per m] in a unit of the column dictionary."""
    if unit == UNITS[1]:
        return 1.0 / slope if slope else 0.0
    if unit == UNITS[3]:
        return float(np.degrees(np.arctan(slope)))
    return slope * {UNITS[0]: 1000.0, UNITS[2]: 100.0, UNITS[4]: level_length_mm}[unit]
