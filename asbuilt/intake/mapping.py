"""Which column of a file is which of ours: by header row, by the site file's mapping, or by order alone."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from asbuilt.columns import TABLES
from asbuilt.errors import Problem
from asbuilt.intake.values import short
from asbuilt.settings import ColumnMapping, name_pattern

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from asbuilt.columns import TableDefinition
    from asbuilt.intake.text import DelimitedText

__all__ = ["PLAIN", "Fit", "called", "date_in_name", "fit", "known_names", "lacking", "order_widths"]

PLAIN = ColumnMapping()
MOST_NAMES = 20
"""Names of a file that a message lists."""
_FIGURE = re.compile(r"[+-]?[.,]?\d")


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one mapping fits one file.

    ``places``: our column to its place in the file. ``unknown``: header names that are none of ours. ``missing``:
    columns needed that the file has not, with the names they should have there. ``problems``: what keeps the file
    from being read with this mapping.
    """

    mapping: ColumnMapping
    headed: bool
    width: int
    places: Mapping[str, int]
    unknown: tuple[str, ...] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


def known_names(definition: TableDefinition, mappings: Collection[ColumnMapping]) -> frozenset[str]:
    """Return every name that a header row may hold."""
    names = {column.name for column in definition.columns}
    for mapping in mappings:
        names.update(mapping.names.values())
    return frozenset(names)


def order_widths(mappings: Collection[ColumnMapping]) -> frozenset[int]:
    """Return how many cells the rows of files without a header have."""
    return frozenset(len(mapping.order) for mapping in mappings if mapping.order)


def fit(
    text: DelimitedText,
    definition: TableDefinition,
    *,
    mappings: Mapping[str, ColumnMapping],
    chosen: str | None = None,
    filled: Collection[str] = (),
) -> Fit:
    """Return the fit of the first mapping that gives every column needed, else the one that lacks least.

    Parameters
    ----------
    text
        The file.
    definition
        The table it belongs to.
    mappings
        Name to mapping; "" is tried first (without one, our own names are), then the others in their order.
    chosen
        Name of the only mapping to use.
    filled
        Columns that are given from elsewhere and need not stand in the file.
    """
    names = [chosen] if chosen is not None else ["", *(name for name in mappings if name)]
    best: Fit | None = None
    for name in names:
        found = _fit_one(text, definition, mappings.get(name, PLAIN), filled)
        if not found.problems and not found.missing:
            return found
        if best is None or _lacks(found) < _lacks(best):
            best = found
    assert best is not None  # noqa: S101  # there is at least one name
    return replace(best, problems=(*best.problems, *_missing_lines(text, definition, best)))


def _lacks(found: Fit) -> int:
    return len(found.problems) + len(found.missing)


def date_in_name(file: str, pattern: str) -> str | None:
    """Return the date in a file's name as ISO 8601, or None.

    Without an hour in ``pattern`` it is a date alone.
    """
    import datetime as dt

    stem = file.rsplit("/", 1)[-1]
    match = re.search(name_pattern(pattern), stem)
    if match is None:
        return None
    try:
        moment = dt.datetime.strptime(match.group(0), pattern)  # noqa: DTZ007  # the site's zone holds
    except ValueError:
        return None
    return moment.isoformat() if "%H" in pattern else moment.date().isoformat()


def _fit_one(text: DelimitedText, definition: TableDefinition, mapping: ColumnMapping, filled: Collection[str]) -> Fit:
    ours = [column.name for column in definition.columns]
    # A file with an order has no header row, unless its first row holds names: ours, or where figures should be.
    bare = mapping.order and {*ours, *mapping.names.values()}.isdisjoint(text.first)
    if bare and mapping.order and not _is_header(text.first, definition, mapping.order):
        return _fit_order(text, definition, mapping, mapping.order, filled)
    counts = Counter(text.first)
    claimed = set(mapping.names.values())
    problems: list[Problem] = []
    places: dict[str, int] = {}
    used: set[str] = set()
    for name in ours:
        # Our own name serves too, unless the mapping gives it to another column.
        named = [mapping.names[name]] if name in mapping.names else []
        allowed = dict.fromkeys([*named, name] if name not in claimed else named)
        words = [word for word in allowed if word in counts]
        if not words:
            continue
        times = sum(counts[word] for word in words)
        if times > 1:
            problems.append(_problem(text, name, f"duplicate column, {times} times", "one"))
        places[name] = text.first.index(words[0])
        used.update(words)
    unknown = tuple(dict.fromkeys(cell for cell in text.first if cell not in used))
    missing = _missing(text, definition, mapping, places, filled, problems)
    return Fit(
        mapping=mapping,
        headed=True,
        width=len(text.first),
        places=places,
        unknown=unknown,
        missing=missing,
        problems=tuple(problems),
    )


