"""A survey folder on two days: what was taken in on the first, and each thing that can change on the second."""

from __future__ import annotations

import contextlib
import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import small_folder

from asbuilt.__main__ import main
from asbuilt.intake import history, ledger

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

HEAD = "point,pile_id,easting,northing,level,surveyed_at\n"
SET_OUT = "pile_id,easting,northing,approved_by,at\n"
CONTROL = """\
point,easting,northing,map_e,map_n,sigma_mm
C1,90,190,500090,6000190,2
C2,110,190,500110,6000190,2
C3,110,210,500110,6000210,2
C4,90,210,500090,6000210,2
"""
DAY_1 = "2025-03-05T20:00:00.123"
"""The load of day 1: the evening in the site's zone, three hours east."""
DAY_2 = "2025-03-06T07:00:00"


class Clock:
    """Stands for ``datetime`` where ledger and history ask for the time."""

    def __init__(self, patch: pytest.MonkeyPatch, start: str) -> None:
        self.set(start)
        for module in (ledger, history):
            patch.setattr(module, "datetime", self)

    def set(self, moment: str) -> None:
        """Set it to a moment in UTC, ISO 8601 without an offset."""
        self._moment = datetime.fromisoformat(moment).replace(tzinfo=UTC)

    def now(self, _zone: object = None) -> datetime:
        """Return the moment that was set."""
        return self._moment


def run(*arguments: object, code: int = 0) -> str:
    """Run a command and return what it answers."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main([*map(str, arguments)]) == code, arguments
    return out.getvalue()


def change(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / name).write_text(text.replace(old, new), encoding="utf-8")


def put(folder: Path, name: str, text: str) -> None:
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")


def load(folder: Path, name: str, text: str, *more: str) -> None:
    put(folder.parent, name, text)
    run("load", folder, folder.parent / name, "--by", "A. Surveyor", "--confirm", "seen", *more)


def first_day(where: Path) -> Path:
    """Return a folder in which the first load was taken in."""
    folder = small_folder.make(where / "wall")
    change(folder, "site.toml", "[levels]", 'time_zone = "Etc/GMT-3"\n[levels]')
    put(folder, "set_out/approved.csv", SET_OUT + "P2,101.501,200.000,E. Engineer,2025-03-01T10:00\n")
    load(folder, "a.csv", HEAD + "S6,P6,104.503,200.001,3.30,2025-03-05T17:00\n")
    return folder


def load_of_that_day(folder: Path) -> None:
    load(folder, "b.csv", HEAD + "S7,P7,105.252,200.001,3.30,2025-03-05T17:30\n")


def revision(folder: Path) -> None:
    text = (folder / "design/piles.csv").read_text(encoding="utf-8").replace("100.75,", "100.79,")
    load(folder, "rev_b.csv", text, "--as", "design")


def withdraw(folder: Path, *arguments: str) -> None:
    run("withdraw", folder, *arguments, "--by", "A. Surveyor", "--reason", "another pile")


def decide(folder: Path) -> None:
    head = "at,by,item,effect,down_to_level,until,reason,reference,evidence_sha256,figures,previous_sha256\n"
    put(folder, "decisions.csv", head + "2025-03-01T10:00:00Z,E. Engineer,P4,accept,,,grouted,,,,\n")


def other_schedule(folder: Path) -> None:
    put(folder, "design/rev_c.csv", small_folder.DESIGN.replace("100.75,", "100.79,"))
    change(folder, "site.toml", "[levels]", '[design]\npiles = "design/rev_c.csv"\n[levels]')


CHANGES: dict[str, Callable[[Path], None]] = {
    "a load of that day": load_of_that_day,
    "a load withdrawn": lambda folder: withdraw(folder, "tilts/2025-03-03.csv"),
    "a pile withdrawn": lambda folder: withdraw(folder, "pickups/2025-03-05.csv", "--pile", "P2"),
    "a revision": revision,
    "a schedule changed by hand": lambda folder: change(folder, "design/piles.csv", "101.50,", "101.54,"),
    "another schedule": other_schedule,
    "a tolerance": lambda folder: change(folder, "site.toml", "plan_mm = 25", "plan_mm = 2"),
    "a time zone": lambda folder: change(folder, "site.toml", "Etc/GMT-3", "Pacific/Kiritimati"),
    "an outline": lambda folder: put(
        folder,
        "design/clear_outline.geojson",
        '{"type": "Polygon", "coordinates": [[[100, 198], [108, 198], [108, 199.8], [100, 199.8], [100, 198]]]}',
    ),
    "control points": lambda folder: put(folder, "control/points.csv", CONTROL),
    "a pile moved with approval": lambda folder: put(
        folder, "set_out/approved.csv", SET_OUT + "P1,100.760,200.000,E. Engineer,2025-03-01T10:00\n"
    ),
    "approvals removed": lambda folder: (folder / "set_out/approved.csv").unlink(),
    "a decision": decide,
    "a load put in by hand": lambda folder: put(
        folder, "pickups/hand.csv", HEAD + "S8,P8,106.000,200.001,3.30,2025-03-04T09:30\n"
    ),
    "the first load by hand": lambda folder: put(
        folder,
        "profiles/p.csv",
        "pile_id,read_at,depth,off_e_mm,off_n_mm\nP2,2025-03-04T10:00,0,0,0\nP2,2025-03-04T10:00,5,4,-2\n",
    ),
}
