"""The deviation plan, read back from the page: true scale, vectors, flags, verdicts."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from asbuilt.columns import VERDICT_LOOKS, VERDICTS
from asbuilt.output.sheets.flags import sure_down_to
from asbuilt.output.sheets.lettering import text_width

INK = "#1A1A1A"
COLOURS = {name: look.colour for name, look in VERDICT_LOOKS.items()}
DESIGN_DASH = (1.3, 0.6)


def centres(drawn):
    """Return the middles of closed paths, and their widths."""
    low = np.array([part.min(axis=0) for part in drawn.parts])
    high = np.array([part.max(axis=0) for part in drawn.parts])
    return (low + high) / 2, (high - low)[:, 0]


def circles(page, colour, dash=None):
    """Return the circles inside the drawing of one line colour (and dash)."""
    found = [d for d in page.of(stroke=colour) if d.clip and len(d.parts[0]) == 27 and d.fill is None]
    return [d for d in found if dash is None or d.dash == dash]


def strokes(page, colour):
    """Return the joints' strokes of one verdict's colour."""
    found = [d for d in page.of(stroke=colour) if d.clip and len(d.parts[0]) == 2 and d.fill is None]
    return [d for d in found if np.allclose([np.hypot(*(p[1] - p[0])) for p in d.parts], 4.5, atol=0.01)]


def shafts(page):
    """Return the vectors' shafts."""
    (found,) = [d for d in page.of(stroke=INK) if d.clip and d.width == pytest.approx(0.25) and len(d.parts[0]) == 2]
    return found.parts


def boxes(page):
    """Return what the texts inside the drawing cover, and the texts: from baseline to the height of a capital."""
    clip = next(d.clip for d in page.drawn if d.clip)
    texts = [t for t in page.texts if clip[0] < t.x < clip[2] and clip[1] < t.y < clip[3]]
    found = []
    for t in texts:
        a = np.radians(t.angle)
        along, up = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        start, run, rise = np.array([t.x, t.y]), along * text_width(t.text, t.height), up * t.height
        found.append(shapely.Polygon([start, start + run, start + run + rise, start + rise]))
    return found, texts


def test_ten_metres_are_a_hundred_millimetres_at_1_to_100(job, sheet_of):
    result = job(31, closed=False, spacing=0.5, diameter_mm=600.0)
    result.piles["verdict"][:] = 0
    page = sheet_of(result)
    assert "1:100 at A3" in page.words()
    (design,) = circles(page, INK, DESIGN_DASH)
    at, width = centres(design)
    assert np.hypot(*(at[20] - at[0])) == pytest.approx(100.0, abs=0.1)
    assert width == pytest.approx(6.0, abs=0.01)


def test_as_built_circles_stand_where_they_were_surveyed(job, sheet_of):
    result = job(20, closed=False)
    piles = result.piles
    page = sheet_of(result)
    design, _ = centres(circles(page, INK, DESIGN_DASH)[0])
    built, width = centres(circles(page, COLOURS["within"])[0])
    within = np.asarray(piles["verdict"]) == 0
    moved = np.stack([piles.centre_e - piles.design_e, piles.centre_n - piles.design_n], axis=1)[within]
    assert built - design[within] == pytest.approx(moved * 10.0, abs=0.01)  # at 1:100
    assert width == pytest.approx(10.0, abs=0.01)


def test_map_size_coordinates_are_written_at_the_border(ring_page):
    assert {"E 500000", "N 6000000", "E 499990", "N 6000010"} <= {t.text for t in ring_page.texts}


def test_a_grid_cross_lies_where_its_coordinates_say(page_of):
    page = page_of(20, closed=False)
    design, _ = centres(circles(page, INK, DESIGN_DASH)[0])
    (label,) = [t for t in page.texts if t.text == "E 500005"]
    middle = label.x + text_width(label.text, label.height) / 2
    # The first pile stands at E 500000; 5 m at 1:100.
    assert middle - design[0, 0] == pytest.approx(50.0, abs=0.01)


