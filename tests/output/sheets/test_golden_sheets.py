"""Sheets of the demo against golden files: what they say, and what they look like, the pictures of the guide."""

from __future__ import annotations

import shutil

import pytest
from golden_files import assert_golden, assert_golden_picture
from sheet_books import book

#: Name of the picture in the guide and of the golden text; how the sheet's title begins.
SHEETS = {
    "deviation_plan": "Deviation plan",
    "level_plan": "Plan at \u22128.00",
    "elevation": "Developed elevation",
    "stage_sheet": "Stage",
    "joint_sheet": "Joint A006~A007",
    "pile_sheet": "Pile",
    "scatter_sheet": "Scatter",
    "schedule_piles": "Schedule of piles",
    "schedule_joints": "Schedule of joints",
    "control_sheet": "Control points",
}


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_says_what_it_said(name):
    demo = book("demo")
    page = demo.pages[demo.number(SHEETS[name]) - 1]
    rows = sorted(page.texts, key=lambda text: (-round(text.y), round(text.x)))
    assert_golden(f"sheet_{name}.txt", "\n".join(text.text for text in rows))


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")
@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_looks_as_it_looked(name):
    demo = book("demo")
    assert_golden_picture(f"{name}.png", demo.path, demo.number(SHEETS[name]), dpi=80)
