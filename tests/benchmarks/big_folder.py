"""Make a large survey folder at map-size coordinates, quickly and repeatably, for measurements of speed.

``python tests/benchmarks/big_folder.py FOLDER PILES`` writes one; :func:`make` does it from a test.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

SPACING = 0.75
DIAMETER_MM = 880.0
COMMENCE = 4.0
CUT_OFF = 3.2
TOE = -16.0
START = np.datetime64("2026-01-05T07:00:00", "s")

SITE = """\
[site]
name = "Invented wall of {piles} piles"

[levels]
commence = 4.00
cut_off = 3.20
formation = -8.00
interlock_to = -9.50

[[stages]]
name = "dig 1"
level = 0.50
joints_to = -3.00

[[stages]]
name = "final dig"
level = -8.00

[walls.A]
{wall}

[tolerance]
plan_mm = 25
verticality = "1:200"
overlap_mm = 50
encroach_mm = 100
toe_mm = 100

[readings]
sense = "toe"
"""


def make(
    folder: Path,
    piles: int,
    *,
    tilts_per_pile: int = 6,
    seed: int = 1,
    closed: bool = True,
    files_per_table: int = 1,
) -> Path:
    """Write a survey folder of ``piles`` piles with a pickup, ``tilts_per_pile`` readings and a record each.

    The wall is a ring (``closed``) or a flat arc about E 500 000, N 6 000 000. Heads scatter by 8 mm about design,
    leans by 2 mm/m, readings by 1 mm/m about the pile's lean. ``files_per_table`` splits the loads.
    """
    rng = np.random.default_rng(seed)
    folder = Path(folder)
    wall = "closed = true" if closed else 'closed = false\npit_side = "left"'
    for name in ("design", "pickups", "tilts", "records"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(SITE.format(piles=piles, wall=wall), encoding="utf-8")

    place = np.arange(piles)
    turn = 2 * np.pi / piles if closed else 0.5 / piles
    angle = place * turn
    radius = SPACING / (2 * np.sin(turn / 2))
    easting = 500_000.0 + radius * np.cos(angle)
    northing = 6_000_000.0 + radius * np.sin(angle)
    # The ring runs counter-clockwise, so that its inside, the pit, lies to the left: towards the centre.
    bearing = np.degrees(np.arctan2(-np.cos(angle), -np.sin(angle))) % 360
    ids = np.array([f"P{number:06d}" for number in range(1, piles + 1)], dtype=object)
    kind = np.where(place % 2 == 0, "primary", "secondary")
    drilled = START + (place * 17 + 240 * 60 * (place % 2)).astype("timedelta64[m]")

    design = {
        "pile_id": ids,
        "wall": "A",
        "position": place + 1,
        "kind": kind,
        "easting": easting.round(3),
        "northing": northing.round(3),
        "diameter_mm": DIAMETER_MM,
        "cut_off_level": CUT_OFF,
        "toe_level": TOE,
        "status": "planned",
    }
    _write(folder / "design" / "piles.csv", design)

    head = rng.normal(0.0, 0.008, (piles, 2))
    _write_parts(
        folder / "pickups",
        files_per_table,
        {
            "point": np.array([f"C{number}" for number in range(1, piles + 1)], dtype=object),
            "pile_id": ids,
            "easting": (easting + head[:, 0]).round(3),
            "northing": (northing + head[:, 1]).round(3),
            "level": (CUT_OFF + rng.normal(0.3, 0.1, piles)).round(3),
            "shot": "centre",
            "object": "head",
            "surveyed_at": _times(drilled + np.timedelta64(9, "h")),
            "setup": np.char.add("S", (place // 40).astype(str)),
            "surveyor": "Surveyor 1",
        },
    )

    lean = rng.normal(0.0, 2.0, (piles, 2))
    row = np.repeat(place, tilts_per_pile)
    number = np.tile(np.arange(1, tilts_per_pile + 1), piles)
    deepest = COMMENCE - TOE
    _write_parts(
        folder / "tilts",
        files_per_table,
        {
            "pile_id": ids[row],
            "read_at": _times(drilled[row] + (number * 25 - 180).astype("timedelta64[m]")),
            "depth": (deepest * number / tilts_per_pile).round(2),
            "tilt_a": (lean[row, 0] + rng.normal(0.0, 1.0, row.size)).round(2),
            "tilt_b": (lean[row, 1] + rng.normal(0.0, 1.0, row.size)).round(2),
            "unit": "mm/m",
            "bearing_a_deg": bearing[row].round(1),
            "reader": np.where(row % 3 == 0, "Rig 1", "Rig 2"),
        },
    )

    length = CUT_OFF - TOE
    _write_parts(
        folder / "records",
        files_per_table,
        {
            "pile_id": ids,
            "drilled_at": _times(drilled),
            "concreted_at": _times(drilled + np.timedelta64(3, "h")),
            "toe_level": (TOE + rng.normal(0.0, 0.03, piles)).round(2),
            "casing_od_mm": DIAMETER_MM,
            "concrete_m3": (np.pi / 4 * 0.88**2 * length * rng.normal(1.08, 0.03, piles)).round(1),
            "rig": np.where(place % 3 == 0, "Rig 1", "Rig 2"),
        },
    )
    return folder


def _times(moments: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Return moments as ISO 8601 in UTC."""
    return np.char.add(np.datetime_as_string(moments.astype("datetime64[s]")), "Z").astype(object)


def _write(path: Path, columns: dict[str, Any]) -> None:
    pd.DataFrame(columns).to_csv(path, index=False, lineterminator="\n")


def _write_parts(folder: Path, parts: int, columns: dict[str, Any]) -> None:
    frame = pd.DataFrame(columns)
    bounds = np.linspace(0, len(frame), parts + 1).astype(int)
    for part in range(parts):
        name = folder / f"load_{part + 1:03d}.csv"
        frame.iloc[bounds[part] : bounds[part + 1]].to_csv(name, index=False, lineterminator="\n")


if __name__ == "__main__":
    print(make(Path(sys.argv[1]), int(sys.argv[2])))
