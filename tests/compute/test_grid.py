"""The site grid's place on the map and its coordinate reference system, against published operations and PROJ."""

from __future__ import annotations

import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely
from pyproj import CRS, Proj, Transformer
from reference_rows import each, expected

from asbuilt.compute.grid import derived_crs, engineering_crs_wkt, map_crs, point_scale, similarity, to_map, to_site
from asbuilt.model import Similarity

NAMES = {
    "Yard": "Yard",
    'The "Old" Yard': 'The "Old" Yard',
    "a\tb\nc  d": "a b c d",
    "back\\slash [x], (y)": "back\\slash [x], (y)",
    "pile \U0001f3d7 שלום": "pile \U0001f3d7 שלום",
}


@pytest.mark.parametrize(("name", "shown"), NAMES.items())
def test_it_is_a_plane_of_metres_named_for_the_site(name, shown):
    crs = CRS.from_wkt(engineering_crs_wkt(name))
    assert (crs.name, crs.type_name) == (f"Site grid of {shown}", "Engineering CRS")
    assert [(a.abbrev, a.direction, a.unit_name) for a in crs.axis_info] == [
        ("E", "east", "metre"),
        ("N", "north", "metre"),
    ]


@pytest.mark.parametrize("name", NAMES)
def test_it_reads_back_as_it_was_written(tmp_path, name):
    wkt = engineering_crs_wkt(name)
    point = np.array([shapely.to_wkb(shapely.Point(1, 2))], dtype=object)
    options = {"geometry_type": "Point", "crs": wkt, "driver": "GPKG", "dataset_options": {"VERSION": "1.3"}}
    pyogrio.raw.write(tmp_path / "x.gpkg", point, [np.array([1])], ["a"], **options)
    found = CRS.from_wkt(pyogrio.read_info(tmp_path / "x.gpkg")["crs"])
    assert found.name == CRS.from_wkt(wkt).name
    assert CRS.from_wkt(CRS.from_wkt(wkt).to_wkt()) == CRS.from_wkt(wkt)


# ------------------------------------------------------------------------------------------ published operations


def published(row):
    """Return the similarity of a published operation, from site to map."""
    values = [float(value) for value in row["parameters"].split()]
    if row["check"] == "9621":
        return similarity(origin_e=values[0], origin_n=values[1], scale=values[2], rotation_deg=values[3] / 3600.0)
    a0, a1, a2, b0, b1, b2 = values
    # An affine transformation of a similarity's coefficients.
    assert (a1, a2) == (b2, -b1)
    return Similarity(a=a1, b=-a2, origin_e=a0, origin_n=b0)


@each("similarities")
def test_published_similarity(row):
    found = to_map(published(row), float(row["east"]), float(row["north"]))
    assert found == (expected(row, "map_e"), expected(row, "map_n"))


@each("similarities")
def test_published_similarity_backwards(row):
    # To the tolerance on the map, for scales near 1; the one of 0.3048 is a change of units.
    grid = published(row)
    found = to_site(grid, float(row["map_e"]), float(row["map_n"]))
    near = float(row["tolerance"]) * 1.5 / grid.scale
    assert found == pytest.approx((float(row["east"]), float(row["north"])), abs=near, rel=0.0)


PROJS_OWN = {
    5166: similarity(origin_e=-129.549, origin_n=-208.185, scale=1.0000015504, rotation_deg=1.56504 / 3600.0),
    10087: Similarity(a=0.304794369, b=-1.5417425e-5, origin_e=82357.457, origin_n=28091.324),
}


@pytest.mark.parametrize("code", PROJS_OWN)
def test_similarity_is_that_of_the_operation_in_projs_own_database(code):
    e, n = np.array([300_000.0, 520_000.0, 553_900.0]), np.array([4_500_000.0, 4_680_000.0, 482_500.0])
    found = to_map(PROJS_OWN[code], e, n)
    np.testing.assert_allclose(found, Transformer.from_pipeline(f"EPSG:{code}").transform(e, n), atol=1e-6)


@pytest.mark.parametrize("theta", [-170.0, -14.5, 0.0, 90.0, 180.0])
def test_parameters_come_back(theta):
    grid = similarity(origin_e=1.0, origin_n=2.0, rotation_deg=theta, scale=0.9996)
    assert (grid.scale, grid.rotation_deg) == pytest.approx((0.9996, theta))


# ------------------------------------------------------------------------------------------ the derived CRS, by PROJ

#: A map CRS of easting before northing; three of northing before easting, one of which keeps areas and not angles; one
#: whose datum needs a shift to WGS 84.
MAPS = {
    25831: (500_641.0, 6_199_994.0),
    2326: (836_000.0, 819_000.0),
    31467: (3_520_000.0, 5_400_000.0),
    3035: (4_321_000.0, 3_110_000.0),
    27700: (530_000.0, 180_000.0),
}
PLACES = np.random.default_rng(7).uniform(-1000.0, 1000.0, (200, 2))


def placed(code):
    """Return the map CRS, the similarity and the derived CRS as read from its text."""
    e, n = MAPS[code]
    grid = similarity(origin_e=e, origin_n=n, rotation_deg=23.5, scale=1.00035)
    base = map_crs(f"EPSG:{code}")
    return base, grid, CRS.from_wkt(derived_crs('The "Old" Yard', base, grid).to_wkt("WKT2_2019"))


