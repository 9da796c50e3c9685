"""Drilling and concreting records: how far each pile is, and whether sequence and concrete are as expected.

None of it changes a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import KINDS, OBJECTS, PROGRESS, TABLES
from asbuilt.compute.verdicts import SLACK_M
from asbuilt.compute.wording import beyond
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Booleans, Codes, Floats, Integers, Joints, Table, Texts, Times
    from asbuilt.settings import Settings

__all__ = [
    "CONCRETE_RATIO",
    "NEARLY_DRILLED_M",
    "GoverningRecords",
    "concrete_findings",
    "concrete_ratio",
    "governing_attempts",
    "governing_records",
    "progress",
    "sequence_findings",
]

CONCRETE_RATIO = (0.95, 1.30)
"""Least and greatest ordinary ratio of concrete placed to theoretical volume.

Common practice, not from a standard: less than the theoretical volume points to a neck or a misread delivery,
much more to a cavity or overbreak.
"""

NEARLY_DRILLED_M = 3.0
"""A pile whose lean was read so near to its toe [m] is drilled: the last stage of reading is no longer than that.

Common practice.
"""

_TO_DRILL, _DRILLED, _CONCRETED, _SURVEYED, _ABANDONED = range(len(PROGRESS))
_PRIMARY, _SECONDARY = KINDS.index("primary"), KINDS.index("secondary")
_OMITTED = TABLES["design"].column("status").choices.index("omitted")
_CHECK_SHOT = OBJECTS.index("check")
_HOUR = np.timedelta64(3_600_000, "ms")


@dataclass(frozen=True, kw_only=True)
class GoverningRecords:
    """The record of each pile's governing attempt; arrays over the n piles of the design table.

    Where several rows speak of one attempt a later row replaces what an earlier one said, and leaves it where
    it is itself blank. NaN, NaT and None: not recorded.
    """

    recorded: Booleans
    """Whether there is any row."""
    drilled_at: Times
    concreted_at: Times
    toe_level: Floats
    """[m]"""
    casing_od_mm: Floats
    concrete_m3: Floats
    rig: Texts
    note: Texts
    row: Integers
    """Place in the records table of the last row of the attempt; -1 for none."""
    file: Integers
    """Place in the survey's files of that row; -1 for none."""
    line: Integers
    """Line of that row; 0 for none."""


def governing_attempts(count: int, *tables: Table) -> Integers:
    """Return the governing attempt of each of ``count`` piles: the greatest in any of the tables, at least 1.

    Parameters
    ----------
    count : int
        Number of design piles.
    *tables : Table
        Tables with a column ``attempt``: pickups, tilts, profiles, records.

    Returns
    -------
    (count,) array of int
        A lower attempt was given up and redrilled: none of its rows serves the pile.
    """
    attempts = np.ones(count, dtype=np.int64)
    for table in tables:
        on_pile = table.pile >= 0
        np.maximum.at(attempts, table.pile[on_pile], table["attempt"][on_pile].astype(np.int64))
    return attempts


def _of_attempt(table: Table, attempts: Integers) -> Booleans:
    """Return which rows belong to their pile's governing attempt."""
    on_pile = table.pile >= 0
    same: Booleans = on_pile & (table["attempt"] == attempts[np.where(on_pile, table.pile, 0)])
    return same


def _known(values: npt.NDArray[Any]) -> Booleans:
    if values.dtype.kind == "M":
        known: Booleans = ~np.isnat(values)
    elif values.dtype.kind == "O":
        known = np.array([value is not None and value != "" for value in values.tolist()], dtype=np.bool_)
    else:
        known = np.isfinite(values.astype(np.float64))
    return known


