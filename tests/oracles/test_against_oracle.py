"""Every number of random walls against the second opinion in ``oracle.py``.

Lengths agree within 0.01 mm, probabilities within 0.001, levels within 1 mm. Where a curve crosses its limit so flatly
that 1 mm of level is less than those figures can tell (a grazing crossing), the value *at* the level given must lie
within 0.01 mm (overlap) or 0.0001 (probability) of the limit instead; where it only just touches it, by less than
0.01 mm, whether there is a crossing at all is not asked.
"""

from __future__ import annotations

import math
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import builders
import oracle as second

from asbuilt.columns import VERDICTS
from asbuilt.reconcile import reconcile

SEEDS = range(10)
LENGTH_MM = 0.01
LEVEL_M = 0.001
PROBABILITY = 0.001


class Case:
    """One random wall: what the package says and what the oracle says, by pile and by joint."""

    def __init__(self, seed: int) -> None:
        self.site = builders.random_site(seed)
        self.oracle = second.Oracle(self.site)
        self.result = reconcile(builders.to_survey(self.site))
        design = [row["pile_id"] for row in self.site.design]
        self.built = [row["pile_id"] for row in self.site.design if row.get("status") != "omitted"]
        self.piles = {
            i: (self._row(self.result.piles.columns, design.index(i)), self.oracle.pile(i)) for i in self.built
        }
        self.surveyed = {i: rows for i, rows in self.piles.items() if self.oracle.all[i].centre is not None}
        given = self.result.joints.columns
        places = {(a, b): k for k, (a, b) in enumerate(zip(given["pile_a"], given["pile_b"], strict=True))}
        self.places = places
        self.joints = {
            pair: (self._row(given, places[pair]), self.oracle.joint(pair)) for pair in self.oracle.joint_pairs()
        }

    @staticmethod
    def _row(columns: Any, place: int) -> dict[str, Any]:
        return {name: values[place] for name, values in columns.items()}


@cache
def case(seed: int) -> Case:
    return Case(seed)


def blank(value: Any) -> bool:
    return value is None or (isinstance(value, float | np.floating) and math.isnan(value))


def compare(
    rows: dict[Any, tuple[dict[str, Any], dict[str, Any]]], names: tuple[str, ...], tolerance: float
) -> list[str]:
    """Return what differs; a figure that the oracle does not give is not asked for."""
    wrong = []
    for item, (given, expected) in rows.items():
        for name in names:
            if name not in expected:
                continue
            a, b = given[name], expected[name]
            if blank(a) and blank(b):
                continue
            if blank(a) or blank(b) or abs(float(a) - float(b)) > tolerance:
                wrong.append(f"{item} {name}: {a}, oracle {b}")
    return wrong


def word(code: Any) -> str | None:
    return None if code < 0 else VERDICTS[int(code)]


# ------------------------------------------------------------------------------------------ piles