@pytest.mark.parametrize("code", MAPS)
def test_proj_finds_the_place_on_the_map_that_the_formula_gives(code):
    base, grid, derived = placed(code)
    found = Transformer.from_crs(derived, base, always_xy=True).transform(*PLACES.T)
    np.testing.assert_allclose(found, to_map(grid, *PLACES.T), atol=1e-3)


@pytest.mark.parametrize("code", MAPS)
def test_proj_finds_latitude_and_longitude_on_the_maps_own_datum(code):
    base, grid, derived = placed(code)
    found = Transformer.from_crs(derived, base.geodetic_crs, always_xy=True).transform(*PLACES.T)
    wanted = Proj(base)(*to_map(grid, *PLACES.T), inverse=True)
    # 1 mm is 9e-9 degrees of latitude.
    np.testing.assert_allclose(found, wanted, atol=9e-9)


@pytest.mark.parametrize("code", MAPS)
def test_proj_finds_the_way_back(code):
    base, grid, derived = placed(code)
    found = Transformer.from_crs(base, derived, always_xy=True).transform(*to_map(grid, *PLACES.T))
    np.testing.assert_allclose(found, PLACES.T, atol=1e-3)


@pytest.mark.parametrize("code", MAPS)
def test_a_program_with_another_proj_finds_the_same_place(tmp_path, code):
    """GDAL brings its own PROJ, of another version: written and read back, the layer still lies where it should."""
    base, grid, derived = placed(code)
    points = shapely.to_wkb(shapely.points(PLACES))
    options = {"geometry_type": "Point", "driver": "GPKG", "dataset_options": {"VERSION": "1.3"}}
    path = tmp_path / "x.gpkg"
    pyogrio.raw.write(path, points, [], [], crs=derived.to_wkt("WKT2_2019"), **options)
    back = CRS.from_wkt(pyogrio.read_info(path)["crs"])
    assert back.name == 'Site grid of The "Old" Yard'
    found = Transformer.from_crs(back, base, always_xy=True).transform(*PLACES.T)
    np.testing.assert_allclose(found, to_map(grid, *PLACES.T), atol=1e-3)
    degrees = Transformer.from_crs(back, base.geodetic_crs, always_xy=True).transform(*PLACES.T)
    np.testing.assert_allclose(degrees, Proj(base)(*to_map(grid, *PLACES.T), inverse=True), atol=9e-9)


@each("similarities")
def test_the_derived_crs_of_a_published_operation_gives_its_published_places(row):
    """By PROJ, from the text: a plant grid on UTM zone 39N, another on zone 31N, and one of 0.3048."""
    base = map_crs("EPSG:32639" if "15747" in row["case"] else "EPSG:25831")
    derived = CRS.from_wkt(derived_crs("Plant", base, published(row)).to_wkt("WKT2_2019"))
    there = Transformer.from_crs(derived, base, always_xy=True)
    place = float(row["east"]), float(row["north"])
    assert there.transform(*place) == (expected(row, "map_e"), expected(row, "map_n"))
    # and back to where it came from, not only near it
    back = there.transform(*there.transform(*place), direction="INVERSE")
    assert back == pytest.approx(place, abs=1e-6, rel=0.0)


def test_the_derived_crs_is_an_affine_one_on_a_renamed_base_without_identifier():
    base, _, derived = placed(2326)
    read = derived.to_json_dict()
    assert (read["type"], read["conversion"]["method"]["id"]["code"]) == ("DerivedProjectedCRS", 9624)
    assert read["base_crs"]["name"] == f"{base.name} (E,N order)"
    assert "id" not in read["base_crs"]
    assert [axis["direction"] for axis in read["coordinate_system"]["axis"]] == ["east", "north"]


# ------------------------------------------------------------------------------------------ the projection's own scale


def test_scale_on_the_central_meridian_is_the_projections_own():
    assert point_scale(map_crs("EPSG:25831"), map_e=500_000.0, map_n=6_200_000.0) == pytest.approx((0.9996,) * 3)


def test_scale_away_from_the_central_meridian():
    # Transverse Mercator: k0 (1 + x²/(2 R²)), x = 100 km over k0, R = 6380 km or so: 0.9996 + 123 ppm.
    scale, _, _ = point_scale(map_crs("EPSG:25831"), map_e=600_000.0, map_n=6_200_000.0)
    assert scale == pytest.approx(0.9996 * (1.0 + (1e5 / 0.9996 / 6.385e6) ** 2 / 2.0), abs=1e-6)


def test_scale_of_an_equal_area_map_depends_on_direction():
    scale, least, most = point_scale(map_crs("EPSG:3035"), map_e=4_821_000.0, map_n=3_210_000.0)
    assert scale == pytest.approx(1.0, abs=1e-9)
    assert least * most == pytest.approx(1.0, abs=1e-9)
    assert most - least > 1e-4


def test_scale_where_the_projection_does_not_reach():
    assert np.isnan(point_scale(map_crs("EPSG:3035"), map_e=1e9, map_n=1e9)).all()
