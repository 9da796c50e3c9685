"""What changed from one state to another: verdicts, figures within a verdict, decisions that lapsed."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of, piles_of

from asbuilt.compute.changes import changes_between
from asbuilt.model import Decision

DESIGN = to_survey(Site(toml=site_file(), design=straight_wall(3))).design
OUTSIDE = {"verdict": ["outside", "within"], "least_overlap_mm": [30.0, 90.0], "lost_level": [-6.22, float("nan")]}
ITEM = {"item": "P1~P2", "effect": "accept", "by": "Ann", "reason": "grouted", "at": np.datetime64("2025-03-06", "ms")}


def state(decisions=(), **joint):
    joints = joints_of(DESIGN, [(0, 1), (1, 2)], **{**OUTSIDE, "least_level": -9.5, "p_interlock": 0.5, **joint})
    piles = piles_of(DESIGN, verdict=["within"] * 3)
    return SimpleNamespace(
        as_of=np.datetime64("2025-03-05", "ms"), piles=piles, joints=joints, decisions=decisions, stages=()
    )


def found(**now):
    return [(one.item, one.was == one.now, one.worse) for one in changes_between(state(), state(**now)).items]


def decision(state_name, **more):
    given = {"down_to": None, "until": "", "reference": "", "evidence_sha256": "", "figures": "", "standing": False}
    return Decision(**{**ITEM, **given, "state": state_name, **more})


def test_nothing_changed_is_nothing():
    changes = changes_between(state(), state())
    assert (changes.items, changes.lapsed) == ((), ())


@pytest.mark.parametrize(
    ("now", "worse"),
    [
        ({"lost_level": [-3.26, float("nan")]}, True),
        ({"lost_level": [-7.0, float("nan")]}, False),
        ({"least_overlap_mm": [29.9, 90.0]}, True),
        ({"least_overlap_mm": [35.0, 90.0], "p_interlock": 0.4}, True),
        ({"open_level": [-7.62, float("nan")]}, True),
    ],
)
def test_within_a_verdict_an_item_is_worse_or_better_by_its_figures(now, worse):
    assert found(**now)[0] == ("P1~P2", True, worse)


@pytest.mark.parametrize(
    "now",
    [
        {"lost_level": [-6.2249, float("nan")]},
        {"least_overlap_mm": [29.96, 90.0]},
        {"p_interlock": 0.49996},
        {"least_level": -9.0},
    ],
)
def test_what_nobody_reads_and_what_is_neither_better_nor_worse_is_no_change(now):
    assert found(**now) == []


@pytest.mark.parametrize(
    ("verdicts", "item", "worse"),
    [(["within", "within"], "P1~P2", False), (["outside", "unresolved"], "P2~P3", True)],
)
def test_by_another_verdict_it_is_worse_or_better_whatever_its_figures(verdicts, item, worse):
    assert found(verdict=verdicts, p_interlock=0.5) == [(item, False, worse)]


def test_what_got_better_comes_last():
    now = {"verdict": ["outside", "unresolved"], "lost_level": [-7.0, float("nan")]}
    assert [name for name, _, _ in found(**now)] == ["P2~P3", "P1~P2"]


@pytest.mark.parametrize("then", ["stands", None])
@pytest.mark.parametrize("now", ["changed, worse", "changed, no worse", "changed", "file was edited"])
def test_an_accept_that_lapsed_is_listed_also_where_it_was_made_since(then, now):
    before = state([] if then is None else [decision(then, standing=True)])
    assert changes_between(before, state([decision(now)])).lapsed == ("P1~P2",)


@pytest.mark.parametrize(
    "now",
    [decision("changed, worse"), decision("superseded"), decision("stands", standing=True), decision("not bound")],
    ids=lambda one: one.state,
)
def test_what_had_lapsed_then_or_did_not_lapse_is_not_listed(now):
    assert changes_between(state([decision("changed, worse")]), state([now])).lapsed == ()


def test_a_hold_does_not_lapse():
    assert changes_between(state(), state([decision("changed, worse", effect="hold", standing=True)])).lapsed == ()
