"""Cards on paper, measured on the PDF itself: two on a page, nothing over another, room to write."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pdf_pages
import pytest
import rig_pages

from asbuilt.commands.steer_words import CAUTIONS
from asbuilt.output.sheets.canvas import THIN
from asbuilt.output.sheets.rig_card import A4, LINES, drawn_cards

JOBS = {
    "demo": {"folder": "demo", "piles": ("A132", "A066")},
    "small": {"folder": "small", "piles": ("P6", "P7", "P8")},
    "corner": {"folder": "open_400", "piles": ("corner",), "bearing_a_deg": "10", "sense": "top", "unit": "deg"},
    "one in n": {"folder": "demo", "piles": ("A132",), "unit": "1:n"},
    "no lean": {"folder": "small", "piles": ("P3",), "unit": "1:n"},
}


@pytest.fixture(scope="module", params=list(JOBS))
def job(request):
    cards, path = rig_pages.cards(**JOBS[request.param])
    return cards, pdf_pages.read_pages(path)


def test_two_stand_on_a_page_of_a4(job):
    cards, pages = job
    assert len(pages) == -(-len(cards) // 2)
    for page in pages:
        assert (page.width, page.height) == pytest.approx(A4, abs=0.1)
    heads = [text for page in pages for text in page.texts if text.text.endswith(": readings at the rig")]
    assert [text.y > A4[1] / 2 for text in heads] == [k % 2 == 0 for k in range(len(cards))]


def test_nothing_leaves_the_page_and_no_text_stands_on_another(job):
    _, pages = job
    for page in pages:
        boxes = [(text.text, pdf_pages.text_corners(text)) for text in page.texts]
        for text, corners in boxes:
            assert np.all(corners > 4.0), text
            assert np.all(corners < np.array(A4) - 4.0), text
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            apart = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
            assert np.any(apart > -0.15), (one, other)


def test_each_card_has_its_cautions_and_the_pit(job):
    cards, pages = job
    said = " ".join(text.text for page in pages for text in page.texts)
    for caution in CAUTIONS:
        assert said.count(caution) == len(cards)
    assert said.count("PIT SIDE") == sum(len(card.pits) for card in cards)


def test_where_no_lean_is_sure_the_card_says_stop_and_ask():
    _, path = rig_pages.cards(**JOBS["no lean"])
    (page,) = pdf_pages.read_pages(path)
    assert page.words().count("no lean is sure: stop and ask") == 4


def test_in_one_in_n_a_limit_is_the_steepest_to_each_side():
    (card,), path = rig_pages.cards(**JOBS["one in n"])
    (page,) = pdf_pages.read_pages(path)
    said = [text.text for text in page.texts]
    assert "Not steeper than, in 1:n, both at once:" in said
    assert {"a minus", "a plus", "b minus", "b plus"} <= {*said}
    assert not [text for text in said if text in ("a from", "a to") or text.startswith("What it may read")]
    for limit in card.limits:
        for low, high in (limit.a, limit.b):
            assert low < 0 < high
            assert {f"\N{MINUS SIGN}1:{-low:.0f}", f"1:{high:.0f}"} <= {*said}


def test_where_plumb_is_not_allowed_a_limit_in_one_in_n_is_the_least_steep():
    (card,), _ = rig_pages.cards(**JOBS["one in n"])
    path = rig_pages.FOLDER / "one_side.pdf"
    one_side = replace(card.limits[0], a=(500.0, 171.0), b=(0.0, 200.0))
    path.write_bytes(drawn_cards([replace(card, limits=(one_side,))]))
    said = [text.text for text in pdf_pages.read_pages(path)[0].texts]
    assert {"at least 1:500", "1:171", "0 (plumb)", "1:200"} <= {*said}


def test_a_card_says_what_it_holds_for_and_to_check_another_sense():
    cards, path = rig_pages.cards(**JOBS["demo"])
    said = [text.text for text in pdf_pages.read_pages(path)[0].texts]
    assert {line for card in cards for line in card.made_for} <= {*said}
    (how,) = [text for text in said if text.startswith("CHECK THE SENSE: stored readings of A132 say top")]
    assert "(sense top)" in how


def test_there_are_lines_to_write_on_high_enough_for_a_hand():
    _, path = rig_pages.cards(**JOBS["demo"])
    (page,) = pdf_pages.read_pages(path)
    rules = [
        part[0, 1]
        for one in page.drawn
        if one.width == pytest.approx(THIN, abs=0.02)
        for part in one.parts
        if len(part) == 2 and part[0, 1] == part[1, 1] and abs(part[1, 0] - part[0, 0]) > 190
    ]
    # the head of the table and its lines, under the rule below the heading
    upper = sorted(y for y in rules if y > A4[1] / 2)[: LINES + 2]
    assert np.diff(upper[: LINES + 1]) == pytest.approx(np.full(LINES, np.diff(upper)[0]), abs=0.01)
    assert np.diff(upper)[0] > 7.0
