"""What counts at a moment: rows known by then, less those withdrawn or repeated; and the moment itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.compute.repeats import why_repeated
from asbuilt.compute.withdrawn import why_withdrawn

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.model import Floats, Reconciliation, Survey, Table, Texts
    from asbuilt.views import Sources

__all__ = ["approved_places", "counting", "known_by", "newest_time", "sources_of", "spread"]

#: Columns that say when a row came about.
_TIMES = {
    "pickups": ("surveyed_at",),
    "tilts": ("read_at",),
    "profiles": ("read_at",),
    "records": ("drilled_at", "concreted_at"),
    "set_out": ("at",),
    "decisions": ("at",),
}


def newest_time(survey: Survey) -> np.datetime64:
    """Return the newest time in the inputs, the ledger's included; NaT where nothing in them is dated.

    What was withdrawn does not count.
    """
    newest = max((one.at.astype("datetime64[ms]") for one in survey.withdrawals), default=np.datetime64("NaT", "ms"))
    for row in survey.ledger_rows:
        newest = np.fmax(newest, np.datetime64(row["at"].removesuffix("Z"), "ms"))
    for table, columns in _TIMES.items():
        rows: Table = getattr(survey, table)
        counts = why_withdrawn(rows, survey.withdrawals) == None  # noqa: E711
        for column in columns:
            times = rows[column][counts].astype("datetime64[ms]")
            times = times[~np.isnat(times)]
            if len(times):
                newest = np.fmax(newest, times.max())
    return newest


def known_by(table: Table, as_of: np.datetime64) -> Table:
    """Return the rows of a table that were known at ``as_of``; a record's later events are blanked."""
    columns = dict(table.columns)
    keep = np.ones(len(table), dtype=bool)
    for column in _TIMES[table.name]:
        later = columns[column] > as_of
        if table.name == "records":
            columns[column] = np.where(later, np.datetime64("NaT", "ms"), columns[column]).astype("datetime64[ms]")
        else:
            keep &= ~later
    if table.name == "records":
        drilled, concreted = (table[column] > as_of for column in _TIMES["records"])
        stated = ~np.isnat(table["drilled_at"])
        keep &= ~(drilled | (concreted & ~stated))
        columns["concrete_m3"] = np.where(concreted, np.nan, columns["concrete_m3"])
    table = type(table)(name=table.name, columns=columns, file=table.file, line=table.line, pile=table.pile)
    return table if keep.all() else table.take(keep)


def counting(survey: Survey, name: str, as_of: np.datetime64) -> tuple[Table, Table, Texts]:
    """Return a table's rows known at ``as_of``: those that count, all, and why each does not, None where it does."""
    table = known_by(getattr(survey, name), as_of)
    why = why_withdrawn(table, survey.withdrawals, until=as_of)
    why = why_repeated(table, [file.path for file in survey.files], why=why)
    counts = why == None  # noqa: E711
    return (table if counts.all() else table.take(counts)), table, why


def spread(values: npt.NDArray[Any], why: Texts, rest: Any) -> npt.NDArray[Any]:
    """Return values over the rows that count as values over all, ``rest`` on the others."""
    every = np.empty(len(why), dtype=values.dtype)
    every[:] = rest
    every[why == None] = values  # noqa: E711
    return every


def sources_of(result: Reconciliation) -> Sources:
    """Return the rows that serve each pile's governing attempt."""
    from asbuilt.views import Sources

    survey, attempt = result.survey, result.centres.attempt
    found = []
    for name in ("pickups", "tilts", "profiles", "records"):
        rows = counting(survey, name, result.as_of)[0]
        serve = (rows.pile >= 0) & (rows["attempt"] == attempt[rows.pile])
        found.append((name, rows.take(serve)))
    pile = np.concatenate([rows.pile for _, rows in found]).astype(np.int64)
    order = np.argsort(pile, kind="stable")
    return Sources(
        pile=pile[order],
        table=np.repeat(np.array([name for name, _ in found], dtype=object), [len(rows) for _, rows in found])[order],
        file=np.concatenate([rows.file for _, rows in found]).astype(np.int64)[order],
        line=np.concatenate([rows.line for _, rows in found]).astype(np.int64)[order],
    )


def approved_places(survey: Survey, set_out: Table) -> tuple[Floats, Floats, Texts]:
    """Return the newest approved centre of each pile, reduced, NaN for none, and who approved it."""
    count = len(survey.design)
    e, n, by = np.full(count, np.nan), np.full(count, np.nan), np.full(count, None, dtype=object)
    order = np.argsort(set_out["at"], kind="stable")
    pile = set_out.pile[order]
    e[pile] = set_out["easting"][order] - survey.origin[0]
    n[pile] = set_out["northing"][order] - survey.origin[1]
    by[pile] = set_out["approved_by"][order]
    return e, n, by
