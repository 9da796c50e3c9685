"""Chances without a special function, against SciPy and against the whole wall's own routine."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ncx2, norm

from asbuilt.compute.steering_chance import chance_inside, sure_length
from asbuilt.compute.verdicts import principal_probability


def circular(sigma, count=1):
    return np.tile([sigma**2, 0.0, sigma**2], (count, 1))


@pytest.mark.parametrize("sigma", [0.002, 0.02, 0.2, 1.0])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.99])
def test_equal_scatter_is_the_noncentral_chi_square_distribution(sigma, share):
    radius, length = 0.83, 0.83 * share
    expected = ncx2.cdf((radius / sigma) ** 2, 2, (length / sigma) ** 2)
    mean = length * np.array([[np.cos(1.0), np.sin(1.0)]])
    assert chance_inside(mean, np.array([radius]), circular(sigma))[0] == pytest.approx(expected, abs=1e-7)


def test_a_published_radial_limit():
    # limit 25, per-axis 4, measured 20: 0.8770; 15 at 5: 0.9693; 18 at 3: 0.9882; derived
    mean = np.column_stack([[20.0, 15.0, 18.0], np.zeros(3)])
    cov = np.concatenate([circular(s) for s in (4.0, 5.0, 3.0)])
    assert chance_inside(mean, np.full(3, 25.0), cov) == pytest.approx([0.8770, 0.9693, 0.9882], abs=5e-5)


def test_unequal_and_correlated_scatter_agrees_with_the_whole_walls_routine():
    rng = np.random.default_rng(4)
    count = 400
    root = rng.normal(0, 0.02, (count, 2, 2)) + 0.01 * np.eye(2)
    cov = np.einsum("kij,klj->kil", root, root)[:, [0, 0, 1], [0, 1, 1]] + [1e-5, 0, 1e-5]
    radius = rng.uniform(0.1, 1.0, count)
    angle = rng.uniform(0, 7, count)
    mean = (radius * rng.uniform(0, 0.99, count))[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    expected = principal_probability(mean[:, 0], mean[:, 1], cov=cov, limit=radius)
    found = chance_inside(mean, radius, cov)
    assert np.abs(found - expected)[expected > 0.6].max() < 5e-6


def test_a_wide_disc_is_a_half_plane():
    sigma = 0.001
    found = chance_inside(np.array([[1000.0 - 1.5 * sigma, 0.0]]), np.array([1000.0]), circular(sigma))
    assert found[0] == pytest.approx(norm.cdf(1.5), abs=1e-6)


def test_a_mean_on_the_rim_or_beyond_is_worth_nothing():
    mean = np.array([[0.5, 0.0], [0.7, 0.0], [0.0, 0.0]])
    assert chance_inside(mean, np.array([0.5, 0.5, -0.1]), circular(0.01, 3)).tolist() == [0.0, 0.0, 0.0]


def test_the_greatest_length_that_is_still_sure():
    # greatest offset accepted at 95 %: limit 25, u 4: 18.043; 25, u 5: 16.152; 75, u 10: 57.791; derived
    cov = np.concatenate([circular(s) for s in (4.0, 5.0, 10.0)])
    found = sure_length(np.tile([0.6, 0.8], (3, 1)), np.array([25.0, 25.0, 75.0]), cov, 0.95)
    assert found == pytest.approx([18.043, 16.152, 57.791], abs=5e-4)


def test_at_that_length_the_chance_is_the_confidence_whatever_the_direction():
    cov = np.tile([4e-4, 1.5e-4, 1e-4], (8, 1))
    angle = np.arange(8.0)
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    length = sure_length(towards, np.full(8, 0.8), cov, 0.9)
    at = length[:, None] * towards
    p = principal_probability(at[:, 0], at[:, 1], cov=cov, limit=np.full(8, 0.8))
    assert p == pytest.approx([0.9] * 8, abs=1e-6)
    assert np.ptp(length) > 0.005


def test_no_length_is_short_enough_for_too_small_a_disc_or_unknown_scatter():
    cov = np.array([[1.0, 0, 1.0], [np.nan, 0, np.nan], [1e-4, 0, 1e-4]])
    assert np.isnan(sure_length(np.tile([1.0, 0], (3, 1)), np.array([1.0, 1.0, -1.0]), cov, 0.95)).all()