@pytest.mark.parametrize("seed", SEEDS)
def test_centres_and_their_covariance(seed):
    c = case(seed)
    centres, origin = c.result.centres, c.result.survey.origin
    wrong = []
    for place, row in enumerate(c.site.design):
        expected = c.oracle.all[row["pile_id"]].centre
        e, n = centres.e[place] + origin[0], centres.n[place] + origin[1]
        if expected is None:
            if not math.isnan(centres.e[place]):
                wrong.append(f"{row['pile_id']}: {e, n}, oracle none")
            continue
        if not math.dist((e, n), expected.at) < LENGTH_MM / 1000:
            wrong.append(f"{row['pile_id']}: {e, n}, oracle {expected.at}")
        cov = np.array([expected.cov[0, 0], expected.cov[0, 1], expected.cov[1, 1]])
        if not np.allclose(centres.cov[place], cov, rtol=1e-3, atol=1e-10):
            wrong.append(f"{row['pile_id']} covariance: {centres.cov[place]}, oracle {cov}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_fit(seed):
    assert compare(case(seed).piles, ("fit_radius_mm", "fit_rms_mm", "n_shots"), LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_plan_offsets(seed):
    names = (
        "diameter_mm",
        "offset_e_mm",
        "offset_n_mm",
        "offset_mm",
        "towards_pit_mm",
        "along_wall_mm",
        "allowed_mm",
        "u_offset_mm",
    )
    assert compare(case(seed).piles, names, LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_verticality(seed):
    names = ("tilt_e_mm_per_m", "tilt_n_mm_per_m", "incline_mm_per_m", "steepest_mm_per_m", "allowed_mm_per_m")
    assert compare(case(seed).surveyed, names, 0.001) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_percent_of_allowed(seed):
    assert compare(case(seed).surveyed, ("plan_of_allowed_percent", "vertical_of_allowed_percent"), 0.05) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_encroachment(seed):
    assert compare(case(seed).piles, ("face_inside_mm", "worst_towards_pit_mm"), LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_level_of_the_worst_face(seed):
    wrong = []
    for item, (given, expected) in case(seed).piles.items():
        if expected.get("face_inside_mm") is None:
            continue
        at = 1000 * expected["face_inside_at"](given["face_inside_level"])
        if (
            abs(given["face_inside_level"] - expected["face_inside_level"]) > LEVEL_M
            and abs(at - expected["face_inside_mm"]) > LENGTH_MM
        ):
            wrong.append(f"{item}: {given['face_inside_level']}, oracle {expected['face_inside_level']}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_probabilities_of_piles(seed):
    assert compare(case(seed).surveyed, ("p_plan", "p_vertical"), PROBABILITY) == []


@pytest.mark.parametrize("seed", [0, 1, 3, 8])
def test_verticality_needs_no_centre(seed):
    """Only differences of the axis count: readings tell the inclination of a pile without a pickup too."""
    c = case(seed)
    rows = {i: r for i, r in c.piles.items() if i not in c.surveyed and c.oracle.all[i].axes}
    assert rows
    assert compare(rows, ("incline_mm_per_m", "steepest_mm_per_m", "p_vertical"), 0.001) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_probability_of_encroachment(seed):
    wrong = []
    for item, (given, expected) in case(seed).piles.items():
        if expected.get("p_encroach_range") is None:
            continue
        low, high = expected["p_encroach_range"]
        if not low - PROBABILITY <= given["p_encroach"] <= high + PROBABILITY:
            wrong.append(f"{item}: {given['p_encroach']}, oracle {low} to {high}")
    assert wrong == []


def _near_a_decision(p: float | None, confidence: float) -> bool:
    return p is not None and min(abs(p - confidence), abs(p - 1 + confidence)) < PROBABILITY


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("check", ["plan", "vertical", "encroach", "toe"])
def test_verdicts_of_piles(seed, check):
    c = case(seed)
    wrong = []
    for item, (given, expected) in (c.surveyed if check == "vertical" else c.piles).items():
        if check != "encroach" and _near_a_decision(expected.get(f"p_{check}"), c.oracle.confidence):
            continue
        allowed = (
            expected.get("encroach_verdicts", {expected["encroach_verdict"]})
            if check == "encroach"
            else {expected[f"{check}_verdict"]}
        )
        if word(given[f"{check}_verdict"]) not in allowed:
            wrong.append(f"{item}: {word(given[f'{check}_verdict'])}, oracle {allowed}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_overall_verdict_is_the_worst(seed):
    wrong = []
    for item, (given, _) in case(seed).piles.items():
        worst = max(int(given[f"{check}_verdict"]) for check in ("plan", "vertical", "encroach", "toe"))
        if given["verdict"] != worst:
            wrong.append(f"{item}: {word(given['verdict'])}, worst check {word(worst)}")
    assert wrong == []


# ------------------------------------------------------------------------------------------ joints


@pytest.mark.parametrize("seed", SEEDS)
def test_joints_are_those_of_the_wall(seed):
    assert set(case(seed).places) == set(case(seed).joints)


@pytest.mark.parametrize("seed", SEEDS)
def test_range(seed):
    assert compare(case(seed).joints, ("range_top", "range_bottom"), 1e-9) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_overlaps(seed):
    names = (
        "required_overlap_mm",
        "overlap_cut_off_mm",
        "overlap_formation_mm",
        "least_overlap_mm",
        "other_model_least_overlap_mm",
        "opening_formation_mm",
        "worst_opening_mm",
        "least_along_mm",
        "least_across_mm",
    )
    assert compare(case(seed).joints, names, LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_sections_at_formation(seed):
    names = ("chord_formation_mm", "thickness_formation_mm", "band_formation_mm")
    assert compare(case(seed).joints, names, LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_design_overlap(seed):
    assert compare(case(seed).joints, ("design_overlap_mm",), LENGTH_MM) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_level_of_the_least_overlap(seed):
    wrong = []
    for item, (given, expected) in case(seed).joints.items():
        if not expected["levels_known"]:
            continue
        level = given["least_level"]
        if not (
            abs(level - expected["least_level"]) < LEVEL_M
            or abs(expected["overlap_at"](level) - expected["least_overlap_mm"]) < LENGTH_MM
        ):
            wrong.append(f"{item}: {level}, oracle {expected['least_level']}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", ["lost_level", "open_level"])
def test_levels_of_crossings(seed, name):
    wrong = []
    for item, (given, expected) in case(seed).joints.items():
        a, b = given[name], expected.get(name)
        limit = expected["required_overlap_mm"] if name == "lost_level" else 0.0
        if blank(a) and blank(b):
            continue
        if blank(a) or blank(b):
            if expected["least_overlap_mm"] is None or abs(expected["least_overlap_mm"] - limit) > LENGTH_MM:
                wrong.append(f"{item}: {a}, oracle {b}")
        elif abs(a - b) > LEVEL_M and abs(expected["overlap_at"](a) - limit) > LENGTH_MM:
            wrong.append(f"{item}: {a}, oracle {b}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_sure_level(seed):
    c = case(seed)
    wrong = []
    for item, (given, expected) in c.joints.items():
        if not expected["levels_known"]:
            continue
        a, b = given["sure_level"], expected["sure_level"]
        if blank(a) and blank(b):
            continue
        if blank(a) or blank(b):
            wrong.append(f"{item}: {a}, oracle {b}")
        elif abs(a - b) > LEVEL_M:
            grazing = min(abs(expected[p](a) - c.oracle.confidence) for p in ("p_at", "p_other_at")) < 1e-4
            if not grazing:
                wrong.append(f"{item}: {a}, oracle {b}")
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_probability_of_interlock(seed):
    assert compare(case(seed).joints, ("p_interlock",), PROBABILITY) == []


@pytest.mark.parametrize("seed", SEEDS)
def test_probability_and_uncertainty_belong_to_the_governing_level(seed):
    wrong = []
    for item, (given, expected) in case(seed).joints.items():
        if not expected["levels_known"]:
            continue
        z = given["governing_level"]
        if abs(expected["p_at"](z) - given["p_interlock"]) > PROBABILITY:
            wrong.append(f"{item}: p {given['p_interlock']} at {z}, oracle {expected['p_at'](z)}")
        if abs(expected["u_overlap_at"](z) - given["u_overlap_mm"]) > LENGTH_MM:
            wrong.append(f"{item}: u {given['u_overlap_mm']} at {z}, oracle {expected['u_overlap_at'](z)}")
    assert wrong == []


def test_one_set_up_in_two_files():
    """A set-up is what the column says it is, else the file: what two piles of it share cancels between them."""
    design = builders.straight_wall(3)
    pickups = [
        {
            "point": row["pile_id"],
            "pile_id": row["pile_id"],
            "easting": row["easting"],
            "northing": row["northing"],
            "level": 3.2,
            "surveyed_at": "2025-03-03",
            "setup": "S1",
            "file": f"pickups/{place}.csv",
        }
        for place, row in enumerate(design)
    ]
    tilts = [
        {
            "pile_id": row["pile_id"],
            "read_at": "2025-03-02",
            "depth": 16.0,
            "tilt_a": 0.0,
            "tilt_b": 5.0 * place,
            "unit": "mm/m",
            "bearing_a_deg": 0.0,
        }
        for place, row in enumerate(design)
    ]
    site = builders.Site(toml=builders.site_file(), design=design, pickups=pickups, tilts=tilts)
    given = reconcile(builders.to_survey(site)).joints
    depth = 3.2 + 9.5
    assert given["governing_level"] == pytest.approx([-9.5, -9.5])
    assert given["u_overlap_mm"] == pytest.approx(
        2 * [math.sqrt(2 * 5**2 + 2 * depth**2 * (1.0**2 + 0.5**2))], abs=1e-3
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_levels_known(seed):
    assert {i: bool(g["levels_known"]) for i, (g, _) in case(seed).joints.items()} == {
        i: e["levels_known"] for i, (_, e) in case(seed).joints.items()
    }


@pytest.mark.parametrize("seed", SEEDS)
def test_toe_level_of_joints(seed):
    c = case(seed)
    given = {pair: c.result.joints.toe_level[place] for pair, place in c.places.items()}
    wrong = [
        f"{pair}: {given[pair]}, oracle {e['toe_level']}"
        for pair, (_, e) in c.joints.items()
        if not (blank(given[pair]) and e["toe_level"] is None)
        and not (e["toe_level"] is not None and abs(given[pair] - e["toe_level"]) < LEVEL_M)
    ]
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_verdicts_of_joints(seed):
    c = case(seed)
    wrong = []
    for item, (given, expected) in c.joints.items():
        doubtful = any(_near_a_decision(expected.get(p), c.oracle.confidence) for p in ("p_interlock", "p_other"))
        if not doubtful and word(given["verdict"]) != expected["verdict"]:
            wrong.append(
                f"{item}: {word(given['verdict'])}, oracle {expected['verdict']}, "
                f"p {expected.get('p_interlock')}, other model {expected.get('p_other')}"
            )
    assert wrong == []


def test_every_verdict_and_method_occurs():
    """The walls above would prove little if one kind of answer never came up in them."""
    verdicts = {word(given["verdict"]) for seed in SEEDS for given, _ in case(seed).joints.values()}
    methods = {axis.method for seed in SEEDS for pile in case(seed).oracle.all.values() for axis in pile.axes.values()}
    assert verdicts == set(VERDICTS)
    assert methods == {"straight", "stepped", "profile"}


# ------------------------------------------------------------------------------------------ the oracle itself


@pytest.mark.parametrize(
    ("mean", "cov", "radius"),
    [
        ((0.02, 0.0), np.eye(2) * 0.004**2, 0.025),
        ((0.62, 0.05), np.array([[4e-4, 1e-4], [1e-4, 2e-4]]), 0.63),
        ((0.66, -0.01), np.array([[9e-4, -2e-4], [-2e-4, 1e-4]]), 0.63),
    ],
)
def test_oracle_probability_by_double_integration(mean, cov, radius):
    from scipy.integrate import dblquad

    inverse, scale = np.linalg.inv(cov), 1 / (2 * math.pi * math.sqrt(np.linalg.det(cov)))

    def density(y, x):
        d = np.array([x - mean[0], y - mean[1]])
        return scale * math.exp(-0.5 * d @ inverse @ d)

    sx, sy = 7 * math.sqrt(cov[0, 0]), 7 * math.sqrt(cov[1, 1])

    def half(x):
        return math.sqrt(max(0.0, radius**2 - x**2))

    found, _ = dblquad(
        density,
        max(-radius, mean[0] - sx),
        min(radius, mean[0] + sx),
        lambda x: max(-half(x), min(half(x), mean[1] - sy)),
        lambda x: min(half(x), max(-half(x), mean[1] + sy)),
        epsabs=1e-7,
    )
    assert second.p_disc(mean, cov, radius) == pytest.approx(found, abs=2e-6)


@pytest.mark.parametrize(
    ("measured", "u", "expected"), [(20, 4, 0.8770), (25, 4, 0.4680), (15, 5, 0.9693), (18, 3, 0.9882)]
)
def test_oracle_probability_of_a_radial_limit(measured, u, expected):
    """Radial limit 25, derived with SciPy's noncentral chi-square."""
    assert second.p_disc((measured, 0.0), np.eye(2) * u**2, 25.0) == pytest.approx(expected, abs=5e-5)
