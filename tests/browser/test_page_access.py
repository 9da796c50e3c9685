"""For those who do not see well, or use no mouse: axe-core's rules, the focus, the order of the keys."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

GRAVE = {"serious", "critical"}


def grave(reader):
    found = Axe().run(reader.page).response["violations"]
    return [(one["id"], one["nodes"][0]["html"][:120]) for one in found if one["impact"] in GRAVE]


def opened(reader):
    """A pile, a stage, and all that can be unfolded."""
    reader.choose("A007")
    reader.click("#detail-body details.where summary")
    reader.press("s")
    reader.click("#filters summary")


def helped(reader):
    reader.press("?")


def changes(reader):
    reader.click("#open-changes")


def drafting(reader):
    """With what is wrong beside its field, and one draft in the list."""
    reader.press("d")
    reader.at("#draft-down_to").select_option("every")
    reader.at("#draft-reason").fill("seen")
    reader.at("#draft-by").fill("A. Engineer")
    reader.click("#drafts button[type=submit]")
    reader.click("#drafts button[type=submit]")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious(look, demo_page, theme):
    told = {}
    for state in (opened, helped, changes, drafting):
        with look(demo_page, color_scheme=theme) as reader:
            state(reader)
            told[state.__name__] = grave(reader)
    assert told == {name: [] for name in told}


def test_axe_is_not_blind(reader):
    reader.page.evaluate("() => document.body.append(document.createElement('button'))")
    assert [name for name, _ in grave(reader)] == ["button-name"]


def walk(reader, most=150):
    """Go through the page with Tab: what has the focus, and how it shows it."""
    seen = []
    look_at = """() => {
      const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
      return [one.id || one.textContent.trim().slice(0, 40) || one.name || one.tagName, style.outlineStyle,
        parseFloat(style.outlineWidth), box.width > 0 && box.right > 0 && box.bottom > 0, one === document.body];
    }"""
    for _ in range(most):
        reader.page.keyboard.press("Tab")
        *one, ended = reader.page.evaluate(look_at)
        if ended:
            return seen
        seen.append(tuple(one))
    raise AssertionError("Tab comes to no end")


def test_tab_begins_at_the_skip_link_and_comes_by_everything(reader):
    names = [one[0] for one in walk(reader)]
    assert names[0] == "To the list of piles and joints"
    header = ["open-changes", "open-drafts", "theme", "open-help"]
    order = [*header, "filter-text", "list", "plan", "level", "level-number"]
    assert [name for name in names if name in order] == order
    assert names.index("plan") < names.index("elevation") < names.index("draft-this")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_focus_is_seen_wherever_it_is(look, demo_page, theme):
    with look(demo_page, color_scheme=theme) as reader:
        unseen = [one for one in walk(reader) if one[1] == "none" or one[2] < 2 or not one[3]]
        reader.press("d")
        unseen += [one for one in walk_dialog(reader) if one[1] == "none" or one[2] < 2 or not one[3]]
    assert unseen == []


def walk_dialog(reader):
    look_at = """() => {
      const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
      return [one.id || one.tagName, style.outlineStyle, parseFloat(style.outlineWidth), box.width > 0];
    }"""
    seen = []
    for _ in range(12):
        one = tuple(reader.page.evaluate(look_at))
        if one[0] == "BODY" or (seen and one == seen[0]):
            break
        seen.append(one)
        reader.page.keyboard.press("Tab")
    assert len(seen) > 5
    return seen


@pytest.mark.parametrize(
    ("opening", "dialog"), [("#open-help", "#help"), ("#open-drafts", "#drafts"), ("#open-changes", "#changes")]
)
def test_escape_closes_a_dialog_and_the_focus_returns(reader, opening, dialog):
    reader.at(opening).focus()
    reader.press("Enter")
    assert reader.at(dialog).is_visible()
    reader.press("Escape")
    assert not reader.at(dialog).is_visible()
    assert f"#{reader.focus()}" == opening


def test_a_narrow_window_and_a_phone_scroll_down_only(look, demo_page):
    for width in (360, 800):
        with look(demo_page, viewport={"width": width, "height": 700}) as reader:
            assert reader.page.evaluate("() => document.documentElement.scrollWidth") <= width
