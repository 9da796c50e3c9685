"""Joint sheets, read back from the page: what is drawn stands where the results say, true to the scales named."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pdf_pages
import pytest
import shapely
import wall_folders
from single_sheets import area_of, read, written

from asbuilt import read_survey, reconcile
from asbuilt.output.sheets.bands import BAND_LOOKS
from asbuilt.output.sheets.canvas import page_settings
from asbuilt.output.sheets.frame import TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.joint import joint_sheets
from asbuilt.output.sheets.joint_slices import OPENING, view_of
from asbuilt.output.sheets.lettering import text_width
from asbuilt.output.sheets.symbols import PREDICTED_DASH
from asbuilt.reconcile import views_of
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from pathlib import Path

    from asbuilt.output.sheets.frame import Sheet

INK = "#1A1A1A"
MINUS = "\u2212"
#: In the ring below: a gap deep down, one pile surveyed, not sure deep down, nothing surveyed.
OUTSIDE, HALF, UNRESOLVED, BARE = "A7~A8", "A11~A12", "A5~A6", "A13~A14"
#: A toe recorded high above the design's, and the joints that it leaves open.
TOE, SHORT = -7.0, "A3~A4"
STAGES = 12


def job_of(folder: Path, **kind: object) -> Job:
    result = reconcile(read_survey(folder))
    return Job(result=result, views=views_of(result), paper="A3", **kind)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ring of sixteen piles, the last five not surveyed."""
    path = tmp_path_factory.mktemp("wall") / "ring"
    return wall_folders.write(path, wall_folders.ring(16), closed=True, share=0.7, name="Invented ring", seed=1)


@pytest.fixture(scope="module")
def job(folder: Path) -> Job:
    return job_of(folder)


@pytest.fixture(scope="module")
def short_job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """The ring with a short toe of A3, and a dozen stages."""
    path = tmp_path_factory.mktemp("short") / "ring"
    wall_folders.write(path, wall_folders.ring(16), closed=True, share=0.7, name="Invented ring", seed=1)
    records = path / "records/day1.csv"
    records.write_text(re.sub(r"(?m)^(A3,.*),[^,]*$", rf"\1,{TOE}", records.read_text("utf-8")), "utf-8")
    site = path / "site.toml"
    stages = "".join(f'[[stages]]\nname = "step {k}"\nlevel = {2.0 - 0.5 * k}\n' for k in range(STAGES))
    site.write_text(site.read_text("utf-8").replace("[walls.A]", stages + "[walls.A]"), "utf-8")
    return job_of(path)


def row(job: Job, name: str) -> int:
    return job.result.joints["joint_id"].tolist().index(name)


def sheets(job: Job, *names: str, paper: str = "A3") -> list[Sheet]:
    asked = Job(result=job.result, views=job.views, paper=paper, joints=tuple(row(job, name) for name in names))
    return joint_sheets(asked, area_of(paper), TEXT[paper])


def page_of(job: Job, name: str, path: Path, paper: str = "A3") -> pdf_pages.Page:
    (sheet,) = sheets(job, name, paper=paper)
    # dashes are lengths on paper only where the page's settings hold while they are drawn
    with page_settings():
        return read(sheet, path / "joint.pdf", paper)


@pytest.fixture(scope="module")
def outside(job: Job, tmp_path_factory: pytest.TempPathFactory) -> pdf_pages.Page:
    return page_of(job, OUTSIDE, tmp_path_factory.mktemp("outside"))


@pytest.fixture(scope="module")
def half(job: Job, tmp_path_factory: pytest.TempPathFactory) -> pdf_pages.Page:
    return page_of(job, HALF, tmp_path_factory.mktemp("half"))


@pytest.fixture(scope="module")
def short(short_job: Job, tmp_path_factory: pytest.TempPathFactory) -> pdf_pages.Page:
    return page_of(short_job, SHORT, tmp_path_factory.mktemp("short_page"))


def number(text: str) -> float:
    return float(text.replace(MINUS, "-"))


def scale_after(page: pdf_pages.Page, words: str) -> int:
    (found,) = [m for t in page.texts if (m := re.match(rf"{re.escape(words)} 1:(\d+)", t.text))]
    return int(found.group(1))


