"""Which rows were taken out of use, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from asbuilt.model import Table, Texts, Withdrawal

__all__ = ["why_withdrawn"]


def why_withdrawn(table: Table, withdrawals: Iterable[Withdrawal], *, until: np.datetime64 | None = None) -> Texts:
    """Return why each row (n,) of a table does not count, None where it does.

    Parameters
    ----------
    table
        One table of a survey.
    withdrawals
        What was taken out of use; where several name a row the last one is told.
    until
        Withdrawals made later do not count yet; None: all do.
    """
    why: Texts = np.full(len(table), None, dtype=object)
    for one in withdrawals:
        if until is None or one.at <= until:
            named = table.file == one.file
            why[named if one.pile < 0 else named & (table.pile == one.pile)] = one.text
    return why
