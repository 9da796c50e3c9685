"""The scatter sheets, read back from the page: offsets to scale, means and ellipses, distributions, joints by level."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pdf_pages
import pytest
import shapely
import wall_folders
from scipy.stats import f as f_distribution

from asbuilt import read_survey, reconcile
from asbuilt.model import Withdrawal
from asbuilt.output.sheets import book
from asbuilt.output.sheets.canvas import BOLD, INK, Box
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.pile_charts import TOLERANCE_DASH
from asbuilt.output.sheets.scatter import scatter_sheets
from asbuilt.output.sheets.scatter_charts import CURVES, empirical, marker_size, ring, steps
from asbuilt.output.sheets.scatter_data import Cloud, beyond_text, group_row, holds_zero, reach_of, short_name
from asbuilt.output.sheets.scatter_levels import counts_at, named_levels
from asbuilt.reconcile import views_of

DEMO = Path(__file__).parents[3] / "demo_survey"
A3 = Box(left=20.0, bottom=10.0, width=275.0, height=277.0)


@cache
def demo():
    return reconcile(read_survey(DEMO))


def job_of(result, paper="A3"):
    return Job(result=result, views=views_of(result), paper=paper)


@pytest.fixture(scope="module")
def wall(tmp_path_factory):
    """Reconcile an invented wall, once."""
    found = {}

    def make(kind):
        if kind not in found:
            folder = wall_folders.make(tmp_path_factory.mktemp("walls") / kind, kind)
            found[kind] = reconcile(read_survey(folder))
        return found[kind]

    return make


@pytest.fixture(scope="module")
def pages_of(tmp_path_factory):
    """Read the scatter sheets of a result, written once."""
    found = {}

    def read(result, paper="A3"):
        key = id(result), paper
        if key not in found:
            path = tmp_path_factory.mktemp("scatter") / "sheets.pdf"
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(book, "KINDS", {"scatter": scatter_sheets})
                book.write_sheets(path, job_of(result, paper), tool_version="0.1.0", inputs_sha256="ab12" * 16)
            found[key] = result, pdf_pages.read_pages(path)
        return found[key][1]

    return read


def middles(page, fill, size, corners):
    """Return the middles of the marks of one fill, size and number of corners."""
    found = [
        (part.min(axis=0) + part.max(axis=0)) / 2.0
        for drawn in page.drawn
        if drawn.fill == pdf_pages.rgb(fill) and drawn.stroke is not None
        for part in drawn.parts
        if np.ptp(part[:, 0]) == pytest.approx(size, abs=0.01) and (len(part) <= 6) == (corners == 4)
    ]
    return np.array(found).reshape(-1, 2)


def tolerance_circles(page):
    """Return middle and radius of the tolerance circles in the drawing, the largest first."""
    found = [
        ((part.min(axis=0) + part.max(axis=0)) / 2.0, np.ptp(part[:, 0]) / 2.0)
        for drawn in page.drawn
        if drawn.dash == pytest.approx(TOLERANCE_DASH, abs=0.01)
        for part in drawn.parts
        if len(part) > 20
    ]
    return sorted(found, key=lambda one: -one[1])


# -------------------------------------------------------------------------------------------------------- the offsets


def test_offsets_are_from_the_centre_set_out():
    """A014 of the demo was set out 21 mm from design, with approval."""
    result, cloud = demo(), Cloud.of(demo())
    pile = result.piles["pile_id"].tolist().index("A014")
    (row,) = np.flatnonzero(cloud.row == pile)
    assert cloud.length[row] == pytest.approx(float(result.piles["offset_from_set_out_mm"][pile]), abs=1e-6)
    assert cloud.length[row] < 0.5 * float(result.piles["offset_mm"][pile])
    assert "A014 (3, from design 24)" in cloud.moved_text()


def test_an_approval_that_was_taken_out_of_use_moves_no_centre():
    """A later approval of A014, a metre off, was withdrawn: the first one stands."""
    survey = read_survey(DEMO)
    twice = survey.set_out.take(np.flatnonzero(survey.set_out["pile_id"] == "A014")[[0, 0]])
    twice.columns["easting"][1] += 1.0
    twice.columns["at"][1] += np.timedelta64(1, "h")
    twice.file[1] = 0
    gone = Withdrawal(file=0, pile=-1, at=twice["at"][1].astype("datetime64[ms]"), text="withdrawn: wrong pile")
    result = reconcile(replace(survey, set_out=twice, withdrawals=(gone,)))
    cloud = Cloud.of(result)
    (row,) = np.flatnonzero(cloud.moved)
    assert result.piles["pile_id"][cloud.row[row]] == "A014"
    assert cloud.length[row] == pytest.approx(float(result.piles["offset_from_set_out_mm"][cloud.row[row]]), abs=1e-6)
    assert cloud.length[row] < 10.0


def test_the_points_have_the_means_of_the_statistics():
    cloud = Cloud.of(demo())
    (whole,) = cloud.groups("all")
    assert cloud.offset.mean(axis=0) == pytest.approx(np.array(whole.mean_mm), abs=1e-6)
    for number, group in enumerate(cloud.groups("side")):
        rows = np.asarray(demo().piles.side)[cloud.row] == number
        assert cloud.in_wall[rows].mean(axis=0)[::-1] == pytest.approx(np.array(group.mean_mm), abs=1e-6)


def test_every_surveyed_pile_has_its_mark_by_kind(pages_of, wall):
    result = wall("ring_60")
    page = pages_of(result)[0]
    size = marker_size(54, 2.5)
    # One window each: a single load has no windows of its own. The legend shows one mark of each kind and fill.
    assert len(middles(page, "#FFFFFF", size, 0)) == 27 + 2
    assert len(middles(page, "#FFFFFF", 0.9 * size, 4)) == 27 + 2
    assert "primary: 27 piles" in page.words()
    assert "54 of 60 piles surveyed" in page.words()


def test_a_mark_stands_at_its_offset_to_the_scale_of_the_tolerance_circle(pages_of, wall):
    result = wall("ring_60")
    page = pages_of(result)[0]
    centre, radius = tolerance_circles(page)[0]
    per_mm = radius / 25.0
    said = next(text.text for text in page.texts if text.text.endswith("at the main plot"))
    across, one = said.split(" ")[0].split(":")
    assert per_mm == pytest.approx(float(across) / float(one), rel=1e-3)
    offset = Cloud.of(result).offset[0]
    marks = middles(page, "#FFFFFF", marker_size(54, 2.5), 0)
    assert np.min(np.hypot(*(marks - centre - offset * per_mm).T)) < 0.02


def test_each_side_has_the_tolerance_circles_of_its_own_wall_alone(pages_of):
    """Four sides of wall A and one of wall B, whose cut-off lies deeper, so that more is allowed."""
    page = next(page for page in pages_of(demo()) if "by side" in page.words())
    allowed = {wall: float(Cloud.of(demo()).allowed_in(wall)[0]) for wall in "AB"}
    assert allowed == pytest.approx({"A": 35.6, "B": 58.2}, abs=0.05)
    radii = np.array([radius for _, radius in tolerance_circles(page)])
    assert len(radii) == 5
    assert radii / radii[-1] == pytest.approx([allowed["B"] / allowed["A"], 1.0, 1.0, 1.0, 1.0], rel=1e-3)
    assert "plan tolerance, wall A 35.6; wall B 58.2 mm" in page.words()


def test_outside_in_plan_is_filled(pages_of):
    """Four piles of the demo are outside; one of them lies beyond the window."""
    page = pages_of(demo())[0]
    assert "outside in plan: 4 piles" in page.words()
    main = [at for at in (*middles(page, INK, 1.6, 0), *middles(page, INK, 1.44, 4)) if at[1] > 150.0]
    assert len([at for at in main if at[0] < 160.0]) == 3


def test_a_blunder_is_named_and_does_not_shrink_the_others(pages_of):
    cloud = Cloud.of(demo())
    assert cloud.length.max() > 150.0
    assert reach_of(cloud.offset, cloud.allowed) < 80.0
    words = pages_of(demo())[0].words().replace("\n", " ")
    assert "Beyond: A101 (155 mm)." in words
    assert "pile beyond the window" in words


def test_a_whole_load_that_is_shifted_stays_in_sight():
    shifted = np.random.default_rng(5).normal((120.0, 0.0), 5.0, (40, 2))
    assert reach_of(shifted, np.array([25.0])) > np.hypot(*shifted.T).max()


def test_beyond_names_the_farthest_first_and_counts_the_rest():
    cloud = Cloud.of(demo())
    far = np.argsort(-cloud.length)[:7]
    mask = np.zeros(len(cloud), dtype=bool)
    mask[far] = True
    said = beyond_text(cloud, mask)
    assert said.startswith("Beyond: A101 (155 mm), ")
    assert said.endswith(" and 2 more.")
    assert beyond_text(cloud, np.zeros(len(cloud), dtype=bool)) == ""


# ------------------------------------------------------------------------------------------------------------ ellipses


@pytest.mark.parametrize("by", ["all", "side"])
def test_confidence_ellipse_is_hotellings(by):
    """Each point: n (x − m)ᵀ S⁻¹ (x − m) = 2 (n − 1)/(n − 2) F(0.95; 2, n − 2).

    Johnson & Wichern, Applied Multivariate Statistical Analysis, section 5.4.
    """
    cloud = Cloud.of(demo())
    group = cloud.groups(by)[0]
    in_side = np.asarray(demo().piles.side)[cloud.row] == 0
    pairs = cloud.in_wall[in_side] if by == "side" else cloud.offset
    n = len(pairs)
    assert n == group.count
    away = ring(group) - pairs.mean(axis=0)
    inverse = np.linalg.inv(np.cov(pairs.T))
    wanted = 2.0 * (n - 1) / (n - 2) * f_distribution.ppf(0.95, 2, n - 2)
    assert n * np.einsum("ki,ij,kj->k", away, inverse, away) == pytest.approx(wanted, rel=1e-6)


def test_an_ellipse_that_leaves_out_zero_shows_a_bias(pages_of, wall):
    groups = [g for g in wall("open_400").statistics.groups if g.ellipse is not None]
    assert len(groups) > 5
    for group in groups:
        assert holds_zero(group) == shapely.Polygon(ring(group, points=720)).contains(shapely.Point(0.0, 0.0))
    biased = [group.name for group in groups if group.by == "side" and not holds_zero(group)]
    assert biased == ["A side 2"]
    words = pages_of(wall("open_400"))[1].words().replace("\n", " ")
    assert "leaves out 0, so that a bias shows: A side 2." in words


def test_few_piles_have_no_ellipse():
    group = next(g for g in demo().statistics.groups if g.by == "kind" and g.name == "other")
    assert group.count == 1
    assert ring(group).shape == (0, 2)
    assert holds_zero(group)
    assert group_row(group)[4:6] == ("—", "—")


# --------------------------------------------------------------------------------------------------- tables and words


def test_a_share_reads_100_only_where_all_are_within():
    group = demo().statistics.groups[0]
    assert group_row(replace(group, share_within=0.9999))[-1] == "99.99 %"
    assert group_row(replace(group, share_within=1.0))[-1] == "100 %"


def test_table_holds_the_statistics(pages_of):
    words = [text.text for text in pages_of(demo())[0].texts]
    (whole,) = Cloud.of(demo()).groups("all")
    for said in ("all piles", "147", f"{whole.rms_mm:.1f}", f"{whole.percentile_95_mm:.1f}", "wall B", "rig R2"):
        assert said in words


def many_loads(count):
    """Return the demo with its piles spread over so many loads, a day apart."""
    result = demo()
    columns = dict(result.piles.columns)
    number = np.arange(len(result.piles)) % count
    columns["load_file"] = np.array([f"pickups/day_{k + 1:02d}.csv" for k in number], dtype=object)
    at = np.datetime64("2024-09-01T12:00:00.000") + number.astype("timedelta64[D]")
    return replace(
        result,
        piles=replace(result.piles, columns=columns),
        centres=replace(result.centres, surveyed_at=at.astype("datetime64[ms]")),
    )


def test_the_six_latest_loads_are_drawn_and_the_rest_said(pages_of):
    result = many_loads(9)
    assert Cloud.of(result).loads()[0] == "pickups/day_09.csv"
    page = pages_of(result)[0]
    words = [text.text for text in page.texts]
    assert [f"day_{k:02d}" in words for k in range(1, 10)] == [False] * 3 + [True] * 6
    assert any("3 earlier loads are in the totals only" in said for said in words)


def test_long_names_keep_their_end():
    assert short_name("pickups/a_very_long_name_20240930.csv", 12) == "…0240930.csv"
    assert short_name("day_1.csv", 12) == "day_1.csv"


# ---------------------------------------------------------------------------------------------------------------- sides


def test_six_sides_a_sheet(tmp_path, pages_of):
    """A wall of eight sides: two sheets of them, each side with its piles."""
    heading = np.radians(np.repeat(np.arange(8) * 40.0, 5))
    run = 0.75 * np.column_stack([np.cos(heading), np.sin(heading)])
    centres = np.array([1000.0, 2000.0]) + np.cumsum(run, axis=0)
    folder = wall_folders.write(tmp_path / "eight", centres, closed=False, share=1.0, name="Invented wall of eight")
    result = reconcile(read_survey(folder))
    sides = Cloud.of(result).groups("side")
    assert len(sides) == 8
    titles = [sheet.title for sheet in scatter_sheets(job_of(result), A3, 2.5)]
    assert titles[1:3] == [
        "Scatter of plan offsets by side, wall axes, 1 of 2",
        "Scatter of plan offsets by side, wall axes, 2 of 2",
    ]
    pages = pages_of(result)
    counted = [sum(text.text.startswith(f"A side {k}: ") for text in pages[p].texts) for p, k in ((1, 6), (2, 7))]
    assert counted == [1, 1]


# ------------------------------------------------------------------------------------------------ distributions, joints


def test_empirical_distribution_is_exact():
    line = empirical(np.array([3.0, 1.0, 1.0, np.nan, 4.0]))
    assert line.tolist() == [[1.0, 0.0], [1.0, 50.0], [3.0, 50.0], [3.0, 75.0], [4.0, 75.0], [4.0, 100.0]]
    assert empirical(np.array([np.nan])).shape == (0, 2)


def test_counts_hold_from_a_level_down_to_the_next():
    level, count = np.array([3.2, -1.0, -4.0]), np.array([1, 2, 5])
    found = [counts_at(level, count, z) for z in (4.0, 3.2, 0.0, -1.0, -3.9, -4.0, -9.0)]
    assert found == [0, 1, 1, 2, 2, 5, 5]


def test_steps_rise_at_their_levels():
    curve = steps(np.array([3.2, -1.0]), np.array([1, 4]), top=4.0, bottom=-9.5)
    assert curve.level.tolist() == [4.0, 3.2, 3.2, -1.0, -1.0, -9.5]
    assert curve.count.tolist() == [0.0, 0.0, 1.0, 1.0, 4.0, 4.0]


def test_curve_of_joints_lost_is_to_the_scales_of_its_chart(pages_of):
    """Its last step, at the foot of the wall, stands at as many joints as are lost there."""
    page, t = pages_of(demo())[-1], demo().statistics
    (line,) = [
        part
        for drawn in page.of(stroke=INK)
        if drawn.width == pytest.approx(CURVES[0][0], abs=1e-3) and not drawn.dash
        for part in drawn.parts
        if part[:, 0].max() < 290.0 and len(part) > 5
    ]
    label = {
        text.text: text.x + pdf_pages.text_corners(text)[:, 0].max() / 2.0 - text.x / 2.0
        for text in page.texts
        if text.text in {"0", "5", "10"} and text.y < 40.0
    }
    per_joint = (label["10"] - label["5"]) / 5.0
    assert (line[-1, 0] - label["0"]) / per_joint == pytest.approx(int(t.curve_lost[-1]), abs=0.05)
    assert len(np.unique(np.round(line[:, 0], 3))) == len({0, *t.curve_lost.tolist()})


def test_counts_at_the_levels_of_the_site(pages_of):
    words = [text.text for text in pages_of(demo())[-1].texts]
    t = demo().statistics
    names = dict(named_levels(demo()))
    assert names == {
        "dig 1": 0.5,
        "dig 2, formation B": -4.0,
        "interlock to B": -5.5,
        "final, formation A": -8.0,
        "interlock to A": -9.5,
    }
    assert "final, formation A −8.00" in words
    lost = counts_at(t.curve_level, t.curve_lost, -8.0)
    asked = np.asarray(demo().joints["lost_level"], dtype=float)
    assert lost == int((asked >= -8.0).sum()) == 4


def test_chances_are_said_as_bounds(pages_of, wall):
    words = pages_of(wall("nothing"))[0].words().replace("\n", " ")
    assert "Chance that a joint or more is lost: between 0 and 1; that one is open: between 0 and 1." in words


def test_nothing_surveyed_is_said_and_every_joint_counted(pages_of, wall):
    pages = pages_of(wall("nothing"))
    assert len(pages) == 1
    words = pages[0].words()
    assert "No pile is surveyed yet: of 60 piles and 60 joints nothing is known" in words
    assert "Joints by level" in words
    assert "% of piles" not in words
    assert [text.text for text in pages[0].texts].count("60") >= 5


def test_distribution_has_the_limit_of_each_kind(pages_of):
    words = [text.text for text in pages_of(demo())[-1].texts]
    assert "allowed 2.00, other" in words
    assert "allowed 6.67, primary, secondary" in words
    assert "147 piles; 1 beyond, up to 155" in words


# ------------------------------------------------------------------------------------------------------------ the paper


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_no_text_leaves_the_frame(pages_of, paper):
    for page in pages_of(demo(), paper):
        corners = np.concatenate([pdf_pages.text_corners(text) for text in page.texts])
        assert (corners.min(axis=0) > (20.0, 10.0)).all()
        assert (corners.max(axis=0) < (page.width - 10.0, page.height - 10.0)).all()


def test_a_long_wall_takes_no_more_paths_than_a_short_one(pages_of, wall):
    few, many = (len(pages_of(wall(kind))[0].drawn) for kind in ("ring_60", "open_400"))
    assert many < few + 40


def test_marks_get_smaller_the_more_there_are():
    sizes = [marker_size(count, 2.5) for count in (100, 2000, 9000)]
    assert sizes == sorted(sizes, reverse=True)
    assert len(set(sizes)) == 3


def test_lines_of_the_means_differ(pages_of):
    """All, primary and secondary: three widths or dashes of ellipse in the window of means."""
    page = pages_of(demo())[0]
    looks = {
        (round(drawn.width, 2), drawn.dash)
        for drawn in page.of(stroke=INK)
        for part in drawn.parts
        if len(part) > 80 and part[:, 0].min() > 150.0 and part[:, 0].max() < 280.0
    }
    assert len(looks) == 3
    solid = BOLD, ()
    assert solid in looks
