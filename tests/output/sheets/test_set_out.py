"""The sheet of piles to set out, read back from the page: figures, warnings, sketches to scale, the chart of a ring."""

from __future__ import annotations

import shutil
from functools import cache, partial
from pathlib import Path

import numpy as np
import pdf_pages
import pytest
import set_out_folders
import wall_folders
from golden_files import assert_golden, assert_golden_picture
from sheet_books import title

from asbuilt import read_survey, reconcile
from asbuilt.commands.setout_list import set_out_list
from asbuilt.output.sheets.book import write_sheets
from asbuilt.output.sheets.canvas import BOLD, FINE, INK
from asbuilt.output.sheets.frame import FILING_MARGIN, MARGIN, PAPER, TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.notes import CAUTION
from asbuilt.output.sheets.set_out import ADVICE, NO_ADVICE, PLAIN, set_out_sheets
from asbuilt.output.sheets.set_out_sketch import MOST_SKETCHED
from asbuilt.output.sheets.symbols import DESIGN_DASH, PREDICTED_DASH, tint
from asbuilt.reconcile import views_of

DEMO = Path(__file__).parents[3] / "demo_survey"


class Written:
    """A list of piles to set out, its sheets as a file and as read back."""

    def __init__(self, path, result, listed, paper):
        self.path, self.listed = path, listed
        write_sheets(
            path,
            Job(result=result, views=views_of(result), paper=paper),
            tool_version="0.1.0",
            inputs_sha256="ab12" * 16,
            makers={"set out": partial(set_out_sheets, listed=listed)},
        )
        self.pages = pdf_pages.read_pages(path)

    @property
    def said(self):
        return [words(page) for page in self.pages]


def words(page):
    return " ".join(page.words().replace("\u2212", "-").split())


@pytest.fixture(scope="module")
def sheets_of(tmp_path_factory):
    """Write the sheets of a job, once."""
    folder = tmp_path_factory.mktemp("set_out")

    @cache
    def result_of(name):
        if name == "demo":
            return reconcile(read_survey(DEMO))
        made = folder / name
        if name.startswith("small"):
            set_out_folders.make(made)
            if name == "small_approved":
                set_out_folders.approve(made)
            if name == "small_mistyped":
                set_out_folders.approve(made, set_out_folders.APPROVED.replace("104.485", "105.500"))
        else:
            wall_folders.make(made, name)
        return reconcile(read_survey(made))

    @cache
    def write(name, *, paper="A3", plain=False):
        result = result_of(name)
        listed = set_out_list(result, [], plain=plain)
        return Written(folder / f"{name}_{paper}_{plain}.pdf", result, listed, paper)

    return write


JOBS = [("demo", "A3", False), ("demo", "A4", False), ("ring_60", "A3", False), ("ring_60", "A4", False)]
JOBS += [("small", "A4", False), ("small_mistyped", "A4", False)]
JOBS += [("small", "A3", True), ("nothing", "A3", True), ("nothing", "A4", True)]


# ---- what every page keeps to


@pytest.mark.parametrize(("name", "paper", "plain"), JOBS)
def test_nothing_stands_outside_the_frame_and_all_can_be_read(sheets_of, name, paper, plain):
    across, up = PAPER[paper]
    for page in sheets_of(name, paper=paper, plain=plain).pages:
        assert min(text.height for text in page.texts) >= TEXT[paper] - 0.01
        assert min(pdf_pages.contrast_on_white(text.colour) for text in page.texts) >= 4.5
        corners = np.concatenate([pdf_pages.text_corners(text) for text in page.texts])
        ends = np.concatenate([np.array(pdf_pages.visible(drawn)) for drawn in page.drawn])
        for points, slack in ((corners, 0.0), (ends, 0.36)):
            assert np.all(points >= (FILING_MARGIN - slack, MARGIN - slack))
            assert np.all(points <= (across - MARGIN + slack, up - MARGIN + slack))


@pytest.mark.parametrize(("name", "paper", "plain"), JOBS)
def test_no_text_runs_over_another(sheets_of, name, paper, plain):
    for page in sheets_of(name, paper=paper, plain=plain).pages:
        level = [text for text in page.texts if text.angle == 0.0]
        boxes = [pdf_pages.text_corners(text) for text in level]
        low = np.array([box.min(axis=0) for box in boxes]) + 0.15
        high = np.array([box.max(axis=0) for box in boxes]) - 0.15
        meet = np.all((low[:, None] < high[None]) & (low[None] < high[:, None]), axis=2)
        assert [(level[i].text, level[j].text) for i, j in np.argwhere(np.triu(meet, 1))] == []


