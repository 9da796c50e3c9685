"""``asbuilt formats``: the columns of the input tables, from the definitions that the reader checks by."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import click

from asbuilt.columns import TABLES
from asbuilt.commands._shared import json_option, print_json, print_lines
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.columns import Column, TableDefinition

__all__ = ["command", "rule", "table_lines"]

_WIDTH = 80
_NOTES = """\
*    needed: the column must be there and every cell filled
(*)  the column must be there, cells may be blank; every other may be left out
A pile_id has 1 to 24 letters, digits, dots, underscores or hyphens, and is
compared exactly: 1, 01 and P1 are three piles.
Tables have a header row and are UTF-8. Cells are parted by comma, semicolon or
tab; decimals by a point, or by a comma where commas do not part the cells.
Blank lines and lines that begin with # are skipped. Columns may come in any
order; unknown ones are kept, ignored and noted. Times without an offset are in
the site's time zone. A blank is not measured, never zero."""

_TYPE_RULES = {
    "integer": "whole number",
    "time": "ISO 8601",
    "boolean": "true or false",
}


@click.command(
    epilog="""\b
Example:
  asbuilt formats pickups
"""
)
@click.argument("table", required=False, metavar="[TABLE]")
@json_option
def command(table: str | None, *, as_json: bool) -> None:
    """Show the columns of the input tables: names, units, rules.

    TABLE is one of design, pickups, tilts, profiles, records, control, set_out, decisions; without it all are shown.
    """
    if table is not None and table not in TABLES:
        raise UsageError(f"no table {table!r}; there are {', '.join(TABLES)}")
    tables = [TABLES[table]] if table is not None else list(TABLES.values())
    if as_json:
        print_json({"tables": [_as_object(definition) for definition in tables]})
        return
    lines: list[str] = []
    for definition in tables:
        lines += [*table_lines(definition), ""]
    print_lines([*lines, *_NOTES.splitlines()])


def rule(column: Column) -> str:
    """Return the rule that a value must keep, in words; "" where any value of the type will do."""
    parts = []
    if column.choices:
        parts.append("one of " + ", ".join(column.choices))
    elif column.kind in _TYPE_RULES and column.unit != _TYPE_RULES[column.kind]:
        parts.append(_TYPE_RULES[column.kind])
    if column.low is not None and column.high is not None:
        parts.append(f"{'above ' if column.low_open else ''}{column.low:g} to {column.high:g}")
    elif column.low is not None:
        parts.append(f"more than {column.low:g}" if column.low_open else f"{column.low:g} or more")
    elif column.high is not None:
        parts.append(f"{column.high:g} or less")
    if column.default:
        parts.append(f"default {column.default}")
    return "; ".join(parts)


def table_lines(definition: TableDefinition) -> Iterator[str]:
    """Yield one table's description, at most 80 columns wide."""
    yield f"{definition.name}   {definition.where}"
    yield f"  {definition.meaning}"
    names = max(len(column.name) for column in definition.columns) + len(" (*)")
    units = max(len(column.unit) for column in definition.columns)
    for column in definition.columns:
        mark = "*" if column.needed else " (*)" if column.column_needed else ""
        head = f"  {column.name + mark:<{names}}  {column.unit:<{units}}  "
        detail = rule(column)
        text = column.meaning if not detail else f"{column.meaning} [{detail}]"
        yield from textwrap.wrap(
            text, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False
        )


def _as_object(definition: TableDefinition) -> dict[str, object]:
    return {
        "table": definition.name,
        "where": definition.where,
        "meaning": definition.meaning,
        "columns": [_column_object(column) for column in definition.columns],
    }


def _column_object(column: Column) -> dict[str, object]:
    choices: Sequence[str] | None = column.choices or None
    return {
        "name": column.name,
        "type": column.kind,
        "unit": column.unit or None,
        "meaning": column.meaning,
        "needed": column.needed,
        "column_needed": column.needed or column.column_needed,
        "choices": choices,
        "default": column.default or None,
        "low": column.low,
        "high": column.high,
        "low_open": column.low_open,
    }
