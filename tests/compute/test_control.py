"""The fit of control points: a published example, numpy's least squares, which point is named, and when none is."""

from __future__ import annotations

import re

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from reference_rows import each, expected, rows
from scipy.stats import beta, chi2, ncx2

from asbuilt.compute.control import place_site
from asbuilt.compute.control_fit import DETECTABLE, RISK, Points, fit_similarity, judge, moved_without, pope_tau
from asbuilt.compute.grid import similarity, to_map
from asbuilt.reconcile import reconcile

#: A site grid in the middle of UTM zone 31, turned and scaled.
TRUE = similarity(origin_e=500_100.0, origin_n=6_200_200.0, rotation_deg=14.5, scale=0.9996)
SQUARE = np.array([(-10.0, -20.0), (30.0, -20.0), (30.0, 20.0), (-10.0, 20.0), (12.0, 25.0), (3.0, -24.0)])


def on_map(site):
    return np.column_stack(to_map(TRUE, site[:, 0], site[:, 1]))


def noisy(count, *, seed=1, sigma=0.002):
    site = SQUARE[:count]
    return site, on_map(site) + np.random.default_rng(seed).normal(0.0, sigma, (count, 2))


# ------------------------------------------------------------------------------------------ the published example


def example():
    points = rows("control_fits", "point")
    site, given = (
        np.array([[float(row[e]), float(row[n])] for row in points]) for e, n in (("east", "north"), ("map_e", "map_n"))
    )
    return fit_similarity(site, given)


def quantities():
    fit = example()
    s = fit.similarity
    deviation = np.sqrt(np.diag(fit.cov))
    turn = np.degrees(np.arctan2(s.b, s.a)) % 360.0
    named = dict(zip(("sigma_a", "sigma_b", "sigma_tx", "sigma_ty"), deviation.tolist(), strict=True))
    return {**vars(s), "s0": fit.s0, "scale": s.scale, "rotation": turn, **named}


@each("control_fits", "quantity")
def test_published_parameters(row):
    assert quantities()[row["name"]] == expected(row)


@each("control_fits", "point")
def test_published_residuals(row):
    fit, place = example(), "ABC".index(row["name"])
    found = fit.residual_e[place], fit.residual_n[place]
    assert found == (expected(row, "residual_e"), expected(row, "residual_n"))


@each("control_fits", "new point")
def test_published_new_points(row):
    found = to_map(example().similarity, float(row["east"]), float(row["north"]))
    assert found == (expected(row, "map_e"), expected(row, "map_n"))


# ------------------------------------------------------------------------------------------ numpy's least squares


def by_numpy(site, given, sigma):
    """Parameters, covariance and residuals by the design matrix, in reduced coordinates."""
    count = len(site)
    matrix = np.zeros((2 * count, 4))
    matrix[0::2] = np.column_stack([site[:, 0], -site[:, 1], np.ones(count), np.zeros(count)])
    matrix[1::2] = np.column_stack([site[:, 1], site[:, 0], np.zeros(count), np.ones(count)])
    weight = np.repeat(1.0 / sigma, 2)
    shift = given[0]
    values = (given - shift).ravel()
    found = np.linalg.lstsq(matrix * weight[:, None], values * weight, rcond=None)[0]
    cov = np.linalg.inv((matrix * weight[:, None] ** 2).T @ matrix)
    return found + np.array([0.0, 0.0, *shift]), cov, (matrix @ found - values).reshape(-1, 2)


@pytest.mark.parametrize("seed", range(5))
def test_weighted_fit_is_that_of_numpy(seed):
    random = np.random.default_rng(seed)
    site = random.uniform(-50.0, 50.0, (7, 2))
    sigma = random.uniform(0.001, 0.01, 7)
    given = on_map(site) + random.normal(0.0, 1.0, (7, 2)) * sigma[:, None]
    fit = fit_similarity(site, given, sigma=sigma)
    parameters, cov, residual = by_numpy(site, given, sigma)
    s = fit.similarity
    assert [s.a, s.b, s.origin_e, s.origin_n] == pytest.approx(parameters, rel=1e-12, abs=1e-12)
    np.testing.assert_allclose(fit.cov, cov, rtol=1e-8, atol=1e-14)
    np.testing.assert_allclose(np.column_stack([fit.residual_e, fit.residual_n]), residual, atol=1e-8)


