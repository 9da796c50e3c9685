"""Texts from strangers are shown as texts: nothing in them runs, or disturbs what stands around them."""

from __future__ import annotations

import copy
import itertools

import pytest
import review_pages

MARKUP = '<img src=x onerror="document.title=1">'
BREAKING = "\"'`&amp;</script><script>document.title=2</script><!--"
TURNING = "\u202eturned\u202c \u2067here\u2069"
LINES = "one\r\ntwo\u2028three\u2029four\ttab\x07bell"
HOSTILE = (MARKUP, BREAKING, TURNING, LINES)
EVERYTHING = " ".join(HOSTILE)
#: What stands on the page for a sign that does not show, or turns its surroundings.
#: A row of the list has one line, or two at most [px].
ROW_HEIGHTS = {22, 37}
UNSEEN = "\N{WHITE VERTICAL RECTANGLE}"


def hostile(data):
    """Return the page's data with such texts wherever a person or a file may have written."""
    data = copy.deepcopy(data)
    for table in (data["piles"], data["joints"]):
        table["reasons"] = [f"{text} {HOSTILE[k % 4]}" for k, text in enumerate(table["reasons"])]
    for column in ("rig", "file", "one_in"):
        data["piles"][column] = [f"{text}{HOSTILE[k % 4]}" for k, text in enumerate(data["piles"][column])]
    data["files"] = [f"{name}{HOSTILE[k % 4]}" for k, name in enumerate(data["files"])]
    for k, one in enumerate(data["findings"]):
        one.update(text=f"{one['text']} {HOSTILE[k % 4]}", file=f"{one['file']}{HOSTILE[k % 4]}")
    for one in data["stages"]:
        one["name"] += EVERYTHING
        for hold in [*one["held_by"], *one["below"]]:
            hold["text"] += EVERYTHING
    names = {one["stage"]: f"{one['stage']}{EVERYTHING}" for one in data["since"]["stages"]}
    for one in data["since"]["stages"]:
        one["stage"] = names[one["stage"]]
    for one in data["since"]["items"]:
        one["text"] += EVERYTHING
    said = dict.fromkeys(("by", "reason", "reference", "until", "changed"), EVERYTHING)
    base = {"at": "2024-10-10 10:00 UTC", "effect": "accept", "down_to": -4.0, "state": "changed, worse"}
    data["decisions"] = [{**base, **said, "item": "A006~A007", "standing": False}]
    data.update(site=f"Site {EVERYTHING}", changed=[f"design/{EVERYTHING}"], not_made=[EVERYTHING])
    return data


@pytest.fixture(scope="module")
def page(demo_page, tmp_path_factory):
    data = hostile(review_pages.carried(demo_page.read_text("utf-8")))
    return review_pages.write(data, tmp_path_factory.mktemp("hostile") / "page.html")


@pytest.fixture(scope="module")
def opened(look, page):
    with look(page) as one:
        yield one


@pytest.fixture
def reader(opened, page):
    """Somebody before the hostile page; at the end it must still be what it was."""
    opened.page.goto(page.as_uri())
    opened.dialogs.clear()
    opened.settle()
    yield opened
    assert opened.page.title().startswith("Site <img src=x onerror")
    assert opened.at("img, iframe, object, embed, link[rel=stylesheet]").count() == 0
    assert opened.at("script").count() == 2
    assert opened.dialogs == []


def hostile_of(reader):
    """Return the data of the page as the browser holds it."""
    return review_pages.carried(reader.page.content())


def shown(text):
    """Return a hostile text as it is read on the page, spaces drawn together."""
    for sign in "\r\n\t\x07\u2028\u2029\u202e\u202c\u2067\u2069":
        text = text.replace(sign, UNSEEN)
    return " ".join(text.split())


def test_the_sites_name_is_shown_as_it_is_written(reader):
    assert reader.says("#site") == f"Site {shown(EVERYTHING)}"


