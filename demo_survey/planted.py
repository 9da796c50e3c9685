"""What is planted in the demo wall: the piles and loads that are not simply good.

Offsets are in the pile's own frame: along the wall (in the order of position) and towards the pit. What is
not given is drawn at random like every other pile's. README.md tells what each of them shows.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Case:
    """One planted pile: true placing at cut-off [mm], true lean [mm/m, where the toe goes], toe level [m]."""

    along: float | None = None
    pit: float | None = None
    lean_along: float | None = None
    lean_pit: float | None = None
    toe: float | None = None
    casing: int | None = None
    """Outer diameter of the casing used [mm], where it is not the nominal one."""
    early: tuple[float, ...] = ()
    """Lean along the wall at the first readings [mm/m], before it was corrected."""
    ratio: float | None = None
    """Concrete placed against the theoretical volume."""


CASES: dict[str, Case] = {
    # two piles that lean apart: sound at cut-off, a gap deep down
    "A006": Case(along=0.0, pit=4.0, lean_along=-6.8, lean_pit=0.6),
    "A007": Case(along=3.0, pit=-5.0, lean_along=10.6, lean_pit=-0.8),
    # both inside their verticality, by inclinometer, and the joint is lost all the same, though not open
    "A012": Case(along=-8.0, pit=2.0, lean_along=-5.0, lean_pit=0.3),
    "A013": Case(along=8.0, pit=-3.0, lean_along=5.0, lean_pit=-0.5),
    "A014": Case(along=2.0, pit=3.0, lean_along=0.8, lean_pit=0.7),
    # started with a lean and was brought back: the two lean models differ
    "A017": Case(along=0.0, pit=0.0, lean_along=-0.6, lean_pit=0.4),
    "A018": Case(along=-3.0, pit=2.0, lean_along=0.2, lean_pit=-0.5, early=(13.0, 13.0, 11.0, 5.0, 1.5)),
    # this survey cannot decide
    "A023": Case(along=-3.0, pit=-2.0, lean_along=-3.8, lean_pit=1.0),
    "A024": Case(along=4.0, pit=5.0, lean_along=4.0, lean_pit=0.2),
    # position, encroachment, clear outline
    "A026": Case(along=8.0, pit=-48.0, lean_along=0.5, lean_pit=-1.0),
    "A029": Case(along=2.0, pit=34.0, lean_along=0.4, lean_pit=7.6),
    "A033": Case(along=0.0, pit=22.0, lean_along=0.9, lean_pit=4.0),
    "A036": Case(along=-5.0, pit=28.0, lean_along=-0.4, lean_pit=4.6),
    # what is missing, and toes
    "A044": Case(along=5.0, pit=2.0),
    "A047": Case(along=4.0, pit=-6.0),
    "A053": Case(toe=-11.55),
    "A055": Case(along=-3.0, lean_along=0.9),
    "A056": Case(along=2.0, pit=4.0, lean_along=0.5, lean_pit=0.3, toe=-8.80),
    "A057": Case(along=4.0, lean_along=-0.7),
    "A059": Case(along=5.0, pit=-4.0, lean_along=0.9, lean_pit=-0.6),
    "A082": Case(ratio=1.62),
    "A084": Case(ratio=0.86),
    "A088X": Case(along=4.0, pit=-3.0, lean_along=0.6, lean_pit=0.5),
    "A095": Case(toe=-9.05),
    "A098": Case(along=-4.0, pit=-6.0, lean_along=1.0, lean_pit=-10.2),
    "A101": Case(along=155.0, pit=-8.0, lean_along=0.5, lean_pit=-0.5),
    "A100": Case(along=-2.0, pit=3.0),
    "A126": Case(along=2.0, pit=2.0, lean_along=0.3, lean_pit=-0.4, casing=780),
    "A131": Case(along=-2.0, lean_along=-0.6, lean_pit=0.5),
    "A132": Case(along=3.0, pit=4.0, lean_along=8.0, lean_pit=1.2),
    "B07": Case(along=2.0, pit=5.0, lean_along=-0.5, lean_pit=0.8),
}

#: Piles by what is missing.
NO_PICKUP = {"A044", "A066", "A088"}
NO_READINGS = {"A047", "A066", "A088", "A101", "B05"}
NO_RECORD = {"A050", "A066", "A088", "A132"}

#: Centres that the engineer agreed to move, along the wall [mm].
APPROVED = {"A014": 22.0, "A104": -14.0, "A122": 12.0, "B08": -15.0}

#: Piles with an inclinometer log; those in the second set were read with the level as well.
PROFILES = ("A012", "A013", "A030", "A090", "A112", "A124")
PROFILES_WITH_TILTS = {"A030", "A112"}

#: How a pile was shot where chance does not choose: object, shots on the edge (0: a centre shot), arc [deg].
SHOT_AS = {
    "A031": ("head", 5, 100.0),
    "A062": ("casing", 3, 14.0),
    "A064": ("casing", 4, 70.0),
    "A070": ("head", 0, 0.0),
    "A073": ("head", 8, 360.0),
    "A076": ("casing", 2, 60.0),
    "A079": ("casing", 0, 0.0),
    "A126": ("head", 6, 360.0),
    "A132": ("casing", 5, 300.0),
}

#: Heads trimmed to cut-off and shot again in the last session.
TRIMMED = ("A002", "A003", "A004", "A005", "A006", "A007", "A008", "A009", "A010", "A067", "A068", "A069")

#: Face shots in the last session, in front of wall B: movement towards the pit since the pile was built [mm].
FACES = {"B06": 6.0, "B07": 48.0, "B08": 7.0}
