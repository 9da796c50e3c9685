"""How findings of a load are told: where a row stands, what it is called, and many of one cause as one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from asbuilt.compute.blunders_groups import Ground
    from asbuilt.model import Booleans, Survey, Table

__all__ = ["FEWEST_OF_ONE", "at_row", "item_of", "most_of", "names_of", "one_for_most", "piles_of_files"]

#: From this many piles on, and for more than half of a file's piles, one finding is made of many of one cause.
FEWEST_OF_ONE = 3
#: So many piles are named in a finding about many.
_NAMED = 8


def item_of(table: Table, row: int) -> str:
    """Return what a row is about: its pile, or the point of a check shot."""
    name = table["pile_id"][row]
    return str(table["point"][row] if name is None else name)


def at_row(table: Table, ground: Ground, row: int, *, kind: str, text: str, column: str, item: str = "") -> Finding:
    """Return a query about a row of a table; about its pile unless ``item`` names something else."""
    return Finding(
        severity="query",
        kind=kind,
        item=item or item_of(table, row),
        text=text,
        file=ground.files[int(table.file[row])],
        line=int(table.line[row]),
        column=column,
    )


def names_of(names: Sequence[str], most: int = _NAMED) -> str:
    """Return names in a row, and how many more there are."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def most_of(some: int, every: int) -> bool:
    """Tell whether so many of a file's piles are told as one."""
    return some >= FEWEST_OF_ONE and 2 * some > every


def piles_of_files(survey: Survey, fresh: Mapping[str, Booleans]) -> dict[str, set[str]]:
    """Return the piles that each file of the load has rows of."""
    found: dict[str, set[str]] = {}
    for name, mask in fresh.items():
        table: Table = getattr(survey, name)
        rows = np.flatnonzero(mask & (table.pile >= 0))
        for place in np.unique(table.file[rows]).tolist():
            own = table["pile_id"][rows[table.file[rows] == place]]
            found[survey.files[place].path] = {str(one) for one in own.tolist()}
    return found


def one_for_most(found: Iterable[Finding], piles: Mapping[str, set[str]]) -> list[Finding]:
    """Return the findings, with one about the file in place of those that more than half of its piles have alike.

    Alike are kind, column and cause, which stands behind the last colon of a text.

    Parameters
    ----------
    found
        Findings about piles, and others, which stay as they are.
    piles
        By file: the piles that it has rows of.
    """
    kept: list[Finding] = []
    alike: dict[tuple[str, str, str, str], list[Finding]] = {}
    for one in found:
        if one.severity != "query" or one.item not in piles.get(one.file, ()):
            kept.append(one)
            continue
        alike.setdefault((one.file, one.kind, one.column, one.text.rpartition(": ")[2]), []).append(one)
    for (file, kind, column, _), group in alike.items():
        names = list(dict.fromkeys(one.item for one in sorted(group, key=lambda one: one.line)))
        if not most_of(len(names), len(piles[file])):
            kept += group
            continue
        first = min(group, key=lambda one: one.line)
        text = f"{len(names)} of {len(piles[file])} piles ({names_of(names)}); the first, {first.item}: {first.text}"
        kept.append(
            Finding(severity="query", kind=kind, item=file, text=text, file=file, line=first.line, column=column)
        )
    return kept
