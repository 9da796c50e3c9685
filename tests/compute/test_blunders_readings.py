"""Lean readings: out of range, signs turned, copied, out of order; with the chances that stand behind the limits."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey
from scipy.special import ndtr

from asbuilt.compute.blunders import search_load
from asbuilt.compute.blunders_readings import repeated_by_chance, resolutions

if TYPE_CHECKING:
    from asbuilt.model import Finding


def search(rows: list[tuple], *, old: int = 0, **more: Any) -> list[Finding]:
    """Search readings (depth, a, b) of one pile of which the first ``old`` are in the folder already."""
    return search_rows([row(k, *one, **more) for k, one in enumerate(rows)], old=old)


def row(number: int, depth: float, a: float, b: float, **more: Any) -> Row:
    return {
        "pile_id": "P010",
        "read_at": f"2026-03-10T{8 + number:02d}:00",
        "depth": depth,
        "tilt_a": a,
        "tilt_b": b,
        "unit": "mm/m",
        "bearing_a_deg": 0.0,
        **more,
    }


def search_rows(rows: list[Row], *, old: int = 0) -> list[Finding]:
    survey = to_survey(replace(days.site_of("pit"), tilts=rows))
    fresh = {"tilts": np.arange(len(rows)) >= old}
    return list(search_load(survey, fresh, now=days.NOW))


def told(found: list[Finding]) -> list[tuple[str, int]]:
    return [(one.kind, one.line) for one in found]


GOOD = [(2.0, 3.1, -2.2), (5.0, 3.6, -1.7), (9.0, 3.3, -2.4), (13.0, 2.9, -2.0)]


def test_good_readings_raise_nothing() -> None:
    assert search(GOOD) == []


@pytest.mark.parametrize(
    ("a", "unit", "is_found"),
    [
        *((49.0, "mm/m", False), (51.0, "mm/m", True), (4.9, "%", False), (5.1, "%", True), (2.8, "deg", False)),
        *((2.9, "deg", True), (20.5, "1:n", False), (19.5, "1:n", True), (59.0, "mm", False), (61.0, "mm", True)),
    ],
)
def test_the_steepest_lean_in_every_unit(a: float, unit: str, is_found: bool) -> None:
    assert told(search([(2.0, a, 0.0)], unit=unit)) == [("tilt_range", 2)] * is_found


def test_one_reading_turned_round_is_one_finding() -> None:
    rows = [*GOOD[:2], (9.0, -3.3, 2.4), GOOD[3]]
    assert told(search(rows)) == [("sign_flip", 4)]


def test_readings_turned_round_from_a_depth_on_are_one_finding() -> None:
    rows = [*GOOD[:2], *((d, -a, -b) for d, a, b in GOOD[2:])]
    found = search(rows)
    assert told(found) == [("sign_flip", 4)]
    assert "stays so below" in found[0].text


def test_a_turned_reading_that_was_in_the_folder_before_is_not_told_again() -> None:
    rows = [GOOD[0], (5.0, -3.6, 1.7), GOOD[2], GOOD[3]]
    assert search(rows, old=3) == []
    assert told(search(rows, old=1)) == [("sign_flip", 3)]


def test_one_sign_alone_is_a_change_of_lean() -> None:
    assert search([*GOOD[:3], (13.0, -2.9, -2.0)]) == []


def test_small_leans_of_either_sign_are_noise() -> None:
    assert search([(2.0, 1.0, -0.5), (5.0, -1.1, 0.4), (9.0, 0.9, -0.6)]) == []


@pytest.mark.parametrize(("count", "is_found"), [(2, False), (3, True), (4, True)])
def test_equal_readings(count: int, is_found: bool) -> None:
    rows = [(2.0 + 3 * k, 3.1, -2.2) for k in range(count)] + [(16.0, 2.4, -1.1)]
    assert told(search(rows)) == [("copied_readings", 2)] * is_found


def test_coarse_readings_may_well_be_equal() -> None:
    # read to half a degree, 8.7 mm/m, of which 1 mm/m of noise never shows
    rows = [(2.0 + 3 * k, 0.5, 0.5) for k in range(5)] + [(18.0, 1.0, 0.5)]
    assert search(rows, unit="deg") == []


def test_all_zero_is_said() -> None:
    rows = [(2.0 + 3 * k, 0.0, 0.0) for k in range(4)]
    more = [row(k, *one, pile_id="P020") for k, one in enumerate(GOOD)]
    found = search_rows([*(row(k, *one) for k, one in enumerate(rows)), *more])
    assert told(found) == [("copied_readings", 2)]
    assert "all zero" in found[0].text


def test_the_readings_of_another_pile() -> None:
    rows = [row(k, *one, pile_id=name) for name in ("P010", "P020") for k, one in enumerate(GOOD)]
    found = search_rows(rows)
    assert [(one.kind, one.item) for one in found] == [("copied_readings", "P020")]
    assert "P010" in found[0].text
    rows[-1]["tilt_b"] = -2.1
    assert search_rows(rows) == []


def test_times_out_of_order() -> None:
    rows = [row(k, *one) for k, one in enumerate(GOOD)]
    rows[2]["read_at"], rows[3]["read_at"] = rows[3]["read_at"], rows[2]["read_at"]
    assert told(search_rows(rows)) == [("time_order", 5)]
    rows[3]["attempt"] = 2
    assert search_rows(rows) == []


def test_equal_times_are_in_order() -> None:
    rows = [row(0, *one) for one in GOOD]
    assert search_rows(rows) == []


# ---- what the limits rest on


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0, 2.0])
def test_the_chance_of_equal_readings_bounds_the_simulated_one(step: float) -> None:
    rng = np.random.default_rng(4)
    lean = rng.uniform(-5, 5, 400_000)
    one, other = (np.rint((lean + rng.normal(0, 1.0, lean.size)) / step) for _ in range(2))
    share = float(np.mean(one == other))
    bound = float(repeated_by_chance(np.array([step]), 1.0)[0])
    assert share <= bound + 3e-3
    assert share >= 0.8 * min(bound, float(2 * ndtr(step / 2 / 2**0.5) - 1))


def test_the_last_decimal_place_in_use() -> None:
    values = np.array([3.1, 2.0, 7.0, 8.0, 0.25, np.nan])
    assert resolutions(values, np.array([0, 0, 1, 1, 2, 1])).tolist() == [0.1, 1.0, 0.01]
