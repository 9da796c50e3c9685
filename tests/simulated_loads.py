"""Simulated days: a load of 24 piles, clean or with one seeded blunder, beside what the folder already holds.

Clean: piles scatter by 12 mm per component about their design centres, every set-up by 4 mm, every shot by its own
5 mm; leans by 1.5 mm/m from pile to pile and 1 mm/m from reading to reading. All of it invented.
"""

from __future__ import annotations

import itertools
import math
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from builders import Row, Site, site_file, straight_wall, to_survey

from asbuilt.commands.trial import error_findings
from asbuilt.compute.blunders import LOADS, search_load
from asbuilt.errors import InputError
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.model import Finding, Survey, Table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

NOW = np.datetime64("2026-03-20T18:00", "ms")
PLACING, SETUP, SHOT = 0.012, 0.004, 0.005
LEAN, WANDER = 1.5, 0.3
BEARING = 30.0
_SIN, _COS = math.sin(math.radians(BEARING)), math.cos(math.radians(BEARING))
#: East and north to the two directions of the readings.
ALONG = np.array([[_SIN, _COS], [_COS, -_SIN]])
SPACING, RADIUS = 0.75, 0.44
PILES = 24
LOAD = "pickups/new.csv"
DEPTHS = (2.0, 5.0, 9.0, 13.0)
CONTROL = {"CP1": (480.0, 1990.0), "CP2": (560.0, 2035.0), "CP3": (505.0, 2060.0)}


def pit(across: float = 40.0, along: float = 25.0, e0: float = 500.0, n0: float = 2000.0) -> list[Row]:
    """Design rows of a closed wall around a rectangle of about ``across`` by ``along`` metres."""
    corners = [(0.0, 0.0), (across, 0.0), (across, along), (0.0, along), (0.0, 0.0)]
    points = []
    for (e1, n1), (e2, n2) in itertools.pairwise(corners):
        count = round(math.hypot(e2 - e1, n2 - n1) / SPACING)
        points += [(e1 + (e2 - e1) * k / count, n1 + (n2 - n1) * k / count) for k in range(count)]
    return [
        {
            "pile_id": f"P{k + 1:03d}",
            "wall": "A",
            "position": k + 1,
            "kind": "secondary" if k % 2 else "primary",
            "easting": e0 + e,
            "northing": n0 + n,
            "diameter_mm": 2000 * RADIUS,
            "toe_level": -14.0,
        }
        for k, (e, n) in enumerate(points)
    ]


def line(length: float = 40.0) -> list[Row]:
    """Design rows of a straight open wall."""
    count = round(length / SPACING) + 1
    rows = straight_wall(count)
    return [
        {**row, "easting": 500.0 + SPACING * k * 0.8, "northing": 2000.0 + SPACING * k * 0.6}
        for k, row in enumerate(rows)
    ]


@dataclass
class Day:
    """One day: rows that are in the folder (``old``) and rows of the load, to be spoiled before :meth:`search`."""

    rng: np.random.Generator
    site: Site
    chosen: list[int]
    old: list[Row]
    pickups: list[Row]
    tilts: list[Row]
    control: bool = True
    old_tilts: list[Row] = field(default_factory=list)
    profiles: list[Row] = field(default_factory=list)
    records: list[Row] = field(default_factory=list)
    old_records: list[Row] = field(default_factory=list)

    def search(self) -> tuple[Finding, ...]:
        if not {row.get("pile_id") for row in self.pickups} <= {None, *(row["pile_id"] for row in self.site.design)}:
            return self._refused()
        tables = {
            "pickups": (self.old, self.pickups),
            "tilts": (self.old_tilts, self.tilts),
            "profiles": ([], self.profiles),
            "records": (self.old_records, self.records),
        }
        survey = to_survey(replace(self.site, **{name: [*old, *new] for name, (old, new) in tables.items()}))
        fresh = {name: np.zeros(len(getattr(survey, name)), dtype=bool) for name in LOADS}
        for name, (old, _) in tables.items():
            fresh[name][len(old) :] = True
        return search_load(with_control(survey) if self.control else survey, fresh, now=NOW)

    def _refused(self) -> tuple[Finding, ...]:
        """What the reader finds wrong in the load's pickups: such a load is searched no further."""
        text = _csv(self.pickups, ("point", "pile_id", "easting", "northing", "level", "surveyed_at", "object"))
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            (folder / "design").mkdir()
            (folder / "site.toml").write_text(self.site.toml, encoding="utf-8")
            (folder / "design" / "piles.csv").write_text(_csv(self.site.design, self.site.design[0]), encoding="utf-8")
            try:
                read_survey(folder, extra=[Source(path=LOAD, table="pickups", data=text.encode())])
            except InputError as error:
                names = [row.get("pile_id") for row in self.pickups]
                return tuple(error_findings(error.problems, lambda _path, line: names[line - 2]))
        return ()

    def design(self, place: int) -> tuple[float, float]:
        row = self.site.design[place]
        return row["easting"], row["northing"]

    def heads(self) -> list[Row]:
        """The load's shots on piles."""
        return [row for row in self.pickups if row.get("pile_id")]