def test_vectors_are_drawn_longer_by_the_printed_factor(job, sheet_of):
    result = job(20, closed=False)
    page = sheet_of(result)
    assert "Offset vectors: 25 times the scale" in page.words()
    heads = [
        d
        for d in page.of(stroke=INK)
        if d.clip and d.fill is not None and len(d.parts[0]) == 4 and d.width == pytest.approx(0.18)
    ]
    start = np.array([part[0] for part in shafts(page)])
    tips = np.array([part[0] for d in heads for part in d.parts])
    design, _ = centres(circles(page, INK, DESIGN_DASH)[0])
    assert start == pytest.approx(design, abs=1e-3)
    offset = np.stack([result.piles.centre_e, result.piles.centre_n], axis=1) - np.stack(
        [result.piles.design_e, result.piles.design_n], axis=1
    )
    expected = design + offset * 10.0 * 25
    nearest = np.min(np.hypot(*(tips[:, None] - expected[None]).transpose(2, 0, 1)), axis=0)
    assert nearest.max() < 0.01


def test_heads_are_hollow_where_the_offset_is_not_told_from_none(job, sheet_of):
    result = job(20, closed=False)
    offset, u = np.asarray(result.piles["offset_mm"]), np.asarray(result.piles["u_offset_mm"])
    page = sheet_of(result)

    def heads(fill):
        return sum(
            len(d.parts)
            for d in page.of(stroke=INK, fill=fill)
            if d.clip and len(d.parts[0]) == 4 and d.width == pytest.approx(0.18)
        )

    hollow = int((offset < 2.45 * u).sum())
    assert 0 < hollow < 20
    assert (heads("#FFFFFF"), heads(INK)) == (hollow, 20 - hollow)


def test_a_vector_too_long_is_cut_and_its_offset_written(job, sheet_of):
    result = job(20, closed=False)
    piles = result.piles
    offset, e = np.array(piles["offset_mm"]), np.array(piles.centre_e)
    offset[8], e[8] = 800.0, piles.design_e[8] + 0.8
    columns = {**piles.columns, "offset_mm": offset}
    page = sheet_of(replace(result, piles=replace(piles, columns=columns, centre_e=e)))
    longest = max(float(np.hypot(*(part[1] - part[0]))) for part in shafts(page))
    assert longest == pytest.approx(30.0 - 1.9, abs=0.01)
    assert "800 mm" in {t.text for t in page.texts}
    assert "Vectors are cut at 30 mm of paper (1 here)" in page.words()


def test_a_pile_far_off_is_named_and_does_not_shrink_the_wall(job, sheet_of):
    result = job(20, closed=False)
    e = np.array(result.piles.centre_e)
    e[8] += 3000.0
    page = sheet_of(replace(result, piles=replace(result.piles, centre_e=e)))
    assert "1:100 at A3" in page.words()
    assert "As-built circles beyond this drawing: P9." in page.words()


@pytest.mark.parametrize(
    "kind",
    [
        {"n": 130},
        {"n": 130, "surveyed": False},
        {"n": 400, "closed": False},
        {"n": 60, "paper": "A4"},
        {"n": 30, "ids": [f"Long-name.of_pile_{k:04d}" for k in range(30)]},
    ],
    ids=["ring", "nothing surveyed", "long wall", "small paper", "long ids"],
)
def test_no_two_labels_overlap(kind, page_of):
    found, _ = boxes(page_of(**kind))
    tree = shapely.STRtree(found)
    i, j = tree.query(found, predicate="intersects")
    assert len(found) > 10
    assert [(a, b) for a, b in zip(i.tolist(), j.tolist(), strict=True) if a < b] == []


def test_no_label_lies_on_a_vector(ring_page):
    found, texts = boxes(ring_page)
    lines = [shapely.LineString(part) for part in shafts(ring_page)]
    i, _ = shapely.STRtree(lines).query(found, predicate="intersects")
    assert [texts[k].text for k in i] == []


def test_every_id_is_written_at_1_to_200(ring_page):
    said = {word for text in ring_page.texts for word in text.text.split()}
    assert {f"P{k}" for k in range(1, 131)} <= said


