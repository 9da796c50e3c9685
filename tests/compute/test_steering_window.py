"""Windows made of discs and half-planes: shapes with known answers, and random ones against their own definition."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from asbuilt.compute.steering_window import BOUND, LIMIT, PIT, Constraints, Window, least_violation, window_of


def made_of(discs=(), lines=(), *, of=None, scale=None, fixed=()) -> Constraints:
    """Constraints from discs (e, n, radius) and half-planes (angle of the normal from east, offset)."""
    discs, lines = np.array(discs, dtype=float).reshape(-1, 3), np.array(lines, dtype=float).reshape(-1, 2)
    return Constraints(
        centre=discs[:, :2],
        radius=discs[:, 2],
        scale=np.ones(len(discs)) if scale is None else np.array(scale, dtype=float),
        of=np.arange(len(discs)) if of is None else np.array(of),
        level=-np.arange(len(discs), dtype=float),
        normal=np.column_stack([np.cos(lines[:, 0]), np.sin(lines[:, 0])]),
        offset=lines[:, 1],
        line_scale=np.ones(len(lines)),
        line_level=np.zeros(len(lines)),
        fixed_of=np.zeros(len(fixed), dtype=np.int64),
        fixed_level=np.zeros(len(fixed)),
        fixed_excess=np.array(fixed, dtype=float),
    )


def window_from(*args, **kwargs) -> Window:
    return window_of(made_of(*args, **kwargs))


def test_a_disc_alone_is_a_full_circle():
    win = window_from([(0.3, -0.2, 0.5)])
    (edge,) = win.edges
    assert (edge.kind, edge.of, edge.sweep) == ("arc", 0, pytest.approx(2 * math.pi))
    assert len(win.vertices) == 0
    assert win.middle == pytest.approx([0.3, -0.2])
    assert win.margin(np.array([0.3, 0.1])) == pytest.approx(0.2)
    assert win.nearest(np.array([0.3, 0.8])) == pytest.approx([0.3, 0.3])
    assert win.margin(np.array([0.3, 0.8])) == pytest.approx(-0.5)


def test_a_disc_inside_all_others_is_the_window():
    win = window_from([(0, 0, 5), (0.1, 0, 1), (0.2, 0.1, 3)])
    assert [(edge.of, round(edge.sweep, 9)) for edge in win.edges] == [(1, round(2 * math.pi, 9))]


def test_equal_discs_count_once():
    win = window_from([(0, 0, 1), (0, 0, 1), (1e-13, 0, 1)])
    assert [edge.of for edge in win.edges] == [0]


def test_two_unit_discs_at_distance_one_make_a_lens():
    # their circles cross at (1/2, ±√3/2), each arc covers 120 degrees
    win = window_from([(0, 0, 1), (1, 0, 1)])
    assert np.sort(win.vertices, axis=0) == pytest.approx(np.array([[0.5, -math.sqrt(3) / 2], [0.5, math.sqrt(3) / 2]]))
    assert [edge.sweep for edge in win.edges] == pytest.approx([2 * math.pi / 3] * 2)
    # beyond a vertex the vertex is nearest, beside an arc the foot on its circle
    assert win.nearest(np.array([0.5, 2.0])) == pytest.approx([0.5, math.sqrt(3) / 2])
    assert win.nearest(np.array([2.0, 0.0])) == pytest.approx([1.0, 0.0])
    assert win.margin(np.array([0.5, 0.0])) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("apart", "empty"), [(2.001, True), (2.0, True), (2 - 1e-7, False), (1.9, False)]
)
def test_discs_that_only_touch_leave_nothing(apart, empty):
    win = window_from([(0, 0, 1), (apart, 0, 1)])
    assert win.empty is empty
    assert win.contains(np.array([apart / 2, 0.0])) == (not empty)


def test_a_disc_that_touches_another_from_inside_stays_whole():
    win = window_from([(0, 0, 1), (0.5, 0, 0.5)])
    assert sum(edge.sweep for edge in win.edges if edge.of == 1) == pytest.approx(2 * math.pi)
    assert win.margin(np.array([0.5, 0.0])) == pytest.approx(0.5)
    assert win.margin(np.array([1.5, 0.0])) == pytest.approx(-0.5)


def test_two_parallel_lines_cut_a_disc_into_a_band_of_four_edges():
    win = window_from([(0, 0, 1)], [(0.0, 0.5), (math.pi, 0.25)], of=[LIMIT])
    assert [edge.kind for edge in win.edges].count("line") == 2
    assert [edge.of for edge in win.edges if edge.kind == "line"] == [PIT, PIT]
    corners = {(round(e, 9), round(n, 9)) for e, n in win.vertices.tolist()}
    half, quarter = round(math.sqrt(0.75), 9), round(math.sqrt(1 - 0.0625), 9)
    assert corners == {(0.5, half), (0.5, -half), (-0.25, quarter), (-0.25, -quarter)}


def test_three_lines_make_a_triangle_inside_a_disc():
    lines = [(math.radians(a), 0.1) for a in (90, 210, 330)]
    win = window_from([(0, 0, 1)], lines, of=[BOUND])
    assert [edge.kind for edge in win.edges] == ["line"] * 3
    # the corners of a triangle lie at twice the radius of its inscribed circle
    assert np.hypot(*win.vertices.T) == pytest.approx([0.2] * 3)


def test_edges_go_around_anticlockwise_and_close():
    win = window_from([(0, 0, 1), (0.7, 0.1, 0.8), (0.2, 0.6, 0.9)], [(1.0, 0.6)])
    for one, after in zip(win.edges, [*win.edges[1:], win.edges[0]], strict=True):
        assert one.end == pytest.approx(after.start, abs=1e-12)
    e, n = win.polygon(1e-4).T
    assert np.sum(e[:-1] * n[1:] - e[1:] * n[:-1]) > 0


def test_a_negative_radius_or_what_no_lean_mends_leaves_nothing():
    assert window_from([(0, 0, 1), (0, 0, -0.1)]).empty
    assert window_from([(0, 0, 1)], fixed=[0.003]).empty
    assert not window_from([(0, 0, 1)], fixed=[-0.003]).empty


def test_an_empty_window_holds_nothing_and_has_no_nearest_lean():
    win = window_from([(0, 0, 1), (3, 0, 1)])
    lean = np.zeros((2, 2))
    assert win.contains(lean).tolist() == [False, False]
    assert win.margin(lean).tolist() == [-np.inf, -np.inf]
    assert np.isnan(win.nearest(lean)).all()
    assert win.polygon(1e-3).shape == (0, 2)


def test_a_polygon_is_closed_and_its_chords_stay_within_the_tolerance():
    win = window_from([(0, 0, 1), (1, 0, 1)])
    ring = win.polygon(1e-4)
    assert ring[0].tolist() == ring[-1].tolist()
    chords = (ring[1:] + ring[:-1]) / 2
    slack = win.margin(chords)
    assert slack.min() >= -1e-12
    assert slack.max() <= 1e-4
    # not more points than needed: 120 degrees of a unit circle at 2·acos(1 − 0.0001) each, twice
    assert len(ring) - 1 == 2 * math.ceil(2 * math.pi / 3 / (2 * math.acos(1 - 1e-4)))


def test_discs_of_all_sizes_keep_their_accuracy():
    # a level just below the centre asks for a disc of 800 m/m, the verticality limit for one of 5 mm/m
    far = 800.0
    win = window_from([(0, 0, 0.005), (far, 0, far), (-far, 0, far + 0.003)])
    assert win.contains(np.array([[0.001, 0.0], [-0.0001, 0.0], [0.0031, 0.0]])).tolist() == [True, False, False]
    assert win.margin(np.array([0.001, 0.0])) == pytest.approx(0.001, abs=1e-9)
    assert len(win.edges) == 4


# ------------------------------------------------------------------------------------------ random windows


def random_constraints(seed: int) -> Constraints:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 14))
    centre = rng.normal(0, rng.choice([0.2, 0.8, 3.0]), (count, 2))
    radius = np.hypot(*centre.T) * rng.choice([0.7, 1.0, 1.1]) + rng.uniform(0.02, 1.5, count)
    if seed % 3 == 0:
        # from one level down to the next a plumb neighbour's discs touch along a line of centres
        centre = np.outer(np.sign(rng.normal(size=count)) / np.linspace(1, 3, count), [0.75, 0.02])
        radius = 0.83 / np.linspace(1, 3, count)
    lines = [(rng.uniform(0, 7), rng.uniform(-0.1, 0.7)) for _ in range(int(rng.integers(0, 4)))]
    return made_of(np.column_stack([centre, radius]), lines)


def least_by_corners(c: Constraints) -> tuple[np.ndarray, np.ndarray]:
    """All points where two constraints' edges cross, or where one disc stands alone, that keep everything."""
    points = [c.centre]
    for (a, r), (b, q) in itertools.combinations(zip(c.centre, c.radius, strict=True), 2):
        d = math.dist(a, b)
        if abs(r - q) < d < r + q:
            x = (d * d + r * r - q * q) / (2 * d)
            y, u = math.sqrt(r * r - x * x), (b - a) / d
            points.append(a + x * u + np.outer([y, -y], [-u[1], u[0]]))
    for n, o in zip(c.normal, c.offset, strict=True):
        for a, r in zip(c.centre, c.radius, strict=True):
            off = o - n @ a
            if abs(off) < r:
                points.append(a + off * n + np.outer([1, -1], [-n[1], n[0]]) * math.sqrt(r * r - off * off))
    for (n, o), (m, p) in itertools.combinations(zip(c.normal, c.offset, strict=True), 2):
        if abs(n[0] * m[1] - n[1] * m[0]) > 1e-9:
            points.append(np.linalg.solve([n, m], [o, p])[None, :])
    found = np.concatenate(points)
    keeps = np.all(c.outside(found) <= 1e-9, axis=1)
    return found[keeps], found[keeps & np.any(np.abs(c.outside(found)) < 1e-9, axis=1)]


