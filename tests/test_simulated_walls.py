"""Simulated walls: the same seed drills the same wall, the crew knows only what it measures, and truth is geometry."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simulated_walls
from simulated_walls import ARMS, NODES, Draws, World, drill, judged_sure_to, outcome, true_overlaps

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from worth_of_steering import interval

RING = World(piles=8)
OPEN = World(layout="straight", piles=5)
STEERED, LEFT = {"steered": True, "adjusted": False}, {"steered": False, "adjusted": False}
ADJUSTED, BOTH = {"steered": False, "adjusted": True}, {"steered": True, "adjusted": True}


def with_draw(draws, name, at, values):
    """Draws with one of them set."""
    changed = getattr(draws, name).copy()
    changed[at] = values
    return replace(draws, **{name: changed})


def leaning(pile, mm_per_m, piles=5):
    """An open wall without errors, but for the lean of one pile towards the next one."""
    start = np.array([mm_per_m / 1000 / OPEN.lean, 0.0])
    return with_draw(Draws.none(piles), "lean", (pile, 0), start)


# ------------------------------------------------------------------------------------------------ truth


@pytest.mark.parametrize("arm", ARMS)
@pytest.mark.parametrize("world", [RING, OPEN, replace(RING, bends=True), replace(RING, redrill=True)])
def test_without_errors_nothing_is_lost_nor_turned_nor_moved(world, arm):
    steered, adjusted = ARMS[arm]
    wall = drill(world, Draws.none(world.piles), steered=steered, adjusted=adjusted)
    assert true_overlaps(wall).tolist() == pytest.approx([0.13] * (8 if world.layout == "ring" else 4), abs=1e-9)
    found = outcome(wall)
    assert (found.lost, found.open, found.not_sure, found.corrections, found.stops, found.moved) == (0, 0, 0, 0, 0, 0)


def test_true_overlaps_of_a_leaning_pile_are_those_worked_out_by_hand():
    wall = drill(OPEN, leaning(1, 8.0), **LEFT)
    # 13.5 m below the platform it has run 108 mm towards P3, 0.8 m below it 6.4 mm: the least is where it is farthest
    assert (1000 * true_overlaps(wall)).tolist() == pytest.approx([130 - 108, 130 + 6.4, 130, 130], abs=1e-6)
    found = outcome(wall)
    assert (found.lost, found.open) == (1, 0)


def test_a_joint_is_open_where_the_circles_no_longer_touch():
    assert outcome(drill(OPEN, leaning(1, 10.0), **LEFT)).open == 1


def test_a_straight_casing_takes_the_lean_at_its_toe_and_a_bent_hole_stays_where_it_was_drilled():
    # plumb down to 10 m, then 4 mm/m more
    draws = with_draw(Draws.none(5), "walk", (1, 0, 4, 0), 0.004 / (OPEN.wander * np.sqrt(3.0)))
    straight, bent = (drill(replace(OPEN, bends=bends), draws, **LEFT) for bends in (False, True))
    run = [1000 * (wall.axis[1, :, 0] - wall.centre[1, 0]) for wall in (straight, bent)]
    assert run[0].tolist() == pytest.approx((4 * NODES).tolist(), abs=1e-6)
    # from 10 to 13 m the lean grows from 0 to 4 mm/m, then it stays
    assert run[1].tolist() == pytest.approx([0, 0, 0, 0, 0, 6, 18], abs=1e-6)


# --------------------------------------------------------------------------------------- the same for the same


def test_the_same_seed_drills_the_same_wall():
    first, again = (drill(RING, Draws.of(5, 8), **BOTH) for _ in range(2))
    assert (first.axis == again.axis).all()
    assert outcome(first) == outcome(again)
    assert (first.axis != drill(RING, Draws.of(6, 8), **BOTH).axis).any()


def test_arms_share_their_draws():
    """What no advice touches is the same in each arm: where the primaries' casings stand."""
    centres = [drill(RING, Draws.of(5, 8), steered=s, adjusted=a).centre for s, a in ARMS.values()]
    assert all((centre[::2] == centres[0][::2]).all() for centre in centres)
    assert (centres[0] == centres[1]).all()
    assert (centres[0] != centres[2]).any()


# ------------------------------------------------------------------------------------- only what is measured


def test_steering_knows_nothing_but_readings():
    """A lean that the instrument hides is not steered: what is true differs, readings and turns do not."""
    draws = Draws.of(5, 8)
    hidden = np.array([0.002, -0.001])
    other = replace(draws, lean=draws.lean + hidden / RING.lean, systematic=draws.systematic - hidden / RING.systematic)
    wall, misled = drill(RING, draws, **STEERED), drill(RING, other, **STEERED)
    assert readings(misled) == pytest.approx(readings(wall), abs=1e-6)
    assert misled.answers == wall.answers
    assert wall.answers["correct"] > 0
    assert misled.axis == pytest.approx(wall.axis + np.outer(NODES, hidden), abs=1e-9)


def readings(wall):
    """Return the readings of a wall in the order in which they were taken (k, 2) [mm/m]."""
    return np.array([(row["tilt_a"], row["tilt_b"]) for row in wall.tilts])


def test_setting_out_knows_nothing_but_pickups_and_readings():
    draws = Draws.of(5, 8)
    hidden = np.array([0.004, 0.003])
    other = replace(
        draws,
        placing=draws.placing + hidden / np.where(np.arange(8) % 2, *RING.placing[::-1])[:, None, None],
        pickup=draws.pickup - hidden / RING.pickup,
    )
    wall, misled = drill(RING, draws, **ADJUSTED), drill(RING, other, **ADJUSTED)
    assert len(wall.approved) > 0
    assert misled.set_out == pytest.approx(wall.set_out, abs=1e-6)
    assert misled.centre == pytest.approx(wall.centre + hidden, abs=1e-6)


