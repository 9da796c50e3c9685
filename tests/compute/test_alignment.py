"""Wall axes, sides and joints of walls whose directions are known by sight."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey

from asbuilt.compute.alignment import align, wall_levels

LEFT = '[walls.A]\nclosed = false\npit_side = "left"'
RIGHT = '[walls.A]\nclosed = false\npit_side = "right"'
RING = "[walls.A]\nclosed = true"


def wall_through(*points, wall="A", first=1):
    """Design rows of one wall through points, in their order."""
    rows = straight_wall(len(points))
    for place, (row, (e, n)) in enumerate(zip(rows, points, strict=True)):
        row.update(wall=wall, easting=e, northing=n, pile_id=f"{wall}{first + place}")
    return rows


def aligned(design, walls=LEFT):
    survey = to_survey(Site(toml=site_file(walls=walls), design=design))
    table = survey.design
    return align(table, survey.settings, e=table["easting"] - survey.origin[0], n=table["northing"] - survey.origin[1])


def pairs(line):
    return list(zip(line.joint_a.tolist(), line.joint_b.tolist(), strict=True))


STRAIGHT = [(0, 0), (0.75, 0), (1.5, 0)]
CORNER = [(0, 0), (1, 0), (2, 0), (2, 1), (2, 2)]
SQUARE = [(0, 0), (1, 0), (2, 0), (2, 1), (2, 2), (1, 2), (0, 2), (0, 1)]


@pytest.mark.parametrize(("walls", "pit"), [(LEFT, (0, 1)), (RIGHT, (0, -1))])
def test_pit_of_an_open_wall_is_on_the_stated_side_in_the_order_of_position(walls, pit):
    assert aligned(wall_through(*STRAIGHT), walls).pit == pytest.approx(np.tile(pit, (3, 1)))


def test_along_points_in_the_order_of_position():
    design = wall_through(*STRAIGHT)
    for row in design:
        row["position"] = 10 - row["position"]
    assert aligned(design).along == pytest.approx(np.tile((-1, 0), (3, 1)))


def test_along_at_a_corner_halves_the_turn():
    assert aligned(wall_through(*CORNER)).along[2] == pytest.approx([math.sqrt(0.5), math.sqrt(0.5)])


def test_pit_at_a_corner_halves_the_turn():
    assert aligned(wall_through(*CORNER)).pit[2] == pytest.approx([-math.sqrt(0.5), math.sqrt(0.5)])


@pytest.mark.parametrize(("name", "normal"), [("pit_1", (0, 1)), ("pit_2", (-1, 0))])
def test_normals_of_the_two_sides_that_meet_at_a_corner(name, normal):
    assert getattr(aligned(wall_through(*CORNER)), name)[2] == pytest.approx(normal, abs=1e-15)


def test_a_free_end_has_its_one_side_twice():
    line = aligned(wall_through(*CORNER))
    assert np.array([line.pit_1[0], line.pit_2[0], line.pit_1[-1], line.pit_2[-1]]) == pytest.approx(
        np.array([(0, 1), (0, 1), (-1, 0), (-1, 0)]), abs=1e-15
    )


def test_turn_is_the_angle_between_the_two_sides():
    line = aligned(wall_through((0, 0), (1, 0), (2, 0.2), (2, 1.2)))
    assert line.turn_deg == pytest.approx([0, math.degrees(math.atan(0.2)), 90 - math.degrees(math.atan(0.2)), 0])


@pytest.mark.parametrize("order", [1, -1], ids=["counter-clockwise", "clockwise"])
def test_pit_of_a_closed_wall_is_its_inside(order):
    points = SQUARE[::order]
    line = aligned(wall_through(*points), RING)
    inwards = np.array([1.0, 1.0]) - points
    assert np.all(np.sum(line.pit * inwards, axis=1) > 0.99)


def test_a_closed_wall_ties_its_last_pile_to_its_first():
    assert pairs(aligned(wall_through(*SQUARE), RING)) == [(k, (k + 1) % 8) for k in range(8)]


def test_an_open_wall_has_one_joint_less_than_piles():
    assert pairs(aligned(wall_through(*STRAIGHT))) == [(0, 1), (1, 2)]


def test_joints_follow_the_position_whatever_the_order_of_rows():
    design = wall_through(*STRAIGHT)
    assert pairs(aligned([design[2], design[0], design[1]])) == [(1, 2), (2, 0)]


def test_sides_end_at_corners_which_belong_to_none():
    assert aligned(wall_through(*CORNER)).side.tolist() == [0, 0, -1, 1, 1]


@pytest.mark.parametrize(("turn", "sides"), [(29.9, [0, 0, 0]), (30.1, [0, -1, 1])])
def test_a_corner_turns_by_more_than_30_degrees(turn, sides):
    angle = math.radians(turn)
    assert aligned(wall_through((0, 0), (1, 0), (1 + math.cos(angle), math.sin(angle)))).side.tolist() == sides


def test_the_side_on_which_a_ring_begins_is_one():
    # counting begins in the middle of a side: its two halves have one number
    side = aligned(wall_through(*[*SQUARE[1:], SQUARE[0]]), RING).side
    assert side[0] >= 0
    assert [int(k) for k in np.flatnonzero(side == -1)] == [1, 3, 5, 7]


def test_a_ring_without_corners_is_one_side():
    points = [(5 * math.cos(k * 0.2 * math.pi / 2), 5 * math.sin(k * 0.2 * math.pi / 2)) for k in range(20)]
    assert set(aligned(wall_through(*points), RING).side.tolist()) == {0}


def test_sides_of_two_walls_differ():
    design = [*wall_through(*STRAIGHT), *wall_through(*[(e, 9) for e, _ in STRAIGHT], wall="B")]
    walls = LEFT + "\n" + LEFT.replace("walls.A", "walls.B")
    assert aligned(design, walls).side.tolist() == [0, 0, 0, 1, 1, 1]


def test_spacing_to_the_next_pile():
    assert aligned(wall_through((0, 0), (0.75, 0), (0.75, 0.6))).spacing_next == pytest.approx(
        [0.75, 0.6, math.nan], nan_ok=True
    )


def test_spacing_of_the_last_pile_of_a_ring_is_to_the_first():
    assert aligned(wall_through((0, 0), (0.75, 0), (0.75, 0.6)), RING).spacing_next[-1] == pytest.approx(
        math.hypot(0.75, 0.6)
    )


def test_spacing_keeps_its_digits_at_map_size_coordinates():
    design = straight_wall(2, spacing=0.75, e0=500_000.125, n0=6_000_000.25)
    assert aligned(design).spacing_next[0] == pytest.approx(0.75, abs=1e-9)


# ------------------------------------------------------------------------------------------ omitted, added, alone


def with_omitted():
    design = wall_through(*STRAIGHT, (2.25, 0))
    design[1]["status"] = "omitted"
    return design


def test_the_gap_of_an_omitted_pile_is_a_joint():
    assert pairs(aligned(with_omitted())) == [(0, 2), (2, 3)]


def test_an_omitted_pile_is_not_expected():
    assert aligned(with_omitted()).expected.tolist() == [True, False, True, True]


def test_an_omitted_pile_has_no_axes():
    assert np.isnan(aligned(with_omitted()).pit[1]).all()


def test_spacing_goes_across_the_gap_of_an_omitted_pile():
    assert aligned(with_omitted()).spacing_next[0] == pytest.approx(1.5)


def with_added(*extra, corner=False):
    design = wall_through(*(CORNER if corner else STRAIGHT))
    design.append({**design[0], "pile_id": "X1", "status": "added", "position": None, "easting": 0.4, "northing": -0.6})
    return design, f"{LEFT}\nextra_joints = {[list(pair) for pair in extra]}".replace("'", '"')


def test_an_added_pile_joins_through_extra_joints_only():
    design, walls = with_added(("X1", "A2"))
    assert pairs(aligned(design, walls)) == [(0, 1), (1, 2), (3, 1)]


def test_an_added_pile_without_an_extra_joint_has_no_axes():
    design, walls = with_added()
    assert np.isnan(aligned(design, walls).along[3]).all()


@pytest.mark.parametrize("name", ["along", "pit", "pit_1", "pit_2", "turn_deg"])
def test_an_added_pile_borrows_the_axes_of_the_pile_it_is_tied_to(name):
    design, walls = with_added(("A3", "X1"), corner=True)
    values = getattr(aligned(design, walls), name)
    assert values[5] == pytest.approx(values[2])


def test_an_extra_joint_with_an_omitted_pile_is_none():
    design, walls = with_added(("X1", "A2"))
    design[1]["status"] = "omitted"
    assert pairs(aligned(design, walls)) == [(0, 2)]


def test_one_pile_has_no_axes():
    assert np.isnan(aligned(wall_through((0, 0))).pit).all()


def test_one_pile_has_no_joint():
    assert pairs(aligned(wall_through((0, 0)))) == []


# ------------------------------------------------------------------------------------------ axes of joints


def test_joint_axes_at_the_sides_of_a_corner():
    line = aligned(wall_through(*CORNER))
    assert line.joint_pit == pytest.approx(np.array([(0, 1), (0, 1), (-1, 0), (-1, 0)]), abs=1e-15)


def test_joint_along_points_from_the_first_pile_to_the_second():
    assert aligned(wall_through(*CORNER)).joint_along[2] == pytest.approx([0, 1], abs=1e-15)


def test_pit_of_a_joint_named_against_the_wall_stays_on_the_pit_side():
    design, walls = with_added(("A3", "X1"))
    line = aligned(design, walls)
    # the joint runs back west and south; its normal still looks at the pit, to the north
    assert line.joint_pit[2] == pytest.approx(np.array([-0.6, 1.1]) / math.hypot(0.6, 1.1))


TWO_WALLS = (
    '[walls.A]\nclosed = false\npit_side = "left"\nextra_joints = [["A3", "B1"]]\n'
    '[walls.B]\nclosed = false\npit_side = "right"\n'
)


def two_walls():
    return [*wall_through(*STRAIGHT), *wall_through((2.2, -0.1), (2.9, -0.1), wall="B")]


def test_an_extra_joint_ties_two_walls():
    assert pairs(aligned(two_walls(), TWO_WALLS)) == [(0, 1), (1, 2), (3, 4), (2, 3)]


@pytest.mark.parametrize(("pair", "sign"), [('["A3", "B1"]', 1), ('["B1", "A3"]', -1)])
def test_the_wall_of_the_first_pile_gives_the_pit_side_of_a_joint_between_walls(pair, sign):
    line = aligned(two_walls(), TWO_WALLS.replace('["A3", "B1"]', pair))
    assert np.sign(line.joint_pit[-1][1]) == sign


def test_levels_of_a_wall_replace_the_sites():
    survey = to_survey(Site(toml=site_file(walls=TWO_WALLS + "formation = -6.0"), design=two_walls()))
    assert wall_levels(survey.settings, survey.design["wall"], "formation").tolist() == [-8.0] * 3 + [-6.0] * 2
