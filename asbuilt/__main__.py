"""The command line's entry: ``asbuilt`` and ``python -m asbuilt``. The only place where errors are caught."""

from __future__ import annotations

import atexit
import errno
import gc
import os
import sys
import traceback
from typing import TYPE_CHECKING

import click

from asbuilt.commands import cli
from asbuilt.commands._shared import ExitCode, leave_pipe, report, report_problems
from asbuilt.errors import AsbuiltError, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["main"]

#: Causes outside the tool that a user can mend: no right to read or write, disk or quota full, read-only disk.
_MENDABLE = frozenset({errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT, errno.EROFS})

#: What a process still holds when it ends is not searched for garbage: that would take a tenth of a short answer.
atexit.register(gc.freeze)

_QUOTES = 'A name with blanks goes in quotes, such as "dig 1".'


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments
        What stands after ``asbuilt`` on the command line; default: the process's own.

    Returns
    -------
    int
        The exit code: 0 done, 2 bad usage, bad input or a target that cannot be written, 3 held or mismatch,
        1 a defect of the tool, 130 interrupted.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign must not stop the answer.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    as_json = "--json" in given
    try:
        return _run(given)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return ExitCode.REFUSED
    except BrokenPipeError:
        leave_pipe()
        return ExitCode.PIPE_CLOSED
    except (KeyboardInterrupt, click.Abort):
        report("interrupted", as_json=False)
        return ExitCode.INTERRUPTED
    except InputError as error:
        report_problems(error, as_json=as_json)
        return ExitCode.REFUSED
    except Exception as error:  # noqa: BLE001 - what a user cannot mend is a defect, and is called one
        refusal = _refusal(error)
        if refusal is None:
            return _defect(error, as_json=as_json)
        report(refusal, as_json=as_json, before=_usage(error))
        return ExitCode.REFUSED


def _refusal(error: Exception) -> str | None:
    """Return what a user can mend, in one line; None for a defect."""
    if isinstance(error, click.ClickException):
        said = error.format_message()
        return f"{said.rstrip('.')}. {_QUOTES}" if "unexpected extra argument" in said else said
    if isinstance(error, AsbuiltError):
        return str(error)
    if isinstance(error, OSError) and error.errno in _MENDABLE:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return None


def _run(given: list[str]) -> int:
    thresholds = gc.get_threshold()
    # A command lives for seconds and imports much: looking for garbage as often as is usual takes a tenth of its time.
    gc.set_threshold(50_000, 20, 20)
    try:
        # Not click's own main(): that one turns a closed pipe into exit code 1, which here means a defect.
        with cli.make_context("asbuilt", given) as context:
            outcome = cli.invoke(context)
    finally:
        gc.set_threshold(*thresholds)
    return int(outcome) if outcome is not None else ExitCode.DONE


def _usage(error: Exception) -> str:
    """Return how the command is used, to stand above a refusal that a slip on the command line caused."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    return "" if context is None else f"{context.get_usage()}\nTry '{context.command_path} --help'.\n"


def _defect(error: Exception, *, as_json: bool) -> int:
    if os.environ.get("ASBUILT_TRACE"):
        traceback.print_exception(error)
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    report(
        f"this is a defect of the tool, not of your input: {what} (set ASBUILT_TRACE=1 to see where)",
        as_json=as_json,
    )
    return ExitCode.DEFECT


if __name__ == "__main__":
    sys.exit(main())
