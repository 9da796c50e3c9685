"""Records that contradict one another, in a load and in a run."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import LOADS, search_load
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from asbuilt.model import Finding

RECORD = {
    "pile_id": "P010",
    "drilled_at": "2026-03-05T07:30",
    "concreted_at": "2026-03-05T11:10",
    "toe_level": -14.1,
    "casing_od_mm": 880.0,
    "concrete_m3": 9.4,
    "rig": "R1",
    "file": "records/a.csv",
}


def survey_of(*rows: Row):
    return to_survey(replace(days.site_of("pit"), records=list(rows)))


def search(new: Row, *old: Row) -> list[Finding]:
    survey = survey_of(*old, new)
    fresh = {name: np.zeros(len(getattr(survey, name)), dtype=bool) for name in LOADS}
    fresh["records"][len(old) :] = True
    return list(search_load(survey, fresh, now=days.NOW))


def second(**changes: object) -> Row:
    return {**RECORD, "file": "records/b.csv", **changes}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"toe_level": -11.1}, "toe_level -11.10, -14.10 in records/a.csv:2"),
        ({"casing_od_mm": 1180.0}, "casing_od_mm 1180 mm, 880 mm in records/a.csv:2"),
        ({"concrete_m3": 8.4}, "concrete_m3 8.40 m³, 9.40 m³ in records/a.csv:2"),
        ({"drilled_at": "2026-03-04T07:30"}, "drilled_at 2026-03-04 07:30 UTC, 2026-03-05 07:30 UTC in"),
        ({"concreted_at": "2026-03-05T12:10"}, "concreted_at 2026-03-05 12:10 UTC, 2026-03-05 11:10 UTC in"),
    ],
    ids=lambda change: next(iter(change)) if isinstance(change, dict) else "",
)
def test_a_record_with_another_answer_is_asked_about(change: dict[str, object], words: str) -> None:
    (one,) = search(second(**change), RECORD)
    assert (one.severity, one.kind, one.item) == ("query", "repeated_pile", "P010")
    assert (one.file, one.line, one.column) == ("records/b.csv", 2, next(iter(change)))
    assert words in one.text
    assert "this row takes the other's place" in one.text


@pytest.mark.parametrize(
    "change",
    [
        *({"attempt": 2, "toe_level": -11.1}, {"pile_id": "P011", "toe_level": -11.1}),
        *({"toe_level": None}, {"rig": "R2"}, {"drilled_at": "2026-03-05T23:59:59"}),
    ],
    ids=["attempt", "pile", "blank", "rig", "date alone"],
)
def test_what_is_no_contradiction(change: dict[str, object]) -> None:
    assert [one for one in search(second(**change), RECORD) if one.kind == "repeated_pile"] == []


def test_all_that_differs_is_one_finding() -> None:
    (one,) = search(second(toe_level=-11.1, concrete_m3=8.4), RECORD)
    assert "toe_level -11.10" in one.text
    assert "concrete_m3 8.40" in one.text


def test_a_third_record_does_not_hide_the_second() -> None:
    # as the first says again: contradicts the second, which stands before it
    third = second(file="records/c.csv", concreted_at="2026-03-05T11:11")
    (one,) = search(third, RECORD, second(toe_level=-11.1))
    assert "toe_level -14.10, -11.10 in records/b.csv:2" in one.text


def test_a_run_tells_of_records_put_in_by_hand() -> None:
    found = reconcile(survey_of(RECORD, second(toe_level=-11.1))).findings
    (one,) = [one for one in found if one.kind == "repeated_pile"]
    assert (one.item, one.file, one.line) == ("P010", "records/b.csv", 2)
    assert [one for one in reconcile(survey_of(RECORD)).findings if one.kind == "repeated_pile"] == []
