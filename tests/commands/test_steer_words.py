"""The answer at the rig in words: its first line, what it must carry, 60 columns, and figures that hold."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from steering_piles import neighbour, pile, read

from asbuilt.columns import SENSES, UNITS
from asbuilt.commands.reader import Reader
from asbuilt.commands.steer_words import ASK, CAUTIONS, answer_lines, answer_object, target
from asbuilt.compute.steering_advice import Lean, advise

READER = Reader(
    bearing_a_deg=0.0,
    bearing_b_deg=90.0,
    unit="mm/m",
    sense="toe",
    level_length_mm=1200.0,
    from_level=4.0,
    towards_pit=True,
)


def words(reading, reader=READER, *, earlier=(), **changes) -> list[str]:
    given = pile(**changes)
    return [*answer_lines(advise(given, reading, earlier), given, reader)]


def line(lines, start) -> str:
    """Return the line that starts with a word, with its continuation."""
    at = next(k for k, text in enumerate(lines) if text.startswith(start))
    rest = itertools.takewhile(lambda text: text.startswith("  "), lines[at + 1 :])
    return " ".join([lines[at], *(text.strip() for text in rest)])


def test_go_on_is_the_whole_first_line():
    lines = words(read(1.0))
    assert lines[:2] == ["go on", "Pile P2: inside the sure window."]
    assert line(lines, "read:") == "read: a 0.0, b +1.0 mm/m, 8.00 m deep"
    # to the edge of the window: 80 mm over 13 m
    assert line(lines, "window:") == "window: inside by 5.2 mm/m"
    assert not [text for text in lines if "to be inside" in text]


def test_a_correction_stands_in_the_first_line_in_the_readers_own_figures():
    lines = words(read(9.0))
    found = re.fullmatch(r"correct by a ([-+0-9.]+), b ([-+0-9.]+) mm/m \(sense toe\)", lines[0])
    inside = re.fullmatch(r"to be inside: a ([-+0-9.]+), b ([-+0-9.]+) mm/m", line(lines, "to be inside"))
    a, b = (float(one) for one in found.groups())
    after = tuple(float(one) for one in inside.groups())
    assert after == pytest.approx((a, 9.0 + b))
    # what is printed lies inside, and would be let go on
    assert advise(pile(), Lean(level=-4.0, slope=np.array([after[1], after[0]]) / 1000)).answer == "go on"
    assert "that is: the toe 5.4 mm/m towards 270 deg" in lines


@pytest.mark.parametrize(
    ("unit", "sense", "bearing"), [*itertools.product(UNITS, SENSES, (0.0, 137.0))], ids=str
)
def test_the_printed_target_is_sure_in_every_unit_and_sense(unit, sense, bearing):
    reader = replace(READER, unit=unit, sense=sense, bearing_a_deg=bearing, bearing_b_deg=(bearing + 270.0) % 360.0)
    given = pile()
    advice = advise(given, read(8.0, 4.0))
    slope = reader.slope(*target(advice, reader))
    assert advice.sure_window.contains(slope)
    # no farther from the nearest lean than the last digit, in 1:n some of its own
    assert np.hypot(*(slope - advice.nearest)) < 0.0005
    lines = [*answer_lines(advice, given, reader)]
    if unit == "1:n":
        # a difference of two readings in 1:n is none: the one to reach
        a, b = (float(one) for one in re.findall(r"[ab] 1:(-?\d+)", lines[0]))
        assert lines[0] == f"correct to a 1:{a:.0f}, b 1:{b:.0f} (sense {sense})"
        assert (a, b) == target(advice, reader)
    else:
        assert lines[0].startswith("correct by a ")
        assert lines[0].endswith(f" {unit} (sense {sense})")


def test_plumb_is_0_in_one_in_n():
    lines = words(read(9.0), replace(READER, unit="1:n"))
    assert re.fullmatch(r"correct to a 0, b 1:\d+ \(sense toe\)", lines[0])


def test_what_is_to_be_checked_stands_under_the_first_line():
    given = pile()
    lines = [*answer_lines(advise(given, read(9.0)), given, READER, check="CHECK THE SENSE: it is another.")]
    assert lines[0].startswith("correct by")
    assert lines[1] == "CHECK THE SENSE: it is another."


def test_a_correction_is_the_least_one():
    assert "least correction: to the edge of the sure window" in words(read(9.0))
    assert not [text for text in words(read(1.0)) if "least correction" in text]


def test_a_trend_that_leads_out_of_the_window_says_from_where():
    # from -9 mm/m at 4 m to 1 at 8 m: 2.5 mm/m for each metre; the window ends at 80 mm over 13 m
    lines = words(read(1.0, level=-4.0), earlier=[read(-9.0, level=0.0)])
    assert "the lean CHANGES" in line(lines, "trend")
    below = 8.0 + (80 / 13 - 1.0) / 2.5
    assert f"at this rate outside the window below {below:.2f} m" in lines


@pytest.mark.parametrize("bearing", [0.0, 60.0, 135.0, 200.0, 300.0])
@pytest.mark.parametrize("changes", [{}, {"neighbours": (), "allowed": (0.02, 0.02)}], ids=["joints", "pit"])
def test_where_a_trend_leaves_the_window_its_lean_is_on_the_edge(bearing, changes):
    way = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    here, above = read(*way, level=-4.0), read(*(-11.0 * way), level=0.0)
    given = pile(**changes)
    (said,) = (text for text in answer_lines(advise(given, here, [above]), given, READER) if "at this rate" in text)
    below = float(re.fullmatch(r"at this rate outside the window below ([0-9.]+) m", said)[1])
    slope = (1.0 + 3.0 * (below - 8.0)) * way / 1000.0
    # 3 mm/m for each metre, the depth to a centimetre
    assert abs(float(advise(given, None).window.margin(slope[None, :])[0])) < 3e-3 * 0.0051


@pytest.mark.parametrize(("newest", "above"), [(1.1, 1.0), (9.0, -9.0), (0.5, -1.0)], ids=["scatter", "out", "toe"])
def test_within_the_scatter_outside_already_or_below_the_toe_no_depth_is_said(newest, above):
    lines = words(read(newest, level=-4.0), earlier=[read(above, level=0.0)])
    assert not [text for text in lines if "at this rate" in text]


def test_sense_top_turns_the_signs_round_but_not_where_the_toe_is_sent():
    toe, top = (words(read(9.0), replace(READER, sense=sense)) for sense in SENSES)
    assert line(toe, "read:").startswith("read: a 0.0, b +9.0")
    assert line(top, "read:").startswith("read: a 0.0, b -9.0")
    assert toe[0] == "correct by a 0.0, b -5.4 mm/m (sense toe)"
    assert top[0] == "correct by a 0.0, b +5.4 mm/m (sense top)"
    assert line(toe, "that is") == line(top, "that is")
    assert line(top, "sense") == "sense top: plus says that the top leans that way"


@pytest.mark.parametrize("b", [90.0, 270.0])
def test_the_directions_are_named_with_the_pit(b):
    lines = words(read(1.0), replace(READER, bearing_b_deg=b))
    assert f"a bears 0.0 (towards the pit), b {b:.1f} deg" in lines


def test_without_a_reading_stop_and_ask_and_no_figure_is_made_up():
    lines = words(None)
    assert lines[0] == "stop and ask: there is no reading"
    assert ASK in lines
    assert not [text for text in lines if "least" in text or "nan" in text]
    assert line(lines, "* P1~P2") == "* P1~P2: P1 as built asks for 50 mm"


def test_an_empty_window_says_what_the_least_bad_lean_gives_up():
    apart = (neighbour("P1", -0.84), neighbour("P3", 0.84))
    lines = words(read(1.0), neighbours=apart)
    assert lines[0].startswith("stop and ask: no lean keeps every joint")
    assert "window: empty" in lines
    # 40 mm of overlap at plumb, 50 asked for
    found = line(lines, "least bad lean")
    assert found.startswith("least bad lean: a 0.0, b 0.0 mm/m. It gives up: P1~P2: 10 mm at ")
    assert "P3~P2: 10 mm at " in found
    assert ASK in lines


def test_beyond_what_can_be_turned_stop_and_ask_with_how_much_there_is():
    lines = words(read(9.0), turn=0.00025)
    assert line(lines, "stop and ask").startswith("stop and ask: the correction is more than can still be turned")
    assert "can still be turned: 2.0 mm/m to the toe" in lines
    assert line(lines, "to be inside:")


def test_a_joint_has_its_least_overlap_band_models_and_where_it_is_lost():
    lines = words(read(9.0))
    # 130 mm less 9 mm for each of 13 m at the foot of the range, 50 asked for after 80 / 9 m
    found = line(lines, "* P1~P2")
    assert "least 13 mm (needs 50) at -9.80 m (13.80 m deep)" in found
    assert "lost from -5.69 m (9.69 m deep) down; NOT SURE" in found
    joint = advise(pile(), read(9.0)).joints[0]
    assert f"{joint.low * 1000:.0f} to {joint.high * 1000:.0f} by the reading" in found
    assert "13 to 13 by lean model" in found
    assert "kept all the way as measured; sure" in line(lines, "* P3~P2")
    assert line(lines, "this lean breaks") == "this lean breaks: P1~P2"


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"is_built": "design", "lean": "design"}, "P1 NOT BUILT YET, taken at design"),
        ({"lean": "assumed"}, "P1 never read, taken as plumb"),
        ({"toe_level": -7.5}, "P1 OPEN below its toe at -7.50 m"),
        ({"counts": False}, "P1 a gap by design, not counted"),
    ],
)
def test_a_neighbour_that_is_not_as_it_should_be_is_marked(change, text):
    assert text in line(words(read(1.0), neighbours=(neighbour("P1", -0.75, **change),)), "* P1~P2")


def test_a_lean_beyond_its_limit_names_it():
    lines = words(read(0.0, 11.0), allowed=(0.02, 0.02))
    assert line(lines, "this lean breaks") == "this lean breaks: verticality, room towards the pit"


@pytest.mark.parametrize(("above", "said"), [(1.2, "no change beyond the scatter"), (-9.0, "the lean CHANGES")])
def test_the_trend_says_whether_the_lean_changed(above, said):
    lines = words(read(1.0, level=-4.0), earlier=[read(above, level=0.0), read(above, level=2.0)])
    found = line(lines, "trend")
    assert said in found
    assert f"since the reading above: a 0.0, b {1.0 - above:+.1f}" in found


def test_a_centre_that_was_never_picked_up_is_told():
    assert "centre: at design: no pickup of it yet" in words(read(1.0), centre_is="design")
    assert "centre: as set out (approved): no pickup of it yet" in words(read(1.0), centre_is="set out")


@pytest.mark.parametrize("reading", [None, read(1.0), read(9.0, 3.0), read(30.0, 30.0)])
@pytest.mark.parametrize("changes", [{}, {"neighbours": (neighbour("P1", -0.86),)}, {"turn": 0.0001}])
@pytest.mark.parametrize("unit", UNITS)
def test_no_line_is_wider_than_sixty_columns_and_every_caution_is_there(reading, changes, unit):
    lines = words(reading, replace(READER, unit=unit), earlier=[read(2.0, level=1.0)], **changes)
    assert max(map(len, lines)) <= 60
    assert set(CAUTIONS) <= set(lines)
    assert (ASK in lines) == lines[0].startswith("stop and ask")


def test_the_object_has_what_scripts_read():
    given = pile()
    advice = advise(given, read(9.0))
    found = answer_object(advice, given, READER)
    assert (found["pile_id"], found["answer"], found["inside"], found["sure"]) == ("P2", "correct", False, False)
    assert found["reading"] == {"e_mm_per_m": 9.0, "n_mm_per_m": 0.0, "level": -4.0, "a": 0.0, "b": 9.0}
    # the plain window ends at 80 mm over 13 m
    assert found["margin_mm_per_m"] == pytest.approx(80 / 13 - 9.0, abs=1e-6)
    assert found["nearest"]["e_mm_per_m"] == pytest.approx(9.0 + found["correction"]["b"], abs=1e-6)
    assert {found["correction"][name] for name in ("unit", "sense")} == {"mm/m", "toe"}
    ring = found["window"]
    assert ring[0] == ring[-1]
    joint = found["joints"][0]
    assert (joint["joint_id"], joint["neighbour"], joint["neighbour_is"]) == ("P1~P2", "P1", "as-built")
    assert (joint["least_overlap_mm"], joint["least_level"]) == pytest.approx((13.0, -9.8))
    assert joint["lost_level"] == pytest.approx(3.2 - 80 / 9)


def test_the_object_of_no_window_and_no_reading_has_nulls_and_empty_rings():
    given = pile(neighbours=(neighbour("P1", -0.84), neighbour("P3", 0.84)))
    empty = answer_object(advise(given, read(1.0)), given, READER)
    assert (empty["window"], empty["sure_window"], empty["margin_mm_per_m"]) == ([], [], None)
    nothing = answer_object(advise(pile(), None), pile(), READER)
    assert (nothing["reading"], nothing["inside"], nothing["margin_mm_per_m"]) == (None, None, None)
    assert nothing["joints"][0]["least_overlap_mm"] is None