def test_fewer_ids_are_written_at_small_scales_and_the_legend_says_so(job, sheet_of):
    result = job(60, closed=False)
    page = sheet_of(result)
    assert "1:250 at A3" in page.words()
    said = {word for text in page.texts for word in text.text.split()}
    bad = np.asarray(result.joints["verdict"]) > 0
    needed = set(result.joints.a[bad]) | set(result.joints.b[bad])
    needed |= set(np.flatnonzero(np.asarray(result.piles["verdict"]) > 0))
    needed |= {k for k in range(60) if (k + 1) % 5 == 0}
    assert {word for word in said if word[0] == "P" and word[1:].isdigit()} == {f"P{k + 1}" for k in needed}
    assert "Ids: every 5th pile, and what is not within." in page.words()


def named(page):
    """Return the ids that are written on a page."""
    said = {word for text in page.texts for word in text.text.split()}
    return {word for word in said if word[0] == "P" and word[1:].isdigit()}


def test_what_finds_no_room_is_counted(job, sheet_of):
    result = job(400, closed=False)
    page = sheet_of(result, scale=2000)
    legend = page.words().replace("\n", " ")
    assert "Left out for lack of room: " in legend
    left_out = int(legend.split("lack of room: ")[1].split(" ids")[0])
    bad = np.asarray(result.joints["verdict"]) > 0
    needed = set(result.joints.a[bad]) | set(result.joints.b[bad])
    needed |= set(np.flatnonzero(np.asarray(result.piles["verdict"]) > 0)) | set(range(4, 400, 5))
    told = set(re.findall(r"P\d+", legend.split("ids (not within: ")[1].split(")")[0]))
    assert len(named(page) - told) + left_out == len(needed)


def test_verdicts_are_told_apart_without_colour(ring_page):
    looks = {}
    for name, colour in COLOURS.items():
        (circle,) = circles(ring_page, colour)
        hatched = any(
            d.clip and len(d.parts[0]) == 2 and d.width == pytest.approx(0.18) for d in ring_page.of(stroke=colour)
        )
        filled = name == "outside" and any(d.clip and len(d.parts[0]) == 26 for d in ring_page.of(fill="#C79482"))
        looks[name] = (circle.dash, round(circle.width, 2), hatched, filled)
    assert looks == {
        "within": ((), 0.25, False, False),
        "unresolved": ((1.8, 0.6, 0.35, 0.6), 0.35, True, False),
        "not surveyed": ((0.35, 0.65), 0.35, False, False),
        "outside": ((), 0.7, False, True),
    }


def test_joints_are_told_apart_without_colour(ring_page):
    looks = {}
    for name, colour in COLOURS.items():
        (stroke,) = strokes(ring_page, colour)
        looks[name] = (stroke.dash, round(stroke.width, 2))
    assert looks == {
        "within": ((), 0.25),
        "unresolved": ((1.8, 0.6, 0.35, 0.6), 0.35),
        "not surveyed": ((0.35, 0.65), 0.35),
        "outside": ((), 0.7),
    }


def test_every_pile_and_joint_is_drawn_by_its_verdict(job, ring_page):
    result = job()
    for code, name in enumerate(VERDICTS):
        colour = COLOURS[name]
        assert sum(len(d.parts) for d in circles(ring_page, colour)) == (result.piles["verdict"] == code).sum()
        assert sum(len(d.parts) for d in strokes(ring_page, colour)) == (result.joints["verdict"] == code).sum()


def test_joint_strokes_point_into_the_pit(ring_page):
    middle = np.mean(centres(circles(ring_page, INK, DESIGN_DASH)[0])[0], axis=0)
    for colour in COLOURS.values():
        for part in strokes(ring_page, colour)[0].parts:
            assert np.hypot(*(part[1] - middle)) < np.hypot(*(part[0] - middle)) - 4.0


def test_piles_not_surveyed_show_as_dotted_design_circles_with_triangles(page_of):
    page = page_of(30, surveyed=False)
    (dotted,) = circles(page, COLOURS["not surveyed"], (0.35, 0.65))
    at, _ = centres(dotted)
    triangles = [d for d in page.of(stroke=COLOURS["not surveyed"], fill="#FFFFFF") if d.clip and len(d.parts[0]) == 4]
    corners = np.array([part[:3].mean(axis=0) for d in triangles for part in d.parts])
    nearest = np.min(np.hypot(*(corners[:, None] - at[None]).transpose(2, 0, 1)), axis=0)
    assert len(at) == 30
    assert nearest.max() < 0.5


