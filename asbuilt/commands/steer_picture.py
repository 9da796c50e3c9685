"""What the page for the rig shows, in the reader's own directions, sense and unit."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import POSITIONS, SENSES
from asbuilt.commands.steer_words import CAUTIONS, correction_text, figure, pair, target
from asbuilt.compute.steering_profile import overlap_profile
from asbuilt.output.sheets.rig import Mark, RigPicture
from asbuilt.output.sheets.rig_depth import RigJoint
from asbuilt.provenance import inputs_sha256

if TYPE_CHECKING:
    from asbuilt.commands.reader import Reader
    from asbuilt.commands.steer_case import Case
    from asbuilt.compute.steering_advice import JointAtLean
    from asbuilt.compute.steering_input import SteerInput
    from asbuilt.model import Floats, Reconciliation

__all__ = ["footer_of", "marks_of", "moment_of", "picture_of", "pit_ways", "shown_ring"]

#: The chord error of a drawn ring [m per m].
RING = 1e-5
#: Points of an ellipse, and standard uncertainties that 95 % of two directions take.
_AROUND, _TWO_WAYS = 72, 2.4477
#: Cosine of 30 degrees: two sides that turn by less are one.
_ONE_WAY = 0.866


def picture_of(case: Case, result: Reconciliation, *, tool_version: str) -> RigPicture:
    """Return the page for a case."""
    advice, given, reader = case.advice, case.given, case.reader.linear()
    reading = advice.reading
    moves = advice.answer == "correct"
    first = f"{advice.answer}: {advice.why}"
    if moves:
        first = f"correct {correction_text(advice, case.reader)} (sense {reader.sense})"
    return RigPicture(
        answer=f"{given.pile_id}: {first}",
        lines=_lines(case),
        footer=footer_of(result, tool_version=tool_version),
        label_a=f"a [{reader.unit}], bears {reader.bearing_a_deg:.1f} deg",
        label_b=f"b [{reader.unit}], bears {reader.bearing_b_deg:.1f} deg",
        b_right=reader.clockwise,
        window=shown_ring(reader, advice.window.polygon(RING)),
        sure_window=shown_ring(reader, advice.sure_window.polygon(RING)),
        empty_text=_empty(case),
        reading=None if reading is None else np.array(reader.shown(reading.slope)),
        ellipse=_ellipse(case, reader),
        trail=shown_ring(reader, np.array([one.slope for one in case.earlier]).reshape(-1, 2)),
        target=np.array(reader.shown(case.reader.slope(*target(advice, case.reader)))) if moves else None,
        least_bad=np.array(reader.shown(advice.nearest)) if advice.window.empty else None,
        marks=marks_of(case, result),
        joints=tuple(_joint(case, one) for one in advice.joints),
        formation_depth=reader.from_level - given.formation,
        reading_depth=np.nan if reading is None else reader.from_level - reading.level,
        keywords=f"inputs sha256 {inputs_sha256(result.survey)}",
        at=moment_of(result),
    )


def shown_ring(reader: Reader, slopes: Floats) -> Floats:
    """Return slopes (m, 2) as readings (a, b)."""
    return np.array([reader.shown(one) for one in slopes]).reshape(-1, 2)


def moment_of(result: Reconciliation) -> datetime:
    """Return the as-of date, the epoch where nothing is dated."""
    if np.isnat(result.as_of):
        return datetime(1970, 1, 1, tzinfo=UTC)
    return datetime.fromtimestamp(int(result.as_of.astype("datetime64[ms]").astype(np.int64)) / 1000.0, UTC)


def footer_of(result: Reconciliation, *, tool_version: str) -> tuple[str, ...]:
    """Return what stands at the foot of every page for the rig."""
    site = result.survey.settings.site
    changed = f"  CHANGED since taken in: {', '.join(result.survey.changed)}" if result.survey.changed else ""
    made = f"asbuilt {tool_version}, inputs {inputs_sha256(result.survey)[:12]}{changed}"
    last = f"{site.name}, as of {site.time_text(result.as_of)}, {made}"
    return " ".join(CAUTIONS[:2]), " ".join(CAUTIONS[2:]), last


def marks_of(case: Case, result: Reconciliation) -> tuple[Mark, ...]:
    """Return where the pit and the neighbours lie, as readings that lean there."""
    reader, given = case.reader, case.given
    who = "top" if reader.sense == SENSES[1] else "toe"
    found = [(pit, f"PIT SIDE: {who} to the pit") for pit in pit_ways(given)]
    for one in given.neighbours:
        centre = np.array([float(x) for x in _place(one.pile_id, result)])
        found.append((centre - given.design, f"{who} to {one.pile_id}"))
    return tuple(Mark(way=_way(reader, towards), text=text) for towards, text in found)


def pit_ways(given: SteerInput) -> list[Floats]:
    """Return the directions towards the pit that a picture tells apart: one along a wall, two on a corner."""
    if len(given.pits) < 2 or float(given.pits[0] @ given.pits[1]) < _ONE_WAY:
        return [*given.pits]
    middle = given.pits.mean(axis=0)
    return [middle / float(np.hypot(*middle))]


def _place(pile_id: str, result: Reconciliation) -> tuple[float, float]:
    place = result.survey.design["pile_id"].tolist().index(pile_id)
    return float(result.piles.design_e[place]), float(result.piles.design_n[place])


def _way(reader: Reader, towards: Floats) -> Floats:
    """Return a direction on the ground as one of readings: plus a is towards bearing a, whatever leans there."""
    way: Floats = reader.along @ towards
    return way / float(np.hypot(*way))


def _lines(case: Case) -> tuple[str, ...]:
    advice, reader = case.advice, case.reader
    lines = [f"{advice.why}." if advice.answer != "stop and ask" else "Ask the responsible engineer."]
    way = "the top leans that way" if reader.sense == SENSES[1] else "the toe goes that way"
    if advice.reading is not None:
        read = pair(reader.shown(advice.reading.slope), reader.unit)
        depth = figure(reader.from_level - advice.reading.level, digits=2)
        lines[0] = f"Read {read} {reader.unit} at {depth} m: {lines[0]}"
        if advice.answer == "correct":
            lines.append(f"To be inside: {pair(target(advice, reader), reader.unit)} {reader.unit}.")
    lines.append(f"Plus says that {way} (sense {reader.sense}).")
    if case.check_sense:
        lines.append(case.check_sense)
    return (lines[0], "  ".join(lines[1:]))


def _empty(case: Case) -> str:
    if case.advice.window.empty:
        return "No lean keeps every joint, the verticality limit and the pit clear."
    return "No lean is sure to keep every joint." if case.advice.sure_window.empty else ""


def _ellipse(case: Case, reader: Reader) -> Floats:
    """Return the 95 % ellipse of the reading: its own scatter and the instrument's, not what is below it."""
    reading, given = case.advice.reading, case.given
    if reading is None:
        return np.empty((0, 2))
    sigma = math.hypot(given.sigma_reading / math.sqrt(reading.count), given.sigma_systematic)
    angle = np.linspace(0.0, 2.0 * np.pi, _AROUND)
    around = np.column_stack([np.cos(angle), np.sin(angle)])
    return shown_ring(reader, reading.slope + _TWO_WAYS * sigma * around)


def _joint(case: Case, one: JointAtLean) -> RigJoint:
    side, top = one.neighbour, case.reader.from_level
    notes = ["NOT BUILT: at design"] if side.is_built == POSITIONS[1] else ["as built"]
    if side.lean == "assumed":
        notes = ["never read: as plumb"]
    if not np.isnan(side.toe_level):
        notes.append(f"OPEN below {top - side.toe_level:.2f} m")
    none = np.empty(0)
    depth, overlap, low, high = none, none, none, none
    if case.advice.reading is not None:
        found = overlap_profile(case.given, side, case.advice.reading)
        depth = top - found.level
        overlap, low, high = (1000.0 * x for x in (found.overlap, found.low, found.high))
    return RigJoint(
        title=side.joint_id,
        note=", ".join(notes),
        required=1000.0 * side.required,
        depth=depth,
        overlap=overlap,
        low=low,
        high=high,
        top=top - side.top,
        bottom=top - side.bottom,
        lost=top - one.lost_level,
    )