def test_redundancies_add_up_to_half_the_degrees_of_freedom():
    fit = fit_similarity(*noisy(6), sigma=np.array([1.0, 2.0, 3.0, 1.0, 2.0, 5.0]) / 1000.0)
    assert 2.0 * fit.redundancy.sum() == pytest.approx(fit.degrees_of_freedom)


def test_residuals_at_map_size_coordinates_lose_nothing():
    """The same points near the origin and at E 500 000, N 6 200 000 leave the same residuals, to a micrometre."""
    site, given = noisy(5)
    near, far = fit_similarity(site, given - given[0]), fit_similarity(site + np.array([4e5, 5e6]), given)
    np.testing.assert_allclose(near.residual_e, far.residual_e, atol=1e-6)


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_points_are_refused(count):
    with pytest.raises(ValueError, match=f"^{count} points"):
        fit_similarity(SQUARE[:count], SQUARE[:count])


def test_points_in_one_place_are_refused():
    with pytest.raises(ValueError, match="all points lie within"):
        fit_similarity(SQUARE[:1].repeat(3, axis=0), on_map(SQUARE[:3]))


# ------------------------------------------------------------------------------------------ tests of the residuals


def judged(site, given, *, sigma_mm=2.0):
    sigma = np.full(len(site), sigma_mm / 1000.0)
    name = np.array([f"CP{k + 1}" for k in range(len(site))], dtype=object)
    points = Points(name=name, site=site, on_map=given, sigma=sigma)
    return judge(points, fit_similarity(site, given, sigma=sigma if points.known else None))


@pytest.mark.parametrize("wrong", range(4))
def test_of_four_points_the_wrong_one_is_named(wrong):
    site, given = noisy(4)
    given[wrong] += (0.030, -0.020)
    found = judged(site, given)
    assert (found.state, found.suspect) == ("suspect", wrong)


def test_sound_points_are_not_named():
    found = judged(*noisy(6))
    assert (found.state, found.suspect, found.limit) == ("fits", -1, pytest.approx(3.7169, abs=1e-4))


def test_three_points_show_an_error_but_not_whose():
    site, given = noisy(3)
    given[1] += (0.030, 0.0)
    found = judged(site, given)
    assert (found.state, found.suspect) == ("at odds", -1)
    assert found.w == pytest.approx(np.full(3, found.w[0]))


def test_two_points_give_no_check():
    found = judged(*noisy(2))
    assert (found.state, np.isnan(found.w).all()) == ("no check", True)


def test_three_points_without_sigma_cannot_be_judged():
    assert judged(*noisy(3), sigma_mm=np.nan).state == "residuals only"


def test_without_sigma_a_gross_error_of_six_points_is_named():
    site, given = noisy(6)
    given[2] += (0.100, 0.0)
    found = judged(site, given, sigma_mm=np.nan)
    assert (found.state, found.suspect) == ("suspect", 2)


def test_an_exact_fit_without_sigma_names_nobody():
    found = judged(SQUARE[:5], on_map(SQUARE[:5]), sigma_mm=np.nan)
    assert (found.state, found.suspect) == ("fits", -1)


def test_false_alarms_are_one_in_a_thousand_for_each_point():
    alarms = [judged(*noisy(6, seed=seed)).w > np.sqrt(chi2.isf(RISK, 2)) for seed in range(3000)]
    assert 4 <= np.sum(alarms) <= 34  # 18 expected, standard deviation 4.2


