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
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import LAYERS
from asbuilt.output._figures import figure_texts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from asbuilt.columns import Column
    from asbuilt.model import Floats, Layer, Texts

__all__ = ["CHANGED", "figure_texts", "write_layer_csv"]

#: Decimals by unit; other figures are written with ten digits.
_DECIMALS = {"mm": 1, "m": 3, "mm/m": 2, "%": 1, "0 to 1": 4, "deg": 1, "m3": 2}
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


CHANGED = "inputs_changed"
"""Column beside those of the layer, where inputs are not as they were taken in."""


def write_layer_csv(
    path: Path, layer: Layer, *, limits: Mapping[str, float] | None = None, changed: Sequence[str] = ()
) -> None:
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
    changed
        Files that are not as they were taken in: a column :data:`CHANGED` names them in every row. Empty: no column.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    columns = LAYERS[layer.name].columns
    cells = [_cells(layer, column, (limits or {}).get(column.name)) for column in columns]
    names = [column.name for column in columns]
    if changed:
        names.append(CHANGED)
        cells.append(_texts(np.array([", ".join(changed)] * len(layer), dtype=object)))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(names)
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
        return _probabilities(values, [1.0] if limit is None else [1.0, limit])
    return figure_texts(values, _DECIMALS[column.unit], [*_limits(layer, column), *further])


def _probabilities(values: Floats, limits: Sequence[float]) -> list[str | None]:
    """Return probabilities with four decimals: cut rather than rounded onto a limit; near 0 two digits and exponent."""
    digits = max(_DECIMALS["0 to 1"], *(len(f"{limit:.10g}".partition(".")[2]) for limit in limits), 0)
    shown = np.round(values, digits)
    for limit in limits:
        onto = (shown == round(limit, digits)) & (values != limit)
        below, above = onto & (values < limit), onto & (values > limit)
        shown[below] = np.ceil(limit * 10.0**digits - 1e-6) / 10.0**digits - 10.0**-digits
        shown[above] = np.floor(limit * 10.0**digits + 1e-6) / 10.0**digits + 10.0**-digits
    texts = figure_texts(shown, digits, [])
    for row in np.flatnonzero((values > 0.0) & (np.round(values, digits) == 0.0)).tolist():
        texts[row] = f"{values[row]:.1e}"
    return texts


def _limits(layer: Layer, column: Column) -> list[Floats]:
    """Return what a column is held against; a column that others are held against, is held against them."""
    found = [other for other, limit in _LIMITS.items() if limit == column.name and other in layer.columns]
    limit = _LIMITS.get(column.name)
    if isinstance(limit, str) and limit in layer.columns:
        found.append(limit)
    against: list[Floats] = [np.asarray(layer.columns[name], dtype=np.float64) for name in found]
    return [*against, np.full(len(layer), limit)] if isinstance(limit, float) else against
