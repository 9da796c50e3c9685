"""Which table a file is, told from its columns: by their own names, by the site file's mappings, or by order alone."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from asbuilt.columns import TABLES
from asbuilt.errors import InputError, Problem, UsageError
from asbuilt.intake.mapping import MOST_NAMES, date_in_name, fit, known_names, order_widths
from asbuilt.intake.options import LoadOptions, fill_of
from asbuilt.intake.sources import LOADS
from asbuilt.intake.text import BLANKS, open_text
from asbuilt.intake.values import short

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from asbuilt.intake.mapping import Fit
    from asbuilt.intake.text import DelimitedText
    from asbuilt.settings import ColumnMapping

    Mappings = Mapping[str, Mapping[str, ColumnMapping]]

__all__ = ["TAKEN_IN", "Kind", "date_of_name", "kind_of"]

TAKEN_IN = (*LOADS, "design")
"""Tables that a file can be taken in as."""
ENOUGH, ENOUGH_OF_ALL = 2, 3
"""Columns that tell what a file is meant to be, where it lacks others that are needed: so many of that table alone, or
one of it alone and so many in all."""
_FIGURE = re.compile(r"[+-]?[.,]?\d")
_ELSEWHERE = "it is kept by hand in {where}, see `asbuilt formats {table}`"


@dataclass(frozen=True, kw_only=True)
class Kind:
    """What a file is: its table, and how its columns fit that table (None for a file that is no text)."""

    table: str
    fit: Fit | None


@dataclass(frozen=True, kw_only=True)
class _Look:
    """How a file looks as one table: ``own`` counts columns that no other table has."""

    table: str
    fit: Fit
    own: int
    whole: bool
    text: DelimitedText


def kind_of(
    file: str, data: bytes, *, mappings: Mappings, options: LoadOptions | None = None, table: str | None = None
) -> Kind:
    """Return which table a file is.

    Parameters
    ----------
    file
        Its path as the user gave it; the name's last part can hold a date.
    data
        Its bytes.
    mappings
        The site file's column mappings, by table and name.
    options
        What was said besides the file: columns given there need not stand in it, a format narrows the choice.
    table
        The table, where it was said.

    Notes
    -----
    A file is a table when it has every column that the table needs and at least one that no other table has. Where
    none fits, it is the one whose own columns it has most of, at least two, or one and three in all: reading it then
    says what it lacks.

    Raises
    ------
    UsageError
        When the columns fit none or several, when they are those of a table that is not taken in, or when there is no
        mapping of the name asked for.
    InputError
        When it is no text, and nobody said which table it is.
    """
    options = options or LoadOptions()
    _check_format(options.format, mappings, table)
    if table is not None:
        looks = _looks(file, data, (table,), mappings, options)
        return Kind(table=table, fit=looks[0].fit if isinstance(looks, list) else None)
    looks = _looks(file, data, tuple(TABLES), mappings, options)
    if isinstance(looks, Problem):
        raise InputError([looks])
    chosen = _choose(file, looks)
    if chosen.table == "design":
        raise UsageError(f"{file}: these are the columns of a pile schedule; take a revision in with --as design")
    if chosen.table not in TAKEN_IN:
        what = _ELSEWHERE.format(where=TABLES[chosen.table].where, table=chosen.table)
        raise UsageError(f"{file}: these are the columns of {chosen.table}; {what}")
    return Kind(table=chosen.table, fit=chosen.fit)


def date_of_name(file: str, kind: Kind) -> str | None:
    """Return the date that a file's name gives in place of a column, as ISO 8601; None where none is needed."""
    if kind.fit is None or not kind.fit.mapping.date_from_name:
        return None
    times = [column.name for column in TABLES[kind.table].columns if column.kind == "time" and column.needed]
    if all(name in kind.fit.places for name in times):
        return None
    return date_in_name(file.replace("\\", "/"), kind.fit.mapping.date_from_name)


def _check_format(name: str | None, mappings: Mappings, table: str | None) -> None:
    if name is None:
        return
    there = {one: [key for key in named if key] for one, named in mappings.items() if table in (None, one)}
    if any(name in keys for keys in there.values()):
        return
    listed = ", ".join(f"{key} ({one})" for one, keys in there.items() for key in keys) or "none"
    raise UsageError(f"no column mapping {name!r}; site.toml has: {listed}")


def _looks(
    file: str, data: bytes, tables: Sequence[str], mappings: Mappings, options: LoadOptions
) -> list[_Look] | Problem:
    """Return how the file looks as each table that a format asked for allows; or why it is no text."""
    counts = Counter(column.name for definition in TABLES.values() for column in definition.columns)
    looks = []
    for table in tables:
        named = mappings.get(table, {})
        if options.format is not None and options.format not in named:
            continue
        definition = TABLES[table]
        text = open_text(file, data, known=known_names(definition, named.values()), widths=order_widths(named.values()))
        if isinstance(text, Problem):
            return text
        fitted = fit(text, definition, mappings=named, chosen=options.format, filled=fill_of(options, table))
        own = sum(counts[name] == 1 for name in fitted.places) if fitted.headed else 0
        whole = not fitted.missing and not fitted.problems
        whole &= own > 0 if fitted.headed else _figures_in_place(text, fitted, table)
        looks.append(_Look(table=table, fit=fitted, own=own, whole=whole, text=text))
    return looks


def _figures_in_place(text: DelimitedText, fitted: Fit, table: str) -> bool:
    """Tell whether the first row of a file without a header has figures where that order has numbers and times."""
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    cells = [text.first[place] for name, place in fitted.places.items() if kinds[name] in {"float", "integer", "time"}]
    return all(_FIGURE.match(cell) for cell in cells if cell.strip(BLANKS))


def _choose(file: str, looks: Sequence[_Look]) -> _Look:
    """Return the table that the file is; raises UsageError when its columns do not tell."""
    whole = [look for look in looks if look.whole]
    if len(whole) == 1:
        return whole[0]
    if len(whole) > 1:
        tables = " and ".join(look.table for look in whole)
        raise UsageError(f"{file}: its columns fit {tables}; say which with --as")
    first, *rest = sorted(looks, key=lambda look: look.own, reverse=True)
    enough = first.own >= ENOUGH or (first.own and len(first.fit.places) >= ENOUGH_OF_ALL)
    if enough and all(look.own < first.own for look in rest):
        return first
    names = [short(cell) for cell in looks[0].text.first if cell]
    more = [f"and {len(names) - MOST_NAMES} more"] if len(names) > MOST_NAMES else []
    seen = ", ".join([*names[:MOST_NAMES], *more]) or "nothing"
    raise UsageError(
        f"{file}: cannot tell which table it is; its first row has {seen}. Say it with --as {', '.join(TAKEN_IN[:-1])} "
        f"or {TAKEN_IN[-1]}; `asbuilt formats` lists their columns, [columns] in site.toml can map other names"
    )
