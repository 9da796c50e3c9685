"""How the demo's tables are written."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


def metres(value: float) -> str:
    """Write a coordinate or level to the millimetre."""
    return f"{value:.3f}"


def stamp(when: datetime) -> str:
    """Write a time to the minute, in the site's zone."""
    return when.strftime("%Y-%m-%dT%H:%M")


def table(header: str, rows: list[list[object]], separator: str = ",") -> str:
    """Return a delimited table; None is a blank cell."""
    lines = [separator.join(header.split())]
    lines += [separator.join("" if cell is None else str(cell) for cell in row) for row in rows]
    return "\n".join(lines) + "\n"
