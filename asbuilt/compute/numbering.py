"""Distinct values numbered, and rows alike found: of many with a table library, of few without waiting for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Booleans, Integers

__all__ = ["FEW", "alike", "not_alone", "numbered"]

#: So many rows are gone through one by one sooner than the table library is loaded, which takes longer than that.
FEW = 2_000


def numbered(values: npt.NDArray[Any], *, few: int = FEW) -> Integers:
    """Return the number (k,) of each value among the distinct ones in the order in which they come, -1 for None.

    Examples
    --------
    >>> numbered(np.array(["S2", "S1", None, "S2"], dtype=object)).tolist()
    [0, 1, -1, 0]
    """
    if len(values) > few:
        from pandas import factorize

        codes: Integers = factorize(values)[0].astype(np.int64)
        return codes
    known: dict[Any, int] = {}
    return np.array(
        [-1 if one is None else known.setdefault(one, len(known)) for one in values.tolist()], dtype=np.int64
    )


def alike(columns: Sequence[npt.NDArray[Any]], *, few: int = FEW) -> Integers:
    """Return the number (k,) of each row among the distinct ones; NaN, NaT and None are each like themselves.

    Parameters
    ----------
    columns : sequence of (k,) arrays
        At least one.
    few : int
        Up to so many rows are gone through one by one.
    """
    if len(columns[0]) > few:
        from pandas import DataFrame

        frame = DataFrame(dict(enumerate(columns)))
        codes: Integers = frame.groupby(list(frame), sort=False, dropna=False).ngroup().to_numpy().astype(np.int64)
        return codes
    known: dict[Any, int] = {}
    rows = zip(*(_hashable(column) for column in columns), strict=True)
    return np.array([known.setdefault(row, len(known)) for row in rows], dtype=np.int64)


def not_alone(columns: Sequence[npt.NDArray[Any]], *, few: int = FEW) -> Booleans:
    """Return which rows (k,) have another one like them; parameters as of :func:`alike`."""
    if len(columns[0]) > few:
        from pandas import DataFrame

        several: Booleans = DataFrame(dict(enumerate(columns))).duplicated(keep=False).to_numpy()
        return several
    number = alike(columns, few=few)
    others: Booleans = np.bincount(number)[number] > 1 if len(number) else np.zeros(0, dtype=np.bool_)
    return others


def _hashable(column: npt.NDArray[Any]) -> list[Any]:
    """Return a column's values so that what is missing is like itself."""
    if column.dtype.kind == "M":
        times: list[Any] = column.astype("datetime64[ms]").astype(np.int64).tolist()
        return times
    values: list[Any] = column.tolist()
    return [None if one != one else one for one in values] if column.dtype.kind == "f" else values