@pytest.mark.parametrize(("name", "paper", "plain"), JOBS)
def test_the_warning_and_the_boxes_to_sign_stand_on_the_first_sheet(sheets_of, name, paper, plain):
    written = sheets_of(name, paper=paper, plain=plain)
    assert (PLAIN if plain else NO_ADVICE if name in ("ring_60", "small_mistyped") else ADVICE) in written.said[0]
    texts = [text.text for text in written.pages[0].texts]
    assert {"Computed", "Confirmed", "Set out", "Name", "Date, time", "Signature"} <= set(texts)
    assert texts.count("Signature") == 4
    assert all(CAUTION in said for said in written.said)


def test_a_mistyped_approved_centre_stands_above_everything_else(sheets_of):
    said = sheets_of("small_mistyped", paper="A4").said[0]
    assert "CHECK: P6: approved centre would leave joint P5~P6 open at +3.20, overlap -900 mm" in said
    assert "1000 mm from design, beyond the play of 15 mm: check the line in set_out/approved.csv:2" in said
    assert said.index("CHECK: P6: approved centre lies") < said.index("No other centre is advised here")
    assert "approved-check" in said


def test_piles_left_out_are_named_in_the_notes(sheets_of):
    assert "Still to drill, not in the list: P7, P8: no neighbour is built yet." in sheets_of("small").said[0]


# ---- figures


def test_the_demo_says_where_to_set_out_and_what_it_comes_to(sheets_of):
    page = sheets_of("demo").pages[0]
    row = [text.text.replace("\u2212", "-") for text in sorted(page.texts, key=lambda t: t.x) if _beside(page, text)]
    assert row == [
        *("A066", "1046.609", "2016.248", "advised", "-6", "+12", "-14", "0"),
        *("50", "126", "140", "-9.50", "A065~A066", "yes"),
    ]
    assert title(page) == "Set-out of 1 pile, 1 of 2"


def _beside(page, text):
    """Whether a text stands on the line of the table that holds the easting."""
    line = next(one.y for one in page.texts if one.text == "1046.609")
    return abs(text.y - line) < 0.1 and text.x < 295.0


def test_tapes_are_listed_joint_by_joint_with_room_to_write(sheets_of):
    written = sheets_of("small")
    texts = [text.text for text in written.pages[0].texts]
    # centres 765 mm apart, radii of 440: 325, over the casing 765, a bite of 115
    assert [name for name in ("325", "765", "115") if name in texts] == ["325", "765", "115"]
    assert "read" in texts
    assert texts.count("to drill") == 1
    assert "off by more than \u00b1, stop" in written.said[0]


def test_the_heading_names_advice_only_where_there_is_some(sheets_of):
    assert "advice, to be confirmed" in sheets_of("demo").said[0]
    assert "advice, to be confirmed" not in sheets_of("ring_60").said[0]
    assert "advice, to be confirmed" not in sheets_of("small_approved").said[0]


def test_an_approved_centre_is_told_apart(sheets_of):
    said = sheets_of("small_approved").said[0]
    assert "P6: approved" in said
    assert "approved: agreed to by the engineer (set_out/approved.csv)." in said
    assert "advised: advice" not in said


def test_the_plain_design_stands_at_design(sheets_of):
    written = sheets_of("small", plain=True)
    assert title(written.pages[0]) == "Design set-out of 3 piles"
    assert {"104.500", "105.250", "106.000"} <= {text.text for text in written.pages[0].texts}
    assert "advised" not in written.said[0]


def test_a_long_list_goes_on_and_names_every_pile(sheets_of):
    written = sheets_of("nothing", paper="A4", plain=True)
    assert len(written.pages) > 1
    named = [text.text for page in written.pages for text in page.texts if text.x < 40.0]
    assert {f"A{k}" for k in range(1, 61)} <= set(named)


def test_long_lists_are_not_sketched(sheets_of):
    assert len(sheets_of("nothing", plain=True).listed) > MOST_SKETCHED
    assert not any("Sketches, 1:" in said for said in sheets_of("nothing", plain=True).said)
    assert "Sketches, 1:50" in sheets_of("small", plain=True).said[0]


# ---- sketches


