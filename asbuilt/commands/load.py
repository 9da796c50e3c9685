"""``asbuilt load``: a day's files searched, then taken in whole or not at all; ``--as design`` takes a revision in."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asbuilt.columns import OBJECTS
from asbuilt.commands._shared import (
    ExitCode,
    folder_argument,
    json_option,
    print_json,
    print_lines,
    progress_on,
    say,
)
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.commands._shared import Step
    from asbuilt.commands.trial import Trial
    from asbuilt.intake.options import LoadOptions

__all__ = ["command", "one_line", "say", "who", "why_of"]

_TABLES = ("pickups", "tilts", "profiles", "records", "design")


class _Moment(click.ParamType[str]):
    """A date, or a date and time, as the tables have them."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the text when a table could hold it."""
        from zoneinfo import ZoneInfo

        import numpy as np

        from asbuilt.intake.times import parse_times

        bad = parse_times(np.array([str(value)], dtype=object), zone=ZoneInfo("UTC")).bad
        if bad:
            what, expected = bad[0]
            self.fail(f"{what}, expected {expected}", param, ctx)
        return str(value)


@click.command(
    epilog="""\b
Exit codes: 0 taken in, or all of it is in already
            2 refused, bad usage or bad input; then nothing is written

\b
Example:
  asbuilt load basement_wall tachy_0512.csv --by "A. Surveyor"
"""
)
@folder_argument
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--as",
    "table",
    type=click.Choice(_TABLES),
    metavar="TABLE",
    help="What the files are: pickups, tilts, profiles, records or design. Default: told from the columns.",
)
@click.option("--format", "format_name", metavar="NAME", help="Read them with this column mapping of site.toml.")
@click.option(
    "--surveyed-at",
    type=_Moment(),
    metavar="T",
    help="Date, or date and time, of rows that have none.",
)
@click.option("--surveyor", metavar="N", help="Who shot or read the rows that do not say it.")
@click.option("--setup", metavar="S", help="Set-up of the rows that do not say it. Default: the file is one.")
@click.option(
    "--object",
    "object_shot",
    type=click.Choice(OBJECTS),
    metavar="O",
    help="What was shot, in rows that do not say it: casing, head, trimmed, face or check.",
)
@click.option("--by", metavar="NAME", help="Who takes them in. Default: the name you are logged in with.")
@click.option("--confirm", metavar="WHY", help="Why it is right in spite of the queries; needs --by.")
@click.option("--dry-run", is_flag=True, help="Show everything, take nothing in.")
@json_option
def command(
    folder: Path,
    files: tuple[Path, ...],
    *,
    table: str | None,
    format_name: str | None,
    surveyed_at: str | None,
    surveyor: str | None,
    setup: str | None,
    object_shot: str | None,
    by: str | None,
    confirm: str | None,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Search files of a day's work, show what is odd, and take them in.

    The files go into the survey folder DIR as they came, under a dated name, with a line in its ledger: all of them or
    none. An error refuses them; a query refuses them until --confirm says why it is right. With --as design FILE is a
    revision of the pile schedule: what moves and which verdicts change is shown, and --confirm takes it in.
    """
    from asbuilt.commands.trial import read_files
    from asbuilt.intake.options import LoadOptions

    reason, name = why_of(confirm, by), who(by)
    options = LoadOptions(
        format=one_line(format_name, "--format"),
        surveyed_at=surveyed_at,
        surveyor=one_line(surveyor, "--surveyor"),
        setup=one_line(setup, "--setup"),
        object=object_shot,
    )
    given = read_files(files)
    with progress_on() as step:
        if table == "design":
            from asbuilt.commands.revision import answer, revise

            revision, taken = revise(folder, given, options=options, by=name, why=reason, dry_run=dry_run, step=step)
            return answer(revision, taken=taken, dry_run=dry_run, folder=folder, as_json=as_json)
        trial, taken = _load(
            folder, given, table=table, options=options, by=name, why=reason, dry_run=dry_run, step=step
        )
    from asbuilt.commands.load_report import load_lines, load_object

    if as_json:
        print_json(load_object(trial, taken=taken, dry_run=dry_run))
    else:
        print_lines(load_lines(trial, taken=taken, dry_run=dry_run, folder=str(folder)))
    return ExitCode.REFUSED if _refused(trial, reason) else ExitCode.DONE


def why_of(confirm: str | None, by: str | None) -> str | None:
    """Return why a load is confirmed, None where it is not; raises UsageError where nobody says so."""
    reason = one_line(confirm, "--confirm")
    if reason is not None and by is None:
        raise UsageError("--confirm needs --by NAME: the ledger keeps why, and who said so")
    return reason


def who(by: str | None) -> str:
    """Return who takes something in: the name given, else that of the login."""
    name = one_line(by, "--by")
    if name is not None:
        return name
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError) as error:
        raise UsageError("nobody is logged in here; say who takes it in with --by NAME") from error


def one_line(value: str | None, option: str) -> str | None:
    """Return an option's text without blanks around it; raises UsageError where it cannot stand in a ledger line."""
    if value is None:
        return None
    text = value.strip()
    if not text or not text.isprintable():
        raise UsageError(f"{option} {value!r}: expected some text in one line")
    return text


def _refused(trial: Trial, why: str | None) -> bool:
    return bool(trial.files) and bool(trial.of_severity("error") or (trial.of_severity("query") and why is None))


def _load(
    folder: Path,
    given: Sequence[tuple[str, bytes]],
    *,
    table: str | None,
    options: LoadOptions,
    by: str,
    why: str | None,
    dry_run: bool,
    step: Step,
) -> tuple[Trial, bool]:
    """Try the load, and take it in when nothing stands against it; tried again when the folder changed meanwhile."""
    import numpy as np

    from asbuilt.commands.trial import ledger_state, try_load
    from asbuilt.intake.ledger import taking_in

    while True:
        now = np.datetime64("now", "ms")
        trial = try_load(folder, given, table=table, options=options, now=now, step=step)
        if dry_run or not trial.files or _refused(trial, why):
            return trial, False
        step("taking in")
        with taking_in(folder, by=by, told=say) as entry:
            if ledger_state((line.action, line.file, line.sha256) for line in entry.lines) != trial.state:
                continue
            for file in trial.files:
                note = _confirmed(trial, why)
                entry.add(file.path, file.data, action="load", options=file.options.given() or None, note=note)
        return trial, True


def _confirmed(trial: Trial, why: str | None) -> str:
    """Return what the ledger keeps of a confirmation: why, and each query that it was said of."""
    if why is None:
        return ""
    given = {file.given: file.path for file in trial.files}
    items = dict.fromkeys(f"{one.kind} {given.get(one.item, one.item)}" for one in trial.of_severity("query"))
    return f"{why}; confirmed: {', '.join(items)}" if items else why
