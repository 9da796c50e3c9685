"""The plans at a level, read back from the page: which levels, true shapes, states, figures, lettering."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pdf_pages
import pytest
import shapely
import wall_folders
from single_sheets import area_of, read, written

from asbuilt import read_survey, reconcile
from asbuilt.columns import VERDICT_LOOKS
from asbuilt.output.sheets.frame import TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.level_marks import (
    LISTED,
    LOST,
    NOT_SURE,
    NOT_SURVEYED,
    OPEN,
    OUT_OF_RANGE,
    SURE,
    figures,
    worst_first,
)
from asbuilt.output.sheets.level_plan import level_sheets, shown_levels
from asbuilt.output.sheets.symbols import PREDICTED_DASH
from asbuilt.reconcile import views_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.frame import Sheet

INK = "#1A1A1A"
OUTSIDE = VERDICT_LOOKS["outside"].colour
MM_PER_M = 10.0  # at 1:100
#: Points of a circle as a path.
CIRCLE = 27


@pytest.fixture(scope="module")
def wall(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Reconciliation]:
    """Reconcile one of the invented walls, once."""
    known: dict[str, Reconciliation] = {}

    def get(kind: str) -> Reconciliation:
        if kind not in known:
            known[kind] = reconcile(read_survey(wall_folders.make(tmp_path_factory.mktemp("wall") / kind, kind)))
        return known[kind]

    return get


@pytest.fixture(scope="module")
def ring(wall) -> Reconciliation:
    """A ring of 60 piles, the last six not surveyed."""
    return wall("ring_60")


def job(result: Reconciliation, *levels: float) -> Job:
    return Job(result=result, views=views_of(result), paper="A3", levels=levels)


LAID_OUT: dict[tuple[int, float], list[Sheet]] = {}


def sheets(result: Reconciliation, level: float) -> list[Sheet]:
    """Lay out a wall's plan at a level, once."""
    key = id(result), level
    if key not in LAID_OUT:
        LAID_OUT[key] = list(level_sheets(job(result, level), area_of("A3"), TEXT["A3"]))
    return LAID_OUT[key]


def sheet(result: Reconciliation, level: float) -> Sheet:
    (one,) = sheets(result, level)
    return one


@pytest.fixture(scope="module")
def page(ring, tmp_path_factory) -> Callable[[float], pdf_pages.Page]:
    """The ring's page at a level, drawn once."""
    known: dict[float, pdf_pages.Page] = {}

    def get(level: float) -> pdf_pages.Page:
        if level not in known:
            known[level] = read(sheet(ring, level), tmp_path_factory.mktemp("page") / "page.pdf")
        return known[level]

    return get


def legend(one: Sheet) -> list[str]:
    return [entry.text for entry in one.legend]


def middles(drawn: pdf_pages.Drawn) -> np.ndarray:
    return np.array([(part.min(axis=0) + part.max(axis=0)) / 2 for part in drawn.parts])


def outlines(page: pdf_pages.Page, width: float, *, dashed: bool) -> np.ndarray:
    """Return the middles (k, 2) of circles in ink of one line width, dashed or solid."""
    found = [
        middles(d)
        for d in page.of(stroke=INK)
        if d.clip and d.fill is None and len(d.parts[0]) == CIRCLE and d.width == pytest.approx(width)
        if bool(d.dash) == dashed
    ]
    return np.concatenate([np.empty((0, 2)), *found])


def with_stages(result: Reconciliation, *levels: tuple[float, float | None]) -> Reconciliation:
    first = result.stages[0]
    stages = tuple(
        replace(first, stage=f"dig {k}", level=level, joints_to=to) for k, (level, to) in enumerate(levels, start=1)
    )
    return replace(result, stages=stages)


def test_a_sheet_for_every_stage_formation_and_interlock_level_from_the_top_down(ring):
    assert shown_levels(job(ring)) == [
        (0.5, ("dig 1",)),
        (-3.0, ("joints for dig 1",)),
        (-4.0, ("dig 2",)),
        (-6.5, ("joints for dig 2",)),
        (-8.0, ("final dig", "formation")),
        (-9.5, ("interlock level",)),
    ]


