"""How a command opens a survey folder: what was changed by hand is recorded first, then what was known is read."""

from __future__ import annotations

import getpass
from typing import TYPE_CHECKING

from asbuilt.commands._shared import moment
from asbuilt.commands._shared import say as _say
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
        record_changes(folder, past=as_of is not None)
    if as_of is None:
        return read_survey(folder, progress=step), None
    zone, tried = _time_zone_now(folder), set()
    while True:
        when = moment(as_of, zone)
        assert when is not None  # noqa: S101  # as_of is given
        survey = read_survey(folder, progress=step, as_of=when)
        tried.add(zone)
        zone = survey.settings.site.time_zone
        if zone in tried:
            _tell(folder, survey, when)
            return survey, when


def _time_zone_now(folder: Path) -> str:
    from asbuilt.settings import draft_settings

    try:
        return draft_settings((folder / "site.toml").read_bytes().decode("utf-8-sig")).time_zone.key
    except (OSError, UnicodeDecodeError):
        return "UTC"  # reading the folder says what is wrong


def _tell(folder: Path, survey: Survey, when: np.datetime64) -> None:
    """Say on stderr where a moment is asked for that the ledger does not reach."""
    import numpy as np

    from asbuilt.intake.history import moment_of, now
    from asbuilt.intake.ledger import read_ledger

    if when > now() + np.timedelta64(1, "D"):
        _say(f"{survey.settings.site.time_text(when)} has not come yet: this is what is known now")
    if survey.ledger_rows or when >= now():
        return
    lines = read_ledger(folder)
    if lines:
        begins = survey.settings.site.time_text(moment_of(lines[0]))
        _say(f"the ledger begins later, {begins}: what stood there then counts as it was recorded, less later rows")
    else:
        _say("there is no ledger: settings, design and files are as they are now, only later rows are left out")


def record_changes(folder: Path, *, past: bool = False) -> None:
    """Record settings, design, control, approvals and decisions that were changed by hand, in a folder with a ledger.

    What cannot be read is not recorded: whoever reads the folder refuses it, and then nothing is written. Where the
    ledger cannot be written it is said on stderr, and nothing else is lost by it.

    Parameters
    ----------
    folder
        The survey folder.
    past
        What is read next is an earlier state: that the present one cannot be read is said here.
    """
    from asbuilt.intake.ledger import read_ledger, recover, taking_in, unrecorded
    from asbuilt.intake.survey import read_survey

    if not (folder / LEDGER).is_file():
        return
    recover(folder)
    try:
        changed = unrecorded(folder, read_ledger(folder))
        if not changed:
            return
        read_survey(folder)
        with taking_in(folder, by=_login(), told=_say):
            pass
    except InputError:
        if past:
            _say("what was changed by hand cannot be read, so it is not recorded: see a run without --as-of")
        return
    except OSError:
        return  # reading the folder says what cannot be read
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
