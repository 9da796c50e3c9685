"""What every command shares: exit codes, options, and how answers and problems are printed.

Answers go to stdout, talk and problems to stderr; with ``--json`` one object goes to stdout, also when it is refused.
"""

from __future__ import annotations

import json
import math
import os
import re
import sys
import textwrap
import threading
from contextlib import contextmanager
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar
from zoneinfo import ZoneInfo

import click

from asbuilt import __version__
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import numpy as np

    from asbuilt.errors import InputError
    from asbuilt.model import Survey

__all__ = [
    "CAUTIONS",
    "FORMAT",
    "WIDTH",
    "AsOf",
    "ExitCode",
    "Step",
    "as_of_option",
    "changed_lines",
    "folder_argument",
    "iso_time",
    "json_option",
    "leave_pipe",
    "moment",
    "output_folder",
    "painted",
    "print_json",
    "print_lines",
    "progress_on",
    "report",
    "report_problems",
    "say",
    "wrapped",
]

Command = TypeVar("Command", bound="Callable[..., Any]")

#: What every answer about a wall carries. Nothing printed says that it is safe to dig.
CAUTIONS = (
    "Geometry only: this says nothing of stability, strength, watertightness, base heave or ground movement.",
    "It is not a permit: excavation needs the release of the responsible engineer, under local codes.",
    "Below the last reading positions are predicted.",
    "Full overlap can leak too (inclusions, cold joints).",
    "Missing data is not acceptable data.",
)

_COLOURS: Mapping[str, Mapping[str, Any]] = {
    "within": {"fg": "blue"},
    "unresolved": {"fg": "yellow"},
    "outside": {"fg": "red", "bold": True},
    "not surveyed": {"dim": True},
}
#: Columns that text for people fills.
WIDTH = 80
#: Folders that hold inputs: an output there would be taken for one.
_INPUT_FOLDERS = frozenset({"design", "control", "pickups", "tilts", "profiles", "records", "set_out", "history"})
_ZONE_APART = re.compile(r"(:[0-9.,]+) *(UTC|(?<= )(?:Z|[+-]\d\d(?::?\d\d)?))\Z")
_FIGURE_AND_UNIT = re.compile(r"(\d) (?=(?:mm|m|%|h)\b)")

#: Number of the form of every JSON object printed; raised when a key is renamed or taken away.
FORMAT = 1


class ExitCode(IntEnum):
    """What the process returns."""

    DONE = 0
    DEFECT = 1
    REFUSED = 2
    HELD = 3
    INTERRUPTED = 130
    PIPE_CLOSED = 141


def json_option(function: Command) -> Command:
    """Add ``--json``, handed over as ``as_json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")(function)


def folder_argument(function: Command) -> Command:
    """Add the survey folder, handed over as ``folder``."""
    return click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))(function)


class AsOf(click.ParamType[str]):
    """A date, or date and time, as the tables have them."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the text when it is a date or a date and time."""
        try:
            moment(str(value), "UTC")
        except UsageError as error:
            self.fail(str(error), param, ctx)
        return str(value)


def as_of_option(function: Command) -> Command:
    """Add ``--as-of``, handed over as ``as_of``: its text, or None."""
    return click.option(
        "--as-of",
        "as_of",
        type=AsOf(),
        metavar="DATE",
        help="What was known then: a date (to its end) or a date and time, in the site's time zone. "
        "Default: the newest time in the inputs.",
    )(function)


def output_folder(folder: Path, out: Path | None) -> Path:
    """Return where outputs go: ``out``, else ``out`` in the survey folder.

    Raises
    ------
    UsageError
        Where outputs would be taken for inputs.
    """
    if out is None:
        return folder / "out"
    inside = out.resolve().parts[len(folder.resolve().parts) :]
    if out.resolve().is_relative_to(folder.resolve()) and (not inside or inside[0] in _INPUT_FOLDERS):
        raise UsageError(f"--out {out} holds inputs; give another folder, such as {folder / 'out'}")
    return out


def moment(as_of: str | None, time_zone: str) -> np.datetime64 | None:
    """Return ``as_of`` as UTC [ms], read as a table's times are: a date alone is the end of that day in ``time_zone``.

    What answers print, and :func:`iso_time` gives, is read too.

    Raises
    ------
    UsageError
        When it is no date, or a time that ``time_zone`` skips or has twice.
    """
    if as_of is None:
        return None
    import numpy as np

    from asbuilt.intake.times import parse_times

    # As answers print it: "UTC", Z or an offset after a blank.
    written = _ZONE_APART.sub(lambda found: found[1] + ("Z" if found[2] == "UTC" else found[2]), as_of.strip())
    moments = parse_times(np.array([written], dtype=object), zone=ZoneInfo(time_zone))
    if moments.bad:
        what, _ = moments.bad[0]
        raise UsageError(f"{what}, expected a date or a date and time such as 2025-05-16 or 2025-05-16T18:00")
    value: np.datetime64 = moments.values[0]
    return value


