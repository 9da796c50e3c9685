"""The demo wall itself: design, building programme and the truth that the surveys are drawn from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from planted import APPROVED, CASES, NO_RECORD

SEED = 70
SITE = tomllib.loads((Path(__file__).parent / "site.toml").read_text(encoding="utf-8"))
LEVELS = SITE["levels"]
COMMENCE = LEVELS["commence"]

DIAMETER, CORNER_DIAMETER, OVERLAP = 880, 1180, 160
TOE_A, TOE_B = -12.0, -8.0
MONDAY = datetime(2024, 9, 2)  # noqa: DTZ001 - times without an offset are the site's
WEEKS = 6

#: Placing and lean, one standard deviation per component: primaries, secondaries and others.
PLACING_MM = {"primary": 11.0, "secondary": 8.0, "other": 8.0}
LEAN_MM_PER_M = {"primary": 1.5, "secondary": 1.3, "other": 1.0}

#: Control points, site grid.
CONTROL = {
    "CP1": (1001.250, 2009.480),
    "CP2": (1019.870, 2041.330),
    "CP3": (1058.640, 2024.910),
    "CP4": (1043.120, 1991.760),
    "CP5": (1009.730, 1987.240),
}

Vector = np.ndarray


def rng(*stream: int) -> np.random.Generator:
    """Return a generator of its own for each stream: a change of one pile leaves the others as they are."""
    return np.random.default_rng([SEED, *stream])


def bearing(degrees: float) -> Vector:
    """Return the unit vector (E, N) of a bearing."""
    return np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])


@dataclass(frozen=True, kw_only=True)
class Pile:
    """One design pile. ``along`` and ``pit`` are unit vectors; ``turns`` marks where tilts need a bearing."""

    row: int
    pile_id: str
    wall: str
    position: int | None
    kind: str
    centre: Vector
    diameter: int
    cut_off: float
    toe: float
    status: str
    along: Vector
    pit: Vector
    turns: bool

    @property
    def case(self):
        """What is planted here; nothing for most."""
        return CASES.get(self.pile_id)

    @property
    def casing(self) -> int:
        """Outer diameter of the casing used [mm]."""
        return (self.case and self.case.casing) or self.diameter


@dataclass(frozen=True, kw_only=True)
class Truth:
    """Where a pile really is: centre at its design cut-off, slope [mm/m] towards the toe, toe level."""

    centre: Vector
    slope: Vector
    toe: float
    cut_off: float

    def at(self, level: float) -> Vector:
        """Return the true centre at ``level``."""
        return self.centre + self.slope / 1000 * (self.cut_off - level)


@dataclass(frozen=True, kw_only=True)
class Work:
    """When a pile was built and by which rig; ``week`` is the session that picks it up."""

    rig: str
    drilled_at: datetime
    concreted_at: datetime
    week: int


def _ring() -> list[tuple[Vector, int]]:
    """Return centre and diameter of wall A's piles: a closed rectangle, walked clockwise."""
    corner, found = np.array([1012.400, 2018.600]), []
    spacing = (DIAMETER - OVERLAP) / 1000
    to_corner = (DIAMETER + CORNER_DIAMETER) / 2000 - OVERLAP / 1000
    for direction, count in ((62.0, 39), (152.0, 25), (242.0, 39), (332.0, 25)):
        unit = bearing(direction)
        found.append((corner, CORNER_DIAMETER))
        found += [(corner + unit * (to_corner + k * spacing), DIAMETER) for k in range(count)]
        corner = corner + unit * (2 * to_corner + (count - 1) * spacing)
    return found


def _branch(start: Vector) -> list[Vector]:
    """Return the centres of wall B: it leaves wall A outwards and turns by 12 degrees half way."""
    spacing, centres, here = (DIAMETER - OVERLAP) / 1000, [], start
    for k in range(20):
        here = here + bearing(332.0 if k < 10 else 344.0) * spacing
        centres.append(here)
    return centres


def _frames(centres: list[Vector], closed: bool, turn: int) -> list[tuple[Vector, Vector, bool]]:
    """Return along, pit, and whether the wall turns by over 30 degrees; ``turn`` +1: pit on the right."""
    found, count = [], len(centres)
    for k, here in enumerate(centres):
        steps = []
        if closed or k > 0:
            steps.append(here - centres[k - 1])
        if closed or k < count - 1:
            steps.append(centres[(k + 1) % count] - here)
        units = [step / np.hypot(*step) for step in steps]
        along = sum(units) / np.hypot(*sum(units))
        pit = turn * np.array([along[1], -along[0]])
        found.append((along, pit, len(units) == 2 and float(units[0] @ units[1]) < np.cos(np.radians(30.0))))
    return found


