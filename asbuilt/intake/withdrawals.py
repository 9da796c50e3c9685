"""Loads, and single piles of loads, that were taken out of use: a line in the ledger each, the rows stay."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.model import Withdrawal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

__all__ = ["pile_of", "withdrawals_of"]


def pile_of(options: str) -> str | None:
    """Return the pile that a ledger line of a withdrawal names, None where it is the whole file.

    Raises
    ------
    ValueError
        When the cell holds anything else.

    Examples
    --------
    >>> pile_of('{"pile": "P12"}')
    'P12'
    """
    if not options:
        return None
    said = json.loads(options)
    if not isinstance(said, dict) or set(said) != {"pile"} or not isinstance(said["pile"], str):
        raise ValueError(options)
    return said["pile"]


def withdrawals_of(
    ledger: Iterable[Mapping[str, str]], *, files: Mapping[str, int], piles: Mapping[str, int]
) -> Iterator[Withdrawal]:
    """Yield what the ledger takes out of use, of the files that are there.

    Parameters
    ----------
    ledger
        The ledger's rows.
    files, piles
        Path to place among the survey's files, pile id to place in the design table.
    """
    for row in ledger:
        if row["action"] != "withdraw" or row["file"] not in files:
            continue
        name = pile_of(row["options"])
        if name is not None and name not in piles:
            continue  # gone from the schedule, so no row is left that names it
        yield Withdrawal(
            file=files[row["file"]],
            pile=-1 if name is None else piles[name],
            at=np.datetime64(row["at"].removesuffix("Z"), "ms"),
            text=f"withdrawn by {row['by']}: {row['note']}",
        )
