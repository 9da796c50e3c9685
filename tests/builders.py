"""Surveys built in memory from plain rows, and random walls.

A :class:`Site` is what a person would write into a survey folder: the text of the site file and rows as dicts, one per
line of a table. :func:`to_survey` turns it into ``model.Survey`` as the reader would.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import random
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt import columns, model, settings

if TYPE_CHECKING:
    from collections.abc import Callable

Row = dict[str, Any]

SITE = """
[site]
name = "Invented yard"
confidence = {confidence}

[levels]
commence = {commence}
cut_off = {cut_off}
formation = {formation}
interlock_to = {interlock_to}

{walls}

[tolerance]
plan_mm = 25
plan_growth_mm_per_m = {plan_growth}
verticality = {verticality}
overlap_mm = {overlap_mm}
{more_tolerance}

[decide]
plan = "{plan}"
vertical = "{vertical}"
joint = "{joint}"
encroach = "{encroach}"

[uncertainty]
pickup_mm = {pickup_mm}
setup_mm = {setup_mm}
radius_mm = {radius_mm}
tilt_mm_per_m = {tilt_mm_per_m}
tilt_systematic_mm_per_m = {tilt_systematic_mm_per_m}
wander_mm_per_m = {wander_mm_per_m}
profile_mm = {profile_mm}
profile_mm_per_m = {profile_mm_per_m}
axis = "{axis}"