def test_an_error_of_the_detectable_size_is_found_four_times_in_five():
    size = judged(*noisy(6)).detectable[3]
    found = 0
    for seed in range(1000):
        site, given = noisy(6, seed=seed)
        given[3, 0] += size
        found += bool(judged(site, given).w[3] > np.sqrt(chi2.isf(RISK, 2)))
    assert found == pytest.approx(800, abs=50)


def test_the_detectable_size_is_that_of_the_noncentral_distribution():
    assert ncx2.sf(chi2.isf(RISK, 2), 2, DETECTABLE**2) == pytest.approx(0.8, abs=1e-4)


# Pope, The statistics of residuals and the detection of outliers, NOAA TR NOS 65 NGS 1: from memory, recomputed.
@pytest.mark.parametrize(("free", "risk", "tau"), [(10, 0.05, 1.9039)])
def test_popes_tau(free, risk, tau):
    assert pope_tau(free, risk, dimensions=1) == pytest.approx(tau, abs=5e-5)


def test_with_two_degrees_of_freedom_tau_allows_no_test():
    """Below the square root of two for a single component, and no limit at all for a point's two."""
    assert pope_tau(2, 0.05, dimensions=1) < np.sqrt(2.0)
    assert np.isnan(pope_tau(2, 0.05))


def test_tau_of_a_points_two_components_is_that_of_the_beta_distribution():
    assert pope_tau(8, 0.001) ** 2 / 8 == pytest.approx(beta.isf(0.001, 1.0, 3.0))


# ------------------------------------------------------------------------------------------ a whole site


def site(count=5, *, grid='map_crs = "EPSG:25831"', sigma_mm=2.0, move=None, swap=False, stretch=0.0):
    """Six piles within the control's hull, and ``count`` control points, one moved on the map, or all stretched."""
    places, given = noisy(count)
    given = given + stretch * (given - given[0]) if count else given
    if move is not None:
        given[move[0]] += move[1:]
    if swap:
        given = given[:, ::-1]
    control = [
        {"point": f"CP{k + 1}", "easting": e, "northing": n, "map_e": me, "map_n": mn, "sigma_mm": sigma_mm}
        for k, ((e, n), (me, mn)) in enumerate(zip(places, given, strict=True))
    ]
    toml = site_file() + (f"\n[grid]\n{grid}\n" if grid else "")
    return to_survey(Site(toml=toml, design=straight_wall(6), control=control))


STATED = 'map_crs = "EPSG:25831"\norigin_e = 500100.0\norigin_n = 6200200.0\nrotation_deg = 14.5\nscale = 0.9996'


def test_control_places_the_site_grid():
    fit, grid = place_site(site())
    assert (fit.state, grid.source) == ("fits", "control")
    assert grid.similarity.rotation_deg == pytest.approx(14.5, abs=0.01)
    assert grid.similarity.scale == pytest.approx(0.9996, abs=2e-4)


def test_scale_stands_against_the_projections_own():
    _, grid = place_site(site())
    assert grid.map_scale == pytest.approx(0.9996, abs=1e-6)
    said = next(text for text in grid.text if text.startswith("Scale"))
    apart = float(re.search(r"differ by (-?[\d.]+) ppm", said)[1])
    assert apart == pytest.approx((grid.similarity.scale / grid.map_scale - 1.0) * 1e6, abs=0.05)


def test_the_suspect_is_named_with_how_far_it_is_off():
    fit, _ = place_site(site(move=(3, 0.040, 0.0)))
    said = next(text for text in fit.text if text.startswith("CP4 stands out"))
    away = float(re.search(r"given ([\d.]+) mm from", said)[1])
    assert away == pytest.approx(40.0, abs=8.0)


def test_without_control_and_map_there_is_nothing():
    assert place_site(site(0, grid="")) == (None, None)