def _csv(rows: list[Row], columns: Iterable[str]) -> str:
    lines = [columns, *([str(row.get(name) or "") for name in columns] for row in rows)]
    return "".join(",".join(line) + "\n" for line in lines)


def with_control(survey: Survey) -> Survey:
    """Return the survey with the control points of :data:`CONTROL`."""
    count = len(CONTROL)
    place = np.array(list(CONTROL.values()))
    columns: dict[str, Any] = {
        "point": np.array(list(CONTROL), dtype=object),
        "easting": place[:, 0],
        "northing": place[:, 1],
        "map_e": place[:, 0] + 500_000.0,
        "map_n": place[:, 1] + 6_000_000.0,
        "sigma_mm": np.full(count, 2.0),
    }
    none = np.full(count, -1, dtype=np.int32)
    table = Table(name="control", columns=columns, file=none, line=np.arange(2, count + 2, dtype=np.int32), pile=none)
    return replace(survey, control=table)


_SITES = {
    "pit": (pit, site_file(walls="[walls.A]\nclosed = true")),
    "line": (line, site_file()),
}
_MADE: dict[str, Site] = {}


def site_of(shape: str) -> Site:
    if shape not in _MADE:
        design, text = _SITES[shape]
        _MADE[shape] = Site(toml=text, design=design())
    return _MADE[shape]


def shot(name: str, place: tuple[float, float], rng: np.random.Generator, **more: Any) -> Row:
    e, n = place[0] + rng.normal(0, SHOT), place[1] + rng.normal(0, SHOT)
    row = {"point": name, "easting": e, "northing": n, "level": 3.4 + rng.normal(0, 0.02), "object": "head", **more}
    return {"surveyed_at": "2026-03-20T16:00", **row}


def _a_load(
    site: Site, chosen: list[int], rng: np.random.Generator, *, file: str, at: str, checks: bool
) -> list[Row]:
    setup = rng.normal(0, SETUP, 2)
    rows = []
    for number, place in enumerate(chosen):
        row = site.design[place]
        true = np.array([row["easting"], row["northing"]]) + rng.normal(0, PLACING, 2) + setup
        rows.append(shot(f"{100 + number}", tuple(true), rng, pile_id=row["pile_id"], file=file, surveyed_at=at))
    for name in list(CONTROL)[: 2 if checks else 0]:
        true = np.array(CONTROL[name]) + setup
        rows.append(shot(name, tuple(true), rng, object="check", file=file, surveyed_at=at))
    return rows


def a_day(seed: int, *, shape: str = "pit", piles: int = PILES, earlier: int = 0, checks: bool = True) -> Day:
    """Return a clean day: ``piles`` spread over the wall, after ``earlier`` loads of other piles."""
    rng = np.random.default_rng(seed)
    site = site_of(shape)
    order = rng.permutation(len(site.design))
    # a load covers the wall from end to end; earlier loads took other piles
    step = len(site.design) / piles
    chosen = sorted({min(int(step * (k + rng.uniform(0, 0.99))), len(site.design) - 1) for k in range(piles)})
    others = [int(k) for k in order if k not in set(chosen)]
    old = []
    for number in range(earlier):
        some = sorted(others[number::earlier][:20])
        at = f"2026-03-{number + 2:02d}T16:00"
        old += _a_load(site, some, rng, file=f"pickups/old{number}.csv", at=at, checks=checks)
    pickups = _a_load(site, chosen, rng, file=LOAD, at="2026-03-20T16:00", checks=checks)
    tilts, profiles = [], []
    for number, place in enumerate(chosen[::4]):
        lean = rng.normal(0, LEAN, 2)
        tilts += readings(site, place, rng, [lean] * len(DEPTHS))
        if number < 2:
            profiles += a_profile(site, place, rng, ALONG.T @ lean)
    old_tilts = [
        {**row, "file": f"tilts/old{number}.csv", "read_at": row["read_at"].replace("2026-03", "2026-02")}
        for number in range(earlier)
        for place in others[number::earlier][:4]
        for row in readings(site, place, rng, [rng.normal(0, LEAN, 2)] * len(DEPTHS))
    ]
    return Day(
        rng=rng,
        site=site,
        chosen=chosen,
        old=old,
        pickups=pickups,
        tilts=tilts,
        old_tilts=old_tilts,
        profiles=profiles,
        records=[record(site, place) for place in chosen],
        old_records=[record(site, place, file="records/old.csv") for place in others[:20]] if earlier else [],
    )


