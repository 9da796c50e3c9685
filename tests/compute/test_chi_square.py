"""Limits of chi-square against the library of special functions, and against printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import chdtrc, chdtri

from asbuilt.compute.chi_square import chance_beyond, chi_square_limit


@pytest.mark.parametrize("chance", [0.5, 0.05, 0.01, 0.001, 1e-6])
def test_limits_are_those_of_the_library(chance):
    free = np.r_[1:200, 500, 501, 2000]
    np.testing.assert_allclose(chi_square_limit(free, chance), chdtri(free, chance), rtol=1e-12)


def test_chances_are_those_of_the_library():
    for free in (1, 2, 3, 8, 31, 400):
        for value in (0.1 * free, float(free), 2.5 * free):
            assert chance_beyond(value, free) == pytest.approx(float(chdtrc(free, value)), rel=1e-11)


def test_limits_of_the_tables():
    # upper 1 % points as every table of the distribution prints them
    limits = chi_square_limit(np.array([1, 2, 5, 10, 30]), 0.01)
    assert limits.round(3).tolist() == [6.635, 9.21, 15.086, 23.209, 50.892]


def test_on_two_degrees_of_freedom_it_is_a_logarithm():
    assert chi_square_limit(np.array([2]), 0.003)[0] == pytest.approx(-2.0 * np.log(0.003), rel=1e-14)


def test_places_and_repetitions_are_kept():
    assert chi_square_limit(np.array([3, 1, 3]), 0.01).round(2).tolist() == [11.34, 6.63, 11.34]


def test_of_none_there_are_none():
    assert chi_square_limit(np.empty(0, dtype=np.int64), 0.01).tolist() == []
