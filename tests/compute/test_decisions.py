"""What becomes of a decision: stands, lapsed, superseded, withdrawn; and which holds the engineer has not lifted."""

from __future__ import annotations

import numpy as np
import pytest
from builders import _table

from asbuilt.compute.decisions import STATES, governing_decisions, judge_decisions, standing_holds

THEN = "verdict=unresolved; least_overlap_mm=61.2"
NOW = {"P1~P2": "a" * 64, "P2~P3": "b" * 64}
FIGURES = {"P1~P2": {"verdict": "unresolved", "least_overlap_mm": 61.2}}


def line(effect, item="P1~P2", **cells):
    bound = {"evidence_sha256": NOW.get(item), "figures": THEN}
    row = {"at": "2025-03-06T09:00", "by": "Ann", "item": item, "effect": effect, "reason": effect, **bound}
    return {**row, **cells}


def judged(*rows, now=NOW, figures=FIGURES, **more):
    table = _table("decisions", list(rows), {}, {})
    return judge_decisions(table, evidence=now.get, figures=lambda item: figures.get(item, {}), **more)


def states(*rows, **more):
    return [(one.state, one.standing) for one in judged(*rows, **more)]


CHANGED = {"P1~P2": "c" * 64}


def test_an_accept_stands_while_its_evidence_is_as_it_was():
    (one,) = judged(line("accept", down_to_level=-3.0, reference=" NCR 7 ", until=None))
    assert (one.state, one.standing, one.changed) == ("stands", True, "")
    assert (one.effect, one.down_to, one.reference, one.until, one.line) == ("accept", -3.0, "NCR 7", "", 2)
    assert one.at == np.datetime64("2025-03-06T09:00", "ms")


def test_an_accept_lapses_when_an_input_changes_and_says_that_it_is_worse():
    worse = {"P1~P2": {"verdict": "outside", "least_overlap_mm": 12.0}}
    (one,) = judged(line("accept"), now=CHANGED, figures=worse)
    assert (one.state, one.standing) == ("changed, worse", False)
    assert one.changed == "verdict unresolved -> outside, least overlap 61.2 -> 12.0 mm"
    assert one.text == (
        "accept by Ann, 2025-03-06: accept; changed, worse: verdict unresolved -> outside, "
        "least overlap 61.2 -> 12.0 mm"
    )


def test_an_accept_lapses_also_when_the_item_is_better():
    better = {"P1~P2": {"verdict": "within", "least_overlap_mm": 99.0}}
    (one,) = judged(line("accept"), now=CHANGED, figures=better)
    assert (one.state, one.standing) == ("changed, no worse", False)
    assert one.changed == "verdict unresolved -> within, least overlap 61.2 -> 99.0 mm"


def test_an_accept_lapses_also_when_no_figure_differs():
    assert states(line("accept"), now=CHANGED) == [("changed, no worse", False)]


def test_without_figures_it_is_not_told_whether_it_is_worse():
    assert states(line("accept", figures=None), now=CHANGED) == [("changed", False)]


def test_an_accept_that_names_no_evidence_never_stands():
    assert states(line("accept", evidence_sha256=None)) == [("not bound", False)]


def test_an_accept_of_what_is_not_there_does_not_stand():
    assert states(line("accept", item="P9")) == [("no such item", False)]


@pytest.mark.parametrize(
    ("cells", "now", "state"),
    [
        ({}, NOW, "stands"),
        ({}, CHANGED, "changed, no worse"),
        ({"evidence_sha256": None}, NOW, "not bound"),
        ({"figures": None}, CHANGED, "changed"),
        ({}, {}, "no such item"),
    ],
)
def test_a_hold_stays_whatever_becomes_of_its_item(cells, now, state):
    found = judged(line("hold", **cells), now=now)
    assert [(one.state, one.standing) for one in found] == [(state, True)]
    assert standing_holds(found) == found


def test_a_later_decision_takes_the_place_of_an_earlier_one_on_the_same_item_only():
    found = judged(line("accept", down_to_level=-3.0), line("accept", item="P2~P3"), line("accept"))
    assert [(one.state, one.standing) for one in found] == [("superseded", False), ("stands", True), ("stands", True)]
    assert [one.down_to for one in governing_decisions(found).values()] == [None, None]


def test_an_accept_that_stands_lifts_a_hold():
    found = judged(line("hold"), line("accept"))
    assert [one.standing for one in found] == [False, True]
    assert standing_holds(found) == ()


