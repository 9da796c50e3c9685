"""How a lean is read at the rig: directions, sense and unit of the reader, and what is wrong with a reading as said.

Nothing here needs more than NumPy: an answer at the rig does not wait for larger packages.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NoReturn

import numpy as np

from asbuilt.columns import SENSES, TABLES, UNITS
from asbuilt.compute.alignment import CORNER_DEG
from asbuilt.compute.steering_advice import Lean, reader_values
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.compute.alignment import Alignment
    from asbuilt.model import Floats, Survey, Table

__all__ = [
    "Reader",
    "Said",
    "Station",
    "as_said",
    "card_reader",
    "find_pile",
    "option_problem",
    "refuse",
    "station_of",
    "stored_reader",
]

#: Steeper than this [m per m], 1 in 20, no tube stands: the figure or its unit is wrong.
STEEPEST = 0.05
_MM_PER_M, _ONE_IN, _PERCENT, _DEG, _MM = UNITS
_TOE, _TOP = SENSES
_ADDED = TABLES["design"].column("status").choices.index("added")
#: Two bearings are square, and a wall turns by more than its limit, beyond rounding [deg].
_ROUNDING_DEG = 1e-6
#: A stated bearing this near to the direction towards the pit [deg] is meant to be that.
_PIT_DEG = 0.5
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)")


@dataclass(frozen=True, kw_only=True)
class Reader:
    """How somebody reads a lean: bearings of the two directions [deg], unit, sense, length of the level [mm]."""

    bearing_a_deg: float
    bearing_b_deg: float
    unit: str
    sense: str
    level_length_mm: float
    from_level: float
    """Level that depths are read from [m]."""
    towards_pit: bool = False
    """Whether direction a is the one towards the pit, as it is where no bearing is said."""

    @property
    def clockwise(self) -> bool:
        """Whether b is clockwise of a, seen from above."""
        return float(np.mod(self.bearing_b_deg - self.bearing_a_deg, 360.0)) < 180.0

    def slope(self, a: float, b: float) -> Floats:
        """Return a reading as a slope (2,) towards east and north [m per m], to the toe."""
        found: Floats = np.array([self._slope_of(a), self._slope_of(b)]) @ self.along
        return -found if self.sense == _TOP else found

    def shown(self, slope: Floats) -> tuple[float, float]:
        """Return what the instrument shows for a slope, or a change of slope (2,) [m per m]."""
        return reader_values(
            slope,
            bearing_a_deg=self.bearing_a_deg,
            bearing_b_deg=self.bearing_b_deg,
            sense=self.sense,
            unit=self.unit,
            level_length_mm=self.level_length_mm,
        )

    @property
    def along(self) -> Floats:
        """Unit vectors (2, 2) of directions a and b."""
        angle = np.radians([self.bearing_a_deg, self.bearing_b_deg])
        return np.column_stack([np.sin(angle), np.cos(angle)])

    def linear(self) -> Reader:
        """Return the same reader with a unit that can be drawn to scale: mm/m in place of 1:n."""
        return replace(self, unit=_MM_PER_M) if self.unit == _ONE_IN else self

    def _slope_of(self, value: float) -> float:
        if self.unit == _ONE_IN:
            return 1.0 / value if value else 0.0
        if self.unit == _DEG:
            return math.tan(math.radians(value))
        return value / {_MM_PER_M: 1000.0, _PERCENT: 100.0, _MM: self.level_length_mm}[self.unit]


@dataclass(frozen=True, kw_only=True)
class Said:
    """A reading as typed, unread: None for what was not said."""

    tilt_a: str | None = None
    tilt_b: str | None = None
    unit: str | None = None
    depth: str | None = None
    bearing_a_deg: str | None = None
    bearing_b_deg: str | None = None
    sense: str | None = None

    @property
    def reading(self) -> bool:
        """Whether a reading is given, and not only how one is made."""
        return any(one is not None for one in (self.tilt_a, self.tilt_b, self.depth))


@dataclass(frozen=True, kw_only=True)
class Station:
    """What a reading is made at: a pile, its direction towards the pit, and what site.toml says of readings."""

    pile_id: str
    pit_bearing_deg: float
    """NaN for a pile without a wall."""
    why_bearing: str
    """Why a reading must say its bearing; "" where it need not."""
    sense: str | None
    """As in ``[readings]`` of site.toml."""
    level_length_mm: float
    commence: float
    toe: float


def station_of(survey: Survey, alignment: Alignment, pile: int, *, toe: float) -> Station:
    """Return what a reading of a pile, its place in the design table, is made at; ``toe``: its level [m]."""
    settings, design = survey.settings, survey.design
    pit, turn = alignment.pit[pile], float(alignment.turn_deg[pile])
    why = ""
    if int(design["status"][pile]) == _ADDED:
        why = "it is an added pile"
    elif np.isnan(pit).any():
        why = "a wall of one pile has no direction"
    elif turn > CORNER_DEG + _ROUNDING_DEG:
        why = f"the wall turns by {turn:.0f} degrees there"
    return Station(
        pile_id=str(design["pile_id"][pile]),
        pit_bearing_deg=float(np.mod(np.degrees(np.arctan2(pit[0], pit[1])), 360.0)),
        why_bearing=why,
        sense=settings.readings.sense,
        level_length_mm=settings.readings.level_length_mm,
        commence=settings.levels.commence,
        toe=toe,
    )


# --------------------------------------------------------------------------------------------- what is wrong with it


def option_problem(option: str, text: str, expected: str) -> Problem:
    """Return a problem with what was asked for, as those of files are told."""
    return Problem(file="command line", column=option, text=text, expected=expected)


def find_pile(pile_id: str, known: Sequence[str]) -> tuple[int, list[Problem]]:
    """Return the place of a pile in the design table, and no problem; or -1 and what is wrong."""
    if pile_id in known:
        return list(known).index(pile_id), []
    close = difflib.get_close_matches(pile_id, known, n=1, cutoff=0.5)
    expected = "a pile of the design table" + (f", the nearest is {close[0]}" if close else "")
    return -1, [option_problem("PILE", f"no pile {pile_id!r}", expected)]


def as_said(
    said: Said, station: Station | None, *, others: Sequence[Problem] = (), steep: bool = False
) -> tuple[Reader, Lean]:
    """Return the reader and the lean of a reading given on the command line.

    Parameters
    ----------
    said : Said
    station : Station or None
        None where the pile is not known: ``others`` says so, and what can be checked without it is.
    others : sequence of Problem
        What else is wrong; all is told at once.
    steep : bool
        Whether a lean beyond 1 in 20 was confirmed.

    Raises
    ------
    InputError
        With every problem.
    """
    problems = [*others]
    figures = {name: _figure(said, name, problems) for name in ("tilt_a", "tilt_b", "depth")}
    reader = _reader(said, station, problems)
    if station is not None and not math.isnan(figures["depth"]):
        problems.extend(_depth(figures["depth"], station))
    lean = None
    if reader is not None and not any(map(math.isnan, figures.values())):
        problems.extend(_steep(figures, reader) if not steep else ())
        assert station is not None  # noqa: S101  # there is no reader without one
        slope = reader.slope(figures["tilt_a"], figures["tilt_b"])
        lean = Lean(level=station.commence - figures["depth"], slope=slope)
    if problems or reader is None or lean is None:
        raise InputError(problems)
    return reader, lean


def stored_reader(said: Said, station: Station, tilts: Table | None, row: int = -1) -> Reader:
    """Return how a stored reading was made, ``row`` of a table of tilts, in what was said of it now.

    Without one: towards the pit, in mm/m, and where the pit is not known from north.

    Raises
    ------
    InputError
        With every problem of what was said.
    """
    problems: list[Problem] = []
    if tilts is not None:
        said = _as_stored(said, tilts, row)
    if said.bearing_a_deg is None and (station.why_bearing or math.isnan(station.pit_bearing_deg)):
        said = replace(said, bearing_a_deg="0")
    said = replace(said, unit=said.unit or _MM_PER_M, sense=said.sense or station.sense or _TOE)
    reader = _reader(said, station, problems)
    if problems or reader is None:
        raise InputError(problems)
    return reader


def card_reader(said: Said, station: Station, tilts: Table | None, problems: list[Problem]) -> Reader | None:
    """Return how readings are to be made at a pile: as its newest stored one was, in what was not said now.

    None where something is missing, which is added to ``problems``.
    """
    if tilts is not None:
        said = _as_stored(said, tilts, -1)
    return _reader(replace(said, unit=said.unit or _MM_PER_M), station, problems)


def refuse(said: Said, station: Station | None, problems: Sequence[Problem]) -> NoReturn:
    """Raise what is wrong elsewhere, with what is wrong with what was said and can be seen all the same."""
    if said.reading:
        as_said(said, station, others=problems)
    found = [*problems]
    if station is not None and station.why_bearing and said.bearing_a_deg is None and said.bearing_b_deg is None:
        said = replace(said, bearing_a_deg="0")
    _reader(replace(said, unit=said.unit or _MM_PER_M, sense=said.sense or _TOE), station, found)
    raise InputError(found)


def _as_stored(said: Said, tilts: Table, row: int) -> Said:
    """Return what was said, and the rest as in a row of stored readings."""
    a, b = (float(tilts[name][row]) for name in ("bearing_a_deg", "bearing_b_deg"))
    unsaid = said.bearing_a_deg is None and said.bearing_b_deg is None
    return replace(
        said,
        unit=said.unit or UNITS[int(tilts["unit"][row])],
        sense=said.sense or (SENSES[int(tilts["sense"][row])] if tilts["sense"][row] >= 0 else None),
        **_texts(a, b) if unsaid and not math.isnan(a) else {},
    )


def _texts(a: float, b: float) -> dict[str, str | None]:
    return {"bearing_a_deg": repr(a), "bearing_b_deg": None if math.isnan(b) else repr(b)}


def _figure(said: Said, name: str, problems: list[Problem], *, needed: bool = True) -> float:
    """Return a number as typed; NaN where there is none, which is a problem where it is needed."""
    text, option = getattr(said, name), f"--{name.removesuffix('_deg').replace('_', '-')}"
    expected = {
        "tilt_a": "the reading in direction a, such as 3.5",
        "tilt_b": "the reading in direction b, such as -1.2",
        "depth": "the depth of the reading below the commencing surface in metres, such as 4.0",
    }.get(name, "a bearing from site-grid north in degrees, such as 135")
    if text is None:
        if needed:
            problems.append(option_problem(option, "not given", expected))
        return math.nan
    found = _NUMBER.fullmatch(text.strip().replace("\u2212", "-"))
    if not found:
        problems.append(option_problem(option, f"{text!r} is no number", expected))
        return math.nan
    return float(found[0])


def _choice(said: str | None, choices: Sequence[str], option: str, missing: str, problems: list[Problem]) -> str:
    if said in choices:
        return str(said)
    what = "not given" if said is None else f"{said!r} is none"
    problems.append(option_problem(option, what, missing))
    return ""


def _reader(said: Said, station: Station | None, problems: list[Problem]) -> Reader | None:
    """Return the reader as said; None where something is missing, of which problems tell."""
    before = len(problems)
    unit = _choice(said.unit, UNITS, "--unit", f"the unit of both readings: {', '.join(UNITS)}", problems)
    sense = said.sense
    if sense is None and station is not None:
        sense = station.sense
    if station is not None or sense is not None:
        expected = "toe (readings say where the toe goes) or top (where the top leans)"
        expected += ", or sense in [readings] of site.toml" if said.sense is None else ""
        sense = _choice(sense, SENSES, "--sense", expected, problems)
    a = _figure(said, "bearing_a_deg", problems, needed=False)
    b = _figure(said, "bearing_b_deg", problems, needed=False)
    problems.extend(_bearings(said, station, a, b))
    if station is None or len(problems) > before:
        return None
    towards_pit = math.isnan(a)
    a = station.pit_bearing_deg if towards_pit else a % 360.0
    return Reader(
        bearing_a_deg=a,
        bearing_b_deg=float(np.mod(a + 90.0, 360.0)) if math.isnan(b) else b % 360.0,
        unit=unit,
        sense=str(sense),
        level_length_mm=station.level_length_mm,
        from_level=station.commence,
        towards_pit=towards_pit or abs((a - station.pit_bearing_deg + 180.0) % 360.0 - 180.0) < _PIT_DEG,
    )


def _bearings(said: Said, station: Station | None, a: float, b: float) -> Iterator[Problem]:
    """Yield what is wrong with the bearings: one needed, or one beside the other."""
    for option, value in (("--bearing-a", a), ("--bearing-b", b)):
        if abs(value) > 360.0:
            yield option_problem(option, f"{value:.10g} is no bearing", "degrees from site-grid north, 0 to 360")
    if said.bearing_a_deg is not None and not math.isnan(a) and not math.isnan(b):
        if abs((b - a) % 180.0 - 90.0) > _ROUNDING_DEG:
            one, other = ((a + turn) % 360.0 for turn in (90.0, 270.0))
            yield option_problem(
                "--bearing-b", f"{b:.10g} is not square to {a:.10g}", f"{one:.10g} or {other:.10g}"
            )
    elif said.bearing_a_deg is None and said.bearing_b_deg is not None:
        yield option_problem("--bearing-a", "not given beside --bearing-b", "both bearings, or a alone")
    elif said.bearing_a_deg is None and station is not None and station.why_bearing:
        what = f"not given, and at {station.pile_id} it is needed: {station.why_bearing}"
        yield option_problem("--bearing-a", what, "the bearing of direction a from site-grid north in degrees")


def _depth(depth: float, station: Station) -> Iterator[Problem]:
    toe = station.commence - station.toe
    if depth < 0.0:
        yield option_problem("--depth", f"{depth:.10g} m is above the ground", "metres below the commencing surface")
    elif depth > toe + 1e-6:
        what = f"{depth:.10g} m is below the toe of {station.pile_id}, at {toe:.2f} m"
        yield option_problem("--depth", what, "the depth of the reading below the commencing surface, in metres")


def _steep(figures: dict[str, float], reader: Reader) -> Iterator[Problem]:
    """Yield a lean that no tube has."""
    expected = "the figures in the unit that they were read in; look at the instrument again"
    for name in ("tilt_a", "tilt_b"):
        if reader.unit == _DEG and abs(figures[name]) >= 90.0:
            yield option_problem(f"--{name.replace('_', '-')}", f"{figures[name]:.10g} degrees from plumb", expected)
            return
    slope = float(np.hypot(*reader.slope(figures["tilt_a"], figures["tilt_b"])))
    if slope > STEEPEST * (1 + 1e-9):
        what = f"with --tilt-b and {reader.unit} a lean of {slope * 1000:.0f} mm/m, more than 1:20"
        yield option_problem("--tilt-a", what, expected)
