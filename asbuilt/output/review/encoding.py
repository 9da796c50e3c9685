"""Arrays to what JSON can carry: null for what is not known, short figures, no minus before a zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy.typing as npt

    from asbuilt.model import Integers

__all__ = ["FIGURE", "PLAN", "SLOPE", "codes", "figures", "offsets", "ragged", "texts"]

#: Decimals of plan coordinates and levels [m], of slopes [m/m], of figures in mm, mm/m, percent and chances.
PLAN, SLOPE, FIGURE = 6, 9, 6


def figures(values: Any, places: int) -> list[float | None]:
    """Return numbers as a list: None for NaN."""
    rounded = np.round(np.asarray(values, dtype=np.float64), places) + 0.0
    return [None if value != value else value for value in rounded.tolist()]  # NaN is unlike itself


def codes(values: Any) -> list[int]:
    """Return whole numbers as a list."""
    whole: list[int] = np.asarray(values).astype(np.int64).tolist()
    return whole


def texts(values: Iterable[object]) -> list[str]:
    """Return texts as a list: "" for None."""
    return ["" if value is None else str(value) for value in values]


def offsets(owner: Integers, count: int) -> list[int]:
    """Return where the entries of each of ``count`` owners start in a list sorted by owner, and where the last ends."""
    start: list[int] = np.searchsorted(owner, np.arange(count + 1)).tolist()
    return start


def ragged(parts: Sequence[npt.NDArray[Any]]) -> tuple[list[int], npt.NDArray[np.float64]]:
    """Return where each part starts in the flat array of all, and that array."""
    start: list[int] = np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64).tolist()
    flat = np.concatenate(parts) if parts else np.empty(0)
    return start, flat
