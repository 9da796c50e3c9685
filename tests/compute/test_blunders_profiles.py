"""Profiles of a load: another unit, too steep, turned round, and against the lean readings of their pile."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
import simulated_loads as days
from builders import Row, to_survey

from asbuilt.compute.blunders import LOADS, search_load

if TYPE_CHECKING:
    from asbuilt.model import Finding

WAVES = np.array([[0.0, 1.1, -0.8, 1.6, -1.2, 0.4, 1.0, -0.9], [0.0, -0.7, 1.2, 0.5, -1.4, 0.9, -0.3, 1.1]])
LEAN = (5.0, -3.0)


def profile(lean: tuple[float, float] = LEAN, *, factor: float = 1.0, pile: str = "P010") -> list[Row]:
    """Eight rows, two metres apart, that lean by ``lean`` mm/m east, north, with some scatter, times ``factor``."""
    off = factor * (np.outer(lean, np.arange(8) * 2.0) + WAVES)
    return [
        {
            "pile_id": pile,
            "read_at": "2026-03-19T09:00",
            "depth": 1.0 + 2.0 * k,
            "off_e_mm": float(off[0, k]),
            "off_n_mm": float(off[1, k]),
            "file": "profiles/new.csv",
        }
        for k in range(8)
    ]


def reading(lean: tuple[float, float] = LEAN, depth: float = 15.0) -> Row:
    return {
        "pile_id": "P010",
        "read_at": "2026-03-10T08:00",
        "depth": depth,
        "tilt_a": lean[1],
        "tilt_b": lean[0],
        "unit": "mm/m",
        "bearing_a_deg": 0.0,
        "file": "tilts/old.csv",
    }


def search(rows: list[Row], tilts: tuple[Row, ...] = ()) -> list[Finding]:
    survey = to_survey(replace(days.site_of("pit"), profiles=rows, tilts=list(tilts)))
    fresh = {name: np.full(len(getattr(survey, name)), name == "profiles") for name in LOADS}
    return list(search_load(survey, fresh, now=days.NOW))


def told(found: list[Finding]) -> list[tuple[str, str, int]]:
    return [(one.kind, one.item, one.line) for one in found]


def test_a_good_profile_raises_nothing() -> None:
    assert search(profile()) == []
    assert search(profile(), (reading(),)) == []


def test_a_profile_in_metres() -> None:
    (one,) = search(profile(factor=0.001))
    assert (one.kind, one.item, one.line) == ("wrong_unit", "P010", 2)
    # 14 m at (5, -3) mm/m and the last wave: (69.1, -40.9) mm
    assert "offsets in metres, then 80.3 mm" in one.text


def test_a_profile_in_micrometres() -> None:
    (one,) = search(profile(factor=1000.0))
    assert one.kind == "wrong_unit"
    assert "offsets in micrometres, then 80.3 mm" in one.text


def test_one_slip_in_a_profile_is_named_by_its_row() -> None:
    rows = profile()
    rows[4]["off_e_mm"] *= 10.0
    (one,) = search(rows)
    assert (one.kind, one.line, one.column) == ("tilt_range", 6, "off_e_mm")


def test_equal_offsets_are_copied() -> None:
    rows = [{**row, "off_e_mm": 0.0, "off_n_mm": 0.0} for row in profile()]
    assert told(search(rows)) == [("copied_readings", "P010", 2)]


@pytest.mark.parametrize(
    ("lean", "kind", "words"),
    [
        ((-5.0, 3.0), "sign_flip", "its signs are turned round"),
        ((-5.0, -3.0), "sign_flip", "to the east is turned round"),
        ((0.5, -0.3), None, ""),
        ((14.0, 9.0), "repeated_pile", "one of the two is another pile's"),
    ],
)
def test_a_profile_against_the_deepest_reading(lean: tuple[float, float], kind: str | None, words: str) -> None:
    # (0.5, -0.3) against (5, -3): 5.2 mm/m off, 3.2 standard uncertainties of 1.62 mm/m, limit 3.7
    found = search(profile(lean), (reading(),))
    assert [one.kind for one in found] == ([] if kind is None else [kind])
    assert all(words in one.text for one in found)


def test_east_and_north_exchanged() -> None:
    (one,) = search(profile((-1.0, 8.0)), (reading((8.0, -1.0)),))
    assert one.kind == "exchanged_coordinates"
    assert "east and north stand in each other's place" in one.text


def test_a_shallower_reading_is_none_of_the_profiles_foot() -> None:
    assert search(profile(), (reading((-5.0, 3.0), depth=4.0), reading())) == []


def test_profiles_of_one_cause_are_one_finding() -> None:
    rows = [row for pile in ("P010", "P020", "P030") for row in profile(factor=0.001, pile=pile)]
    (one,) = search(rows)
    assert (one.kind, one.item, one.line) == ("wrong_unit", "profiles/new.csv", 2)
    assert one.text.startswith("3 of 3 piles (P010, P020, P030); the first, P010: ")
