"""The detail of an item: its figures are those of the layers in the GeoPackage, and what is missing is said to be."""

from __future__ import annotations

import geopandas
import pytest
from review_pages import figure, level

from asbuilt.columns import VERDICT_LOOKS, VERDICTS

NONE = "not measured"
EACH = 2


@pytest.fixture(scope="module")
def layers(demo_page):
    return {
        name: geopandas.read_file(demo_page.with_name("asbuilt.gpkg"), layer=name).set_index(key, drop=False)
        for name, key in (("joints", "joint_id"), ("asbuilt_piles", "pile_id"))
    }


@pytest.fixture(scope="module")
def reader(look, demo_page):
    """Somebody who goes from item to item; the page is opened once."""
    with look(demo_page) as one:
        yield one


def known(value):
    return value is not None and value == value


def mm(value, at=None, *, limit=None, places=0, unit="mm", u=None, none=NONE):
    """Return how a figure and what stands behind it are written."""
    if not known(value):
        return none, ""
    spread = f" ± {figure(2 * u, places)}" if known(u) else ""
    behind = f"at {level(at)}" if known(at) else ""
    return f"{figure(value, places, limit=limit if known(limit) else None)}{spread} {unit}", behind


def metres(value, none=NONE):
    return (f"{level(value)} m", "") if known(value) else (none, "")


def chance(value, at=None):
    if not known(value):
        return NONE, ""
    text = "< 0.001" if value < 0.0005 else "> 0.999" if value >= 0.9995 else f"{value:.3f}"
    return text, f"at {level(at)}" if known(at) else ""


def joint_figures(row):
    asked = row.required_overlap_mm
    levels = "none in its range" if row.levels_known else NONE
    u = 2 * row.u_overlap_mm if known(row.u_overlap_mm) else None
    elsewhere = "not measured, or out of range"
    other = row.other_model_least_overlap_mm
    return {
        "Overlap, least": mm(row.least_overlap_mm, row.least_level, limit=asked),
        "Overlap asked for": mm(asked),
        "Lost from": metres(row.lost_level, levels),
        "Open from": metres(row.open_level, levels),
        "Not sure from": metres(row.sure_level, levels),
        "Chance, by the axes alone": chance(row.p_interlock, row.governing_level),
        "Its uncertainty, 2 u": mm(u, row.governing_level),
        "Overlap at the top": mm(row.overlap_cut_off_mm, row.range_top, limit=asked),
        "Overlap at formation": mm(row.overlap_formation_mm, limit=asked, none=elsewhere),
        "Overlap of the design": mm(row.design_overlap_mm),
        "Other lean model, least": mm(
            other, row.other_model_least_level, limit=asked, none="no other" if known(row.least_overlap_mm) else NONE
        ),
        "Moved apart (+)": mm(row.least_along_mm, row.least_level),
        "Second pile to the pit (+)": mm(row.least_across_mm, row.least_level),
        "Thickness at formation": mm(row.thickness_formation_mm, none=elsewhere),
        "Must interlock": (f"{level(row.range_top)} to {level(row.range_bottom)} m", ""),
        "Predicted below": metres(row.predicted_below),
    }


def face_figure(row):
    """On which side of the clear outline the face stands, never as a negative length."""
    if known(row.face_inside_mm) and row.face_inside_mm < 0:
        return {"Face clear of the outline by": mm(-row.face_inside_mm, row.face_inside_level)}
    return {"Face inside the clear outline": mm(row.face_inside_mm, row.face_inside_level)}


def pile_figures(row):
    u, cut = row.u_offset_mm, row.cut_off_level
    return {
        "Off in plan at cut-off": mm(row.offset_mm, cut, u=u, limit=row.allowed_mm),
        "Towards the pit": mm(row.towards_pit_mm, cut, u=u),
        "Along the wall": mm(row.along_wall_mm, cut, u=u),
        "Lean, cut-off to toe": mm(row.incline_mm_per_m, limit=row.allowed_mm_per_m, places=2, unit="mm/m"),
        "Lean in words": (row.one_in if known(row.one_in) else NONE, ""),
        "Steepest over 3 m": mm(row.steepest_mm_per_m, places=2, unit="mm/m"),
        "Greatest towards the pit": mm(row.worst_towards_pit_mm, row.worst_towards_pit_level),
        **face_figure(row),
        "Chance that plan conforms": chance(row.p_plan),
        "Chance that lean conforms": chance(row.p_vertical),
        "Chance that it keeps clear": chance(row.p_encroach),
        "Toe as recorded": metres(row.toe_level, "not recorded"),
        "Cut-off": metres(cut),
        "Predicted below": metres(row.predicted_below),
        "Diameter used": mm(row.diameter_mm),
    }


def some(rows, verdict):
    """Return the first and the last item of a verdict."""
    found = rows[rows.verdict == verdict]
    assert len(found) >= EACH, verdict
    return [found.iloc[0], found.iloc[-1]]


def shown(reader, wanted):
    figures = reader.figures()
    return {label: figures.get(label) for label in wanted}


@pytest.mark.parametrize("verdict", VERDICTS)
def test_figures_of_joints_are_the_layers(reader, layers, verdict):
    for row in some(layers["joints"], verdict):
        reader.choose(row.joint_id)
        assert shown(reader, joint_figures(row)) == joint_figures(row), row.joint_id
        assert reader.says("#detail-title") == f"{VERDICT_LOOKS[verdict].letter} {row.joint_id} {verdict}"


@pytest.mark.parametrize("verdict", VERDICTS)
def test_figures_of_piles_are_the_layers(reader, layers, verdict):
    for row in some(layers["asbuilt_piles"], verdict):
        reader.choose(row.pile_id)
        assert shown(reader, pile_figures(row)) == pile_figures(row), row.pile_id
        assert reader.says("#detail-title") == f"{VERDICT_LOOKS[verdict].letter} {row.pile_id} {verdict}"


def test_what_is_not_surveyed_shows_no_figure_but_the_designs(reader, layers):
    joints = layers["joints"]
    nothing = joints.least_overlap_mm.isna() & joints.overlap_cut_off_mm.isna()
    bare = joints[(joints.verdict == "not surveyed") & nothing]
    reader.choose(bare.iloc[0].joint_id)
    figures = reader.figures()
    assert {label for label, (value, _) in figures.items() if value.split()[-1] in ("mm", "m")} <= {
        "Overlap asked for",
        "Overlap of the design",
        "Must interlock",
    }
    assert figures["Overlap, least"] == (NONE, "")
    assert figures["Open from"] == (NONE, "")
    assert reader.at("#detail-body svg.chart[role=img]").count() == 0
    assert "Not measured: there is nothing to draw along its depth." in reader.says("#detail-body")


@pytest.mark.parametrize("verdict", VERDICTS)
def test_reasons_are_given_in_full(reader, layers, verdict):
    row = some(layers["joints"], verdict)[0]
    reader.choose(row.joint_id)
    clauses = [clause.strip() for clause in (row.reasons or "").split("; ") if clause]
    listed = [" ".join(text.split()) for text in reader.at("#detail-body ul.reasons li").all_inner_texts()]
    assert [text.replace("\N{MINUS SIGN}", "-") for text in listed] == clauses