# ------------------------------------------------------------------------------------------ answers are followed


def test_a_casing_is_turned_no_faster_than_it_can_be():
    wall = drill(replace(OPEN, turn_error=0.0), leaning(1, 8.0), **STEERED)
    read = [row["tilt_a"] for row in wall.tilts if row["pile_id"] == "A2"]
    # 8 mm/m at 2 m; then 1 mm/m for each of 2 m, and again while it is outside
    assert read[:2] == pytest.approx([8.0, 6.0])
    assert 3.0 <= read[2] < 6.0
    assert wall.answers["correct"] >= 2
    assert true_overlaps(wall)[0] > true_overlaps(drill(OPEN, leaning(1, 8.0), **LEFT))[0] + 0.04


def test_the_last_correction_is_made_once_down_to_the_toe(monkeypatch):
    told, advise = [], simulated_walls.steering_advice.advise
    monkeypatch.setattr(
        simulated_walls.steering_advice, "advise", lambda *given: told.append(advise(*given)) or told[-1]
    )
    # plumb down to 7 m, 5 mm/m towards P3 at 10 m
    draws = with_draw(Draws.none(5), "walk", (1, 0, 3, 0), 0.005 / (OPEN.wander * np.sqrt(3.0)))
    wall = drill(replace(OPEN, turn_error=0.0), draws, **STEERED)
    (turn,) = [one.correction[0] for one in told if one.answer == "correct"]
    assert -0.003 < turn < -0.0005
    assert wall.axis[1, -1, 0] - wall.centre[1, 0] == pytest.approx(16 * (0.005 + turn))


def test_a_turn_misses_by_its_share():
    draws = with_draw(leaning(1, 8.0), "turning", (1, 0, 1), [0.0, 1.0])
    wall = drill(OPEN, draws, **STEERED)
    second = [row for row in wall.tilts if row["pile_id"] == "A2"][1]
    # 2 mm/m turned, a fifth of it to the side
    assert (second["tilt_a"], second["tilt_b"]) == pytest.approx((6.0, 0.4))


def test_a_pile_that_stops_is_left_or_drilled_once_more():
    world = replace(OPEN, turn=0.0001)
    draws = leaning(1, 8.0)
    stopped = drill(world, draws, **STEERED)
    assert stopped.stopped == {1}
    assert outcome(stopped).cannot_turn == stopped.answers["stop and ask"] == 4
    assert stopped.axis[1, -1, 0] - stopped.centre[1, 0] == pytest.approx(0.128)
    # the second attempt leans by nothing
    again = drill(replace(world, redrill=True), draws, **STEERED)
    assert (again.redrilled, again.answers["stop and ask"]) == (1, 1)
    assert [row["tilt_a"] for row in again.tilts if row["pile_id"] == "A2"] == pytest.approx([0.0] * 4)
    assert outcome(again).lost == 0


def test_a_secondary_between_primaries_that_moved_apart_is_set_out_half_way():
    draws = with_draw(Draws.none(5), "placing", (0, 0), [-0.024 / OPEN.placing[0], 0.0])
    wall = drill(OPEN, draws, **ADJUSTED)
    assert [row["pile_id"] for row in wall.approved] == ["A2"]
    assert (1000 * (wall.set_out[1, 0] - 1000.75), wall.set_out[1, 1]) == pytest.approx((-12.0, 2000.0), abs=1e-3)
    assert (1000 * true_overlaps(wall)).tolist() == pytest.approx([118, 118, 130, 130], abs=1e-3)


def test_what_the_tool_is_not_sure_of_is_counted():
    """60 mm left of 50 asked for, 12 m down: true, but not sure."""
    wall = drill(OPEN, leaning(1, 70 / 13.5), **LEFT)
    assert 1000 * true_overlaps(wall)[0] == pytest.approx(60)
    assert judged_sure_to(wall)[0] > simulated_walls.FORMATION
    found = outcome(wall)
    assert (found.lost, found.not_sure, found.missed) == (0, 1, 0)


# --------------------------------------------------------------------------------------------------- intervals


def test_a_share_lies_within_its_interval_and_more_walls_narrow_it():
    few = interval([0, 4, 1, 3] * 3, [16] * 12)
    many = interval([0, 4, 1, 3] * 30, [16] * 120)
    assert few.value == many.value == 0.125
    assert few.low < few.value < few.high
    assert many.high - many.low == pytest.approx((few.high - few.low) / np.sqrt(10), rel=0.1)


def test_walls_that_differ_widen_the_interval():
    """As many lost, evenly or in one wall of four: joints of a wall are not independent."""
    even, clustered = interval([2, 2, 1, 3] * 5, [16] * 20), interval([0, 0, 0, 8] * 5, [16] * 20)
    assert even.value == clustered.value
    assert clustered.high - clustered.low > 4 * (even.high - even.low)


def test_a_difference_is_taken_wall_by_wall():
    counts = [5, 1, 9, 3]
    less = interval(counts, [16] * 4, beside=[count + 1 for count in counts])
    assert (less.value, less.low, less.high) == (-0.0625, -0.0625, -0.0625)


def test_never_seen_is_not_never():
    never = interval([0] * 10, [32] * 10)
    assert (never.value, never.low) == (0.0, 0.0)
    assert (1 - never.high) ** 320 == pytest.approx(0.025)
