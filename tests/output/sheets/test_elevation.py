"""The developed elevation, read back from the page: levels and chainages to scale, holds, ids, paging."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pdf_pages
import pytest
import wall_folders

from asbuilt import model, read_survey, reconcile
from asbuilt.columns import VERDICTS
from asbuilt.output.sheets import book
from asbuilt.output.sheets.bands import BAND_LOOKS
from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.elevation import elevation_sheets
from asbuilt.output.sheets.elevation_marks import level_label
from asbuilt.output.sheets.elevation_panel import CONTOUR
from asbuilt.output.sheets.elevation_walls import stretches
from asbuilt.output.sheets.job import Job
from asbuilt.reconcile import views_of
from asbuilt.views import JOINT_STATES

DEMO = Path(__file__).parents[3] / "demo_survey"
INK, WHITE = "#1A1A1A", "#FFFFFF"
OPEN, LOST, NOT_SURE, SURE, NOT_SURVEYED = range(len(JOINT_STATES))
#: The room that an A3 and an A1 sheet leave beside one column.
A3 = Box(left=20.0, bottom=10.0, width=275.0, height=277.0)
A1 = Box(left=20.0, bottom=10.0, width=650.0, height=574.0)


def job_of(folder, **asked):
    result = reconcile(read_survey(folder))
    return Job(result=result, views=views_of(result), paper="A3", **asked)


def written(folder, job):
    """Return the pages of a job's elevations as read back from the file."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(book, "KINDS", {"elevation": elevation_sheets})
        book.write_sheets(folder / "sheets.pdf", job, tool_version="0.1.0", inputs_sha256="ab12" * 16)
    return pdf_pages.read_pages(folder / "sheets.pdf")


@pytest.fixture(scope="module")
def demo():
    return job_of(DEMO)


@pytest.fixture(scope="module")
def demo_pages(demo, tmp_path_factory):
    return written(tmp_path_factory.mktemp("demo"), demo)


@pytest.fixture(scope="module")
def ring(tmp_path_factory):
    return job_of(wall_folders.make(tmp_path_factory.mktemp("walls") / "ring", "ring_60"))


@pytest.fixture(scope="module")
def ring_page(ring, tmp_path_factory):
    (page,) = written(tmp_path_factory.mktemp("ring"), ring)
    return page


@pytest.fixture(scope="module")
def nothing_page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("nothing")
    (page,) = written(folder, job_of(wall_folders.make(folder / "wall", "nothing")))
    return page


def fills(page, colour):
    """Return the rectangles (k, 4) in the drawing that are filled with a colour and not outlined."""
    drawn = [d for d in page.of(fill=colour) if d.clip and d.stroke is None]
    parts = [part for d in drawn for part in d.parts if len(part) == 5]
    return np.array([[*part.min(axis=0), *part.max(axis=0)] for part in parts]).reshape(-1, 4)


def lines(page, *, width, clipped, stroke=INK):
    """Return the strokes of two points of a width, which a clip bounds or not."""
    drawn = [d for d in page.of(stroke=stroke) if d.width == pytest.approx(width, abs=0.005)]
    parts = [p for d in drawn if bool(d.clip) == clipped and d.fill is None for p in d.parts if len(p) == 2]
    return np.array(parts).reshape(-1, 2, 2)


def formation(page):
    """Return where the line of formation lies: the one bold line along the whole wall."""
    bold = lines(page, width=0.5, clipped=False)
    # the title block, right of the drawing, has one too
    (line,) = [
        part for part in bold if part[1, 0] - part[0, 0] > 60.0 and part[0, 0] < 150.0 and np.ptp(part[:, 1]) == 0
    ]
    return float(line[0, 1])


def at(page, text):
    return next(t for t in page.texts if t.text == text)


def band_rows(job, state):
    bands = job.views.bands()
    return np.flatnonzero(bands.state == state)


