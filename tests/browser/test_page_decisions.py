"""From the first key to a decision that stands: drafted on the page, taken in by ``asbuilt decide``, shown anew."""

from __future__ import annotations

import contextlib
import io
import json
import shutil

import pytest
import review_pages

from asbuilt.__main__ import main
from asbuilt.columns import DECISION_DRAFT
from asbuilt.commands._shared import ExitCode

REASON = 'grout column behind it, see "NCR 12"'


@pytest.fixture
def folder(tmp_path):
    """The demonstration, for a test to decide in."""
    return shutil.copytree(review_pages.DEMO, tmp_path / "wall", ignore=shutil.ignore_patterns("out", "incoming"))


def to_field(reader, field):
    """Go on with Tab until a field of the form has the focus."""
    for _ in range(12):
        if reader.focus() == f"draft-{field}":
            return
        reader.press("Tab")
    raise AssertionError(f"{field} cannot be reached")


def draft_by_keys(reader, path):
    """From the first key on: to the list, two items down, a draft on that one, saved; return the item."""
    reader.press("Tab")
    assert reader.page.evaluate("() => document.activeElement.className") == "skip"
    reader.press("Enter", "Home", "ArrowDown", "ArrowDown")
    assert reader.focus() == "list"
    item = reader.chosen()
    reader.press("d")
    assert reader.at("#drafts").is_visible()
    assert reader.at("#draft-item").input_value() == item
    to_field(reader, "reason")
    reader.type(REASON)
    to_field(reader, "by")
    reader.type("A. Engineer")
    to_field(reader, "reference")
    reader.type("NCR 12")
    reader.press("Enter")
    assert reader.focus() == "save-drafts"
    with reader.page.expect_download() as saved:
        reader.press("Enter")
    assert saved.value.suggested_filename == "decisions-draft.json"
    saved.value.save_as(path)
    reader.press("Escape")
    assert not reader.at("#drafts").is_visible()
    return item


def asked(*arguments):
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main([*map(str, arguments)]) in (ExitCode.DONE, ExitCode.HELD)
    return out.getvalue()


def holds(folder, stage, kind="held_by"):
    return [one["item"] for one in json.loads(asked("holds", folder, stage, "--json"))[kind]]


def test_a_decision_drafted_with_keys_lifts_its_hold(look, folder, tmp_path):
    draft = tmp_path / "decisions-draft.json"
    before = review_pages.run(folder, tmp_path / "before")
    with look(before) as reader:
        item = draft_by_keys(reader, draft)
        stages = reader.says("#stages")
    said = json.loads(draft.read_text("utf-8"))
    assert (said["format"], said["site"]) == (DECISION_DRAFT, review_pages.carried(before.read_text("utf-8"))["site"])
    (one,) = said["decisions"]
    assert (one["item"], one["effect"], one["down_to"], one["until"]) == (item, "accept", None, "")
    assert (one["by"], one["reference"], one["reason"]) == ("A. Engineer", "NCR 12", REASON)
    assert item in holds(folder, "final")
    asked("decide", folder, "--from", draft)
    held = holds(folder, "final")
    assert item not in held
    with look(review_pages.run(folder, tmp_path / "after")) as reader:
        reader.choose(item)
        assert reader.at("#list [role=option][aria-selected=true] .tag").inner_text() == "accepted"
        assert f"accept by A. Engineer, {one['drafted_at'][:10]}: {REASON} (NCR 12)" in reader.says("#detail-body")
        assert f"held by {len(set(held))}" in reader.says("#stages [data-stage=final]")
        assert reader.says("#stages") != stages
        reader.click("#stages [data-stage=final]")
        reader.find("")
        reader.click("#list [role=option] >> nth=0")
        reader.press("End")
        listed = " ".join(reader.at("#list .group, #list .id").all_inner_texts())
        assert "Accepted by a decision" in listed
        assert item in listed.split("Accepted by a decision")[1].split()


def test_what_is_wrong_with_a_draft_stands_beside_its_field(reader):
    reader.press("d")
    to_field(reader, "reference")
    reader.press("Enter")
    assert [text for text in reader.at("#drafts .wrong").all_inner_texts() if text] == ["say why", "who decides?"]
    assert reader.focus() == "draft-reason"
    reader.type("seen")
    assert [text for text in reader.at("#drafts .wrong").all_inner_texts() if text] == ["who decides?"]
    assert reader.says("#draft-count") == "0"


def test_accepting_what_is_not_measured_is_called_that(reader, demo):
    result, _ = demo
    bare = next(hold.item for hold in result.stages[-1].held_by if hold.verdict == "not surveyed")
    reader.choose(bare)
    reader.click("#draft-this")
    assert "this would be accepted without measurement" in reader.says("#drafts .evidence")


def test_drafts_that_are_not_saved_are_not_lost_in_silence(reader):
    reader.press("d")
    for field, text in (("reason", "seen"), ("by", "A. Engineer")):
        to_field(reader, field)
        reader.type(text)
    reader.press("Enter", "Escape")
    assert reader.says("#draft-count") == "1"
    reader.page.reload()
    assert reader.dialogs == ["beforeunload"]


def test_nothing_drafted_is_called_decided(reader):
    reader.press("d")
    assert "Nothing is decided yet." in reader.says("#drafts .notice")
    assert "asbuilt decide DIR --from decisions-draft.json" in reader.says("#drafts .notice")
