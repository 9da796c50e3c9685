"""The control sheet, read back from the page: figures of the fit, vectors to scale, when there is no sheet."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pdf_pages
import pytest
from builders import Site, site_file, straight_wall, to_survey
from sheet_books import title

from asbuilt import read_survey, reconcile
from asbuilt.output.sheets.book import write_sheets
from asbuilt.output.sheets.canvas import INK, WHITE, Box
from asbuilt.output.sheets.control import HULL_DASH, LONGEST, REACH, control_sheets
from asbuilt.output.sheets.job import Job
from asbuilt.reconcile import views_of

DEMO = Path(__file__).parents[3] / "demo_survey"
A3 = Box(left=20.0, bottom=10.0, width=275.0, height=277.0)
MAP = '[grid]\nmap_crs = "EPSG:25831"\n'


@cache
def demo():
    return reconcile(read_survey(DEMO))


@cache
def small(count=4, *, grid=MAP, error_mm=0.0, seed=1):
    """A wall of six piles with ``count`` control points around it, the last of them off by an error to map east."""
    random = np.random.default_rng(seed)
    turn = 2 * np.pi * np.arange(count) / max(count, 1)
    site = np.column_stack([25.0 * np.sin(turn) + 2.0, 18.0 * np.cos(turn)])
    on_map = np.array([5e5, 6.2e6]) + 0.9996 * site + random.normal(0.0, 0.001, (count, 2))
    if count:
        on_map[-1, 0] += error_mm / 1000.0
    control = [
        {"point": f"CP{k + 1}", "easting": e, "northing": n, "map_e": me, "map_n": mn, "sigma_mm": 2.0}
        for k, ((e, n), (me, mn)) in enumerate(zip(site.tolist(), on_map.tolist(), strict=True))
    ]
    return reconcile(to_survey(Site(toml=f"{site_file()}\n{grid}", design=straight_wall(6), control=control)))


@pytest.fixture(scope="module")
def pages_of(tmp_path_factory):
    """Read the control sheets of a result, written once."""
    found = {}

    def read(result, paper="A3"):
        key = id(result), paper
        if key not in found:
            path = tmp_path_factory.mktemp("control") / "sheets.pdf"
            job = Job(result=result, views=views_of(result), paper=paper)
            write_sheets(path, job, tool_version="0.1.0", inputs_sha256="ab12" * 16, kinds=("control",))
            found[key] = result, pdf_pages.read_pages(path)
        return found[key][1]

    return read


def shown(page):
    return " ".join(page.words().replace("\u2212", "-").split())


def triangles(page):
    """Return the middles of the control points' triangles (k, 2) [mm], those in the legend left out."""
    found = [
        part[:3].mean(axis=0)
        for drawn in page.drawn
        if drawn.fill == pdf_pages.rgb(WHITE) and drawn.stroke == pdf_pages.rgb(INK)
        for part in drawn.parts
        if np.ptp(part[:, 1]) == pytest.approx(1.5 * REACH, abs=0.02)
    ]
    return np.array([at for at in found if at[0] < A3.right])


def test_the_sheet_carries_the_fit_of_the_demo(pages_of):
    (page,) = pages_of(demo())
    fit, said = demo().control, shown(page)
    assert title(page) == "Control points and map grid"
    for text in (*fit.text, *demo().grid.text):
        assert text.replace("\u2212", "-") in said


def test_the_table_holds_every_point_with_its_residuals(pages_of):
    (page,) = pages_of(demo())
    texts = {text.text.replace("\u2212", "-") for text in page.texts}
    fit = demo().control
    for values in (fit.residual_e, fit.residual_n):
        for value in (1000.0 * values).round(1):
            assert f"{value:+.1f}" in texts
    assert set(fit.points) <= texts


def test_parameters_stand_with_their_standard_deviations(pages_of):
    (page,) = pages_of(demo())
    grid, texts = demo().grid, {text.text for text in page.texts}
    assert {f"{grid.similarity.scale:.8f}", f"{grid.u_scale:.8f}", f"{grid.similarity.rotation_deg:.6f}"} <= texts