def a_profile(site: Site, place: int, rng: np.random.Generator, lean: np.ndarray) -> list[Row]:
    """A profile of one pile every metre: its lean, its wander with depth, and 2 mm of its own at each row."""
    depths = np.arange(1.0, 17.0)
    slope = lean[:, None] + np.cumsum(rng.normal(0, WANDER, (2, len(depths))), axis=1)
    offset = np.cumsum(slope, axis=1) + rng.normal(0, 2.0, (2, len(depths)))
    return [
        {
            "pile_id": site.design[place]["pile_id"],
            "read_at": "2026-03-20T09:00",
            "depth": float(depth),
            "off_e_mm": round(float(e), 1),
            "off_n_mm": round(float(n), 1),
            "file": "profiles/new.csv",
        }
        for depth, e, n in zip(depths, *offset, strict=True)
    ]


def record(site: Site, place: int, file: str = "records/new.csv") -> Row:
    """The record of one pile, drilled before it was shot."""
    return {
        "pile_id": site.design[place]["pile_id"],
        "drilled_at": "2026-02-20T11:00",
        "concreted_at": "2026-02-20T15:00",
        "toe_level": -14.0,
        "file": file,
    }


def readings(site: Site, place: int, rng: np.random.Generator, leans: list[np.ndarray]) -> list[Row]:
    """Lean readings of one pile at the depths of :data:`DEPTHS`, read to 0.1 mm/m."""
    return [
        {
            "pile_id": site.design[place]["pile_id"],
            "read_at": f"2026-03-{10 + place % 9:02d}T{8 + k:02d}:00",
            "depth": depth,
            "tilt_a": round(float(lean[0] + rng.normal(0, 1.0)), 1),
            "tilt_b": round(float(lean[1] + rng.normal(0, 1.0)), 1),
            "unit": "mm/m",
            "bearing_a_deg": BEARING,
            "file": "tilts/new.csv",
        }
        for k, (depth, lean) in enumerate(zip(DEPTHS, leans, strict=True))
    ]


# ---- blunders: each spoils a day and returns the item (pile, point or file) that the finding must name


def _one(day: Day) -> Row:
    return day.heads()[int(day.rng.integers(len(day.heads())))]


def _direction(day: Day) -> np.ndarray:
    angle = day.rng.uniform(0, 2 * math.pi)
    return np.array([math.sin(angle), math.cos(angle)])


def _move(row: Row, by: np.ndarray) -> None:
    row["easting"] += float(by[0])
    row["northing"] += float(by[1])


def exchanged_row(day: Day, _size: float) -> str:
    row = _one(day)
    row["easting"], row["northing"] = row["northing"], row["easting"]
    return row["pile_id"]


def exchanged_file(day: Day, _size: float) -> str:
    for row in day.pickups:
        row["easting"], row["northing"] = row["northing"], row["easting"]
    return LOAD


def unit_row(day: Day, size: float) -> str:
    row = _one(day)
    row["easting"], row["northing"] = row["easting"] / size, row["northing"] / size
    return row["pile_id"]


def unit_file(day: Day, size: float) -> str:
    for row in day.pickups:
        row["easting"], row["northing"] = row["easting"] / size, row["northing"] / size
    return LOAD


def wrong_pile(day: Day, size: float) -> str:
    """Another pile's name, ``size`` positions on."""
    row = _one(day)
    names = [one["pile_id"] for one in day.site.design]
    at = names.index(row["pile_id"])
    row["pile_id"] = names[at + int(size)] if at + int(size) < len(names) else names[at - int(size)]
    return row["pile_id"]


def no_such_pile(day: Day, _size: float) -> str:
    """A slip of the keys: a letter for a digit, a digit left out or struck twice, so that no pile has the name."""
    row, name = _one(day), ""
    names = {one["pile_id"] for one in day.site.design}
    while not name or name in names:
        at = int(day.rng.integers(1, len(row["pile_id"])))
        digit = row["pile_id"][at]
        slip = day.rng.choice(["O" if digit == "0" else "l", "", 2 * digit])
        name = row["pile_id"][:at] + str(slip) + row["pile_id"][at + 1 :]
    row["pile_id"] = name
    return name


