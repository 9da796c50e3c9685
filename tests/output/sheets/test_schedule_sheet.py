from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pdf_pages
import pytest
import wall_folders
from single_sheets import area_of, read, written

from asbuilt import read_survey, reconcile
from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.frame import TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.schedule import schedule_sheets
from asbuilt.output.sheets.symbols import LOOKS

if TYPE_CHECKING:
    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.frame import Sheet

PILES = 12


def sheets(result: Reconciliation, paper: str = "A3") -> list[Sheet]:
    nothing: Any = None
    return schedule_sheets(Job(result=result, views=nothing, paper=paper), area_of(paper), TEXT[paper])


def row(page: pdf_pages.Page, first: str) -> list[str]:
    """Return the cells of the row that begins with ``first``, from the left."""
    head = next(text for text in page.texts if text.text == first)
    cells = [text for text in page.texts if abs(text.y - head.y) < 0.1]
    return [text.text for text in sorted(cells, key=lambda text: text.x)]


def with_piles(result: Reconciliation, **columns: Any) -> Reconciliation:
    return replace(result, piles=replace(result.piles, columns={**result.piles.columns, **columns}))


def with_joints(result: Reconciliation, **columns: Any) -> Reconciliation:
    return replace(result, joints=replace(result.joints, columns={**result.joints.columns, **columns}))


def put(result: Reconciliation, name: str, value: float, at: int = 0) -> np.ndarray:
    """Return a column of the piles, or else of the joints, with one value changed."""
    source = result.piles if name in result.piles.columns else result.joints
    values = np.array(source[name])
    values[at] = value
    return values


@pytest.fixture(scope="module")
def wall(tmp_path_factory: pytest.TempPathFactory) -> Reconciliation:
    """A ring of twelve piles, the last three not surveyed."""
    folder = tmp_path_factory.mktemp("wall") / "ring"
    wall_folders.write(folder, wall_folders.ring(PILES), closed=True, share=0.75, name="Invented ring")
    return reconcile(read_survey(folder))


@pytest.fixture(scope="module")
def pages(wall: Reconciliation, tmp_path_factory: pytest.TempPathFactory) -> list[pdf_pages.Page]:
    folder = tmp_path_factory.mktemp("pages")
    return [read(sheet, folder / f"{number}.pdf") for number, sheet in enumerate(sheets(wall))]


def test_there_is_a_schedule_of_piles_and_one_of_joints(wall: Reconciliation) -> None:
    assert [sheet.title for sheet in sheets(wall)] == ["Schedule of piles", "Schedule of joints"]


def test_piles_stand_in_the_order_of_the_design(pages: list[pdf_pages.Page]) -> None:
    names = {f"A{k + 1}" for k in range(PILES)}
    found = sorted((text for text in pages[0].texts if text.text in names), key=lambda text: -text.y)
    assert [text.text for text in found] == [f"A{k + 1}" for k in range(PILES)]