def test_a_stages_name_is_shown_as_it_is_written_and_works(reader):
    name = reader.at("#stages button b").first
    assert " ".join(name.inner_text().split()) == f"dig 1{shown(EVERYTHING)}"
    name.click()
    reader.settle()
    assert reader.at("#stages [aria-pressed=true]").count() == 1
    reader.at("#list").focus()
    reader.press("Home")
    assert f"Holding dig 1{shown(EVERYTHING)}" in reader.says("#list .group >> nth=0")


@pytest.mark.parametrize("k", range(4))
def test_reasons_are_shown_as_they_are_written(reader, k):
    data = hostile_of(reader)
    place = next(i for i in range(k, len(data["joints"]["id"]), 4) if data["joints"]["verdict"][i] > 0)
    reader.choose(data["joints"]["id"][place])
    assert shown(HOSTILE[k]) in reader.says("#detail-body ul.reasons")


def test_a_decision_is_shown_as_it_is_written(reader):
    reader.choose(hostile_of(reader)["decisions"][0]["item"])
    body = reader.says("#detail-body")
    assert f"by {shown(EVERYTHING)}, 2024-10-10: {shown(EVERYTHING)} ({shown(EVERYTHING)})" in body


def test_files_are_shown_as_they_are_written(reader):
    reader.choose("A001")
    reader.click("#detail-body details.where summary")
    assert any(shown(text) in reader.says("#detail-body details.where") for text in HOSTILE)


def test_every_part_of_the_page_survives_them(reader):
    """Dialogs, filters, findings, print: none takes a text for more than that."""
    reader.click("#open-changes")
    assert shown(MARKUP) in reader.says("#changes")
    reader.press("Escape", "?")
    assert shown(MARKUP) in reader.says("#help")
    reader.press("Escape")
    reader.click("#filters summary")
    reader.at("#filters select[name=what]").select_option("finding")
    reader.settle()
    reader.at("#list [role=option]").first.click()
    reader.settle()
    reader.press("d")
    reader.at("#draft-reason").fill(EVERYTHING)
    reader.at("#draft-by").fill(MARKUP)
    reader.press("Enter")
    assert shown(MARKUP) in reader.says("#drafts .drafted")
    reader.page.pdf(prefer_css_page_size=True)


def test_rows_keep_their_height_and_the_page_its_width(reader, look, demo_page):
    """The rows of the list and the columns stand where they stand without such texts."""

    def boxes(one):
        return {
            name: [round(part) for part in one.at(name).first.bounding_box().values()]
            for name in ("#list [role=option]", "#plan", "#elevation", "#detail")
        }

    width = reader.page.evaluate("() => document.documentElement.scrollWidth")
    assert width == review_pages.WINDOW["width"]
    rows = [row.bounding_box() for row in reader.at("#list [role=option]").all()[:12]]
    assert {round(row["height"]) for row in rows} <= ROW_HEIGHTS
    assert all(round(above["y"] + above["height"]) == round(below["y"]) for above, below in itertools.pairwise(rows))
    with look(demo_page) as plain:
        assert [box[0] for box in boxes(reader).values()] == [box[0] for box in boxes(plain).values()]
        assert [box[2] for box in boxes(reader).values()] == [box[2] for box in boxes(plain).values()]


def test_a_turning_sign_turns_nothing_around_it(reader):
    """What follows a text with a right-to-left override stands to the right of it, as ever."""
    data = hostile_of(reader)
    place = next(k for k in range(2, len(data["joints"]["id"]), 4) if data["joints"]["verdict"][k] >= 0)
    reader.choose(data["joints"]["id"][place])
    row = reader.at("#list [role=option][aria-selected=true]")
    parts = [row.locator(part).bounding_box() for part in (".mark", ".id", ".says")]
    assert [box["x"] for box in parts] == sorted(box["x"] for box in parts)
    assert "\u202e" not in row.inner_text()
