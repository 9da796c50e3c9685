"""Figures in words: a probability keeps to four places, and is never rounded onto what it is not."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.compute.wording import all_chances, chance, probability


@pytest.mark.parametrize(
    ("p", "confidence", "text"),
    [
        (0.0, 0.95, "0.00"),
        (1.0, 0.95, "1.00"),
        (0.95, 0.95, "0.95"),
        (0.8, 0.95, "0.80"),
        (0.9496, 0.95, "0.9496"),
        (0.94999, 0.95, "0.9499"),
        (0.95001, 0.95, "0.9501"),
        (0.0004, 0.95, "0.0004"),
        (0.00004, 0.95, "under 0.0001"),
        (0.9997, 0.95, "0.9997"),
        (0.99999999996, 0.95, "over 0.9999"),
    ],
)
def test_a_probability_has_four_places_at_most_and_is_never_rounded_to_certainty(p, confidence, text):
    assert probability(p, confidence) == text


def test_many_chances_are_worded_as_one_is_where_three_places_would_mislead():
    p = np.array([0.9496, 0.94999, 1e-7, 0.0002, 0.95, 0.5])
    assert all_chances(p, 0.95).tolist() == [
        "probability 0.9496, 0.95 asked for",
        "probability 0.9499, 0.95 asked for",
        "probability under 0.0001, 0.95 asked for",
        "probability 0.0002, 0.95 asked for",
        "",
        "probability 0.500, 0.95 asked for",
    ]


def test_one_that_is_not_below_the_confidence_is_not_worded():
    assert chance(0.95, 0.95) == ""
