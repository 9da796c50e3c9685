"""What is still missing of piles that are drilled, or begun: pickup, lean, record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import METHODS, PROGRESS
from asbuilt.compute.withdrawn import why_withdrawn

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Integers, Reconciliation

__all__ = ["Completeness", "completeness"]

_BUILT = [PROGRESS.index(word) for word in ("drilled", "concreted", "surveyed")]
_NO_AXIS = METHODS.index("none")


@dataclass(frozen=True, kw_only=True)
class Completeness:
    """Piles that are drilled or begun, and what each of them lacks.

    ``drilled`` counts them; ``pile`` (k,) are the places in the design table of those that lack anything, in its
    order; ``pickup``, ``lean`` and ``record`` (k,) tell what.
    """

    drilled: int
    pile: Integers
    pickup: Booleans
    """No surveyed centre: nothing shot, or nothing that a centre can be had from."""
    lean: Booleans
    """No lean reading and no profile: the axis is unknown."""
    record: Booleans
    """No drilling record of the attempt that governs."""

    def __len__(self) -> int:
        return len(self.pile)


def completeness(result: Reconciliation) -> Completeness:
    """Return what is still missing of piles that are drilled or begun.

    Parameters
    ----------
    result
        A survey, reconciled. A pile counts when its record says that it is drilled, when it was shot, or when its lean
        was read: a reading proves that drilling has begun. One that was given up and omitted does not count.
    """
    piles = result.piles
    pickup = np.isnan(result.centres.e)
    lean = np.asarray(piles["method"]) == _NO_AXIS
    drilled = piles.expected & (np.isin(piles["progress"], _BUILT) | ~lean)
    record = ~_recorded(result)
    rows = np.flatnonzero(drilled & (pickup | lean | record))
    return Completeness(
        drilled=int(np.count_nonzero(drilled)), pile=rows, pickup=pickup[rows], lean=lean[rows], record=record[rows]
    )


def _recorded(result: Reconciliation) -> Booleans:
    """Return which piles (n,) have a record of the attempt that governs."""
    records = result.survey.records
    counts = why_withdrawn(records, result.survey.withdrawals, until=result.as_of) == None  # noqa: E711
    pile = records.pile[counts]
    same = records["attempt"][counts] == result.centres.attempt[pile]
    recorded = np.zeros(len(result.piles), dtype=np.bool_)
    recorded[pile[same & (pile >= 0)]] = True
    return recorded
