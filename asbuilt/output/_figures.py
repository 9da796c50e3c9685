"""Figures as they are printed in tables: no rounding puts a figure onto a limit that it does not equal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Floats, Integers

__all__ = ["figure_texts"]

#: Digits added at most to tell a measured figure from its limit; what differs by less differs by rounding errors.
_MORE_DIGITS = 6
#: From so many decimals on, rounding itself would spoil the last one.
_EXACT = 12


def figure_texts(
    values: Floats, decimals: int, limits: Sequence[Floats], *, most: int | None = None
) -> list[str | None]:
    """Return figures with ``decimals`` decimals, and more where those would round a figure onto a limit.

    Parameters
    ----------
    values
        (n,) figures; None is returned for NaN.
    decimals
        Decimals to begin with.
    limits
        Numbers (n,) that the figures are held against; NaN for none.
    most
        The most decimals given to tell a figure from its limit; default: six more than ``decimals``. A figure that is
        nearer still keeps ``decimals``.

    Examples
    --------
    >>> figure_texts(np.array([25.04, 24.9, -0.01]), 1, [np.full(3, 25.0)])
    ['25.04', '24.9', '0.0']
    """
    last = decimals + _MORE_DIGITS if most is None else most
    places = np.full(len(values), decimals)
    for limit in limits:
        np.maximum(places, _places(values, limit, decimals, last), out=places)
    texts = np.full(len(values), None, dtype=object)
    known = ~np.isnan(values)
    for digits in sorted(set(places[known].tolist())):
        rows = np.flatnonzero(known & (places == digits))
        texts[rows] = _printed(values[rows], digits)
    found: list[str | None] = texts.tolist()
    return found


def _places(values: Floats, limit: Floats, decimals: int, last: int) -> Integers:
    """Return the decimals that tell each figure from its limit."""
    places = np.full(len(values), decimals)
    open_ = (values != limit) & ~np.isnan(values) & ~np.isnan(limit)
    for digits in range(decimals, last + 1):
        open_ &= np.round(values, digits) == np.round(limit, digits)
        if not open_.any():
            break
        places[open_] = digits + 1
    places[places > last] = decimals
    return places


def _printed(values: Floats, decimals: int) -> npt.NDArray[Any]:
    # Rounded as in _places, so that both judge a half alike; adding zero turns -0.0 into 0.0. With very many digits
    # rounding itself would spoil the last one. One format for all rows is several times as fast as one for each.
    shown = np.round(values, decimals) + 0.0 if decimals < _EXACT else values
    return np.array((f"%.{decimals}f\n" * len(shown) % tuple(shown.tolist())).split("\n")[:-1], dtype=object)
