"""``run --since``: what changed since an earlier day, as the review page lists it."""

from __future__ import annotations

import json
import re

import pytest
import small_folder
from two_days import HEAD, load, put

from asbuilt.__main__ import main


def page_data(folder):
    text = (folder / "out/review.html").read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    return json.loads(found.group(1))


def changes(folder, *arguments):
    assert main(["run", str(folder), "--only", "review", *arguments]) == 0
    return page_data(folder)["since"]


@pytest.fixture
def folder(tmp_path):
    """Return a folder in which P4's pickup was shot a day after the others'."""
    wall = small_folder.make(tmp_path / "wall")
    pickups = (wall / "pickups/2025-03-05.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (wall / "pickups/2025-03-05.csv").write_text("".join(pickups[:4] + pickups[5:]), encoding="utf-8")
    put(wall, "pickups/2025-03-06.csv", pickups[0] + pickups[4].replace("2025-03-05", "2025-03-06"))
    return wall


def test_without_it_the_page_says_nothing_of_it(folder):
    assert changes(folder) is None


def test_items_judged_otherwise_come_with_their_figures_then_and_now(folder):
    found = changes(folder, "--since", "2025-03-05")
    joint, pile = found["items"]
    verdicts = page_data(folder)["verdicts"]
    assert (joint["item"], verdicts[joint["was"]], verdicts[joint["now"]]) == ("P3~P4", "not surveyed", "outside")
    assert "least overlap not known -> -77.7 mm" in joint["text"]
    assert "open from not known -> -4.52" in joint["text"]
    assert found["as_of"].startswith("2025-03-05 23:59")
    assert joint["worse"]
    # outside by its lean then and now; its plan position came to be known
    assert (pile["item"], pile["was"] == pile["now"], pile["worse"]) == ("P4", True, False)


def test_what_did_not_change_is_not_listed(folder):
    items = [one["item"] for one in changes(folder, "--since", "2025-03-05")["items"]]
    assert not {"P1", "P2", "P1~P2"} & set(items)


def test_a_stage_says_what_holds_it_no_more(folder):
    stages = {one["stage"]: one for one in changes(folder, "--since", "2025-03-01")["stages"]}
    assert "P1~P2" in stages["dig 1"]["gone"]
    assert stages["dig 1"]["added"] == []


def test_a_moment_that_is_not_before_the_run_is_refused(folder, capsys):
    assert main(["run", str(folder), "--since", "2025-03-07"]) == 2
    assert "--since 2025-03-07 is not before" in " ".join(capsys.readouterr().err.split())
    assert not (folder / "out").exists()


def test_a_lapsed_decision_is_listed(folder):
    load(folder, "a.csv", HEAD + "S6,P6,104.503,200.001,3.30,2025-03-06T10:00\n")
    assert main(["decide", str(folder), "P3~P4", "--effect", "accept", "--by", "E", "--reason", "grouted"]) == 0
    assert main(["run", str(folder), "--only", "review"]) == 0
    then = page_data(folder)["as_of"]
    load(folder, "b.csv", HEAD + "S4b,P4,103.010,200.003,3.30,2025-03-06T13:00\n")
    assert changes(folder, "--since", then)["lapsed"] == ["P3~P4"]


def test_a_decision_made_since_that_has_lapsed_is_listed(folder):
    load(folder, "a.csv", HEAD + "S6,P6,104.503,200.001,3.30,2025-03-06T10:00\n")
    assert main(["decide", str(folder), "P3~P4", "--effect", "accept", "--by", "E", "--reason", "grouted"]) == 0
    load(folder, "b.csv", HEAD + "S4b,P4,103.010,200.003,3.30,2025-03-06T13:00\n")
    assert changes(folder, "--since", "2025-03-05")["lapsed"] == ["P3~P4"]


def test_what_got_worse_within_its_verdict_is_listed(folder):
    assert main(["run", str(folder), "--only", "review"]) == 0
    then = page_data(folder)["as_of"]
    load(folder, "b.csv", HEAD + "S4b,P4,103.010,200.003,3.30,2025-03-06T13:00\n")
    items = {one["item"]: one for one in changes(folder, "--since", then)["items"]}
    joint = items["P3~P4"]
    assert (joint["was"] == joint["now"], joint["worse"]) == (True, True)
    assert "least overlap -77.7 -> -83.7 mm" in joint["text"]


def test_the_summary_says_it_in_a_dozen_lines(folder, capsys):
    load(folder, "a.csv", HEAD + "S6,P6,104.503,200.001,3.30,2025-03-06T10:00\n")
    assert main(["decide", str(folder), "P3~P4", "--effect", "accept", "--by", "E", "--reason", "grouted"]) == 0
    load(folder, "b.csv", HEAD + "S4b,P4,103.010,200.003,3.30,2025-03-06T13:00\n")
    capsys.readouterr()
    assert main(["run", str(folder), "--only", "review", "--since", "2025-03-05"]) == 0
    lines = capsys.readouterr().out.split("\n\n")
    (block,) = [part.splitlines() for part in lines if part.startswith("Changed since ")]
    assert len(block) < 12
    assert max(map(len, block)) <= 80
    assert block[0].startswith("Changed since 2025-03-05 23:59:59")
    assert block[2].startswith("  P3~P4  not surveyed -> outside: lost from not known -> -0.93, open from not …")
    assert "  decisions that lapsed: 1: P3~P4" in block


def test_json_has_it_under_a_key_of_its_own(folder, capsys):
    assert main(["run", str(folder), "--only", "review", "--since", "2025-03-05", "--json"]) == 0
    since = json.loads(capsys.readouterr().out)["since"]
    assert set(since) == {"as_of", "items", "lapsed", "stages"}
    one = since["items"][0]
    assert (one["item"], one["was"], one["now"], one["worse"]) == ("P3~P4", "not surveyed", "outside", True)
    assert main(["run", str(folder), "--only", "review", "--json"]) == 0
    assert "since" not in json.loads(capsys.readouterr().out)
