"""One lean reading taken down at the rig: checked as a load is, and put into the folder with its ledger line.

Nothing here needs more than NumPy and, for a closed wall, Shapely: an answer at the rig does not wait for larger
packages.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from asbuilt.commands._shared import say
from asbuilt.commands.reader import as_said, find_pile, option_problem, refuse
from asbuilt.commands.steer_case import case_of, places, station_at
from asbuilt.commands.trial import ledger_state
from asbuilt.compute.blunders_one import search_reading
from asbuilt.compute.repeats import repeated_of
from asbuilt.compute.withdrawn import why_withdrawn
from asbuilt.errors import InputError
from asbuilt.intake.beside import with_readings
from asbuilt.intake.history import is_load
from asbuilt.intake.ledger import read_ledger, taking_in, unrecorded
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.intake.times import parse_times
from asbuilt.reconcile_near import reconcile_near

if TYPE_CHECKING:
    from pathlib import Path

    from asbuilt.commands.reader import Said
    from asbuilt.commands.steer_case import Case
    from asbuilt.errors import Problem
    from asbuilt.model import Finding, Reconciliation, Survey

__all__ = ["Noted", "take_down"]


@dataclass(frozen=True, kw_only=True)
class Noted:
    """What came of a reading: where it stands, what is odd about it, and the answer."""

    survey: Survey
    """The folder, with the reading in it."""
    taken: bool
    path: str
    """Its file; where the folder had it already that one, with its line; "" where it was refused."""
    findings: tuple[Finding, ...]
    case: Case | None
    """None where it was refused."""


@dataclass(frozen=True, kw_only=True)
class _Tried:
    """A reading as it would be taken down, read together with the folder as it is."""

    before: Survey
    survey: Survey
    pile: int
    source: Source
    findings: tuple[Finding, ...]
    already: str
    """File and line where the folder has it, "" where it has not."""


def take_down(
    folder: Path, name: str, said: Said, *, attempt: int | None, at: str | None, by: str, why: str | None
) -> Noted:
    """Take a reading down, and work out what it means.

    Parameters
    ----------
    folder, name, said
        The survey folder, the pile, and the reading as typed.
    attempt
        Which attempt it was read in; None: the one that is being drilled.
    at
        When, as a table would have it; None: now, to the minute, so that one typed twice is seen to be one.
    by, why
        Who takes it down, and why it is right in spite of what is odd about it; None: nobody says so.

    Raises
    ------
    InputError
        With everything that is wrong with the folder, the pile and the reading.
    UsageError, TargetError
        When the folder is none, or cannot be written.
    """
    now = datetime.now(UTC)
    _look_at_changes(folder, said)
    while True:
        tried = _try(folder, name, said, attempt=attempt, at=at, by=by, now=now, steep=why is not None)
        if tried.already:
            return _noted(tried, name, said, taken=False, steep=why is not None)
        if tried.findings and why is None:
            return Noted(survey=tried.before, taken=False, path="", findings=tried.findings, case=None)
        state = ledger_state((row["action"], row["file"], row["sha256"]) for row in tried.before.ledger_rows)
        with taking_in(folder, by=by, told=say) as entry:
            if ledger_state((line.action, line.file, line.sha256) for line in entry.lines) != state:
                continue  # another took something in meanwhile: it is held against that too
            entry.add(tried.source.path, tried.source.data, action="load", note=_note(tried, why))
        return _noted(tried, name, said, taken=True, steep=why is not None)


def _note(tried: _Tried, why: str | None) -> str:
    """Return what the ledger keeps of a confirmation: why, and what it was said of."""
    if why is None or not tried.findings:
        return why or ""
    return f"{why}; confirmed: {', '.join(dict.fromkeys(f'{one.kind} {one.item}' for one in tried.findings))}"


def _noted(tried: _Tried, name: str, said: Said, *, taken: bool, steep: bool) -> Noted:
    near = reconcile_near(tried.survey if taken else tried.before, tried.pile)
    return Noted(
        survey=tried.survey,
        taken=taken,
        path=tried.source.path if taken else tried.already,
        findings=tried.findings,
        case=case_of(near, name, said, steep=steep),
    )


def _try(
    folder: Path,
    name: str,
    said: Said,
    *,
    attempt: int | None,
    at: str | None,
    by: str,
    now: datetime,
    steep: bool,
) -> _Tried:
    """Return a reading read together with the folder, and what is odd about it; nothing is written."""
    before = _read(folder, said, light=True)
    site = before.settings.site
    zone = ZoneInfo(site.time_zone)
    moment = at or now.astimezone(zone).isoformat(timespec="minutes")
    pile, problems = find_pile(name, before.design["pile_id"].tolist())
    wrong_time = parse_times(np.array([moment], dtype=object), zone=zone).bad
    problems += [option_problem("--at", what, expected) for what, expected in wrong_time.values()]
    number = attempt
    station = None
    if pile >= 0:
        near = reconcile_near(before, pile)
        governs = int(near.centres.attempt[pile])
        number = number or governs
        problems += _not_drilled(near, pile, name, number, governs)
        station = station_at(near, pile)[0]
        if number > governs:
            station = replace(station, toe=float(before.design["toe_level"][pile]))
    as_said(said, station, others=problems, steep=steep)
    source = Source(
        path=_free_path(before, folder, name, moment, zone),
        table="tilts",
        data=_row(name, said, moment=moment, attempt=number or 1, by=by),
    )
    survey = with_readings(before, source)
    place = len(before.files)
    found = search_reading(
        survey, survey.tilts.file == place, now=np.datetime64(now.replace(tzinfo=None), "ms")
    )
    return _Tried(
        before=before,
        survey=survey,
        pile=pile,
        source=source,
        findings=tuple(one for one in found if one.kind != "already_loaded"),
        already=_standing(survey, place),
    )


def _standing(survey: Survey, place: int) -> str:
    """Return file and line of the reading that the one in the file at ``place`` repeats, "" for none."""
    tilts = survey.tilts
    new = tilts.file == place
    counts = why_withdrawn(tilts, survey.withdrawals) == np.array(None)
    own = tilts.take(counts & np.isin(tilts.pile, tilts.pile[new]))
    fresh = own.file == place
    like = int(repeated_of(own, late=fresh)[fresh][0])
    return "" if like < 0 else f"{survey.files[int(own.file[like])].path}:{own.line[like]}"


def _read(folder: Path, said: Said, *, light: bool) -> Survey:
    """Read the folder; what is wrong with its files is told with what is wrong with the reading."""
    try:
        return read_survey(folder, light=light)
    except InputError as caught:
        refuse(said, None, caught.problems)


def _look_at_changes(folder: Path, said: Said) -> None:
    """Read the whole folder where something but loads was changed by hand, as the ledger is to record it.

    What this way of reading leaves out, the clear outline and the map's CRS, is looked at then too.
    """
    if any(not is_load(line.file) for line in unrecorded(folder, read_ledger(folder))):
        _read(folder, said, light=False)


def _not_drilled(near: Reconciliation, pile: int, name: str, attempt: int, governs: int) -> list[Problem]:
    """Return why a pile is not being drilled in an attempt."""
    _, found = places(near, [name])
    if attempt == governs or not near.piles.expected[pile]:
        return found
    if attempt == governs + 1:
        return []  # it begins with this reading: what was concreted is the attempt before
    what = f"attempt {attempt} of {name}, whose attempt {governs} is the last"
    return [*found, option_problem("--attempt", what, f"{governs}, or {governs + 1} where it is drilled anew")]


def _free_path(survey: Survey, folder: Path, name: str, moment: str, zone: ZoneInfo) -> str:
    """Return a path, with day and pile, that nothing in the folder has or had."""
    taken = {row["file"].casefold() for row in survey.ledger_rows} | {file.path.casefold() for file in survey.files}
    at = parse_times(np.array([moment], dtype=object), zone=zone).values[0]
    day = at.astype("datetime64[s]").astype(datetime).replace(tzinfo=UTC).astimezone(zone).date().isoformat()
    first = chosen = f"tilts/{day}_{name}"
    number = 1
    while f"{chosen}.csv".casefold() in taken or (folder / f"{chosen}.csv").exists():
        number += 1
        chosen = f"{first}_{number}"
    return f"{chosen}.csv"


def _row(name: str, said: Said, *, moment: str, attempt: int, by: str) -> bytes:
    """Return the reading as a table of one row: what was said, and nothing else."""
    cells = {
        "pile_id": name,
        "read_at": moment,
        "depth": _figure(said.depth),
        "tilt_a": _figure(said.tilt_a),
        "tilt_b": _figure(said.tilt_b),
        "unit": said.unit or "",
        "bearing_a_deg": _figure(said.bearing_a_deg),
        "bearing_b_deg": _figure(said.bearing_b_deg),
        "sense": said.sense or "",
        "attempt": str(attempt),
        "reader": by,
    }
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([list(cells), list(cells.values())])
    return text.getvalue().encode()


def _figure(text: str | None) -> str:
    """Return a number as typed, with the sign that a table has."""
    return "" if text is None else text.strip().replace("\N{MINUS SIGN}", "-")