def test_levels_within_five_millimetres_share_a_sheet(ring):
    near = with_stages(ring, (-8.004, None), (-8.006, None))
    assert shown_levels(job(near))[:2] == [(-8.0, ("formation", "dig 1")), (-8.006, ("dig 2",))]


def test_a_level_where_nothing_stands_is_skipped(ring):
    deep = with_stages(ring, (-30.0, None))
    assert [level for level, _ in shown_levels(job(deep))] == [-8.0, -9.5]


def test_a_wall_with_nothing_surveyed_is_cut_only_where_it_is_asked_for(wall):
    assert shown_levels(job(wall("nothing"))) == []
    assert [level for level, _ in shown_levels(job(wall("nothing"), -8.0))] == [-8.0]


def test_levels_asked_for_are_shown_and_no_others(ring):
    assert shown_levels(job(ring, -8.0, -30.0, -5.0)) == [
        (-5.0, ()),
        (-8.0, ("final dig", "formation")),
        (-30.0, ()),
    ]


def test_the_title_names_the_level_and_all_that_it_is(ring):
    assert sheet(ring, -8.0).title == "Plan at \u22128.00 m: final dig, formation"


def test_a_wall_that_is_cut_has_a_sheet_for_each_part(wall):
    titles = [one.title for one in sheets(wall("straight_130"), -9.5)]
    assert titles == [f"Plan at \u22129.50 m, {k} of 3: interlock level" for k in (1, 2, 3)]


def test_measured_piles_stand_where_they_pass_the_level_true_to_scale(ring, page):
    cut = views_of(ring).at_level(-8.0)
    known = np.isfinite(cut.e)
    at = outlines(page(-8.0), 0.35, dashed=False)
    site = np.column_stack([cut.e, cut.n])[known] * MM_PER_M
    assert at - at[0] == pytest.approx(site - site[0], abs=0.01)


def test_faces_inside_the_clear_outline_are_named_at_their_worst(ring):
    """Three faces inside, of which one by less than a millimetre; one pile of the others is not known."""
    count = len(ring.piles)
    face, level = np.full(count, -100.0), np.full(count, -2.0)
    face[[3, 8, 20, 30]], level[8] = (0.34, 61.4, 12.0, np.nan), -7.5
    columns = {**ring.piles.columns, "face_inside_mm": face, "face_inside_level": level}
    survey = replace(ring.survey, clear_outline=shapely.Point(*ring.survey.origin).buffer(5.0))
    given = replace(ring, survey=survey, piles=replace(ring.piles, columns=columns))
    ids = ring.piles["pile_id"]
    said = f"{ids[8]} 61 mm at \u22127.50, {ids[20]} 12 mm at \u22122.00, {ids[3]} 0.3 mm at \u22122.00"
    assert sheet(given, -4.0).notes[0].text == (
        f"Face inside the clear outline, worst from cut-off to formation: {said}. Not known: 1 pile."
    )


def test_without_a_clear_outline_nothing_is_said_of_faces(ring):
    assert not [entry.text for entry in sheet(ring, -4.0).notes if entry.text.startswith("Face")]


def test_predicted_piles_are_dashed(ring, page):
    cut = views_of(ring).at_level(-9.5)
    assert len(outlines(page(-9.5), 0.35, dashed=False)) == 0
    assert len(outlines(page(-9.5), 0.35, dashed=True)) == int((cut.stands & cut.predicted).sum())
    (found,) = {d.dash for d in page(-9.5).of(stroke=INK) if d.width == pytest.approx(0.35) and d.dash}
    assert found == pytest.approx(PREDICTED_DASH, rel=0.02)


def test_an_opening_is_filled_in_its_own_shape(ring, page):
    cut = views_of(ring).at_level(-8.0)
    (row,) = np.flatnonzero(cut.state == OPEN)
    (drawn,) = [d for d in page(-8.0).of(fill=OUTSIDE) if len(d.parts[0]) > 50]
    shape = shapely.Polygon(drawn.parts[0])
    assert shape.area == pytest.approx(shapely.Polygon(cut.openings[row]).area * MM_PER_M**2, rel=1e-3)
    # Its two arcs come as near to one another as the circles do.
    half = len(drawn.parts[0][:-1]) // 2
    a, b = drawn.parts[0][:half], drawn.parts[0][half : 2 * half]
    throat = np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1)).min()
    assert throat == pytest.approx(-cut.overlap[row] * MM_PER_M, abs=0.02)