@pytest.mark.parametrize("seed", range(120))
def test_a_random_window_is_what_its_constraints_leave(seed):
    c = random_constraints(seed)
    win = window_of(c)
    kept, corners = least_by_corners(c)
    assert win.empty == (len(kept) == 0)
    leans = np.random.default_rng(seed).normal(0, 1, (400, 2))
    assert win.contains(leans).tolist() == np.all(c.outside(leans) <= 0, axis=1).tolist()
    if win.empty:
        return
    # every corner that keeps everything is a vertex, and every vertex is one of them
    gaps = np.hypot(*np.moveaxis(win.vertices[:, None] - corners[None], -1, 0))
    if len(win.vertices):
        assert gaps.min(axis=1).max() < 1e-8
        assert gaps.min(axis=0).max() < 1e-8
    near = win.nearest(leans)
    assert np.abs(win.margin(near)[~win.contains(leans)]).max(initial=0.0) < 1e-12
    ring = win.polygon(1e-7)
    start, step = ring[:-1], np.diff(ring, axis=0)
    for lean, foot in zip(leans[:60], near[:60], strict=True):
        if not win.contains(lean):
            part = np.clip(np.sum((lean - start) * step, axis=1) / np.sum(step**2, axis=1), 0, 1)
            best = np.hypot(*(start + part[:, None] * step - lean).T).min()
            assert math.dist(lean, foot) == pytest.approx(best, abs=2e-7)