class Levels:
    """Where levels and overlaps stand on paper, from the printed ticks."""

    def __init__(self, page: pdf_pages.Page) -> None:
        (title,) = [t for t in page.texts if t.text.startswith("Overlap [mm] against level")]
        (axis,) = [t for t in page.texts if t.text == "Level [m]"]
        ticks = [t for t in page.texts if re.fullmatch(rf"[+{MINUS}]?\d+", t.text)]
        right = {round(t.x + text_width(t.text, t.height), 2): 0 for t in ticks}
        for t in ticks:
            right[round(t.x + text_width(t.text, t.height), 2)] += 1
        edge = max(right, key=lambda x: right[x])
        up = [t for t in ticks if abs(t.x + text_width(t.text, t.height) - edge) < 0.02 and t.x > axis.x]
        across = [t for t in ticks if t not in up and title.y - 3.0 * t.height < t.y < title.y]
        self.metre = np.polyfit([number(t.text) for t in up], [t.y + t.height / 2 for t in up], 1)
        middles = [t.x + text_width(t.text, t.height) / 2 for t in across]
        self.mm = np.polyfit([number(t.text) for t in across], middles, 1)
        self.right = edge

    def y(self, level: float) -> float:
        return float(np.polyval(self.metre, level))

    def x(self, overlap_mm: float) -> float:
        return float(np.polyval(self.mm, overlap_mm))


def curve(page: pdf_pages.Page) -> np.ndarray:
    """Return the points of the governing model's overlap, from the top down."""
    found = [d for d in page.of(stroke=INK) if d.clip and d.width == pytest.approx(0.7) and len(d.parts[0]) > 2]
    return np.concatenate([d.parts[0] for d in found]) if found else np.empty((0, 2))


def circles(page: pdf_pages.Page, width: float, dash: tuple[float, ...] = ()) -> tuple[np.ndarray, np.ndarray]:
    """Return the middles and diameters of the circles of one look."""
    parts = [
        part
        for d in page.of(stroke=INK)
        for part in d.parts
        if d.clip and len(part) == 27 and d.width == pytest.approx(width) and d.dash == dash
    ]
    low, high = (np.array([f(part, axis=0) for part in parts]).reshape(-1, 2) for f in (np.min, np.max))
    return (low + high) / 2, (high - low)[:, 0]


def test_worst_first_and_what_nothing_is_known_of_shares_a_sheet(job):
    made = joint_sheets(job, area_of("A3"), TEXT["A3"])
    assert [sheet.items for sheet in made] == [
        (OUTSIDE,),
        (UNRESOLVED,),
        (HALF, "A12~A13", BARE, "A14~A15", "A15~A16", "A16~A1"),
    ]
    assert made[0].title == "Joint A7~A8: outside"


def test_joints_asked_for_are_the_only_ones_and_keep_their_order(job):
    made = sheets(job, BARE, "A1~A2")
    assert [sheet.title for sheet in made] == ["Joint A13~A14: not surveyed", "Joint A1~A2: within"]


def test_levels_are_true_to_the_scale_named(outside):
    scale = scale_after(outside, "Overlap [mm] against level")
    assert Levels(outside).metre[0] == pytest.approx(1000.0 / scale, abs=0.001)


def test_curve_runs_from_the_overlap_at_cut_off_to_the_one_at_the_bottom(job, outside):
    at, joints, k = Levels(outside), job.result.joints, row(job, OUTSIDE)
    drawn = curve(outside)
    top = (at.x(joints["overlap_cut_off_mm"][k]), at.y(joints["range_top"][k]))
    bottom = (at.x(joints["least_overlap_mm"][k]), at.y(joints["least_level"][k]))
    assert drawn[0] == pytest.approx(top, abs=0.1)
    assert drawn[-1] == pytest.approx(bottom, abs=0.1)


def test_predicted_part_of_the_curve_is_dashed_from_the_deepest_reading(job, outside):
    (dashed,) = [d for d in outside.of(stroke=INK) if d.width == pytest.approx(0.7) and d.dash == PREDICTED_DASH]
    below = job.result.joints["predicted_below"][row(job, OUTSIDE)]
    assert dashed.parts[0][0, 1] == pytest.approx(Levels(outside).y(below), abs=0.1)


MARKS = [("lost", "lost_level"), ("open", "open_level"), ("not sure", "sure_level")]


