"""A load tried before it is taken in: told what each file is, read as if it stood in the folder, searched.

Nothing is written. What comes of it is a :class:`Trial`; :mod:`asbuilt.commands.load` takes it in or not.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from asbuilt.commands.trial_findings import already_loaded, explained_piles, withdrawn_before
from asbuilt.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    import numpy as np

    from asbuilt.commands._shared import Step
    from asbuilt.compute.blunders_points import CheckedPoint
    from asbuilt.errors import Problem
    from asbuilt.intake.options import LoadOptions
    from asbuilt.intake.sources import Source
    from asbuilt.intake.tables import Part
    from asbuilt.model import Finding, Reconciliation, Survey, Withdrawal

__all__ = [
    "Already",
    "Incoming",
    "Trial",
    "error_findings",
    "gravest_first",
    "ledger_state",
    "pile_in",
    "read_files",
    "try_load",
]

#: Letters of a file's name that every disk takes.
_UNFIT = re.compile(r"[^\w.()+=@-]+", re.ASCII)
_LONGEST_NAME = 80
_ENDINGS = (".csv", ".txt")
#: Named in the ledger only; what the folder itself shows needs no ledger.
_STATE = frozenset({"load", "withdraw", "design"})


@dataclass(frozen=True, kw_only=True)
class Incoming:
    """A file to be taken in: as it was given, what it is, and where it goes."""

    given: str
    data: bytes
    table: str
    path: str
    options: LoadOptions
    part: Part
    date_of_name: str | None = None
    """The date of its rows, where its name alone tells it."""

    @property
    def sha256(self) -> str:
        """Hash of the bytes."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Already:
    """A file whose content is in the folder, or given twice; ``path`` is where."""

    given: str
    path: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A load as it would be. ``result`` is the survey with it, reconciled; None where its files cannot be read."""

    files: tuple[Incoming, ...]
    already: tuple[Already, ...]
    findings: tuple[Finding, ...]
    result: Reconciliation | None
    state: tuple[tuple[str, str, str], ...]
    site: str
    read: int
    said: tuple[str, ...] = ()
    """Options that were given and that rows of a file contradict: the rows hold."""
    checked: tuple[CheckedPoint, ...] = ()
    """How far the load's check shots lie off."""
    searched: bool = True
    """Whether the files could be read, and were searched."""

    def called(self) -> dict[tuple[str, str], str]:
        """Return the files' own names of our columns, by file as given and column."""
        return {(file.given, ours): theirs for file in self.files for ours, theirs in file.part.called.items()}

    def of_severity(self, severity: str) -> tuple[Finding, ...]:
        """Return the findings of one severity."""
        return tuple(finding for finding in self.findings if finding.severity == severity)


def read_files(paths: Sequence[Path]) -> list[tuple[str, bytes]]:
    """Return the bytes of each file; raises UsageError naming all that cannot be read."""
    found, wrong = [], []
    for path in paths:
        try:
            found.append((str(path), path.read_bytes()))
        except FileNotFoundError:
            wrong.append(f"{path}: no such file")
        except IsADirectoryError:
            wrong.append(f"{path}: a folder, expected a file")
        except OSError as error:
            wrong.append(f"{path}: cannot be read: {(error.strerror or str(error)).lower()}")
    if wrong:
        raise UsageError("; ".join(wrong))
    return found


def ledger_state(lines: Iterable[tuple[str, str, str]]) -> tuple[tuple[str, str, str], ...]:
    """Return (action, file, sha256) of the ledger lines that change what a load is searched against."""
    return tuple(line for line in lines if line[0] in _STATE)


