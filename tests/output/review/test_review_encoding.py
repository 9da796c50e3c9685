"""Arrays to JSON: null for what is not known, short figures, offsets of ragged arrays."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asbuilt.output.review.encoding import FIGURE, PLAN, SLOPE, codes, figures, offsets, ragged, texts

FLOATS = st.floats(-1e7, 1e7, allow_nan=False)


@pytest.mark.parametrize(
    ("values", "places", "said"),
    [
        ([1.23456, np.nan, -0.0], 2, "[1.23, null, 0.0]"),
        ([-0.0001], 2, "[0.0]"),
        ([0.125, 0.375, -0.125], 2, "[0.12, 0.38, -0.12]"),
        ([], 3, "[]"),
        (np.array([2, 3], dtype=np.int8), 0, "[2.0, 3.0]"),
    ],
)
def test_figures_as_json(values, places, said):
    assert json.dumps(figures(values, places), allow_nan=False) == said


@given(st.lists(st.one_of(FLOATS, st.just(float("nan")))), st.integers(0, 9))
def test_a_figure_is_null_or_near_and_never_minus_zero(values, places):
    found = figures(values, places)
    assert [value is None for value in found] == [value != value for value in values]
    known = [(value, one) for value, one in zip(values, found, strict=True) if one is not None]
    for value, one in known:
        assert abs(one - value) <= 0.5 * 10.0**-places + 1e-9 * abs(value)
        assert not str(one).startswith("-0.0") or float(one) != 0.0


def test_a_figure_is_rounded_finely_enough_to_be_rounded_again():
    """A chance of 0.04549 is written 0.045, and not 0.046 by way of 0.0455; lean has two places, chances three."""
    assert (PLAN, SLOPE, FIGURE) == (6, 9, 6)
    values = np.random.default_rng(3).uniform(0.0, 1.0, 20_000)
    twice = np.round(figures(values, FIGURE), 3)
    assert np.count_nonzero(twice != np.round(values, 3)) <= 20


def test_whole_numbers_and_texts():
    assert json.dumps(codes(np.array([1, -1], dtype=np.int8))) == "[1, -1]"
    assert texts([None, "a", 3]) == ["", "a", "3"]


@given(st.lists(st.integers(0, 6), max_size=8))
def test_offsets_and_ragged_agree(lengths):
    owner = np.repeat(np.arange(len(lengths)), lengths)
    start, flat = ragged([np.full(length, float(place)) for place, length in enumerate(lengths)])
    assert offsets(owner, len(lengths)) == start
    assert start[0] == 0
    assert start[-1] == len(flat)
    assert [len(flat[a:b]) for a, b in itertools.pairwise(start)] == lengths
    assert flat.tolist() == owner.tolist()


def test_ragged_of_nothing():
    assert ragged([])[0] == [0]
    assert offsets(np.empty(0, dtype=np.int64), 0) == [0]
