"""What is asked of a reconciliation for a picture: one wall seen from all sides says the same everywhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import small_folder
from builders import random_site, to_survey

from asbuilt.columns import VERDICTS
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile, views_of
from asbuilt.views import JOINT_STATES

DEMO = Path(__file__).resolve().parents[1] / "demo_survey"
SURE = JOINT_STATES.index("sure")


@pytest.fixture(scope="module")
def demo():
    result = reconcile(read_survey(DEMO))
    return result, views_of(result)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    result = reconcile(read_survey(small_folder.make(tmp_path_factory.mktemp("small"))))
    return result, views_of(result)


def states(views, level):
    return ["outside" if code < 0 else JOINT_STATES[code] for code in views.at_level(level).state]


# ------------------------------------------------------------------------------------------ asked twice


@pytest.mark.parametrize(
    ("name", "arguments"), [("at_level", (None,)), ("at_level", (-3.0,)), ("toes", ()), ("joint", (2,)), ("pile", (1,))]
)
def test_what_was_asked_for_before_is_not_worked_out_again(small, name, arguments):
    ask = getattr(small[1], name)
    assert ask(*arguments) is ask(*arguments)


def test_no_more_than_so_many_slices_are_kept(small):
    _, views = small
    first = views.at_level(2.5)
    for k in range(100):
        views.at_level(2.0 - 0.01 * k)
    assert views.at_level(2.5) is not first


def test_two_results_do_not_share_what_was_asked_for(small):
    result, views = small
    assert views_of(result).at_level(-3.0) is not views.at_level(-3.0)


# ------------------------------------------------------------------------------------------ the small wall


@pytest.mark.parametrize(
    ("level", "said"),
    [
        (None, ["sure", "sure", "sure", "not surveyed", "not surveyed", "not surveyed", "not surveyed"]),
        (-8.0, ["sure", "sure", "open", "not surveyed", "not surveyed", "not surveyed", "not surveyed"]),
        (-9.6, ["outside"] * 7),
    ],
)
def test_states_of_the_small_wall(small, level, said):
    assert states(small[1], level) == said


def test_the_opening_of_the_small_wall(small):
    rings = small[1].at_level(-8.0).openings
    assert [ring is not None for ring in rings] == [False, False, True, False, False, False, False]


# ------------------------------------------------------------------------------------------ the demonstration


def test_the_demonstration_shows_every_state(demo):
    assert {word for level in (None, -5.0, -9.0) for word in states(demo[1], level)} == {"outside", *JOINT_STATES}


def test_joints_within_are_sure_at_every_level(demo):
    result, views = demo
    within = result.joints["verdict"] == VERDICTS.index("within")
    for level in np.arange(3.0, -9.6, -0.9).tolist():
        state = views.at_level(level).state[within]
        assert set(state[state >= 0].tolist()) == {SURE}


@pytest.mark.parametrize("level", [1.0, -4.0, -7.7])
def test_a_joints_profile_and_a_slice_say_the_same(demo, level):
    result, views = demo
    at = views.at_level(level)
    for k in np.flatnonzero(result.joints["levels_known"] == 1)[::3].tolist():
        if at.state[k] >= 0 and not np.isnan(at.overlap[k]):
            profile = views.joint(k)
            curves = (profile.overlap, profile.sigma, profile.p)
            drawn = [np.interp(-level, -profile.level, values) for values in curves]
            assert np.abs(np.array(drawn) - [at.overlap[k], at.sigma[k], at.p[k]]).max() < 1e-3
            assert abs(drawn[0] - at.overlap[k]) < 1e-4


def test_a_piles_profile_and_the_toes_say_the_same(demo):
    result, views = demo
    toes, piles = views.toes(), result.piles
    away = np.column_stack([toes.e - piles.design_e, toes.n - piles.design_n])
    ends = np.array([views.pile(k).axes.T @ views.pile(k).deviation[-1] for k in range(len(piles))])
    ends[~piles.expected] = np.nan
    np.testing.assert_allclose(ends, away, rtol=0, atol=1e-12)


def test_shots_that_are_used_are_those_of_the_results(demo):
    result, views = demo
    used = sum(int(views.pile(k).shot_used.sum()) for k in range(len(result.piles)))
    assert used == int(result.layers["pickups"].columns["used"].sum())


def test_readings_are_those_of_the_results(demo):
    result, views = demo
    averaged = sum(int(views.pile(k).reading_count.sum()) for k in range(len(result.piles)))
    assert averaged == int(result.layers["readings"].columns["used"].sum())


# ------------------------------------------------------------------------------------------ bands


@pytest.mark.parametrize("seed", range(8))
def test_inside_a_band_a_slice_is_of_its_state(seed):
    result = reconcile(to_survey(random_site(seed)))
    views = views_of(result)
    bands = views.bands()
    thick = np.flatnonzero(bands.top - bands.bottom > 1e-3).tolist()
    assert len(thick) >= len(result.joints)
    odd = [
        (result.joints["joint_id"][bands.joint[k]], level, JOINT_STATES[bands.state[k]])
        for k in thick
        for level in (bands.top[k] - 3e-4, (bands.top[k] + bands.bottom[k]) / 2, bands.bottom[k] + 3e-4)
        if views.at_level(float(level)).state[bands.joint[k]] != bands.state[k]
    ]
    assert odd == []