def try_load(
    folder: Path,
    given: Sequence[tuple[str, bytes]],
    *,
    table: str | None,
    options: LoadOptions,
    now: np.datetime64,
    step: Step,
) -> Trial:
    """Try a load.

    Parameters
    ----------
    folder
        The survey folder.
    given
        Path as given and bytes of each file.
    table, options
        What was said of them.
    now
        The clock, in UTC: what is dated later is a finding.
    step
        Told what is being done.

    Raises
    ------
    InputError
        When the folder itself cannot be read.
    UsageError
        When it cannot be told what a file is, or an option fits none.
    """
    from asbuilt.intake.sources import LOADS
    from asbuilt.intake.survey import read_survey
    from asbuilt.reconcile import reconcile

    before = read_survey(folder, progress=step)
    fresh, already, withdrawn = _apart(given, before)
    files = _incoming(fresh, before, folder, table=table, options=options)
    names = {file.path: file.given for file in files}
    result: Reconciliation | None = None
    findings: list[Finding] = [already_loaded(one.given, one.text) for one in already]
    findings += [withdrawn_before(given, path, one, before) for given, (path, one) in withdrawn.items()]
    said: tuple[str, ...] = ()
    checked: tuple[CheckedPoint, ...] = ()
    if files:
        step("searching the load")
        try:
            survey = read_survey(folder, extra=[_source(file) for file in files])
        except InputError as error:
            findings += error_findings(error.problems, _piles_at(before, files))
        else:
            result = reconcile(survey)
            found, checked = _found(survey, result, reconcile(before), names, now)
            findings += found
            checked = tuple(replace(one, file=names.get(one.file, one.file)) for one in checked)
            said = tuple(_contradicted(files, survey))
    return Trial(
        files=files,
        already=already,
        findings=gravest_first(_given_names(one, names) for one in findings),
        result=result if files else reconcile(before),
        state=ledger_state((row["action"], row["file"], row["sha256"]) for row in before.ledger_rows),
        site=before.settings.site.name,
        read=sum(file.table in LOADS for file in before.files),
        said=said,
        checked=checked,
        searched=not files or result is not None,
    )


def _apart(
    given: Sequence[tuple[str, bytes]], survey: Survey
) -> tuple[list[tuple[str, bytes]], tuple[Already, ...], dict[str, tuple[str, Withdrawal]]]:
    """Return what is new, what is in the folder under whatever name or was given twice, and what was withdrawn.

    What was withdrawn is new as well: by its name as given, where it stands and its withdrawal.
    """
    from asbuilt.intake.sources import LOADS

    gone = {survey.files[one.file].path: one for one in survey.withdrawals if one.pile < 0}
    where: dict[str, str] = {}
    for row in survey.ledger_rows:
        if row["action"] == "load":
            where[row["sha256"]] = row["file"]
    for file in survey.files:
        if file.table in LOADS and file.path not in gone:
            where[file.sha256] = file.path
    fresh: list[tuple[str, bytes]] = []
    already: list[Already] = []
    names: dict[str, str] = {}
    withdrawn: dict[str, tuple[str, Withdrawal]] = {}
    for name, data in given:
        sha256 = hashlib.sha256(data).hexdigest()
        path = where.get(sha256)
        if sha256 in names:
            already.append(Already(given=name, path="", text=f"the same content as {names[sha256]}, given with it"))
        elif path is None or path in gone:
            fresh.append((name, data))
            names[sha256] = name
            if path is not None:
                withdrawn[name] = (path, gone[path])
        else:
            already.append(Already(given=name, path=path, text=f"the same content as {path}: not taken in twice"))
    return fresh, tuple(already), withdrawn


