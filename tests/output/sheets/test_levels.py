"""Levels of the walls and whose they are, and leaders to names beside a chart."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from asbuilt.output.sheets.canvas import Box, Canvas
from asbuilt.output.sheets.levels import lead_to_names, levels_of_walls


def result_of(levels, built):
    """Return a result with walls of given formation levels, of which some have piles."""

    def wall_level(wall, name):
        return levels[wall] if name == "formation" else None

    settings = SimpleNamespace(walls=levels, wall_level=wall_level)
    return SimpleNamespace(survey=SimpleNamespace(settings=settings), piles={"wall": built})


@pytest.mark.parametrize(
    ("levels", "found"),
    [
        ({"A": -8.0, "B": -8.0}, [(-8.0, ())]),
        ({"A": -8.0, "B": -4.0}, [(-8.0, ("A",)), (-4.0, ("B",))]),
        ({"A": -8.0, "B": None}, [(-8.0, ("A",))]),
        ({"A": -8.0, "B": -8.0, "not built": -1.0}, [(-8.0, ())]),
    ],
)
def test_a_level_is_told_with_its_walls_unless_it_is_that_of_all(levels, found):
    assert levels_of_walls(result_of(levels, ["A", "A", "B"]), "formation") == found


def test_a_level_that_is_not_set_is_none():
    assert levels_of_walls(result_of({"A": -8.0}, ["A"]), "interlock_to") == []


class Lines(Canvas):
    """A canvas that keeps the lines it is given."""

    def __init__(self):
        super().__init__(100.0, 100.0)
        self.drawn = []

    def lines(self, paths, **_look):
        self.drawn.extend(np.asarray(path) for path in paths)


def test_leaders_run_from_the_levels_to_names_that_do_not_touch():
    canvas = Lines()
    places = lead_to_names(canvas, [50.0, 49.0, 20.0], Box(left=0.0, bottom=0.0, width=30.0, height=60.0), 2.0)
    assert places == pytest.approx([51.25, 47.75, 20.0])
    assert [line[0].tolist() for line in canvas.drawn] == [[30.0, 50.0], [30.0, 49.0], [30.0, 20.0]]
    assert np.array([line[-1] for line in canvas.drawn]) == pytest.approx(np.column_stack([[34.4] * 3, places]))
