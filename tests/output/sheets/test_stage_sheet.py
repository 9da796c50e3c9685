from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pdf_pages
import pytest
import wall_folders
from single_sheets import area_of, read, written

from asbuilt import read_survey, reconcile
from asbuilt.columns import VERDICTS
from asbuilt.commands._shared import CAUTIONS
from asbuilt.model import Hold
from asbuilt.output._cautions import AT_THE_PIT, FULL_CAUTIONS
from asbuilt.output.sheets.figures import counted
from asbuilt.output.sheets.frame import TEXT
from asbuilt.output.sheets.job import Job
from asbuilt.output.sheets.stage import stage_sheets

if TYPE_CHECKING:
    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.frame import Sheet

DECISION = (
    "at,by,item,effect,down_to_level,reason\n"
    "2025-03-06T09:00,Engineer 1,A1~A2,accept,-3.0,grout column placed behind it\n"
)


def sheets(result: Reconciliation, paper: str = "A3") -> list[Sheet]:
    nothing: Any = None
    return stage_sheets(Job(result=result, views=nothing, paper=paper), area_of(paper), TEXT[paper])


def flat(page: pdf_pages.Page) -> str:
    """Return a page's words in one line, in the order in which they are written."""
    return " ".join(text.text for text in page.texts)


def with_stage(result: Reconciliation, **changes: Any) -> Reconciliation:
    """Return the job with its first stage alone, changed."""
    return replace(result, stages=(replace(result.stages[0], **changes),))


def with_settings(result: Reconciliation, section: str, **changes: Any) -> Reconciliation:
    settings = result.survey.settings
    changed = settings.model_copy(update={section: getattr(settings, section).model_copy(update=changes)})
    return replace(result, survey=replace(result.survey, settings=changed))


@pytest.fixture(scope="module")
def wall(tmp_path_factory: pytest.TempPathFactory) -> Reconciliation:
    """A ring of twelve piles, the last two not surveyed, with one decision."""
    folder = tmp_path_factory.mktemp("wall") / "ring"
    wall_folders.write(folder, wall_folders.ring(12), closed=True, share=0.84, name="Invented ring")
    (folder / "decisions.csv").write_text(DECISION, "utf-8")
    return reconcile(read_survey(folder))


@pytest.fixture(scope="module")
def pages(wall: Reconciliation, tmp_path_factory: pytest.TempPathFactory) -> list[pdf_pages.Page]:
    folder = tmp_path_factory.mktemp("pages")
    return [read(sheet, folder / f"{number}.pdf") for number, sheet in enumerate(sheets(wall))]


def test_every_stage_has_its_sheet(wall: Reconciliation) -> None:
    assert [sheet.title for sheet in sheets(wall)] == ["Stage dig 1", "Stage dig 2", "Stage final dig"]


def test_without_stages_there_is_no_sheet(wall: Reconciliation) -> None:
    assert sheets(replace(wall, stages=())) == []