def _is_header(first: Sequence[str], definition: TableDefinition, order: Sequence[str]) -> bool:
    """Tell whether a row holds words in every place where the order has a number or a time."""
    kinds = {column.name: column.kind for column in definition.columns}
    pairs = zip(first, order, strict=False)
    cells = [cell for cell, name in pairs if cell and kinds.get(name) in {"float", "integer", "time"}]
    return bool(cells) and not any(_FIGURE.match(cell) for cell in cells)


def _fit_order(
    text: DelimitedText,
    definition: TableDefinition,
    mapping: ColumnMapping,
    order: Sequence[str],
    filled: Collection[str],
) -> Fit:
    places: dict[str, int] = {}
    problems: list[Problem] = []
    for place, name in enumerate(order):
        if name in places:
            problems.append(_problem(text, name, "twice in the order of the site file", "once"))
        elif name:
            places[name] = place
    if len(text.first) != len(order):
        expected = f"{len(order)}, as in the order of the site file"
        problems.append(_problem(text, "", f"{len(text.first)} cells", expected))
    missing = _missing(text, definition, mapping, places, filled, problems)
    return Fit(
        mapping=mapping, headed=False, width=len(order), places=places, missing=missing, problems=tuple(problems)
    )


def _missing(
    text: DelimitedText,
    definition: TableDefinition,
    mapping: ColumnMapping,
    places: Mapping[str, int],
    filled: Collection[str],
    problems: list[Problem],
) -> dict[str, str]:
    """Return the columns needed that the file has not and nothing stands in for, with their names there.

    ``problems`` gets a line where the date should come from the file's name and does not.
    """
    missing = {}
    for column in definition.columns:
        if column.name in places or column.name in filled or not (column.needed or column.column_needed):
            continue
        if column.name == "pile_id" and mapping.pile_id_from and "point" in places:
            continue
        if column.kind == "time" and mapping.date_from_name:
            if date_in_name(text.file, mapping.date_from_name) is None:
                what = f"no such column, and no date in the file's name as {mapping.date_from_name}"
                problems.append(_lacks_column(text, column.name, what, "one of them"))
            continue
        missing[column.name] = mapping.names.get(column.name, column.name)
    return missing


def _missing_lines(text: DelimitedText, definition: TableDefinition, best: Fit) -> Iterator[Problem]:
    """Yield what is missing: in one line where a header lacks several columns, as it is then of another kind."""
    if best.headed and len(best.missing) > 1:
        expected = "a header with these names"
        if definition.name in TABLES:
            expected += f", or a mapping in [columns.{definition.name}] of site.toml"
        yield _lacks_column(text, "", lacking(best.missing, text.first, what="column"), expected)
        return
    for name, theirs in best.missing.items():
        yield _lacks_column(text, name, "missing column", called(theirs, best.unknown))


def lacking(missing: Mapping[str, str], found: Collection[str], *, what: str) -> str:
    """Return what is missing, ours with their name where that is another, and the names that were found.

    One that is missing alone is not named: its problem stands at that column.
    """
    named = [ours if ours == theirs else f"{ours} (as {short(theirs)})" for ours, theirs in missing.items()]
    there = [short(name) for name in found if name]
    more = [f"and {len(there) - MOST_NAMES} more"] if len(there) > MOST_NAMES else []
    listed = ", ".join([*there[:MOST_NAMES], *more]) or "none"
    said = f"missing {what}s {', '.join(named)}" if len(named) > 1 else f"missing {what}"
    return f"{said}; found {listed}"


def called(theirs: str, unknown: Collection[str], *, what: str = "column") -> str:
    """Return what was expected where a name is missing, with the unknown name that is nearest to it."""
    expected = f"a {what} called {theirs}"
    folded = {cell.casefold(): cell for cell in unknown if cell}
    close = difflib.get_close_matches(theirs.casefold(), list(folded), n=1, cutoff=0.7)
    return f"{expected}, perhaps {short(folded[close[0]])}" if close else expected


def _lacks_column(text: DelimitedText, column: str, what: str, expected: str) -> Problem:
    return replace(_problem(text, column, what, expected), kind="missing_column")


def _problem(text: DelimitedText, column: str, what: str, expected: str) -> Problem:
    return Problem(file=text.file, line=text.first_line, column=column, text=what, expected=expected)
