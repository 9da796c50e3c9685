"""The overlap with depth that the rig's page draws, against the figures of the answer."""

from __future__ import annotations

import numpy as np
import pytest
from steering_piles import neighbour, pile, read

from asbuilt.compute.steering_advice import advise
from asbuilt.compute.steering_profile import overlap_profile


def test_it_is_worked_out_by_hand_for_plumb_neighbours():
    given = pile()
    found = overlap_profile(given, given.neighbours[1], read(5.0))
    # 130 mm at the centre's level, and 5 mm more for each metre further down
    assert found.overlap == pytest.approx(0.130 + 0.005 * (3.2 - found.level))
    assert (found.level[0], found.level[-1]) == (3.2, -9.8)
    assert np.all(np.diff(found.level) < 0)


@pytest.mark.parametrize("lean", [(6.0, 1.0), (-3.0, -4.0)])
def test_its_least_and_its_band_are_those_of_the_answer(lean):
    given = pile(neighbours=(neighbour("P1", -0.75, slope=(0.003, 0.001)), neighbour("P3", 0.75)))
    reading = read(*lean)
    for joint in advise(given, reading).joints:
        found = overlap_profile(given, joint.neighbour, reading)
        k = int(found.overlap.argmin())
        assert found.overlap[k] == pytest.approx(joint.least_overlap, abs=1e-12)
        assert (found.low[k], found.high[k]) == pytest.approx((joint.low, joint.high), abs=1e-12)
        assert found.level[k] == joint.least_level
