"""A layer as a table that people and spreadsheets read: the pile schedule, the list of joints.

UTF-8 without a byte order mark, comma, one line feed a row, a header of the column dictionary's names; times in ISO
8601 and UTC; null is blank. Figures are rounded by their unit for reading; the GeoPackage has them in full. No
rounding contradicts a verdict: a figure that would be rounded onto a limit that it does not equal gets further digits.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-`` or ``@`` as a formula, also when it came from somebody's
note. Such a *text* is written with an apostrophe before it, unless it is a plain number, which does no harm. The
apostrophe is seen, and whoever joins by an id that begins so must take it off; quoting alone would not stop a
spreadsheet, and dropping the sign would change the text past recovery. Figures are never touched: -1.5 is a number.
"""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import LAYERS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from asbuilt.columns import Column
    from asbuilt.model import Floats, Integers, Layer, Texts

__all__ = ["figure_texts", "write_layer_csv"]

#: Decimals by unit; other figures are written with ten digits.
_DECIMALS = {"mm": 1, "m": 3, "mm/m": 2, "%": 1, "0 to 1": 4, "deg": 1, "m3": 2}
#: Digits added at most to tell a measured figure from its limit; what differs by less differs by rounding errors.
_MORE_DIGITS = 6
#: A probability is told from 1 as long as its number can be, and from 0 always, from here on with an exponent.
_MOST_DECIMALS, _TINY, _EXACT = 17, 1e-9, 12

#: What a figure's verdict hangs on: another column of its layer, or a number.
_LIMITS: dict[str, str | float] = {
    "offset_mm": "allowed_mm",
    "plan_of_allowed_percent": 100.0,
    "incline_mm_per_m": "allowed_mm_per_m",
    "vertical_of_allowed_percent": 100.0,
    "encroach_of_allowed_percent": 100.0,
    "overlap_cut_off_mm": "required_overlap_mm",
    "overlap_formation_mm": "required_overlap_mm",
    "least_overlap_mm": "required_overlap_mm",
    "other_model_least_overlap_mm": "required_overlap_mm",
    "opening_formation_mm": 0.0,
    "worst_opening_mm": 0.0,
}

_FORMULA = re.compile(r"[=@＝＠\t\r]|[+\-＋－](?!\d+(\.\d+)?\Z)")


def write_layer_csv(path: Path, layer: Layer, *, limits: Mapping[str, float] | None = None) -> None:
    """Write a layer's columns, in the order of the column dictionary, as comma-separated text.

    Parameters
    ----------
    path
        The file; one that is there is replaced.
    layer
        A layer of the column dictionary; its geometry is left out.
    limits
        For columns by name further numbers that their verdict hangs on, in the column's unit, such as the confidence
        asked for: no figure is rounded onto one that it does not equal.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    columns = LAYERS[layer.name].columns
    cells = [_cells(layer, column, (limits or {}).get(column.name)) for column in columns]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(column.name for column in columns)
        writer.writerows(zip(*cells, strict=True))


def _cells(layer: Layer, column: Column, limit: float | None) -> Sequence[str | None]:
    values = layer.columns[column.name]
    if column.kind in ("text", "id"):
        return _texts(values)
    if column.kind == "choice":
        words: list[str | None] = np.array([*column.choices, None], dtype=object).take(values).tolist()
        return words
    if column.kind == "time":
        return _times(values)
    if column.kind == "float":
        return _figures(layer, column, limit)
    known = ~np.isnan(values.astype(np.float64))
    texts = np.full(len(values), None, dtype=object)
    whole = values[known].astype(np.int64)
    texts[known] = np.where(whole != 0, "true", "false") if column.kind == "boolean" else whole.astype(str)
    return texts.tolist()


def _texts(values: Texts) -> list[str | None]:
    return [f"'{text}" if text and _FORMULA.match(text) else text for text in values.tolist()]


def _times(values: npt.NDArray[np.datetime64]) -> list[str | None]:
    """Return ISO 8601 with Z; milliseconds only where there are any."""
    times = values.astype("datetime64[ms]")
    fine = np.char.add(np.datetime_as_string(times, unit="ms"), "Z").astype(object)
    plain = np.char.add(np.datetime_as_string(times.astype("datetime64[s]"), unit="s"), "Z").astype(object)
    texts = np.where(times == times.astype("datetime64[s]"), plain, fine)
    texts[np.isnat(times)] = None
    found: list[str | None] = texts.tolist()
    return found


def _figures(layer: Layer, column: Column, limit: float | None) -> list[str | None]:
    values = np.asarray(layer.columns[column.name], dtype=np.float64)
    if column.unit not in _DECIMALS:
        return [None if np.isnan(value) else f"{value:.10g}" for value in values.tolist()]
    further = [] if limit is None else [np.full(len(values), limit)]
    if column.unit == "0 to 1":
        further += [np.zeros(len(values)), np.ones(len(values))]
        texts = figure_texts(values, _DECIMALS[column.unit], further, most=_MOST_DECIMALS)
        for row in np.flatnonzero((values > 0.0) & (values < _TINY)).tolist():
            texts[row] = f"{values[row]:.1e}"
        return texts
    return figure_texts(values, _DECIMALS[column.unit], [*_limits(layer, column), *further])


def _limits(layer: Layer, column: Column) -> list[Floats]:
    """Return what a column is held against; a column that others are held against, is held against them."""
    found = [other for other, limit in _LIMITS.items() if limit == column.name and other in layer.columns]
    limit = _LIMITS.get(column.name)
    if isinstance(limit, str) and limit in layer.columns:
        found.append(limit)
    against: list[Floats] = [np.asarray(layer.columns[name], dtype=np.float64) for name in found]
    return [*against, np.full(len(layer), limit)] if isinstance(limit, float) else against


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
    for digits in np.unique(places[known]).tolist():
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