@pytest.mark.parametrize(("words", "column"), MARKS)
def test_levels_are_named_with_their_depth_below_cut_off(job, outside, words, column):
    joints, k = job.result.joints, row(job, OUTSIDE)
    level, top = float(joints[column][k]), float(joints["range_top"][k])
    said = [t.text for t in outside.texts]
    after = said[said.index(f"{words} from {level:.2f} m".replace("-", MINUS)) + 1]
    assert after == f"{top - level:.2f} m below cut-off"


@pytest.mark.parametrize("column", [column for _, column in MARKS])
def test_levels_are_dimensioned_from_cut_off(job, outside, column):
    at, joints, k = Levels(outside), job.result.joints, row(job, OUTSIDE)
    ends = at.y(float(joints["range_top"][k])), at.y(float(joints[column][k]))
    thin = [d for d in outside.of(stroke=INK) if d.width == pytest.approx(0.18)]
    lines = np.array([part[:, 1] for d in thin for part in d.parts if len(part) == 2])
    assert np.abs(lines - ends).max(axis=1).min() < 0.05


def test_strip_is_open_from_the_open_level_down(job, outside):
    at, joints, k = Levels(outside), job.result.joints, row(job, OUTSIDE)
    fill = BAND_LOOKS[JOINT_STATES.index("open")].fill
    bars = [part for d in outside.of(fill=fill) for part in d.parts if d.clip and len(part) == 5]
    (bar,) = [part for part in bars if np.ptp(part[:, 0]) == pytest.approx(2.4 * TEXT["A3"])]
    ends = (at.y(joints["range_bottom"][k]), at.y(joints["open_level"][k]))
    assert (bar[:, 1].min(), bar[:, 1].max()) == pytest.approx(ends, abs=0.05)


def test_slices_are_true_to_the_scale_named(job, outside):
    scale, k = scale_after(outside, "Plan slices"), row(job, OUTSIDE)
    pair = [job.result.joints.a[k], job.result.joints.b[k]]
    cut = job.views.at_level(float(job.result.joints["range_top"][k]))
    apart = float(np.hypot(*(np.diff(values[pair])[0] for values in (cut.e, cut.n))))
    at, wide = circles(outside, 0.35)
    assert np.hypot(*(at[1] - at[0])) == pytest.approx(apart * 1000.0 / scale, abs=0.02)
    assert wide[:2] == pytest.approx(wall_folders.DIAMETER / scale, abs=0.02)


def test_line_of_design_centres_lies_level_in_every_slice(outside):
    at, _ = circles(outside, 0.18, (1.3, 0.6))
    assert len(at) == 10  # two piles at cut-off, three stages of which the last is formation, and the bottom
    assert np.abs(at[0::2, 1] - at[1::2, 1]).max() < 0.01


@pytest.mark.parametrize("name", [OUTSIDE, "A1~A2", "A10~A11"])
def test_pit_lies_up_and_the_site_is_turned_not_mirrored(job, name):
    k = row(job, name)
    view, piles = view_of(job.result, k), job.result.piles
    a = job.result.joints.a[k]
    pit = view.axes @ np.array([piles.pit_e[a], piles.pit_n[a]])
    assert pit[1] > 0.9
    assert np.linalg.det(view.axes) == pytest.approx(1.0)


def test_an_opening_is_filled_in_the_slices_that_have_one(job, outside):
    k = row(job, OUTSIDE)
    gaping = [level for level in (3.2, 0.5, -4.0, -8.0, -9.5) if job.views.at_level(level).openings[k] is not None]
    filled = [d for d in outside.of(fill=OPENING) if d.clip and len(d.parts[0]) > 5]
    assert len(filled) == len(gaping) == 2


def test_overlap_is_dimensioned_in_the_slice(job, outside):
    cut, k = job.views.at_level(-8.0), row(job, OUTSIDE)
    said = f"gap {-1000 * cut.overlap[k]:.0f} \u00b1 {1000 * cut.sigma[k]:.0f}"
    assert said in [t.text for t in outside.texts]


def test_figures_and_reasons_stand_in_words(job, outside):
    joints, k = job.result.joints, row(job, OUTSIDE)
    said = " ".join(t.text for t in outside.texts)
    assert f"gap {-joints['least_overlap_mm'][k]:.1f} mm at {MINUS}9.50 m" in said
    assert str(joints["reasons"][k]).replace(" -", f" {MINUS}") in said
    assert "It holds dig 1, dig 2, final dig." in said