def test_the_head_says_how_deep_and_whether_it_is_held(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    items = len({hold.item for hold in wall.stages[0].held_by})
    said = {text.text for text in pages[0].texts}
    assert {"+0.50 m", "−3.00 m", f"HELD by {items} items"} <= said


def test_joints_without_a_level_reach_to_the_bottom_of_their_range(pages: list[pdf_pages.Page]) -> None:
    assert "the bottom of each joint's range" in {text.text for text in pages[2].texts}


def test_no_holds_release_nothing(wall: Reconciliation) -> None:
    page = written(sheets(with_stage(wall, held_by=(), state="no holds"))[0])
    assert "No holds found by these checks: this releases nothing" in {text.text for text in page.texts}
    assert "HELD" not in flat(page)


def test_what_holds_it_is_listed_in_its_order(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    state = wall.stages[0]
    left = next(text for text in pages[0].texts if text.text == "item").x
    column = sorted((text for text in pages[0].texts if abs(text.x - left) < 0.01), key=lambda text: -text.y)
    names = [text.text for text in column if text.text in {hold.item for hold in (*state.held_by, *state.below)}]
    assert names == [hold.item for hold in (*state.held_by, *state.below)]


def test_a_hold_has_its_words_verdict_and_level(wall: Reconciliation) -> None:
    hold = Hold(item="A3~A4", verdict="outside", check="joint", text="gap of 12 mm", level=-2.157)
    page = written(sheets(with_stage(wall, held_by=(hold,), below=()))[0])
    head = next(text for text in page.texts if text.text == "A3~A4")
    cells = [text.text for text in sorted(page.texts, key=lambda t: t.x) if abs(text.y - head.y) < 0.1]
    assert cells == ["A3~A4", "joint", "X outside", "−2.16", "gap of 12 mm", "none"]


def test_an_unknown_level_is_not_a_number(wall: Reconciliation) -> None:
    hold = Hold(item="A3~A4", verdict="not surveyed", check="joint", text="no centre", level=np.nan)
    sheet = sheets(with_stage(wall, held_by=(hold,), below=()))[0]
    assert "not measured" in {text.text for text in written(sheet).texts}
    assert any(entry.text.startswith("not measured: ") for entry in sheet.legend)


def test_missing_data_is_told_as_large_as_bad_data(wall: Reconciliation, pages: list[pdf_pages.Page]) -> None:
    verdicts = list({hold.item: hold.verdict for hold in reversed(wall.stages[0].held_by)}.values())
    said = [f"{counted(verdicts.count(name), 'item')} {name}" for name in ("outside", "not surveyed", "unresolved")]
    found = [next(text for text in pages[0].texts if text.text == words) for words in said]
    assert [text.height for text in found] == pytest.approx([found[0].height] * 3)


def test_legend_counts_the_checks_of_its_sheet(wall: Reconciliation) -> None:
    state = wall.stages[0]
    codes = [VERDICTS.index(hold.verdict) for hold in (*state.held_by, *state.below)]
    said = [entry.text.rsplit(", ")[1] for entry in sheets(wall)[0].legend if entry.sample]
    numbers = [codes.count(code) for code in range(len(VERDICTS)) if code in codes]
    assert said == [f"{number} check{'' if number == 1 else 's'} on this sheet" for number in numbers]


def test_a_recorded_decision_is_listed_and_lifts_no_hold(pages: list[pdf_pages.Page]) -> None:
    said = flat(pages[0])
    assert "not bound" in said
    for part in ("2025-03-06 09:00", "Engineer 1", "accept", "−3.00 m", "grout column placed behind it"):
        assert part in said


def test_no_decision_is_said(wall: Reconciliation) -> None:
    page = written(sheets(replace(wall, decisions=()))[0])
    assert "No decision is recorded." in {text.text for text in page.texts}


def test_a_decision_that_stands_is_written_beside_its_hold(wall: Reconciliation) -> None:
    decision = replace(wall.decisions[0], by="Engineer 2", reason="seen", state="stands", standing=True)
    hold = Hold(item="A3", verdict="outside", check="toe", text="toe high", level=-8.0, decision=decision)
    page = written(sheets(with_stage(wall, held_by=(hold,), below=()))[0])
    assert "accept to −3.00 m" in flat(page)


@pytest.mark.parametrize(
    ("effect", "state", "said"),
    [
        ("accept", "changed, worse", "accept to −3.00 m: lapsed, worse"),
        ("accept", "changed, no worse", "accept to −3.00 m: lapsed, no worse"),
        ("accept", "changed", "accept to −3.00 m: lapsed"),
        ("accept", "file was edited", "accept to −3.00 m: file was edited"),
        ("hold", "changed, worse", "hold: changed, worse"),
    ],
)
def test_an_accept_that_lapsed_is_said_to_have(wall: Reconciliation, effect: str, state: str, said: str) -> None:
    down = -3.0 if effect == "accept" else None
    decision = replace(wall.decisions[0], effect=effect, down_to=down, state=state, standing=effect == "hold")
    hold = Hold(item="A3", verdict="outside", check="toe", text="toe high", level=-8.0, decision=decision)
    page = written(sheets(replace(with_stage(wall, held_by=(hold,), below=()), decisions=(decision,)))[0])
    assert "last decision" in {text.text for text in page.texts}
    assert said in flat(page)
    assert flat(page).count(said.split(": ")[1]) == 2  # beside the hold, and in the list of decisions


def test_the_number_of_the_document_behind_a_decision_is_listed(wall: Reconciliation) -> None:
    decision = replace(wall.decisions[0], reference="NC-03")
    texts = {text.text for text in written(sheets(replace(wall, decisions=(decision,)))[0]).texts}
    assert {"reference", "NC-03"} <= texts


def test_checks_that_hold_and_that_do_not_are_named(pages: list[pdf_pages.Page]) -> None:
    words = "Checks that hold a stage: joint, toe level, encroachment. Checks that do not: plan position, lean."
    assert words in flat(pages[0])


def test_checks_that_are_not_made_are_named(wall: Reconciliation) -> None:
    page = written(sheets(with_settings(wall, "tolerance", toe_mm=None))[0])
    words = "Checks not made, as no tolerance or limit is set: toe level, clear outline (none given)."
    assert words in flat(page)


def test_without_any_check_that_holds_the_list_says_nothing(wall: Reconciliation) -> None:
    page = written(sheets(with_settings(wall, "decide", holds=[]))[0])
    assert "No check is set to hold a stage: that nothing is listed here says nothing of the wall." in flat(page)


def test_cautions_on_paper_are_those_of_every_answer_and_those_of_the_page() -> None:
    assert " ".join(FULL_CAUTIONS) == " ".join([*CAUTIONS, *AT_THE_PIT])


def test_every_stage_carries_the_cautions_in_full(pages: list[pdf_pages.Page]) -> None:
    for page in pages:
        assert [caution for caution in FULL_CAUTIONS if caution not in flat(page)] == []


def test_three_sign_and_there_is_room_for_ink(pages: list[pdf_pages.Page]) -> None:
    texts = {text.text: text for text in pages[0].texts}
    assert {"Prepared", "Checked", "Released"} <= set(texts)
    rows = [sorted(t.y for t in pages[0].texts if t.text == name) for name in ("Name", "Signature", "Date")]
    assert [len(row) for row in rows] == [3, 3, 3]
    assert rows[0][0] - rows[1][0] >= 8.0
    assert rows[1][0] - rows[2][0] >= 8.0


def test_release_belongs_to_the_responsible_engineer(pages: list[pdf_pages.Page]) -> None:
    released = next(text for text in pages[0].texts if text.text == "Released")
    under = next(text for text in pages[0].texts if text.text.startswith("by the responsible engineer"))
    assert under.x == pytest.approx(released.x, abs=0.01)


def test_nothing_says_that_it_is_safe_to_dig(pages: list[pdf_pages.Page]) -> None:
    for page in pages:
        assert "safe" not in flat(page).lower()


def many(count: int) -> tuple[Hold, ...]:
    return tuple(
        Hold(item=f"P{k}", verdict="not surveyed", check="toe", text="toe not recorded", level=np.nan)
        for k in range(count)
    )


def test_long_lists_go_on_over_further_sheets(wall: Reconciliation) -> None:
    result = with_stage(wall, held_by=many(130))
    made = sheets(result)
    assert [sheet.title for sheet in made] == [f"Stage dig 1, {k + 1} of {len(made)}" for k in range(len(made))]
    texts = [text.text for sheet in made for text in written(sheet).texts]
    assert [name for name in texts if name.startswith("P") and name[1:].isdigit()] == [f"P{k}" for k in range(130)]
    assert texts.count("Released") == 1


def test_beside_the_signature_boxes_stands_that_a_stage_goes_on(wall: Reconciliation) -> None:
    made = sheets(with_stage(wall, held_by=many(130)))
    texts = written(made[0]).texts
    said = next(text for text in texts if text.text.startswith("\u25ba Goes on"))
    assert f"Goes on: {len(made)} sheets. Whoever signs here signs for all {len(made)}" in said.text
    boxes = next(text for text in texts if text.text == "Released")
    cautions = [text.y for text in texts if text.text.startswith("Suggestions (an id")]
    assert boxes.y + boxes.height < said.y < min(cautions) - said.height
    assert not [text for sheet in made[1:] for text in written(sheet).texts if "signs here" in text.text]


def test_one_sheet_alone_does_not_go_on(wall: Reconciliation) -> None:
    (one,) = sheets(replace(with_stage(wall, held_by=many(3), below=()), decisions=()))
    assert "oes on" not in flat(written(one))


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_nothing_is_drawn_outside_its_part_of_the_paper(wall: Reconciliation, paper: str) -> None:
    name = "third\ndig ☃ below the water, " * 12
    result = with_stage(wall, stage=name, held_by=(*wall.stages[0].held_by, *many(60)))
    area = area_of(paper)
    for sheet in sheets(result, paper):
        page = written(sheet, paper)
        low = np.min([pdf_pages.text_corners(text).min(axis=0) for text in page.texts], axis=0)
        high = np.max([pdf_pages.text_corners(text).max(axis=0) for text in page.texts], axis=0)
        assert (low >= (area.left, area.bottom)).all()
        assert (high <= (area.right, area.top)).all()


def test_a_long_name_is_written_in_full(wall: Reconciliation) -> None:
    name = " ".join(["dig below the water in front of the old quay wall"] * 4)
    page = written(sheets(with_stage(wall, stage=name))[0])
    assert f"Stage in full: {name}" in flat(page)


def test_lists_end_above_the_cautions(wall: Reconciliation) -> None:
    page = written(sheets(with_stage(wall, held_by=many(130)))[0])
    top = next(text for text in page.texts if text.text == "Cautions").y
    assert min(text.y for text in page.texts if text.text == "toe not recorded") > top + TEXT["A3"]


def test_no_line_leaves_its_part_of_the_paper(pages: list[pdf_pages.Page]) -> None:
    area = area_of("A3")
    for page in pages:
        shown = np.array([pdf_pages.visible(one) for one in page.drawn])
        assert (shown[:, 0] >= (area.left, area.bottom)).all()
        assert (shown[:, 1] <= (area.right, area.top)).all()


def test_a_cell_of_the_head_goes_on_in_a_second_line(wall: Reconciliation) -> None:
    said = flat(written(sheets(replace(wall, stages=wall.stages[2:]), "A4")[0], "A4"))
    assert "the bottom of each joint's range" in said
