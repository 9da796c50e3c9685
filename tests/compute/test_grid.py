"""The site grid's coordinate reference system."""

from __future__ import annotations

import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely
from pyproj import CRS

from asbuilt.compute.grid import engineering_crs_wkt

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