def swapped_names(day: Day, _size: float) -> str:
    one, other = (day.heads()[k] for k in day.rng.choice(len(day.heads()), 2, replace=False))
    one["pile_id"], other["pile_id"] = other["pile_id"], one["pile_id"]
    return one["pile_id"]


def far(day: Day, size: float) -> str:
    row = _one(day)
    _move(row, size * _direction(day))
    return row["pile_id"]


def edge_as_centre(day: Day, _size: float) -> str:
    row = _one(day)
    _move(row, RADIUS * _direction(day))
    return row["pile_id"]


def repeated_here(day: Day, size: float) -> str:
    """The same pile again in the same set-up, ``size`` metres off."""
    row = dict(_one(day))
    row["point"] = "again"
    _move(row, size * _direction(day) + day.rng.normal(0, SHOT, 2))
    day.pickups.append(row)
    return row["pile_id"]


def repeated_before(day: Day, size: float) -> str:
    """The same pile in an earlier load, ``size`` metres off; 0 is no blunder."""
    new = _one(day)
    row = {**new, "file": "pickups/before.csv", "point": "before", "surveyed_at": "2026-03-01T16:00"}
    _move(row, size * _direction(day) + day.rng.normal(0, SHOT, 2) + day.rng.normal(0, SETUP, 2) * math.sqrt(2))
    day.old.append(row)
    return row["pile_id"]


def level_point(day: Day, _size: float) -> str:
    row = _one(day)
    row["level"] = row["level"] * 10.0
    return row["pile_id"]


def edge_radius(day: Day, size: float) -> str:
    """Six shots on an edge ``size`` metres larger in radius."""
    return _rim(day, 6, RADIUS + size)


def too_few(day: Day, _size: float) -> str:
    return _rim(day, 2, RADIUS)


def edge_slip(day: Day, size: float) -> str:
    """Six shots on the edge, one of them ``size`` metres inside it."""
    name = _rim(day, 6, RADIUS)
    row = next(row for row in day.pickups if row.get("pile_id") == name)
    place = next(k for k, one in enumerate(day.site.design) if one["pile_id"] == name)
    inwards = np.array(day.design(place)) - (row["easting"], row["northing"])
    _move(row, size * inwards / np.hypot(*inwards))
    return name


def _rim(day: Day, count: int, radius: float) -> str:
    row = _one(day)
    day.pickups.remove(row)
    start = day.rng.uniform(0, 2 * math.pi)
    for k in range(count):
        angle = start + 2 * math.pi * k / count
        place = (row["easting"] + radius * math.sin(angle), row["northing"] + radius * math.cos(angle))
        more = {"pile_id": row["pile_id"], "file": LOAD, "shot": "edge", "level": row["level"]}
        day.pickups.append(shot(f"e{k}", place, day.rng, **more))
    return row["pile_id"]


def clean_rim(day: Day, _size: float) -> str:
    return _rim(day, 6, RADIUS)


def future(day: Day, size: float) -> str:
    row = _one(day)
    row["surveyed_at"] = str(NOW + np.timedelta64(int(size), "D"))
    return row["pile_id"]


def shift(day: Day, size: float) -> str:
    by = size * _direction(day)
    for row in day.pickups:
        _move(row, by)
    return LOAD


def turn(day: Day, size: float) -> str:
    """Turned by ``size`` degrees about the middle of the wall."""
    return _similar(day, angle=math.radians(size) * day.rng.choice((-1, 1)))


def turn_at_end(day: Day, size: float) -> str:
    """Turned by ``size`` degrees about an end of the wall."""
    return _similar(day, angle=math.radians(size) * day.rng.choice((-1, 1)), about=day.design(0))


def scale(day: Day, size: float) -> str:
    """Too large or too small by ``size`` parts per million."""
    return _similar(day, factor=1.0 + size * 1e-6 * day.rng.choice((-1, 1)))


def _similar(day: Day, *, angle: float = 0.0, factor: float = 1.0, about: tuple[float, float] | None = None) -> str:
    middle = np.mean([day.design(k) for k in range(len(day.site.design))], axis=0) if about is None else np.array(about)
    matrix = factor * np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    for row in day.pickups:
        place = matrix @ (np.array([row["easting"], row["northing"]]) - middle) + middle
        row["easting"], row["northing"] = float(place[0]), float(place[1])
    return LOAD


