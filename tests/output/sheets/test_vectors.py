"""Vectors of toes and means of sides, read back from the page."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from asbuilt import model
from asbuilt.output.sheets.lettering import text_width

TOE = "#4A4A4A"
INK, WHITE = "#1A1A1A", "#FFFFFF"
PREDICTED_DASH = (1.1, 0.55)


def with_toes(toes, result, e_mm, n_mm=0.0, **kind):
    """Return toes so far from design [mm]."""
    piles = result.piles
    away = np.zeros(len(piles))
    return toes(piles.design_e + (away + e_mm) / 1000.0, piles.design_n + (away + n_mm) / 1000.0, **kind)


def shafts(page):
    found = [d for d in page.of(stroke=TOE) if d.clip and len(d.parts[0]) == 2]
    return [(part, d.dash) for d in found for part in d.parts]


def barbs(page, fill=None):
    return [
        part
        for d in page.of(stroke=TOE)
        if d.clip and len(d.parts[0]) == (3 if fill is None else 4)
        for part in d.parts
        if (d.fill is None) == (fill is None)
    ]


def test_a_toe_vector_runs_from_the_design_centre_by_the_printed_factor(job, toes, sheet_of):
    result = job(20, closed=False)
    page = sheet_of(result, toes=with_toes(toes, result, 20.0, 24.0))
    assert "Offset vectors: 25 times the scale" in page.words()
    run = np.array([part[1] - part[0] for part, _ in shafts(page)])
    assert run == pytest.approx(np.tile([20.0, 24.0], (20, 1)) * 25 / 100.0, abs=0.01)  # at 1:100
    heads = [d for d in page.of(stroke=INK) if d.clip and d.width == pytest.approx(0.25) and len(d.parts[0]) == 2]
    starts = {tuple(part[0].round(2)) for d in heads for part in d.parts}
    assert starts <= {tuple(part[0].round(2)) for part, _ in shafts(page)}


@pytest.mark.parametrize(("predicted", "dash"), [(True, PREDICTED_DASH), (False, ())])
def test_the_shaft_is_dashed_where_the_toe_is_predicted(predicted, dash, job, toes, sheet_of):
    result = job(20, closed=False)
    page = sheet_of(result, toes=with_toes(toes, result, 30.0, predicted=predicted))
    assert {d for _, d in shafts(page)} == {dash}
    assert ("toe × 25, predicted" in page.words()) == predicted


@pytest.mark.parametrize(("u_mm", "hollow"), [(30.0 / 2.44, True), (30.0 / 2.46, False)])
def test_a_toe_is_hollow_below_2_45_standard_uncertainties(u_mm, hollow, job, toes, sheet_of):
    result = job(20, closed=False)
    page = sheet_of(result, toes=with_toes(toes, result, 30.0, u_mm=u_mm))
    assert (len(barbs(page, WHITE)), len(barbs(page))) == ((20, 0) if hollow else (0, 20))


def test_a_toe_vector_too_long_is_cut_with_double_barbs(job, toes, sheet_of):
    result = job(20, closed=False)
    e = np.full(20, 20.0)
    e[[3, 4]] = 200.0
    page = sheet_of(result, toes=with_toes(toes, result, e))
    length = np.array([np.hypot(*(part[1] - part[0])) for part, _ in shafts(page)])
    assert np.sort(length)[-3:] == pytest.approx([5.0, 16.0, 16.0], abs=0.01)
    assert len(barbs(page)) == 22
    assert "double barbs: cut (2)" in " ".join(page.words().split())


def test_long_toe_vectors_lower_the_factor_of_all_vectors(job, toes, sheet_of):
    result = job(20, closed=False)
    assert "Offset vectors: 20 times the scale" in sheet_of(result, toes=with_toes(toes, result, 45.0)).words()


def test_where_piles_stand_close_on_paper_only_toes_of_what_is_not_within_are_drawn(job, toes, sheet_of):
    result = job(50, closed=False)
    page = sheet_of(result, toes=with_toes(toes, result, 40.0))
    assert "1:200 at A3" in page.words()
    assert len(shafts(page)) == int((np.asarray(result.piles["verdict"]) > 0).sum())
    assert "of piles not within" in page.words()


def test_no_label_lies_on_a_vector(job, toes, sheet_of):
    import shapely

    result = job(20, closed=False)
    page = sheet_of(result, toes=with_toes(toes, result, 15.0, -45.0 + 10.0 * (np.arange(20) % 3)))
    window = next(d.clip for d in page.drawn if d.clip)
    shapes, texts = [], []
    for t in page.texts:
        if window[0] < t.x < window[2] and window[1] < t.y < window[3]:
            a = np.radians(t.angle)
            along, up = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
            start, run, rise = np.array([t.x, t.y]), along * text_width(t.text, t.height), up * t.height
            shapes.append(shapely.Polygon([start, start + run, start + run + rise, start + rise]))
            texts.append(t.text)
    lines = [shapely.LineString(part) for part, _ in shafts(page)]
    i, _ = shapely.STRtree(lines).query(shapes, predicate="intersects")
    assert len(lines) == 20
    assert [texts[k] for k in i] == []


def test_the_offset_of_a_vector_along_the_wall_that_is_cut_is_written_beside_it(job, sheet_of):
    result = job(20, closed=False)
    piles = result.piles
    offset, e = np.array(piles["offset_mm"]), np.array(piles.centre_e)
    offset[8], e[8] = 155.0, piles.design_e[8] + 0.155
    columns = {**piles.columns, "offset_mm": offset}
    page = sheet_of(replace(result, piles=replace(piles, columns=columns, centre_e=e)))
    (label,) = [t for t in page.texts if t.text == "155 mm"]
    circles = [d for d in page.of(stroke=INK) if d.clip and len(d.parts[0]) == 27 and d.dash]
    at = np.array([part.mean(axis=0) for d in circles for part in d.parts])
    tip = at[8] + np.array([30.0, 0.0])
    assert np.hypot(label.x - tip[0], label.y - tip[1]) < 32.0


def test_without_toes_none_is_drawn_or_named(page_of):
    page = page_of(20, closed=False)
    assert shafts(page) == []
    assert "toe ×" not in page.words()


def group(name="A side 1", *, count=20, mean_mm=(6.0, -8.0), ellipse=(3.04, 2.0, 30.0)):
    return model.WallGroup(
        by="side",
        name=name,
        count=count,
        frame="towards the pit, along",
        mean_mm=mean_mm,
        scatter_mm=(5.0, 5.0),
        ellipse=ellipse,
        rms_mm=9.0,
        percentile_95_mm=20.0,
        share_within=1.0,
        share_inside=1.0,
        mean_incline_mm_per_m=2.0,
    )


def with_groups(result, *groups):
    return replace(result, statistics=replace(result.statistics, groups=groups))


def mean_arrows(page):
    return [part for d in page.of(stroke=INK) if d.clip and d.width == pytest.approx(0.8) for part in d.parts]


def mean_heads(page, fill):
    return [
        part
        for d in page.of(stroke=INK, fill=fill)
        if d.clip and len(d.parts[0]) == 4 and d.width == pytest.approx(0.25)
        for part in d.parts
    ]


def test_the_mean_of_a_side_is_drawn_by_the_factor_and_told_in_words(job, sheet_of):
    # The wall runs east and the pit lies north of it: 6 mm towards the pit, 8 mm back along is 10 mm at 306.9°.
    page = sheet_of(with_groups(job(20, closed=False), group()))
    (shaft,), (head,) = mean_arrows(page), mean_heads(page, INK)
    assert head[0] - shaft[0] == pytest.approx(np.array([-8.0, 6.0]) * 25 / 100.0, abs=0.01)
    said = {t.text for t in page.texts}
    assert {"Mean of A side 1", "10 mm, 307°", "± 3.0 and 2.0 mm"} <= said


def test_the_mean_stands_outside_the_wall_at_the_middle_of_the_side(job, sheet_of):
    page = sheet_of(with_groups(job(20, closed=False), group()))
    (shaft,) = mean_arrows(page)
    circles = [d for d in page.of(stroke=INK) if d.clip and len(d.parts[0]) == 27 and d.dash]
    at = np.array([part.mean(axis=0) for d in circles for part in d.parts])
    # 16 m at 1:100: within a fifth of the side's length from its middle.
    assert abs(shaft[0, 0] - at[:, 0].mean()) < 32.0
    assert abs(shaft[0, 1] - at[:, 1].mean()) > 6.0


@pytest.mark.parametrize(("mean_mm", "hollow"), [((0.0, 2.9), False), ((2.0, 0.0), True), ((0.0, 1.9), True)])
def test_a_mean_that_may_be_none_is_hollow(mean_mm, hollow, job, sheet_of):
    # Half axes 3 mm square to the wall and 2 mm along it.
    page = sheet_of(with_groups(job(20, closed=False), group(mean_mm=mean_mm, ellipse=(3.0, 2.0, 90.0))))
    assert (len(mean_heads(page, WHITE)), len(mean_heads(page, INK))) == ((1, 0) if hollow else (0, 1))


def test_a_side_of_fewer_than_three_piles_has_no_mean(job, sheet_of):
    page = sheet_of(with_groups(job(20, closed=False), group(count=2, ellipse=None)))
    assert "Mean of" not in page.words()
    assert mean_arrows(page) == []


def test_the_mean_of_a_ring_is_told_in_its_own_directions(job, sheet_of):
    page = sheet_of(with_groups(job(60), group(mean_mm=(1.9, -1.0))))
    assert "+1.9 to the pit, −1.0 along" in {t.text for t in page.texts}


def test_the_mean_of_a_wall_cut_into_pages_stands_on_one(job, sheets_of):
    pages = sheets_of(with_groups(job(150, closed=False), group()))
    assert [len(mean_arrows(page)) for page in pages] == [0, 1, 0]
