"""Blank cards: limits that hold on their own, in every unit and sense, and what the lines carry."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
import rig_pages
from steering_piles import neighbour, pile

from asbuilt.columns import SENSES, TABLES, UNITS
from asbuilt.commands.reader import Reader
from asbuilt.commands.steer_card import card_object, limits_of
from asbuilt.compute.steering import sure_window

READER = Reader(
    bearing_a_deg=20.0, bearing_b_deg=110.0, unit="mm/m", sense="toe", level_length_mm=1200.0, from_level=4.0
)
GIVEN = pile(neighbours=(neighbour("P1", -0.75, slope=(0.002, 0.001)), neighbour("P3", 0.75)))


@pytest.mark.parametrize(("unit", "sense"), [*itertools.product(UNITS, SENSES)])
@pytest.mark.parametrize("b", [110.0, 290.0])
def test_every_reading_within_both_limits_is_sure(unit, sense, b):
    reader = replace(READER, unit=unit, sense=sense, bearing_b_deg=b)
    limits = limits_of(GIVEN, reader)
    assert [one.depth for one in limits] == [2.0, 4.0, 8.0, 16.0]
    for one in limits:
        window = sure_window(GIVEN, read_to=4.0 - one.depth)
        for a, b_value in itertools.product(one.a, one.b):
            assert window.contains(reader.slope(a, b_value)), (one.name, a, b_value)


def test_limits_are_not_needlessly_narrow():
    """Rounded inwards by less than a digit on each side: a digit farther on all sides a corner is not sure."""
    for one in limits_of(GIVEN, READER):
        window = sure_window(GIVEN, read_to=4.0 - one.depth)
        wider = [(low - 0.1, high + 0.1) for low, high in (one.a, one.b)]
        corners = [READER.slope(*both) for both in itertools.product(*wider)]
        assert not np.all(window.contains(np.array(corners)))


def test_sense_top_turns_the_limits_round():
    toe, top = (limits_of(GIVEN, replace(READER, sense=sense))[1] for sense in SENSES)
    assert top.a == (-toe.a[1], -toe.a[0])
    assert top.b == (-toe.b[1], -toe.b[0])


def test_the_limits_of_a_depth_hold_farther_down():
    limits = limits_of(GIVEN, READER)
    for upper, lower in itertools.pairwise(limits):
        window = sure_window(GIVEN, read_to=4.0 - lower.depth)
        assert all(window.contains(READER.slope(*both)) for both in itertools.product(upper.a, upper.b))


def test_where_no_lean_is_sure_there_are_no_limits():
    # 60 mm at plumb with 50 asked for
    limits = limits_of(pile(neighbours=(neighbour("P1", -0.82), neighbour("P3", 0.82))), READER)
    assert [(one.a, one.b) for one in limits] == [(None, None)] * 4


def test_a_short_pile_has_no_limits_below_its_toe():
    limits = limits_of(pile(toe=-1.0, neighbours=()), READER)
    assert [one.name for one in limits] == ["2 m", "4 m", "toe, 5.00 m"]


def test_the_lines_carry_the_columns_of_the_tilts_table_in_its_order():
    (card, *_), _ = rig_pages.cards("demo", ("A132", "A066"))
    assert ("pile_id", *card.columns) == tuple(one.name for one in TABLES["tilts"].columns)
    assert card.written == {
        "unit": "deg",
        "bearing_a_deg": "62.0",
        "bearing_b_deg": "152.0",
        "sense": "top",
        "from_level": "4.00",
        "attempt": "1",
    }


def test_the_sketch_has_the_neighbours_where_they_are_seen_from_the_pile():
    (card,), _ = rig_pages.cards("small", ("P8",))
    (beside,) = card.neighbours
    # a is towards the pit, north; b east; P7 stands 750 mm west and is not built
    assert beside.at == pytest.approx([0.0, -0.75])
    assert (beside.name, beside.built) == ("P7 (not built)", False)
    assert card.pits[0] == pytest.approx([1.0, 0.0])


def test_a_card_says_what_it_was_made_for():
    (card,), _ = rig_pages.cards("small", ("P8",))
    assert card.made_for == (
        "Made for the centre at design, no pickup of it yet. After a pickup of it or of a neighbour: print a new card.",
        "Neighbours assumed: P7 at design (not built).",
    )


def test_the_object_of_a_card_has_its_limits():
    (card, *_), _ = rig_pages.cards("demo", ("A132", "A066"))
    found = card_object(card)
    assert (found["pile_id"], found["unit"], found["sense"]) == ("A132", "deg", "top")
    assert [one["depth"] for one in found["limits"]] == [2.0, 4.0, 8.0, 16.0]
    assert found["limits"][0]["a"] == card.limits[0].a
