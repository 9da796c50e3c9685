"""Which piles the engineer agreed to move, who agreed and when: the newest line for each pile counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.known import counting

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.model import Booleans, Reconciliation, Texts

__all__ = ["Approved", "approved_centres"]


@dataclass(frozen=True, kw_only=True)
class Approved:
    """Over the piles (n,): whether an approved centre counts, by whom ("" for none) and when (UTC, NaT for none)."""

    there: Booleans
    by: Texts
    where: Texts
    """File and line that counts, as ``set_out/approved.csv:2``; "" for none."""
    at: npt.NDArray[np.datetime64]


def approved_centres(result: Reconciliation) -> Approved:
    """Return whose centres were approved, as of the reconciliation.

    Where they lie is in the results: ``piles.set_out_e`` and ``set_out_n``.
    """
    count = len(result.piles)
    rows = counting(result.survey, "set_out", result.as_of)[0]
    there, by = np.zeros(count, dtype=bool), np.full(count, "", dtype=object)
    where = np.full(count, "", dtype=object)
    at = np.full(count, np.datetime64("NaT", "ms"))
    order = np.argsort(rows["at"], kind="stable")
    pile = rows.pile[order]
    there[pile], by[pile], at[pile] = True, rows["approved_by"][order], rows["at"][order]
    files = result.survey.files
    for row in order.tolist():
        where[rows.pile[row]] = f"{files[rows.file[row]].path}:{rows.line[row]}"
    return Approved(there=there, by=by, where=where, at=at)
