"""Text on paper: widths, fitting, wrapping, signs that cannot be shown."""

from __future__ import annotations

from itertools import pairwise

import pytest

from asbuilt.output.sheets.lettering import clean, fit, text_width, wrap


def test_a_capital_is_as_wide_as_the_typeface_says():
    # DejaVu Sans 2.37: H advances 1540 of 2048 units and is 1493 high, read from its hmtx and OS/2 tables.
    assert text_width("H", 2.5) == pytest.approx(2.5 * 1540 / 1493, rel=1e-3)


def test_widths_add_up():
    assert text_width("P101", 2.5) == pytest.approx(sum(text_width(c, 2.5) for c in "P101"), abs=1e-9)


def test_what_fits_keeps_its_height():
    assert fit("Job", 50.0, 4.0, least=2.5) == ("Job", 4.0)


def test_a_longer_text_is_made_smaller_first():
    text, height = fit("Invented pumping station", 60.0, 4.0, least=2.5)
    assert text == "Invented pumping station"
    assert 2.5 <= height < 4.0
    assert text_width(text, height) == pytest.approx(60.0, abs=1e-6)


def test_a_text_longer_still_is_cut():
    text, height = fit("Invented pumping station " * 5, 60.0, 4.0, least=2.5)
    assert height == 2.5
    assert text.endswith("\u2026")
    assert 50.0 < text_width(text, height) <= 60.0


def test_lines_are_as_full_as_the_width_allows():
    said = "Levels are above site datum and deviations are in millimetres on this sheet."
    lines = wrap(said, 50.0, 2.5)
    assert " ".join(lines) == said
    assert all(text_width(line, 2.5) <= 50.0 for line in lines)
    for line, after in pairwise(lines):
        assert text_width(f"{line} {after.split()[0]}", 2.5) > 50.0


def test_a_word_too_long_is_broken():
    lines = wrap("x" * 100, 50.0, 2.5)
    assert "".join(lines) == "x" * 100
    assert all(text_width(line, 2.5) <= 50.0 for line in lines)


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("a\nb\tc", "a b c"),
        ("\u732b", "\u25a1"),
        ("Sch\u00e4chte \u2116 4", "Sch\u00e4chte \u2116 4"),
        ("a\u202eb", "a\u25a1b"),
    ],
    ids=["control characters", "no glyph", "other scripts", "direction mark"],
)
def test_what_cannot_be_shown_is_a_box(written, shown):
    assert clean(written) == shown
