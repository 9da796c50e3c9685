"""The page as one file: its policy, its block of data, its scripts without their comments; same input, same bytes."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
from importlib import resources
from pathlib import Path

import pytest
import review_pages
import wall_folders
from hypothesis import given
from hypothesis import strategies as st

from asbuilt.errors import TargetError
from asbuilt.intake.survey import read_survey
from asbuilt.output.review import page as page_module
from asbuilt.output.review.page import SCRIPTS, review_page, write_review
from asbuilt.reconcile import reconcile

SOURCES = Path(str(resources.files("asbuilt.output.review")))
BARE = {"site": "s", "as_of_text": "now"}
#: The only address of the web: the name of a vocabulary, which nothing asks for.
NAMESPACE = "http://www.w3.org/2000/svg"
KILOBYTE = 1000


@pytest.fixture(scope="module")
def page():
    return review_page(review_pages.data_of(reconcile(read_survey(review_pages.DEMO))))


def parts(page):
    """Return policy, style, block of data and script as a browser finds them."""
    policy = re.search(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', page)
    style = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    scripts = re.findall(r"<script([^>]*)>(.*?)</script>", page, re.DOTALL)
    assert policy
    assert len(style) == 1
    assert [kind for kind, _ in scripts] == [' type="application/json" id="data"', ""]
    return policy[1], style[0], scripts[0][1], scripts[1][1]


def sha256(text):
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_the_policy_lets_these_scripts_run_and_nothing_else(page):
    policy, style, _, script = parts(page)
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    assert rules == {
        "default-src": "'none'",
        "script-src": sha256(script),
        "style-src": sha256(style),
        "img-src": "data: blob:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    assert "unsafe" not in policy
    assert page.index("Content-Security-Policy") < page.index("<style>")


def test_nothing_in_the_markup_runs_or_asks(page):
    policy, style, data, script = parts(page)
    markup = page.replace(style, "").replace(data, "").replace(script, "")
    assert re.findall(r"\son\w+\s*=", markup) == []
    assert re.findall(r"\bstyle\s*=", markup) == []
    assert re.findall(r'(?:src|href)="(?!#|data:,)[^"]*"', markup) == []
    assert policy in markup


def test_there_is_no_address_in_the_file(page):
    assert set(re.findall(r"\b(?:https?|ftp|wss?|file)://[^\s\"'`)<\\]+", page)) == {NAMESPACE}
    assert re.findall(r"url\((?!\"#)", page) == []
    assert "@import" not in page


@given(st.recursive(st.text(), lambda one: st.lists(one, max_size=3) | st.dictionaries(st.text(), one, max_size=3)))
def test_the_block_of_data_cannot_end_its_element_and_says_the_same(said):
    block = page_module._block({"said": said})
    assert not set(block) & set("<>&\u2028\u2029")
    assert json.loads(block) == {"said": said}


@pytest.mark.parametrize(
    "text", ["</script>", "<!--", "<script>", "]]>", "&lt;", "\u2028", "{{script}}", "\\u003c", "\x00"]
)
def test_what_could_end_a_block_is_carried_as_text(text):
    data = {**BARE, "note": text}
    found = review_page(data)
    assert review_pages.carried(found)["note"] == text
    assert found.count("</script>") == 2


def test_the_title_is_escaped():
    found = review_page({"site": '</title><script>alert("1")</script>', "as_of_text": "now"})
    assert "<title>&lt;/title&gt;&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;: review, as of now</title>" in found


def test_not_a_number_is_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        review_page({**BARE, "level": float("nan")})


def test_same_input_same_bytes(page, tmp_path):
    result = reconcile(read_survey(review_pages.DEMO))
    for name in ("one.html", "two.html"):
        write_review(tmp_path / name, review_pages.data_of(result))
    first = (tmp_path / "one.html").read_bytes()
    assert first == (tmp_path / "two.html").read_bytes()
    assert first == page.encode()
    assert b"\r" not in first


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(TargetError, match=r"page\.html: the review page cannot be written: "):
        write_review(tmp_path / "none" / "page.html", BARE)


@pytest.mark.parametrize(("piles", "most"), [(130, 500 * KILOBYTE), (2000, 5000 * KILOBYTE)])
def test_the_page_is_small(tmp_path, piles, most):
    """A closed wall, every pile picked up and read at four depths."""
    centres = wall_folders.ring(piles)
    folder = wall_folders.write(tmp_path / "ring", centres, closed=True, share=1.0, name="Invented ring")
    assert len(review_page(review_pages.data_of(reconcile(read_survey(folder)))).encode()) <= most


# ------------------------------------------------------------------------------------ without their comments

KEPT = """\
const a = 1; // kept: behind code
const b = `/* ${a} */`;
/* kept: code follows */ const c = "// no comment";
const d = a /* kept */ + b;
"""
DROPPED = """\
/** what a is
 * @type {number} */
  // a line
/* one line */

"""


def test_only_lines_that_are_comments_are_left_out():
    assert page_module._bare(DROPPED) == ""
    assert page_module._bare(DROPPED + KEPT + DROPPED) == KEPT
    assert page_module._bare("  if (a) {\n    b();\n  }\n") == "if (a) {\nb();\n}\n"


def without_comments(text):
    """Return a script's own text, comments gone, by going through it sign by sign; spaces do not count."""
    kept, at = [], 0
    while at < len(text):
        if text.startswith("//", at):
            at = text.index("\n", at)
        elif text.startswith("/*", at):
            at = text.index("*/", at) + 2
        elif text[at] in "\"'`":
            end = at + 1
            while text[end] != text[at]:
                end += 2 if text[end] == "\\" else 1
            kept.append(text[at : end + 1])
            at = end + 1
        elif text[at] == "/" and "".join(kept).rstrip()[-1:] in set("(,=:[!&|?{};"):
            end = at + 1
            inside = False
            while text[end] != "/" or inside:
                inside = text[end] == "[" or (inside and text[end] != "]")
                end += 2 if text[end] == "\\" else 1
            kept.append(text[at : end + 1])
            at = end + 1
        else:
            kept.append(text[at])
            at += 1
    return "".join("".join(kept).split())


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_script_loses_its_comments_and_nothing_else(name):
    text = (SOURCES / name).read_text("utf-8")
    assert text.startswith('"use strict";\n')
    assert without_comments(page_module._bare(text)) == without_comments(text)


def texts_over_lines(text):
    """Return what a text in backticks holds at the beginning of a line but its first."""
    return [line.strip() for found in re.findall(r"`[^`]*`", text) for line in found.splitlines()[1:]]


@pytest.mark.parametrize("name", [*SCRIPTS, "page.css"])
def test_no_text_over_several_lines_has_one_that_looks_like_a_comment(name):
    lines = texts_over_lines((SOURCES / name).read_text("utf-8"))
    assert [line for line in lines if line.startswith(("/*", "//", "*/"))] == []


def test_a_text_that_would_be_taken_for_a_comment_is_seen():
    assert texts_over_lines("const a = `one\n  // two`;") == ["// two`"]


def test_every_script_of_the_folder_is_in_the_page():
    assert sorted(SCRIPTS) == sorted(path.name for path in SOURCES.glob("*.js"))


def test_the_script_is_one_that_an_engine_reads(page, tmp_path):
    """By node where it is; the tests in a browser run it anyway."""
    node = shutil.which("node")
    script = tmp_path / "page.js"
    script.write_text(parts(page)[3], encoding="utf-8")
    assert script.read_text("utf-8").count('"use strict"') == 1
    if node:
        told = subprocess.run([node, "--check", script], capture_output=True, text=True, check=False)
        assert told.returncode == 0, told.stderr
