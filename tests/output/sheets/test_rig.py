"""The page for the rig, measured on the PDF itself: what lies where, that it can be read, and what it carries."""

from __future__ import annotations

import itertools
import shutil

import numpy as np
import pdf_pages
import pytest
import rig_pages
from golden_files import assert_golden_picture, rendered
from PIL import Image

from asbuilt.commands.steer_words import CAUTIONS
from asbuilt.output.sheets.canvas import BOLD, MEDIUM
from asbuilt.output.sheets.rig import A5, MOVE, SURE_FILL, WINDOW_DASH

poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")


@pytest.fixture(scope="module", params=list(rig_pages.CASES))
def case(request):
    return request.param


def test_nothing_is_drawn_or_written_outside_a5(case):
    page, _ = rig_pages.page(case)
    assert (page.width, page.height) == pytest.approx(A5, abs=0.1)
    for drawn in page.drawn:
        low, high = pdf_pages.visible(drawn)
        assert np.all(low > 3.0)
        assert np.all(high < np.array(A5) - 3.0)
    for text in page.texts:
        corners = pdf_pages.text_corners(text)
        assert corners.min() > 3.0, text.text
        assert np.all(corners < np.array(A5) - 3.0), text.text


def test_no_text_stands_on_another(case):
    page, _ = rig_pages.page(case)
    boxes = [(text.text, pdf_pages.text_corners(text)) for text in page.texts]
    meet = []
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        apart = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
        if np.all(apart < -0.15):
            meet.append((one, other))
    assert not meet


def test_text_is_high_and_dark_enough_to_read(case):
    page, _ = rig_pages.page(case)
    assert min(text.height for text in page.texts) >= 1.4
    assert min(pdf_pages.contrast_on_white(text.colour) for text in page.texts) >= 4.5


def test_answer_cautions_and_what_it_was_made_from_stand_on_it(case):
    page, _ = rig_pages.page(case)
    words = [text.text for text in page.texts]
    said = " ".join(words)
    for caution in CAUTIONS:
        assert caution in said
    assert "asbuilt 0.1.0, inputs " in said
    assert max(page.texts, key=lambda text: text.height).text.startswith(
        rig_pages.picture(case).answer[:12].replace("-", "\u2212")
    )


