"""Published numbers, one file a subject: each row with its source, digits printed, tolerance and why."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

_FOLDER = Path(__file__).with_name("reference")
_NEEDED = {"case", "source", "confidence", "digits", "tolerance", "why"}
_CONFIDENCE = {"read", "recomputed", "from memory", "derived", "common practice"}


def rows(name: str, check: str | None = None) -> list[dict[str, str]]:
    """Return the rows of ``reference/NAME.csv``, or those whose column ``check`` is ``check``."""
    with (_FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert found, name
    for row in found:
        assert row.keys() >= _NEEDED, (name, _NEEDED - row.keys())
        assert all(row[column] for column in _NEEDED), (name, row["case"])
        assert {part.strip() for part in row["confidence"].split(",")} <= _CONFIDENCE, (name, row["case"])
    found = [row for row in found if check is None or row["check"] == check]
    assert found, (name, check)
    return found


def each(name: str, check: str | None = None) -> pytest.MarkDecorator:
    """Parametrize a test by ``row`` over :func:`rows`."""
    return pytest.mark.parametrize("row", [pytest.param(row, id=row["case"]) for row in rows(name, check)])


def expected(row: dict[str, str], column: str = "expected") -> object:
    """Return what the row expects, approximately: within its own tolerance."""
    return pytest.approx(float(row[column]), abs=float(row["tolerance"]), rel=0.0)
