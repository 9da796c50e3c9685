"""Values and rows numbered one by one as by the table library."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.compute.numbering import alike, not_alone, numbered

NAMES = np.array(["S2", "S1", None, "S2", "S3", None, "S1"], dtype=object)


def columns(seed: int) -> list[np.ndarray]:
    """Return columns of each sort of the tables, with repeated and missing values."""
    rng = np.random.default_rng(seed)
    count = 300
    time = (rng.integers(0, 3, count) * 60_000).astype("datetime64[ms]")
    time[rng.random(count) < 0.2] = np.datetime64("NaT")
    text = np.array([None, "P1", "P2"], dtype=object)[rng.integers(0, 3, count)]
    number = np.array([np.nan, -0.0, 0.0, 1.5])[rng.integers(0, 4, count)]
    return [time, text, number, rng.integers(0, 2, count)]


def pattern(numbers: np.ndarray) -> list[list[int]]:
    """Return the rows that are alike, whatever their number."""
    return sorted(np.flatnonzero(numbers == one).tolist() for one in np.unique(numbers))


def test_numbers_come_in_the_order_of_the_values():
    assert numbered(NAMES).tolist() == [0, 1, -1, 0, 2, -1, 1]


def test_few_and_many_are_numbered_alike():
    assert numbered(NAMES, few=0).tolist() == numbered(NAMES).tolist()
    whole = np.array([7, 3, 7, 9], dtype=np.int64)
    assert numbered(whole, few=0).tolist() == numbered(whole).tolist() == [0, 1, 0, 2]


@pytest.mark.parametrize("seed", range(5))
def test_few_and_many_rows_are_alike_alike(seed):
    assert pattern(alike(columns(seed))) == pattern(alike(columns(seed), few=0))


@pytest.mark.parametrize("seed", range(5))
def test_few_and_many_rows_are_alone_alike(seed):
    few, many = not_alone(columns(seed)), not_alone(columns(seed), few=0)
    assert few.tolist() == many.tolist()
    assert 0 < np.count_nonzero(few) <= len(few)


def test_a_row_alone_is_like_no_other():
    one = [np.array([1.0, 2.0, 1.0, np.nan, np.nan])]
    assert not_alone(one).tolist() == [True, False, True, True, True]
    assert alike(one).tolist() == [0, 1, 0, 2, 2]


def test_of_no_rows_there_is_nothing():
    assert not_alone([np.empty(0)]).tolist() == alike([np.empty(0)]).tolist() == []
