"""Known ids near an unknown one."""

from __future__ import annotations

import pytest

from asbuilt.intake.nearest import NearestIds

KNOWN = ["P1", "P10", "P11", "P12", "P21", "S7", "A-01"]


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("p12", ["P12"]),
        ("P012", ["P12"]),
        ("P1O", ["P10"]),
        ("P0l1", ["P11"]),
        ("57", ["S7"]),
        ("A_1", ["A-01"]),
        ("P122", ["P12"]),
        ("PP21", ["P21"]),
        ("Q99", []),
    ],
)
def test_likeliest_first(name, near):
    assert NearestIds(KNOWN).near(name)[:1] == near


def test_exchanged_letters():
    assert NearestIds(["P12", "X9"]).near("P21") == ["P12"]


def test_what_was_expected():
    assert NearestIds(["P12", "P21"]).expected("P112") == "perhaps P12"
    assert NearestIds(["P12", "P21"]).expected("other") == "a pile of the design table"


def test_at_most_three():
    assert NearestIds([f"P{n}" for n in range(10)]).near("P") == ["P0", "P1", "P2"]
