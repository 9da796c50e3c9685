"""The pile that is being drilled, out of a survey folder: its readings, who reads, and what is worked out from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

import numpy as np

from asbuilt.columns import SENSES
from asbuilt.commands.reader import (
    Reader,
    Station,
    as_said,
    find_pile,
    option_problem,
    refuse,
    station_of,
    stored_reader,
)
from asbuilt.compute.alignment import align
from asbuilt.compute.known import counting
from asbuilt.compute.readings import slopes_of_readings
from asbuilt.compute.steering_advice import Advice, Lean, advise
from asbuilt.compute.steering_input import steer_input

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.commands.reader import Said
    from asbuilt.compute.alignment import Alignment
    from asbuilt.compute.steering_input import SteerInput
    from asbuilt.errors import Problem
    from asbuilt.model import Reconciliation, Table

__all__ = ["Case", "Stored", "case_of", "check_sense", "places", "station_at", "stored_readings"]

_ROUNDING_M = 1e-6


@dataclass(frozen=True, kw_only=True)
class Stored:
    """The readings of a pile that count, in the order they were made: rows of the table, and leans."""

    tilts: Table
    leans: tuple[Lean, ...]


@dataclass(frozen=True, kw_only=True)
class Case:
    """One pile at the rig, and the answer."""

    given: SteerInput
    station: Station
    reader: Reader
    advice: Advice
    earlier: tuple[Lean, ...]
    """Readings made before, in the order they were made."""
    read_at: np.datetime64
    """When the reading was stored; NaT for one given on the command line, or none."""
    check_sense: str
    """Said where stored readings of this pile have another sense than the one taken; "" where none has."""


def places(result: Reconciliation, names: Sequence[str]) -> tuple[list[int], list[Problem]]:
    """Return the places of piles in the design table, and why some of them cannot be steered."""
    known = result.survey.design["pile_id"].tolist()
    found: list[int] = []
    problems: list[Problem] = []
    for name in dict.fromkeys(names):
        place, wrong = find_pile(name, known)
        wrong = wrong or [*_not_steerable(result, place)]
        problems.extend(wrong)
        if not wrong:
            found.append(place)
    return found, problems


def _not_steerable(result: Reconciliation, pile: int) -> Iterator[Problem]:
    """Yield why a pile is not being drilled any more, or never will be."""
    name = result.survey.design["pile_id"][pile]
    if not result.piles.expected[pile]:
        yield option_problem("PILE", f"{name} is omitted in the design", "a pile that is, or is to be, drilled")
        return
    records = counting(result.survey, "records", result.as_of)[0]
    mine = (records.pile == pile) & (records["attempt"] == result.centres.attempt[pile])
    if np.any(~np.isnat(records["concreted_at"][mine])) or np.any(~np.isnan(records["concrete_m3"][mine])):
        expected = "a pile that can still be turned; where this one is redrilled, record its next attempt first"
        yield option_problem("PILE", f"{name} is concreted already", expected)


def stored_readings(result: Reconciliation, pile: int, alignment: Alignment) -> Stored:
    """Return the readings of the attempt being drilled, in the order they were made."""
    tilts = counting(result.survey, "tilts", result.as_of)[0]
    tilts = tilts.take(np.flatnonzero((tilts.pile == pile) & (tilts["attempt"] == result.centres.attempt[pile])))
    # the deeper of two made at one time is the later
    tilts = tilts.take(np.lexsort((tilts["depth"], tilts["read_at"])))
    slopes = np.column_stack(slopes_of_readings(tilts, result.survey.settings, alignment))
    level = tilts["from_level"] - tilts["depth"]
    leans = (Lean(level=float(z), slope=slope) for z, slope in zip(level, slopes, strict=True))
    return Stored(tilts=tilts, leans=tuple(leans))


def case_of(result: Reconciliation, name: str, said: Said, *, steep: bool = False) -> Case:
    """Return the answer for a pile: with the reading given, else with its newest.

    ``steep``: a lean beyond 1 in 20 was confirmed.

    Raises
    ------
    InputError
        With everything that is wrong with the pile and the reading.
    """
    found, problems = places(result, [name])
    if problems:
        _refuse(result, name, said, problems)
    pile = found[0]
    station, alignment = station_at(result, pile)
    stored = stored_readings(result, pile, alignment)
    read_at = np.datetime64("NaT", "ms")
    reading: Lean | None
    earlier = stored.leans
    if said.reading:
        reader, reading = as_said(said, station, steep=steep)
    else:
        reader = stored_reader(said, station, stored.tilts if earlier else None)
        reading = earlier[-1] if earlier else None
        earlier, read_at = earlier[:-1], stored.tilts["read_at"][-1] if earlier else read_at
    at = reading.level if reading else np.nan
    above = [one for one in earlier if one.level > at + _ROUNDING_M]
    given = steer_input(result, pile)
    return Case(
        given=given,
        station=station,
        reader=reader,
        advice=advise(given, reading, above),
        earlier=earlier,
        read_at=read_at,
        check_sense=check_sense(stored, station, reader.sense),
    )


def check_sense(stored: Stored, station: Station, taken: str) -> str:
    """Return what is said where stored readings of a pile have another sense than the one taken; "" for nothing."""
    senses = stored.tilts["sense"]
    if station.sense is not None:
        senses = np.where(senses < 0, SENSES.index(station.sense), senses)
    if not np.any((senses >= 0) & (senses != SENSES.index(taken))):
        return ""
    return f"CHECK THE SENSE: stored readings of {station.pile_id} have the other one."


def station_at(result: Reconciliation, pile: int) -> tuple[Station, Alignment]:
    """Return what a reading of a pile is made at, and the axes of the walls."""
    survey = result.survey
    alignment = align(survey.design, survey.settings, e=result.piles.design_e, n=result.piles.design_n)
    return station_of(survey, alignment, pile, toe=float(result.axes.toe[pile])), alignment


def _refuse(result: Reconciliation, name: str, said: Said, problems: list[Problem]) -> NoReturn:
    """Raise for a pile that cannot be steered, with what is wrong with the reading too."""
    known = result.survey.design["pile_id"].tolist()
    drilled = name in known and result.piles.expected[known.index(name)]
    station = station_at(result, known.index(name))[0] if drilled else None
    refuse(said, station, problems)
