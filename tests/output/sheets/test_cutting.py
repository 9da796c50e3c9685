"""Cutting a wall into pages: scale, windows, who belongs where, match lines."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.cutting import cut_wall
from asbuilt.settings import parse_settings

BOX = Box(left=20.0, bottom=30.0, width=260.0, height=250.0)
PAD = 15.0
NOWHERE = np.empty((0, 2))


def cut(result, *, scale=None, extra=NOWHERE, runs=None):
    return cut_wall(result, BOX, scale=scale, pad=PAD, extra=extra, runs=runs)


def two_walls(result, rows, *, apart=0.0):
    """Return a job whose piles at ``rows`` stand in a second wall, moved north."""
    piles = result.piles
    wall, position = np.array(piles["wall"], dtype=object), np.array(piles["position"])
    wall[rows] = "B"
    position[rows] = np.arange(len(position))[rows] + 1.0
    design_n, centre_n = np.array(piles.design_n), np.array(piles.centre_n)
    design_n[rows] += apart
    centre_n[rows] += apart
    columns = {**piles.columns, "wall": wall, "position": position}
    settings = parse_settings(
        """
[site]
name = "Two walls (invented)"
[levels]
commence = 4.0
cut_off = 3.2
formation = -8.0
interlock_to = -9.5
[walls.A]
closed = false
pit_side = "left"
[walls.B]
closed = false
pit_side = "left"
[tolerance]
plan_mm = 25
verticality = "1:200"
overlap_mm = 50
"""
    )
    joints = result.joints
    kept = np.flatnonzero(wall[joints.a] == wall[joints.b])
    joints = replace(
        joints,
        columns={name: values[kept] for name, values in joints.columns.items()},
        a=joints.a[kept],
        b=joints.b[kept],
        required=joints.required[kept],
        toe_level=joints.toe_level[kept],
    )
    survey = replace(result.survey, settings=settings)
    piles = replace(piles, columns=columns, design_n=design_n, centre_n=centre_n)
    return replace(result, survey=survey, piles=piles, joints=joints)


def alone(result, rows):
    """Return a job whose piles at ``rows`` stand in no wall."""
    wall, position = np.array(result.piles["wall"], dtype=object), np.array(result.piles["position"])
    wall[rows], position[rows] = None, np.nan
    return replace(
        result, piles=replace(result.piles, columns={**result.piles.columns, "wall": wall, "position": position})
    )


@pytest.mark.parametrize(("n", "scale"), [(10, 50), (25, 100), (50, 200), (60, 250)])
def test_what_fits_on_one_page_stays_on_one(n, scale, job):
    (page,) = cut(job(n, closed=False))
    assert page.view.scale == scale
    assert (page.start, page.end) == (None, None)


@pytest.mark.parametrize(("n", "scale"), [(80, 200), (1200, 200), (1500, 250), (3000, 500), (10_000, 500)])
def test_a_longer_wall_is_cut_at_the_largest_scale_that_does_not_take_too_many_pages(n, scale, job):
    pages = cut(job(n, closed=False))
    assert len(pages) > 1
    assert {page.view.scale for page in pages} == {scale}


@pytest.mark.parametrize("scale", [50, 100, 1000])
def test_a_scale_asked_for_is_used(scale, job):
    assert {page.view.scale for page in cut(job(60, closed=False), scale=scale)} == {scale}


@pytest.mark.parametrize("kind", ["open", "ring", "alone", "two walls", "long"])
def test_every_pile_and_joint_belongs_to_one_page(kind, job):
    result = {
        "open": lambda: job(150, closed=False),
        "ring": lambda: job(300),
        "alone": lambda: alone(job(150, closed=False), np.arange(3, 150, 7)),
        "two walls": lambda: two_walls(job(150, closed=False), np.arange(100, 150), apart=500.0),
        "long": lambda: job(10_000, closed=False),
    }[kind]()
    pages = cut(result)
    assert len(pages) > 1
    assert sorted(np.concatenate([page.rows for page in pages]).tolist()) == list(range(len(result.piles)))
    assert sorted(np.concatenate([page.joints for page in pages]).tolist()) == list(range(len(result.joints)))


@pytest.mark.parametrize("closed", [True, False])
def test_a_window_holds_its_own_piles_and_their_lettering(closed, job):
    result = job(300, closed=closed)
    piles = result.piles
    for page in cut(result, scale=100):
        at = page.view.paper(piles.design_e[page.rows], piles.design_n[page.rows])
        reach = 5.0 + PAD  # 1 m across at 1:100
        assert np.all(at - reach >= np.array([BOX.left, BOX.bottom]) - 1e-6)
        assert np.all(at + reach <= np.array([BOX.right, BOX.top]) + 1e-6)


def test_pages_of_a_straight_wall_are_about_equally_long(job):
    lengths = [len(page.rows) for page in cut(job(150, closed=False))]
    # 54 piles would fit on a page: one after another that would leave 42 for the last one.
    assert (len(lengths), sum(lengths)) == (3, 150)
    assert max(lengths) - min(lengths) <= 3


def test_a_match_line_lies_across_the_wall_in_the_middle_of_a_joint(job):
    result = job(150, closed=False)
    piles = result.piles
    known = np.isfinite(piles.centre_e)
    e, n = np.where(known, piles.centre_e, piles.design_e), np.where(known, piles.centre_n, piles.design_n)
    pages = cut(result)
    for page, beyond in pairwise(pages):
        a, b = page.rows[-1], beyond.rows[0]
        line = page.end.line
        assert line.mean(axis=0) == pytest.approx(np.array([e[a] + e[b], n[a] + n[b]]) / 2.0, abs=1e-9)
        assert (line[1] - line[0]) @ np.array([e[b] - e[a], n[b] - n[a]]) == pytest.approx(0.0, abs=1e-9)
        assert line[1, 1] > line[0, 1]  # the pit lies to the north
        assert beyond.start.line == pytest.approx(line, abs=1e-9)
        assert beyond.start.away == pytest.approx(-page.end.away)


def test_match_lines_of_an_open_wall_lead_to_the_next_page_and_back(job):
    pages = cut(job(150, closed=False))
    leads = [(page.start and page.start.page, page.end and page.end.page) for page in pages]
    assert leads == [(None, 2), (1, 3), (2, None)]


def test_match_lines_of_a_ring_lead_around(job):
    pages = cut(job(130), scale=100)
    count = len(pages)
    assert count > 2
    assert [page.end.page for page in pages] == [*range(2, count + 1), 1]
    assert [page.start.page for page in pages] == [count, *range(1, count)]


def test_walls_that_fit_together_stay_together(job):
    (page,) = cut(two_walls(job(40, closed=False), np.arange(20, 40), apart=5.0))
    assert sorted(page.rows.tolist()) == list(range(40))


def test_a_short_wall_is_shown_in_the_window_of_a_long_one(job):
    result = two_walls(job(150, closed=False), np.arange(60, 70), apart=8.0)
    holds = [page for page in cut(result) if 65 in page.rows]
    assert len(holds) == 1
    assert set(range(60, 70)) < set(holds[0].rows.tolist())


def test_a_pile_far_off_its_design_does_not_widen_a_window(job):
    result = job(20, closed=False)
    e = np.array(result.piles.centre_e)
    e[8] += 3000.0
    (page,) = cut(replace(result, piles=replace(result.piles, centre_e=e)))
    assert page.view.scale == 100


def test_a_page_of_everything_also_holds_what_is_asked_for(job):
    (page,) = cut(job(10, closed=False), extra=np.array([[0.0, 40.0]]))
    assert page.view.scale == 200
    assert page.view.paper(np.array([0.0]), np.array([40.0]))[0, 1] <= BOX.top


def test_a_window_holds_the_vectors(job):
    def runs(_scale):
        return np.tile([0.0, 120.0], (10, 1))

    (page,) = cut(job(10, closed=False, surveyed=True), runs=runs)
    assert page.view.scale == 50
    shown = np.isfinite(job(10, closed=False).piles.centre_e)
    y = page.view.paper(np.zeros(10), np.zeros(10))[:, 1]
    assert np.all(y[shown] + 120.0 <= BOX.top)


def test_a_scale_too_large_for_a_single_pile_gives_every_pile_a_page(job):
    assert [len(page.rows) for page in cut(job(5, closed=False), scale=2)] == [1] * 5