def governing_records(records: Table, *, attempts: Integers) -> GoverningRecords:
    """Return the record of each pile's governing attempt.

    Parameters
    ----------
    records : Table
        The records table; later rows (in the order of files and lines) complete and correct earlier ones.
    attempts : (n,) array of int
        Governing attempts, from :func:`governing_attempts`.
    """
    count = len(attempts)
    rows = np.flatnonzero(_of_attempt(records, attempts)) if count else np.empty(0, np.int64)
    row = np.full(count, -1, dtype=np.int64)
    row[records.pile[rows]] = rows  # of several assignments to one place NumPy keeps the last

    def latest(name: str, blank: object, dtype: str) -> npt.NDArray[Any]:
        values = records[name]
        found = np.full(count, blank, dtype=dtype)
        stated = rows[_known(values[rows])]
        found[records.pile[stated]] = values[stated]
        return found

    never = np.datetime64("NaT", "ms")
    recorded = row >= 0
    return GoverningRecords(
        recorded=recorded,
        drilled_at=latest("drilled_at", never, "datetime64[ms]"),
        concreted_at=latest("concreted_at", never, "datetime64[ms]"),
        toe_level=latest("toe_level", np.nan, "float64"),
        casing_od_mm=latest("casing_od_mm", np.nan, "float64"),
        concrete_m3=latest("concrete_m3", np.nan, "float64"),
        rig=latest("rig", None, "object"),
        note=latest("note", None, "object"),
        row=row,
        file=np.where(recorded, _at(records.file, row, -1), -1),
        line=np.where(recorded, _at(records.line, row, 0), 0),
    )


def _at(values: npt.NDArray[np.int32], row: Integers, blank: int) -> Integers:
    """Return ``values[row]`` as int64, ``blank`` where the table is empty."""
    if not len(values):
        return np.full(len(row), blank, dtype=np.int64)
    found: Integers = values[np.maximum(row, 0)].astype(np.int64)
    return found


def progress(
    *,
    design: Table,
    governing: GoverningRecords,
    pickups: Table,
    attempts: Integers,
    surveyed: Booleans,
    read_to: Floats | None = None,
    toe: Floats | None = None,
) -> Codes:
    """Return how far each pile is, as a place in ``columns.PROGRESS``.

    Parameters
    ----------
    design : Table
        The design table of n piles.
    governing : GoverningRecords
        Records of the governing attempts.
    pickups : Table
        Pickups of all attempts.
    attempts : (n,) array of int
        Governing attempts.
    surveyed : (n,) array of bool
        Whether the pile has a governing surveyed centre.
    read_to, toe : (n,) arrays, optional
        Level of the deepest lean reading or profile row of the governing attempt, NaN for none, and of the toe [m].

    Returns
    -------
    (n,) array of int8
        *surveyed*: it has a centre; *concreted*: a time or a volume of concrete is recorded; *drilled*:
        drilling, a toe or a casing is recorded, it was shot without a centre coming of it, or its lean was read to
        within :data:`NEARLY_DRILLED_M` of the toe; else *to drill* (a pile that was read less deep is being drilled).
        A pile that the design omits is *abandoned* when anything of it was recorded, read or shot; otherwise -1: it is
        never to be drilled.
        A pile that was given up and redrilled is not abandoned: its later attempt governs.
    """
    count = len(design)
    shot = np.zeros(count, dtype=np.bool_)
    on_wall = pickups["object"] != _CHECK_SHOT
    shot[pickups.pile[on_wall & _of_attempt(pickups, attempts)]] = True
    drilled = _known(governing.drilled_at) | _known(governing.toe_level) | _known(governing.casing_od_mm)
    if read_to is not None and toe is not None:
        drilled |= read_to <= toe + NEARLY_DRILLED_M  # NaN compares false: not read
    concreted = _known(governing.concreted_at) | (governing.concrete_m3 > 0)
    code = np.select(
        [surveyed, concreted, drilled | shot], [_SURVEYED, _CONCRETED, _DRILLED], default=_TO_DRILL
    )
    begun = governing.recorded | surveyed
    if read_to is not None:
        begun |= np.isfinite(read_to)
    begun[pickups.pile[on_wall & (pickups.pile >= 0)]] = True
    begun |= attempts > 1
    omitted = design["status"] == _OMITTED
    return np.where(omitted, np.where(begun, _ABANDONED, -1), code).astype(np.int8)


