"""The options that state one lean reading, as ``steer`` and ``read`` take them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["reading_options"]

Command = TypeVar("Command", bound="Callable[..., Any]")

_OPTIONS = (
    click.option("--tilt-a", metavar="A", help="The reading in direction a."),
    click.option("--tilt-b", metavar="B", help="The reading in direction b."),
    click.option("--unit", metavar="U", help="Unit of both: mm/m, 1:n, %, deg, or mm under a level."),
    click.option("--depth", metavar="D", help="Depth of the reading below the commencing surface, in metres."),
    click.option(
        "--bearing-a",
        metavar="DEG",
        help="Bearing of direction a from site-grid north. Default: towards the pit; needed at corners.",
    ),
    click.option("--bearing-b", metavar="DEG", help="Bearing of direction b. Default: 90 clockwise of a."),
    click.option(
        "--sense",
        metavar="S",
        help="toe: readings say where the toe goes; top: where the top leans. Default: that of site.toml.",
    ),
)


def reading_options(function: Command) -> Command:
    """Add the options of one reading, handed over as texts; None where not given."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function
