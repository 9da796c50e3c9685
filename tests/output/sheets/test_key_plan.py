"""Pages of a wall that is cut, read back: key plan, match lines, what lies beyond them."""

from __future__ import annotations

import numpy as np
import pytest

from asbuilt.output.sheets.lettering import text_width

INK, GREY = "#1A1A1A", "#6E6E6E"
MATCH_DASH = (4.0, 0.9, 0.5, 0.9)


@pytest.fixture(scope="module")
def wall(job):
    """A straight wall of 150 piles to the east, the pit to the north; cut into three pages at 1:200."""
    return job(150, closed=False)


@pytest.fixture(scope="module")
def pages(wall, sheets_of):
    return sheets_of(wall)


def ids(page):
    said = {word for text in page.texts for word in text.text.split()}
    return {word for word in said if word[0] == "P" and word[1:].isdigit()}


def design_circles(page):
    found = [d for d in page.of(stroke=INK) if d.clip and len(d.parts[0]) == 27 and d.dash]
    low = np.array([part.min(axis=0) for d in found for part in d.parts])
    high = np.array([part.max(axis=0) for d in found for part in d.parts])
    return (low + high) / 2


def test_pages_are_named(pages):
    for number, page in enumerate(pages, start=1):
        assert f"Deviation plan at cut-off, {number} of 3" in {t.text for t in page.texts}


def test_every_id_is_written_on_one_page(pages, wall):
    written = [ids(page) for page in pages]
    assert set.union(*written) == set(wall.piles["pile_id"].tolist())
    assert sum(map(len, written)) == 150


def test_the_name_of_a_wall_takes_no_room_from_its_ids(pages):
    """On the second page marks stand where the name would on the pit side, so that it stands behind the ids."""
    (name,) = [t for t in pages[1].texts if t.text == "Wall A"]
    at = design_circles(pages[1])
    assert name.y < at[:, 1].min() - 10.0
    assert "Left out" not in " ".join(page.words() for page in pages)


def test_every_page_is_at_the_printed_scale(pages):
    for page in pages:
        at = design_circles(page)
        apart = np.diff(np.sort(at[:, 0]))
        assert "1:200 at A3" in page.words()
        assert np.median(apart) == pytest.approx(0.85 * 5.0, abs=0.01)


def test_match_lines_stand_between_the_piles_of_two_pages(pages):
    for number, page in enumerate(pages):
        (lines,) = [d for d in page.of(stroke=INK) if d.clip and d.dash == MATCH_DASH]
        x = np.array(lines.parts)[:, :, 0]
        at = design_circles(page)[:, 0]
        wanted = [at.min() - 0.425 * 5.0] * (number > 0) + [at.max() + 0.425 * 5.0] * (number < 2)
        # As built, the middle of a joint lies within a few hundredths of a metre of that of the design.
        assert x.min() == pytest.approx(wanted[0], abs=0.4)
        assert x.max() == pytest.approx(wanted[-1], abs=0.4)
        assert len(lines.parts) == 2 * len(wanted)


def test_beside_a_match_line_stands_the_sheet_that_goes_on(pages):
    said = [sorted(t.text for t in page.texts if t.text.startswith("sheet ")) for page in pages]
    assert said == [
        ["sheet 2 of 3"],
        ["sheet 1 of 3", "sheet 3 of 3"],
        ["sheet 2 of 3"],
    ]


def test_the_words_of_a_match_line_stand_at_its_own_end(pages):
    page = pages[1]
    at = design_circles(page)[:, 0]
    first, second = (next(t for t in page.texts if t.text == f"sheet {k} of 3") for k in (1, 3))
    assert first.x < at.min() + 5.0
    assert second.x > at.max() - 5.0