def _incoming(
    given: Sequence[tuple[str, bytes]], survey: Survey, folder: Path, *, table: str | None, options: LoadOptions
) -> tuple[Incoming, ...]:
    """Return what each file is, read on its own, and where it goes; raises UsageError for all that cannot be told."""
    from asbuilt.columns import TABLES
    from asbuilt.intake.kinds import date_of_name, kind_of
    from asbuilt.intake.sources import Source
    from asbuilt.intake.tables import read_table

    settings, wrong, files = survey.settings, [], []
    zone = ZoneInfo(settings.site.time_zone)
    taken = {row["file"].casefold() for row in survey.ledger_rows}
    for name, data in given:
        try:
            kind = kind_of(name, data, mappings=settings.columns, options=options, table=table)
        except UsageError as error:
            wrong.append(str(error))
            continue
        own, dated = options.of_table(kind.table), None
        if own.surveyed_at is None:
            dated = date_of_name(name, kind)
            own = replace(own, surveyed_at=dated)
        source = own.apply(Source(path=name, table=kind.table, data=data))
        mappings = settings.columns.get(kind.table, {})
        part = read_table(source, TABLES[kind.table], mappings=mappings, zone=zone)
        path = _free_path(folder, kind.table, name, _newest_day(part, kind.table, zone), taken)
        files.append(
            Incoming(given=name, data=data, table=kind.table, path=path, options=own, part=part, date_of_name=dated)
        )
    if wrong:
        raise UsageError("; ".join(wrong))
    _check_options(options, files)
    return tuple(files)


def _check_options(options: LoadOptions, files: Sequence[Incoming]) -> None:
    used = {name for file in files for name in file.options.given()}
    idle = [f"--{name.replace('_', '-')}" for name in options.given() if name not in used]
    if idle and files:
        tables = ", ".join(dict.fromkeys(file.table for file in files))
        raise UsageError(f"{' and '.join(idle)}: {tables} have no such column")


def _newest_day(part: Part, table: str, zone: ZoneInfo) -> str:
    """Return the newest day in a file's own times, in the site's time zone; today where it has none."""
    import datetime as dt

    import numpy as np

    from asbuilt.columns import TABLES

    times = [part.columns[column.name] for column in TABLES[table].columns if column.kind == "time"]
    every = np.concatenate(times) if times else np.empty(0, "datetime64[ms]")
    every = every[~np.isnat(every)]
    if not every.size:
        return dt.datetime.now(zone).date().isoformat()
    newest: dt.datetime = every.max().astype("datetime64[s]").astype(dt.datetime).replace(tzinfo=dt.UTC)
    return newest.astimezone(zone).date().isoformat()


def _free_path(folder: Path, table: str, given: str, day: str, taken: set[str]) -> str:
    """Return a path in the folder, with the day and the file's own name, that nothing has or had."""
    name = PurePosixPath(given.replace("\\", "/")).name
    stem, dot, ending = name.rpartition(".")
    if not dot or f".{ending.lower()}" not in _ENDINGS:
        stem, ending = name, "csv"
    stem = _UNFIT.sub("_", stem).strip("._")[:_LONGEST_NAME] or "load"
    first = stem if stem.startswith(day) else f"{day}_{stem}"
    number, chosen = 1, first
    there = {entry.name.casefold() for entry in (folder / table).iterdir()} if (folder / table).is_dir() else set()
    while f"{chosen}.{ending}".casefold() in there or f"{table}/{chosen}.{ending}".casefold() in taken:
        number += 1
        chosen = f"{first}_{number}"
    path = f"{table}/{chosen}.{ending}"
    taken.add(path.casefold())
    return path


def _source(file: Incoming) -> Source:
    from asbuilt.intake.sources import Source

    return file.options.apply(Source(path=file.path, table=file.table, data=file.data))


