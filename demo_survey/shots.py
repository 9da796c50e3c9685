"""Six afternoons of pickups of the demo wall: the truth, each set-up's error and each shot's."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from planted import FACES, NO_PICKUP, SHOT_AS, TRIMMED
from wall import CONTROL, MONDAY, SITE, WEEKS, Pile, Truth, Work, bearing, rng
from writing import metres, stamp, table

U = SITE["uncertainty"]


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One surveyed point."""

    pile_id: str
    place: np.ndarray
    level: float
    shot: str
    object: str
    at: datetime
    setup: str
    sigma: float | None = None
    attempt: int = 1
    note: str = ""


class Session:
    """One afternoon of pickups: its set-ups with their common errors, its clock and its shots."""

    def __init__(self, week: int) -> None:
        self.week = week
        self.day = MONDAY + timedelta(weeks=week, days=4)
        self.shots: list[Shot] = []
        self.sigma: float | None = 8.0 if week == 2 else None  # one session was shot without a prism

    def open(self, number: int) -> None:
        """Set the instrument up: everything from here carries the same error."""
        self.setup = f"{self.day:%m%d}-{number}"
        self.error = rng(900, self.week, number).normal(0, U["setup_mm"] / 1000, 2)
        self.clock = self.day + timedelta(hours=16 + number, minutes=30 if number == 1 else 45)
        self.noise = rng(901, self.week, number)
        for k in (number, number + 2):
            # one check shot was keyed in with its decimal point lost
            level = 460.0 if (self.week, k) == (4, 1) else 4.60
            self.take("", np.array(CONTROL[f"CP{k}"]), level, obj="check", note=f"CP{k}")

    def take(
        self,
        pile_id: str,
        place: np.ndarray,
        level: float,
        *,
        shot: str = "centre",
        obj: str = "head",
        noise: np.random.Generator | None = None,
        attempt: int = 1,
        note: str = "",
    ) -> None:
        """Shoot one point: the truth, the set-up's error and this shot's."""
        sigma = self.sigma if self.sigma and obj != "check" else None
        error = (noise or self.noise).normal(0, (sigma or U["pickup_mm"]) / 1000, 2)
        self.clock += timedelta(minutes=1)
        self.shots.append(
            Shot(
                pile_id=pile_id,
                place=place + self.error + error,
                level=level,
                shot=shot,
                object=obj,
                at=self.clock,
                setup=self.setup,
                sigma=sigma,
                attempt=attempt,
                note=note,
            )
        )


def shoot(
    session: Session,
    pile: Pile,
    true: Truth,
    obj: str,
    edge: int,
    arc: float,
    *,
    shift: np.ndarray | None = None,
    repeat: int = 1,
    level: float | None = None,
    **more: object,
) -> None:
    """Shoot a pile's centre (``edge`` 0) or points on its rim over ``arc`` degrees."""
    draw = rng(pile.row, 2, session.week, {"casing": 0, "head": 1, "trimmed": 2, "face": 3}[obj])
    if level is None:
        level = {"casing": 4.30, "head": pile.cut_off + 0.30, "trimmed": pile.cut_off}[obj]
        level = round(level + (0 if obj == "trimmed" else draw.uniform(-0.06, 0.06)), 3)
    centre = true.at(level) + (0 if shift is None else shift)
    if not edge:
        for _ in range(repeat):
            session.take(pile.pile_id, centre, level, obj=obj, noise=draw, **more)
        return
    radius = (960 if pile.pile_id == "A073" else pile.casing) / 2000 + draw.normal(0, 0.002)
    step = arc / edge if arc == 360 else arc / (edge - 1)
    first = draw.uniform(0, 360) if obj != "face" else np.degrees(np.arctan2(*pile.pit)) - arc / 2
    for k in range(edge):
        rim = centre + radius * bearing(first + k * step)
        session.take(pile.pile_id, rim, level, shot="edge", obj=obj, noise=draw, **more)


def how_shot(pile: Pile, work: Work, week: int) -> tuple[str, int, float, int]:
    """Return object, shots on the edge, arc, repeats: the casing on the day it was drilled, else the head."""
    if pile.pile_id in SHOT_AS:
        return *SHOT_AS[pile.pile_id], 1
    draw = rng(pile.row, 3)
    casing = pile.wall == "B" or work.drilled_at.date() == (MONDAY + timedelta(weeks=week, days=4)).date()
    obj = "casing" if casing else "head"
    if week != 4 and draw.random() < (0.5 if casing else 0.12):
        edge = int(draw.integers(3, 9))
        return obj, edge, 360.0 if draw.random() < 0.5 else float(draw.integers(150, 300)), 1
    return obj, 0, 0.0, 2 if draw.random() < 0.15 else 1