def test_every_opening_and_possible_opening_has_its_bound_around_it(ring, page):
    cut = views_of(ring).at_level(-8.0)
    wanted = [ring_ for ring_ in cut.outlines if ring_ is not None]
    found = [part for d in page(-8.0).of(stroke=OUTSIDE) if len(d.parts[0]) > 50 for part in d.parts]
    assert len(found) == len(wanted) == 3
    areas = sorted(shapely.Polygon(part).area for part in found)
    assert areas == pytest.approx(sorted(shapely.Polygon(r).area * MM_PER_M**2 for r in wanted), rel=1e-3)


def test_arrows_point_at_an_opening_from_both_sides(ring, page):
    cut = views_of(ring).at_level(-8.0)
    (row,) = np.flatnonzero(cut.state == OPEN)
    heads = [part for d in page(-8.0).of(fill=INK) if d.clip and len(d.parts[0]) == 4 for part in d.parts]
    tips = np.array([head[0] for head in heads])
    (drawn,) = [d for d in page(-8.0).of(fill=OUTSIDE) if len(d.parts[0]) > 50]
    middle = np.mean([drawn.parts[0].min(axis=0), drawn.parts[0].max(axis=0)], axis=0)
    near = tips[np.hypot(*(tips - middle).T) < 1.0]
    assert len(near) == 2
    assert np.hypot(*(near[1] - near[0])) == pytest.approx(-cut.overlap[row] * MM_PER_M, abs=0.01)


def test_open_and_lost_joints_carry_their_figures(page):
    words = page(-8.0).words()
    assert "A50~A51: open 38 mm" in words
    assert "\u2264 73 mm at 95 %" in words
    assert "A42~A43: o 19 of 50 mm" in words
    assert "may be open up to 16 mm" in words


def test_open_joints_are_listed_on_the_drawing(page):
    words = page(-9.5).words()
    assert "Open at \u22129.50 m: 2 joints" in words
    assert "A50~A51 open 58 mm, \u2264 98 mm at 95 %, predicted" in words


def test_the_legend_counts_the_joints_by_what_they_are(ring):
    said = legend(sheet(ring, -9.5))
    assert [text for text in said if "joint" in text] == [
        "open (gap): 2 joints, 2 predicted",
        "lost (overlap o too small): 3 joints, 3 predicted",
        "not sure (U): 1 joint, 1 predicted",
        "95 % sure: 47 joints, 47 predicted",
        "not surveyed (N): 7 joints",
    ]


def test_the_legend_counts_the_piles(ring):
    said = legend(sheet(ring, -9.5))
    assert "predicted, below last reading: 54 piles" in said
    assert "not surveyed (N): drawn as designed: 6 piles" in said
    assert not any(text.startswith("measured") for text in said)


def test_every_joint_not_surveyed_has_its_letter(page):
    assert sum(text.text == "N" for text in page(-8.0).texts) - 1 == 7  # one is the north arrow's


def test_a_wall_not_surveyed_says_so_at_every_pile_and_joint(wall):
    one = sheet(wall("nothing"), -8.0)
    texts = [text.text for text in written(one).texts]
    assert texts.count("N") - 1 == 60
    assert sum(text.startswith("N A") or text.endswith(" N") for text in texts) == 60
    assert legend(one) == ["not surveyed (N): 60 joints", "not surveyed (N): drawn as designed: 60 piles"]


def test_piles_that_end_above_the_level_are_crosses(ring, tmp_path):
    one = sheet(ring, -12.05)
    absent = int((~views_of(ring).at_level(-12.05).stands).sum())
    assert f"does not reach this level: {absent} piles" in legend(one)
    found = read(one, tmp_path / "page.pdf")
    strokes = [d for d in found.of(stroke=INK) if d.clip and d.width == pytest.approx(0.18) and not d.dash]
    crosses = [d for d in strokes if len(d.parts) == 2 * absent]
    assert len(crosses) == 1


