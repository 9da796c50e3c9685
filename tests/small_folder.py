"""A survey folder of eight piles, written to disk, in which each verdict, a hold, a gap in the data and a note occur.

Piles of 880 mm at 750 mm along an open wall, 130 mm of overlap by design. P1 to P3 stand well; P4 leans away from P3;
P5 was picked up but never read; P6 was drilled only; P7 and P8 are still to be drilled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

SITE = """\
[site]
name = "Small invented wall"

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
closed = false
pit_side = "left"

[tolerance]
plan_mm = 25
verticality = "1:150"
overlap_mm = 50
toe_mm = 100

[readings]
sense = "toe"
"""

DESIGN = "pile_id,wall,position,kind,easting,northing,diameter_mm,toe_level\n" + "".join(
    f"P{k},A,{k},{'primary' if k % 2 else 'secondary'},{100 + 0.75 * k:.2f},200.00,880,-12.00\n" for k in range(1, 9)
)

PICKUPS = """\
point,pile_id,easting,northing,level,surveyed_at
S1,P1,100.752,200.001,3.30,2025-03-05T12:00
S2,P2,101.499,199.997,3.30,2025-03-05T12:10
S3,P3,102.246,200.002,3.30,2025-03-05T12:20
S4,P4,103.004,200.003,3.30,2025-03-05T12:30
S5,P5,103.752,199.998,3.30,2025-03-05T12:40
"""

TILTS = """\
pile_id,read_at,depth,tilt_a,tilt_b,unit
P1,2025-03-03T09:00,16.0,0.5,-0.4,mm/m
P2,2025-03-03T10:00,16.0,0.2,0.3,mm/m
P3,2025-03-03T11:00,16.0,0.1,-0.6,mm/m
P4,2025-03-03T12:00,16.0,0.4,15.0,mm/m
"""

RECORDS = """\
pile_id,drilled_at,concreted_at,toe_level,rig
P1,2025-03-03T08:30,2025-03-03T14:00,-12.02,Rig 1
P2,2025-03-03T09:30,2025-03-03T15:00,-12.00,Rig 1
P3,2025-03-03T10:30,2025-03-03T16:00,-12.05,Rig 1
P4,2025-03-03T11:30,2025-03-03T17:00,-12.00,Rig 1
P5,2025-03-04T11:30,2025-03-04T17:00,,Rig 1
P6,2025-03-05T10:00,,-12.00,Rig 1
"""

FILES = {
    "site.toml": SITE,
    "design/piles.csv": DESIGN,
    "pickups/2025-03-05.csv": PICKUPS,
    "tilts/2025-03-03.csv": TILTS,
    "records/rig_1.csv": RECORDS,
}


def make(folder: Path, **changes: str) -> Path:
    """Write the folder; ``changes`` replace a file's text, ``design_piles_csv`` standing for design/piles.csv."""
    texts = dict(FILES)
    for key, text in changes.items():
        name = next(name for name in texts if name.replace("/", "_").replace(".", "_").replace("-", "_") == key)
        texts[name] = text
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder
