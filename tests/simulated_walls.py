"""Simulated walls drilled from design to the last pile, with and without steering and adjusted set-out.

The crew sees what it measures and nothing else: :func:`drill` hands the tool pickups and readings with their errors.
What is true stays in :class:`Drilled` and is looked at only when the wall stands. All of it is invented.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from builders import Row, Site, site_file, to_survey

from asbuilt.compute import setting_out, steering_advice
from asbuilt.compute.steering_input import steer_input
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers, Reconciliation

COMMENCE, CUT_OFF, FORMATION, INTERLOCK_TO, TOE = 4.0, 3.2, -8.0, -9.5, -12.0
DIAMETER, REQUIRED = 0.88, 0.05
#: Depths at which the lean is drawn anew [m]: the platform, four readings, the middle of the rest, the toe.
NODES = np.array([0.0, 2.0, 4.0, 7.0, 10.0, 13.0, 16.0])
READ = (2.0, 4.0, 7.0, 10.0)
#: Piles shot from one set-up.
SHARE_SETUP = 8
#: Attempts that a pile can have.
ATTEMPTS = 2
#: Arms of the comparison: steered, set out adjusted.
ARMS = {"neither": (False, False), "steering": (True, False), "set-out": (False, True), "both": (True, True)}


@dataclass(frozen=True, kw_only=True)
class World:
    """How an invented wall comes to stand. One standard deviation per component; lengths [m], leans [m per m]."""

    layout: str = "ring"
    """``ring`` or ``straight``."""
    piles: int = 24
    spacing: float = 0.75
    placing: tuple[float, float] = (0.012, 0.010)
    """Of primaries, of secondaries, about where they were set out."""
    lean: float = 0.003
    """At the start."""
    wander: float = 0.0003
    """Per square root of a metre drilled."""
    pickup: float = 0.005
    setup: float = 0.003
    reading: float = 0.001
    systematic: float = 0.0005
    """Common to all readings of a pile."""
    turn: float = 0.001
    """The most a casing is turned for each metre drilled."""
    turn_error: float = 0.2
    """Of a turn, as a share of it."""
    bends: bool = False
    """False: the casing stays straight, and the whole of it takes the lean that it has at the toe. True: what is
    drilled stays where it is, and a reading is the lean of the last stretch."""
    redrill: bool = False
    """At *stop and ask*: False, drilled on as it stands; True, pulled and drilled once more from the start."""

    def site(self) -> str:
        """Return the site file: the presets, which no world changes."""
        side = "" if self.layout == "ring" else 'pit_side = "left"'
        walls = f"[walls.A]\nclosed = {str(self.layout == 'ring').lower()}\n{side}"
        text = site_file(
            walls=walls,
            commence=COMMENCE,
            cut_off=CUT_OFF,
            formation=FORMATION,
            interlock_to=INTERLOCK_TO,
            overlap_mm=1000 * REQUIRED,
            more_tolerance="encroach_mm = 100",
            axis="stepped" if self.bends else "straight",
        )
        return f"{text}\n[steering]\nmm_per_m_per_metre = {1000 * self.turn}\n"

    def design(self) -> list[Row]:
        """Return the design rows, primaries and secondaries in turn."""
        if self.layout == "ring":
            angle = 2 * np.pi * np.arange(self.piles) / self.piles
            at = self.spacing / (2 * np.sin(np.pi / self.piles)) * np.column_stack([np.cos(angle), np.sin(angle)])
        else:
            at = self.spacing * np.arange(self.piles)[:, None] * (1.0, 0.0)
        return [
            {
                "pile_id": f"A{k + 1}",
                "wall": "A",
                "position": k + 1,
                "kind": "secondary" if k % 2 else "primary",
                "easting": 1000.0 + e,
                "northing": 2000.0 + n,
                "diameter_mm": 1000 * DIAMETER,
                "toe_level": TOE,
            }
            for k, (e, n) in enumerate(at)
        ]


@dataclass(frozen=True, kw_only=True)
class Draws:
    """All that chance decides, drawn before anything is drilled: the same for every arm. Standard normal."""

    placing: Floats
    """(n, attempts, 2)"""
    lean: Floats
    walk: Floats
    """(n, attempts, nodes − 1, 2) Change of lean over each stretch."""
    systematic: Floats
    reading: Floats
    """(n, attempts, readings, 2)"""
    turning: Floats
    """(n, attempts, nodes − 1, 2)"""
    pickup: Floats
    setup: Floats
    """(n, 2) Alike for the piles of a set-up."""

    @staticmethod
    def of(seed: int, piles: int) -> Draws:
        """Draw for a wall; the same for the same seed."""
        of = np.random.default_rng(seed).standard_normal
        each, reads = (piles, ATTEMPTS, 2), (piles, ATTEMPTS, len(READ), 2)
        stretches = (piles, ATTEMPTS, len(NODES) - 1, 2)
        return Draws(
            placing=of(each),
            lean=of(each),
            walk=of(stretches),
            systematic=of(each),
            reading=of(reads),
            turning=of(stretches),
            pickup=of(each),
            setup=of((piles, 2))[_setups(piles)],
        )

    @staticmethod
    def none(piles: int) -> Draws:
        """Return the draws of a wall without any error."""
        drawn = Draws.of(0, piles)
        return Draws(**{name: 0.0 * getattr(drawn, name) for name in drawn.__dataclass_fields__})


def _setups(piles: int) -> Integers:
    """Return the set-up of each pile: primaries and secondaries are shot on different days."""
    k = np.arange(piles)
    return k // 2 // SHARE_SETUP * 2 + k % 2


@dataclass(kw_only=True)
class Drilled:
    """A wall as it was drilled: what is true, what was measured, what the crew was told."""

    world: World
    centre: Floats
    """(n, 2) True centre at the commencing surface, site grid."""
    axis: Floats
    """(n, nodes, 2) True centre at each of :data:`NODES`."""
    set_out: Floats
    """(n, 2)"""
    pickups: list[Row] = field(default_factory=list)
    tilts: list[Row] = field(default_factory=list)
    approved: list[Row] = field(default_factory=list)
    answers: Counter[str] = field(default_factory=Counter)
    """How often the tool answered what."""
    why: Counter[str] = field(default_factory=Counter)
    """Reasons of *stop and ask*."""
    stopped: set[int] = field(default_factory=set)
    """Piles of which it was the answer at least once."""
    redrilled: int = 0

    def survey(self) -> Reconciliation:
        """Return what the tool makes of all that was measured so far."""
        rows = {"pickups": self.pickups, "tilts": self.tilts, "set_out": self.approved}
        return reconcile(to_survey(Site(toml=self.world.site(), design=self.world.design(), **rows)))


def drill(world: World, draws: Draws, *, steered: bool, adjusted: bool) -> Drilled:
    """Drill the primaries, then the secondaries, and return the wall.

    Parameters
    ----------
    world : World
    draws : Draws
    steered : bool
        Whether each reading is put to the tool and its answer followed.
    adjusted : bool
        Whether the centres that it advises for the secondaries are approved.
    """
    design = np.array([(row["easting"], row["northing"]) for row in world.design()])
    axis = np.full((len(design), len(NODES), 2), np.nan)
    wall = Drilled(world=world, centre=np.full_like(design, np.nan), axis=axis, set_out=design.copy())
    for kind in (0, 1):
        if kind and adjusted:
            _adjust(wall)
        mine = range(kind, len(design), 2)
        for k in mine:
            _place(wall, draws, k, 0)
        # each pile's neighbours are of the other kind: what is known of them is the same for all of this kind
        known = wall.survey() if steered else None
        for k in mine:
            _drill_pile(wall, draws, k, known)
    return wall


def _adjust(wall: Drilled) -> None:
    """Approve the centres that are advised, each as it is."""
    result = wall.survey()
    found = setting_out.advise(result)
    for at in np.flatnonzero(found.advised).tolist():
        k = int(found.pile[at])
        centre = np.array([found.e[at], found.n[at]]) + result.survey.origin
        wall.set_out[k] = centre
        row = {"pile_id": f"A{k + 1}", "easting": float(centre[0]), "northing": float(centre[1])}
        wall.approved.append({**row, "approved_by": "the engineer", "at": "2025-03-03T08:00"})


def _place(wall: Drilled, draws: Draws, k: int, attempt: int) -> Floats:
    """Put the casing of a pile down, shoot it, and return where it was shot (2,)."""
    world = wall.world
    wall.centre[k] = wall.set_out[k] + world.placing[k % 2] * draws.placing[k, attempt]
    shot: Floats = wall.centre[k] + world.pickup * draws.pickup[k, attempt] + world.setup * draws.setup[k]
    pile = f"A{k + 1}"
    wall.pickups = [row for row in wall.pickups if row["pile_id"] != pile]
    wall.pickups.append(
        {
            "point": pile,
            "pile_id": pile,
            "easting": float(shot[0]),
            "northing": float(shot[1]),
            "level": COMMENCE,
            "object": "casing",
            "setup": f"S{_setups(k + 1)[k]}",
            "surveyed_at": f"2025-03-0{2 + 2 * (k % 2)}T08:00",
        }
    )
    return shot


def _drill_pile(wall: Drilled, draws: Draws, k: int, known: Reconciliation | None) -> None:
    """Drill one pile to its toe; ``known``: what the tool has to go by, None where it is not asked."""
    given = None if known is None else steer_input(known, k)
    for attempt in range(ATTEMPTS if wall.world.redrill else 1):
        if attempt:
            wall.redrilled += 1
            wall.tilts = [row for row in wall.tilts if row["pile_id"] != f"A{k + 1}"]
            moved = _place(wall, draws, k, attempt) - known.survey.origin
            given = replace(given, centre=moved)
        if _to_the_toe(wall, draws, k, attempt, given):
            break


def _to_the_toe(wall: Drilled, draws: Draws, k: int, attempt: int, given: steering_advice.SteerInput | None) -> bool:
    """Drill one attempt of a pile; False where it is pulled on the way."""
    world, noise = wall.world, draws.reading[k, attempt]
    lean = np.empty((len(NODES), 2))
    lean[0] = world.lean * draws.lean[k, attempt]
    wanted, earlier = np.zeros(2), []
    for node in range(1, len(NODES)):
        length = NODES[node] - NODES[node - 1]
        turned = _turned(world, wanted, length)
        executed = turned + world.turn_error * np.hypot(*turned) * draws.turning[k, attempt, node - 1]
        walked = world.wander * np.sqrt(length) * draws.walk[k, attempt, node - 1]
        lean[node] = lean[node - 1] + executed + walked
        wanted = wanted - turned
        if NODES[node] not in READ:
            continue
        read = lean[node] + world.systematic * draws.systematic[k, attempt] + world.reading * noise[node - 1]
        wall.tilts.append(_tilt(k, float(NODES[node]), read))
        if given is None:
            continue
        reading = steering_advice.Lean(level=COMMENCE - float(NODES[node]), slope=read)
        advice = steering_advice.advise(given, reading, earlier)
        earlier.append(reading)
        wall.answers[advice.answer] += 1
        wanted = advice.correction if advice.answer == "correct" else np.zeros(2)
        if advice.answer == "stop and ask":
            wall.why[advice.why] += 1
            wall.stopped.add(k)
            if world.redrill and attempt + 1 < ATTEMPTS:
                return False
    wall.axis[k] = wall.centre[k] + _run(world, lean)
    return True


def _turned(world: World, wanted: Floats, length: float) -> Floats:
    """Return as much of the correction as can be made over a stretch."""
    size = float(np.hypot(*wanted))
    return wanted * min(1.0, world.turn * length / size) if size > 0 else np.zeros(2)


def _run(world: World, lean: Floats) -> Floats:
    """Return how far the true axis has run off at each node (nodes, 2) [m]."""
    if not world.bends:
        return np.outer(NODES, lean[-1])
    stretches = (lean[1:] + lean[:-1]) / 2.0 * np.diff(NODES)[:, None]
    return np.concatenate([np.zeros((1, 2)), np.cumsum(stretches, axis=0)])


def _tilt(k: int, depth: float, slope: Floats) -> Row:
    east, north = (1000 * slope).tolist()
    at = f"2025-03-0{2 + 2 * (k % 2)}T{9 + READ.index(depth):02}:00"
    return {
        "pile_id": f"A{k + 1}",
        "read_at": at,
        "depth": depth,
        "tilt_a": east,
        "tilt_b": north,
        "unit": "mm/m",
        "bearing_a_deg": 90.0,
        "bearing_b_deg": 0.0,
    }


# -------------------------------------------------------------------------------------------- what it came to


def true_overlaps(wall: Drilled) -> Floats:
    """Return the least true overlap of each joint from cut-off to where interlock is asked for (m,) [m].

    Both axes are straight between two nodes, so their distance is a convex function of level there: the greatest one
    stands at a node or at an end of the range. A leaning pile's horizontal section is taken as a circle.
    """
    depths = np.unique(np.r_[COMMENCE - CUT_OFF, NODES, COMMENCE - INTERLOCK_TO])
    depths = depths[(depths >= COMMENCE - CUT_OFF) & (depths <= COMMENCE - INTERLOCK_TO)]
    at = np.array([[np.interp(depths, NODES, axis[:, c]) for c in (0, 1)] for axis in wall.axis])
    following = np.roll(at, -1, axis=0)
    if wall.world.layout != "ring":
        at, following = at[:-1], following[:-1]
    apart = np.hypot(*np.moveaxis(following - at, 1, 0))
    least: Floats = DIAMETER - apart.max(axis=1)
    return least


def judged_sure_to(wall: Drilled) -> Floats:
    """Return down to which level each joint is sure as the tool judges the finished survey (m,) [m]; NaN: all down."""
    joints = wall.survey().joints
    assert joints["levels_known"].all()
    level: Floats = joints["sure_level"]
    return level


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one wall came to: joints lost, open and not sure, the rest counted over its piles."""

    joints: int
    piles: int
    lost: int
    """Less than asked for somewhere down to where interlock is asked for."""
    open: int
    """The circles do not touch there."""
    not_sure: int
    """Not sure somewhere down to formation, as the tool judges the finished survey."""
    missed: int
    """Lost, and judged to be sure all the way down."""
    corrections: int
    stopped: int
    """Piles at which the answer was *stop and ask* at least once."""
    stops: int
    cannot_turn: int
    """Of these answers, those where the correction is more than can still be turned."""
    redrilled: int
    moved: int


def outcome(wall: Drilled) -> Outcome:
    """Return what a wall came to."""
    least, sure_to = true_overlaps(wall), judged_sure_to(wall)
    lost = least < REQUIRED - 1e-9
    return Outcome(
        joints=len(least),
        piles=len(wall.centre),
        lost=int(lost.sum()),
        open=int((least < 0).sum()),
        not_sure=int((sure_to >= FORMATION).sum()),
        missed=int((lost & np.isnan(sure_to)).sum()),
        corrections=wall.answers["correct"],
        stopped=len(wall.stopped),
        stops=wall.answers["stop and ask"],
        cannot_turn=sum(count for why, count in wall.why.items() if why.startswith("the correction")),
        redrilled=wall.redrilled,
        moved=len(wall.approved),
    )
