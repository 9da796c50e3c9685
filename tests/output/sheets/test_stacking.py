"""Labels in a row: near their places, in order, apart, and never out of range."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asbuilt.output.sheets.stacking import spread


def test_places_far_enough_apart_stay():
    np.testing.assert_allclose(spread([1.0, 6.0, 11.0], 4.0, 0.0, 20.0), [1.0, 6.0, 11.0])


def test_crowded_places_are_spread_about_their_middle_in_order():
    np.testing.assert_allclose(spread([10.0, 10.0, 11.0], 4.0, 0.0, 20.0), [6.333333, 10.333333, 14.333333])


def test_places_stay_within_the_room():
    np.testing.assert_allclose(spread([0.0, 0.5, 19.0], 4.0, 0.0, 20.0), [0.0, 4.0, 19.0])


def test_labels_of_unlike_heights_stand_half_of_both_apart():
    np.testing.assert_allclose(spread([10.0, 10.0], [2.0, 6.0], 0.0, 20.0), [8.0, 12.0])


def test_equal_places_keep_their_order_from_below_or_from_the_top():
    np.testing.assert_allclose(spread([10.0, 10.0, 3.0], 4.0, 0.0, 20.0), [8.0, 12.0, 3.0])
    np.testing.assert_allclose(spread([10.0, 10.0, 3.0], 4.0, 0.0, 20.0, downwards=True), [12.0, 8.0, 3.0])


def test_too_many_for_the_room_are_set_closer():
    np.testing.assert_allclose(spread([1.0, 2.0, 3.0], 8.0, 0.0, 10.0), [0.0, 5.0, 10.0])


def test_without_labels_there_are_no_places():
    assert len(spread(np.empty(0), 4.0, 0.0, 10.0)) == 0


@given(
    wanted=st.lists(st.floats(-50.0, 150.0), min_size=1, max_size=30),
    height=st.floats(0.5, 20.0),
    downwards=st.booleans(),
)
def test_none_is_out_of_range_and_their_order_stays(wanted, height, downwards):
    found = spread(wanted, height, 0.0, 100.0, downwards=downwards)
    assert found.min() >= -1e-9
    assert found.max() <= 100.0 + 1e-9
    order = np.argsort(wanted, kind="stable")
    apart = min(height, 100.0 / max(len(wanted) - 1, 1))
    assert np.all(np.sort(found)[1:] - np.sort(found)[:-1] >= apart - 1e-6)
    if len(set(wanted)) == len(wanted):
        assert np.all(np.diff(found[order]) > 0) or len(wanted) == 1


@pytest.mark.parametrize("downwards", [False, True])
def test_a_room_of_no_height_takes_all_labels_at_its_place(downwards):
    np.testing.assert_allclose(spread([1.0, 9.0], 4.0, 5.0, 5.0, downwards=downwards), [5.0, 5.0])