@poppler
def test_the_png_is_the_same_page_as_the_pdf(case):
    _, path = rig_pages.page(case)
    pdf = rendered(path, 1, dpi=200).astype(float)
    with Image.open(path.with_suffix(".png")) as picture:
        png = np.array(picture.convert("L"), dtype=float)
    side = 60
    rows, columns = (min(a, b) // side for a, b in zip(pdf.shape, png.shape, strict=True))
    tiles = [
        one[: rows * side, : columns * side].reshape(rows, side, columns, side).mean(axis=(1, 3)) for one in (pdf, png)
    ]
    # another rasteriser smooths letters otherwise; a line or a word amiss moves a tile of 8 mm by more
    apart = np.abs(tiles[0] - tiles[1])
    assert (apart.max() < 25, apart.mean() < 1.0) == (True, True), (apart.max(), apart.mean())


def scale(page: pdf_pages.Page, name: str, along: int) -> np.ndarray:
    """Return the straight line from readings to places on paper [mm], from the figures printed at the ticks."""
    label = next(text for text in page.texts if text.text.startswith(f"{name} ["))
    at = pdf_pages.text_corners(label).mean(axis=0)
    ticks = {}
    for text in page.texts:
        middle = pdf_pages.text_corners(text).mean(axis=0)
        figure = text.text.replace("\u2212", "-").replace(".", "").lstrip("+-")
        if figure.isdigit() and middle[0] < 105.0 and abs(middle[1 - along] - at[1 - along]) < 7.0:
            ticks[float(text.text.replace("\u2212", "-"))] = middle[along]
    assert len(ticks) > 2
    return np.polyfit([*ticks], [*ticks.values()], 1)


@pytest.mark.parametrize("name", ["demo", "go on", "unbuilt", "corner", "one in n"])
def test_windows_and_reading_lie_where_the_scales_say(name):
    page, _ = rig_pages.page(name)
    picture = rig_pages.picture(name)
    up, right = scale(page, "a", 1), scale(page, "b", 0)
    drawn = np.vstack([part for one in page.drawn for part in one.parts])
    for points, near in ((picture.window, 0.3), (picture.sure_window, 0.3), (picture.reading[None, :], 1.4)):
        # a corner of the ring is one of what is drawn; the reading is the middle of a dot of 1.1 mm
        at = np.column_stack([np.polyval(right, points[:, 1]), np.polyval(up, points[:, 0])])
        apart = np.hypot(*(at[:, None, :] - drawn[None, :, :]).transpose(2, 0, 1)).min(axis=1)
        assert apart.max() < near


def test_plus_b_is_to_the_left_where_it_is_seen_so_from_above():
    right, left = rig_pages.picture("go on"), rig_pages.picture("unbuilt")
    assert (right.b_right, left.b_right) == (True, False)
    ticks = [text for text in rig_pages.page("unbuilt")[0].texts if text.text in ("+5", "\u22125") and text.y < 33.0]
    at = {text.text: text.x for text in ticks if text.x < 105.0}
    assert at["+5"] < at["\u22125"]


@pytest.mark.parametrize(("name", "arrows"), [("demo", 2), ("go on", 0), ("no window", 0), ("no reading", 0)])
def test_only_a_correction_has_an_arrow(name, arrows):
    page, _ = rig_pages.page(name)
    # one from the reading, one in the legend
    assert len([one for one in page.of(stroke=MOVE) if one.width == pytest.approx(BOLD, abs=0.02)]) == arrows


def test_without_a_window_nothing_is_filled_but_the_legend_and_the_least_bad_lean_is_marked():
    page, _ = rig_pages.page("no window")
    assert len(page.of(fill=SURE_FILL)) == 1
    assert "least bad lean" in page.words()
    assert "No lean keeps every joint, the verticality" in page.words()


def test_without_a_reading_the_window_stands_and_the_joints_say_so():
    page, _ = rig_pages.page("no reading")
    assert len(page.of(fill=SURE_FILL)) == 2
    assert page.words().count("no reading") == 3
    assert page.words().count("NOT BUILT: at design") == 2


def test_the_pit_side_and_both_neighbours_are_named_in_the_readers_sense():
    assert {"PIT SIDE: top to the pit", "top to A131", "top to A001"} <= {
        text.text for text in rig_pages.page("demo")[0].texts
    }
    words = [text.text for text in rig_pages.page("corner")[0].texts]
    # a pile on a corner has two
    assert words.count("PIT SIDE: toe to the pit") == 2


def test_a_joint_that_is_lost_is_drawn_with_its_depth():
    picture = rig_pages.picture("demo")
    joint = picture.joints[0]
    assert joint.title == "A131~A132"
    k = int(np.flatnonzero(joint.overlap < joint.required)[0])
    assert joint.depth[k - 1] < joint.lost <= joint.depth[k]
    assert "lost below" in rig_pages.page("demo")[0].words()
    assert np.isnan(picture.joints[1].lost)


def test_the_window_is_dashed_and_the_sure_one_solid():
    page, _ = rig_pages.page("go on")
    dashes = [tuple(np.round(one.dash, 1)) for one in page.drawn if one.width == pytest.approx(MEDIUM, abs=0.02)]
    assert dashes.count(WINDOW_DASH) == 2


@poppler
@pytest.mark.parametrize("name", ["rig_page", "rig_card"])
def test_it_looks_as_it_looked(name):
    path = rig_pages.page("demo")[1] if name == "rig_page" else rig_pages.cards("demo", ("A132", "A066"))[1]
    assert_golden_picture(f"{name}.png", path, 1, dpi=110)
