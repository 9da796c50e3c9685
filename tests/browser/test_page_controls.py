"""List, stages, pictures, keys, theme, and what changed: what a person does, and what is shown then."""

from __future__ import annotations

import numpy as np
import pytest
import review_pages
from review_pages import level

from asbuilt.columns import VERDICT_LOOKS, VERDICTS
from asbuilt.compute.changes import changes_between
from asbuilt.compute.ranking import gravest_first
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile


def count(reader):
    """Return how many are listed, of how many."""
    listed, _, all_of, *_ = reader.says("#list-count").split()
    return int(listed), int(all_of)


def tally(reader, verdict):
    """Return the box of a verdict and the count beside it."""
    box = reader.at(f"#filters label.tick[title='{verdict}']")
    return box, int(box.inner_text().split()[-1])


def first_to_see(result):
    """Return the gravest of what holds the first stage that is held, as its holds are ranked."""
    return next(one for one in result.stages if one.held_by).held_by[0].item


def test_the_gravest_of_what_holds_the_next_stage_is_chosen_at_the_start(reader, demo):
    result, _ = demo
    assert reader.chosen() == first_to_see(result) == "A100~A101"
    assert reader.attribute("#plan", "aria-label").endswith("selected A100~A101, not surveyed")


def test_one_sentence_says_what_stands_in_the_way(reader, demo):
    """The first stage that is held, how many items hold it, and the gravest of those."""
    result, _ = demo
    state = next(one for one in result.stages if one.held_by)
    held = {hold.item for hold in state.held_by}
    gravest = first_to_see(result)
    start = f"{state.stage} to {level(state.level)} m is held by {len(held)} items; the gravest: {gravest}, "
    assert reader.says("#state").startswith(start)


@pytest.mark.parametrize("verdict", VERDICTS)
def test_only_one_verdict_is_listed(reader, demo, verdict):
    result, _ = demo
    items = sum(
        int(np.count_nonzero(np.asarray(rows["verdict"])[known] == VERDICTS.index(verdict)))
        for rows, known in ((result.piles, result.piles.expected), (result.joints, slice(None)))
    )
    for other in set(VERDICTS) - {verdict}:
        tally(reader, other)[0].click()
    reader.settle()
    assert tally(reader, verdict)[1] == items
    assert count(reader)[0] == items
    letters = {text.strip() for text in reader.at("#list [role=option] .mark").all_inner_texts()}
    assert letters == {VERDICT_LOOKS[verdict].letter}
    reader.click("#clear-filters")
    listed, every = count(reader)
    assert listed == every


def test_words_and_kinds_filter_together(reader, demo):
    result, _ = demo
    ids = result.joints["joint_id"].tolist()
    reader.find("a00")
    reader.at("#filters select[name=what]").select_option("joint")
    reader.settle()
    names = reader.at("#list [role=option] .id").all_inner_texts()
    assert sorted(names) == sorted(name for name in ids if "A00" in name)
    assert reader.attribute("#list [role=option] >> nth=0", "aria-setsize") == str(len(names))


def test_every_filter_by_pile_keeps_what_has_one_of_that_kind(reader, demo):
    result, _ = demo
    rig = min(name for name in result.piles["rig"].tolist() if name)
    reader.click("#filters summary")
    reader.at("#filters select[name=what]").select_option("pile")
    reader.at("#filters select[name=rig]").select_option(rig)
    reader.settle()
    assert count(reader)[0] == int(np.count_nonzero(result.piles["rig"] == rig))


def test_a_stage_lists_what_holds_it_each_item_once_and_cuts_the_plan_there(reader, demo):
    result, _ = demo
    state = next(one for one in result.stages if len({hold.item for hold in one.held_by}) < len(one.held_by))
    held = list(dict.fromkeys(hold.item for hold in state.held_by))
    button = f"#stages [data-stage='{state.stage}']"
    assert f"held by {len(held)}" in reader.says(button)
    reader.click(button)
    assert reader.attribute(button, "aria-pressed") == "true"
    assert reader.says("#plan-level") == level(state.level)
    reader.at("#list").focus()
    reader.press("Home")
    assert reader.says("#list .group >> nth=0") == f"Holding {state.stage}: {len(held)}"
    first = reader.at("#list [role=option] .id").all_inner_texts()[:8]
    assert first == held[:8]
    assert reader.says("#stage-asks") == f"{state.stage}: {asked(state)}"
    reader.click(button)
    assert reader.attribute(button, "aria-pressed") == "false"
    assert count(reader)[0] == count(reader)[1]