@pytest.mark.parametrize(
    ("count", "grid", "said"),
    [
        (5, "", "names no map CRS"),
        (0, 'map_crs = "EPSG:25831"', "neither control points nor parameters"),
        (1, 'map_crs = "EPSG:25831"', "CP1 is the only control point"),
        (5, 'map_crs = "EPSG:3857"', "another map CRS"),
    ],
    ids=["no map", "no control", "one point", "wrong map"],
)
def test_a_site_that_is_not_placed_says_why(count, grid, said):
    fit, placed = place_site(site(count, grid=grid))
    assert (fit.state, placed) == ("not fitted", None)
    assert said in fit.text[0]


def test_exchanged_coordinates_are_named():
    fit, placed = place_site(site(swap=True))
    assert placed is None
    assert "With easting and northing exchanged" in " ".join(fit.text)


def test_stated_parameters_place_the_site_without_statistics():
    fit, grid = place_site(site(0, grid=STATED))
    assert fit is None
    assert (grid.source, grid.similarity) == ("parameters", TRUE)
    assert np.isnan([grid.u_scale, grid.u_origin, grid.u_piles]).all()


def test_one_point_is_held_against_stated_parameters():
    fit, grid = place_site(site(1, grid=STATED))
    assert (fit.state, grid.source) == ("no check", "parameters")
    assert np.hypot(fit.residual_e, fit.residual_n)[0] < 0.01


def test_control_goes_before_parameters_and_their_difference_is_said():
    stated = STATED.replace("500100.0", "500100.25")
    _, grid = place_site(site(grid=stated))
    assert grid.source == "control"
    away = float(re.search(r"up to ([\d.]+) mm elsewhere", grid.text[-1])[1])
    assert away == pytest.approx(250.0, abs=6.0)


def test_piles_outside_the_hull_are_named_with_their_distance():
    survey = site(3)
    fit, _ = place_site(survey)
    # The triangle's long side runs from (-10, -20) to (30, 20): piles lie at (0, 0) to (3.75, 0), above it.
    assert [survey.design["pile_id"][k] for k in fit.outside] == ["P1", "P2", "P3", "P4", "P5", "P6"]
    assert fit.farthest == pytest.approx(10.0 / np.sqrt(2.0))


def test_the_fit_leaves_the_piles_as_sure_as_its_covariance_says():
    survey = site()
    _, grid = place_site(survey)
    e, n = survey.design["easting"], survey.design["northing"]
    points = np.column_stack([survey.control["easting"], survey.control["northing"]])
    given = np.column_stack([survey.control["map_e"], survey.control["map_n"]])
    cov = fit_similarity(points, given, sigma=np.full(5, 0.002)).cov
    rows_ = np.stack([e, -n, np.ones(len(e)), np.zeros(len(e))], axis=1)
    assert grid.u_piles == pytest.approx(np.sqrt(np.einsum("ki,ij,kj->k", rows_, cov, rows_).max()))


# ------------------------------------------------------------------------------------------ a fit that does not hold


def doubted(move=(3, 0.040, 0.0), **more):
    return place_site(site(move=move, **more))


def test_how_far_piles_move_without_a_point_is_that_of_numpys_two_fits():
    places, given = noisy(5)
    given[3] += (0.040, -0.010)
    sigma = np.array([1.0, 2.0, 3.0, 1.5, 2.0]) / 1000.0
    points = Points(name=np.array(list("ABCDE"), dtype=object), site=places, on_map=given, sigma=sigma)
    piles = np.array([(0.0, 0.0), (3.0, 4.0), (25.0, -18.0)])
    found = moved_without(points, fit_similarity(places, given, sigma=sigma), 3, piles)
    left = np.arange(5) != 3
    rows_ = np.zeros((6, 4))
    rows_[0::2] = np.column_stack([piles, np.ones(3), np.zeros(3)]) * (1.0, -1.0, 1.0, 1.0)
    rows_[1::2] = np.column_stack([piles[:, 1], piles[:, 0], np.zeros(3), np.ones(3)])
    whole, _, _ = by_numpy(places, given - given[0], sigma)
    other, _, _ = by_numpy(places[left], (given - given[0])[left], sigma[left])
    away = np.hypot(*(rows_ @ (whole - other)).reshape(-1, 2).T)
    assert found == (pytest.approx(away.min(), abs=1e-8), pytest.approx(away.max(), abs=1e-8))


