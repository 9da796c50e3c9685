"""``asbuilt load --as design``: a revision of the pile schedule, what it moves and which verdicts it changes."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from asbuilt.commands._shared import ExitCode, print_json, print_lines
from asbuilt.commands.revision_findings import lacking_and_wrong, new_findings
from asbuilt.commands.revision_report import revision_lines, revision_object
from asbuilt.commands.trial import gravest_first, ledger_state
from asbuilt.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.commands._shared import Step
    from asbuilt.intake.options import LoadOptions
    from asbuilt.model import Finding, Reconciliation, Survey, Table

__all__ = ["PileChange", "Revision", "StageChange", "answer", "pile_changes", "revise", "try_revision"]

DEFAULT = "design/piles.csv"
_TEXT_ENDINGS = frozenset({".csv", ".txt"})
#: A centre that moves by less is written differently, not moved [m].
_MOVED_M = 1e-6
_COMPARED = ("wall", "position", "kind", "diameter_mm", "cut_off_level", "toe_level", "status")
_SAME_M = 1e-9


@dataclass(frozen=True, kw_only=True)
class PileChange:
    """What a revision does to one pile: it appeared, went, moved, or changed; ``text`` says from what to what."""

    pile_id: str
    change: str
    move_e_mm: float = math.nan
    move_n_mm: float = math.nan
    text: str = ""

    @property
    def moved_mm(self) -> float:
        """How far the design centre moves [mm]; NaN where it does not."""
        return math.hypot(self.move_e_mm, self.move_n_mm)


@dataclass(frozen=True, kw_only=True)
class StageChange:
    """A stage before and after: its state, and how many items hold it."""

    stage: str
    before: str
    after: str
    held_before: int
    held_after: int


@dataclass(frozen=True, kw_only=True)
class Revision:
    """A revision as it would be. ``verdicts``: item, verdict before and after, None for an item that is not there.

    ``decisions`` are the newest on items that the revision touches: to be looked at again. ``first`` tells that there
    was no readable schedule before.
    """

    given: str
    path: str
    rows: int
    sha256: str
    findings: tuple[Finding, ...]
    site: str
    state: tuple[tuple[str, str, str], ...]
    already: bool = False
    first: bool = False
    piles: tuple[PileChange, ...] = ()
    verdicts: tuple[tuple[str, str | None, str | None], ...] = ()
    stages: tuple[StageChange, ...] = ()
    decisions: tuple[dict[str, Any], ...] = ()
    confirmed: bool = False

    @property
    def sound(self) -> bool:
        """Whether nothing in it stands against taking it in: queries take a reason, as every revision does."""
        return not any(finding.severity == "error" for finding in self.findings)

    @property
    def queries(self) -> tuple[Finding, ...]:
        """What a person must say why of."""
        return tuple(finding for finding in self.findings if finding.severity == "query")


def revise(
    folder: Path,
    given: Sequence[tuple[str, bytes]],
    *,
    options: LoadOptions,
    by: str,
    why: str | None,
    dry_run: bool,
    step: Step,
) -> tuple[Revision, bool]:
    """Try a revision, and take it in where ``why`` says so; the former schedule goes to history/.

    Returns
    -------
    tuple
        What it changes, and whether it was taken in.

    Raises
    ------
    UsageError
        When there is more than one file, or an option that a schedule has no use for.
    """
    from asbuilt.commands.load import say
    from asbuilt.intake.ledger import taking_in

    if len(given) != 1:
        raise UsageError(f"--as design takes one file, the whole schedule; {len(given)} were given")
    if options.given():
        names = ", ".join(f"--{name.replace('_', '-')}" for name in options.given())
        raise UsageError(f"{names}: not with --as design; a schedule says all of it itself")
    ((name, data),) = given
    while True:
        revision = replace(try_revision(folder, name, data, step=step), confirmed=why is not None)
        if dry_run or revision.already or not revision.sound or why is None:
            return revision, False
        with taking_in(folder, by=by, told=say) as entry:
            if ledger_state((line.action, line.file, line.sha256) for line in entry.lines) != revision.state:
                continue
            items = dict.fromkeys(f"{one.kind} {one.item}" for one in revision.queries)
            note = f"{why}; confirmed: {', '.join(items)}" if items else why
            entry.replace(revision.path, data, action="design", note=note)
        return revision, True


def answer(revision: Revision, *, taken: bool, dry_run: bool, folder: Path, as_json: bool) -> int:
    """Print what a revision changes, and return the exit code: refused unless it is in, or nothing more was wanted."""
    if as_json:
        print_json(revision_object(revision, taken=taken, dry_run=dry_run))
    else:
        print_lines(revision_lines(revision, taken=taken, dry_run=dry_run, folder=str(folder)))
    asked = bool(revision.queries) and not revision.confirmed
    fine = taken or revision.already or (dry_run and revision.sound and not asked)
    return ExitCode.DONE if fine else ExitCode.REFUSED


def try_revision(folder: Path, given: str, data: bytes, *, step: Step) -> Revision:
    """Return what a revision of the schedule changes. Nothing is written.

    Parameters
    ----------
    folder
        The survey folder.
    given, data
        The file's path as given, and its bytes.
    step
        Told what is being done.

    Raises
    ------
    InputError
        When the folder cannot be read, neither with the schedule there nor with this one.
    UsageError
        When the schedule in the folder is a file of another kind.
    """
    from asbuilt.intake.sources import Source
    from asbuilt.intake.survey import read_survey
    from asbuilt.reconcile import reconcile

    path = _design_path(folder)
    _check_ending(given, path)
    before: Survey | None
    try:
        before = read_survey(folder, progress=step)
    except InputError:
        before = None  # an empty schedule, or one that the rest does not go with: perhaps this one does
    sha256 = hashlib.sha256(data).hexdigest()
    rows = () if before is None else before.ledger_rows
    whole = Revision(
        given=given,
        path=path,
        rows=0,
        sha256=sha256,
        findings=(),
        site="" if before is None else before.settings.site.name,
        state=ledger_state((row["action"], row["file"], row["sha256"]) for row in rows),
        already=before is not None and any(file.path == path and file.sha256 == sha256 for file in before.files),
        first=before is None,
    )
    if whole.already:
        return replace(whole, rows=0 if before is None else len(before.design))
    step("reading the revision")
    try:
        after = read_survey(folder, extra=[Source(path=path, table="design", data=data)])
    except InputError as error:
        if before is None:
            raise InputError(
                replace(problem, file=given if problem.file == path else problem.file) for problem in error.problems
            ) from error
        found = [_named(one, path, given) for one in lacking_and_wrong(error.problems, before, given=given)]
        return replace(whole, findings=gravest_first(found))
    whole = replace(whole, rows=len(after.design), site=after.settings.site.name)
    whole = replace(whole, state=ledger_state((row["action"], row["file"], row["sha256"]) for row in after.ledger_rows))
    if before is None:
        return replace(whole, piles=tuple(PileChange(pile_id=name, change="appeared") for name in _ids(after.design)))
    step("reconciling before and after")
    old, new = reconcile(before), reconcile(after)
    asked = gravest_first(_named(one, path, given) for one in new_findings(old, new))
    return replace(_compared(whole, old, new), findings=asked)


def _named(finding: Finding, path: str, given: str) -> Finding:
    return replace(
        finding,
        file=given if finding.file == path else finding.file,
        item=given if finding.item == path else finding.item,
    )


def _design_path(folder: Path) -> str:
    """Return the path of the schedule in the folder, as site.toml names it."""
    from asbuilt.settings import draft_settings

    try:
        text = (folder / "site.toml").read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return DEFAULT  # reading the folder says what is wrong
    design = draft_settings(text, file="site.toml").design
    return DEFAULT if design is None or design.piles is None else str(PurePosixPath(design.piles))


def _check_ending(given: str, path: str) -> None:
    ours, theirs = (PurePosixPath(name.replace("\\", "/")).suffix.lower() for name in (path, given))
    if ours != theirs and not {ours, theirs} <= _TEXT_ENDINGS:
        raise UsageError(f"{given}: the schedule in the folder is {path}; give a file of the same kind, {ours}")


def _ids(design: Table) -> list[str]:
    names: list[str] = design["pile_id"].tolist()
    return names


def pile_changes(before: Table, after: Table) -> Iterator[PileChange]:
    """Yield what differs between two schedules, pile by pile: first in the order of the new one, then what went."""
    place = {name: number for number, name in enumerate(_ids(before))}
    for new, name in enumerate(_ids(after)):
        if name not in place:
            yield PileChange(pile_id=name, change="appeared")
            continue
        old = place[name]
        e, n = (float(after[column][new] - before[column][old]) for column in ("easting", "northing"))
        moved = math.hypot(e, n) > _MOVED_M
        texts = [
            _change(column, before[column][old], after[column][new])
            for column in _COMPARED
            if _differs(before[column][old], after[column][new])
        ]
        if moved or texts:
            yield PileChange(
                pile_id=name,
                change="moved" if moved else "changed",
                move_e_mm=e * 1000.0 if moved else math.nan,
                move_n_mm=n * 1000.0 if moved else math.nan,
                text=", ".join(texts),
            )
    there = set(_ids(after))
    yield from (PileChange(pile_id=name, change="went") for name in place if name not in there)


def _differs(one: Any, other: Any) -> bool:
    if isinstance(one, str) or one is None:
        return bool(one != other)
    if math.isnan(one) or math.isnan(other):
        return math.isnan(one) != math.isnan(other)
    return abs(float(one) - float(other)) > _SAME_M


def _change(column: str, was: Any, now: Any) -> str:
    """Return from what to what a cell changes, with its unit: "toe_level -12.00 to -12.50 m"."""
    from asbuilt.columns import TABLES

    unit = TABLES["design"].column(column).unit
    return f"{column.removesuffix('_mm')} {_word(column, was)} to {_word(column, now)}{f' {unit}' if unit else ''}"


def _word(column: str, value: Any) -> str:
    """Return a cell as people write it: a level with its sign, to the centimetre or, where it is given so, finer."""
    from asbuilt.columns import TABLES

    definition = TABLES["design"].column(column)
    if definition.choices:
        return definition.choices[int(value)] if value >= 0 else "none"
    if isinstance(value, str):
        return value
    if value is None or math.isnan(value):
        return "none"
    if definition.unit == "m":
        return f"{value + 0.0:+.{2 if abs(round(value, 2) - value) < _SAME_M else 3}f}"
    return f"{value:.10g}"


def _compared(whole: Revision, before: Reconciliation, after: Reconciliation) -> Revision:
    piles = tuple(pile_changes(before.survey.design, after.survey.design))
    verdicts = tuple(_verdicts(before, after))
    touched = {change.pile_id for change in piles}
    changed = {item for item, _, _ in verdicts}
    old = {state.stage: state for state in before.stages}
    stages = []
    for state in after.stages:
        former = old[state.stage]
        was, now = ({hold.item for hold in one.held_by} for one in (former, state))
        if was != now or former.state != state.state:
            stages.append(
                StageChange(
                    stage=state.stage,
                    before=former.state,
                    after=state.state,
                    held_before=len(was),
                    held_after=len(now),
                )
            )
    return replace(
        whole,
        piles=piles,
        verdicts=verdicts,
        stages=tuple(stages),
        decisions=tuple(_decisions(before, after, touched, changed)),
    )


def _verdicts(before: Reconciliation, after: Reconciliation) -> Iterator[tuple[str, str | None, str | None]]:
    """Yield the piles, then the joints, whose verdict differs."""
    for name in ("pile_id", "joint_id"):
        old, new = (_verdict_of(result, name) for result in (before, after))
        for item in dict.fromkeys([*new, *old]):
            if old.get(item) != new.get(item):
                yield item, old.get(item), new.get(item)


def _verdict_of(result: Reconciliation, name: str) -> dict[str, str | None]:
    from asbuilt.columns import VERDICTS

    rows = result.piles if name == "pile_id" else result.joints
    codes = rows["verdict"].tolist()
    return {item: VERDICTS[code] if code >= 0 else None for item, code in zip(rows[name].tolist(), codes, strict=True)}


def _decisions(
    before: Reconciliation, after: Reconciliation, touched: set[str], changed: set[str]
) -> Iterator[dict[str, Any]]:
    """Yield the governing decision on each item whose design rows, verdict or evidence change, and its state after."""
    from asbuilt.compute.decisions import governing_decisions

    stood = governing_decisions(before.decisions)
    for item, one in governing_decisions(after.decisions).items():
        concerns = item in changed or not touched.isdisjoint(item.split("~")) or one.state != stood[item].state
        if concerns:
            day = after.survey.settings.site.time_text(one.at)[:10]
            yield {
                "item": item,
                "effect": one.effect,
                "by": one.by,
                "at": one.at,
                "day": day,
                "state": one.state,
                "standing": one.standing,
                "changed": one.changed or None,
            }