def asked(state):
    to = "their ends" if state.joints_to is None else level(state.joints_to)
    return f"dig to {level(state.level)}, joints to be sound to {to}"


def row_of(reader, item):
    """Return the words of an item's row, which is in sight."""
    return reader.says(f'#list [role=option][title^="{item}:"] .says')


def test_a_stage_pressed_shows_its_holds_from_the_first_and_from_where_each_holds(reader, demo):
    result, _ = demo
    (state, *_rest) = result.stages
    reader.choose("A087~A089")
    reader.click("#clear-filters")
    reader.press("End")
    reader.click(f"#stages [data-stage='{state.stage}']")
    assert reader.chosen() == state.held_by[0].item
    assert reader.page.evaluate("() => document.getElementById('list').scrollTop") == 0
    held = {hold.item: hold for hold in state.held_by}
    opened = np.asarray(result.joints["open_level"])[result.joints["joint_id"].tolist().index("A006~A007")]
    words = f"not sure from {level(held['A006~A007'].level)}, open {level(opened)}"
    assert row_of(reader, "A006~A007") == words
    assert row_of(reader, "A036").startswith(f"from {level(held['A036'].level)}: to pit 83 ")
    reader.click('#list [role=option][title^="A006~A007:"]')
    line = f"Holds dig 1: {words}; joints are to be sound to {level(state.joints_to)}"
    assert reader.says("#detail-body ul.holds li >> nth=0") == line


def test_no_words_of_a_hold_are_cut_short(reader):
    for stage in ("dig 1", "dig 2", "final"):
        reader.click(f"#stages [data-stage='{stage}']")
        cut = reader.page.evaluate(
            """() => [...document.querySelectorAll("#list .row .says")].filter((one) =>
                one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 2).length"""
        )
        assert cut == 0, stage


def test_an_accept_that_ends_above_a_stage_is_not_called_accepted_there(reader):
    reader.click("#stages [data-stage=final]")
    row = '#list [role=option][title^="A012~A013:"]'
    assert reader.at(f"{row} .tag").inner_text() == f"to {level(-4.0)}"
    reader.choose("A087~A089")
    assert reader.at("#list [aria-selected=true] .tag").inner_text() == "accepted"


def test_decisions_can_be_listed_and_those_that_lapsed(reader, demo):
    result, _ = demo
    lapsed = [one.item for one in result.decisions if one.effect == "accept" and one.state.startswith("changed")]
    reader.at("#filters select[name=what]").select_option("decision")
    reader.settle()
    assert reader.at("#list [role=option] .id").count() == len(result.decisions)
    reader.page.get_by_role("button", name=f"decisions that lapsed: {len(lapsed)}").click()
    reader.settle()
    assert sorted(reader.at("#list [role=option] .id").all_inner_texts()) == sorted(lapsed)
    assert set(reader.at("#list [role=option] .tag").all_inner_texts()) == {"lapsed"}


def test_errors_that_were_found_are_told_in_the_head_and_lead_to_the_findings(look, demo, tmp_path):
    data = review_pages.data_of(demo[0])
    data["findings"][0]["severity"] = "error"
    with look(review_pages.write(data, tmp_path / "page.html")) as reader:
        reader.page.get_by_role("button", name="errors found: 1").click()
        reader.settle()
        assert count(reader)[0] == len(data["findings"])
        assert reader.at("#list [role=option] .mark[aria-label=error]").count() == 1


def test_every_file_that_serves_a_pile_can_be_filtered_for(reader, demo):
    """A file of tilts too, though no centre comes from it."""
    _, views = demo
    reader.click("#filters summary")
    offered = reader.at("#filters select[name=file] option").all_inner_texts()
    tilts = sorted(name for name in offered if name.startswith("tilts/"))
    assert tilts
    reader.at("#filters select[name=file]").select_option(tilts[0])
    reader.at("#filters select[name=what]").select_option("pile")
    reader.settle()
    rows = views.sources()
    place = [file.path for file in demo[0].survey.files].index(tilts[0])
    assert count(reader)[0] == len(set(np.asarray(rows.pile)[np.asarray(rows.file) == place].tolist()))


