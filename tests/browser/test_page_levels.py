"""The level of the plan: what gapes there is what the GeoPackage says, in words and in the picture."""

from __future__ import annotations

import itertools

import geopandas
import numpy as np
import pytest
import review_pages
import shapely
import wall_folders
from review_pages import figure, level

from asbuilt.columns import METHODS
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile, views_of
from asbuilt.views import JOINT_STATES

FORMATION, INTERLOCK = -8.0, -9.5
LEVELS = (2.93, 0.47, -1.18, -3.97, -6.03, -7.77, -9.41)
MOST_STEPPED = 12


@pytest.fixture(scope="module")
def layers(demo_page):
    """The layers as a GIS reads them."""
    path = demo_page.with_name("asbuilt.gpkg")
    return {name: geopandas.read_file(path, layer=name) for name in ("joints", "openings")}


def by_key(reader):
    reader.press("f")


def by_figure(reader):
    reader.go_to(FORMATION)


def by_button(reader):
    reader.page.get_by_role("button", name="formation").click()
    reader.settle()


def by_slider(reader):
    """Drag it near, and the rest with the arrow keys."""
    box = reader.at("#level").bounding_box()
    low, high = (float(reader.attribute("#level", name)) for name in ("min", "max"))
    reader.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    reader.page.mouse.down()
    along = 8 + (box["width"] - 16) * (FORMATION - low) / (high - low)
    reader.page.mouse.move(box["x"] + along, box["y"] + box["height"] / 2, steps=4)
    reader.page.mouse.up()
    reader.settle()
    for _ in range(40):
        away = float(reader.says("#plan-level").replace("\N{MINUS SIGN}", "-")) - FORMATION
        if abs(away) < 0.01:
            break
        reader.press("ArrowLeft" if away > 0 else "ArrowRight")


@pytest.mark.parametrize("way", [by_key, by_figure, by_button, by_slider])
def test_every_way_to_formation_shows_the_gaps_of_the_joints_layer(reader, layers, way):
    joints = layers["joints"]
    open_there = joints[(joints.opening_formation_mm > 0) & (joints.range_bottom <= FORMATION)]
    assert len(open_there) >= 2
    reader.press("c")
    way(reader)
    assert reader.says("#plan-level") == level(FORMATION)
    for _, one in open_there.iterrows():
        reader.choose(one.joint_id)
        gap = figure(one.opening_formation_mm)
        assert reader.says("#here") == f"At {level(FORMATION)}: gap {gap} mm, open"
        assert f"selected {one.joint_id}, open, gap {gap} mm" in reader.attribute("#plan", "aria-label")


def sampled(shape, step):
    """Points [m] inside a shape, ``step`` apart."""
    left, lower, right, upper = shape.bounds
    e, n = np.meshgrid(np.arange(left, right, step), np.arange(lower, upper, step))
    inside = shapely.contains_xy(shape, e.ravel(), n.ravel())
    return np.column_stack([e.ravel()[inside], n.ravel()[inside]])


def share_outside(reader, points, middle, scale):
    """Share of the points that show the colour of outside, the picture's middle at ``middle``, ``scale`` px/m."""
    across, down = reader.middle("#plan")
    x = np.round(across + (points[:, 0] - middle[0]) * scale - 0.5).astype(int)
    y = np.round(down - (points[:, 1] - middle[1]) * scale - 0.5).astype(int)
    shown = reader.picture()[y, x].astype(int)
    return np.mean(np.abs(shown - reader.colour("--outside")).max(axis=1) <= 3)


