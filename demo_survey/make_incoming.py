"""Faulty files for a load: one fault a file, all of it invented. A run does not read them."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from wall import COMMENCE, Pile, Truth, bearing, rng

DAY = datetime(2024, 10, 14, 16, 30)  # noqa: DTZ001 - times without an offset are the site's
HEADER = "point,pile_id,easting,northing,level,shot,object,surveyed_at,setup"
TILT_HEADER = "pile_id,read_at,depth,tilt_a,tilt_b,unit,reader"
PROFILE_HEADER = "pile_id,read_at,depth,off_e_mm,off_n_mm"
RECORD_HEADER = "pile_id,attempt,drilled_at,concreted_at,toe_level,casing_od_mm,concrete_m3,rig"
FEW = ("A033", "A034", "A035", "A037", "A038", "A039")
MANY = (
    "A011",
    "A016",
    "A020",
    "A021",
    "A027",
    "A038",
    "A043",
    "A049",
    "A058",
    "A063",
    "A071",
    "A080",
    "A091",
    "A103",
    "A105",
    "A110",
    "A119",
    "A127",
)
POINT, PILE, EASTING, NORTHING, LEVEL, SHOT, OBJECT, AT, SETUP = range(9)

Row = list


def _heads(names: tuple[str, ...], piles: dict[str, Pile], truths: dict[str, Truth]) -> list[Row]:
    """Return good centre shots on heads, as tidy rows: the faults are put into them."""
    draw, rows = rng(910), []
    for k, name in enumerate(names):
        level = piles[name].cut_off + 0.25
        e, n = truths[name].at(level) + draw.normal(0, 0.005, 2)
        rows.append([901 + k, name, float(e), float(n), level, "centre", "head", DAY + timedelta(minutes=k), "1014-1"])
    return rows


def _rim(rows: list[Row], count: int, radius: float, arc: float) -> list[Row]:
    """Return shots on the rim of the first row's pile, then the other rows."""
    first, found = rows[0], []
    for k in range(count):
        e, n = np.array(first[EASTING : NORTHING + 1]) + radius * bearing(332.0 + k * arc / count)
        found.append([901 + k, first[PILE], float(e), float(n), first[LEVEL], "edge", "head", first[AT], first[SETUP]])
    return [*found, *([920 + k, *row[1:]] for k, row in enumerate(rows[1:]))]


def _write(rows: list[Row], header: str = HEADER, decimals: int = 3) -> str:
    lines = [header]
    for row in rows:
        cells = [c.strftime("%Y-%m-%dT%H:%M") if isinstance(c, datetime) else c for c in row]
        lines.append(",".join(f"{c:.{decimals}f}" if isinstance(c, float) else str(c) for c in cells))
    return "\n".join(lines) + "\n"


def _moved(
    rows: list[Row], turn: float = 0.0, scale: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)
) -> list[Row]:
    """Return the rows turned [deg] and scaled about their middle and shifted [m]."""
    places = np.array([row[EASTING : NORTHING + 1] for row in rows])
    middle, angle = places.mean(axis=0), np.radians(turn)
    matrix = scale * np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    places = (places - middle) @ matrix.T + middle + shift
    return [[*row[:EASTING], float(e), float(n), *row[LEVEL:]] for row, (e, n) in zip(rows, places, strict=True)]


def _changed(rows: list[Row], place: int, column: int, value: object) -> list[Row]:
    """Return the rows with one cell replaced."""
    found = [list(row) for row in rows]
    found[place][column] = value
    return found