def test_what_is_missing_is_said_where_there_is_no_curve(half):
    said = " ".join(t.text for t in half.texts)
    assert len(curve(half)) == 0
    assert "not surveyed: pickup of A12, lean of A12 missing" in said
    assert "Missing: pickup of A12, lean of A12." in said


def test_one_surveyed_pile_is_drawn_and_the_other_is_dotted_where_it_was_designed(half):
    built = len(circles(half, 0.35)[0]) + len(circles(half, 0.35, PREDICTED_DASH)[0])
    assert (built, len(circles(half, 0.35, (0.35, 0.65))[0])) == (5, 5)


def test_joint_with_nothing_surveyed_asked_for_by_name_shows_both_design_circles(job, tmp_path):
    page = page_of(job, BARE, tmp_path)
    assert len(circles(page, 0.35, (0.35, 0.65))[0]) == 10
    assert sum(t.text == "not surveyed" for t in page.texts) > 10


def test_summary_names_what_is_missing_and_what_is_held(job):
    page = written(joint_sheets(job, area_of("A3"), TEXT["A3"])[-1])
    said = [t.text for t in page.texts]
    assert said.count("pickup and lean of both") == 4
    assert said.count("all stages") == 6


def test_toe_as_built_ends_the_curve_and_is_named(short):
    at = Levels(short)
    assert curve(short)[-1, 1] == pytest.approx(at.y(TOE), abs=0.05)
    assert f"toe of A3 as built, open below {MINUS}7.00 m" in " ".join(t.text for t in short.texts)


def test_pile_that_ends_above_has_no_section(short):
    # of the eight levels cut, formation and the bottom of the range lie below the toe of one of the two piles
    sections = len(circles(short, 0.35)[0]) + len(circles(short, 0.35, PREDICTED_DASH)[0])
    assert sections == 2 * 8 - 2


def test_of_many_stages_those_nearest_to_what_is_lost_are_cut(short):
    said = " ".join(t.text for t in short.texts)
    cut = re.findall(rf"(cut-off|step \d+|dig \d|formation, final dig|bottom of range) [+{MINUS}]\d\.\d\d m: ", said)
    nearest = ["step 8", "step 9", "step 10", "step 11", "dig 2"]
    assert cut == ["cut-off", *nearest, "formation, final dig", "bottom of range"]
    assert [t.text for t in short.texts if "not cut" in t.text] == ["8 stage levels not cut, for lack of room"]


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_nothing_leaves_the_part_left_for_the_drawing(job, tmp_path, paper):
    page, area = page_of(job, OUTSIDE, tmp_path, paper), area_of(paper)
    bounds = np.array([area.left, area.bottom, area.right, area.top])
    parts = [*map(pdf_pages.visible, page.drawn), *map(pdf_pages.text_corners, page.texts)]
    points = np.concatenate(parts)
    assert (points >= bounds[:2] - 0.01).all()
    assert (points <= bounds[2:] + 0.01).all()


@pytest.mark.parametrize(
    ("paper", "name"),
    [("A3", OUTSIDE), ("A3", HALF), ("A3", UNRESOLVED), ("A3", "A1~A2"), ("A4", OUTSIDE), ("A1", OUTSIDE)],
)
def test_no_two_texts_overlap_and_none_is_too_small(job, paper, name):
    (sheet,) = sheets(job, name, paper=paper)
    page = written(sheet, paper)
    boxes = [shapely.Polygon(pdf_pages.text_corners(text)) for text in page.texts]
    first, second = shapely.STRtree(boxes).query(boxes, predicate="overlaps")
    assert [(page.texts[i].text, page.texts[k].text) for i, k in zip(first, second, strict=True)] == []
    assert min(text.height for text in page.texts) >= TEXT[paper] - 1e-9


def test_legend_holds_only_what_is_on_the_sheet(job):
    words = {name: [entry.text for entry in sheets(job, name)[0].legend] for name in (OUTSIDE, UNRESOLVED, HALF)}
    assert [name for name, said in words.items() if "opening in plan" in said] == [OUTSIDE]
    assert [name for name, said in words.items() if "as designed, not surveyed" in said] == [HALF]
    assert [name for name, said in words.items() if "enough, but not sure" in said] == [OUTSIDE, UNRESOLVED]