[readings]
sense = "{sense}"
level_length_mm = {level_length_mm}
"""

DEFAULTS: dict[str, Any] = {
    "confidence": 0.95,
    "commence": 4.0,
    "cut_off": 3.2,
    "formation": -8.0,
    "interlock_to": -9.5,
    "walls": '[walls.A]\nclosed = false\npit_side = "left"',
    "plan_growth": 0.0,
    "verticality": '"1:200"',
    "overlap_mm": 50,
    "more_tolerance": "toe_mm = 100\nencroach_mm = 50",
    "plan": "simple",
    "vertical": "simple",
    "joint": "guarded",
    "encroach": "guarded",
    "pickup_mm": 5,
    "setup_mm": 3,
    "radius_mm": 5,
    "tilt_mm_per_m": 1.0,
    "tilt_systematic_mm_per_m": 0.5,
    "wander_mm_per_m": 0.3,
    "profile_mm": 2,
    "profile_mm_per_m": 0.25,
    "axis": "straight",
    "sense": "toe",
    "level_length_mm": 1200,
}


def site_file(**changes: Any) -> str:
    """Text of a site file with ``changes`` to :data:`DEFAULTS`."""
    unknown = changes.keys() - DEFAULTS.keys()
    assert not unknown, unknown
    return SITE.format(**{**DEFAULTS, **changes})


@dataclass
class Site:
    """The text of a site file and plain rows."""

    toml: str
    design: list[Row]
    pickups: list[Row] = field(default_factory=list)
    tilts: list[Row] = field(default_factory=list)
    profiles: list[Row] = field(default_factory=list)
    records: list[Row] = field(default_factory=list)
    set_out: list[Row] = field(default_factory=list)
    control: list[Row] = field(default_factory=list)
    outline: list[tuple[float, float]] | None = None

    @property
    def settings(self) -> settings.Settings:
        return settings.parse_settings(self.toml)

    def with_rows(self, **tables: Any) -> Site:
        return replace(self, **tables)


_FILES = {
    "design": "design/piles.csv",
    "pickups": "pickups/p1.csv",
    "tilts": "tilts/t1.csv",
    "profiles": "profiles/f1.csv",
    "records": "records/r1.csv",
    "set_out": "set_out/approved.csv",
    "control": "control/points.csv",
    "decisions": "decisions.csv",
}


def _time(value: Any) -> np.datetime64:
    return np.datetime64("NaT", "ms") if value is None else np.datetime64(value, "ms")


def _array(column: columns.Column, values: list[Any]) -> np.ndarray:
    if column.kind in ("text", "id"):
        array = np.empty(len(values), dtype=object)
        array[:] = values
        return array
    if column.kind == "choice":
        return np.array([-1 if v is None else column.choices.index(v) for v in values], dtype=np.int8)
    if column.kind == "time":
        return np.array([_time(v) for v in values], dtype="datetime64[ms]")
    if column.kind == "integer" and (column.default or column.needed):
        return np.array(values, dtype=np.int64)
    return np.array([math.nan if v is None else float(v) for v in values], dtype=np.float64)


def _table(name: str, rows: list[Row], places: dict[str, int], files: dict[str, tuple[str, int]]) -> model.Table:
    definition = columns.TABLES[name]
    known = {c.name for c in definition.columns} | {"file", "line"}
    for row in rows:
        assert row.keys() <= known, row.keys() - known
    content = {}
    for column in definition.columns:
        blank = (int(column.default) if column.kind == "integer" else column.default) if column.default else None
        values = [row.get(column.name) for row in rows]
        content[column.name] = _array(column, [blank if v is None else v for v in values])
    lines: dict[str, int] = {}
    file_places, line_numbers = [], []
    for row in rows:
        path = row.get("file", _FILES[name])
        lines[path] = lines.get(path, 1) + 1
        files.setdefault(path, (name, len(files)))
        file_places.append(files[path][1])
        line_numbers.append(row.get("line", lines[path]))
    return model.Table(
        name=name,
        columns=content,
        file=np.array(file_places, dtype=np.int32),
        line=np.array(line_numbers, dtype=np.int32),
        pile=np.array([places.get(row.get("pile_id"), -1) for row in rows], dtype=np.int32),
    )


def _fill_blanks(tables: dict[str, model.Table], s: settings.Settings, paths: list[str]) -> None:
    """Fill what a reader fills: cut-off, the level that depths count from, the set-up."""
    design = tables["design"].columns
    wall_cut_off = np.array([s.wall_level(w, "cut_off") for w in design["wall"]], dtype=float)
    blank = np.isnan(design["cut_off_level"])
    design["cut_off_level"][blank] = wall_cut_off[blank]
    for name in ("tilts", "profiles"):
        level = tables[name].columns["from_level"]
        level[np.isnan(level)] = s.levels.commence
    setup = tables["pickups"].columns["setup"]
    for row, file in enumerate(tables["pickups"].file):
        setup[row] = setup[row] or paths[file]


def to_survey(site: Site) -> model.Survey:
    """Return the survey that a reader would make of ``site``."""
    from shapely import Polygon

    places = {row["pile_id"]: place for place, row in enumerate(site.design)}
    assert len(places) == len(site.design)
    files: dict[str, tuple[str, int]] = {}
    rows = {
        "design": site.design,
        "pickups": site.pickups,
        "tilts": site.tilts,
        "profiles": site.profiles,
        "records": site.records,
        "set_out": site.set_out,
        "control": site.control,
        "decisions": [],
    }
    tables = {name: _table(name, content, places, files) for name, content in rows.items()}
    _fill_blanks(tables, site.settings, list(files))
    counts = dict.fromkeys(files, 0)
    for name, content in rows.items():
        for row in content:
            counts[row.get("file", _FILES[name])] += 1
    return model.Survey(
        settings=site.settings,
        folder="invented",
        files=tuple(
            model.InputFile(path=path, table=name, rows=counts[path], sha256=hashlib.sha256(path.encode()).hexdigest())
            for path, (name, _) in files.items()
        ),
        origin=(
            float(round(sum(row["easting"] for row in site.design) / len(site.design))),
            float(round(sum(row["northing"] for row in site.design) / len(site.design))),
        ),
        clear_outline=None if site.outline is None else Polygon(site.outline),
        **tables,
    )


def straight_wall(
    count: int,
    *,
    spacing: float = 0.75,
    diameter_mm: float = 880.0,
    toe: float = -12.0,
    e0: float = 0.0,
    n0: float = 0.0,
) -> list[Row]:
    """Design rows of a straight open wall A running east, piles P1, P2, …"""
    return [
        {
            "pile_id": f"P{i + 1}",
            "wall": "A",
            "position": i + 1,
            "kind": "primary" if i % 2 == 0 else "secondary",
            "easting": e0 + spacing * i,
            "northing": n0,
            "diameter_mm": diameter_mm,
            "toe_level": toe,
        }
        for i in range(count)
    ]


# ---------------------------------------------------------------------------------------------- random walls

SHAPES = ("straight", "corner", "curve", "closed rectangle", "closed hexagon")


def _corners(shape: str, rng: random.Random) -> list[tuple[float, float]]:
    if shape == "straight":
        return [(0.0, 0.0), (9.0, 1.0)]
    if shape == "corner":
        return [(0.0, 0.0), (6.1, 0.4), (5.6, 5.0)]
    if shape == "curve":
        return [(9 * math.sin(a), 9 * (1 - math.cos(a))) for a in (0, 0.25, 0.5, 0.75, 1.0)]
    if shape == "closed rectangle":
        return [(0.0, 0.0), (4.6, 0.0), (4.6, 3.9), (0.0, 3.9), (0.0, 0.0)]
    ring = [(2.4 * math.cos(math.radians(60 * k)), 2.4 * math.sin(math.radians(60 * k))) for k in range(6)]
    if rng.random() < 0.5:
        ring.reverse()
    return [*ring, ring[0]]


def _centres(corners: list[tuple[float, float]], spacing: float) -> list[tuple[float, float]]:
    """Points along a polyline, each corner one of them, spaced about ``spacing`` apart."""
    points = [corners[0]]
    for (e1, n1), (e2, n2) in itertools.pairwise(corners):
        parts = max(1, round(math.hypot(e2 - e1, n2 - n1) / spacing))
        points += [(e1 + (e2 - e1) * k / parts, n1 + (n2 - n1) * k / parts) for k in range(1, parts + 1)]
    return points


_UNITS = {
    "mm/m": lambda s: 1000 * s,
    "1:n": lambda s: 0.0 if s == 0 else 1 / s,
    "%": lambda s: 100 * s,
    "deg": lambda s: math.degrees(math.atan(s)),
    "mm": lambda s: s * 1200.0,
}


def _tilt_row(
    rng: random.Random, row: Row, depth: float, slope: tuple[float, float], site_sense: str, **more: Any
) -> Row:
    """A reading of ``slope`` (m per m, E and N, towards the toe) in random directions, unit and sense.

    Where the row carries ``to_pit`` (a bearing), the direction is left blank at times.
    """
    bearing = rng.uniform(-360, 360)
    other = rng.choice([None, bearing + 90, bearing - 90])
    if other is not None and not -360 <= other <= 360:
        other = None
    default = row.get("to_pit") is not None and rng.random() < 0.4
    if default:
        bearing, other = row["to_pit"], None
    sense = rng.choice([None, "toe", "top"])
    sign = -1.0 if (sense or site_sense) == "top" else 1.0
    unit = rng.choice(list(_UNITS))

    def along(beta: float) -> float:
        return sign * (slope[0] * math.sin(math.radians(beta)) + slope[1] * math.cos(math.radians(beta)))

    return {
        "pile_id": row["pile_id"],
        "read_at": more.pop("read_at", "2025-03-02T10:00"),
        "depth": depth,
        "tilt_a": _UNITS[unit](along(bearing)),
        "tilt_b": _UNITS[unit](along(bearing + 90 if other is None else other)),
        "unit": unit,
        "bearing_a_deg": None if default else bearing,
        "bearing_b_deg": other,
        "sense": sense,
        **more,
    }


def _edge_rows(
    rng: random.Random,
    centre: tuple[float, float],
    radius: float,
    count: int,
    arc_deg: float,
    noise: float,
    **more: Any,
) -> list[Row]:
    start = rng.uniform(0, 360)
    rows = []
    for k in range(count):
        angle = math.radians(start + arc_deg * k / (count if arc_deg == 360 else count - 1))
        r = radius + rng.gauss(0, noise)
        rows.append(
            {
                "easting": centre[0] + r * math.sin(angle),
                "northing": centre[1] + r * math.cos(angle),
                "shot": "edge",
                **more,
            }
        )
    return rows


def _pickup_rows(
    rng: random.Random, row: Row, centre: tuple[float, float], how: str, number: int, attempt: int
) -> list[Row]:
    """Rows of one pile, shot in the way named."""
    radius = row["diameter_mm"] / 2000
    setup, file = rng.choice(
        [
            (None, "pickups/a.csv"),
            (None, "pickups/b.csv"),
            ("S1", "pickups/a.csv"),
            ("S2", "pickups/b.csv"),
            ("S3", "pickups/c.csv"),
        ]
    )
    level = round(rng.uniform(2.6, 4.1), 3)
    common: Row = {
        "pile_id": row["pile_id"],
        "level": level,
        "surveyed_at": f"2025-03-{rng.randint(3, 9):02d}T12:00",
        "setup": setup,
        "file": file,
        "attempt": attempt,
        "object": rng.choice(["casing", "head"]),
    }

    def centres(count: int, *, sigma: bool = False, spread: float = 0.003, **more: Any) -> list[Row]:
        return [
            {
                **common,
                "easting": centre[0] + rng.gauss(0, spread),
                "northing": centre[1] + rng.gauss(0, spread),
                "level": level + rng.uniform(-0.04, 0.04),
                "shot": "centre",
                "sigma_mm": rng.uniform(2, 9) if sigma else None,
                **more,
            }
            for _ in range(count)
        ]

    def edges(count: int, arc_deg: float, noise: float, off: float = 0.0) -> list[Row]:
        return _edge_rows(rng, centre, radius + off, count, arc_deg, noise, **common)

    def renewed() -> list[Row]:
        old = centres(2, surveyed_at="2025-03-01T09:00", spread=0.02)
        for r in old:
            r["setup"], r["file"] = "S8", "pickups/f.csv"
        return old + centres(1, surveyed_at="2025-03-10T09:00")

    def trimmed() -> list[Row]:
        at = {"surveyed_at": "2025-03-11T09:00", "level": 3.2, "setup": "S9", "file": "pickups/d.csv"}
        newer = {"surveyed_at": "2025-03-12T09:00", "setup": "S7", "file": "pickups/e.csv"}
        return [
            *centres(1, object="trimmed", **at),
            *centres(1, object="head", spread=0.03, **newer),
            *centres(2, object="face", surveyed_at="2025-03-20T09:00", level=-1.0, spread=0.05),
        ]

    ways: dict[str, Callable[[], list[Row]]] = {
        "centre": lambda: centres(1),
        "centres": lambda: centres(rng.randint(2, 4), sigma=True),
        "edges": lambda: edges(off=rng.gauss(0, 0.004), count=rng.randint(4, 8), arc_deg=360, noise=0.004),
        "arc": lambda: edges(rng.randint(3, 6), rng.uniform(70, 200), 0.003),
        "rough edges": lambda: edges(6, 300, 0.02),
        "flat arc": lambda: edges(3, 8, 0.0005),
        "mixed": lambda: centres(1, sigma=True) + edges(4, 140, 0.003),
        "two edges": lambda: edges(2, 120, 0.003),
        "renewed": renewed,
        "trimmed": trimmed,
    }
    rows = ways[how]()
    for k, r in enumerate(rows, 1):
        r["point"] = f"{row['pile_id']}-{number}-{k}"
    return rows


PICKUPS = ("centre", "centre", "centres", "edges", "arc", "rough edges", "mixed", "renewed", "trimmed")
POOR_PICKUPS = ("flat arc", "two edges")


def _lean_rows(
    rng: random.Random, row: Row, sense: str, how: str, attempt: int, from_level: float | None
) -> tuple[list[Row], list[Row]]:
    """Tilts and profile of one pile."""
    tilts: list[Row] = []
    profiles: list[Row] = []
    slope = [rng.gauss(0, 0.003), rng.gauss(0, 0.003)]
    more = {"attempt": attempt, "from_level": from_level}
    if how in ("tilts", "both"):
        depth = 0.0
        for k in range(rng.randint(1, 5)):
            depth += rng.uniform(1.5, 4.0)
            slope = [slope[0] + rng.gauss(0, 0.0015), slope[1] + rng.gauss(0, 0.0015)]
            tilts.append(
                _tilt_row(
                    rng, row, round(depth, 2), (slope[0], slope[1]), sense, read_at=f"2025-03-02T{9 + k:02d}:00", **more
                )
            )
    if how == "repeated tilts":
        tilts += [
            _tilt_row(
                rng,
                row,
                9.5,
                (slope[0] + rng.gauss(0, 0.001), slope[1] + rng.gauss(0, 0.001)),
                sense,
                read_at=f"2025-03-02T{9 + k:02d}:00",
                **more,
            )
            for k in range(rng.randint(2, 4))
        ]
    if how == "one plumb tilt":
        tilts.append(
            {
                "pile_id": row["pile_id"],
                "read_at": "2025-03-02T09:00",
                "depth": 8.0,
                "tilt_a": 0.0,
                "tilt_b": 0.0,
                "unit": "1:n",
                "bearing_a_deg": 0.0,
                **more,
            }
        )
    if how in ("profile", "both"):
        at, step = rng.choice([(0.0, 1.0), (0.5, 2.5), (1.0, 0.5)])
        off = [rng.gauss(0, 4), rng.gauss(0, 4)]
        last = rng.uniform(2.0, 16.0)
        while at <= last or len(profiles) < 2:
            profiles.append(
                {
                    "pile_id": row["pile_id"],
                    "read_at": "2025-03-02T15:00",
                    "depth": at,
                    "off_e_mm": off[0],
                    "off_n_mm": off[1],
                    **more,
                }
            )
            at += step
            slope = [slope[0] + rng.gauss(0, 0.001), slope[1] + rng.gauss(0, 0.001)]
            off = [off[0] + 1000 * step * slope[0], off[1] + 1000 * step * slope[1]]
    rng.shuffle(tilts)
    rng.shuffle(profiles)
    return tilts, profiles


LEANS = ("tilts", "tilts", "tilts", "repeated tilts", "one plumb tilt", "profile", "both")


def _pit_bearings(points: list[tuple[float, float]], closed: bool) -> list[float | None]:
    """Bearing towards the pit at each point, left of an open wall; None where the wall turns by more than 30°."""
    if closed:
        ring = zip(points, [*points[1:], points[0]], strict=True)
        left = sum(a[0] * b[1] - a[1] * b[0] for a, b in ring) > 0
    else:
        left = True
    found: list[float | None] = []
    for k in range(len(points)):
        sides = []
        for i, j in ((k - 1, k), (k, k + 1)):
            if closed or 0 <= i < j < len(points):
                a, b = points[i % len(points)], points[j % len(points)]
                sides.append(math.degrees(math.atan2(b[0] - a[0], b[1] - a[1])))
        turn = (sides[-1] - sides[0] + 180) % 360 - 180
        found.append(None if abs(turn) > 30 else (sides[0] + turn / 2 + (-90 if left else 90)) % 360)
    return found


def _outline(design: list[Row], closed: bool, gap: float) -> list[tuple[float, float]]:
    """An outline of permanent works in the pit, about ``gap`` clear of the design faces, with corners of its own."""
    from shapely import LineString, Polygon

    points = [(row["easting"], row["northing"]) for row in design if row.get("position") is not None]
    reach = max(row["diameter_mm"] for row in design) / 2000 + gap
    if closed:
        inside = Polygon(points).buffer(-reach, join_style="mitre")
    else:
        line = LineString(points)
        side = line.buffer(6.0, single_sided=True, join_style="mitre")
        inside = side.difference(line.buffer(reach, join_style="mitre", cap_style="square"))
        if inside.geom_type != "Polygon":
            inside = max(inside.geoms, key=lambda g: g.area)
    ring = list(inside.exterior.coords)[:-1]
    # a notch's corner towards the wall: the middle of the first edge is pulled 30 mm towards the first pile
    (e1, n1), (e2, n2) = max(zip(ring, [*ring[1:], ring[0]], strict=True), key=lambda s: math.dist(*s))
    middle = ((e1 + e2) / 2, (n1 + n2) / 2)
    nearest = min(points, key=lambda p: math.dist(p, middle))
    length = math.dist(nearest, middle)
    pulled = tuple(m + 0.03 * (p - m) / length for m, p in zip(middle, nearest, strict=True))
    place = ring.index((e1, n1)) + 1
    return [*ring[:place], pulled, *ring[place:]]


def _random_design(rng: random.Random, shape: str, e0: float, n0: float) -> tuple[list[Row], list[tuple[str, str]]]:
    """Design rows, with the bearing to the pit beside them, and extra joints."""
    mixed = rng.random() < 0.6
    diameters = (0.88, 0.75) if mixed else (0.88, 0.88)
    spacing = sum(diameters) / 2 - rng.uniform(0.12, 0.17)
    closed = shape.startswith("closed")
    points = _centres(_corners(shape, rng), spacing)
    if closed:
        points = points[:-1]
    to_pit = _pit_bearings(points, closed)
    design: list[Row] = [
        {
            "to_pit": to_pit[i],
            "pile_id": f"P{i + 1:02d}",
            "wall": "A",
            "position": 10 * (i + 1),
            "kind": ("primary", "secondary")[i % 2],
            "easting": e0 + e,
            "northing": n0 + n,
            "diameter_mm": 1000 * diameters[i % 2],
            "cut_off_level": rng.choice([None, None, 3.0, 3.5]),
            "toe_level": rng.choice([-10.5, -12.0, -12.0, -9.0]),
        }
        for i, (e, n) in enumerate(points)
    ]
    if shape == "straight":
        design[rng.randrange(5, len(design) - 3)]["status"] = "omitted"
    if shape not in ("straight", "curve"):
        return design, []
    at = design[2]
    design.append(
        {
            "pile_id": "X1",
            "wall": "A",
            "kind": "other",
            "easting": at["easting"] + 0.35,
            "northing": at["northing"] - 0.66,
            "diameter_mm": 750.0,
            "toe_level": -12.0,
            "status": "added",
        }
    )
    return design, [("X1", design[2]["pile_id"]), (design[3]["pile_id"], "X1")]


def _random_site_file(rng: random.Random, closed: bool, extra: list[tuple[str, str]], sense: str) -> str:
    walls = f"[walls.A]\nclosed = {str(closed).lower()}\n" + ("" if closed else 'pit_side = "left"\n')
    walls += f"extra_joints = {[list(pair) for pair in extra]}\n".replace("'", '"')
    tolerance = "toe_mm = 100\n" + rng.choice(
        ["", "encroach_mm = 45\nencroach_growth_mm_per_m = 2\n", "encroach_mm = 40\n"]
    )
    tolerance += rng.choice(["", "chord_mm = 330\n"]) + rng.choice(["", "clear_mm = 20\noverbreak_mm = 15\n"])
    return site_file(
        confidence=rng.choice([0.95, 0.95, 0.9]),
        walls=walls,
        plan_growth=rng.choice([0, 13.3]),
        verticality=rng.choice(['"1:200"', '{ primary = "1:150", secondary = 5.5 }']),
        overlap_mm=rng.choice([50, 40, 0]),
        more_tolerance=tolerance,
        plan=rng.choice(["simple", "guarded"]),
        vertical=rng.choice(["simple", "guarded"]),
        joint=rng.choice(["guarded", "guarded", "simple"]),
        encroach=rng.choice(["guarded", "simple"]),
        axis=rng.choice(["straight", "stepped"]),
        tilt_mm_per_m=rng.choice([1.0, 0.4]),
        sense=sense,
    )


def _survey_pile(site: Site, rng: random.Random, number: int, row: Row, sense: str) -> None:
    """Add what was measured on one pile."""
    centre = (row["easting"] + rng.gauss(0, 0.012), row["northing"] + rng.gauss(0, 0.012))
    attempt = 2 if rng.random() < 0.12 else 1
    way, how = rng.choice(PICKUPS), rng.choice(LEANS)
    chance = rng.random()
    if chance < 0.05:
        way = rng.choice(POOR_PICKUPS)
    elif chance < 0.12:
        how = "none"
    from_level = rng.choice([None, None, 3.8])
    if chance <= 0.95:
        site.pickups += _pickup_rows(rng, row, centre, way, number, attempt)
    tilts, profiles = _lean_rows(rng, row, sense, how, attempt, from_level)
    site.tilts += tilts
    site.profiles += profiles
    if attempt == 2:
        far = (centre[0] + 0.1, centre[1] + 0.1)
        site.pickups += _pickup_rows(rng, row, far, "centre", 100 + number, 1)
        site.tilts += _lean_rows(rng, row, sense, "tilts", 1, None)[0]
    if rng.random() < 0.9:
        short = rng.choice([0.0, 0.0, 0.05, -0.3, 0.0, 1.0 if rng.random() < 0.3 else 0.0])
        site.records.append(
            {
                "pile_id": row["pile_id"],
                "attempt": attempt,
                "drilled_at": "2025-03-02T16:00",
                "concreted_at": "2025-03-02T19:00",
                "toe_level": row["toe_level"] + short if rng.random() < 0.95 else None,
                "casing_od_mm": rng.choice([None, None, row["diameter_mm"] - 6, row["diameter_mm"] + 8]),
            }
        )


def random_site(seed: int) -> Site:
    """Return a random wall, everything that the method knows mixed; the same for the same seed."""
    rng = random.Random(seed)  # noqa: S311  # walls, not secrets
    shape = SHAPES[seed % len(SHAPES)]
    e0, n0 = (500_123.25, 6_000_456.5) if seed % 2 else (37.0, -12.0)
    closed = shape.startswith("closed")
    design, extra = _random_design(rng, shape, e0, n0)
    sense = rng.choice(["toe", "top"])
    toml = _random_site_file(rng, closed, extra, sense)
    outline = None if shape == "curve" else _outline(design, closed, rng.uniform(0.02, 0.06))
    site = Site(toml=toml, design=design, outline=outline)
    for number, row in enumerate(design):
        if row.get("status") != "omitted":
            _survey_pile(site, rng, number, row, sense)
    for row in design:
        row.pop("to_pit", None)
    rng.shuffle(site.design)
    rng.shuffle(site.pickups)
    return site