def design() -> list[Pile]:
    """Return the design piles in the order of the design table, centres rounded as they are written."""
    ring = [(np.round(centre, 3), diameter) for centre, diameter in _ring()]
    frames = _frames([centre for k, (centre, _) in enumerate(ring) if k != 87], closed=True, turn=1)
    frames.insert(87, frames[86])
    piles = []

    def add(pile_id: str, wall: str, position: int | None, centre: Vector, frame: tuple, **more: object) -> None:
        along, pit, turns = frame
        row = {"kind": "primary", "diameter": DIAMETER, "toe": TOE_A, "status": "planned", **more}
        cut_off = SITE["walls"][wall].get("cut_off", LEVELS["cut_off"])
        piles.append(
            Pile(
                row=len(piles),
                pile_id=pile_id,
                wall=wall,
                position=position,
                centre=centre,
                cut_off=cut_off,
                along=along,
                pit=pit,
                turns=turns,
                **row,
            )
        )

    for k, (centre, diameter) in enumerate(ring, 1):
        add(
            f"A{k:03d}",
            "A",
            k,
            centre,
            frames[k - 1],
            diameter=diameter,
            toe=-9.0 if k == 95 else TOE_A,
            kind="secondary" if k % 2 == 0 else "primary",
            status="omitted" if k == 88 else "planned",
        )
    along, pit, _ = frames[87]
    reach = (DIAMETER + CORNER_DIAMETER) / 2000 - OVERLAP / 1000
    behind = np.sqrt(reach**2 - ((DIAMETER - OVERLAP) / 1000) ** 2)
    add(
        "A088X",
        "A",
        None,
        np.round(ring[87][0] - behind * pit, 3),
        (along, pit, True),
        kind="other",
        diameter=CORNER_DIAMETER,
        status="added",
    )
    branch = [np.round(centre, 3) for centre in _branch(ring[19][0])]
    for k, (centre, frame) in enumerate(zip(branch, _frames(branch, closed=False, turn=-1), strict=True), 1):
        add(f"B{k:02d}", "B", k, centre, frame, toe=TOE_B, kind="secondary" if k % 2 == 0 else "primary")
    return piles


def approved_centre(pile: Pile) -> Vector:
    """Return where the pile was meant to be drilled: its approved centre, else its design centre."""
    return np.round(pile.centre + pile.along * APPROVED.get(pile.pile_id, 0.0) / 1000, 3)


def truth(pile: Pile) -> Truth:
    """Draw where the pile really is; what is planted takes the place of what is drawn."""
    draw, case = rng(pile.row, 1), pile.case
    along, pit = draw.normal(0, PLACING_MM[pile.kind], 2)
    lean_along, lean_pit = draw.normal(0, LEAN_MM_PER_M[pile.kind], 2)
    toe = pile.toe - abs(draw.normal(0, 0.06))
    if case is not None:
        along, pit = (drawn if given is None else given for drawn, given in ((along, case.along), (pit, case.pit)))
        lean_along = lean_along if case.lean_along is None else case.lean_along
        lean_pit = lean_pit if case.lean_pit is None else case.lean_pit
        toe = toe if case.toe is None else case.toe
    return Truth(
        centre=np.round(approved_centre(pile) + (pile.along * along + pile.pit * pit) / 1000, 4),
        slope=np.round(pile.along * lean_along + pile.pit * lean_pit, 2),
        toe=round(float(toe), 2),
        cut_off=pile.cut_off,
    )


def _slots(piles: list[str], rig: str, week: int, first_day: int, per_day: int, found: dict[str, Work]) -> None:
    for k, pile_id in enumerate(piles):
        day, slot = divmod(k, per_day)
        start = MONDAY + timedelta(weeks=week, days=first_day + day, hours=9 + slot * 8.0 / per_day, minutes=10)
        found[pile_id] = Work(rig=rig, drilled_at=start, concreted_at=start + timedelta(minutes=85), week=week)


def programme() -> dict[str, Work]:
    """Return who drilled what and when: primaries early in a week, the secondaries between them late."""
    found: dict[str, Work] = {}
    for rig, first in (("R1", 1), ("R2", 67)):
        start = 0
        for week, count in enumerate((6, 6, 6, 5, 5, 5)):
            primaries = [first + 2 * k for k in range(start, start + count)]
            secondaries = [n + 1 if week == 0 else n - 1 for n in primaries]
            if week == 0:
                secondaries.pop()
            start += count
            _slots([f"A{n:03d}" for n in primaries], rig, week, 0, 3, found)
            _slots([f"A{n:03d}" for n in secondaries], rig, week, 3, 3, found)
    wednesdays = ((1, 3, 5, 7, 9), (2, 4, 6, 8, 11, 13), (10, 12, 15, 17, 19), (14, 16, 18, 20))
    for week, numbers in enumerate(wednesdays):
        names = [f"B{n:02d}" for n in numbers]
        _slots(names[:3], "R1", week, 2, 3, found)
        _slots([*names[3:], *["A088X"] * (week == 3)], "R2", week, 2, 3, found)
    # one primary cast late, so that a secondary cuts it young; one secondary drilled late, in old primaries
    _slots(["A117"], "R2", 4, 2, 1, found)
    found["A117"] = Work(
        rig="R2",
        drilled_at=found["A117"].drilled_at + timedelta(hours=7),
        concreted_at=found["A117"].concreted_at + timedelta(hours=7),
        week=4,
    )
    _slots(["A078"], "R2", 5, 2, 1, found)
    # not drilled at all, omitted, and still being drilled
    for pile_id in ("A066", "A088"):
        found.pop(pile_id, None)
    _slots(["A132"], "R2", 5, 4, 1, found)
    return found


def built(piles: list[Pile], programme_: dict[str, Work]) -> list[Pile]:
    """Return the piles that stand in the ground, finished or with a record missing."""
    unfinished = {"A132"}
    return [p for p in piles if p.pile_id in programme_ and p.pile_id not in unfinished and p.status != "omitted"]


def has_record(pile: Pile) -> bool:
    """Tell whether a drilling record was handed in."""
    return pile.pile_id not in NO_RECORD
