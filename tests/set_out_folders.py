"""The small wall with a pile to set out: P5 stands 30 mm west and plumb, P6 is not begun, P7 and P8 are to drill."""

from __future__ import annotations

from typing import TYPE_CHECKING

import small_folder

if TYPE_CHECKING:
    from pathlib import Path

PICKUPS = small_folder.PICKUPS.replace("S5,P5,103.752,199.998", "S5,P5,103.720,200.000")
TILTS = f"{small_folder.TILTS}P5,2025-03-04T12:00,16.0,0.0,0.0,mm/m\n"
RECORDS = "".join(line for line in small_folder.RECORDS.splitlines(keepends=True) if not line.startswith("P6"))
#: Half of the 30 mm: the play of 15 mm, and more than the 10 mm from which a move is advised.
ADVISED = "P6,104.485,200.000,4.000,advised"
APPROVED = "pile_id,easting,northing,approved_by,at\nP6,104.485,200.000,A. Engineer,2025-03-06T08:00\n"


def make(folder: Path, *, settings: str = "", **changes: str) -> Path:
    """Write the folder; ``settings`` are added to site.toml, ``changes`` are those of ``small_folder``."""
    return small_folder.make(
        folder,
        **{
            "pickups_2025_03_05_csv": PICKUPS,
            "tilts_2025_03_03_csv": TILTS,
            "records_rig_1_csv": RECORDS,
            "site_toml": f"{small_folder.SITE}\n{settings}",
            **changes,
        },
    )


def approve(folder: Path, text: str = APPROVED) -> None:
    """Write down what the engineer agreed to, by hand."""
    (folder / "set_out").mkdir(exist_ok=True)
    (folder / "set_out" / "approved.csv").write_text(text, encoding="utf-8")


def control(folder: Path) -> None:
    """Put two control points in."""
    (folder / "control").mkdir()
    (folder / "control" / "points.csv").write_text(
        "point,easting,northing,map_e,map_n,sigma_mm\nCP1,90,190,500090,6200190,2\n=CP2,110,210,500110,6200210,2\n",
        encoding="utf-8",
    )