def inwards(day: Day, size: float) -> str:
    """No blunder of the survey: every pile ``size`` metres towards the pit."""
    middle = np.mean([day.design(k) for k in range(len(day.site.design))], axis=0)
    low = np.min([day.design(k) for k in range(len(day.site.design))], axis=0)
    for row in day.heads():
        rel = (np.array([row["easting"], row["northing"]]) - middle) / (middle - low)
        axis = int(np.argmax(np.abs(rel)))
        by = np.zeros(2)
        by[axis] = -np.sign(rel[axis]) * size
        _move(row, by)
    return LOAD


def check_point(day: Day, size: float) -> str:
    row = next(row for row in day.pickups if row["point"] == "CP1")
    _move(row, size * _direction(day))
    return "CP1"


def check_again(day: Day, size: float) -> str:
    """No control table; CP1 and CP2 were shot from another set-up before, CP1 ``size`` metres elsewhere."""
    day.control = False
    setup = day.rng.normal(0, SETUP, 2)
    for name in ("CP1", "CP2"):
        true = np.array(CONTROL[name]) + setup
        more = {"object": "check", "file": "pickups/before.csv", "surveyed_at": "2026-03-01T16:00"}
        day.old.append(shot(name, tuple(true), day.rng, **more))
    return check_point(day, size)


def no_control(day: Day, _size: float) -> str:
    day.control = False
    return ""


def closing(day: Day, size: float) -> str:
    """CP1 shot again at the end of the day, ``size`` metres off where the set-up had it; 0 is no blunder."""
    first = next(row for row in day.pickups if row["point"] == "CP1")
    place = np.array([first["easting"], first["northing"]]) + day.rng.normal(0, SHOT, 2) + size * _direction(day)
    day.pickups.append({**first, "easting": place[0], "northing": place[1], "surveyed_at": "2026-03-20T17:30"})
    return "CP1"


def exported_again(day: Day, _size: float) -> str:
    """No blunder: the first twelve rows of the load stand in a file of the folder already."""
    day.old += [{**row, "file": "pickups/before.csv"} for row in day.pickups[:12]]
    return LOAD


def worked_out_anew(day: Day, size: float) -> str:
    """The first twelve shots of the load are in the folder already, ``size`` metres off."""
    by = size * _direction(day)
    for row in day.heads()[:12]:
        day.old.append({**row, "file": "pickups/before.csv"})
        _move(day.old[-1], by)
    return LOAD


def steep(day: Day, size: float) -> str:
    row = day.tilts[int(day.rng.integers(len(day.tilts)))]
    row["tilt_a"] = size
    return row["pile_id"]


def sign_flip(day: Day, size: float) -> str:
    """A pile that leans by ``size`` mm/m, one reading of which has both signs turned."""
    place = day.chosen[1]
    lean = size * _direction(day)
    rows = readings(day.site, place, day.rng, [lean] * len(DEPTHS))
    row = rows[int(day.rng.integers(1, len(rows)))]
    row["tilt_a"], row["tilt_b"] = -row["tilt_a"], -row["tilt_b"]
    day.tilts += rows
    return day.site.design[place]["pile_id"]


def copied(day: Day, size: float) -> str:
    """The last ``size`` readings of a pile repeat one another."""
    rows = day.tilts[: len(DEPTHS)]
    for row in rows[-int(size) :]:
        row["tilt_a"], row["tilt_b"] = rows[-1]["tilt_a"], rows[-1]["tilt_b"]
    return rows[0]["pile_id"]


def copied_pile(day: Day, _size: float) -> str:
    """All readings of one pile stand under another one too."""
    for one, other in zip(day.tilts[: len(DEPTHS)], day.tilts[len(DEPTHS) : 2 * len(DEPTHS)], strict=True):
        other["tilt_a"], other["tilt_b"] = one["tilt_a"], one["tilt_b"]
    return day.tilts[len(DEPTHS)]["pile_id"]


def out_of_order(day: Day, _size: float) -> str:
    one, other = day.tilts[1], day.tilts[2]
    one["read_at"], other["read_at"] = other["read_at"], one["read_at"]
    return one["pile_id"]


def leans_in(day: Day, unit: str) -> str:
    """All leans of the load written in ``unit``, under the heading mm/m."""
    for row in day.tilts:
        for name in ("tilt_a", "tilt_b"):
            lean = row[name] or 0.1
            row[name] = {
                "deg": round(math.degrees(math.atan(lean / 1000.0)), 3),
                "%": round(lean / 10.0, 2),
                "1:n": round(1000.0 / lean),
            }[unit]
    return "tilts/new.csv"


