"""One pile and its neighbours worked out alone give the same case at the rig as the whole wall does."""

from __future__ import annotations

from dataclasses import fields, is_dataclass

import builders
import numpy as np
import pytest

from asbuilt.commands.steer_case import stored_readings
from asbuilt.compute.alignment import align
from asbuilt.compute.steering_input import steer_input
from asbuilt.reconcile import reconcile
from asbuilt.reconcile_near import narrowed, reconcile_near

SEEDS = range(40)


def differences(one, other, at=""):
    """Return where two values differ, dataclasses, tuples, mappings and arrays gone through; NaN is like NaN."""
    if is_dataclass(one):
        pairs = [(f.name, getattr(one, f.name), getattr(other, f.name)) for f in fields(one)]
        return [d for name, a, b in pairs for d in differences(a, b, f"{at}.{name}")]
    if isinstance(one, dict):
        return [d for k in {*one, *other} for d in differences(one[k], other[k], f"{at}[{k}]")]
    if isinstance(one, tuple):
        parts = [d for k, (a, b) in enumerate(zip(one, other, strict=False)) for d in differences(a, b, f"{at}[{k}]")]
        return parts if len(one) == len(other) else [f"{at}: {len(one)} and {len(other)}"]
    if isinstance(one, float | np.ndarray):
        # running sums begin elsewhere, and circles are fitted until none of the lot moves by a nanometre
        alike = np.shape(one) == np.shape(other) and np.allclose(one, other, rtol=1e-9, atol=1e-9, equal_nan=True)
        return [] if alike else [f"{at}: {one}, {other}"]
    return [] if one == other else [f"{at}: {one}, {other}"]


@pytest.fixture(scope="module", params=SEEDS)
def survey(request):
    return builders.to_survey(builders.random_site(request.param))


@pytest.fixture(scope="module")
def whole(survey):
    return reconcile(survey)


def test_every_pile_is_steered_from_the_same(survey, whole):
    found = []
    for pile in range(len(survey.design)):
        near = reconcile_near(survey, pile)
        found += differences(steer_input(near, pile), steer_input(whole, pile), f"pile {pile}")
    assert not found


def test_every_pile_has_the_same_readings_attempt_toe_and_moment(survey, whole):
    line = align(survey.design, survey.settings, e=whole.piles.design_e, n=whole.piles.design_n)
    found = []
    for pile in range(len(survey.design)):
        near = reconcile_near(survey, pile)
        one, other = stored_readings(near, pile, line), stored_readings(whole, pile, line)
        found += differences(one.leans, other.leans, f"pile {pile}")
        found += differences(float(near.axes.toe[pile]), float(whole.axes.toe[pile]), "toe")
        assert near.centres.attempt[pile] == whole.centres.attempt[pile]
        assert near.as_of == whole.as_of
        assert bool(near.piles.expected[pile]) == bool(whole.piles.expected[pile])
    assert not found


def test_a_narrowed_survey_has_the_rows_of_the_piles_asked_for_alone():
    survey = builders.to_survey(builders.random_site(3))
    near = np.zeros(len(survey.design), dtype=bool)
    near[2] = True
    few = narrowed(survey, near)
    assert set(few.pickups.pile.tolist()) <= {2}
    assert len(few.pickups) == int(np.count_nonzero(survey.pickups.pile == 2))


def test_a_difference_is_seen():
    survey = builders.to_survey(builders.random_site(3))
    near = reconcile_near(survey, 1)
    assert differences(steer_input(near, 1), steer_input(near, 2))
