"""Frame, title block and columns: what stands where on the paper."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.frame import PAPER, TEXT, Entry, Frame, Sheet, Title, Viewport
from asbuilt.output.sheets.lettering import text_width


def margins(page):
    return 20.0, 10.0, page.width - 10.0, page.height - 10.0


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("closed", [True, False])
def test_nothing_is_drawn_outside_the_frame(paper, closed, page_of):
    page = page_of(60, closed=closed, paper=paper)
    left, bottom, right, top = margins(page)
    assert len(page.drawn) > 40
    for path in page.drawn:
        points = np.concatenate(path.parts)
        if path.clip is not None:
            points = np.clip(points, path.clip[:2], path.clip[2:])
        assert np.all(points >= np.array([left, bottom]) - 1e-3)
        assert np.all(points <= np.array([right, top]) + 1e-3)


@pytest.mark.parametrize("paper", PAPER)
def test_no_text_reaches_out_of_the_frame(paper, page_of):
    page = page_of(60, paper=paper, name='"An invented pumping station with quite a long name, contract 12"')
    left, bottom, right, top = margins(page)
    for text in page.texts:
        run = text_width(text.text, text.height) * np.array(
            [np.cos(np.radians(text.angle)), np.sin(np.radians(text.angle))]
        )
        for x, y in ((text.x, text.y), (text.x + run[0], text.y + run[1])):
            assert left <= x <= right, text
            assert bottom <= y <= top, text


@pytest.mark.parametrize(("paper", "least"), [("A4", 1.8), ("A3", 2.5), ("A1", 3.5)])
def test_lettering_is_high_enough(paper, least, page_of):
    page = page_of(60, paper=paper)
    assert min(text.height for text in page.texts) == pytest.approx(least, abs=1e-6)


def test_lettering_contrasts_with_the_paper(ring_page):
    def luminance(colour):
        grey = np.array(colour * 3 if len(colour) == 1 else colour)
        linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text of this size.
    assert min(1.05 / (luminance(text.colour) + 0.05) for text in ring_page.texts) >= 4.5


def test_title_block_says_who_what_when_and_from_what(ring_page):
    said = {text.text for text in ring_page.texts}
    assert {
        "Invented pumping station",
        "Deviation plan at cut-off",
        "1:200 at A3",
        "2025-03-04 17:30 UTC",
        "INV-100-PL-001",
        "1 of 1",
        "Invented Piling",
        "asbuilt 0.1.0, inputs sha256 ab12ab12ab12",
        "Secondaries 1 to 40 added",
    } <= said


def test_signatures_are_left_for_ink(ring_page):
    captions = {t.text: t for t in ring_page.texts if t.text in ("Prepared", "Checked", "Approved")}
    assert len(captions) == 3
    below = [t for t in ring_page.texts if t.y < captions["Prepared"].y and t.x > captions["Prepared"].x - 1.0]
    assert below == []


def test_a_name_too_long_is_cut_with_an_ellipsis(page_of):
    page = page_of(20, name='"The very long name of an invented waterside pumping station, contract 12-B"')
    assert any(t.text.startswith("The very long name of an invented") and t.text.endswith("\u2026") for t in page.texts)


def test_dollar_signs_are_dollar_signs(page_of):
    page = page_of(20, name='"Lot $x^2$ and $y_3$"', ids=[f"A_{k}$" for k in range(20)])
    said = page.words()
    assert "Lot $x^2$ and $y_3$" in said
    assert "A_7$" in said


def test_a_character_without_glyph_shows_as_a_box(page_of):
    page = page_of(20, name='"Sch\u00e4chte \u732b 12"')
    assert "Sch\u00e4chte \u25a1 12" in page.words()


def test_what_one_column_cannot_hold_goes_to_the_next():
    title = Title(job="J", as_of="2025-01-01", tool="asbuilt 0", inputs="00")
    sheet = Sheet(
        title="T", scale=None, draw=lambda _canvas: None, notes=tuple(Entry(text=f"Note {k}.") for k in range(60))
    )
    assert Frame("A3", title).flow(sheet) is None
    columns = Frame("A3", title, columns=2).flow(sheet)
    assert [len(column) for column in columns] == [51, 10]


def test_a_column_never_reaches_into_the_title_block():
    title = Title(job="J", as_of="2025-01-01", tool="asbuilt 0", inputs="00")
    frame = Frame("A3", title)
    sheet = Sheet(
        title="T", scale=None, draw=lambda _canvas: None, notes=tuple(Entry(text=f"Note {k}.") for k in range(30))
    )
    (column,) = frame.flow(sheet)
    lowest = min(top - piece.height for piece, top in column)
    assert lowest > frame.inside.bottom + 26.4 * TEXT["A3"]


def test_viewport_is_true_to_scale():
    view = Viewport(box=Box(left=20.0, bottom=30.0, width=200.0, height=100.0), scale=100, easting=7.0, northing=-3.0)
    paper = view.paper(np.array([2.0, 12.0]), np.array([-3.0, -3.0]))
    assert paper == pytest.approx(np.array([[70.0, 80.0], [170.0, 80.0]]), abs=1e-9)
    assert view.site(70.0, 80.0) == pytest.approx((2.0, -3.0), abs=1e-12)
