"""Circles through edge shots: published fits, the known radius, short arcs and their mirror images."""

from __future__ import annotations

import numpy as np
import pytest
from reference_rows import each, expected, rows
from scipy.optimize import least_squares
from scipy.stats import chi2

from asbuilt.compute.circles import fit_circles

RADIUS = 0.44


def on_arc(*bearings_deg, radius=RADIUS, centre=(0.0, 0.0)):
    """Points (k, 2) on a circle at bearings clockwise from north."""
    angle = np.radians(bearings_deg)
    return np.array(centre) + radius * np.column_stack([np.sin(angle), np.cos(angle)])


def fit(points, *, sigma=0.005, edge=True, start=(0.01, -0.02), radius=RADIUS, sigma_radius=0.005):
    points = np.asarray(points, dtype=float)
    count = len(points)
    return fit_circles(
        points[:, 0],
        points[:, 1],
        group=np.zeros(count, dtype=np.int64),
        sigma=np.broadcast_to(np.asarray(sigma, dtype=float), (count,)).copy(),
        edge=np.broadcast_to(edge, (count,)).copy(),
        start_e=np.array([start[0]]),
        start_n=np.array([start[1]]),
        radius=np.array([radius]),
        sigma_radius=sigma_radius,
    )


# ------------------------------------------------------------------------------------------ published fits


def published(row):
    points = [[float(value) for value in pair.split()] for pair in row["points"].split(";")]
    start = np.mean(points, axis=0) - (0.0, 2.0)
    return fit(points, sigma=1.0, start=start, radius=float(row["radius"]) + 0.5, sigma_radius=np.inf), len(points)


@each("circle_fits", "geometric")
@pytest.mark.parametrize(("column", "name"), [("easting", "e"), ("northing", "n"), ("radius", "radius")])
def test_published_circle(row, column, name):
    found, _ = published(row)
    assert getattr(found, name)[0] == expected(row, column)


def one(name):
    return next(row for row in rows("circle_fits") if row["case"] == name)


def test_published_sum_of_squares():
    row = one("six points all around")
    found, _ = published(row)
    assert found.cost[0] == pytest.approx(float(row["sum_of_squares"]), abs=5e-7)


def test_published_standard_deviation_of_unit_weight():
    row = one("six points on a short arc")
    found, count = published(row)
    assert np.sqrt(found.cost[0] / (count - 3)) == pytest.approx(float(row["s0"]), abs=5e-6)


@pytest.mark.parametrize(("column", "place"), [("sigma_e", 0), ("sigma_n", 2)])
def test_published_standard_deviation_of_the_centre(column, place):
    row = one("six points on a short arc")
    found, _ = published(row)
    assert np.sqrt(found.cov[0, place]) * float(row["s0"]) == pytest.approx(float(row[column]), abs=5e-4)


# ------------------------------------------------------------------------------------------ the known radius


@each("circle_fits", "known radius")
def test_a_short_arc_of_known_radius_is_weak_along_itself(row):
    half, sigma = float(row["arc_deg"]) / 2, float(row["sigma"]) / 1000
    found = fit(on_arc(-half, 0, half), sigma=sigma, sigma_radius=1e-6)
    assert 1000 * np.sqrt(found.cov[0, 0]) == expected(row)


def test_a_short_arc_of_known_radius_is_strong_across_itself():
    found = fit(on_arc(-10, 0, 10), sigma_radius=1e-6)
    assert np.sqrt(found.cov[0, 2]) == pytest.approx(0.005 / np.sqrt(1 + 2 * np.cos(np.radians(10)) ** 2), rel=1e-4)


def test_radius_is_the_weighted_mean_of_what_is_known_and_what_is_shot():
    shots = on_arc(0, 60, 120, 180, 240, 300, radius=0.43)
    found = fit(shots, sigma=0.004, sigma_radius=0.006)
    weights = np.array([6 / 0.004**2, 1 / 0.006**2])
    assert found.radius[0] == pytest.approx(weights @ [0.43, RADIUS] / weights.sum(), abs=1e-9)


