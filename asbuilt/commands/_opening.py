"""How a command opens a survey folder: what was changed by hand is recorded first, then what was known is read."""

from __future__ import annotations

import getpass
from typing import TYPE_CHECKING

import click

from asbuilt.commands._shared import moment
from asbuilt.errors import InputError, TargetError

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np

    from asbuilt.commands._shared import Step
    from asbuilt.model import Survey

__all__ = ["open_survey", "record_changes"]

LEDGER = "ledger.csv"


def open_survey(
    folder: Path, *, as_of: str | None, step: Step, recording: bool = False
) -> tuple[Survey, np.datetime64 | None]:
    """Read a survey folder as it was known.

    Parameters
    ----------
    folder
        The survey folder.
    as_of
        As given on the command line; a date alone is the end of that day in the site's time zone of that day. None: as
        it is now.
    step
        Told what is being read.
    recording
        Record first what was changed by hand: for commands that write.

    Returns
    -------
    tuple
        The survey, and ``as_of`` in UTC.
    """
    from asbuilt.intake.survey import read_survey

    if recording:
        record_changes(folder)
    if as_of is None:
        return read_survey(folder, progress=step), None
    zone, tried = _time_zone_now(folder), set()
    while True:
        when = moment(as_of, zone)
        survey = read_survey(folder, progress=step, as_of=when)
        tried.add(zone)
        zone = survey.settings.site.time_zone
        if zone in tried:
            return survey, when


def _time_zone_now(folder: Path) -> str:
    from asbuilt.settings import draft_settings

    try:
        return draft_settings((folder / "site.toml").read_bytes().decode("utf-8-sig")).time_zone.key
    except (OSError, UnicodeDecodeError):
        return "UTC"  # reading the folder says what is wrong


def record_changes(folder: Path) -> None:
    """Record settings, design, control, approvals and decisions that were changed by hand, in a folder with a ledger.

    Where that cannot be done it is said on stderr, and nothing else is lost by it.
    """
    from asbuilt.intake.ledger import read_ledger, recover, taking_in, unrecorded

    if not (folder / LEDGER).is_file():
        return
    try:
        recover(folder)
        changed = unrecorded(folder, read_ledger(folder))
        if not changed:
            return
        with taking_in(folder, by=_login(), told=_say):
            pass
    except InputError:
        return  # reading the folder says what is wrong with the ledger
    except TargetError as error:
        _say(f"what was changed by hand could not be recorded in the ledger: {error}")
        return
    names = [line.file for line in changed]
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    _say(f"recorded in the ledger, as it was changed by hand: {', '.join(names[:5])}{more}")


def _login() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unknown"


def _say(text: str) -> None:
    click.echo(f"asbuilt: {text}", err=True)