def degrees(day: Day, _size: float) -> str:
    return leans_in(day, "deg")


def percent(day: Day, _size: float) -> str:
    return leans_in(day, "%")


def one_in(day: Day, _size: float) -> str:
    return leans_in(day, "1:n")


def as_percent(day: Day, _size: float) -> str:
    """All leans of the load in mm/m, under the heading %."""
    for row in day.tilts:
        row["unit"] = "%"
    return "tilts/new.csv"


def too_deep(day: Day, size: float) -> str:
    row = day.tilts[int(day.rng.integers(1, len(day.tilts) // len(DEPTHS))) * len(DEPTHS) - 1]
    row["depth"] = size
    return row["pile_id"]


def sign_of_level(day: Day, _size: float) -> str:
    row = _one(day)
    row["level"] = -row["level"]
    return row["pile_id"]


def sign_of_easting(day: Day, _size: float) -> str:
    for row in day.pickups:
        row["easting"] = -row["easting"]
    return LOAD


def profile_unit(day: Day, size: float) -> str:
    """The offsets of one profile in a unit of ``size`` mm."""
    rows = _first_profile(day)
    for row in rows:
        row["off_e_mm"], row["off_n_mm"] = row["off_e_mm"] / size, row["off_n_mm"] / size
    return rows[0]["pile_id"]


def profile_turned(day: Day, size: float) -> str:
    """A pile that leans by ``size`` mm/m, whose profile has both signs turned."""
    place, lean = day.chosen[1], size * _direction(day)
    day.tilts += readings(day.site, place, day.rng, [ALONG @ lean] * len(DEPTHS))
    day.profiles += a_profile(day.site, place, day.rng, -lean)
    return day.site.design[place]["pile_id"]


def _first_profile(day: Day) -> list[Row]:
    return [row for row in day.profiles if row["pile_id"] == day.profiles[0]["pile_id"]]


def other_toe(day: Day, size: float) -> str:
    """The record of a pile is in the folder already, with a toe ``size`` metres higher."""
    row = day.records[int(day.rng.integers(len(day.records)))]
    day.old_records.append({**row, "file": "records/before.csv", "toe_level": row["toe_level"] + size})
    return row["pile_id"]


def years_ago(day: Day, size: float) -> str:
    row = _one(day)
    row["surveyed_at"] = str(NOW - np.timedelta64(int(size), "D"))
    return row["pile_id"]


def load_a_year_back(day: Day, _size: float) -> str:
    """A load of this March is in the folder, and the new one says March of the year before."""
    names = [k for k in range(len(day.site.design)) if k not in set(day.chosen)][:8]
    day.old += _a_load(day.site, names, day.rng, file="pickups/before.csv", at="2026-03-04T16:00", checks=True)
    for row in day.pickups:
        row["surveyed_at"] = row["surveyed_at"].replace("2026-03-20", "2025-03-20")
    return LOAD


def checks_alike(day: Day, size: float) -> str:
    """Both check shots off by ``size`` metres, the same way."""
    by = size * _direction(day)
    for row in day.pickups:
        if row["object"] == "check":
            _move(row, by)
    return "CP1"


@dataclass(frozen=True)
class Blunder:
    """One row of the table: what is done, which kinds count as found, the share asked for (None: none)."""

    says: str
    spoil: Callable[[Day, float], str]
    size: float
    kinds: tuple[str, ...]
    asked: float | None = None
    shape: str = "pit"


FAR = ("far_from_design", "wrong_pile", "edge_as_centre")
GROSS = 0.99
WHOLE = 0.95

BLUNDERS = (
    Blunder("easting and northing exchanged, one pile", exchanged_row, 0, ("exchanged_coordinates",), GROSS),
    Blunder("easting and northing exchanged, whole file", exchanged_file, 0, ("exchanged_coordinates",), GROSS),
    Blunder("millimetres, one pile", unit_row, 0.001, ("wrong_unit",), GROSS),
    Blunder("millimetres, whole file", unit_file, 0.001, ("wrong_unit",), GROSS),
    Blunder("feet, whole file", unit_file, 0.3048, ("wrong_unit",), GROSS),
    Blunder("name of the next pile, 0.75 m", wrong_pile, 1, ("wrong_pile",), GROSS),
    Blunder("name of a pile 18 positions on", wrong_pile, 18, ("wrong_pile",), GROSS),
    Blunder("a name that no pile has", no_such_pile, 0, ("unknown_pile",), GROSS),
    Blunder("names of two piles swapped", swapped_names, 0, ("wrong_pile",), GROSS),
    Blunder("edge shot taken for the centre, 440 mm", edge_as_centre, 0, ("edge_as_centre",), GROSS),
    Blunder("one pile off by 50 mm", far, 0.05, FAR),
    Blunder("one pile off by 75 mm", far, 0.075, FAR),
    Blunder("one pile off by 100 mm", far, 0.1, FAR),
    Blunder("one pile off by 0.15 m", far, 0.15, FAR, GROSS),
    Blunder("one pile off by 0.5 m", far, 0.5, FAR, GROSS),
    Blunder("one pile off by 1 m", far, 1.0, FAR, GROSS),
    Blunder("pile twice in one set-up, 20 mm apart", repeated_here, 0.02, ("repeated_pile",)),
    Blunder("pile twice in one set-up, 30 mm apart", repeated_here, 0.03, ("repeated_pile",)),
    Blunder("pile twice in one set-up, 50 mm apart", repeated_here, 0.05, ("repeated_pile",), GROSS),
    Blunder("pile in an earlier load, 30 mm apart", repeated_before, 0.03, ("repeated_pile",)),
    Blunder("pile in an earlier load, 45 mm apart", repeated_before, 0.045, ("repeated_pile",)),
    Blunder("pile in an earlier load, 66 mm apart", repeated_before, 0.066, ("repeated_pile",), GROSS),
    Blunder("decimal point of a level lost", level_point, 0, ("level_range",), GROSS),
    Blunder("edge 30 mm too large in radius", edge_radius, 0.03, ("edge_radius",)),
    Blunder("edge 40 mm too large in radius", edge_radius, 0.04, ("edge_radius",), GROSS),
    Blunder("edge 40 mm too small in radius", edge_radius, -0.04, ("edge_radius",), GROSS),
    Blunder("one of six edge shots 30 mm off", edge_slip, 0.03, ("edge_radius",)),
    Blunder("one of six edge shots 60 mm off", edge_slip, 0.06, ("edge_radius",), GROSS),
    Blunder("two edge shots", too_few, 0, ("too_few_shots",), GROSS),
    Blunder("date two days ahead", future, 2, ("future_date",), GROSS),
    Blunder("date ten years ahead", future, 3652, ("future_date",), GROSS),
    Blunder("load shifted by 10 mm", shift, 0.01, ("shifted_load",)),
    Blunder("load shifted by 15 mm", shift, 0.015, ("shifted_load",)),
    Blunder("load shifted by 20 mm", shift, 0.02, ("shifted_load",)),
    Blunder("load shifted by 25 mm", shift, 0.025, ("shifted_load",)),
    Blunder("load shifted by 30 mm", shift, 0.03, ("shifted_load",), WHOLE),
    Blunder("load shifted by 30 mm, straight wall of 40 m", shift, 0.03, ("shifted_load",), WHOLE, "line"),
    Blunder("load shifted by 0.5 m", shift, 0.5, ("shifted_load",), WHOLE),
    Blunder("load shifted by 200 m", shift, 200.0, ("shifted_load",), WHOLE),
    Blunder("load turned by 0.025 degrees", turn, 0.025, ("turned_load",)),
    Blunder("load turned by 0.05 degrees", turn, 0.05, ("turned_load",)),
    Blunder("load turned by 0.1 degrees", turn, 0.1, ("turned_load",), WHOLE),
    Blunder("load turned by 0.1 degrees about one corner", turn_at_end, 0.1, ("turned_load",), WHOLE),
    Blunder("load turned by 0.05 degrees, straight wall of 40 m", turn, 0.05, ("turned_load",), None, "line"),
    Blunder("load turned by 0.1 degrees, straight wall of 40 m", turn, 0.1, ("turned_load",), WHOLE, "line"),
    Blunder("load turned by 0.1 degrees about one end of it", turn_at_end, 0.1, ("turned_load",), WHOLE, "line"),
    Blunder("load turned by 5 degrees", turn, 5.0, ("turned_load",), WHOLE),
    Blunder("load too large or small by 500 ppm", scale, 500, ("scaled_load",)),
    Blunder("load too large or small by 1000 ppm", scale, 1000, ("scaled_load",)),
    Blunder("load too large or small by 2000 ppm", scale, 2000, ("scaled_load",)),
    Blunder("check shot 15 mm off", check_point, 0.015, ("check_shot",)),
    Blunder("check shot 30 mm off", check_point, 0.03, ("check_shot",)),
    Blunder("check shot 47 mm off", check_point, 0.047, ("check_shot",), GROSS),
    Blunder("check shot 15 mm off where its set-up had it before", closing, 0.015, ("check_shot",)),
    Blunder("check shot 45 mm off where its set-up had it before", closing, 0.045, ("check_shot",), GROSS),
    Blunder("check shot 30 mm off another day's, no control table", check_again, 0.03, ("check_shot",)),
    Blunder("check shot 60 mm off another day's, no control table", check_again, 0.06, ("check_shot",), GROSS),
    Blunder("shots of the folder worked out anew, 5 mm off", worked_out_anew, 0.005, ("repeated_pile",), GROSS),
    Blunder("lean of 55 mm/m", steep, 55.0, ("tilt_range",), GROSS),
    Blunder("both signs turned, lean of 2 mm/m", sign_flip, 2.0, ("sign_flip",)),
    Blunder("both signs turned, lean of 4 mm/m", sign_flip, 4.0, ("sign_flip",)),
    Blunder("both signs turned, lean of 7 mm/m", sign_flip, 7.0, ("sign_flip",)),
    Blunder("three readings in a row repeated", copied, 3, ("copied_readings",), GROSS),
    Blunder("all readings of one pile under another too", copied_pile, 0, ("copied_readings",), GROSS),
    Blunder("times of two depths swapped", out_of_order, 0, ("time_order",), GROSS),
    Blunder("leans in degrees under mm/m, whole file", degrees, 0, ("wrong_unit",), GROSS),
    Blunder("leans in per cent under mm/m, whole file", percent, 0, ("wrong_unit",), GROSS),
    Blunder("leans as 1 in n under mm/m, whole file", one_in, 0, ("wrong_unit",), GROSS),
    Blunder("leans in mm/m under per cent, whole file", as_percent, 0, ("wrong_unit",), GROSS),
    Blunder("a lean read 35 m deep in a pile of 18 m", too_deep, 35.0, ("level_range",), GROSS),
    Blunder("sign of one level lost", sign_of_level, 0, ("level_range",), GROSS),
    Blunder("sign of the easting lost, whole file", sign_of_easting, 0, ("sign_flip",), GROSS),
    Blunder("profile in metres", profile_unit, 1000.0, ("wrong_unit",), GROSS),
    Blunder("profile in micrometres", profile_unit, 0.001, ("wrong_unit",), GROSS),
    Blunder("profile with both signs turned, lean of 3 mm/m", profile_turned, 3.0, ("sign_flip",)),
    Blunder("profile with both signs turned, lean of 5 mm/m", profile_turned, 5.0, ("sign_flip",)),
    Blunder("profile with both signs turned, lean of 8 mm/m", profile_turned, 8.0, ("sign_flip",), GROSS),
    Blunder("record with a toe 3 m from that of the folder", other_toe, 3.0, ("repeated_pile",), GROSS),
    Blunder("one date ten years back", years_ago, 3652, ("time_order",), GROSS),
    Blunder("dates of a load a year back", load_a_year_back, 0, ("time_order",), GROSS),
    Blunder("both check shots 15 mm off alike", checks_alike, 0.015, ("check_shot",)),
    Blunder("both check shots 20 mm off alike", checks_alike, 0.02, ("check_shot",)),
    Blunder("both check shots 30 mm off alike", checks_alike, 0.03, ("check_shot",)),
)


@dataclass(frozen=True)
class Rate:
    """Of ``days`` simulated: how many were ``found``, and how many of all raised some other query too."""

    days: int
    found: int
    others: int


def catch_rate(blunder: Blunder, days: int, *, seed: int = 0, earlier: int = 0) -> Rate:
    """Return how often a blunder is found by its kind at its place."""
    found = others = 0
    for number in range(days):
        day = a_day(seed + number, shape=blunder.shape, earlier=earlier)
        item = blunder.spoil(day, blunder.size)
        queries = [one for one in day.search() if one.severity != "note"]
        hit = [one for one in queries if one.kind in blunder.kinds and one.item == item]
        found += bool(hit)
        others += any(one.kind not in (*blunder.kinds, "check_shot") for one in queries)
    return Rate(days=days, found=found, others=others)


def false_alarms(days: int, *, seed: int = 10_000, earlier: int = 0, shape: str = "pit", change: Any = None) -> Rate:
    """Return how often a clean day raises any query; ``change`` does something harmless to it first."""
    raised = 0
    for number in range(days):
        day = a_day(seed + number, shape=shape, earlier=earlier)
        if change is not None:
            change[0](day, change[1])
        raised += any(one.severity != "note" for one in day.search())
    return Rate(days=days, found=raised, others=0)
