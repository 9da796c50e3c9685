"""What a file does not say itself and was said when it was taken in: kept in its ledger line, used when it is read."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from asbuilt.intake.sources import Source

__all__ = ["LoadOptions", "fill_of", "options_of"]

_COLUMNS = {
    "surveyed_at": {"pickups": "surveyed_at", "tilts": "read_at", "profiles": "read_at"},
    "surveyor": {"pickups": "surveyor", "tilts": "reader"},
    "setup": {"pickups": "setup"},
    "object": {"pickups": "object"},
}
"""Option to the column of each table that it stands in for."""


@dataclass(frozen=True, kw_only=True)
class LoadOptions:
    """What holds for a whole file: its named column mapping, and texts for cells that are blank or not there."""

    format: str | None = None
    surveyed_at: str | None = None
    surveyor: str | None = None
    setup: str | None = None
    object: str | None = None

    def of_table(self, table: str) -> LoadOptions:
        """Return those that ``table`` has a column for."""
        without = {name: None for name, columns in _COLUMNS.items() if table not in columns}
        return replace(self, **without)

    def given(self) -> dict[str, str]:
        """Return those that were given, by name."""
        values = {one.name: getattr(self, one.name) for one in fields(self)}
        return {name: value for name, value in values.items() if value is not None}

    def apply(self, source: Source) -> Source:
        """Return a file to be read with these options."""
        return replace(source, format=self.format, fill=fill_of(self, source.table))


def fill_of(options: LoadOptions, table: str) -> dict[str, str]:
    """Return the texts that stand in for blank cells of ``table``, by column."""
    given = options.given()
    return {columns[table]: given[name] for name, columns in _COLUMNS.items() if name in given and table in columns}


def options_of(text: str) -> LoadOptions | None:
    """Return the options in a ledger line's cell; None where it holds none that this version knows.

    Examples
    --------
    >>> options_of('{"object": "casing"}').object
    'casing'
    """
    if not text:
        return LoadOptions()
    try:
        said = json.loads(text)
    except ValueError:
        return None
    known = {one.name for one in fields(LoadOptions)}
    if not isinstance(said, dict) or not all(isinstance(value, str) for value in said.values()):
        return None
    return LoadOptions(**said) if set(said) <= known else None
