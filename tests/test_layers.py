"""Layers: columns by the dictionary, one row for every pile and joint, geometries where the numbers say."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
import shapely
from builders import Site, random_site, site_file, straight_wall, to_survey
from steps import EXACT, plumb_wall, record, shot, tilt

from asbuilt.columns import LAYERS, POSITIONS, VERDICTS
from asbuilt.compute.axes import axis_positions
from asbuilt.reconcile import reconcile

#: A corner, a closed wall, a wall with an omitted and an added pile; all at map-size coordinates.
SEEDS = (1, 3, 5)
CASES = [(seed, name) for seed in SEEDS for name in LAYERS]


@cache
def reconciled(seed):
    site = random_site(seed)
    site.toml += '\n[[stages]]\nname = "dig 1"\nlevel = 0.5\njoints_to = -3.0\n'
    site.toml += '\n[grid]\nmap_crs = "EPSG:25831"\n'
    # Site grid and map differ by a shift alone, but for the projection's scale.
    corners = [(-30.0, -30.0), (30.0, -30.0), (30.0, 30.0), (-30.0, 30.0)]
    at = [(site.design[0]["easting"] + e, site.design[0]["northing"] + n) for e, n in corners]
    site.control = [
        {"point": f"C{k}", "easting": e, "northing": n, "map_e": 5e5 + 0.9996 * de, "map_n": 6.2e6 + 0.9996 * dn}
        for k, ((e, n), (de, dn)) in enumerate(zip(at, corners, strict=True))
    ]
    return reconcile(to_survey(site))


def layer_of(site, name):
    return reconcile(to_survey(site)).layers[name]


# ------------------------------------------------------------------------------------------ columns and rows


def test_layers_are_those_of_the_dictionary():
    assert list(reconciled(1).layers) == list(LAYERS)


@pytest.mark.parametrize(("seed", "name"), CASES)
def test_a_layer_has_exactly_the_columns_of_the_dictionary(seed, name):
    assert sorted(reconciled(seed).layers[name].columns) == sorted(c.name for c in LAYERS[name].columns)


@pytest.mark.parametrize(("seed", "name"), CASES)
def test_columns_of_a_layer_are_equally_long(seed, name):
    layer = reconciled(seed).layers[name]
    lengths = {len(values) for values in layer.columns.values()}
    assert lengths | ({len(layer)} if layer.geometry is None else {len(layer.geometry)}) == {len(layer)}


KINDS = {"float": "f", "integer": "fi", "text": "O", "id": "O", "time": "M", "choice": "i", "boolean": "bf"}


@pytest.mark.parametrize(("seed", "name"), CASES)
def test_columns_of_a_layer_have_the_dictionarys_types(seed, name):
    layer = reconciled(seed).layers[name]
    wrong = [
        f"{c.name}: {layer.columns[c.name].dtype}, {c.kind}"
        for c in LAYERS[name].columns
        if layer.columns[c.name].dtype.kind not in KINDS[c.kind]
    ]
    assert wrong == []


@pytest.mark.parametrize(("seed", "name"), CASES)
def test_a_layer_has_the_dictionarys_geometry(seed, name):
    layer, stated = reconciled(seed).layers[name], LAYERS[name].geometry
    if stated is None:
        assert layer.geometry is None
        return
    shapes = {shape.geom_type + (" Z" if shape.has_z else "") for shape in layer.geometry if shape is not None}
    assert shapes <= {stated}


def test_every_kind_of_geometry_comes_up():
    """The test above would prove little for a layer that is empty in all of these walls."""
    there = {
        name
        for seed in SEEDS
        for name, layer in reconciled(seed).layers.items()
        if layer.geometry is not None and any(shape is not None for shape in layer.geometry)
    }
    assert there == {name for name, definition in LAYERS.items() if definition.geometry}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", ["design_piles", "asbuilt_piles", "pile_outlines", "offsets", "pile_axes"])
def test_every_design_pile_has_its_row(seed, name):
    found = reconciled(seed)
    assert found.layers[name].columns["pile_id"].tolist() == found.survey.design["pile_id"].tolist()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", ["joints", "design_joints"])
def test_every_joint_has_its_row(seed, name):
    found = reconciled(seed)
    ids = found.survey.design["pile_id"]
    pairs = [f"{ids[a]}~{ids[b]}" for a, b in zip(found.joints.a, found.joints.b, strict=True)]
    assert found.layers[name].columns["joint_id"].tolist() == pairs


@pytest.mark.parametrize("name", ["pickups", "readings"])
def test_every_input_row_has_its_row(name):
    found = reconciled(1)
    table = found.survey.pickups if name == "pickups" else found.survey.tilts
    assert len(found.layers[name]) == len(table)


# ------------------------------------------------------------------------------------------ on the map


def surveyed(found):
    return ~np.isnan(found.piles.centre_e)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pile_is_on_the_map_at_its_centre_or_else_at_design(seed):
    found = reconciled(seed)
    layer, piles, built = found.layers["piles_on_map"], found.piles, surveyed(found)
    e, n = np.where(built, piles.centre_e, piles.design_e), np.where(built, piles.centre_n, piles.design_n)
    first = piles.design_e[0], piles.design_n[0]
    wanted = np.column_stack([5e5 + 0.9996 * (e - first[0]), 6.2e6 + 0.9996 * (n - first[1])])
    np.testing.assert_allclose(shapely.get_coordinates(layer.geometry), wanted, atol=1e-6)
    assert [POSITIONS[k] == "as-built" for k in layer.columns["position_is"]] == built.tolist()


def test_joints_on_the_map_run_between_piles_on_the_map():
    found = reconciled(3)
    piles = shapely.get_coordinates(found.layers["piles_on_map"].geometry)
    ends = shapely.get_coordinates(found.layers["joints_on_map"].geometry).reshape(-1, 2, 2)
    np.testing.assert_array_equal(ends, np.stack([piles[found.joints.a], piles[found.joints.b]], axis=1))


def test_layers_on_the_map_name_its_crs_and_the_others_none():
    named = {name for name, layer in reconciled(1).layers.items() if layer.crs is not None}
    assert named == {"piles_on_map", "joints_on_map"}


@pytest.mark.parametrize("name", ["control_points", "piles_on_map", "joints_on_map"])
def test_without_a_map_grid_these_layers_are_empty(name):
    layer = layer_of(random_site(1), name)
    assert (len(layer), len(layer.geometry), layer.crs) == (0, 0, None)


def test_control_points_carry_their_residuals_in_the_site_grid():
    found = reconciled(1)
    layer = found.layers["control_points"]
    assert shapely.get_coordinates(layer.geometry).tolist() == [
        [e, n] for e, n in zip(found.survey.control["easting"], found.survey.control["northing"], strict=True)
    ]
    assert layer.columns["residual_mm"] == pytest.approx(np.zeros(4), abs=1e-4)
    assert layer.columns["redundancy"] == pytest.approx(np.full(4, 0.5))


# ------------------------------------------------------------------------------------------ null where not measured


def half_surveyed():
    site = plumb_wall(3)
    del site.pickups[1], site.tilts[1]
    return site


@pytest.mark.parametrize("name", ["asbuilt_piles", "pile_outlines", "offsets", "pile_axes"])
def test_a_pile_that_was_not_surveyed_has_no_geometry(name):
    assert [shape is None for shape in layer_of(half_surveyed(), name).geometry] == [False, True, False]


def test_a_joint_of_a_pile_that_was_not_surveyed_has_no_geometry():
    assert layer_of(half_surveyed(), "joints").geometry.tolist() == [None, None]


def test_a_joint_that_was_not_surveyed_still_shows_between_design_centres():
    layer = layer_of(half_surveyed(), "design_joints")
    assert (len(shapely.get_coordinates(layer.geometry)), VERDICTS[layer.columns["verdict"][0]]) == (4, "not surveyed")


def test_a_pile_without_readings_has_no_axis_but_a_place():
    site = plumb_wall(2)
    del site.tilts[0]
    found = reconcile(to_survey(site))
    assert [found.layers[name].geometry[0] is None for name in ("pile_axes", "asbuilt_piles")] == [True, False]


# ------------------------------------------------------------------------------------------ places

FAR = (500_000.0, 6_000_000.0)
OUT = (0.012345, -0.006789)


def far(**changes):
    """P1 at map-size coordinates, out by ``OUT``, its axis in two steps."""
    design = straight_wall(2, e0=FAR[0], n0=FAR[1])
    site = plumb_wall(design=design, axis="stepped", **changes)
    site.pickups[0] = shot("P1", FAR[0] + OUT[0], FAR[1] + OUT[1])
    site.tilts = [tilt("P1", 4.0, 2.0, 1.0), tilt("P1", 10.0, -3.0, 5.0), tilt("P2", 12.0)]
    site.records = [record("P1", toe_level=-11.5), record("P2", toe_level=-12.0)]
    return site


def relative(shape):
    """Coordinates less ``FAR`` [m]; three columns where the shape has levels."""
    points = shapely.get_coordinates(shape, include_z=shape.has_z)
    points[:, :2] -= FAR
    return points


def test_as_built_points_keep_1e_5_m_at_map_size_coordinates():
    assert relative(layer_of(far(), "asbuilt_piles").geometry[0]) == pytest.approx(np.array([OUT]), abs=1e-5)


def test_design_points_are_the_design_centres():
    assert relative(layer_of(far(), "design_piles").geometry[1]) == pytest.approx(np.array([(0.75, 0.0)]), abs=1e-9)


def test_offsets_run_from_design_to_as_built():
    assert relative(layer_of(far(), "offsets").geometry[0]) == pytest.approx(np.array([(0, 0), OUT]), abs=1e-5)


def test_joints_run_between_as_built_centres_in_the_order_of_the_wall():
    found = relative(layer_of(far(), "joints").geometry[0])
    assert found == pytest.approx(np.array([OUT, (0.75, 0.0)]), abs=1e-5)


def test_outlines_have_the_radius_used_for_joints():
    site = far()
    site.records[0]["casing_od_mm"] = 900.0
    rim = relative(layer_of(site, "pile_outlines").geometry[0]) - OUT
    assert np.hypot(*rim.T) == pytest.approx(np.full(len(rim), 0.45), abs=1e-5)


def test_axes_run_from_cut_off_through_their_vertices_to_the_recorded_toe():
    # level 3.2 to 0 at (2, 1) mm/m, then to -11.5 at (-3, 5)
    east, north = 3.2 * 0.002, 3.2 * 0.001
    expected = [(0, 0, 3.2), (east, north, 0.0), (east - 11.5 * 0.003, north + 11.5 * 0.005, -11.5)]
    found = relative(layer_of(far(), "pile_axes").geometry[0]) - (*OUT, 0.0)
    assert found == pytest.approx(np.array(expected), abs=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_axes_end_at_cut_off_and_toe(seed):
    found = reconciled(seed)
    wrong = []
    for k, shape in enumerate(found.layers["pile_axes"].geometry):
        if shape is not None:
            level = shapely.get_coordinates(shape, include_z=True)[:, 2]
            ends = found.piles["cut_off_level"][k], found.axes.toe[k]
            if (level[0], level[-1]) != ends or np.any(np.diff(level) >= 0):
                wrong.append((found.piles["pile_id"][k], level, ends))
    assert wrong == []


# ------------------------------------------------------------------------------------------ openings


def apart(*, turn=0.0, apart_mm=60.0, diameters=(880.0, 880.0)):
    """Two plumb piles so far apart, on a wall of any bearing; and what the layer says."""
    distance = sum(diameters) / 2000 + apart_mm / 1000
    design = straight_wall(2)
    for row, d in zip(design, diameters, strict=True):
        row["diameter_mm"] = d
    design[1]["easting"], design[1]["northing"] = 0.75 * math.cos(turn), 0.75 * math.sin(turn)
    site = Site(
        toml=site_file(**EXACT),
        design=design,
        pickups=[shot("P1", 0, 0), shot("P2", distance * math.cos(turn), distance * math.sin(turn))],
        tilts=[tilt("P1", 12.0), tilt("P2", 12.0)],
    )
    return reconcile(to_survey(site))


#: Circles are polygons of 256 sides: their sides lie this far inside [m].
SAGITTA = 0.44 * (1 - math.cos(math.pi / 256))


@pytest.mark.parametrize("turn", [0.0, 0.37, 2.1])
@pytest.mark.parametrize("diameters", [(880.0, 880.0), (880.0, 620.0)])
def test_an_opening_is_as_wide_as_stated_between_the_two_circles(turn, diameters):
    found = apart(turn=turn, diameters=diameters)
    (shape,) = found.layers["openings"].geometry
    (centres,) = found.layers["joints"].geometry
    width = centres.intersection(shape).length
    assert 1000 * width == pytest.approx(found.joints["worst_opening_mm"][0], abs=2000 * SAGITTA)


@pytest.mark.parametrize("turn", [0.0, 0.37])
def test_an_opening_does_not_reach_into_the_circles(turn):
    found = apart(turn=turn)
    (shape,) = found.layers["openings"].geometry
    circles = [p.buffer(0.44 - SAGITTA, 512) for p in found.layers["asbuilt_piles"].geometry]
    assert max(shape.intersection(circle).area for circle in circles) == pytest.approx(0.0, abs=1e-9)


def test_an_opening_is_bounded_by_the_common_tangents():
    # hull of two equal circles less both: a rectangle less two half discs
    found = apart()
    (shape,) = found.layers["openings"].geometry
    assert shape.area == pytest.approx(0.94 * 0.88 - math.pi * 0.44**2, abs=2e-4)


def test_an_opening_stands_at_the_level_where_it_is_widest():
    site = plumb_wall(**EXACT)
    # 190.5 mm away at -9.5, 60.5 mm of them a gap
    site.tilts[1] = tilt("P2", 12.0, 15.0)
    layer = layer_of(site, "openings")
    west, _, east, _ = layer.geometry[0].bounds
    assert (west, east) == pytest.approx((0.0, 0.75 + 0.1905), abs=1e-6)


@pytest.mark.parametrize(("column", "value"), [("joint_id", "P1~P2"), ("opening_mm", 60.0), ("level", 3.2)])
def test_columns_of_an_opening(column, value):
    (found,) = apart().layers["openings"].columns[column]
    assert found == (value if isinstance(value, str) else pytest.approx(value))


def test_a_joint_that_does_not_open_has_no_opening():
    assert len(apart(apart_mm=-1.0).layers["openings"]) == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_openings_of_random_walls_touch_both_circles_at_their_level(seed):
    found = reconciled(seed)
    layer = found.layers["openings"]
    place = {name: k for k, name in enumerate(found.joints["joint_id"])}
    wrong = []
    for k, shape in enumerate(layer.geometry):
        joint = place[layer.columns["joint_id"][k]]
        piles = np.array([found.joints.a[joint], found.joints.b[joint]])
        e, n = axis_positions(found.axes, piles, np.full((2, 1), layer.columns["level"][k]))
        centres = shapely.points(e[:, 0] + found.survey.origin[0], n[:, 0] + found.survey.origin[1])
        reach = shapely.distance(shape, centres) - found.piles.radius[piles]
        if np.any(np.abs(reach) > 2 * SAGITTA):
            wrong.append((layer.columns["joint_id"][k], reach))
    assert wrong == []


# ------------------------------------------------------------------------------------------ attribute tables


def test_the_clear_outline_is_as_given():
    site = plumb_wall()
    site.outline = [(-5, 0.6), (5, 0.6), (5, 4), (-5, 4)]
    assert layer_of(site, "clear_outline").geometry[0].equals(shapely.Polygon(site.outline))


def test_without_a_clear_outline_its_layer_is_empty():
    assert len(layer_of(plumb_wall(), "clear_outline")) == 0


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("used", [False, True, True]),
        ("superseded_by", ["pickups/p1.csv:3", None, None]),
        ("file", ["pickups/p1.csv"] * 3),
        ("line", [2, 3, 4]),
    ],
)
def test_pickups_say_what_they_served(column, values):
    site = plumb_wall()
    site.pickups.insert(0, shot("P1", 0, 0, surveyed_at="2025-03-01T09:00", setup="S0"))
    assert layer_of(site, "pickups").columns[column].tolist() == values


@pytest.mark.parametrize(("column", "value"), [("slope_e_mm_per_m", -2.0), ("slope_n_mm_per_m", 3.0)])
def test_readings_carry_their_slope(column, value):
    site = plumb_wall()
    site.tilts[0] = tilt("P1", 12.0, 2.0, -3.0, sense="top")
    assert layer_of(site, "readings").columns[column][0] == pytest.approx(value)


def test_readings_of_an_attempt_that_does_not_govern_are_not_used():
    site = plumb_wall()
    site.tilts.append(tilt("P1", 5.0, attempt=2))
    assert layer_of(site, "readings").columns["used"].tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("id", "short_arc:P1"),
        ("kind", "short_arc"),
        ("item", "P1"),
        ("severity", 2),
        ("file", "pickups/p1.csv"),
        ("line", 3),
    ],
)
def test_findings_carry_kind_item_and_place(column, value):
    site = plumb_wall()
    site.pickups[:1] = []
    site.pickups += [shot("P1", 0.44 * math.sin(a), 0.44 * math.cos(a), shot="edge") for a in (-0.6, 0.0, 0.6)]
    layer = layer_of(site, "findings")
    (row,) = np.flatnonzero(layer.columns["kind"] == "short_arc")
    assert layer.columns[column][row] == value


def test_a_finding_without_a_file_has_null_there():
    site = plumb_wall()
    site.tilts.append(tilt("P1", 14.0, 30.0))
    layer = layer_of(site, "findings")
    (row,) = np.flatnonzero(layer.columns["kind"] == "drift")
    assert layer.columns["file"][row] is None


def staged():
    site = plumb_wall()
    site.toml += '\n[[stages]]\nname = "dig 1"\nlevel = 0.5\n'
    return site


@pytest.mark.parametrize(
    ("column", "value"),
    [("stage", "dig 1"), ("level", 0.5), ("joints_to", math.nan), ("state", "held"), ("held_by", "P1, P2")],
)
def test_stages_say_what_holds_them(column, value):
    # no toe is recorded
    (found,) = layer_of(staged(), "stages").columns[column]
    assert found == (value if isinstance(value, str) else pytest.approx(value, nan_ok=True))


def test_settings_are_listed_with_their_defaults():
    layer = layer_of(plumb_wall(), "settings")
    listed = dict(zip(layer.columns["key"], layer.columns["value"], strict=True))
    assert listed["set_out.play_mm"] == "15.0"


def test_provenance_carries_the_hash_of_every_input_file():
    found = reconciled(1)
    values = set(found.layers["provenance"].columns["value"])
    assert {file.sha256 for file in found.survey.files} <= values