def test_the_legend_holds_only_what_is_on_the_sheet(page_of):
    said = page_of(30, surveyed=False).words()
    assert "not surveyed (N): 30 piles, 30 joints" in said
    for absent in (
        "within (W)",
        "unresolved (U)",
        "outside (X)",
        "offset ×",
        "hollow",
        "clear outline of",
        "Offset vec",
    ):
        assert absent not in said


def test_the_clear_outline_is_drawn_and_named(job, sheet_of):
    result = job(40, outline=shapely.Point(500000.0, 6000000.0).buffer(4.0))
    page = sheet_of(result)
    (line,) = [d for d in page.of(stroke=INK) if d.clip and d.dash == (6.0, 1.0, 0.8, 1.0, 0.8, 1.0)]
    middle, width = centres(line)
    design, _ = centres(circles(page, INK, DESIGN_DASH)[0])
    assert width[0] == pytest.approx(8.0 * 10.0, abs=0.01)  # at 1:100
    assert "clear outline of the permanent works" in page.words()
    assert np.hypot(*(middle[0] - (design.min(axis=0) + design.max(axis=0)) / 2)) < 5.0


def test_omitted_piles_are_crossed_and_not_counted(job, sheet_of):
    result = job(20, closed=False)
    expected = np.ones(20, dtype=bool)
    expected[10] = False
    page = sheet_of(replace(result, piles=replace(result.piles, expected=expected)))
    assert "omitted pile, not built" in page.words()
    assert "within (W): 17 piles, 17 joints" in page.words()


def test_a_wall_of_one_pile_is_drawn(job, sheet_of):
    result = job(1, closed=False)
    nowhere = np.array([np.nan])
    page = sheet_of(replace(result, piles=replace(result.piles, pit_e=nowhere, pit_n=nowhere)))
    assert "1:50 at A3" in page.words()
    assert any(t.text == "P1" for t in page.texts)


def test_a_label_is_read_from_below_or_from_the_right(ring_page):
    _, texts = boxes(ring_page)
    assert min(t.angle for t in texts) > -89.5 - 1e-6
    assert max(t.angle for t in texts) <= 90.5


def test_letters_tell_which_checks_a_verdict_comes_from(job, sheet_of):
    result = job(20, closed=False)
    verdict = np.array(result.piles["verdict"])
    texts = [t.text for t in sheet_of(result).texts]
    said = set(texts)
    outside, unresolved = (np.flatnonzero(verdict == code) + 1 for code in (3, 1))
    assert {f"P{k} X p" for k in outside} | {f"P{k} U v" for k in unresolved} <= {
        " ".join(sorted(t.split(), key=lambda w: (w[0] != "P", w.islower()))) for t in said
    }
    assert "Checks not within: p plan, v verticality." in " ".join(texts)


def test_a_miss_in_plan_alone_away_from_the_pit_is_told(job, sheet_of):
    result = job(20, closed=False)
    away = np.where(np.asarray(result.piles["verdict"]) == 3, -40.0, 5.0)
    columns = {**result.piles.columns, "towards_pit_mm": away}
    page = sheet_of(replace(result, piles=replace(result.piles, columns=columns)))
    count = int((np.asarray(result.piles["verdict"]) == 3).sum())
    assert f"{count} pile in plan alone, away from the pit." in " ".join(page.words().split())


@pytest.mark.parametrize(("level", "said"), [(-6.24, "−6.2"), (-6.16, "−6.1"), (3.2, "+3.2"), (-0.04, "0.0")])
def test_the_level_down_to_which_a_joint_is_sure_is_rounded_up(level, said):
    assert sure_down_to(level) == said


def test_beside_a_joints_letter_stands_how_deep_it_is_sure(job, sheet_of):
    result = job(20, closed=False)
    page = sheet_of(result)
    joints = np.asarray(result.joints["verdict"])
    assert sum(t.text == "U −2.3" for t in page.texts) == (joints == 1).sum()
    assert sum(t.text == "X −2.3" for t in page.texts) == (joints == 3).sum() > 0
    assert "By a joint's letter: level down to which it is sure." in " ".join(page.words().split())
