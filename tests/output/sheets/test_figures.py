"""Figures in words: true minus, zeros without a sign, bounds that hold, nothing rounded onto a limit, chances."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.figures import (
    DASH,
    asked_level,
    at_most,
    chance,
    chances,
    counted,
    figure,
    figure_list,
    level_figure,
    level_text,
    true_minus,
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("open at -8.00 m", "open at −8.00 m"),
        ("-8.00 to -3.00", "−8.00 to −3.00"),
        ("moved (-12 mm)", "moved (−12 mm)"),
        ("A1-2 on 2024-10-11", "A1-2 on 2024-10-11"),
        ("run_-3.csv, P-12~P-13", "run_-3.csv, P-12~P-13"),
        ("set-out - none", "set-out - none"),
    ],
)
def test_only_a_hyphen_before_a_figure_of_its_own_becomes_a_minus(text, said):
    assert true_minus(text) == said


@pytest.mark.parametrize(
    ("level", "said"),
    [(3.2, "+3.20"), (-3.2, "−3.20"), (0.0, "0.00"), (-0.0, "0.00"), (-0.004, "0.00"), (0.004, "0.00"), (np.nan, DASH)],
)
def test_a_level_is_signed_but_for_zero(level, said):
    assert level_figure(level) == said
    assert level_text(level) == (said if said == DASH else f"{said} m")


@pytest.mark.parametrize(
    ("level", "said"),
    [(-6.501, "−6.501 m"), (-6.5, "−6.50 m"), (0.0, "0.00 m"), (0.1 + 0.2, "+0.30 m"), (12.3456789, "+12.345679 m")],
)
def test_a_level_keeps_the_decimals_it_was_asked_for_with(level, said):
    assert asked_level(level) == said


@pytest.mark.parametrize(
    ("value", "said"), [(12.3, "13"), (12.0, "12"), (12.0000000001, "12"), (0.2, "1"), (0.0, "0"), (np.nan, DASH)]
)
def test_a_bound_is_rounded_up(value, said):
    assert at_most(value) == said


@pytest.mark.parametrize(
    ("value", "limits", "said"),
    [
        (49.98, (50.0,), "49.98"),
        (50.0, (50.0,), "50.0"),
        (75.04, (75.0,), "75.04"),
        (-0.04, (0.0,), "−0.04"),
        (-0.04, (), "0.0"),
        (152.3, (50.0, np.nan), "152.3"),
        (np.nan, (50.0,), DASH),
    ],
)
def test_a_figure_has_as_few_digits_as_tell_it_from_its_limits(value, limits, said):
    assert figure(value, *limits) == said


def test_figures_of_a_column_are_those_of_its_rows():
    values = np.array([-12.34, 0.02, 25.04, np.nan, 3.0])
    assert figure_list(values, 1, np.full(5, 25.0), plus=True) == ["−12.3", "0.0", "+25.04", DASH, "+3.0"]


@pytest.mark.parametrize(
    ("p", "said"),
    [(0.0, "< 0.001"), (0.0004, "< 0.001"), (0.94962, "0.9496"), (0.615, "0.615"), (0.9996, "> 0.999"), (np.nan, DASH)],
)
def test_a_chance_is_told_from_the_confidence_and_never_reads_0_or_1(p, said):
    assert chance(p, 0.95) == said


def test_a_chance_has_the_digits_that_the_confidence_asks_for():
    assert chances(np.array([0.99991, 0.99995, 0.00005]), np.full(3, 0.9999), digits=4) == [
        "> 0.9999",
        "> 0.9999",
        "< 0.0001",
    ]


def test_a_noun_is_counted():
    assert [counted(k, "joint") for k in (0, 1, 2)] == ["0 joints", "1 joint", "2 joints"]
