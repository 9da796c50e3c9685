"""The sheet of one pile, read back from the page: levels and deviations to scale, limits, shots, figures, words."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pdf_pages
import pytest
import wall_folders

from asbuilt import read_survey, reconcile
from asbuilt.columns import VERDICTS
from asbuilt.output.sheets import book
from asbuilt.output.sheets.canvas import BOLD, GREY, INK, Box
from asbuilt.output.sheets.figures import figure
from asbuilt.output.sheets.frame import PAPER
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.pile import pile_sheets
from asbuilt.output.sheets.pile_charts import (
    BAND,
    DIRECTION_LIMIT,
    LIMIT_DASH,
    TOLERANCE_DASH,
    choose_ratio,
    level_ticks,
    ratio_text,
)
from asbuilt.output.sheets.pile_figures import checks
from asbuilt.output.sheets.pile_plan import ellipse
from asbuilt.output.sheets.symbols import OTHER_DASH, PREDICTED_DASH
from asbuilt.reconcile import views_of

DEMO = Path(__file__).parents[3] / "demo_survey"
#: The room that an A3 sheet leaves beside one column.
A3 = Box(left=20.0, bottom=10.0, width=275.0, height=277.0)
AXIS = BOLD + 0.1


@cache
def demo():
    result = reconcile(read_survey(DEMO))
    return result, views_of(result)


def place(pile_id: str) -> int:
    return demo()[0].piles["pile_id"].tolist().index(pile_id)


def job(*pile_ids: str, paper: str = "A3", scale: int | None = None) -> Job:
    result, views = demo()
    return Job(result=result, views=views, paper=paper, scale=scale, piles=tuple(map(place, pile_ids)))


@pytest.fixture(scope="module")
def page_of(tmp_path_factory):
    """Read the page of one pile of the demo, written once for each paper."""
    pages: dict[tuple[str, str], pdf_pages.Page] = {}

    def read(pile_id: str, paper: str = "A3") -> pdf_pages.Page:
        if (pile_id, paper) not in pages:
            path = tmp_path_factory.mktemp("pile") / "sheets.pdf"
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(book, "KINDS", {"pile": pile_sheets})
                book.write_sheets(path, job(pile_id, paper=paper), tool_version="0.1.0", inputs_sha256="ab12" * 16)
            (pages[pile_id, paper],) = pdf_pages.read_pages(path)
        return pages[pile_id, paper]

    return read


def scales(page: pdf_pages.Page) -> tuple[float, float]:
    """Return the scales of levels and of deviations from the title block."""
    said = next(text.text for text in page.texts if ", across " in text.text)
    up, across = said.split(", across ")
    whole, part = across.split(":")
    return float(up.removeprefix("1:")), float(part) / float(whole)


def dashed(page, dash, *, width=None):
    """Return the lines of one dash, in the drawing and not in the legend (which stands right of 300 mm on A3)."""
    wanted = pytest.approx(dash, abs=0.01)
    return [
        part
        for drawn in page.drawn
        if drawn.dash == wanted and drawn.stroke is not None and (width is None or drawn.width == pytest.approx(width))
        for part in drawn.parts
        if part[:, 0].max() < 290.0
    ]


def bold(page):
    """Return the solid lines of the axis in the two plots, the left one first."""
    found = [
        drawn.parts[0]
        for drawn in page.drawn
        if drawn.stroke == pdf_pages.rgb(INK) and drawn.width == pytest.approx(AXIS, abs=1e-3) and not drawn.dash
    ]
    return sorted((line for line in found if line[:, 0].max() < 290.0), key=lambda line: line[0, 0])


def zero_lines(page):
    """Return where the upright lines of no deviation stand [mm of paper]."""
    found = [
        part[0, 0]
        for drawn in page.of(stroke=GREY)
        for part in drawn.parts
        if len(part) == 2 and abs(part[0, 0] - part[1, 0]) < 1e-6 and abs(part[0, 1] - part[1, 1]) > 60.0
    ]
    return sorted(found)


# ----------------------------------------------------------------------------------------------------- which sheets


def test_no_sheet_unless_one_is_asked_for():
    assert pile_sheets(job(), A3, 2.5) == []


def test_each_pile_asked_for_has_a_sheet_titled_with_its_verdict():
    sheets = pile_sheets(job("A036", "A066", "A088"), A3, 2.5)
    assert [sheet.title for sheet in sheets] == ["Pile A036: outside", "Pile A066: not surveyed", "Pile A088: omitted"]
    assert [sheet.items for sheet in sheets] == [("A036",), ("A066",), ("A088",)]


# -------------------------------------------------------------------------------------------------- plots to scale


@pytest.mark.parametrize("paper", ["A3", "A1"])
def test_ten_metres_of_level_are_to_the_stated_scale(page_of, paper):
    page = page_of("A001", paper)
    up, _ = scales(page)
    levels = {
        round(part[0, 1], 3)
        for drawn in page.of(stroke=GREY)
        for part in drawn.parts
        if abs(part[0, 1] - part[1, 1]) < 1e-6 and part[1, 0] - part[0, 0] > 20.0
    }
    # Cut-off +3.20 and formation -8.00 of the demo.
    wanted = 11.20 * 1000.0 / up
    assert min(abs(abs(a - b) - wanted) for a in levels for b in levels) < 0.05


def test_axis_runs_as_far_across_as_it_leans(page_of):
    """From the surveyed level to the last reading, in both directions, at the stated scale."""
    _, views = demo()
    profile = views.pile(place("A025"))
    _, across = scales(page_of("A025"))
    measured = profile.level >= profile.predicted_below - 1e-9
    moved = (profile.deviation[measured][-1] - profile.deviation[measured][0]) * 1000.0 / across
    lines = bold(page_of("A025"))
    assert len(lines) >= 2
    drawn = [line[-1, 0] - line[0, 0] for line in sorted(lines, key=lambda line: -np.ptp(line[:, 1]))[:2]]
    assert sorted(drawn) == pytest.approx(sorted(moved.tolist()), abs=0.02)


def test_axis_stands_off_the_line_of_no_deviation_by_its_deviation(page_of):
    _, views = demo()
    profile = views.pile(place("A025"))
    _, across = scales(page_of("A025"))
    tall = sorted((line for line in bold(page_of("A025")) if np.ptp(line[:, 1]) > 60.0), key=lambda one: one[0, 0])
    starts = [line[0, 0] - zero for line, zero in zip(tall, zero_lines(page_of("A025")), strict=True)]
    assert starts == pytest.approx((profile.deviation[0] * 1000.0 / across).tolist(), abs=0.02)


def test_below_the_last_reading_the_axis_is_dashed(page_of):
    _, views = demo()
    profile = views.pile(place("A025"))
    up, _ = scales(page_of("A025"))
    predicted = [line for line in dashed(page_of("A025"), PREDICTED_DASH, width=AXIS) if len(line) > 1]
    length = (profile.predicted_below - profile.toe) * 1000.0 / up
    assert [np.ptp(line[:, 1]) for line in predicted[:2]] == pytest.approx([length, length], abs=0.02)


def test_funnel_opens_from_the_centre_at_cut_off_by_the_limit_of_lean(page_of):
    result, views = demo()
    pile = place("A025")
    profile = views.pile(pile)
    _, across = scales(page_of("A025"))
    lines = [line for line in dashed(page_of("A025"), LIMIT_DASH) if len(line) == 2]
    assert len(lines) == 4
    limit = float(result.piles["allowed_mm_per_m"][pile])
    wide = limit * (profile.cut_off - profile.toe) / across
    assert [abs(line[1, 0] - line[0, 0]) for line in lines] == pytest.approx([wide] * 4, abs=0.02)


def test_limit_towards_the_pit_reaches_from_cut_off_to_formation(page_of):
    result, _ = demo()
    up, across = scales(page_of("A025"))
    (line,) = dashed(page_of("A025"), DIRECTION_LIMIT)
    assert np.ptp(line[:, 1]) == pytest.approx(11.20 * 1000.0 / up, abs=0.02)
    allowed = result.survey.settings.tolerance.encroach_mm
    assert line[0, 0] - zero_lines(page_of("A025"))[0] == pytest.approx(allowed / across, abs=0.02)


def test_band_is_as_wide_as_its_uncertainty(page_of):
    """1.96 standard uncertainties to either side, at the toe, where it is widest."""
    _, views = demo()
    profile = views.pile(place("A025"))
    _, across = scales(page_of("A025"))
    bands = [drawn.parts[0] for drawn in page_of("A025").of(fill=BAND) if drawn.parts[0][:, 0].max() < 290.0]
    wide = [np.ptp(band[np.abs(band[:, 1] - band[:, 1].min()) < 1e-6, 0]) for band in bands]
    expected = 2 * 1.959964 * profile.sigma[-1] * 1000.0 / across
    assert wide == pytest.approx(expected.tolist(), abs=0.02)


def test_the_other_lean_model_is_drawn_where_there_is_one(page_of):
    assert dashed(page_of("A025"), OTHER_DASH)
    # A profile has no other model.
    assert not dashed(page_of("A012"), OTHER_DASH)


def test_readings_stand_with_their_values_at_their_levels(page_of):
    _, views = demo()
    profile = views.pile(place("A025"))
    page = page_of("A025")
    up, _ = scales(page)
    said = [figure(float(value) * 1000.0, plus=True) for value in profile.reading_slope[:, 0]]
    lane = sorted(
        (text for text in page.texts if text.text in said and 105.0 < text.x < 160.0 and text.y > 110.0),
        key=lambda text: -text.y,
    )
    assert [text.text for text in lane] == said
    gaps = -np.diff([text.y for text in lane])
    assert gaps == pytest.approx(-np.diff(profile.reading_level) * 1000.0 / up, abs=0.02)


def test_named_levels_are_those_of_the_pile(page_of):
    words = [text.text for text in page_of("A036").texts]
    for said in ("commence +4.00", "cut-off +3.20", "formation −8.00", "toe, design −12.00", "last reading −11.50"):
        assert said in words, said
    assert "toe, recorded −12.08" in words


def test_the_scale_of_plans_is_not_that_of_a_pile_sheet():
    (asked,), (free,) = (pile_sheets(job("A025", scale=scale), A3, 2.5) for scale in (200, None))
    assert asked.scale_text == free.scale_text
    assert free.scale_text.startswith("1:100,")


# ----------------------------------------------------------------------------------------------------- not surveyed


def test_not_surveyed_says_so_where_the_axis_would_be(page_of):
    page = page_of("A066")
    assert [text.text for text in page.texts].count("not surveyed:") == 2
    assert "Pile A066: not surveyed" in [text.text for text in page.texts]
    assert not bold(page)
    assert "axis as measured" not in page.words()


def test_readings_of_a_pile_not_surveyed_show_as_slopes(page_of):
    page, (_, views) = page_of("A062"), demo()
    profile = views.pile(place("A062"))
    assert len(profile.reading_level) > 0
    assert not np.isfinite(profile.reading_deviation).any()
    assert "lean reading over 2 m, about zero" in page.words()
    up, across = scales(page)
    tall, wide = 2000.0 / up, 2.0 * profile.reading_slope * 1000.0 / across
    strokes = [
        part
        for drawn in page.of(stroke=INK)
        for part in drawn.parts
        if len(part) == 2 and part[:, 0].max() < 290.0 and abs(np.ptp(part[:, 1]) - tall) < 0.02
    ]
    runs = sorted(part[1, 0] - part[0, 0] for part in strokes if not np.ptp(part[:, 0]) > 30.0)
    inside = [run for run in sorted(wide.ravel().tolist()) if any(abs(run - other) < 0.02 for other in runs)]
    # One at the toe is cut by the window's edge.
    assert len(inside) >= wide.size - 2


def test_omitted_is_not_judged(page_of):
    words = page_of("A088").words()
    assert "omitted:" in words
    assert "This pile is omitted: it is not built and not judged." in words


# ------------------------------------------------------------------------------------------------------ in plan, shots


def test_edge_shots_stand_around_the_fitted_circle(page_of):
    result, views = demo()
    pile, page = place("A130"), page_of("A130")
    profile = views.pile(pile)
    caption = next(text.text for text in page.texts if text.text.startswith("Shots, 1:"))
    scale = float(caption.removeprefix("Shots, 1:"))
    radius = float(result.piles["fit_radius_mm"][pile]) / scale
    circles = [
        part
        for drawn in page.of(stroke=INK)
        if not drawn.dash
        for part in drawn.parts
        if len(part) > 20 and np.ptp(part[:, 0]) == pytest.approx(2 * radius, abs=0.01)
    ]
    assert len(circles) == 1
    centre = (circles[0].min(axis=0) + circles[0].max(axis=0)) / 2.0
    dots = [part for drawn in page.of(fill=INK) for part in drawn.parts if np.ptp(part[:, 0]) == pytest.approx(1.8)]
    found = np.array([(dot.min(axis=0) + dot.max(axis=0)) / 2.0 for dot in dots])
    assert len(found) == int((profile.shot_edge & profile.shot_used).sum()) == 7
    residual = (np.hypot(*(found - centre).T) - radius) * scale
    assert np.sqrt(np.mean(residual**2)) == pytest.approx(float(result.piles["fit_rms_mm"][pile]), abs=0.6)


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_shots_are_told_in_words_on_every_paper(page_of, paper):
    words = page_of("A130", paper).words().replace("\n", " ")
    assert "radius 436.9 mm" in words
    assert "RMS 4.7 mm, arc 307°" in words
    assert "7 of 7 edge shots used" in words


def test_shots_that_are_not_used_are_told_apart(page_of):
    """The trimmed head governs: the five edge shots before it are crosses, no circle is fitted."""
    _, views = demo()
    profile, page = views.pile(place("A008")), page_of("A008")
    assert int(profile.shot_edge.sum()) == 5
    crosses = [
        part
        for drawn in page.of(stroke=INK)
        for part in drawn.parts
        if len(part) == 2
        and part[:, 0].max() < 290.0
        and np.abs(part[1] - part[0]) == pytest.approx([2.2, 2.2], abs=1e-3)
    ]
    assert len(crosses) == 2 * int((~profile.shot_used).sum())
    assert "the centre is from other shots" in page.words()


def test_plan_trace_is_to_its_scale_with_the_tolerance_circle(page_of):
    result, _ = demo()
    page = page_of("A025")
    caption = next(text.text for text in page.texts if text.text.startswith("Axis in plan, 1:"))
    scale = float(caption.removeprefix("Axis in plan, 1:"))
    allowed = float(result.piles["allowed_mm"][place("A025")]) / scale
    circles = [part for part in dashed(page, TOLERANCE_DASH) if len(part) > 20]
    assert [np.ptp(part[:, 0]) / 2.0 for part in circles] == pytest.approx([allowed], abs=0.01)
    centre = (circles[0].min(axis=0) + circles[0].max(axis=0)) / 2.0
    offset = np.array([result.piles[f"offset_{k}_mm"][place("A025")] for k in "en"]) / scale
    dots = [part for drawn in page.of(fill=INK) for part in drawn.parts if np.ptp(part[:, 0]) == pytest.approx(1.7)]
    found = np.array([(dot.min(axis=0) + dot.max(axis=0)) / 2.0 - centre for dot in dots])
    assert np.min(np.hypot(*(found - offset).T)) < 0.02


def test_ellipse_holds_95_percent_of_a_plane_normal():
    """Every point lies at the 95 % point of chi-squared on two degrees of freedom, 5.991 (standard tables)."""
    cov = np.array([25.0, 8.0, 9.0])
    ring = ellipse(np.array([3.0, -4.0]), cov) - (3.0, -4.0)
    inverse = np.linalg.inv([[25.0, 8.0], [8.0, 9.0]])
    assert np.einsum("ki,ij,kj->k", ring, inverse, ring) == pytest.approx(5.991, abs=1e-3)


# ------------------------------------------------------------------------------------------------------------ figures


def test_checks_are_those_of_the_results(page_of):
    result, _ = demo()
    pile = place("A036")
    rows = {row[0]: row[1:] for row in checks(result, pile).rows}
    p = result.piles
    assert rows["plan position"][:3] == ("29.3 mm", "35.6 mm", "within")
    assert rows["verticality"][2] == VERDICTS[p["vertical_verdict"][pile]] == "unresolved"
    assert rows["towards the pit"][:3] == ("82.8 mm", "75.0 mm", "outside")
    assert rows["face in outline"][:2] == ("42.5 mm", "0.0 mm")
    assert rows["toe, at or below"][:3] == ("−12.08 m", "−11.90 m", "within")
    words = page_of("A036").words().replace("\n", " ")
    assert "towards the pit 82.8 mm at −8.00, 75.0 mm allowed" in words


def test_what_is_not_known_is_said_in_words():
    rows = {row[0]: row[1:] for row in checks(demo()[0], place("A066")).rows}
    assert rows["plan position"] == ("not surveyed", "35.6 mm", "not surveyed", "—", "—")
    assert rows["toe, at or below"][0] == "not recorded"


def test_depths_count_from_cut_off():
    ticks = {said: level for level, said in level_ticks(3.2, -12.4, 4.4, 8)}
    assert ticks["0"] == pytest.approx(3.2)
    assert ticks["10"] == pytest.approx(-6.8)


@pytest.mark.parametrize(("ratio", "said"), [(5.0, "1:5"), (2.5, "1:2.5"), (0.5, "2:1"), (1.0, "1:1")])
def test_ratio_in_words(ratio, said):
    assert ratio_text(ratio) == said


def test_ratio_is_the_least_at_which_it_fits():
    assert choose_ratio(100.0, 50.0) == 2.0
    assert choose_ratio(101.0, 50.0) == 2.5


# ------------------------------------------------------------------------------------------------------------- legend


def test_legend_holds_what_is_on_the_sheet_only(page_of):
    profile, straight = page_of("A012").words(), page_of("A025").words()
    assert "row of the measured profile" in profile
    assert "lean reading" not in profile
    assert "the other lean model" in straight
    assert "fitted circle" not in straight
    assert "plan: 95 % ellipse, cut-off and toe" in straight
    # Without an axis the toe has no ellipse, and nothing was measured below the head.
    assert "axis as measured" not in page_of("A047").words()
    assert "cut-off and toe" not in page_of("A047").words()


def test_a_corner_pile_says_how_it_is_judged(page_of):
    said = "Corner pile: its movement towards the pit"
    assert said in page_of("A001").words().replace("\n", " ")
    assert said not in page_of("A025").words().replace("\n", " ")


# ---------------------------------------------------------------------------------------------------------- the paper


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
@pytest.mark.parametrize("pile_id", ["A130", "A066"])
def test_nothing_leaves_the_frame(page_of, pile_id, paper):
    page, (wide, high) = page_of(pile_id, paper), PAPER[paper]
    corners = np.concatenate([pdf_pages.text_corners(text) for text in page.texts])
    assert (corners.min(axis=0) > (20.0, 10.0)).all()
    assert (corners.max(axis=0) < (wide - 10.0, high - 10.0)).all()
    for drawn in page.drawn:
        low, high_end = pdf_pages.visible(drawn)
        assert (low > (19.6, 9.6)).all()
        assert (high_end < (wide - 9.6, high - 9.6)).all()


def test_a_wall_without_readings_or_outline(tmp_path):
    """A plain folder: no clear outline, so that row is not there."""
    result = reconcile(read_survey(wall_folders.make(tmp_path / "ring", "ring_60")))
    rows = [row[0] for row in checks(result, 0).rows]
    assert rows == ["plan position", "verticality", "towards the pit", "toe, at or below"]
