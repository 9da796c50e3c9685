"""The largest upright box in a window, against a search and by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from steering_piles import neighbour, pile

from asbuilt.compute.steering import sure_window, window
from asbuilt.compute.steering_box import largest_box


def corners(box, along):
    return np.array([[a, b] for a, b in itertools.product(*box)]) @ along


def turned(degrees):
    angle = np.radians([degrees, degrees + 90.0])
    return np.column_stack([np.sin(angle), np.cos(angle)])


@pytest.mark.parametrize("degrees", [0.0, 30.0, 77.0])
def test_in_a_circle_it_is_the_square(degrees):
    found = largest_box(window(pile(neighbours=())), turned(degrees))
    assert found == pytest.approx(0.01 / np.sqrt(2) * np.array([[-1, 1], [-1, 1]]), abs=1e-7)


@pytest.mark.parametrize("degrees", [0.0, 25.0, 140.0])
def test_it_lies_in_the_window_and_no_box_of_a_grid_is_larger(degrees):
    given = pile(neighbours=(neighbour("P1", -0.75, slope=(0.002, 0.001)), neighbour("P3", 0.78)), allowed=(0.05, 0.05))
    inside = sure_window(given, read_to=0.0)
    along = turned(degrees)
    box = largest_box(inside, along)
    assert inside.margin(corners(box, along)).min() > -1e-8
    area = np.prod(box[:, 1] - box[:, 0])
    steps = np.linspace(-0.01, 0.01, 33)
    best = 0.0
    held = inside.contains(np.array([[a, b] for a, b in itertools.product(steps, steps)]) @ along).reshape(33, 33)
    for (i, j), (k, m) in itertools.product(itertools.combinations(range(33), 2), repeat=2):
        if held[i, k] and held[i, m] and held[j, k] and held[j, m]:
            best = max(best, (steps[j] - steps[i]) * (steps[m] - steps[k]))
    assert 0.75 * area < best <= area * (1 + 1e-9)


def test_without_a_window_there_is_none():
    closed = pile(neighbours=(neighbour("P1", -0.85),), limit=0.0001)
    assert window(closed).empty
    assert np.isnan(largest_box(window(closed), turned(0.0))).all()