@pytest.mark.parametrize("state", [OPEN, LOST])
def test_bands_end_at_their_levels(ring, ring_page, state):
    bands, rows = ring.views.bands(), band_rows(ring, state)
    found = fills(ring_page, BAND_LOOKS[state].fill)
    found = found[np.argsort(found[:, 0])]
    # the vertical scale is 1:100, so that a metre is 10 mm; formation is at -8.00
    level = (found[:, [1, 3]] - formation(ring_page)) / 10.0 - 8.0
    np.testing.assert_allclose(level, np.stack([bands.bottom[rows], bands.top[rows]], axis=1), atol=0.005)


def test_white_bands_end_at_their_levels(ring, ring_page):
    bands = ring.views.bands()
    rows = np.flatnonzero((bands.state == SURE) | (bands.state == NOT_SURE))
    found = fills(ring_page, WHITE)
    level = np.sort(((found[:, [1, 3]] - formation(ring_page)) / 10.0 - 8.0).ravel())
    np.testing.assert_allclose(level, np.sort(np.concatenate([bands.bottom[rows], bands.top[rows]])), atol=0.005)


def test_a_strip_lies_between_the_chainages_of_its_piles(ring, ring_page):
    found = fills(ring_page, BAND_LOOKS[LOST].fill)
    joint = ring.views.bands().joint[band_rows(ring, LOST)]
    # 60 piles 0.75 m apart at 1:250: joint k starts at chainage 0.75 k; a strip is a hairline short at both sides
    foot = at(ring_page, "chainage, m").y
    middle = {
        t.text: t.x + pdf_pages.text_width(t.text, t.height) / 2
        for t in ring_page.texts
        if abs(t.y - foot) < 0.01 and t.x < 290.0
    }
    assert middle["45"] - middle["0"] == pytest.approx(180.0, abs=0.1)
    np.testing.assert_allclose(np.sort(found[:, 0]) - middle["0"], 3.0 * np.sort(joint) + 0.1, atol=0.06)
    np.testing.assert_allclose(found[:, 2] - found[:, 0], 2.8, atol=0.01)


def test_level_lines_lie_at_their_levels_and_are_named(ring_page):
    foot = formation(ring_page)
    for width, level in ((0.25, 0.5), (0.25, -3.0), (0.25, -4.0), (0.35, -9.5), (0.18, 1.5), (0.35, -14.0)):
        along = lines(ring_page, width=width, clipped=False)
        y = foot + (level + 8.0) * 10.0
        assert [p for p in along if np.ptp(p[:, 0]) > 180.0 and np.abs(p[:, 1] - y).max() < 0.02], level
    for name in ("cut-off +3.20", "dig 1 +0.50", "joints for dig 2 to −6.50", "formation −8.00", "interlock to −9.50"):
        assert at(ring_page, name)
    for name in ("water outside +1.50", "water inside −8.50", "tight stratum −14.00"):
        assert at(ring_page, name)


def test_names_of_levels_do_not_run_over_one_another(demo_pages):
    for page in demo_pages:
        y = np.sort([t.y for t in page.texts if t.text.endswith(("0", "5")) and " " in t.text and "−" in t.text])
        assert np.diff(y).min() >= 2.5


def test_contour_follows_where_lost_begins(ring, ring_page):
    bands = ring.views.bands()
    lost = np.isin(bands.state, (OPEN, LOST))
    flips = np.flatnonzero((bands.joint[1:] == bands.joint[:-1]) & (lost[1:] != lost[:-1]))
    found = lines(ring_page, width=CONTOUR, clipped=True)
    flat = found[np.abs(np.diff(found[:, :, 1], axis=1)[:, 0]) < 1e-6]
    level = np.sort((flat[:, 0, 1] - formation(ring_page)) / 10.0 - 8.0)
    assert len(flips) >= 4
    np.testing.assert_allclose(level, np.sort(bands.bottom[flips]), atol=0.005)


def test_contour_steps_between_strips(ring, ring_page):
    bands = ring.views.bands()
    found = lines(ring_page, width=CONTOUR, clipped=True)
    upright = found[np.abs(np.diff(found[:, :, 0], axis=1)[:, 0]) < 1e-6]
    drawn = np.abs(np.diff(upright[:, :, 1], axis=1)).sum() / 10.0
    lost = {int(j) for j in bands.joint[np.isin(bands.state, (OPEN, LOST))]}
    unknown = {int(j) for j in bands.joint[bands.state == NOT_SURVEYED]}
    # in this wall no two strips side by side are lost: each is bounded on both sides, but not against what is not known
    assert not {j + 1 for j in lost} & lost
    sides = sum(
        (bands.top - bands.bottom)[(bands.joint == j) & np.isin(bands.state, (OPEN, LOST))].sum()
        for j in lost
        for side in (j - 1, j + 1)
        if side not in unknown
    )
    assert drawn == pytest.approx(sides, abs=0.01)


