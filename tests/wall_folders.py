"""Invented walls on disk that sheets are drawn from: a ring, a long open wall with corners, one not yet surveyed.

``python tests/wall_folders.py FOLDER KIND`` writes one of :data:`WALLS`; :func:`make` does it from a test.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

SITE = """\
[site]
name = "{name}"

[levels]
commence = 4.00
cut_off = 3.20
formation = -8.00
interlock_to = -9.50
water_outside = 1.50
water_inside = -8.50
tight_stratum = -14.00

[[stages]]
name = "dig 1"
level = 0.50
joints_to = -3.00

[[stages]]
name = "dig 2"
level = -4.00
joints_to = -6.50

[[stages]]
name = "final dig"
level = -8.00

[walls.A]
closed = {closed}
{pit_side}

[tolerance]
plan_mm = 25
verticality = "1:200"
overlap_mm = 50
encroach_mm = 100
toe_mm = 100

[readings]
sense = "toe"

[sheets]
drawing_number = "INV-200"
revision = "A"
originator = "Invented Piling"
"""
SPACING, DIAMETER, TOE = 0.75, 880, -12.0
DEPTHS = (2.0, 5.0, 9.0, 13.0)


def ring(piles: int) -> np.ndarray:
    """Return centres (n, 2) [m] of a round shaft."""
    radius = SPACING / (2 * np.sin(np.pi / piles))
    angle = 2 * np.pi * np.arange(piles) / piles
    return np.column_stack([1000 + radius * np.cos(angle), 2000 + radius * np.sin(angle)])


def bent(piles: int) -> np.ndarray:
    """Return centres (n, 2) [m] of an open wall of three sides, two fifths, one fifth and two fifths of the piles."""
    heading = np.radians(np.repeat([20.0, 100.0, 200.0], [2 * piles // 5, piles // 5, piles - 3 * piles // 5]))
    steps = SPACING * np.column_stack([np.cos(heading), np.sin(heading)])[:-1]
    return np.array([1000.0, 2000.0]) + np.concatenate([[(0.0, 0.0)], np.cumsum(steps, axis=0)])


def straight(piles: int) -> np.ndarray:
    """Return centres (n, 2) [m] of one straight side, askew to the grid."""
    heading = np.radians(17.0)
    return np.array([1000.0, 2000.0]) + SPACING * np.arange(piles)[:, None] * (np.cos(heading), np.sin(heading))


#: Name of a wall: how its centres are laid out, how many piles, closed or not, share of piles surveyed.
WALLS = {
    "ring_60": (ring, 60, True, 0.9),
    "open_400": (bent, 400, False, 0.95),
    "straight_130": (straight, 130, False, 1.0),
    "nothing": (ring, 60, True, 0.0),
}


def make(folder: Path, kind: str, *, seed: int = 7) -> Path:
    """Write the wall ``kind`` of :data:`WALLS` to ``folder``."""
    layout, piles, closed, share = WALLS[kind]
    return write(folder, layout(piles), closed=closed, share=share, name=f"Invented wall {kind}", seed=seed)


def write(folder: Path, centres: np.ndarray, *, closed: bool, share: float, name: str, seed: int = 7) -> Path:
    """Write a survey folder of piles at ``centres`` (n, 2) [m], of which the first ``share`` are surveyed."""
    random = np.random.default_rng(seed)
    count = len(centres)
    (folder / "design").mkdir(parents=True)
    side = "" if closed else 'pit_side = "left"'
    (folder / "site.toml").write_text(SITE.format(name=name, closed=str(closed).lower(), pit_side=side), "utf-8")
    rows = [
        f"A{k + 1},A,{k + 1},{'secondary' if k % 2 else 'primary'},{e:.4f},{n:.4f},{DIAMETER},{TOE}"
        for k, (e, n) in enumerate(centres)
    ]
    header = "pile_id,wall,position,kind,easting,northing,diameter_mm,toe_level"
    (folder / "design/piles.csv").write_text("\n".join([header, *rows]) + "\n", "utf-8")
    built = int(count * share)
    if built:
        _survey(folder, centres[:built], random)
    return folder


def _survey(folder: Path, centres: np.ndarray, random: np.random.Generator) -> None:
    count = len(centres)
    offset = random.normal(0.0, 0.008, (count, 2))
    lean = random.normal(0.0, 0.0022, (count, 2))
    lean[:: max(7, count // 9)] *= 3.0
    head = centres + offset
    pickups = [
        f"S{k + 1},A{k + 1},{e:.4f},{n:.4f},3.30,2025-03-05T12:00,1" for k, (e, n) in enumerate(head)
    ]
    bearings = [
        f"A{k + 1},2025-03-04T{8 + number:02d}:00,{depth},{lean[k, 1] * 1000 + random.normal(0, 0.4):.2f},"
        f"{lean[k, 0] * 1000 + random.normal(0, 0.4):.2f},mm/m,0"
        for k in range(count)
        for number, depth in enumerate(DEPTHS)
    ]
    records = [f"A{k + 1},2025-03-04T06:00,2025-03-04T15:00,{TOE - random.uniform(0, 0.2):.2f}" for k in range(count)]
    for name, header, rows in (
        ("pickups", "point,pile_id,easting,northing,level,surveyed_at,setup", pickups),
        ("tilts", "pile_id,read_at,depth,tilt_a,tilt_b,unit,bearing_a_deg", bearings),
        ("records", "pile_id,drilled_at,concreted_at,toe_level", records),
    ):
        (folder / name).mkdir()
        (folder / name / "day1.csv").write_text("\n".join([header, *rows]) + "\n", "utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]), sys.argv[2])