def _found(
    survey: Survey, result: Reconciliation, before: Reconciliation, names: Mapping[str, str], now: np.datetime64
) -> tuple[list[Finding], tuple[CheckedPoint, ...]]:
    """Return what the search finds, what a run would find now and did not before, and where the check shots lie."""
    import numpy as np

    from asbuilt.compute.blunders import search
    from asbuilt.compute.blunders_told import piles_of_files
    from asbuilt.intake.sources import LOADS

    places = [place for place, file in enumerate(survey.files) if file.path in names]
    fresh = {table: np.isin(getattr(survey, table).file, places) for table in LOADS}
    searched = search(survey, fresh, now=now)
    told = {(one.kind, one.item) for one in (*searched.findings, *before.findings)}
    loaded = piles_of_files(survey, fresh)
    told |= {("axes_disagree", item) for item in explained_piles(searched.findings, loaded)}
    piles = set().union(*loaded.values())
    found = list(searched.findings)
    for one in result.findings:
        # What a run tests for each group by itself, the search tests with a rate that holds for the whole load.
        searched_for = one.kind in {"repeated_pile", "level_range"} and (one.file in names or one.item in piles)
        if one.kind != "not_in_ledger" and not searched_for and (one.kind, one.item) not in told:
            found.append(one)
    return found, searched.checked


def error_findings(problems: Iterable[Problem], pile_at: Callable[[str, int], str | None]) -> Iterator[Finding]:
    """Yield each problem as a finding, with the pile that its line names.

    Parameters
    ----------
    problems
        What is wrong, of the survey with the load in it.
    pile_at
        Returns the pile that a file names at a line, None for none.
    """
    from asbuilt.model import Finding

    # one cell of codes gives two columns, and is wrong once
    once = {(one.file, one.line, one.text, one.expected): one for one in reversed(list(problems))}
    for problem in reversed(once.values()):
        pile = pile_at(problem.file, problem.line)
        expected = f", expected {problem.expected}" if problem.expected else ""
        yield Finding(
            severity="error",
            kind=problem.kind,
            item=pile or problem.file,
            text=problem.text + expected,
            file=problem.file,
            line=problem.line,
            column=problem.column,
        )


def pile_in(survey: Survey, path: str, line: int) -> str | None:
    """Return the pile that a load of the folder names at a line, None for none."""
    from asbuilt.intake.sources import LOADS

    for place, file in enumerate(survey.files):
        if file.path == path and file.table in LOADS:
            table = getattr(survey, file.table)
            return _first(table["pile_id"][(table.file == place) & (table.line == line)].tolist())
    return None


def _piles_at(before: Survey, files: Iterable[Incoming]) -> Callable[[str, int], str | None]:
    """Return what tells the pile at a line, of the load's files by their own rows, of others by the folder's."""
    parts = {file.path: file.part for file in files}

    def pile_at(path: str, line: int) -> str | None:
        part = parts.get(path)
        if part is None:
            return pile_in(before, path, line)
        return _first(part.columns["pile_id"][part.lines == line].tolist())

    return pile_at


def _first(names: Sequence[str | None]) -> str | None:
    return names[0] if names else None


def gravest_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings by severity, file and line."""
    from asbuilt.columns import SEVERITIES

    return tuple(sorted(findings, key=lambda f: (SEVERITIES.index(f.severity), f.file, f.line, f.kind, f.item)))


def _given_names(finding: Finding, names: Mapping[str, str]) -> Finding:
    """Return a finding with each file called as the user knows it."""
    for path, given in names.items():
        file, item, text = (one.replace(path, given) for one in (finding.file, finding.item, finding.text))
        finding = replace(finding, file=file, item=item, text=text)
    return finding


def _contradicted(files: Iterable[Incoming], survey: Survey) -> Iterator[str]:
    """Yield where rows say something else than an option did: what stands in the file holds."""
    import numpy as np

    from asbuilt.columns import OBJECTS
    from asbuilt.intake.options import fill_of

    place = {file.path: number for number, file in enumerate(survey.files)}
    for file in files:
        rows = getattr(survey, file.table)
        own = rows.file == place[file.path]
        for column, text in fill_of(file.options, file.table).items():
            if column in {"surveyed_at", "read_at"}:
                continue
            said = OBJECTS.index(text) if column == "object" else text
            other = int(np.count_nonzero(rows[column][own] != said))
            if other:
                what = f"{other} of {int(own.sum())} rows"
                yield f"{file.given}: {what} have another {column} than {text}; what stands in the file holds"