def test_toes_are_ticked_at_the_level_recorded_and_only_there(ring, ring_page):
    toe = np.asarray(ring.result.piles["toe_level"], dtype=np.float64)
    known = toe[np.isfinite(toe)]
    # the first pile of a closed wall stands at both ends
    wanted = np.sort([*known, toe[0]])
    ticks = lines(ring_page, width=0.7, clipped=True)
    np.testing.assert_allclose(np.sort((ticks[:, 0, 1] - formation(ring_page)) / 10.0 - 8.0), wanted, atol=0.005)
    assert "6 not recorded" in ring_page.words()


def test_every_hold_is_marked_in_the_row_of_its_stage(ring, ring_page):
    joints = set(ring.result.joints["joint_id"].tolist())
    held = [{hold.item for hold in stage.held_by} for stage in ring.result.stages]
    plain = [d for d in ring_page.of(fill=INK) if d.stroke is None]
    # a triangle reads back as four points; one more stands in the legend
    triangles = [part for d in plain for part in d.parts if len(part) == 4]
    assert len(triangles) == sum(len(items & joints) for items in held) + 1
    rings = [d for d in ring_page.of(stroke=INK, fill=WHITE) if len(d.parts[0]) > 20]
    assert sum(len(d.parts) for d in rings) == sum(len(items - joints) for items in held) + 1
    for stage, items in zip(ring.result.stages, held, strict=True):
        row = at(ring_page, f"holds {stage.stage}: {len(items)}")
        tips = [part[:, 0].mean() for part in triangles if abs(part[:, 1].mean() - row.y - 2.0) < 1.5]
        assert len(tips) == len(items & joints)


def test_ids_stand_upright_above_joints_that_are_not_within(demo, demo_pages):
    joints = demo.result.joints
    wanted = set(joints["joint_id"][joints["verdict"] != VERDICTS.index("within")].tolist())
    extra = {"A087~A088X", "A088X~A089", "B01~A020"}
    found = [t.text for page in demo_pages for t in page.texts if t.angle == pytest.approx(90.0) and "~" in t.text]
    assert sorted(found) == sorted(wanted | extra)


def test_extra_joints_stand_in_a_group_of_their_own(demo_pages):
    page = next(p for p in demo_pages if "A088X~A089" in p.words())
    label, first, second = (at(page, text) for text in ("extra joints", "A087~A088X", "A088X~A089"))
    last = at(page, "A131~A132")
    assert last.x < label.x < first.x < second.x


def test_every_joint_is_on_exactly_one_sheet(demo):
    items = [item for sheet in elevation_sheets(demo, A3, 2.5) for item in sheet.items]
    assert sorted(items) == sorted(demo.result.joints["joint_id"].tolist())


def test_long_walls_take_several_sheets_whose_titles_say_which_part(demo):
    titles = [sheet.title for sheet in elevation_sheets(demo, A3, 2.5)]
    assert titles[0].startswith("Developed elevation, wall A, 1 of ")
    assert titles[0].split(" to ")[1] == titles[1].split(": chainage ")[1].split(" to ")[0] + " m"
    assert titles[-1] == "Developed elevation, wall B"


def test_short_walls_share_a_sheet(demo):
    (sheet,) = elevation_sheets(replace(demo, paper="A1"), A1, 3.5)
    assert sheet.title == "Developed elevation, walls A and B"
    assert len(sheet.items) == len(demo.result.joints)


@pytest.mark.parametrize("asked", [100, 500])
def test_the_horizontal_scale_is_as_asked_for(ring, asked):
    sheets = elevation_sheets(replace(ring, scale=asked), A3, 2.5)
    assert all(f"horizontal 1:{asked}, vertical 1:100" in " ".join(e.text for e in sheet.notes) for sheet in sheets)
    assert not any("was asked for" in entry.text for sheet in sheets for entry in sheet.notes)