def test_what_lies_below_a_joints_range_is_drawn_but_not_judged(ring):
    one = sheet(ring, -11.0)
    assert legend(one)[0] == "No overlap is asked for here: 60 joints, not marked."
    words = written(one).words()
    assert "out of its range" in words
    assert "Open at" not in words


@pytest.mark.parametrize(("kind", "level"), [("ring_60", -8.0), ("ring_60", -9.5), ("straight_130", -9.5)])
def test_no_two_texts_overlap(wall, kind, level):
    for one in sheets(wall(kind), level):
        boxes = [shapely.Polygon(pdf_pages.text_corners(text)) for text in written(one).texts]
        assert len(boxes) > 20
        i, j = shapely.STRtree(boxes).query(boxes, predicate="intersects")
        shared = [boxes[a].intersection(boxes[b]).area for a, b in zip(i, j, strict=True) if a < b]
        assert max(shared, default=0.0) == pytest.approx(0.0, abs=1e-6)


def test_nothing_is_written_outside_the_drawing(wall):
    area = area_of("A3")
    for one in sheets(wall("straight_130"), -9.5):
        corners = np.concatenate([pdf_pages.text_corners(text) for text in written(one).texts])
        assert (corners >= (area.left, area.bottom)).all()
        assert (corners <= (area.right, area.top)).all()


def test_it_says_that_nothing_is_exaggerated(page):
    words = page(-8.0).words()
    assert "Everything on this sheet is true to scale:" in words
    assert "Offset vectors" not in words


def level(**columns: Any) -> SimpleNamespace:
    """A slice of one joint or more, with just what its figures are made from."""
    count = len(next(iter(columns.values())))
    known = {name: np.array(values) for name, values in columns.items()}
    nan = np.full(count, np.nan)
    cut = SimpleNamespace(state=known["state"], overlap=known.get("overlap", nan), widest=known.get("widest", nan))
    return SimpleNamespace(
        cut=cut, required=np.full(count, 0.05), toe=known.get("toe", nan), confidence=0.95, state=known["state"]
    )


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"state": [OPEN], "overlap": [-0.0123], "widest": [0.0381]}, ("open 12 mm", "\u2264 39 mm at 95 %")),
        # A gap never reads 0, nor does what is too little read as enough.
        ({"state": [OPEN], "overlap": [-0.0003], "widest": [0.02]}, ("open 0.3 mm", "\u2264 20 mm at 95 %")),
        ({"state": [LOST], "overlap": [0.04997], "widest": [0.0]}, ("o 49.97 of 50 mm",)),
        ({"state": [LOST], "overlap": [0.0322], "widest": [0.0001]}, ("o 32 of 50 mm", "may be open up to 1 mm")),
        ({"state": [NOT_SURE], "overlap": [0.052], "widest": [0.004]}, ("o 52 of 50 mm", "may be open up to 4 mm")),
        ({"state": [OPEN], "toe": [-7.9]}, ("open", "below toe \u22127.90 m")),
        ({"state": [LOST]}, ("lost", "as at its top")),
        (
            {"state": [OUT_OF_RANGE], "overlap": [-0.03], "widest": [0.07]},
            ("open 30 mm", "\u2264 70 mm at 95 %", "out of its range"),
        ),
    ],
)
def test_figures_never_contradict_what_the_joint_is(columns, said):
    assert figures(level(**columns), 0) == said


def test_the_worst_joints_come_first():
    at = level(state=[SURE, LOST, OPEN, OPEN, NOT_SURVEYED, OPEN], overlap=[0.1, 0.01, -0.01, -0.05, np.nan, np.nan])
    assert worst_first(at, np.arange(6)).tolist()[:4] == [5, 3, 2, 1]


def test_more_open_joints_than_are_listed_are_counted(ring):
    views = views_of(ring)
    cut = views.at_level(-9.5)
    gaping = replace(cut, state=np.full(60, OPEN, dtype=np.int8), overlap=np.full(60, -0.02), widest=np.full(60, 0.04))
    one = Job(result=ring, views=replace(views, at_level=lambda _level: gaping), paper="A3", levels=(-9.5,))
    (found,) = level_sheets(one, area_of("A3"), TEXT["A3"])
    assert f"and {60 - LISTED} more: see the schedule" in written(found).words() + " ".join(legend(found))
