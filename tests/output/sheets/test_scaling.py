"""Choice of scale, exaggeration, bars and grid."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.scaling import bar_length, choose_factor, choose_scale, grid_spacing


@pytest.mark.parametrize(
    ("metres", "scale"),
    [(9.9, 50), (10.1, 100), (41, 250), (60, 500), (900, 5000), (1100, 10000), (3000, 20000), (4500, 25000)],
)
def test_the_largest_drawing_that_fits_is_chosen(metres, scale):
    def extent(candidate):
        return np.array([0.0, 0.0, metres * 1000.0 / candidate, 1.0])

    assert choose_scale(extent, (200.0, 100.0))[0] == scale


@pytest.mark.parametrize(
    ("median_mm", "scale", "factor"), [(12.0, 200, 50), (12.0, 100, 25), (12.0, 500, 100), (100.0, 50, 10)]
)
def test_the_median_vector_is_readable(median_mm, scale, factor):
    offsets = np.array([0.5, 1.0, 1.5, np.nan]) * median_mm / 1000.0
    assert choose_factor(offsets, scale) == factor


@pytest.mark.parametrize("offsets", [[], [np.nan], [0.0, 0.0]])
def test_without_offsets_there_is_still_a_factor(offsets):
    assert choose_factor(np.array(offsets), 200) == 50


@pytest.mark.parametrize(("per_unit", "longest", "length"), [(10.0, 60.0, 5.0), (2.0, 60.0, 20.0), (0.25, 25.0, 100.0)])
def test_bars_have_round_lengths(per_unit, longest, length):
    assert bar_length(per_unit, longest) == pytest.approx(length, rel=1e-12)


@pytest.mark.parametrize(("scale", "metres"), [(50, 5.0), (100, 5.0), (200, 10.0), (250, 20.0), (1000, 50.0)])
def test_grid_crosses_are_at_least_fifty_millimetres_apart(scale, metres):
    assert grid_spacing(scale) == pytest.approx(metres)
