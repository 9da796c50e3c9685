"""A small survey folder on disk, written as text, that a test changes in one place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from asbuilt.errors import InputError
from asbuilt.intake.survey import read_survey

if TYPE_CHECKING:
    from pathlib import Path

    from asbuilt.model import Survey

SITE = """\
[site]
name = "Invented yard"

[levels]
commence = 4.00
cut_off = 3.20
formation = -8.00
interlock_to = -9.50

[walls.A]
closed = false
pit_side = "left"

[tolerance]
plan_mm = 25
verticality = "1:200"
overlap_mm = 50

[readings]
sense = "toe"
"""

FILES = {
    "site.toml": SITE,
    "design/piles.csv": """\
pile_id,wall,position,kind,easting,northing,diameter_mm,cut_off_level,toe_level,status
P1,A,1,primary,500000.000,6000000.000,880,3.20,-12.00,planned
P2,A,2,secondary,500000.750,6000000.000,880,3.20,-12.00,planned
P3,A,3,primary,500001.500,6000000.000,880,3.20,-12.00,planned
P4,A,4,secondary,500002.250,6000000.000,880,3.20,-12.00,planned
""",
    "pickups/day1.csv": """\
point,pile_id,easting,northing,level,shot,object,surveyed_at
1001,P1,500000.004,6000000.003,3.412,centre,head,2026-03-02T14:30:00Z
1002,P2,500000.748,5999999.998,3.405,centre,head,2026-03-02T14:31:00Z
""",
    "tilts/day1.csv": """\
pile_id,read_at,depth,tilt_a,tilt_b,unit
P1,2026-03-01T09:00:00Z,4.0,1.5,-0.5,mm/m
P1,2026-03-01T11:00:00Z,16.0,2.0,-1.0,mm/m
""",
    "profiles/log1.csv": """\
pile_id,read_at,depth,off_e_mm,off_n_mm
P2,2026-03-01T10:00:00Z,0.0,0.0,0.0
P2,2026-03-01T10:00:00Z,5.0,4.0,-2.0
""",
    "records/day1.csv": """\
pile_id,drilled_at,concreted_at,toe_level,casing_od_mm,concrete_m3,rig
P1,2026-03-01T11:30:00Z,2026-03-01T15:00:00Z,-12.05,880,10.4,Rig 1
""",
}


class Folder:
    """A survey folder below ``path``, good as it stands."""

    def __init__(self, path: Path) -> None:
        self.path = path
        for name, text in FILES.items():
            self.write(name, text)

    def write(self, name: str, content: str | bytes) -> Folder:
        """Write a file; text as UTF-8 with the line ends that it has."""
        where = self.path / name
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(content.encode() if isinstance(content, str) else content)
        return self

    def change(self, name: str, old: str, new: str, *, count: int = 1) -> Folder:
        """Replace text that stands in a file ``count`` times."""
        text = (self.path / name).read_bytes().decode()
        assert text.count(old) == count, (name, old, text.count(old))
        return self.write(name, text.replace(old, new))

    def add(self, name: str, text: str) -> Folder:
        return self.write(name, (self.path / name).read_text() + text)

    def remove(self, name: str) -> Folder:
        (self.path / name).unlink()
        return self

    def survey(self) -> Survey:
        return read_survey(self.path)

    def problems(self) -> list[str]:
        """Every line that the reader reports."""
        with pytest.raises(InputError) as caught:
            read_survey(self.path)
        return str(caught.value).split("\n")