# ------------------------------------------------------------------------------------------ least violation


def test_the_least_violation_of_two_discs_apart_lies_midway_in_length_on_the_pile():
    # one disc at 10 m, the other at 20 m below: 3 apart in slope less radii 1 and 1; 10·x = 20·(1 − x)
    c = made_of([(0, 0, 1), (3, 0, 1)], scale=[10.0, 20.0])
    lean, worst = least_violation(c)
    assert worst == pytest.approx(20 / 3, abs=1e-7)
    assert lean == pytest.approx([1 + 2 / 3, 0.0], abs=1e-4)


def test_the_least_violation_of_three_discs_is_at_their_inscribed_point():
    corners = [(math.cos(a), math.sin(a), 0.4) for a in np.radians([90, 210, 330])]
    lean, worst = least_violation(made_of(corners))
    assert worst == pytest.approx(0.6, abs=1e-8)
    assert lean == pytest.approx([0.0, 0.0], abs=1e-7)


def test_there_is_no_violation_where_there_is_a_window():
    lean, worst = least_violation(made_of([(0, 0, 1), (1, 0, 1)]))
    assert worst == 0.0
    assert lean == pytest.approx([0.5, 0.0])


def test_what_no_lean_changes_does_not_move_the_least_violation():
    free, fixed = (least_violation(made_of([(0, 0, 1), (3, 0, 1)], fixed=f)) for f in ([], [0.7]))
    assert fixed[1] == free[1] == pytest.approx(0.5)
    assert fixed[0] == pytest.approx(free[0])


@pytest.mark.parametrize("seed", range(12))
def test_no_lean_nearby_is_less_bad(seed):
    rng = np.random.default_rng(seed)
    c = made_of(
        np.column_stack([rng.normal(0, 1, (6, 2)), rng.uniform(0.05, 0.3, 6)]),
        [(rng.uniform(0, 6), -0.2)],
        scale=rng.uniform(1, 20, 6),
    )
    lean, worst = least_violation(c)
    assert c.excess(lean[None, :]).max() == pytest.approx(worst, abs=1e-6)
    others = np.concatenate([lean + rng.normal(0, size, (500, 2)) for size in (1e-3, 1e-2, 0.1, 1.0)])
    assert c.excess(others).max(axis=1).min() > worst - 1e-6
