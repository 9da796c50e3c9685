"""Placing labels: against polygons, and against going through them one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.placing import CELL, Boxes, Room, overlapping, place, spread_rank

AREA = Box(left=0.0, bottom=0.0, width=60.0, height=40.0)


def some_boxes(rng, n, *, size=8.0):
    turn = rng.uniform(0, 2 * np.pi, n)
    return Boxes(
        centre=rng.uniform((0, 0), (60, 40), (n, 2)),
        half=rng.uniform(0.3, size / 2, (n, 2)),
        axis=np.stack([np.cos(turn), np.sin(turn)], axis=1),
    )


def polygons(boxes):
    return [shapely.Polygon(c) for c in boxes.corners()]


def test_strips_cover_their_lines_in_parts():
    start, end = np.array([[10.0, 10.0], [50.0, 30.0]]), np.array([[34.0, 17.0], [50.0, 5.0]])
    strips = Boxes.strips(start, end, 0.3, parts=4)
    whole = [shapely.LineString(line).buffer(0.3, cap_style="flat") for line in zip(start, end, strict=True)]
    assert strips.half[:, 0].tolist() == pytest.approx([25.0 / 8] * 4 + [25.0 / 8] * 4)
    for k, line in enumerate(whole):
        assert shapely.union_all(polygons(strips)[4 * k : 4 * k + 4]).symmetric_difference(line).area < 1e-9


def test_parts_of_the_paper_as_boxes():
    boxes = Boxes.of([AREA, AREA.inset(5.0)])
    assert boxes.corners()[0].tolist() == [list(corner) for corner in AREA.corners]
    assert boxes.corners()[1].tolist() == [[5.0, 5.0], [55.0, 5.0], [55.0, 35.0], [5.0, 35.0]]
    assert len(Boxes.of([])) == len(Boxes.none()) == 0


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_overlapping_pairs_are_those_of_polygons(seed):
    rng = np.random.default_rng(seed)
    a, b = some_boxes(rng, 25), some_boxes(rng, 15)
    found = set(zip(*(k.tolist() for k in overlapping(a, b)), strict=True))
    shapes_a, shapes_b = polygons(a), polygons(b)
    expected = {(i, j) for i, p in enumerate(shapes_a) for j, q in enumerate(shapes_b) if p.intersection(q).area > 1e-9}
    assert found == expected


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_who_stays_is_what_going_through_by_rank_gives(seed):
    rng = np.random.default_rng(seed)
    boxes = some_boxes(rng, 40)
    rank = rng.permutation(40)
    area = Box(left=-20.0, bottom=-20.0, width=120.0, height=100.0)
    chosen = place([boxes], rank=rank, room=Room(area))
    shapes, kept = polygons(boxes), []
    for k in np.argsort(rank):
        if all(shapes[k].intersection(shapes[other]).area <= 1e-9 for other in kept):
            kept.append(k)
    assert set(np.flatnonzero(chosen == 0)) == {int(k) for k in kept}


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_nothing_that_touches_a_covered_box_is_missed(seed):
    rng = np.random.default_rng(seed)
    covered, asked = some_boxes(rng, 6), some_boxes(rng, 30, size=5.0)
    room = Room(AREA)
    room.cover(covered)
    met = room.meets(asked)
    union = shapely.union_all(polygons(covered))
    page = shapely.box(0, 0, 60, 40)
    for shape, meets in zip(polygons(asked), met, strict=True):
        touches = shape.intersection(union).area > 1e-9 or not page.covers(shape)
        far = shape.distance(union) > 4 * CELL and page.covers(shape)
        assert meets if touches else True
        assert not meets if far else True


def test_a_label_takes_the_next_option_when_the_first_is_taken():
    first = Boxes(
        centre=np.array([[10.0, 10.0], [12.0, 10.0]]), half=np.full((2, 2), 2.0), axis=np.tile([1.0, 0.0], (2, 1))
    )
    second = Boxes(centre=first.centre + np.array([0.0, 10.0]), half=first.half, axis=first.axis)
    chosen = place([first, second], rank=np.array([1, 0]), room=Room(AREA))
    assert chosen.tolist() == [1, 0]


def test_a_box_without_a_place_is_no_option():
    nowhere = Boxes(centre=np.full((1, 2), np.nan), half=np.ones((1, 2)), axis=np.array([[1.0, 0.0]]))
    assert place([nowhere], rank=np.array([0]), room=Room(AREA)).tolist() == [-1]


def test_labels_stay_inside_the_area():
    edge = Boxes(centre=np.array([[59.5, 20.0]]), half=np.ones((1, 2)), axis=np.array([[1.0, 0.0]]))
    assert place([edge], rank=np.array([0]), room=Room(AREA)).tolist() == [-1]


def test_rank_goes_by_class_and_spreads_within_it():
    rank = spread_rank([np.array([1, 1, 1, 1, 0, 0, 0, 0])])
    assert sorted(rank[4:].tolist()) == [0, 1, 2, 3]
    assert rank.tolist() == [4, 6, 5, 7, 0, 2, 1, 3]


@pytest.mark.parametrize("n", [0, 1, 7])
def test_ranks_are_all_different(n):
    assert sorted(spread_rank([np.zeros(n, dtype=np.int64)]).tolist()) == list(range(n))