def sequence_findings(
    *,
    settings: Settings,
    design: Table,
    joints: Joints,
    governing: GoverningRecords,
    files: Sequence[str] = (),
) -> tuple[Finding, ...]:
    """Return a finding for each joint whose primary was too young or too old when its secondary cut it.

    A secondary cuts the primaries that it has a joint with. Age is the time from the primary's
    ``concreted_at`` to the secondary's ``drilled_at``, compared with ``cut_after_h`` and ``cut_before_h`` of
    the site file; where one of the times is not recorded there is nothing to say.

    Parameters
    ----------
    settings : Settings
        ``sequence``: the mix designer's figures, which have no defaults.
    design : Table
        The design table.
    joints : Joints
        The m joints.
    governing : GoverningRecords
        Records of the governing attempts.
    files : sequence of str
        Paths of the survey's files, so that a finding names the secondary's record.
    """
    after, before = settings.sequence.cut_after_h, settings.sequence.cut_before_h
    if after is None and before is None:
        return ()
    kind = np.asarray(design["kind"])
    first_cuts = (kind[joints.a] == _SECONDARY) & (kind[joints.b] == _PRIMARY)
    second_cuts = (kind[joints.b] == _SECONDARY) & (kind[joints.a] == _PRIMARY)
    secondary = np.where(first_cuts, joints.a, joints.b)
    primary = np.where(first_cuts, joints.b, joints.a)
    age = (governing.drilled_at[secondary] - governing.concreted_at[primary]) / _HOUR
    age = np.where(first_cuts | second_cuts, age, np.nan)
    young = np.zeros(len(age), np.bool_) if after is None else age < after - SLACK_M
    old = np.zeros(len(age), np.bool_) if before is None else age > before + SLACK_M
    found = []
    for j in np.flatnonzero(young | old).tolist():
        one, other = design["pile_id"][secondary[j]], design["pile_id"][primary[j]]
        asked = f"not before {after:g} h" if young[j] else f"not after {before:g} h"
        order = "after" if age[j] >= 0 else "before"
        hours = beyond(abs(age[j]), *(limit for limit in (after, before) if limit is not None), places=1)
        aged = f"{hours} h {order} {other} was concreted"
        text = f"{one} was drilled {aged}; asked for: {asked}"
        joint_id = joints["joint_id"][j]
        found.append(_finding("sequence", joint_id, text, "drilled_at", governing, secondary[j], files))
    return tuple(found)


def concrete_ratio(*, design: Table, governing: GoverningRecords, cut_off: Floats) -> Floats:
    """Return concrete placed over the theoretical volume, shape (n,); NaN where no volume was recorded.

    The theoretical volume is π/4·D²·L: D the recorded casing's outer diameter, else nominal; L from cut-off
    to the toe as recorded, else as designed. Concrete cast above cut-off raises the ratio.

    Parameters
    ----------
    design : Table
        The design table.
    governing : GoverningRecords
        Records of the governing attempts.
    cut_off : (n,) array
        Cut-off levels [m].
    """
    casing, nominal = governing.casing_od_mm, np.asarray(design["diameter_mm"], dtype=np.float64)
    diameter = np.where(np.isfinite(casing), casing, nominal) / 1000.0
    planned = np.asarray(design["toe_level"], dtype=np.float64)
    toe = np.where(np.isfinite(governing.toe_level), governing.toe_level, planned)
    volume = np.pi / 4.0 * diameter**2 * (cut_off - toe)
    ratio = np.full(len(volume), np.nan)
    np.divide(governing.concrete_m3, volume, out=ratio, where=volume > 0)
    return ratio


def concrete_findings(
    *, design: Table, governing: GoverningRecords, cut_off: Floats, files: Sequence[str] = ()
) -> tuple[Finding, ...]:
    """Return a finding for each pile whose :func:`concrete_ratio` lies outside :data:`CONCRETE_RATIO`.

    Parameters as there; ``files``: paths of the survey's files, so that a finding names the record.
    """
    ratio = concrete_ratio(design=design, governing=governing, cut_off=cut_off)
    low, high = CONCRETE_RATIO
    found = []
    for i in np.flatnonzero((ratio < low) | (ratio > high)).tolist():
        placed = governing.concrete_m3[i]
        theory = f", {placed / ratio[i]:.2f} m³ in theory from cut-off to toe" if ratio[i] > 0 else ""
        text = (
            f"{placed:.2f} m³ of concrete placed{theory}: ratio {beyond(ratio[i], low, high, places=2)}, "
            f"ordinary is {low:.2f} to {high:.2f} (common practice)"
        )
        pile_id = design["pile_id"][i]
        found.append(_finding("concrete_ratio", pile_id, text, "concrete_m3", governing, i, files))
    return tuple(found)


def _finding(
    kind: str, item: str, text: str, column: str, governing: GoverningRecords, pile: int, files: Sequence[str]
) -> Finding:
    place = int(governing.file[pile])
    return Finding(
        severity="note",
        kind=kind,
        item=item,
        text=text,
        file=files[place] if 0 <= place < len(files) else "",
        line=int(governing.line[pile]),
        column=column,
    )