def test_what_was_done_is_said_once_at_rest(reader, demo):
    result, _ = demo
    assert reader.says("#says") == ""
    reader.press("1", "s")
    reader.press("j", "PageDown")
    reader.page.wait_for_function("() => document.getElementById('says').textContent !== ''")
    said = reader.says("#says")
    held = list(dict.fromkeys(hold.item for hold in result.stages[0].held_by))
    assert said.startswith(f"dig 1: {asked(result.stages[0])}; held by {len(held)} items. ")
    assert f"{held[1]}, outside: " in said
    assert said.endswith(f"plan at {level(0.0)}: {reader.says('#plan-says')}.")


def filled(reader, pile, z):
    """Return how much of the middle of a pile is filled as what is outside is."""
    reader.choose(pile)
    reader.go_to(z)
    reader.at("#plan").focus()
    reader.press("z")
    x, y = (int(value) for value in reader.middle("#plan"))
    middle = reader.picture()[y - 20 : y + 20, x - 20 : x + 20].astype(int)
    fill = 0.45 * reader.colour("--outside") + 0.55 * reader.colour("--panel")
    return int(np.count_nonzero(np.abs(middle - fill).max(axis=2) <= 6))


def test_a_toe_that_ended_too_high_fills_nothing_above_it(reader, demo):
    """Nor does a face that runs into the pit below the level shown; a lean that is too great does everywhere."""
    result, _ = demo
    piles = result.piles
    ids = piles["pile_id"].tolist()
    assert piles["toe_verdict"][ids.index("A053")] == piles["verdict"][ids.index("A053")] == VERDICTS.index("outside")
    assert filled(reader, "A053", 0.5) == 0
    assert filled(reader, "A007", 0.5) > 400
    from_here = next(hold.level for stage in result.stages for hold in stage.held_by if hold.item == "A036")
    assert filled(reader, "A036", from_here + 0.1) == 0
    assert filled(reader, "A036", from_here - 0.1) > 400


def test_s_goes_from_stage_to_stage_and_then_to_none(reader, demo):
    result, _ = demo
    for state in result.stages:
        reader.press("s")
        assert reader.attribute("#stages [aria-pressed=true]", "data-stage") == state.stage
    reader.press("s")
    assert reader.at("#stages [aria-pressed=true]").count() == 0


def test_a_click_in_the_plan_selects_what_is_there(reader):
    """The chosen item is in the middle after z: what is pressed is left of it, the pile of the joint."""
    reader.choose("A006~A007")
    reader.press("Escape")
    reader.at("#plan").focus()
    reader.press("z", "ArrowRight")
    pile = reader.chosen()
    assert pile in ("A006", "A007")
    reader.press("z", "ArrowLeft")
    assert reader.chosen() == "A006~A007"
    reader.page.mouse.click(*reader.middle("#plan"))
    reader.settle()
    assert reader.chosen() == pile


def test_a_click_in_the_elevation_sets_level_and_joint(reader):
    """The chosen joint's strip is in the middle after z, and levels are drawn true to scale between top and bottom."""
    reader.choose("A060~A061")
    reader.press("Escape")
    reader.at("#elevation").focus()
    reader.press("z")
    reader.press("ArrowRight")
    assert reader.chosen() != "A060~A061"
    x, y = reader.middle("#elevation")
    reader.page.mouse.click(x, y)
    reader.settle()
    assert reader.chosen() == "A060~A061"
    middle = float(reader.says("#plan-level").replace("\N{MINUS SIGN}", "-"))
    reader.page.mouse.click(x, y + 20)
    reader.settle()
    lower = float(reader.says("#plan-level").replace("\N{MINUS SIGN}", "-"))
    assert middle > lower
    reader.page.mouse.move(x, y + 20)
    reader.page.mouse.down()
    reader.page.mouse.move(x, y, steps=3)
    reader.page.mouse.up()
    reader.settle()
    assert reader.says("#plan-level") == level(middle)


def test_arrows_go_along_the_wall(reader, demo):
    result, _ = demo
    reader.choose("A010")
    reader.at("#plan").focus()
    reader.press("ArrowRight")
    assert reader.chosen() in ("A010~A011", "A009~A010")
    there = reader.chosen()
    reader.press("ArrowRight")
    assert reader.chosen() in there.split("~")
    reader.press("ArrowLeft", "ArrowLeft")
    assert reader.chosen() == "A010"
    reader.press("Home")
    assert reader.chosen() == first_to_see(result)