def test_centre_of_shots_all_around_is_theirs():
    found = fit(on_arc(5, 95, 185, 275, radius=0.45, centre=(0.03, 0.02)))
    assert (found.e[0], found.n[0]) == pytest.approx((0.03, 0.02), abs=1e-9)


def test_covariance_of_shots_all_around():
    # four shots: the sum of squared sines is 2 in every direction
    found = fit(on_arc(0, 90, 180, 270))
    assert found.cov[0] == pytest.approx([0.005**2 / 2, 0.0, 0.005**2 / 2], abs=1e-12)


NOISE = np.array([3.1, -2.4, 4.4, -1.2, 2.9, -3.5, 0.8]) / 1000
ODD = [-70, -40, -15, 10, 40, 65, 80]


def residuals(x, points, edge, sigma, sigma_radius):
    """One residual an edge shot, two a centre shot, one for the radius."""
    d = points - x[:2]
    on_edge = (np.hypot(*d[edge].T) - x[2]) / sigma[edge]
    return np.concatenate([on_edge, (d[~edge] / sigma[~edge, None]).ravel(), [(x[2] - RADIUS) / sigma_radius]])


def second_opinion(points, edge, sigma, sigma_radius=0.005):
    """The same adjustment by a general-purpose library."""
    return least_squares(
        residuals, [0.0, 0.0, RADIUS], args=(points, edge, sigma, sigma_radius), xtol=1e-15, ftol=1e-15, gtol=1e-15
    )


MIXED = {
    "edges alone": np.ones(7, dtype=bool),
    "edges and centres in one adjustment": np.array([True, True, False, True, False, True, True]),
    "two edges and centres": np.array([True, False, False, False, False, True, False]),
}


def mixed_points(edge):
    points = on_arc(*ODD) * (1 + NOISE / RADIUS)[:, None]
    points[~edge] = np.column_stack([NOISE, NOISE[::-1]])[~edge]
    return points


@pytest.mark.parametrize("edge", MIXED.values(), ids=MIXED.keys())
def test_adjustment_agrees_with_a_general_library(edge):
    sigma = np.array([3, 4, 5, 6, 7, 4, 3]) / 1000
    points = mixed_points(edge)
    found, second = fit(points, edge=edge, sigma=sigma), second_opinion(points, edge, sigma)
    assert (found.e[0], found.n[0], found.radius[0]) == pytest.approx(second.x, abs=1e-7)


@pytest.mark.parametrize("edge", MIXED.values(), ids=MIXED.keys())
def test_covariance_agrees_with_a_general_library(edge):
    sigma = np.array([3, 4, 5, 6, 7, 4, 3]) / 1000
    points = mixed_points(edge)
    found, second = fit(points, edge=edge, sigma=sigma), second_opinion(points, edge, sigma)
    cov = np.linalg.inv(second.jac.T @ second.jac)
    # both linearise at the solution, the library by differences of 1e-8
    assert found.cov[0] == pytest.approx([cov[0, 0], cov[0, 1], cov[1, 1]], rel=1e-4, abs=1e-10)


# ------------------------------------------------------------------------------------------ residuals too large


def rough(factor):
    return on_arc(*range(0, 360, 45)) * (1 + factor * np.resize([1, -1], 8) / RADIUS)[:, None]


def test_covariance_is_inflated_where_residuals_exceed_the_99_percent_point():
    smooth, found = fit(rough(0.0)), fit(rough(0.02))
    free = 8 + 1 - 3
    assert found.cost[0] > chi2.ppf(0.99, free)
    assert found.cov[0, 0] == pytest.approx(smooth.cov[0, 0] * found.cost[0] / free, rel=1e-3)


def test_covariance_stands_where_residuals_stay_below_the_99_percent_point():
    smooth, found = fit(rough(0.0)), fit(rough(0.007))
    free = 8 + 1 - 3
    assert free < found.cost[0] < chi2.ppf(0.99, free)
    assert found.cov[0, 0] == pytest.approx(smooth.cov[0, 0], rel=1e-3)