def test_an_accept_that_lapsed_leaves_the_hold_that_was_there_before_it():
    found = judged(line("hold", reason="leaks"), line("accept"), now=CHANGED)
    assert [one.standing for one in found] == [True, False]
    assert [one.reason for one in standing_holds(found)] == ["leaks"]
    assert governing_decisions(found)["P1~P2"].effect == "accept"


def test_an_accept_down_to_a_level_leaves_the_hold_for_what_is_deeper():
    found = judged(line("hold", reason="leaks"), line("accept", down_to_level=-3.0))
    assert [one.standing for one in found] == [True, True]
    assert [one.reason for one in standing_holds(found)] == ["leaks"]


def test_a_hold_takes_the_place_of_an_accept_and_of_another_hold():
    assert states(line("accept"), line("hold"), line("hold")) == [
        ("superseded", False),
        ("superseded", False),
        ("stands", True),
    ]


def test_a_withdrawal_takes_an_accept_back():
    found = judged(line("accept"), line("withdraw"))
    assert [(one.state, one.standing) for one in found] == [("superseded", False), ("withdraws", True)]
    assert governing_decisions(found) == {}


def test_a_withdrawal_takes_a_hold_back():
    found = judged(line("hold"), line("withdraw"))
    assert standing_holds(found) == ()
    assert governing_decisions(found) == {}


def test_when_an_accept_is_withdrawn_a_hold_before_it_is_there_again():
    found = judged(line("hold", reason="leaks"), line("accept"), line("withdraw"))
    assert [one.reason for one in standing_holds(found)] == ["leaks"]
    again = judged(line("hold"), line("accept"), line("withdraw"), line("withdraw"))
    assert standing_holds(again) == ()


def test_when_an_accept_is_withdrawn_an_earlier_accept_does_not_come_back():
    """It would lift what nobody lifts now."""
    found = judged(line("accept"), line("accept", down_to_level=-3.0), line("withdraw"))
    assert governing_decisions(found) == {}


def test_a_decision_after_a_withdrawal_counts():
    assert states(line("hold"), line("withdraw"), line("accept"))[2] == ("stands", True)


# ---------------------------------------------------------------------------------------- a file that was edited


def edited(*rows: tuple[str, str]):
    """Judge rows, each an effect with "kept" for a line as it was recorded, or "new"."""
    unproved = np.array([how == "new" for _, how in rows])
    return judged(*(line(effect, reason=how) for effect, how in rows), unproved=unproved)


@pytest.mark.parametrize("how", ["kept", "new"])
def test_in_a_file_that_was_edited_no_accept_counts(how):
    (one,) = edited(("accept", how))
    assert (one.state, one.standing) == ("file was edited", False)
    assert governing_decisions((one,)) == {"P1~P2": one}


@pytest.mark.parametrize("how", ["kept", "new"])
def test_in_a_file_that_was_edited_a_hold_counts(how):
    found = edited(("hold", how))
    assert [(one.state, one.standing) for one in found] == [("stands", True)]


@pytest.mark.parametrize("effect", ["accept", "withdraw"])
def test_what_was_not_recorded_lifts_no_hold(effect):
    found = edited(("hold", "kept"), (effect, "new"))
    assert [one.reason for one in standing_holds(found)] == ["kept"]
    assert (found[1].state, found[1].standing) == ("file was edited", False)


def test_an_accept_that_was_recorded_leaves_the_hold_before_it():
    assert [one.effect for one in standing_holds(edited(("hold", "kept"), ("accept", "kept")))] == ["hold"]


def test_a_withdrawal_that_was_recorded_counts():
    assert standing_holds(edited(("hold", "kept"), ("withdraw", "kept"))) == ()


def test_a_hold_put_in_by_hand_behind_a_recorded_withdrawal_counts():
    found = edited(("hold", "kept"), ("withdraw", "kept"), ("hold", "new"))
    assert [one.reason for one in standing_holds(found)] == ["new"]


def test_every_state_is_explained():
    worse = {"P1~P2": {"verdict": "outside"}}
    seen = {
        state
        for found in (
            states(line("accept"), line("accept")),
            states(line("accept"), now=CHANGED),
            states(line("accept"), now=CHANGED, figures=worse),
            states(line("accept", figures=None), now=CHANGED),
            states(line("accept", item="P9"), line("accept", evidence_sha256=None)),
            states(line("hold"), line("withdraw")),
            states(line("accept"), unproved=np.array([False])),
        )
        for state, _ in found
    }
    assert seen == set(STATES)


def test_no_decision_is_none():
    assert judged() == ()