def test_points_lie_true_to_scale(pages_of):
    (page,) = pages_of(demo())
    fit, at = demo().control, triangles(page)
    scale = next(int(text.text.split(":")[1]) for text in page.texts if text.text.startswith("Scale 1:"))
    apart = np.hypot(*(at[1:] - at[0]).T)
    wanted = np.hypot(fit.e[1:] - fit.e[0], fit.n[1:] - fit.n[0]) * 1000.0 / scale
    np.testing.assert_allclose(apart, wanted, atol=0.05)


def test_the_hull_is_drawn_through_its_corners(pages_of):
    (page,) = pages_of(demo())
    rings = [part for drawn in page.drawn if drawn.dash == pytest.approx(HULL_DASH, abs=0.01) for part in drawn.parts]
    corners = max(rings, key=len)
    far = np.hypot(*(corners[:, None] - triangles(page)[None]).transpose(2, 0, 1)).min(axis=1)
    assert far.max() < 0.1


def test_vectors_are_residuals_turned_into_the_site_grid(pages_of):
    (page,) = pages_of(demo())
    at = triangles(page)
    words = next(text.text for text in page.texts if text.text.startswith("Residual vectors"))
    factor = int(words.split()[2])
    scale = next(int(text.text.split(":")[1]) for text in page.texts if text.text.startswith("Scale 1:"))
    fit, grid = demo().control, demo().grid.similarity
    # What a residual comes to on site: the map vector through the inverse of the similarity, less its scale.
    site = (fit.residual_e + 1j * fit.residual_n) / (grid.a + 1j * grid.b) * grid.scale * 1000.0 * factor / scale
    tips = at + np.column_stack([site.real, site.imag])
    heads = np.concatenate(
        [part for drawn in page.drawn if drawn.fill == pdf_pages.rgb(INK) for part in drawn.parts if len(part) <= 5]
    )
    far = np.hypot(*(tips[:, None] - heads[None]).transpose(2, 0, 1)).min(axis=1)
    assert far.max() < 0.1
    assert np.abs(site).max() <= LONGEST


def test_the_point_that_stands_out_is_named_in_plan_and_table(pages_of):
    (page,) = pages_of(small(6, error_mm=40.0))
    texts = [text.text for text in page.texts]
    assert "CP6 stands out" in texts
    assert texts.count("stands out") == 1
    assert "the point that stands out" in texts


def test_without_a_suspect_nothing_is_said_to_stand_out(pages_of):
    (page,) = pages_of(small(6))
    assert not any("stands out" in text.text and not text.text.startswith("No point") for text in page.texts)


def test_control_without_a_map_is_listed_and_the_reason_said(pages_of):
    (page,) = pages_of(small(4, grid=""))
    assert "The site grid has no place on a map: site.toml names no map CRS" in shown(page)
    assert {"CP1", "CP4"} <= {text.text for text in page.texts}


def test_parameters_alone_make_a_sheet_without_points(pages_of):
    stated = f"{MAP}origin_e = 500000.0\norigin_n = 6200000.0\nrotation_deg = 0.0\nscale = 0.9996\n"
    (page,) = pages_of(small(0, grid=stated))
    assert "placed by the parameters of site.toml" in shown(page)
    assert len(triangles(page)) == 0


def test_without_control_and_map_there_is_no_sheet():
    result = small(0, grid="")
    assert control_sheets(Job(result=result, views=views_of(result), paper="A3"), A3, 2.5) == []


@pytest.mark.parametrize("paper", ["A4", "A3", "A1"])
def test_a_long_list_goes_on_and_holds_every_point_once(pages_of, paper):
    pages = pages_of(small(120), paper)
    assert len(pages) > 1
    rows = [text.text for page in pages for text in page.texts if text.x < 60.0 and text.text.startswith("CP")]
    assert set(rows) >= {f"CP{k + 1}" for k in range(120)}


def test_a_name_of_the_map_too_long_to_print_is_cut(pages_of):
    result = small(4)
    long = replace(result, grid=replace(result.grid, map_name="A map of a very long name " * 20))
    (page,) = pages_of(long)
    assert "A map of a very long name A map" in shown(page)