def test_degrees_of_freedom_count_two_for_a_centre_shot():
    # 2 edge shots, 3 centre shots, the radius: 9 rows, 3 unknowns; 1 % of chi-square on 6 is 16.81
    points = np.vstack([on_arc(20, 140), [[0.018, 0.0], [-0.009, 0.0156], [-0.009, -0.0156]]])
    edge = np.array([True, True, False, False, False])
    found = fit(points, edge=edge, sigma_radius=0.005)
    jac = second_opinion(points, edge, np.full(5, 0.005)).jac
    plain = np.linalg.inv(jac.T @ jac)
    assert found.cov[0, 0] / plain[0, 0] == pytest.approx(found.cost[0] / 6, rel=1e-4)


# ------------------------------------------------------------------------------------------ arcs and mirrors


@pytest.mark.parametrize(
    ("bearings", "arc"), [((0, 40, 90), 90), ((350, 20, 60), 70), ((100, 220, 340), 240), ((200, 150, 175), 50)]
)
def test_arc_covered(bearings, arc):
    assert fit(on_arc(*bearings), sigma_radius=1e-6).arc_deg[0] == pytest.approx(arc, abs=1e-4)


def test_the_mirror_image_of_a_short_arc_is_refused():
    # sagitta of 8 degrees: 1 mm, against 5 mm of a shot
    assert fit(on_arc(-4, 0, 4)).ambiguous[0]


def test_a_long_arc_has_no_mirror_image():
    assert not fit(on_arc(-50, -20, 20, 50)).ambiguous[0]


@pytest.mark.parametrize(("half", "refused"), [(10.0, True), (11.0, False)])
def test_the_mirror_is_refused_while_its_sum_of_squares_is_less_than_six_greater(half, refused):
    points = on_arc(-half, 0, half)
    across = 2 * points[:, 1].min()
    mirror = least_squares(
        residuals, [0.0, across, RADIUS], args=(points, np.ones(3, dtype=bool), np.full(3, 0.005), 0.005)
    )
    assert (2 * mirror.cost < 6) == refused
    assert fit(points).ambiguous[0] == refused


def test_a_start_on_the_wrong_side_finds_the_right_centre():
    found = fit(on_arc(-45, -15, 15, 45), start=(0.0, 2 * RADIUS * np.cos(np.radians(45))))
    assert (found.e[0], found.n[0]) == pytest.approx((0.0, 0.0), abs=1e-7)


def test_rms_is_that_of_edge_shots():
    points = np.vstack([rough(0.003), [[0.0, 0.0]]])
    found = fit(points, edge=np.array([True] * 8 + [False]))
    d = np.hypot(points[:8, 0] - found.e[0], points[:8, 1] - found.n[0]) - found.radius[0]
    assert found.rms[0] == pytest.approx(np.sqrt(np.mean(d**2)), rel=1e-9)


# ------------------------------------------------------------------------------------------ many at once


def test_groups_do_not_mix():
    clouds = [
        on_arc(0, 90, 200, centre=(5, 1)),
        on_arc(10, 60, 100, 170, radius=0.45),
        on_arc(-40, 0, 35, 50, centre=(-3, 2)),
    ]
    points = np.vstack(clouds)
    together = fit_circles(
        points[:, 0],
        points[:, 1],
        group=np.repeat([0, 1, 2], [3, 4, 4]),
        sigma=np.full(11, 0.005),
        edge=np.ones(11, dtype=bool),
        start_e=np.array([5.01, 0.0, -3.02]),
        start_n=np.array([1.0, 0.01, 2.0]),
        radius=np.full(3, RADIUS),
        sigma_radius=0.005,
    )
    alone = [
        fit(cloud, start=start) for cloud, start in zip(clouds, [(5.01, 1.0), (0.0, 0.01), (-3.02, 2.0)], strict=True)
    ]
    assert together.e == pytest.approx([f.e[0] for f in alone], abs=1e-9)
    assert together.cov[:, 2] == pytest.approx([f.cov[0, 2] for f in alone], rel=1e-6)