def _pickups(few: list[Row], many: list[Row]) -> dict[str, str]:
    """Return the faulty pickup files by name."""
    off = [few[1][EASTING] + 0.058, few[1][NORTHING] - 0.031]
    again = [909, few[1][PILE], *off, *few[1][LEVEL:]]
    rim = _rim(few, 1, 0.44, 360.0)[0]
    out = 0.9 * bearing(332.0)  # away from the pit, so that no other pile is nearer
    far = _changed(few, 4, EASTING, few[4][EASTING] + float(out[0]))
    far = _changed(far, 4, NORTHING, few[4][NORTHING] + float(out[1]))
    check = [900, "", 1001.293, 2009.462, 4.600, "centre", "check", DAY, "1014-1"]
    return {
        "wrong_pile": _write(_changed(few, 2, PILE, "A053")),
        "unknown_pile": _write(_changed(few, 2, PILE, "AO35")),
        "exchanged_coordinates": _write([[*r[:EASTING], r[NORTHING], r[EASTING], *r[LEVEL:]] for r in few]),
        "wrong_unit": _write(
            [[*r[:EASTING], r[EASTING] * 1000, r[NORTHING] * 1000, *r[LEVEL:]] for r in few], decimals=2
        ),
        "shifted_load": _write(_moved(many, shift=(0.055, -0.038))),
        "turned_load": _write(_moved(many, turn=0.25)),
        "scaled_load": _write(_moved(many, scale=1.005)),
        "far_from_design": _write(far),
        "repeated_pile": _write([*few, again]),
        "level_range": _write(_changed(few, 3, LEVEL, 34.500)),
        "edge_radius": _write(_rim(few, 6, 0.485, 360.0)),
        "edge_as_centre": _write(_changed(_changed(few, 0, EASTING, rim[EASTING]), 0, NORTHING, rim[NORTHING])),
        "too_few_shots": _write(_rim(few, 2, 0.44, 90.0)),
        "short_arc": _write(_rim(few, 5, 0.44, 80.0)),
        "future_date": _write(_changed(few, 5, AT, DAY.replace(year=2094))),
        "check_shot": _write([check, *few]).replace("900,", "CP1,"),
        "missing_column": _write([[*r[:LEVEL], *r[SHOT:]] for r in few], HEADER.replace("level,", "")),
        "bad_value": _write(_changed(few, 1, EASTING, "10l2.771")),
    }


def _tilts() -> dict[str, str]:
    """Return the faulty tilt files by name: readings of A066, which is drilled next."""
    depths, start = (2.0, 4.0, 7.0, 10.0), datetime(2024, 10, 14, 8, 0)  # noqa: DTZ001
    good = ((3.1, -2.2), (3.6, -1.7), (3.3, -2.4), (2.9, -2.0))

    def write(leans: tuple, minutes: tuple = (0, 25, 60, 95)) -> str:
        rows = [
            ["A066", start + timedelta(minutes=m), d, a, b, "mm/m", "R1"]
            for d, (a, b), m in zip(depths, leans, minutes, strict=True)
        ]
        return _write(rows, TILT_HEADER, decimals=1)

    return {
        "sign_flip": write((*good[:2], (-3.3, 2.4), good[3])),
        "copied_readings": write((good[0],) * 4),
        "tilt_range": write((*good[:3], (62.0, -2.0))),
        "time_order": write(good, (0, 25, 95, 60)),
    }


def _leans_in_degrees() -> str:
    """Return readings of A066 in degrees, under the heading mm/m."""
    leans = ((0.18, -0.13), (0.21, -0.10), (0.19, -0.14), (0.17, -0.11))
    rows = [
        ["A066", DAY.replace(hour=8 + k, minute=0), depth, a, b, "mm/m", "R1"]
        for k, (depth, (a, b)) in enumerate(zip((2.0, 4.0, 7.0, 10.0), leans, strict=True))
    ]
    return _write(rows, TILT_HEADER, decimals=2)


def _profile(pile: str, truth: Truth, factor: float, decimals: int) -> str:
    """Return a profile of a pile, every metre down to 15 m, its offsets [mm] times ``factor``."""
    draw, rows = rng(911), []
    for depth in range(16):
        off = (truth.at(COMMENCE - depth) - truth.at(COMMENCE)) * 1000.0 + draw.normal(0, 1.5, 2)
        e, n = (f"{factor * one:.{decimals}f}" for one in off)
        rows.append([pile, DAY, f"{depth:.1f}", e, n])
    return _write(rows, PROFILE_HEADER)


def incoming(piles: list[Pile], truths: dict[str, Truth]) -> dict[str, str]:
    """Return the faulty files by their path in the folder; the name tells the finding expected."""
    by_id = {p.pile_id: p for p in piles}
    found = {
        f"pickups_{name}": text
        for name, text in _pickups(_heads(FEW, by_id, truths), _heads(MANY, by_id, truths)).items()
    }
    found |= {f"tilts_{name}": text for name, text in _tilts().items()}
    found["tilts_wrong_unit"] = _leans_in_degrees()
    found["profiles_wrong_unit"] = _profile("A035", truths["A035"], 0.001, 4)
    found["profiles_sign_flip"] = _profile("A007", truths["A007"], -1.0, 1)
    found["records_repeated_pile"] = _write(
        [["A057", 1, "2024-10-07T09:10", "2024-10-07T10:35", "-9.06", 880, "10.3", "R1"]], RECORD_HEADER
    )
    return {f"incoming/{name}.csv": text for name, text in found.items()}
