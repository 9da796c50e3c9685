"""Blank cards for the rig: what each direction may show at some depths, which way is which, and lines to write on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import POSITIONS, SENSES, TABLES, UNITS
from asbuilt.commands.reader import card_reader, refuse
from asbuilt.commands.steer_case import check_sense, places, station_at, stored_readings
from asbuilt.commands.steer_picture import footer_of, moment_of, pit_ways
from asbuilt.commands.steer_words import DIGITS, figure
from asbuilt.compute.steering import sure_window
from asbuilt.compute.steering_box import largest_box
from asbuilt.compute.steering_input import places as places_at
from asbuilt.compute.steering_input import steer_input
from asbuilt.errors import InputError
from asbuilt.output.sheets.rig_card import CardLimit, CardNeighbour, RigCard
from asbuilt.provenance import inputs_sha256

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.commands.reader import Reader, Said, Station
    from asbuilt.commands.steer_case import Stored
    from asbuilt.compute.steering_input import SteerInput
    from asbuilt.errors import Problem
    from asbuilt.model import Floats, Reconciliation

__all__ = ["card_object", "cards_of", "limits_of"]

#: Depths that a card gives limits at [m]; the toe comes besides.
DEPTHS = (2.0, 4.0, 8.0)


def cards_of(result: Reconciliation, names: Sequence[str], said: Said, *, tool_version: str) -> list[RigCard]:
    """Return the cards of piles, in the order named.

    Raises
    ------
    InputError
        With everything that is wrong with any of the piles, and with how they are read.
    """
    found, problems = places(result, names)
    if not found:
        refuse(said, None, problems)
    readers, checks = [], []
    for pile in found:
        wrong: list[Problem] = []
        station, alignment = station_at(result, pile)
        stored = stored_readings(result, pile, alignment)
        reader = card_reader(said, station, stored.tilts if stored.leans else None, wrong)
        readers.append(reader)
        checks.append("" if reader is None else _check(stored, station, reader))
        problems.extend(one for one in wrong if one not in problems)
    if problems:
        raise InputError(problems)
    return [
        _card(result, pile, reader, check, tool_version=tool_version)
        for pile, reader, check in zip(found, readers, checks, strict=True)
        if reader is not None
    ]


def _check(stored: Stored, station: Station, reader: Reader) -> str:
    """Return what is said where stored readings have another sense than the card, or than site.toml; "" for nothing."""
    if not stored.leans or station.sense in (None, reader.sense):
        return check_sense(stored, station, reader.sense)
    return check_sense(stored, station, reader.sense) or check_sense(stored, station, station.sense).replace(
        "have the other one.", f"say {reader.sense}, site.toml {station.sense}."
    )


def _made_for(given: SteerInput) -> tuple[str, str]:
    """Return which centre a card holds for, and which neighbours are taken as what nobody has measured."""
    centre = {
        "pickup": f"as picked up at {figure(given.level, digits=2, plus=True)} m",
        "set out": "as set out (approved), no pickup of it yet",
        "design": "at design, no pickup of it yet",
    }[given.centre_is]
    taken = [
        f"{one.pile_id} at design (not built)" if one.is_built == POSITIONS[1] else f"{one.pile_id} plumb (never read)"
        for one in given.neighbours
        if one.is_built == POSITIONS[1] or one.lean == "assumed"
    ]
    return (
        f"Made for the centre {centre}. After a pickup of it or of a neighbour: print a new card.",
        f"Neighbours assumed: {', '.join(taken) or 'none'}.",
    )


def _card(result: Reconciliation, pile: int, reader: Reader, check: str, *, tool_version: str) -> RigCard:
    given = steer_input(result, pile)
    way = "the top leans that way" if reader.sense == SENSES[1] else "the toe goes that way"
    return RigCard(
        pile_id=given.pile_id,
        heading=f"Pile {given.pile_id}: readings at the rig",
        how=f"Readings in {reader.unit}. Plus says that {way} (sense {reader.sense}).",
        check=check,
        made_for=_made_for(given),
        bearings=(f"a {reader.bearing_a_deg:.1f} deg", f"b {reader.bearing_b_deg:.1f} deg"),
        b_right=reader.clockwise,
        unit=reader.unit,
        sense=reader.sense,
        bearing_deg=(reader.bearing_a_deg, reader.bearing_b_deg),
        limits=tuple(limits_of(given, reader)),
        radius=given.radius,
        pits=tuple(reader.along @ pit for pit in pit_ways(given)),
        neighbours=tuple(_neighbour(given, reader, k) for k in range(len(given.neighbours))),
        columns=tuple(one.name for one in TABLES["tilts"].columns if one.name != "pile_id"),
        written={
            "unit": reader.unit,
            "bearing_a_deg": f"{reader.bearing_a_deg:.1f}",
            "bearing_b_deg": f"{reader.bearing_b_deg:.1f}",
            "sense": reader.sense,
            "from_level": figure(reader.from_level, digits=2),
            "attempt": str(int(result.centres.attempt[pile])),
        },
        footer=footer_of(result, tool_version=tool_version),
        keywords=f"inputs sha256 {inputs_sha256(result.survey)}",
        at=moment_of(result),
    )


def _neighbour(given: SteerInput, reader: Reader, number: int) -> CardNeighbour:
    """Return where a neighbour stands from the pile, along a and b [m], at the level of the pile's centre."""
    one = given.neighbours[number]
    away = places_at(one, np.array([given.level]))[0] - given.centre
    built = one.is_built != POSITIONS[1]
    return CardNeighbour(
        name=one.pile_id if built else f"{one.pile_id} (not built)",
        at=reader.along @ away,
        radius=one.radius,
        built=built,
    )


