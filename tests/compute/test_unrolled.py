"""Walls unrolled along their chainage."""

from __future__ import annotations

import numpy as np
import pytest
import wall_folders

from asbuilt.compute.unrolled import unrolled_walls
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile


def unrolled(tmp_path, points, *, closed):
    folder = tmp_path / "wall"
    wall_folders.write(folder, points, closed=closed, share=1.0, name="Invented wall")
    (wall,) = unrolled_walls(reconcile(read_survey(folder)))
    return wall


def test_chainage_is_the_running_sum_of_the_spacing(tmp_path):
    wall = unrolled(tmp_path, wall_folders.straight(6), closed=False)
    assert wall.chainage == pytest.approx(wall_folders.SPACING * np.arange(6), abs=1e-3)
    assert wall.joint.tolist() == [0, 1, 2, 3, 4]
    assert wall.reach.mean(axis=1) == pytest.approx(wall_folders.SPACING * (np.arange(5) + 0.5), abs=1e-3)


def test_a_closed_wall_ends_where_it_began(tmp_path):
    wall = unrolled(tmp_path, wall_folders.ring(12), closed=True)
    assert (len(wall.pile), wall.pile[0], len(wall.joint)) == (13, wall.pile[-1], 12)
    assert wall.length == pytest.approx(12 * wall.spacing, rel=1e-3)
