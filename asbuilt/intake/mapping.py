"""Which column of a file is which of ours: by header row, by the site file's mapping, or by order alone."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from asbuilt.errors import Problem
from asbuilt.intake.values import short
from asbuilt.settings import ColumnMapping, name_pattern

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from asbuilt.columns import TableDefinition
    from asbuilt.intake.text import DelimitedText

__all__ = ["PLAIN", "Fit", "called", "date_in_name", "fit", "known_names", "order_widths"]

PLAIN = ColumnMapping()


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one mapping fits one file.

    ``places``: our column to its place in the file. ``unknown``: header names that are none of ours.
    ``problems``: what keeps the file from being read with this mapping.
    """

    mapping: ColumnMapping
    headed: bool
    width: int
    places: Mapping[str, int]
    unknown: tuple[str, ...] = ()
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
        if not found.problems:
            return found
        if best is None or len(found.problems) < len(best.problems):
            best = found
    assert best is not None  # noqa: S101  # there is at least one name
    return best


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
    # A file with an order has no header row, unless its first row holds names.
    if mapping.order and {*ours, *mapping.names.values()}.isdisjoint(text.first):
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
    problems.extend(_missing(text, definition, mapping, places, filled, unknown))
    return Fit(
        mapping=mapping,
        headed=True,
        width=len(text.first),
        places=places,
        unknown=unknown,
        problems=tuple(problems),
    )


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
    problems.extend(_missing(text, definition, mapping, places, filled, ()))
    return Fit(mapping=mapping, headed=False, width=len(order), places=places, problems=tuple(problems))


def _missing(
    text: DelimitedText,
    definition: TableDefinition,
    mapping: ColumnMapping,
    places: Mapping[str, int],
    filled: Collection[str],
    unknown: Sequence[str],
) -> list[Problem]:
    """Return a line for each column needed that the file has not and nothing stands in for."""
    problems = []
    for column in definition.columns:
        if column.name in places or column.name in filled or not (column.needed or column.column_needed):
            continue
        if column.name == "pile_id" and mapping.pile_id_from and "point" in places:
            continue
        if column.kind == "time" and mapping.date_from_name:
            if date_in_name(text.file, mapping.date_from_name) is None:
                what = f"no such column, and no date in the file's name as {mapping.date_from_name}"
                problems.append(_problem(text, column.name, what, "one of them"))
            continue
        problems.append(
            _problem(
                text,
                column.name,
                "missing column",
                called(mapping.names.get(column.name, column.name), unknown),
            )
        )
    return problems


def called(theirs: str, unknown: Collection[str], *, what: str = "column") -> str:
    """Return what was expected where a name is missing, with the unknown name that is nearest to it."""
    expected = f"a {what} called {theirs}"
    folded = {cell.casefold(): cell for cell in unknown if cell}
    close = difflib.get_close_matches(theirs.casefold(), list(folded), n=1, cutoff=0.7)
    return f"{expected}, perhaps {short(folded[close[0]])}" if close else expected


def _problem(text: DelimitedText, column: str, what: str, expected: str) -> Problem:
    return Problem(file=text.file, line=text.first_line, column=column, text=what, expected=expected)