def test_the_list_is_walked_with_arrows_and_shows_where_one_is(reader, demo):
    result, _ = demo
    worst = gravest_first(result.piles, result.joints)
    reader.at("#list").focus()
    reader.press("Home", "ArrowDown", "ArrowDown", "ArrowUp")
    assert reader.chosen() == worst[1]
    active = reader.attribute("#list", "aria-activedescendant")
    assert reader.says(f"#{active} .id") == worst[1]
    reader.press("End")
    last = reader.attribute("#list", "aria-activedescendant")
    assert reader.attribute(f"#{last}", "aria-posinset") == str(count(reader)[0])
    assert reader.at(f"#{last}").is_visible()


def test_keys_move_the_level(reader):
    reader.press("f", "PageUp")
    assert reader.says("#plan-level") == level(-7.5)
    reader.press("Shift+PageDown", "[")
    assert reader.says("#plan-level") == level(-7.65)
    reader.press("c")
    assert reader.says("#plan-level") == level(3.2)
    reader.press("2")
    assert reader.says("#plan-level") == level(-4.0)
    assert reader.at("#level-steps [aria-pressed=true]").all_inner_texts() == ["dig 2 \N{MINUS SIGN}4.00"]


def test_keys_write_where_something_can_be_written(reader):
    reader.press("f", "/")
    reader.type("c2")
    assert reader.at("#filter-text").input_value() == "c2"
    assert reader.says("#plan-level") == level(-8.0)


def test_keys_of_one_letter_can_be_turned_off(reader):
    reader.press("f", "?")
    assert reader.at("#help").is_visible()
    reader.at("#help input[type=checkbox]").uncheck()
    reader.press("Escape")
    assert not reader.at("#help").is_visible()
    reader.press("c")
    assert reader.says("#plan-level") == level(-8.0)


def test_the_theme_follows_the_machine_until_it_is_chosen(look, demo_page):
    with look(demo_page, color_scheme="dark") as reader:
        assert reader.attribute("html", "data-theme") == "dark"
        x, y = (int(value) for value in reader.middle("#list-count"))
        dark = reader.picture()[y, x].sum()
        reader.click("#theme")
        assert reader.attribute("html", "data-theme") == "light"
        assert reader.attribute("#theme", "aria-pressed") == "false"
        assert reader.colour("--panel").sum() > dark
        reader.page.emulate_media(color_scheme="dark")
        reader.settle()
        assert reader.attribute("html", "data-theme") == "light"


def test_what_changed_is_what_python_finds(reader, demo):
    before = np.datetime64(f"{review_pages.BEFORE}T21:59:59.999", "ms")
    survey = read_survey(review_pages.DEMO, as_of=before)
    changes = changes_between(reconcile(survey, as_of=before), demo[0])
    reader.click("#open-changes")
    rows = reader.at("#changes tbody tr th").all_inner_texts()
    assert rows == [one.item for one in changes.items]
    assert len(rows) > 5
    ways = reader.at("#changes tbody tr td:nth-child(3)").all_inner_texts()
    assert ways == [{True: "worse", False: "better", None: ""}[one.worse] for one in changes.items]
    assert f"Decisions that lapsed: {len(set(changes.lapsed))}" in reader.says("#changes")
    reader.at("#changes tbody tr th button").nth(3).click()
    reader.settle()
    assert not reader.at("#changes").is_visible()
    assert reader.chosen() == changes.items[3].item


def test_without_an_earlier_state_nothing_is_offered(look, demo, tmp_path):
    with look(review_pages.write(review_pages.data_of(demo[0]), tmp_path / "page.html")) as reader:
        assert not reader.at("#open-changes").is_visible()
        assert reader.at("#open-drafts").is_visible()


def test_below_a_built_toe_no_overlap_is_told(reader, demo):
    result, _ = demo
    joints, toe = result.joints, np.asarray(result.axes.toe)
    place = next(
        k for k in range(len(joints)) if max(toe[joints.a[k]], toe[joints.b[k]]) > joints["range_bottom"][k] + 0.2
    )
    ends = max((joints.a[place], joints.b[place]), key=lambda k: toe[k])
    reader.choose(joints["joint_id"][place])
    reader.go_to(float(joints["range_bottom"][place]) + 0.1)
    below = level(float(joints["range_bottom"][place]) + 0.1)
    assert reader.says("#here") == f"At {below}: open: {result.piles['pile_id'][ends]} ends at {level(toe[ends])}"
