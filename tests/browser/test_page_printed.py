"""The page on paper: A4 landscape, with the site, the stages, both pictures, what is listed, and the cautions."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pikepdf
import pytest
import review_pages

from asbuilt.commands._shared import CAUTIONS

OUTSIDE = (0x8F, 0x2A, 0x06)
A4 = (297 / 25.4 * 72, 210 / 25.4 * 72)


def poppler(tool, *arguments):
    """Return what one of poppler's tools prints."""
    found = shutil.which(tool)
    if found is None:
        pytest.skip(f"{tool} of poppler-utils is not here")
    return subprocess.run([found, *arguments], capture_output=True, text=True, check=True).stdout


@pytest.fixture(scope="module")
def paper(browser, demo_page, tmp_path_factory):
    """The page as a dark screen prints it, what holds a stage listed; the PDF and its words."""
    path = tmp_path_factory.mktemp("paper") / "page.pdf"
    context = browser.new_context(offline=True, viewport=review_pages.WINDOW, color_scheme="dark")
    reader = review_pages.Reader(context.new_page())
    reader.page.goto(demo_page.as_uri())
    reader.settle()
    reader.click("#stages [data-stage='dig 1']")
    reader.page.pdf(path=path, prefer_css_page_size=True)
    context.close()
    text = poppler("pdftotext", "-layout", path, "-")
    return path, " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


def test_every_sheet_is_a4_on_its_side(paper):
    with pikepdf.open(paper[0]) as pdf:
        boxes = [tuple(float(value) for value in page.mediabox) for page in pdf.pages]
    assert 2 <= len(boxes) <= 8
    for left, lower, right, upper in boxes:
        assert (right - left, upper - lower) == pytest.approx(A4, abs=1.0)


def test_both_pictures_are_on_paper(paper, tmp_path):
    """The colour of outside as the light theme has it, and the words that the pictures alone carry."""
    poppler("pdftoppm", "-r", "50", paper[0], tmp_path / "page")
    sheets = [review_pages.picture(path).astype(int) for path in sorted(tmp_path.glob("page*.ppm"))]
    coloured = [int(np.count_nonzero(np.abs(sheet - OUTSIDE).max(axis=2) <= 10)) for sheet in sheets]
    assert len([count for count in coloured if count > 60]) >= 2
    assert "Plan at +0.50" in paper[1]
    assert "Wall unrolled, from the pit" in paper[1]


def test_paper_carries_site_stages_list_and_cautions(paper, demo):
    result, _ = demo
    words = paper[1]
    assert result.survey.settings.site.name in words
    for state in result.stages:
        assert f"{state.stage} to {review_pages.level(state.level)} m: held by" in words
        assert f"held by {len({hold.item for hold in state.held_by})} " in words
    for hold in result.stages[0].held_by:
        assert hold.item in words
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in words


def test_what_holds_the_stages_comes_before_the_pictures_each_hold_once(paper, demo):
    before = paper[1].split("Plan at +0.50")[0]
    held = {hold.item for state in demo[0].stages for hold in state.held_by}
    assert {item for item in held if item in before} == held
    once = [item for item in held if "~" in item and before.count(item) > before.count(f"gravest: {item}") + 1]
    assert once == [item for item in once if item == "A023~A024"]  # a check and a decision hold it


def test_what_is_within_is_not_printed_unasked_and_no_sheet_is_nearly_blank(browser, demo_page, demo, tmp_path):
    path = tmp_path / "page.pdf"
    context = browser.new_context(offline=True, viewport=review_pages.WINDOW)
    reader = review_pages.Reader(context.new_page())
    reader.page.goto(demo_page.as_uri())
    reader.settle()
    reader.page.pdf(path=path, prefer_css_page_size=True)
    context.close()
    text = poppler("pdftotext", "-layout", path, "-")
    listed = " ".join(text.split("holding no stage")[1].split())
    joints = demo[0].joints
    within = [name for name, code in zip(joints["joint_id"], joints["verdict"], strict=True) if code == 0]
    assert [name for name in within if f"W {name} " in listed] == []
    assert all(len(sheet.split()) > 40 for sheet in text.split("\f")[:-1])


def test_paper_is_white_though_the_screen_is_dark(paper, tmp_path):
    poppler("pdftoppm", "-r", "20", "-gray", paper[0], tmp_path / "page")
    (first, *_) = sorted(tmp_path.glob("page*.pgm"))
    assert review_pages.picture(first).mean() > 200