def test_piles_beyond_a_match_line_are_light(pages):
    light = [
        d
        for d in pages[1].of(stroke=GREY)
        if d.clip and len(d.parts[0]) == 27 and d.width == pytest.approx(0.13, abs=1e-3)
    ]
    at = design_circles(pages[1])[:, 0]
    x = np.array([part[:, 0].mean() for d in light for part in d.parts])
    assert len(x) > 2
    assert np.all((x < at.min() - 3.0) | (x > at.max() + 3.0))


def test_the_joint_on_a_match_line_is_counted_on_both_pages(pages, wall):
    def joints(page):
        told = [t.text for t in page.texts if " pile" in t.text and " joint" in t.text and "): " in t.text]
        return sum(int(text.split(", ")[1].split()[0]) for text in told)

    assert sum(joints(page) for page in pages) == len(wall.joints) + 2


def test_the_key_plan_shows_the_part_of_the_page_bold(pages):
    for number, page in enumerate(pages):
        assert f"Key plan, sheet {number + 1} of 3" in {t.text for t in page.texts}
        (bold,) = [d for d in page.of(stroke=INK) if d.width == pytest.approx(1.1, abs=1e-3)]
        (whole,) = [
            d for d in page.of(stroke=GREY) if d.clip and len(d.parts[0]) == 150 and d.width == pytest.approx(0.35)
        ]
        low, high = whole.parts[0][:, 0].min(), whole.parts[0][:, 0].max()
        start, end = ((bold.parts[0][k, 0] - low) / (high - low) for k in (0, -1))
        assert start == pytest.approx(number / 3, abs=0.03)
        assert end == pytest.approx((number + 1) / 3, abs=0.03)


def test_the_key_plan_numbers_every_page(pages):
    frame = next(d for d in pages[0].of(stroke=GREY) if d.clip and len(d.parts[0]) == 150).clip
    numbers = [t for t in pages[0].texts if t.text in ("1", "2", "3") and frame[0] < t.x < frame[2]]
    numbers = [t for t in numbers if frame[1] < t.y < frame[3]]
    assert sorted(t.text for t in numbers) == ["1", "2", "3"]


def test_nothing_is_written_over_the_key_plan(pages):
    for page in pages:
        caption = next(t for t in page.texts if t.text.startswith("Key plan"))
        frame = next(d for d in page.of(stroke=GREY) if d.clip and len(d.parts[0]) == 150).clip
        inside = [t for t in page.texts if frame[0] < t.x < frame[2] and frame[1] < t.y < caption.y - 0.1]
        assert {t.text for t in inside} <= {"1", "2", "3"}
        assert caption.x + text_width(caption.text, caption.height) < frame[2]


def test_one_page_has_neither_key_plan_nor_match_line(page_of):
    said = page_of(20, closed=False).words()
    assert "Key plan" not in said
    assert "match line" not in said


def test_a_ring_cut_into_pages_has_two_match_lines_on_each(job, sheets_of):
    pages = sheets_of(job(60), scale=50)
    assert len(pages) > 2
    for number, page in enumerate(pages):
        others = {(number - 1) % len(pages) + 1, (number + 1) % len(pages) + 1}
        said = {t.text for t in page.texts if t.text.startswith("sheet ")}
        assert said == {f"sheet {k} of {len(pages)}" for k in others}


def test_no_two_labels_overlap_on_any_page(pages):
    import shapely

    for page in pages:
        window = next(d.clip for d in page.drawn if d.clip)
        shapes = []
        for t in page.texts:
            if window[0] < t.x < window[2] and window[1] < t.y < window[3]:
                a = np.radians(t.angle)
                along, up = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
                start, run, rise = np.array([t.x, t.y]), along * text_width(t.text, t.height), up * t.height
                shapes.append(shapely.Polygon([start, start + run, start + run + rise, start + rise]))
        i, j = shapely.STRtree(shapes).query(shapes, predicate="intersects")
        assert len(shapes) > 30
        assert [(a, b) for a, b in zip(i.tolist(), j.tolist(), strict=True) if a < b] == []
