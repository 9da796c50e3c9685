"""Probabilities of conformity against general-purpose libraries, and the words that they become."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from reference_rows import each, expected, rows
from scipy.integrate import dblquad
from scipy.optimize import brentq
from scipy.stats import ncx2
from steps import word

from asbuilt.columns import VERDICTS
from asbuilt.compute.verdicts import (
    NOT_MADE,
    NOT_SURVEYED,
    OUTSIDE,
    UNRESOLVED,
    WITHIN,
    decide,
    disc_probability,
    principal_probability,
    worst,
)


def one(distance, radius, *, along=1.0, across=1.0, cov=None):
    """P(|W| <= radius) of one plane normal; ``along`` and ``across`` are standard deviations."""
    (p,) = disc_probability(
        np.array([distance]),
        np.array([radius]),
        var_along=np.array([along**2]),
        var_across=np.array([across**2]),
        cov=None if cov is None else np.array([cov]),
    )
    return p


# ------------------------------------------------------------------------------------------ equal variances


@pytest.mark.parametrize("radius", [0.2, 1.0, 3.0, 5.9, 6.1, 9.0, 11.9, 12.1, 30.0, 200.0])
def test_equal_variances_give_the_noncentral_chi_square_distribution(radius):
    distance = radius + np.linspace(-5.5, 5.5, 56)
    distance = distance[distance >= 0]
    found = disc_probability(distance, np.full(len(distance), radius), var_along=1.0, var_across=1.0)
    assert found == pytest.approx(ncx2.cdf(radius**2, 2, np.maximum(distance, 1e-12) ** 2), abs=1e-6)


@each("decisions", "radial")
def test_published_radial_limits_by_the_covariance(row):
    limit, measured, sigma = (np.array([float(row[name])]) for name in ("limit", "measured", "sigma"))
    p = principal_probability(measured * 0.6, measured * 0.8, cov=sigma[:, None] ** 2 * [[1.0, 0.0, 1.0]], limit=limit)
    assert p[0] == expected(row)


GREATEST = [row for row in rows("decisions", "radial") if row["case"].startswith("greatest")]


@pytest.mark.parametrize("row", GREATEST, ids=lambda row: row["case"])
def test_greatest_offset_accepted_at_95_percent(row):
    limit, sigma = float(row["limit"]), float(row["sigma"])
    root = brentq(lambda m: one(m, limit, along=sigma, across=sigma) - 0.95, 0.0, limit)
    # printed to three decimals
    assert root == pytest.approx(float(row["measured"]), abs=5e-4)


# ------------------------------------------------------------------------------------------ unequal, correlated


def by_integration(mean, cov, radius):
    """The same probability by double integration of the density."""
    inverse, scale = np.linalg.inv(cov), 1 / (2 * math.pi * math.sqrt(np.linalg.det(cov)))

    def density(n, e):
        d_e, d_n = e - mean[0], n - mean[1]
        square = inverse[0, 0] * d_e**2 + 2 * inverse[0, 1] * d_e * d_n + inverse[1, 1] * d_n**2
        return scale * math.exp(-0.5 * square)

    def rim(e):
        return math.sqrt(max(0.0, radius**2 - e**2))

    s_e, s_n = (7 * math.sqrt(cov[k, k]) for k in (0, 1))
    low, high = max(-radius, mean[0] - s_e), min(radius, mean[0] + s_e)
    return dblquad(
        density,
        low,
        high,
        lambda e: max(-rim(e), min(rim(e), mean[1] - s_n)),
        lambda e: min(rim(e), max(-rim(e), mean[1] + s_n)),
        epsabs=1e-7,
        epsrel=1e-7,
    )[0]


def covariance(along, across, correlation):
    mixed = correlation * along * across
    return np.array([[along**2, mixed], [mixed, across**2]])


CASES = {
    "plan, longer across": (0.018, 0.025, 0.004, 0.009, 0.0),
    "plan, longer along": (0.018, 0.025, 0.009, 0.003, 0.0),
    "plan, correlated": (0.018, 0.025, 0.007, 0.006, 0.6),
    "plan, against the correlation": (0.015, 0.025, 0.006, 0.008, -0.9),
    "joint, uncorrelated": (0.62, 0.65, 0.015, 0.030, 0.0),
    "joint, correlated": (0.62, 0.65, 0.020, 0.025, 0.7),
    "joint, beyond": (0.68, 0.65, 0.020, 0.010, -0.5),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_unequal_variances_agree_with_double_integration(case):
    distance, radius, along, across, correlation = case
    cov = covariance(along, across, correlation)
    found = one(distance, radius, along=along, across=across, cov=cov[0, 1])
    assert found == pytest.approx(by_integration((distance, 0.0), cov, radius), abs=1e-5)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 158.0, 270.0])
def test_covariance_is_turned_into_the_axes_of_the_offset(bearing):
    mean = 0.018 * np.array([math.sin(math.radians(bearing)), math.cos(math.radians(bearing))])
    cov = covariance(0.007, 0.004, 0.5)
    (found,) = principal_probability(
        mean[:1], mean[1:], cov=np.array([[cov[0, 0], cov[0, 1], cov[1, 1]]]), limit=np.array([0.025])
    )
    assert found == pytest.approx(by_integration(mean, cov, 0.025), abs=1e-5)


def test_an_offset_of_nothing_has_a_probability_too():
    cov = covariance(0.008, 0.012, 0.3)
    (found,) = principal_probability(
        np.zeros(1), np.zeros(1), cov=np.array([[cov[0, 0], cov[0, 1], cov[1, 1]]]), limit=np.array([0.02])
    )
    assert found == pytest.approx(by_integration((0.0, 0.0), cov, 0.02), abs=1e-5)


# ------------------------------------------------------------------------------------------ limits


@each("chances", "along")
def test_chance_of_opening_when_piles_lean_along_the_joint_only(row):
    diameter, overlap = float(row["diameter_mm"]) / 1000, float(row["overlap_mm"]) / 1000
    sigma = math.sqrt(2) * float(row["tilt_mm_per_m"]) * float(row["depth_m"]) / 1000
    assert 1 - one(diameter - overlap, diameter, along=sigma, across=1e-6) == expected(row)


@each("chances", "both")
def test_chance_of_opening_when_piles_lean_in_both_directions(row):
    diameter, overlap = float(row["diameter_mm"]) / 1000, float(row["overlap_mm"]) / 1000
    sigma = math.sqrt(2) * float(row["tilt_mm_per_m"]) * float(row["depth_m"]) / 1000
    assert 1 - one(diameter - overlap, diameter, along=sigma, across=sigma) == expected(row)


@pytest.mark.parametrize(("along", "across", "cov"), [(0.01, 0.01, None), (0.02, 0.01, None), (0.02, 0.01, 1e-4)])
def test_nothing_lies_in_a_disc_of_negative_radius(along, across, cov):
    assert one(0.1, -0.01, along=along, across=across, cov=cov) == 0.0


@pytest.mark.parametrize("name", ["distance", "radius", "along", "across"])
def test_what_is_not_measured_has_no_probability(name):
    values = {"distance": 0.6, "radius": 0.65, "along": 0.02, "across": 0.03, name: math.nan}
    distance, radius = values.pop("distance"), values.pop("radius")
    assert math.isnan(one(distance, radius, **values))


def test_scatter_across_makes_a_joint_less_likely_to_interlock():
    # (limit - distance)/sigma alone gives Phi(1.5) = 0.9332
    assert one(0.62, 0.65, along=0.02, across=0.05) < 0.9332 - 0.005


def test_the_shape_of_the_levels_is_kept():
    distance = np.array([[0.60, 0.61, 0.62], [0.63, 0.64, 0.65]])
    p = disc_probability(distance, np.full((2, 3), 0.65), var_along=np.full((2, 3), 4e-4), var_across=4e-4)
    assert p[1, 2] == pytest.approx(one(0.65, 0.65, along=0.02, across=0.02))


# ------------------------------------------------------------------------------------------ words


@pytest.mark.parametrize(
    ("rule", "beyond", "p", "verdict"),
    [
        ("simple", False, 0.51, "within"),
        ("simple", True, 0.99, "outside"),
        ("guarded", False, 0.96, "within"),
        ("guarded", False, 0.95, "within"),
        ("guarded", False, 0.9499, "unresolved"),
        ("guarded", True, 0.06, "unresolved"),
        ("guarded", True, 0.04, "outside"),
        ("guarded", False, 0.04, "unresolved"),
    ],
)
def test_decide(rule, beyond, p, verdict):
    code = decide(np.array([beyond]), np.array([p]), rule=rule, confidence=0.95, measured=np.array([True]))
    assert word(code[0]) == verdict


@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_what_is_not_measured_is_not_surveyed(rule):
    code = decide(np.array([False]), np.array([math.nan]), rule=rule, confidence=0.95, measured=np.array([False]))
    assert word(code[0]) == "not surveyed"


def test_a_check_that_is_not_asked_for_has_no_verdict():
    code = decide(
        np.array([True]),
        np.array([0.0]),
        rule="simple",
        confidence=0.95,
        measured=np.array([True]),
        made=np.array([False]),
    )
    assert code[0] == NOT_MADE


def test_outside_on_the_confidence_itself():
    # exactly representable: 0.25 = 1 - 0.75
    code = decide(np.array([True]), np.array([0.25]), rule="guarded", confidence=0.75, measured=np.array([True]))
    assert word(code[0]) == "outside"


ORDER = [NOT_MADE, WITHIN, UNRESOLVED, NOT_SURVEYED, OUTSIDE]


@pytest.mark.parametrize(("lesser", "graver"), list(pairwise(ORDER)))
def test_worst(lesser, graver):
    assert worst(np.array([lesser]), np.array([graver]), np.array([lesser]))[0] == graver


def test_codes_are_places_in_the_verdicts():
    assert [VERDICTS[code] for code in (WITHIN, UNRESOLVED, NOT_SURVEYED, OUTSIDE)] == list(VERDICTS)
