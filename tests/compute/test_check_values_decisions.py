"""Probabilities and confidence ellipses against values from outside the project."""

from __future__ import annotations

import numpy as np
import pytest
from reference_rows import each, expected, rows
from scipy import stats

from asbuilt.compute.budget import Limits, best_probability
from asbuilt.compute.verdicts import disc_probability
from asbuilt.compute.wall import confidence_ellipse


def numbers(row, *names):
    return (np.array([float(row[name])]) for name in names)


@each("decisions", "one-sided")
def test_one_sided_limit(row):
    limit, measured, sigma = numbers(row, "limit", "measured", "sigma")
    (p,) = best_probability(Limits(allowed=measured - limit, sigma=sigma), circle=False)
    assert p == expected(row)


@each("decisions", "circle")
def test_circle_about_the_design(row):
    limit, sigma = numbers(row, "limit", "sigma")
    (p,) = best_probability(Limits(allowed=limit, sigma=sigma), circle=True)
    assert p == expected(row)


@each("decisions", "radial")
def test_radial_limit(row):
    limit, measured, sigma = numbers(row, "limit", "measured", "sigma")
    (p,) = disc_probability(measured, limit, var_along=sigma**2, var_across=sigma**2)
    assert p == expected(row)


def t_squared_of(row):
    """T² of the row's sample, read off the ellipse: the factor by which it must grow to reach the given mean."""
    sample = np.array([pair.split() for pair in row["sample"].split(";")], dtype=float)
    mean, size = sample.mean(axis=0), len(sample)
    d = sample - mean
    cov = np.array([[d[:, 0] @ d[:, 0], d[:, 0] @ d[:, 1], d[:, 1] @ d[:, 1]]]) / (size - 1)
    major, minor, bearing = confidence_ellipse(np.array([size]), cov)[0]
    first, second = np.array(row["against"].split(), dtype=float) - mean
    angle = np.radians(bearing)
    along = first * np.sin(angle) + second * np.cos(angle)
    across = first * np.cos(angle) - second * np.sin(angle)
    critical = 2 * (size - 1) / (size - 2) * stats.f.ppf(0.95, 2, size - 2)
    return critical * ((along / major) ** 2 + (across / minor) ** 2), size


@each("hotelling")
def test_ellipse_gives_the_t_squared_of_the_sample(row):
    assert t_squared_of(row)[0] == pytest.approx(float(row["t_squared"]), rel=1e-9)


@each("hotelling")
def test_ellipse_gives_the_f_of_the_sample(row):
    t_squared, size = t_squared_of(row)
    assert t_squared * (size - 2) / (2 * (size - 1)) == expected(row, "f")


def test_the_sample_of_exercise_5_1_does_not_speak_against_its_mean():
    (row,) = (row for row in rows("hotelling") if row["p"])
    t_squared, size = t_squared_of(row)
    assert stats.f.sf(t_squared * (size - 2) / (2 * (size - 1)), 2, size - 2) == expected(row, "p")
