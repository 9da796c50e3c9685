"""Records that contradict one another: of one pile and attempt, with two answers for one thing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.compute.wording import metres, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from asbuilt.model import Booleans, Integers, Table
    from asbuilt.settings import Settings

__all__ = ["contradicting_records"]

#: What a pile has one answer for; differences up to this are no contradiction [m, mm, m³; times: ms].
_ONE_ANSWER: dict[str, float] = {
    "toe_level": 0.005,
    "casing_od_mm": 0.5,
    "concrete_m3": 0.005,
    "drilled_at": 60_000.0,
    "concreted_at": 60_000.0,
}
_DAY_MS = 86_400_000
_TIMES = ("drilled_at", "concreted_at")


def contradicting_records(
    records: Table, settings: Settings, files: Sequence[str], *, fresh: Booleans | None = None
) -> list[Finding]:
    """Return a finding for each pile and attempt of which two rows say different things.

    Parameters
    ----------
    records : Table
        Rows that count, in the order of files and lines: a later one takes the place of an earlier one.
    settings, files
        The site's, and the paths of the survey's files.
    fresh : (k,) array of bool, optional
        Only contradictions with one of these rows are told, at that row.

    Notes
    -----
    Each row is held against the newest one before it that states the same column. A blank says nothing, and a date
    alone agrees with any time of its day.
    """
    key = np.column_stack([records.pile.astype(np.int64), records["attempt"].astype(np.int64)])
    told: dict[tuple[int, int], list[tuple[int, int, str]]] = {}
    for name, slack in _ONE_ANSWER.items():
        for before, after in _differing(key, records[name], slack, time=name in _TIMES):
            if fresh is None or fresh[before] or fresh[after]:
                told.setdefault((int(key[after, 0]), int(key[after, 1])), []).append((before, after, name))
    return [_finding(records, settings, files, pairs, fresh) for _, pairs in sorted(told.items())]


def _differing(
    key: Integers, values: npt.NDArray[Any], slack: float, *, time: bool
) -> list[tuple[int, int]]:
    """Return the rows (earlier, later) of one key that state different values, each with the newest before it."""
    stated = values.astype("datetime64[ms]").astype(np.int64) if time else values.astype(np.float64)
    known = ~np.isnat(values) if time else np.isfinite(stated)
    rows = np.flatnonzero(known & (key[:, 0] >= 0))
    order = rows[np.lexsort((rows, key[rows, 1], key[rows, 0]))]
    before, after = order[:-1], order[1:]
    apart = np.abs(stated[after] - stated[before])
    differ = (key[before] == key[after]).all(axis=1) & (apart > slack)
    if time:
        alone = stated % 60_000 // 1000 == 59
        one_day = np.where(alone[after], stated[after] - stated[before], stated[before] - stated[after])
        differ &= ~((alone[before] | alone[after]) & (one_day >= 0) & (one_day < _DAY_MS))
    return list(zip(before[differ].tolist(), after[differ].tolist(), strict=True))


def _finding(
    records: Table,
    settings: Settings,
    files: Sequence[str],
    pairs: list[tuple[int, int, str]],
    fresh: Booleans | None,
) -> Finding:
    """Return what is said of all contradictions of one pile and attempt, at the row that is new."""
    told = [(a, b, name) if fresh is None or fresh[a] else (b, a, name) for b, a, name in pairs]
    at, like, name = told[0]
    said = "; ".join(
        f"{column} {_value(records, settings, column, own)}, {_value(records, settings, column, other)} in "
        f"{files[int(records.file[other])]}:{records.line[other]}"
        for own, other, column in told
    )
    place = "this row takes the other's place" if at > like else "the other row takes this one's place"
    attempt = int(records["attempt"][at])
    again = "" if attempt == 1 else f" of attempt {attempt}"
    return Finding(
        severity="query",
        kind="repeated_pile",
        item=str(records["pile_id"][at]),
        text=(
            f"two records of it{again} contradict one another ({said}) and {place}: one of the two is mistaken and is "
            "to be withdrawn, or it was drilled anew (then it is another attempt)"
        ),
        file=files[int(records.file[at])],
        line=int(records.line[at]),
        column=name,
    )


def _value(records: Table, settings: Settings, column: str, row: int) -> str:
    value = records[column][row]
    if column in _TIMES:
        return settings.site.time_text(value)
    if column == "toe_level":
        return metres(float(value))
    places = 2 if column == "concrete_m3" else 0
    return f"{number(float(value), places)} {'m³' if places else 'mm'}"
