"""The instrument's file: one line for each mark to set out, in the columns that the settings name.

UTF-8 without a byte order mark, comma, one line feed a row, a header of the columns' names. Coordinates in metres of
the site grid to the millimetre. ``code`` says what a mark is: ``design``, ``approved``, ``approved-check``
(approved, but beyond the play or with a joint open: check the line), ``advised`` (an advice that nobody has confirmed
yet), ``control`` and, for the control point that stands out of the fit, ``control-suspect``.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from asbuilt.model import Reconciliation
    from asbuilt.output._set_out import SetOutList

__all__ = ["write_set_out"]

#: A spreadsheet runs a cell that begins so as a formula; names of control points are free text.
_FORMULA = ("=", "@", "+", "-", "\t")


def write_set_out(
    path: Path, result: Reconciliation, listed: SetOutList, *, columns: Sequence[str], control: bool = False
) -> int:
    """Write the file, and return how many marks it has.

    Parameters
    ----------
    path
        The file; one that is there is replaced.
    result
        For the design table and the control points.
    listed
        The piles.
    columns
        Names out of ``settings.SetOutColumn``.
    control
        Whether the control points come after the piles. They have no level: the cell is blank.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    rows = [*_piles(result, listed), *(_control(result) if control else ())]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([row.get(column, "") for column in columns] for row in rows)
    return len(rows)


def _piles(result: Reconciliation, listed: SetOutList) -> Iterator[dict[str, str]]:
    design = result.survey.design
    for k, pile in enumerate(listed.pile.tolist()):
        diameter = float(2000.0 * listed.radius[k])
        yield {
            "point": str(listed.pile_id[k]),
            "easting": _metres(listed.site_e[k]),
            "northing": _metres(listed.site_n[k]),
            "level": _metres(listed.level),
            "code": str(listed.source[k]),
            "wall": _text(str(design["wall"][pile])),
            "kind": KINDS[design["kind"][pile]],
            "diameter_mm": f"{diameter:.10g}",
            "move_e_mm": _millimetres(listed.e[k] - listed.design_e[k]),
            "move_n_mm": _millimetres(listed.n[k] - listed.design_n[k]),
        }


def _control(result: Reconciliation) -> Iterator[dict[str, str]]:
    table, fit = result.survey.control, result.control
    suspect = "" if fit is None or fit.suspect < 0 else str(fit.points[fit.suspect])
    for name, e, n in zip(table["point"], table["easting"], table["northing"], strict=True):
        code = "control-suspect" if str(name) == suspect else "control"
        yield {"point": _text(str(name)), "easting": _metres(e), "northing": _metres(n), "code": code}


def _metres(value: float) -> str:
    return f"{round(float(value), 3) + 0.0:.3f}"


def _millimetres(value: float) -> str:
    return f"{np.round(value * 1000.0, 1) + 0.0:.1f}"


def _text(value: str) -> str:
    return f"'{value}" if value.startswith(_FORMULA) else value