def limits_of(given: SteerInput, reader: Reader) -> list[CardLimit]:
    """Return what both directions may show, each on its own, at some depths and at the toe.

    They are the largest upright box in the sure window, rounded inwards. That window only grows as the pile is read
    deeper, so that the limits at a depth hold below it too.
    """
    toe = reader.from_level - given.toe
    depths = [depth for depth in DEPTHS if depth < toe]
    found = []
    for depth, name in [*((depth, f"{depth:.0f} m") for depth in depths), (toe, f"toe, {toe:.2f} m")]:
        window = sure_window(given, read_to=reader.from_level - depth)
        box = largest_box(window, reader.along)
        a, b = (_inwards(reader, box[k], k) for k in (0, 1))
        found.append(CardLimit(depth=depth, name=name, a=a, b=b))
    return found


def _inwards(reader: Reader, ends: Floats, direction: int) -> tuple[float, float] | None:
    """Return the lowest and the highest reading of one direction, in its unit, rounded inwards; None for none."""
    if np.isnan(ends).any():
        return None
    sign = -1.0 if reader.sense == SENSES[1] else 1.0
    low, high = sorted(sign * ends)
    way = sign * reader.along[direction]
    step = 10.0 ** -DIGITS[reader.unit]

    def rounded(slope: float) -> list[tuple[float, float]]:
        """Return the two printed readings around a slope, each with its own."""
        exact = reader.shown(slope * way)[direction]
        if reader.unit == UNITS[1] and exact == 0.0:
            return [(0.0, 0.0)]
        near = {math.floor(exact / step) * step, math.ceil(exact / step) * step}
        values = [round(one, DIGITS[reader.unit]) + 0.0 for one in near]
        pairs = []
        for value in values:
            both = (value, 0.0) if direction == 0 else (0.0, value)
            pairs.append((float(reader.slope(*both) @ way), value))
        return pairs

    lows = [one for one in rounded(low) if one[0] >= low - 1e-12]
    highs = [one for one in rounded(high) if one[0] <= high + 1e-12]
    if not lows or not highs or min(lows)[0] > max(highs)[0]:
        return None
    return min(lows)[1], max(highs)[1]


def card_object(card: RigCard) -> dict[str, object]:
    """Return a card as the object that ``--json`` prints."""
    return {
        "pile_id": card.pile_id,
        "unit": card.unit,
        "sense": card.sense,
        "bearing_a_deg": card.bearing_deg[0],
        "bearing_b_deg": card.bearing_deg[1],
        "limits": [{"depth": one.depth, "a": one.a, "b": one.b} for one in card.limits],
    }