def test_while_a_point_stands_out_no_standard_deviation_is_given():
    fit, grid = doubted()
    assert fit.state == "suspect"
    assert np.isnan([grid.u_scale, grid.u_rotation_deg, grid.u_origin, grid.u_piles]).all()
    said = " ".join(grid.text)
    assert "standard deviation" not in said
    assert re.search(
        r"not known: CP4 stands out\. Fitted without CP4 the piles would lie [\d.]+ to [\d.]+ mm elsewhere\.", said
    )


@pytest.mark.parametrize(
    ("more", "state", "tie"),
    [
        ({"move": None}, "fits", "by a fit of 5 control points"),
        ({}, "suspect", "by a fit in which CP4 stands out"),
        ({"move": (1, 0.040, 0.0), "count": 3}, "at odds", "by a fit in which something is wrong, but not which point"),
        ({"move": None, "count": 2}, "no check", "by two control points, with no check on them"),
        (
            {"move": None, "count": 3, "sigma_mm": np.nan},
            "residuals only",
            "by three control points, with no check on them",
        ),
        (
            {"move": None, "count": 1, "grid": STATED},
            "no check",
            "by the parameters of site.toml, which nothing checks",
        ),
    ],
    ids=["fits", "suspect", "at odds", "two", "three without sigma", "parameters"],
)
def test_what_places_the_site_says_what_is_wrong_with_it(more, state, tie):
    fit, grid = doubted(**more)
    assert (fit.state, grid.tie) == (state, tie)


def test_three_points_at_odds_leave_the_piles_place_unknown():
    _, grid = doubted(move=(1, 0.040, 0.0), count=3)
    assert np.isnan(grid.u_piles)
    assert "not known: something is wrong with the control points, but not which point." in " ".join(grid.text)


# the points' spread is 63 m and sigma 2 mm: 32 ppm
@pytest.mark.parametrize(
    ("stretch", "least", "most", "said"),
    [
        (-40e-6, 0.0, 1.0, r"mm in 100 m, less than the standard deviation of the fitted scale\.$"),
        (0.0, 1.0, 3.0, r"mm in 100 m, ([\d.]+) standard deviations of the fitted scale, which it explains\.$"),
        (300e-6, 3.0, 20.0, r"mm in 100 m, ([\d.]+) standard deviations of the fitted scale, more than it explains\.$"),
    ],
)
def test_a_difference_of_scales_stands_beside_its_standard_deviation(stretch, least, most, said):
    _, grid = place_site(site(stretch=stretch))
    times = abs(grid.similarity.scale / grid.map_scale - 1.0) / grid.u_scale
    assert least < times < most
    found = re.search(said, next(text for text in grid.text if text.startswith("Scale")))
    assert found
    assert [float(one) for one in found.groups()] == pytest.approx([times] * len(found.groups()), abs=0.06)


@pytest.mark.parametrize(
    ("move", "count", "item", "line"), [((3, 0.040, 0.0), 5, "CP4", 4), ((1, 0.040, 0.0), 3, "control points", 0)]
)
def test_a_fit_that_does_not_hold_is_a_finding_of_a_run(move, count, item, line):
    survey = site(count, move=move)
    (found,) = [one for one in reconcile(survey).findings if one.kind == "control_suspect"]
    fit, _ = place_site(survey)
    assert (found.severity, found.item) == ("query", item)
    assert found.line == (int(survey.control.line[line - 1]) if line else 0)
    figures = re.search(r"w ([\d.]+), limit ([\d.]+)", found.text)
    assert float(figures[1]) == pytest.approx(np.nanmax(fit.w), abs=0.005)
    assert float(figures[2]) == pytest.approx(fit.limit, abs=0.005)


def test_a_fit_that_holds_is_no_finding():
    assert [one for one in reconcile(site()).findings if one.kind == "control_suspect"] == []