def test_a_scale_that_does_not_fit_is_told(ring):
    sheets = elevation_sheets(replace(ring, scale=1), A3, 2.5)
    drawn = {sheet.scale_text or f"1:{sheet.scale}" for sheet in sheets}
    assert "1:1" not in drawn
    assert all(any(e.text.startswith("Scale 1:1 was asked for and does not fit") for e in s.notes) for s in sheets)


def test_a_strip_is_wide_enough_to_read_unless_a_scale_is_asked_for(demo):
    for sheet in elevation_sheets(demo, A3, 2.5):
        h = sheet.scale or int(sheet.scale_text.split("1:")[1].split(",")[0])
        assert 635.0 / h >= 2.5


def test_both_scales_are_stated(ring_page):
    assert {"Horizontal 1:250", "Vertical 1:100"} <= {t.text for t in ring_page.texts}
    assert at(ring_page, "hor. 1:250, vert. 1:100")


def test_a_wall_not_surveyed_does_not_look_like_a_pass(nothing_page):
    words = nothing_page.words()
    assert "not surveyed: 60 joints" in words
    assert "not surveyed, so not known; in 60 joints" in words
    assert not any(text.startswith("sure") for text in words.splitlines())
    assert not len(fills(nothing_page, WHITE))
    grey = BAND_LOOKS[NOT_SURVEYED].colour
    edges = [d for d in nothing_page.of(stroke=grey) if d.clip and d.fill is None]
    assert [len(d.parts) for d in edges] == [60]
    assert edges[0].dash
    assert sum(len(d.parts) for d in nothing_page.of(stroke=grey, fill=WHITE) if d.clip) >= 60


def test_there_is_no_sheet_without_joints(ring):
    result, none = ring.result, np.empty(0, dtype=np.int64)
    joints = model.Joints(
        columns={name: values[:0] for name, values in result.joints.columns.items()},
        a=none,
        b=none,
        required=np.empty(0),
        toe_level=np.empty(0),
    )
    without = replace(result, joints=joints)
    assert elevation_sheets(replace(ring, result=without, views=views_of(without)), A3, 2.5) == []


def test_a_strip_bridges_a_pile_that_is_omitted(demo):
    wall = demo.views.unrolled()[0]
    (row,) = np.flatnonzero(demo.result.joints["joint_id"][wall.joint] == "A087~A089")
    width = np.diff(wall.reach[row])[0]
    assert width == pytest.approx(2.0 * wall.spacing, abs=0.03)


def test_a_closed_wall_ends_with_the_joint_back_to_its_first_pile(demo):
    wall = demo.views.unrolled()[0]
    assert demo.result.joints["joint_id"][wall.joint[-1]] == "A132~A001"
    assert wall.reach[-1, 1] == wall.length
    # pile by pile around the design
    e, n = (
        np.append(demo.result.survey.design[name][:132], demo.result.survey.design[name][0])
        for name in ("easting", "northing")
    )
    assert wall.length == pytest.approx(np.hypot(np.diff(e), np.diff(n)).sum(), abs=1e-6)


def test_a_wall_is_cut_between_strips_into_parts_that_fit(demo):
    wall = demo.views.unrolled()[0]
    parts = stretches(wall, 200, 150.0, 20.0)
    assert [part.last for part in parts[:-1]] == [part.first for part in parts[1:]]
    assert {part.first for part in parts} <= set(wall.chainage.tolist())
    lengths = np.array([part.last - part.first for part in parts]) * 5.0
    assert lengths.max() <= 150.0
    assert lengths[-1] <= 130.0
    assert len(parts) == int(np.ceil((wall.length * 5.0 + 20.0) / 150.0))


@pytest.mark.parametrize(
    ("level", "said"), [(3.2, "x +3.20"), (-8.0, "x −8.00"), (-0.001, "x 0.00"), (10.0, "x +10.00")]
)
def test_levels_are_printed_with_their_sign(level, said):
    assert level_label("x", level) == said
