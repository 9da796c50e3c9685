"""The command line: one module for each command, imported when it is asked for.

Each module has a ``command``; what they share stands in :mod:`asbuilt.commands._shared`. A command and the Python
function behind it are two doors to one room.
"""

from __future__ import annotations

import difflib
import importlib

import click

from asbuilt import __version__

__all__ = ["COMMANDS", "cli"]

#: In the order of the work.
COMMANDS = (
    "new",
    "formats",
    "load",
    "withdraw",
    "run",
    "sheets",
    "steer",
    "read",
    "setout",
    "decide",
    "holds",
    "archive",
    "verify",
)


class _Commands(click.Group):
    """A group that imports a command's module when the command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - as click calls it
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"asbuilt.commands.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=1, cutoff=0.5)
            meant = f"perhaps {near[0]}" if near else f"one of {', '.join(COMMANDS)}"
            ctx.fail(f"no command {args[0]!r}, expected {meant}")
        return super().resolve_command(ctx, args)


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="""\b
Exit codes: 0 done, also when piles are out of tolerance
            2 bad usage, bad input, or a target that cannot be written
            3 something is held, or not as it was taken in
            1 a defect of the tool (ASBUILT_TRACE=1 shows where)

\b
Example:
  asbuilt new basement_wall
""",
)
@click.version_option(__version__, "--version", prog_name="asbuilt", message="%(prog)s %(version)s")
def cli() -> None:
    """As-built control of walls of overlapping bored piles.

    A survey folder holds one job: design, pickups, lean readings, settings.
    `new` makes one, `load` searches a day's files and takes them in, `run` works
    it out, `sheets` draws on request, `holds` asks about one excavation stage.

    It is geometry only. It releases nothing: the responsible engineer decides.
    """