def circles(page, **look):
    """Return centres (k, 2) and radii (k,) of the circles of one look in the drawing [mm]."""
    found = [
        part
        for drawn in page.drawn
        if all(getattr(drawn, name) == pytest.approx(value, abs=0.01) for name, value in look.items())
        for part in drawn.parts
        if len(part) > 20 and part[:, 0].max() < 290.0
    ]
    low, high = (np.array([getattr(part, end)(axis=0) for part in found]) for end in ("min", "max"))
    return (low + high) / 2.0, (high - low)[:, 0] / 2.0


def test_sketches_are_true_to_scale(sheets_of):
    """1:50: radii of 440 mm are 8.8 mm, P5 stands 765 mm west of the mark."""
    page = sheets_of("small").pages[0]
    own, radius = circles(page, width=BOLD)
    built, beside = circles(page, fill=pdf_pages.rgb(tint(INK, 0.08)))
    assert radius.tolist() == pytest.approx([8.8], abs=0.02)
    assert beside.tolist() == pytest.approx([8.8], abs=0.02)
    assert (built - own).ravel().tolist() == pytest.approx([-765 / 50, 0.0], abs=0.03)


def test_a_neighbour_that_is_not_built_is_dashed(sheets_of):
    page = sheets_of("small").pages[0]
    own, _ = circles(page, width=BOLD)
    dashed, _ = circles(page, width=FINE, dash=DESIGN_DASH)
    # P7 is to stand 765 mm east of the mark
    assert (dashed - own).ravel().tolist() == pytest.approx([765 / 50, 0.0], abs=0.03)


def test_names_and_tapes_stand_in_their_circles(sheets_of):
    page = sheets_of("small").pages[0]
    (centre,), (radius,) = circles(page, fill=pdf_pages.rgb(tint(INK, 0.08)))
    inside = [text.text for text in page.texts if np.hypot(text.x - centre[0], text.y - centre[1]) < radius]
    assert inside == ["P5", "325"]


# ---- how a ring closes


def test_the_chart_shows_the_running_misclosure_true_to_its_scales(sheets_of):
    written = sheets_of("ring_60")
    (ring,) = written.listed.closures
    page = written.pages[1]
    (line,) = [p for d in page.drawn for p in d.parts if len(p) == len(ring.running) and d.fill is None]
    ticks = {t.text.replace("\u2212", "-"): t for t in page.texts if t.text.lstrip("+\u2212").isdigit()}
    per_mm = (ticks["+50"].y - ticks["-50"].y) / 100.0
    assert (line[:, 1] - line[0, 1]).tolist() == pytest.approx((ring.running * 1000 * per_mm).tolist(), abs=0.05)
    per_metre = np.ptp(line[:, 0]) / ring.chainage[-1]
    assert (line[:, 0] - line[0, 0]).tolist() == pytest.approx((ring.chainage * per_metre).tolist(), abs=0.05)


def test_the_forecast_and_its_band_follow_on(sheets_of):
    written = sheets_of("ring_60")
    (ring,) = written.listed.closures
    page = written.pages[1]
    (line,) = [p for d in page.drawn if d.dash == pytest.approx(PREDICTED_DASH, abs=0.01) for p in d.parts]
    (band,) = [p for d in page.drawn if d.fill == pdf_pages.rgb(tint(INK, 0.16)) for p in d.parts]
    (run,) = [p for d in page.drawn for p in d.parts if len(p) == len(ring.running) and d.fill is None]
    assert line[0].tolist() == pytest.approx(run[-1].tolist(), abs=0.02)
    assert len(line) == 7
    per_mm = np.ptp(run[:, 1]) / np.ptp(ring.running * 1000)
    assert np.ptp(band[:, 1]) == pytest.approx((ring.high[-1] - ring.low[-1]) * 1000 * per_mm, abs=0.05)


def test_what_is_said_of_a_ring_stands_on_the_sheet(sheets_of):
    written = sheets_of("ring_60")
    for sentence in written.listed.closures[0].text:
        assert sentence.replace("\u2212", "-") in written.said[1]


# ---- as last looked at


def test_the_sheet_of_the_demo_says_what_it_said(sheets_of):
    texts = sorted(sheets_of("demo").pages[0].texts, key=lambda text: (-round(text.y), round(text.x)))
    assert_golden("sheet_set_out.txt", "\n".join(text.text for text in texts))


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")
def test_the_sheet_of_the_demo_looks_as_it_looked(sheets_of):
    assert_golden_picture("set_out_sheet.png", sheets_of("demo").path, 1, dpi=80)
