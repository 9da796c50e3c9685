"""The command line's entry: ``asbuilt`` and ``python -m asbuilt``. The only place where errors are caught."""

from __future__ import annotations

import errno
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
    except InputError as error:
        report_problems(error, as_json=as_json)
        return ExitCode.REFUSED
    except click.UsageError as error:
        report(error.format_message(), as_json=as_json, before=_usage(error))
        return ExitCode.REFUSED
    except (AsbuiltError, click.ClickException) as error:
        report(str(error), as_json=as_json)
        return ExitCode.REFUSED
    except (KeyboardInterrupt, click.Abort):
        report("interrupted", as_json=False)
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        leave_pipe()
        return ExitCode.PIPE_CLOSED
    except OSError as error:
        if error.errno not in _MENDABLE:
            return _defect(error, as_json=as_json)
        where = f"{error.filename}: " if error.filename else ""
        report(f"{where}{error.strerror}", as_json=as_json)
        return ExitCode.REFUSED
    except Exception as error:  # noqa: BLE001 - whatever else escapes is a defect, and is called one
        return _defect(error, as_json=as_json)


def _run(given: list[str]) -> int:
    # Not click's own main(): that one turns a closed pipe into exit code 1, which here means a defect.
    with cli.make_context("asbuilt", given) as context:
        outcome = cli.invoke(context)
    return int(outcome) if outcome is not None else ExitCode.DONE


def _usage(error: click.UsageError) -> str:
    if error.ctx is None:
        return ""
    return f"{error.ctx.get_usage()}\nTry '{error.ctx.command_path} --help'.\n"


def _defect(error: BaseException, *, as_json: bool) -> int:
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