def test_every_joint_is_listed(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    names = set(wall.joints["joint_id"].tolist())
    found = sorted((text for text in pages[1].texts if text.text in names), key=lambda text: -text.y)
    assert [text.text for text in found] == wall.joints["joint_id"].tolist()


def test_a_pile_has_its_figures(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    cells = row(pages[0], "A2")
    p = wall.piles
    assert cells[:5] == ["A2", "A 2", "sec.", "880", "surveyed"]
    assert [float(cell.replace("−", "-")) for cell in cells[5:8]] == pytest.approx(
        [float(p[name][1]) for name in ("offset_e_mm", "offset_n_mm", "offset_mm")], abs=0.5
    )
    assert float(cells[8]) == pytest.approx(float(p["offset_bearing_deg"][1]), abs=0.5)
    assert float(cells[13]) == pytest.approx(float(p["incline_mm_per_m"][1]), abs=0.005)
    assert f"1 in {cells[14]}" == p["one_in"][1]
    assert float(cells[17].replace("−", "-")) == pytest.approx(float(p["toe_level"][1]), abs=0.005)


def test_a_pile_not_surveyed_has_dashes_and_no_nought(pages: list[pdf_pages.Page]) -> None:
    cells = row(pages[0], "A12")
    assert cells[4:11] == ["to drill"] + ["—"] * 6
    assert "0" not in cells


def test_a_pile_not_surveyed_has_its_own_letter_for_each_check(pages: list[pdf_pages.Page]) -> None:
    assert row(pages[0], "A12").count("N") == 5


def test_the_legend_explains_the_dash(wall: Reconciliation) -> None:
    for sheet in sheets(wall):
        assert any(entry.text.startswith("—") and "not surveyed" in entry.text for entry in sheet.legend)


def test_reasons_stand_under_the_pile(pages: list[pdf_pages.Page]) -> None:
    head = next(text for text in pages[0].texts if text.text == "A12")
    (reason,) = (
        text for text in pages[0].texts if text.text == "not drilled yet" and 0 < head.y - text.y < 5
    )
    assert reason.x > head.x


def test_markers_are_as_many_as_verdicts(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    missing = VERDICTS.index("not surveyed")
    triangles = pages[0].of(stroke=LOOKS[missing].colour)
    assert sum(len(shape.parts) for shape in triangles) == int((wall.piles["verdict"] == missing).sum())


def test_legend_counts_what_is_on_the_sheet(wall: Reconciliation) -> None:
    counts = np.bincount(np.asarray(wall.piles["verdict"]), minlength=4)
    said = [entry.text for entry in sheets(wall)[0].legend if entry.sample]
    expected = [
        f"{look.letter}: {look.name}, {number} pile{'' if number == 1 else 's'}"
        for look, number in zip(LOOKS, counts.tolist(), strict=True)
        if number
    ]
    assert said == expected


def test_no_rounding_contradicts_a_verdict(wall: Reconciliation) -> None:
    result = with_piles(wall, offset_mm=put(wall, "offset_mm", 25.04), allowed_mm=put(wall, "allowed_mm", 25.0))
    cells = row(written(sheets(result)[0]), "A1")
    assert (cells[7], cells[11]) == ("25.04", "25.00")


def test_a_toe_just_above_what_is_allowed_gets_more_digits(wall: Reconciliation) -> None:
    # Design toe -12.00, 100 mm allowed above it.
    result = with_piles(wall, toe_level=put(wall, "toe_level", -11.8996))
    assert row(written(sheets(result)[0]), "A1")[17] == "−11.8996"


def test_a_bearing_is_never_360(wall: Reconciliation) -> None:
    result = with_piles(wall, offset_bearing_deg=put(wall, "offset_bearing_deg", 359.7))
    assert row(written(sheets(result)[0]), "A1")[8] == "0"


def test_a_check_that_is_not_made_has_a_dash(wall: Reconciliation) -> None:
    result = with_piles(wall, toe_verdict=np.full(PILES, -1, dtype=np.int8))
    assert row(written(sheets(result)[0]), "A1")[18] == "—"


def test_an_omitted_pile_says_so(wall: Reconciliation) -> None:
    expected = np.ones(PILES, dtype=bool)
    expected[11] = False
    result = replace(wall, piles=replace(wall.piles, expected=expected))
    assert row(written(sheets(result)[0]), "A12")[4] == "omitted"


def test_an_added_pile_has_no_place(wall: Reconciliation) -> None:
    result = with_piles(wall, position=put(wall, "position", np.nan))
    assert "added" in {text.text for text in written(sheets(result)[0]).texts}


@pytest.mark.parametrize(
    ("p", "said"), [(0.94962, "0.9496"), (0.99996, "> 0.999"), (0.00004, "< 0.001"), (0.6149, "0.615")]
)
def test_chance_of_interlock(wall: Reconciliation, p: float, said: str) -> None:
    result = with_joints(wall, p_interlock=put(wall, "p_interlock", p))
    assert row(written(sheets(result)[1]), "A1~A2")[13] == said


def test_no_lost_level_is_told_from_one_not_measured(wall: Reconciliation) -> None:
    page = written(sheets(with_joints(wall, lost_level=put(wall, "lost_level", np.nan)))[1])
    assert row(page, "A1~A2")[10] == "none"
    assert row(page, "A10~A11")[10:13] == ["—"] * 3


def test_a_gap_too_small_for_a_millimetre_keeps_its_sign(wall: Reconciliation) -> None:
    result = with_joints(wall, least_overlap_mm=put(wall, "least_overlap_mm", -0.3))
    assert row(written(sheets(result)[1]), "A1~A2")[8] == "−0.3"


def test_joints_have_their_overlaps(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    cells = row(pages[1], "A1~A2")
    j = wall.joints
    names = ("design_overlap_mm", "required_overlap_mm", "overlap_cut_off_mm", "overlap_formation_mm")
    assert [float(cell) for cell in cells[4:8]] == pytest.approx([float(j[name][0]) for name in names], abs=0.5)


def test_titles_number_the_sheets(wall: Reconciliation) -> None:
    repeated = np.tile(np.arange(PILES), 12)
    piles = replace(
        wall.piles,
        columns={name: values[repeated] for name, values in wall.piles.columns.items()},
        expected=wall.piles.expected[repeated],
        radius=wall.piles.radius[repeated],
    )
    survey = replace(wall.survey, design=wall.survey.design.take(repeated))
    titles = [sheet.title for sheet in sheets(replace(wall, piles=piles, survey=survey))]
    assert titles[0] == f"Schedule of piles, 1 of {len(titles) - 1}"
    assert len(titles) > 3


def test_what_narrow_paper_leaves_out_is_said(wall: Reconciliation) -> None:
    wide = with_piles(wall, offset_e_mm=put(wall, "offset_e_mm", 1.0e9))
    (note,) = (note.text for note in sheets(wide, "A4")[0].notes if note.text.startswith("Left out"))
    assert note == "Left out, as this paper is too narrow: bearing."


def test_no_figure_is_cut_on_narrow_paper(wall: Reconciliation) -> None:
    wide = with_piles(wall, offset_e_mm=put(wall, "offset_e_mm", 1.0e9))
    page = written(sheets(wide, "A4")[0], "A4")
    assert not [text.text for text in page.texts if "…" in text.text]


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_nothing_is_drawn_outside_its_part_of_the_paper(wall: Reconciliation, paper: str) -> None:
    area = area_of(paper)
    for sheet in sheets(wall, paper):
        page = written(sheet, paper)
        low = np.min([pdf_pages.text_corners(text).min(axis=0) for text in page.texts], axis=0)
        high = np.max([pdf_pages.text_corners(text).max(axis=0) for text in page.texts], axis=0)
        assert (low >= (area.left, area.bottom)).all()
        assert (high <= (area.right, area.top)).all()


def test_no_two_cells_of_a_row_touch(pages: list[pdf_pages.Page]) -> None:
    for page in pages:
        boxes = sorted((pdf_pages.text_corners(text) for text in page.texts), key=lambda box: (box[0, 1], box[0, 0]))
        for one, other in pairwise(boxes):
            if abs(one[0, 1] - other[0, 1]) < 0.1:
                assert one[1, 0] < other[0, 0]


def test_without_stages_the_notes_say_so(wall: Reconciliation) -> None:
    notes = [note.text for sheet in sheets(replace(wall, stages=())) for note in sheet.notes]
    assert notes.count("No excavation stages are set: there is no stage sheet.") == 2


def test_nobody_is_sent_to_a_schedule(wall: Reconciliation) -> None:
    assert [sheet.items for sheet in sheets(wall)] == [(), ()]


def test_no_line_leaves_its_part_of_the_paper(pages: list[pdf_pages.Page]) -> None:
    area = area_of("A3")
    for page in pages:
        shown = np.array([pdf_pages.visible(one) for one in page.drawn])
        assert (shown[:, 0] >= (area.left, area.bottom)).all()
        assert (shown[:, 1] <= (area.right, area.top)).all()


def test_a_wall_with_a_long_name_is_numbered_and_explained(wall: Reconciliation) -> None:
    name = np.full(PILES, "Wall along the old harbour basin", dtype=object)
    for sheet, place in zip(sheets(with_joints(with_piles(wall, wall=name), wall=name)), ("(1) 2", "(1)"), strict=True):
        assert place in {text.text for text in written(sheet).texts}
        assert "(1): Wall along the old harbour basin" in {entry.text for entry in sheet.legend}
