"""Control points through a run: the block of the summary, and layers that stand right on a map of northing first."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from contextlib import closing

import numpy as np
import pdf_pages
import pyogrio
import pytest
import shapely
import small_folder
from pyproj import CRS, Proj, Transformer

from asbuilt.__main__ import main
from asbuilt.compute.grid import map_crs, similarity, to_map

#: Axes of this map are northing before easting.
MAP = "EPSG:2326"
TRUE = similarity(origin_e=836_000.0, origin_n=819_000.0, rotation_deg=23.5, scale=1.0)
#: Around the wall, with what each point is off on the map [mm].
POINTS = {
    "CP1": (98.0, 195.0, 1.0, -2.0),
    "CP2": (110.0, 195.0, -1.5, 1.0),
    "CP3": (110.0, 205.0, 2.0, 0.5),
    "CP4": (98.0, 205.0, -1.5, 0.5),
}
STATED = 'map_crs = "EPSG:2326"\norigin_e = 836000.0\norigin_n = 819000.0\nrotation_deg = 23.5\nscale = 1.0\n'


def folder_at(place, grid, *, points=POINTS, off=(0.0, 0.0)):
    """Write the small wall with control points, the last of which is off by more [mm]."""
    folder = small_folder.make(place / "wall", site_toml=f"{small_folder.SITE}\n[grid]\n{grid}")
    if points:
        rows = ["point,easting,northing,map_e,map_n,sigma_mm"]
        for name, (e, n, de, dn) in points.items():
            map_e, map_n = to_map(TRUE, e, n)
            more = off if name == list(points)[-1] else (0.0, 0.0)
            rows.append(f"{name},{e},{n},{map_e + (de + more[0]) / 1e3:.6f},{map_n + (dn + more[1]) / 1e3:.6f},2")
        (folder / "control").mkdir()
        (folder / "control" / "points.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def block(folder, capsys):
    """Return the block of the JSON and the words of the summary of a run that makes the GeoPackage only."""
    assert main(["run", str(folder), "--only", "geopackage", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["control"]
    assert main(["run", str(folder), "--only", "geopackage"]) == 0
    return found, capsys.readouterr().out


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = folder_at(tmp_path_factory.mktemp("control"), f'map_crs = "{MAP}"\n')
    assert main(["run", str(folder), "--only", "geopackage"]) == 0
    return folder


# ---- the summary


def test_the_block_carries_the_fit(made, capsys):
    found, _ = block(made, capsys)
    assert (found["state"], found["points"], found["degrees_of_freedom"], found["suspect"]) == ("fits", 4, 4, None)
    assert found["piles_outside_hull"] == []
    grid = found["grid"]
    assert (grid["source"], grid["map_crs"], grid["map_name"]) == ("control", MAP, "Hong Kong 1980 Grid System")
    # to their standard deviations: 2 mm over the points' spread of 15.6 m, and ten times that far from the origin
    assert grid["rotation_deg"] == pytest.approx(23.5, abs=3 * grid["u_rotation_deg"])
    assert grid["scale"] == pytest.approx(1.0, abs=3e-6 * grid["u_scale_ppm"])
    assert grid["origin_e"] == pytest.approx(836_000.0, abs=3e-3 * grid["u_origin_mm"])
    spread = np.sqrt(4 * (6.0**2 + 5.0**2))
    assert grid["u_scale_ppm"] == pytest.approx(2e3 / spread, rel=1e-6)
    assert grid["u_rotation_deg"] == pytest.approx(np.degrees(0.002 / spread), rel=1e-4)
    # the farthest pile of eight from the middle of the points: 106 m against 104 m
    assert grid["u_piles_mm"] == pytest.approx(np.hypot(1.0, 2.0 * 3.25 / spread), rel=1e-6)


def test_the_words_say_the_same(made, capsys):
    found, words = block(made, capsys)
    flat = " ".join(words.split())
    assert f"Control, site grid on {MAP} (Hong Kong 1980 Grid System)" in flat
    assert [sentence for sentence in found["text"] if sentence not in flat] == []
    assert "4 control points fitted, 4 degrees of freedom." in flat
    assert "All piles lie within the hull of the control points." in flat
    grid = found["grid"]
    origin = f"E {grid['origin_e']:.3f}, N {grid['origin_n']:.3f} on the map"
    assert f"{origin} (standard deviation {grid['u_origin_mm']:.1f} mm per axis)" in flat
    seconds = f"{grid['u_rotation_deg'] * 3600:.1f} seconds of arc"
    assert f"{grid['rotation_deg']:.6f} degrees clockwise of map north (standard deviation {seconds})" in flat


def test_a_suspect_is_named_in_both(tmp_path, capsys):
    found, words = block(folder_at(tmp_path, f'map_crs = "{MAP}"\n', off=(60.0, 0.0)), capsys)
    assert (found["state"], found["suspect"]) == ("suspect", "CP4")
    assert found["largest_w"] > found["w_limit"]
    assert "CP4 stands out" in words


def flat(text):
    return " ".join(text.split())


@pytest.fixture(scope="module")
def doubted(tmp_path_factory):
    """Return a folder, its outputs and its archive, with a control point that stands out."""
    place = tmp_path_factory.mktemp("doubted")
    folder = folder_at(place, f'map_crs = "{MAP}"\n', off=(60.0, 0.0))
    assert main(["run", str(folder)]) == 0
    assert main(["archive", str(folder), str(place / "a.zip")]) == 0
    with zipfile.ZipFile(place / "a.zip") as packed:
        return folder, {name.partition("/data/")[2]: packed.read(name) for name in packed.namelist()}


TIE = f"The site grid is tied to {MAP} by a fit in which CP4 stands out."


@pytest.mark.parametrize("name", ["READ ME FIRST.txt", "description.json", "description.xml"])
def test_an_archive_names_the_point_that_stands_out_and_its_size_wherever_it_speaks_of_the_map(doubted, name):
    said = flat(doubted[1][name].decode())
    assert TIE in said
    assert "CP4 stands out: w " in said
    assert "How well the fit places a pile on the map is not known: CP4 stands out." in said
    assert "mm per axis" not in said


def test_an_archive_takes_the_outputs_of_a_site_on_a_map_from_out(doubted, tmp_path, capsys):
    assert main(["archive", str(doubted[0]), str(tmp_path / "b.zip"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["outputs"] == "taken from out/, made from the same inputs by this version"
    assert found["tied"] == f"{MAP} by a fit in which CP4 stands out"


def test_the_geopackage_says_it_of_itself(doubted):
    package = doubted[0] / "out" / "asbuilt.gpkg"
    with closing(sqlite3.connect(package)) as database:
        texts = [str(text) for (text,) in database.execute("SELECT metadata FROM gpkg_metadata")]
    said = f"Site grid tied to {MAP} by a fit in which CP4 stands out."
    assert any(flat(text).count(said) for text in texts)
    assert any(TIE in flat(text) for text in texts)


def test_every_sheet_says_it(doubted):
    pages = pdf_pages.read_pages(doubted[0] / "out" / "sheets.pdf")
    said = f"placed on {MAP} by a fit in which CP4 stands out"
    assert [said in flat(page.words()) for page in pages] == [True] * len(pages)


def test_a_run_finds_it(doubted, capsys):
    assert main(["run", str(doubted[0]), "--only", "joints", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["findings_by_kind"]["control_suspect"] == 1


def test_while_it_stands_out_no_standard_deviation_of_the_place_is_given(doubted, capsys):
    assert main(["run", str(doubted[0]), "--only", "joints", "--json"]) == 0
    grid = json.loads(capsys.readouterr().out)["control"]["grid"]
    assert [grid[name] for name in ("u_origin_mm", "u_rotation_deg", "u_scale_ppm", "u_piles_mm")] == [None] * 4


def test_an_archive_of_a_fit_that_holds_has_no_doubt(made, tmp_path):
    assert main(["archive", str(made), str(tmp_path / "a.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "a.zip") as packed:
        found = json.loads(packed.read("a/data/description.json"))
    assert found["crs"]["doubt"] is None
    assert any("standard deviation of up to" in text for text in found["crs"]["tied"])


def test_parameters_alone_have_a_grid_and_no_statistics(tmp_path, capsys):
    found, words = block(folder_at(tmp_path, STATED, points={}), capsys)
    assert (found["state"], found["points"], found["largest_residual_mm"]) == ("parameters", 0, None)
    grid = found["grid"]
    assert (grid["source"], grid["origin_e"], grid["origin_n"]) == ("parameters", 836_000.0, 819_000.0)
    assert (grid["rotation_deg"], grid["scale"]) == pytest.approx((23.5, 1.0), abs=1e-12)
    assert [grid[name] for name in ("u_origin_mm", "u_rotation_deg", "u_scale_ppm", "u_piles_mm")] == [None] * 4
    flat = " ".join(words.split())
    assert "placed by the parameters of site.toml" in flat
    assert "E 836000.000, N 819000.000 on the map; site-grid north lies 23.500000 degrees clockwise of map" in flat


def test_points_without_a_map_say_why_and_the_grid_stays_a_plane_of_its_own(tmp_path, capsys):
    folder = folder_at(tmp_path, "")
    found, words = block(folder, capsys)
    assert (found["state"], found["grid"]) == ("not fitted", None)
    assert "site.toml names no map CRS" in " ".join(words.split())
    crs = CRS.from_user_input(pyogrio.read_info(folder / "out" / "asbuilt.gpkg", layer="asbuilt_piles")["crs"])
    assert crs.type_name == "Engineering CRS"


def test_without_both_there_is_no_block(tmp_path, capsys):
    found, words = block(small_folder.make(tmp_path / "wall"), capsys)
    assert found is None
    assert "Control" not in words


# ---- the map, as another program reads the file that was written


def places(package, layer, *, key="pile_id"):
    """Return the CRS of a layer as it stands in the file, and the coordinates of each feature that has some."""
    meta, _, shapes, fields = pyogrio.raw.read(package, layer=layer)
    names = fields[list(meta["fields"]).index(key)]
    points = {
        str(name): shapely.get_coordinates(shapely.from_wkb(shape))
        for name, shape in zip(names, shapes, strict=True)
        if shape is not None
    }
    return CRS.from_user_input(meta["crs"]), points


@pytest.mark.parametrize(
    ("layer", "on_map", "key"), [("asbuilt_piles", "piles_on_map", "pile_id"), ("joints", "joints_on_map", "joint_id")]
)
def test_a_layer_of_the_site_grid_stands_where_its_copy_on_the_map_stands(made, layer, on_map, key):
    package = made / "out" / "asbuilt.gpkg"
    (site, ours), (base, theirs) = places(package, layer, key=key), places(package, on_map, key=key)
    assert base.to_epsg() == 2326
    there = Transformer.from_crs(site, base, always_xy=True)
    assert len(ours) >= 4
    for name, at in ours.items():
        np.testing.assert_allclose(np.column_stack(there.transform(*at.T)), theirs[name], atol=1e-3)


def test_it_stands_where_the_formula_puts_it_on_the_map_and_in_degrees_of_the_maps_own_datum(made, capsys):
    grid = block(made, capsys)[0]["grid"]
    turn, scale = np.radians(grid["rotation_deg"]), grid["scale"]
    site, piles = places(made / "out" / "asbuilt.gpkg", "design_piles")
    e, n = np.vstack(list(piles.values())).T
    assert len(e) == 8
    map_e = grid["origin_e"] + scale * (e * np.cos(turn) + n * np.sin(turn))
    map_n = grid["origin_n"] + scale * (-e * np.sin(turn) + n * np.cos(turn))
    found = Transformer.from_crs(site, MAP, always_xy=True).transform(e, n)
    np.testing.assert_allclose(found, (map_e, map_n), atol=1e-3)
    base = map_crs(MAP)
    degrees = Transformer.from_crs(site, base.geodetic_crs, always_xy=True).transform(e, n)
    # 1 mm is 9e-9 degrees of latitude
    np.testing.assert_allclose(degrees, Proj(base)(map_e, map_n, inverse=True), atol=9e-9)


def test_control_points_are_a_layer_with_what_the_fit_leaves_over(made, capsys):
    site, points = places(made / "out" / "asbuilt.gpkg", "control_points", key="point")
    assert {name: at[0].tolist() for name, at in points.items()} == {k: [e, n] for k, (e, n, *_) in POINTS.items()}
    layer = pyogrio.read_dataframe(made / "out" / "asbuilt.gpkg", layer="control_points", read_geometry=False)
    largest = block(made, capsys)[0]["largest_residual_mm"]
    assert layer["residual_mm"].max() == pytest.approx(largest, abs=1e-6)
    assert site.name == "Site grid of Small invented wall"
