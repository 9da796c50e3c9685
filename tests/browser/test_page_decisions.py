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

#: What is missing from an empty form, in the order of its fields.
WRONG = ["down to which level?", "say why", "who decides?"]
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


def write(reader, **fields):
    """Type into fields of the form, one after the other."""
    for field, text in fields.items():
        if field == "down_to":
            reader.at("#draft-down_to").select_option(text)
        else:
            reader.at(f"#draft-{field}").fill(text)
            to_field(reader, field)
    reader.settle()


def drafted(reader):
    """Return the drafts, as the file would hold them."""
    return json.loads(reader.at("#drafts textarea.copy").input_value())["decisions"]


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
    to_field(reader, "down_to")
    reader.type("every")
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
    assert [text for text in reader.at("#drafts .wrong").all_inner_texts() if text] == WRONG
    assert reader.focus() == "draft-down_to"
    reader.type("every")
    assert [text for text in reader.at("#drafts .wrong").all_inner_texts() if text] == WRONG[1:]
    assert reader.says("#draft-count") == "0"


def test_accepting_what_is_not_measured_is_called_that(reader, demo):
    result, _ = demo
    bare = next(hold.item for hold in result.stages[-1].held_by if hold.verdict == "not surveyed")
    reader.choose(bare)
    reader.click("#draft-this")
    assert "this would be accepted without measurement" in reader.says("#drafts .evidence")


def test_drafts_that_are_not_saved_are_not_lost_in_silence(reader):
    reader.press("d")
    write(reader, down_to="every", reason="seen", by="A. Engineer")
    reader.press("Enter", "Escape")
    assert reader.says("#draft-count") == "1"
    reader.page.reload()
    assert reader.dialogs == ["beforeunload"]


def test_what_is_typed_waits_for_its_item_and_goes_to_no_other(reader):
    reader.press("d")
    write(reader, reason="grouted behind")
    first = reader.at("#draft-item").input_value()
    reader.press("Escape")
    assert reader.says("#draft-count") == "0, begun: 1"
    reader.at("#list").focus()
    reader.press("j", "d")
    assert reader.at("#draft-item").input_value() != first
    assert reader.at("#draft-reason").input_value() == ""
    reader.page.get_by_role("button", name=first, exact=True).last.click()
    reader.settle()
    assert reader.at("#draft-item").input_value() == first
    assert reader.at("#draft-reason").input_value() == "grouted behind"
    reader.press("Escape")
    reader.page.reload()
    assert reader.dialogs == ["beforeunload"]


def test_a_reason_is_one_line_of_signs_that_show(reader):
    reader.press("d")
    write(reader, down_to="every", by="A. Engineer")
    reader.at("#draft-reason").fill("two\nlines,\u00a0a\u202e sign\u2028")
    to_field(reader, "reason")
    reader.press("Enter")
    (one,) = drafted(reader)
    assert one["reason"] == "two lines, a sign"


def test_an_accept_goes_down_to_the_stage_that_is_pressed_and_no_further_unasked(reader):
    reader.press("d")
    assert reader.at("#draft-down_to").input_value() == ""
    reader.press("Escape")
    reader.click("#stages [data-stage='dig 2']")
    reader.click("#draft-this")
    assert reader.at("#draft-down_to").input_value() == "-4"


def test_a_joint_is_known_from_either_side_and_drafted_once(reader):
    reader.press("d")
    for item, reason in (("a024~A023", "first"), ("A023~A024", "second")):
        reader.at("#draft-item").fill(item)
        write(reader, down_to="every", reason=reason, by="A. Engineer")
        reader.press("Enter")
    assert [(one["item"], one["reason"]) for one in drafted(reader)] == [("A023~A024", "second")]
    assert reader.says("#drafts .done") == "It replaces the earlier draft on A023~A024."


def test_a_hold_needs_no_condition(reader):
    reader.press("d")
    reader.at("#draft-effect").select_option("hold")
    write(reader, reason="look again", by="A. Engineer")
    reader.press("Enter")
    (one,) = drafted(reader)
    assert (one["effect"], one["until"], one["down_to"]) == ("hold", "", None)


def test_accepting_what_is_within_is_called_that(reader):
    reader.choose("A001~A002")
    reader.click("#draft-this")
    assert "It is within: there is nothing to accept." in reader.says("#drafts .evidence")


def test_what_is_known_in_part_is_accepted_without_measurement(reader):
    """A100~A101 is known at its top alone."""
    reader.choose("A100~A101")
    reader.click("#draft-this")
    assert "Part of it is not surveyed: this would be accepted without measurement." in reader.says("#drafts .evidence")


def test_nothing_drafted_is_called_decided(reader):
    reader.press("d")
    assert "Nothing is decided yet." in reader.says("#drafts .notice")
    assert "asbuilt decide DIR --from decisions-draft.json" in reader.says("#drafts .notice")
