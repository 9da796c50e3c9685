"""The instrument's file: columns, decimals, what a mark is called."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from steps import EXACT, shot, tilt

from asbuilt.commands.setout_list import set_out_list
from asbuilt.output.set_out_csv import write_set_out
from asbuilt.reconcile import reconcile

COLUMNS = ["point", "easting", "northing", "level", "code", "wall", "kind", "diameter_mm", "move_e_mm", "move_n_mm"]


def rows(path, *, columns=COLUMNS, with_control=False, control=(), approved=(), plain=False, west_mm=30.0, grid=""):
    """Write the file of P2, P1 standing ``west_mm`` to the west, and read it back."""
    site = Site(
        toml=site_file(**{**EXACT, "verticality": '"1:1000000"'}) + grid,
        design=straight_wall(3, e0=1000.0, n0=2000.0),
        pickups=[shot("P1", 1000.0 - west_mm / 1000, 2000.0), shot("P3", 1001.5, 2000.0)],
        tilts=[tilt("P1", 12.0), tilt("P3", 12.0)],
        control=list(control),
        set_out=list(approved),
    )
    result = reconcile(to_survey(site))
    listed = set_out_list(result, [], plain=plain)
    count = write_set_out(path / "marks.csv", result, listed, columns=columns, control=with_control)
    with (path / "marks.csv").open(encoding="utf-8", newline="") as stream:
        found = list(csv.DictReader(stream))
    assert len(found) == count
    return found


def test_an_advised_mark(tmp_path):
    (row,) = rows(tmp_path)
    assert row == {
        "point": "P2",
        "easting": "1000.735",
        "northing": "2000.000",
        "level": "4.000",
        "code": "advised",
        "wall": "A",
        "kind": "secondary",
        "diameter_mm": "880",
        "move_e_mm": "-15.0",
        "move_n_mm": "0.0",
    }


@pytest.mark.parametrize(
    ("asked", "code", "easting"),
    [
        ({"plain": True}, "design", "1000.750"),
        ({"west_mm": 10.0}, "design", "1000.750"),
        (
            {
                "approved": [
                    {"pile_id": "P2", "easting": 1000.74, "northing": 2000, "approved_by": "N. N.", "at": "2025-03-01"}
                ]
            },
            "approved",
            "1000.740",
        ),
    ],
)
def test_the_code_says_where_a_centre_comes_from(tmp_path, asked, code, easting):
    (row,) = rows(tmp_path, **asked)
    assert (row["code"], row["easting"]) == (code, easting)


def test_columns_come_in_the_order_asked_for(tmp_path):
    rows(tmp_path, columns=["code", "point"])
    assert (tmp_path / "marks.csv").read_bytes() == b"code,point\nadvised,P2\n"


def test_control_points_have_neither_level_nor_offset(tmp_path):
    control = [{"point": "CP1", "easting": 990.1234, "northing": 2010.0, "map_e": 5e5, "map_n": 6e6, "sigma_mm": 2.0}]
    assert len(rows(tmp_path, control=control)) == 1
    last = rows(tmp_path, control=control, with_control=True)[1]
    assert (last["point"], last["easting"], last["code"]) == ("CP1", "990.123", "control")
    assert (last["level"], last["move_e_mm"], last["diameter_mm"]) == ("", "", "")


def test_a_name_that_a_spreadsheet_would_run_is_not_run(tmp_path):
    control = [{"point": "=A1", "easting": 990.0, "northing": 2010.0, "map_e": 5e5, "map_n": 6e6, "sigma_mm": 2.0}]
    assert rows(tmp_path, control=control, with_control=True)[1]["point"] == "'=A1"


def test_a_control_point_that_stands_out_is_marked(tmp_path):
    """Six points on a ring, the last 40 mm off on the map."""
    turn = 2 * np.pi * np.arange(6) / 6
    site = np.column_stack([1000 + 25 * np.sin(turn), 2000 + 18 * np.cos(turn)])
    on_map = np.array([5e5, 6e6]) + site
    on_map[5, 0] += 0.04
    names = ("point", "easting", "northing", "map_e", "map_n", "sigma_mm")
    control = [
        dict(zip(names, (f"CP{k}", *at, *there, 2.0), strict=True))
        for k, (at, there) in enumerate(zip(site.tolist(), on_map.tolist(), strict=True), start=1)
    ]
    found = rows(tmp_path, control=control, with_control=True, grid='\n[grid]\nmap_crs = "EPSG:25831"\n')
    assert [row["code"] for row in found[1:]] == ["control"] * 5 + ["control-suspect"]