def iso_time(value: np.datetime64 | None) -> str | None:
    """Return a UTC time as ISO 8601 text, None for none; milliseconds only where there are any."""
    import numpy as np

    if value is None or np.isnat(value):
        return None
    text = str(np.datetime_as_string(value, unit="ms"))
    return text.removesuffix(".000") + "Z"


def wrapped(text: str, *, first: str = "", rest: str | None = None) -> list[str]:
    """Return ``text`` in lines of 80 columns, no figure parted from its unit, and no path broken that may be copied.

    ``first`` stands before the first line, ``rest`` before the others: default as many blanks.
    """
    bound = _FIGURE_AND_UNIT.sub("\\1\u00a0", text)
    lines = textwrap.wrap(
        bound,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\u00a0", " ") for line in lines] or [first.rstrip()]


def changed_lines(survey: Survey) -> list[str]:
    """Return the mark that every answer carries when files are not as they were taken in; nothing otherwise."""
    if not survey.changed:
        return []
    names = ", ".join(survey.changed)
    return wrapped(f"{names} (asbuilt verify says more)", first="CHANGED since taken in: ", rest="  ")


def painted(text: str, verdict: str) -> str:
    """Return ``text`` in the colour of its verdict; letter and word stand in it already."""
    return click.style(text, **_COLOURS[verdict])


def print_lines(lines: Iterable[str]) -> None:
    """Print the answer. Colour is left out unless stdout is a terminal, and with NO_COLOR set."""
    _to_stdout("\n".join(lines) + "\n")


def print_json(content: Mapping[str, object]) -> None:
    """Print one JSON object, ``format`` and ``tool_version`` first; NumPy values as plain ones, NaN and NaT as null."""
    whole = {"format": FORMAT, "tool_version": __version__, **content}
    _to_stdout(json.dumps(_plain(whole), indent=2, allow_nan=False) + "\n")


def _to_stdout(text: str) -> None:
    try:
        click.echo(text, nl=False, color=False if os.environ.get("NO_COLOR") else None)
    except BrokenPipeError:
        # Who reads has seen enough; the command's own exit code still stands.
        leave_pipe()


def leave_pipe() -> None:
    """Let what is still to be printed go nowhere, so that the interpreter does not complain when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, Path):
        return str(value)
    if type(value).__module__ == "numpy":
        import numpy as np

        if isinstance(value, np.datetime64):
            return iso_time(value)
        return _plain(value.tolist())
    if isinstance(value, float) and math.isnan(value):
        return None
    return value


def report(text: str, *, as_json: bool, before: str = "") -> None:
    """Say on stderr why nothing was done; ``before`` stands above it. With ``--json`` on stdout."""
    if as_json:
        print_json({"errors": [{"file": None, "line": None, "column": None, "text": text, "expected": None}]})
        return
    click.echo(before, nl=False, err=True)
    say(text)


def say(text: str) -> None:
    """Tell something on stderr, 80 columns wide."""
    first = "asbuilt: "
    for line in text.splitlines() or [""]:
        click.echo("\n".join(wrapped(line, first=first, rest="  ")), err=True)
        first = "  "


def report_problems(error: InputError, *, as_json: bool) -> None:
    """List every problem of an input on stderr, or with ``--json`` on stdout."""
    if as_json:
        print_json(
            {
                "errors": [
                    {
                        "file": p.file,
                        "line": p.line or None,
                        "column": p.column or None,
                        "text": p.text,
                        "expected": p.expected or None,
                    }
                    for p in error.problems
                ]
            }
        )
        return
    count = len(error.problems)
    for problem in error.problems:
        click.echo(str(problem), err=True)
    click.echo(f"asbuilt: {count} problem{'s' if count != 1 else ''} in the input, nothing was written", err=True)


class Step(Protocol):
    """Is told what is being done, and the share done, 0 to 1, where that is known."""

    def __call__(self, text: str, share: float = math.nan, /) -> None:
        """Show it."""


class _Progress:
    """Says on stderr what is being done, once it has taken over a second."""

    def __init__(self, *, patience: float) -> None:
        self._text = ""
        self._status: Any = None
        self._lock = threading.Lock()
        self._timer = threading.Timer(patience, self._show)
        self._timer.daemon = True

    def __call__(self, text: str, share: float = math.nan, /) -> None:
        with self._lock:
            self._text = text if math.isnan(share) else f"{text} ({share:.0%})"
            if self._status is not None:
                self._status.update(f"{self._text} …")

    def _show(self) -> None:
        from rich.console import Console
        from rich.status import Status

        with self._lock:
            self._status = Status(f"{self._text} …", console=Console(stderr=True))
            self._status.start()

    def start(self) -> None:
        """Begin to wait for the second."""
        self._timer.start()

    def stop(self) -> None:
        """Take the line away again."""
        self._timer.cancel()
        self._timer.join()
        if self._status is not None:
            self._status.stop()


@contextmanager
def progress_on(*, patience: float = 1.0) -> Iterator[Step]:
    """Yield a function that is told each step, and shows it when the work takes over ``patience`` [s] on a terminal."""
    if not sys.stderr.isatty():
        yield lambda _text, _share=math.nan, /: None
        return
    progress = _Progress(patience=patience)
    progress.start()
    try:
        yield progress
    finally:
        progress.stop()
