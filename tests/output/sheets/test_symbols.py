"""Looks of verdicts: as the column dictionary has them, and to be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.columns import VERDICT_LOOKS, VERDICTS
from asbuilt.output.sheets.symbols import LOOKS, hatch, tint


def test_looks_follow_the_dictionary():
    assert [look.name for look in LOOKS] == list(VERDICTS)
    assert [(look.letter, look.colour) for look in LOOKS] == [
        (VERDICT_LOOKS[name].letter, VERDICT_LOOKS[name].colour) for name in VERDICTS
    ]


def test_lines_differ_without_colour():
    assert len({(look.width, look.dash) for look in LOOKS}) == 4


def test_hatch_fills_the_circle_and_stays_in_it():
    strokes = hatch(np.array([[10.0, 20.0]]), np.array([3.0]))
    away = np.hypot(*(strokes - [10.0, 20.0]).reshape(-1, 2).T)
    assert away == pytest.approx(3.0, abs=1e-9)
    assert len(strokes) == 6


@pytest.mark.parametrize(("strength", "colour"), [(1.0, "#8F2A06"), (0.0, "#FFFFFF"), (0.5, "#C79482")])
def test_a_tint_lies_between_the_colour_and_white(strength, colour):
    assert tint("#8F2A06", strength) == colour