def shoot_extras(session: Session, piles: dict[str, Pile], truths: dict[str, Truth], number: int) -> None:
    """Shoot what the session holds beside the week's piles: abandoned attempt, trimmed heads, faces."""
    if session.week == 4 and number == 1:
        pile = piles["A059"]
        shoot(session, pile, truths["A059"], "casing", 0, 0.0, shift=0.062 * pile.along - 0.018 * pile.pit)
    if session.week != WEEKS - 1:
        return
    for pile_id in TRIMMED:
        if (pile_id < "A066") == (number == 1):
            shoot(session, piles[pile_id], truths[pile_id], "trimmed", 0, 0.0)
    for pile_id, moved in FACES.items():
        if number == 2:
            pile = piles[pile_id]
            edge = 5 if pile_id == "B06" else 0
            shoot(session, pile, truths[pile_id], "face", edge, 110.0, shift=pile.pit * moved / 1000, level=0.90)


def shoot_due(session: Session, pile: Pile, work: Work, true: Truth) -> None:
    """Shoot a pile where its turn has come: in its own week, and some heads again when the casing is out."""
    taken = 0 if pile.pile_id == "A079" else work.week
    if taken == session.week:
        obj, edge, arc, repeat = how_shot(pile, work, session.week)
        # the rig leaned on A118's casing while it was shot; its head, a week later, tells
        shift = 0.052 * pile.along if pile.pile_id == "A118" else None
        attempt = 2 if pile.pile_id == "A059" else 1
        shoot(session, pile, true, obj, edge, arc, shift=shift, attempt=attempt, repeat=repeat)
        if pile.pile_id == "A070":  # the same head again, and another answer
            shoot(session, pile, true, obj, 0, 0.0, shift=0.046 * pile.along)
        return
    cased = work.drilled_at.weekday() == 4 and pile.wall == "A" and pile.pile_id not in SHOT_AS
    if taken == session.week - 1 and cased and (pile.row % 4 == 1 or pile.pile_id == "A118"):
        shoot(session, pile, true, "head", 0, 0.0)


def pickups(piles: list[Pile], works: dict[str, Work], truths: dict[str, Truth]) -> list[Session]:
    """Return the six sessions, each with a set-up for the first half of the pit wall and one for the rest."""
    by_id, sessions = {p.pile_id: p for p in piles}, []
    for week in range(WEEKS):
        session = Session(week)
        for number in (1, 2):
            session.open(number)
            for pile in piles:
                first_half = pile.wall == "A" and pile.pile_id < "A067"
                if pile.pile_id in works and pile.pile_id not in NO_PICKUP and first_half == (number == 1):
                    shoot_due(session, pile, works[pile.pile_id], truths[pile.pile_id])
            shoot_extras(session, by_id, truths, number)
        sessions.append(session)
    return sessions


def other_dialect(session: Session) -> str:
    """Write a session as the second instrument does: its own names, semicolons, decimal commas, codes."""
    codes = {"casing": "CAS", "head": "HD", "check": "CHK"}
    counts: dict[str, int] = {}
    rows: list[list[object]] = []
    for s in session.shots:
        counts[s.pile_id] = counts.get(s.pile_id, 0) + 1
        point = f"{s.pile_id}.{counts[s.pile_id]}" if s.pile_id else s.note
        numbers = [metres(v).replace(".", ",") for v in (*s.place, s.level)]
        rows.append([point, *numbers, codes[s.object], s.setup])
    return table("PtNo E_m N_m H_m Code setup", rows, ";")


def pickup_file(session: Session) -> tuple[str, str]:
    """Return one session's file by name; columns that no row needs are left out."""
    if session.week == 4:
        return f"pickups/tachy_{session.day:%Y%m%d}.csv", other_dialect(session)
    header = "point pile_id easting northing level shot object surveyed_at setup"
    sigma = any(s.sigma is not None for s in session.shots)
    attempt = any(s.attempt != 1 for s in session.shots)
    rows = []
    for k, s in enumerate(session.shots, 101):
        place = [metres(v) for v in (*s.place, s.level)]
        row = [s.note or k, s.pile_id, *place, s.shot, s.object, stamp(s.at), s.setup]
        rows.append(row + [s.sigma] * sigma + [s.attempt] * attempt)
    header += " sigma_mm" * sigma + " attempt" * attempt
    return f"pickups/{session.day:%Y-%m-%d}.csv", table(header, rows)