@pytest.mark.parametrize("joint", ["A006~A007", "A087~A089"])
def test_an_opening_is_drawn_where_the_openings_layer_has_it(reader, demo, layers, joint):
    """The item is in the picture's middle after z; its scale follows from what it was zoomed to."""
    result, views = demo
    place = result.joints["joint_id"].tolist().index(joint)
    opening = layers["openings"].set_index("joint_id").loc[joint]
    assert opening.level == INTERLOCK
    own = [result.joints.a[place], result.joints.b[place]]
    at = views.at_level(INTERLOCK)
    centres = np.column_stack([at.e[own], at.n[own]]) + result.survey.origin
    reach = 2 * result.piles.radius[own, None]
    low, high = (centres - reach).min(axis=0), (centres + reach).max(axis=0)
    canvas = reader.at("#plan").bounding_box()
    scale = 0.5 * min(canvas["width"] / (high - low)[0], canvas["height"] / (high - low)[1]) * 1.5**2
    assert scale < 600
    reader.choose(joint)
    reader.press("Escape")
    reader.click("#level-steps button:last-child")
    assert reader.says("#plan-level") == level(INTERLOCK)
    reader.press("z", "+", "+")
    points = sampled(opening.geometry.buffer(-1.5 / scale), 1.5 / scale)
    assert len(points) >= 20
    assert share_outside(reader, points, (low + high) / 2, scale) > 0.5
    assert reader.says("#here") == f"At {level(INTERLOCK)}: gap {figure(opening.opening_mm)} mm, open"
    design_gap = float(result.joints["open_level"][place]) >= float(result.joints["range_top"][place]) - 1e-6
    reader.press("c")
    assert (share_outside(reader, points, (low + high) / 2, scale) > 0.5) == design_gap


# ------------------------------------------------------------------------- the page's own formulas and Python's


def spread(places, count):
    """Return ``count`` of the places from end to end."""
    return [places[k] for k in np.unique(np.linspace(0, len(places) - 1, min(count, len(places))).astype(int))]


def expected(result, views, joint, z):
    """Return what the page may say of a joint at a level: a figure at a rounding's edge has two ways."""
    at, joints, toe = views.at_level(z), result.joints, np.asarray(result.axes.toe)
    code, head = int(at.state[joint]), f"At {level(z)}: "
    if code < 0:
        return {head + "outside the range where it must interlock"}
    ended = [k for k in (joints.a[joint], joints.b[joint]) if toe[k] > z + 1e-9]
    if ended:
        return {f"{head}{JOINT_STATES[code]}: {result.piles['pile_id'][ended[0]]} ends at {level(toe[ended[0]])}"}
    if np.isnan(at.overlap[joint]):
        return {head + JOINT_STATES[code]}
    said = set()
    for noise in (-0.002, 0.0, 0.002):
        mm = 1000 * float(at.overlap[joint]) + noise
        asked = 1000 * float(joints.required[joint])
        words = f"gap {figure(-mm)} mm" if mm < 0 else f"overlap {figure(mm, limit=asked)} mm"
        said.add(f"{head}{words}, {JOINT_STATES[code]}")
    return said


def compare(reader, result, views, places):
    wrong, seen = [], set()
    for joint in places:
        reader.choose(result.joints["joint_id"][joint])
        reader.at("#level-number").focus()
        for z in LEVELS:
            reader.write_level(z)
            said = reader.says("#here")
            if said not in expected(result, views, joint, z):
                wrong.append((result.joints["joint_id"][joint], said, expected(result, views, joint, z)))
            seen.add(said.split(": ", 1)[1].split(",")[-1].strip().split(":")[0])
    assert wrong == []
    return seen


def test_overlaps_at_any_level_are_those_of_python(reader, demo):
    """Joints of every verdict, of piles with a profile, of piles without a reading, and one below a built toe."""
    result, views = demo
    joints, method = result.joints, np.asarray(result.piles["method"])
    measured = {METHODS.index("profile"), METHODS.index("none")}
    kinds = [k for k in range(len(joints)) if {int(method[joints.a[k]]), int(method[joints.b[k]])} & measured]
    short = [k for k in range(len(joints)) if "A056" in joints["joint_id"][k]]
    grave = [np.flatnonzero(np.asarray(joints["verdict"]) == code).tolist() for code in range(4)]
    places = sorted({*spread(kinds, 8), *short, *itertools.chain.from_iterable(spread(one, 6) for one in grave)})
    assert len(places) >= 25
    assert compare(reader, result, views, places) >= {"open", "lost", "not sure", "sure", "not surveyed"}


def test_overlaps_of_stepped_axes_are_those_of_python(look, tmp_path):
    folder = wall_folders.make(tmp_path / "ring", "ring_60")
    site = folder / "site.toml"
    site.write_text(f'{site.read_text("utf-8")}\n[uncertainty]\naxis = "stepped"\n', "utf-8")
    result = reconcile(read_survey(folder))
    assert (np.diff(result.axes.start) > 2).any()
    with look(review_pages.write(review_pages.data_of(result), tmp_path / "ring.html")) as reader:
        compare(reader, result, views_of(result), spread(range(len(result.joints)), MOST_STEPPED))
