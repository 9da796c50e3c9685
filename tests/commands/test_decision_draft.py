"""``asbuilt decide --from``: a draft of the review page is taken in whole, once, or not at all."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
import small_folder
from decide_steps import answer, contents, refusal, rows

from asbuilt.__main__ import main
from asbuilt.columns import DECISION_DRAFT
from asbuilt.intake.decisions import broken_decisions
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture
def draft(folder, tmp_path):
    """Return what writes a draft on the folder; changes by key, and changes of its decisions by place."""
    result = reconcile(read_survey(folder))

    def one(item: str, effect: str, /, **cells: object) -> dict:
        bound = {"evidence": (result.evidence(item) or "f" * 64)[:16], "drafted_at": "2025-03-06T09:15:30.250Z"}
        said = {"item": item, "effect": effect, "down_to": None, "until": "", "reference": "", "by": "A. Engineer"}
        return {**said, "reason": "seen", **bound, **cells}

    def write(*decisions: dict, **changes: object) -> Path:
        content = {
            "format": DECISION_DRAFT,
            "site": "Small invented wall",
            "as_of": "2025-03-05T12:40:00Z",
            "inputs_sha256": "0" * 64,
            "decisions": list(decisions),
            **changes,
        }
        path = tmp_path / "draft.json"
        path.write_text(json.dumps(content), "utf-8")
        return path

    write.one = one
    return write


def test_a_draft_is_taken_in_whole(folder, draft, capsys):
    bound = {"evidence": reconcile(read_survey(folder)).evidence("P3~P4")}
    path = draft(draft.one("P4~P3", "accept", down_to=0.5, **bound), draft.one("P1", "hold", until="dry"))
    found = answer(capsys, folder, "--from", path)
    assert [(one["item"], one["effect"]) for one in found["written"]] == [("P3~P4", "accept"), ("P1", "hold")]
    one, two = rows(folder)
    assert (one["at"], one["down_to_level"], two["until"]) == ("2025-03-06T09:15:30.250Z", "0.5", "dry")
    assert one["evidence_sha256"] == reconcile(read_survey(folder)).evidence("P3~P4")
    assert broken_decisions((folder / "decisions.csv").read_bytes()) == []


def test_the_same_draft_twice_is_recognised_and_nothing_written_twice(folder, draft, capsys):
    path = draft(draft.one("P3~P4", "accept"), draft.one("P1", "hold"))
    answer(capsys, folder, "--from", path)
    before = contents(folder)
    assert main(["decide", str(folder), "--from", str(path)]) == 0
    assert contents(folder) == before
    lines = capsys.readouterr().out.splitlines()
    assert "In decisions.csv already: accept P3~P4 by A. Engineer" in lines
    assert "Nothing was written." in lines


def test_what_changed_since_the_page_was_made_is_refused_with_all_the_rest(folder, draft, capsys):
    path = draft(
        draft.one("P1", "hold"),
        draft.one("P3~P4", "accept", evidence="f" * 16),
        draft.one("P1~P2", "accept", evidence="e" * 64, figures="verdict=outside; least_overlap_mm=1.0"),
    )
    _, second = refusal(capsys, folder, "--from", path)
    assert second.startswith(
        "draft.json: decision 3: evidence: P1~P2: its inputs changed since the page was made: "
        "verdict outside -> within, least overlap 1.0 -> "
    )
    first = refusal(capsys, folder, "--from", path)[0]
    assert first == (
        "draft.json: decision 2: evidence: P3~P4: its inputs changed since the page was made, "
        "expected what is there now: look at it again"
    )


@pytest.mark.parametrize(
    ("cells", "problem"),
    [
        ({"down_to": "deep"}, "down_to: 'deep', expected a number or null"),
        ({"down_to": True}, "down_to: True, expected a number or null"),
        ({"down_to": 99.0}, "down_to: +99.00, expected a level of the site, -40.00 to +10.00"),
        ({"by": ""}, "by: '', expected some text in one line"),
        ({"by": 7}, "by: 7, expected a text"),
        ({"reason": "a\nb"}, "reason: 'a\\nb', expected some text in one line"),
        ({"effect": "lift"}, "effect: 'lift', expected one of accept, hold, withdraw"),
        ({"until": "dry"}, "until: given with accept, expected only with hold"),
        ({"evidence": "abc"}, "evidence: 'abc', expected 16 to 64 of 0-9 a-f"),
        ({"evidence": ""}, "evidence: '', expected 16 to 64 of 0-9 a-f"),
        ({"drafted_at": "2025-03-06"}, "drafted_at: '2025-03-06', expected a date and time with its offset"),
        ({"drafted_at": "2999-03-06T00:00:00Z"}, "drafted_at: 2999-03-06T00:00:00Z has not come yet, expected a time"),
        ({"note": "x"}, "note: unknown, expected only item, effect, down_to"),
        ({"item": "P33"}, "item: no item 'P33', expected perhaps P3"),
        ({"effect": "withdraw"}, "item: no decision on 'P3~P4' to withdraw, expected an item that was decided on"),
    ],
    ids=str,
)
def test_what_is_wrong_with_a_decision_is_told_with_its_place(folder, draft, capsys, cells, problem):
    path = draft(draft.one("P1", "hold"), draft.one("P3~P4", "accept", **cells))
    (told,) = refusal(capsys, folder, "--from", path)
    assert told.startswith(f"draft.json: decision 2: {problem}")


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"format": "asbuilt decisions draft 2"}, "format: 'asbuilt decisions draft 2', expected 'asbuilt decisions"),
        ({"site": "Another"}, "site: 'Another', expected 'Small invented wall': the draft is of another site"),
        ({"site": 3}, "site: 3, expected a text"),
        ({"as_of": "yesterday"}, "as_of: 'yesterday', expected a date and time"),
        ({"inputs_sha256": ""}, "inputs_sha256: '', expected 16 to 64"),
        ({"decisions": []}, "decisions: none, expected one or more"),
        ({"decisions": "P1"}, "decisions: no list, expected one or more"),
        ({"more": 1}, "more: unknown, expected only format, site"),
    ],
    ids=str,
)
def test_what_is_wrong_with_the_draft_is_told(folder, draft, capsys, changes, problem):
    (told,) = refusal(capsys, folder, "--from", draft(draft.one("P1", "hold"), **changes))
    assert told.startswith(f"draft.json: {problem}")


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"", "draft.json:1: not JSON"),
        (b"{", "draft.json:1: not JSON"),
        (b"[]", "draft.json: no object"),
        (b'{"format": NaN}', "draft.json: not JSON: NaN is no number"),
        (b'{"site": 1, "site": 2}', "draft.json: not JSON: a key stands there twice"),
        (b"\xff\xfe{", "draft.json: not UTF-8 text"),
        (b"[" * 100_000, "draft.json: not JSON"),
        (b" " * 1_000_001, "draft.json: 1000001 bytes, more than 1000000"),
        (None, "draft.json: cannot be read: no such file"),
    ],
    ids=lambda value: str(value)[:20],
)
def test_what_is_no_draft_is_refused(folder, tmp_path, capsys, data, problem):
    path = tmp_path / "draft.json"
    if data is not None:
        path.write_bytes(data)
    (told,) = refusal(capsys, folder, "--from", path)
    assert told.startswith(problem)


def test_without_evidence_only_what_is_gone_can_be_withdrawn(folder, draft, capsys):
    answer(capsys, folder, "--from", draft(draft.one("P8", "hold")))
    path = draft(draft.one("P8", "withdraw", evidence=""))
    (told,) = refusal(capsys, folder, "--from", path)
    assert told.startswith("draft.json: decision 1: evidence: P8: its inputs changed since the page was made")
    design = (folder / "design/piles.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "design/piles.csv").write_text("".join(design[:-1]), "utf-8")
    assert [one["effect"] for one in answer(capsys, folder, "--from", path)["written"]] == ["withdraw"]


def test_one_decision_twice_in_a_draft_is_refused(folder, draft, capsys):
    (told,) = refusal(capsys, folder, "--from", draft(draft.one("P1", "hold"), draft.one("P1", "hold")))
    assert told == "draft.json: decision 2: item: P1: the same as draft.json: decision 1, expected each decision once"


def test_all_problems_of_all_decisions_are_told(folder, draft, capsys):
    path = draft(draft.one("P9", "hold"), draft.one("P1", "lift"), draft.one("P2", "hold", by=None), site="Another")
    assert [problem.split(",")[0] for problem in refusal(capsys, folder, "--from", path)] == [
        "draft.json: site: 'Another'",
        "draft.json: decision 1: item: no item 'P9'",
        "draft.json: decision 2: effect: 'lift'",
        "draft.json: decision 3: by: None",
    ]
