"""The site grid: its place on the map, and its coordinate reference system."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.model import Similarity

if TYPE_CHECKING:
    from pyproj import CRS

    from asbuilt.model import Floats

__all__ = [
    "derived_crs",
    "engineering_crs_wkt",
    "map_crs",
    "point_scale",
    "proj_versions",
    "similarity",
    "to_map",
    "to_site",
]

#: Parameters of the affine transformation, EPSG method 9624: names, codes and units.
_AFFINE = (
    ("A0", 8623, "metre"),
    ("A1", 8624, "unity"),
    ("A2", 8625, "unity"),
    ("B0", 8639, "metre"),
    ("B1", 8640, "unity"),
    ("B2", 8641, "unity"),
)
_SCHEMA = "https://proj.org/schemas/v0.5/projjson.schema.json"


def similarity(*, origin_e: float, origin_n: float, rotation_deg: float, scale: float) -> Similarity:
    """Return the similarity of given parameters.

    Parameters
    ----------
    origin_e, origin_n
        Where the site grid's origin lies on the map [m].
    rotation_deg
        θ [deg].
    scale
        Map metres for one metre of the site grid.

    Notes
    -----
    E' = origin_e + scale (E cos θ + N sin θ), N' = origin_n + scale (−E sin θ + N cos θ).

    References
    ----------
    IOGP Publication 373-7-2, *Coordinate Conversions and Transformations including Formulas*, similarity
    transformation (EPSG method 9621).
    """
    turn = np.radians(rotation_deg)
    return Similarity(
        a=float(scale * np.cos(turn)), b=float(-scale * np.sin(turn)), origin_e=origin_e, origin_n=origin_n
    )


def to_map(grid: Similarity, e: Floats, n: Floats) -> tuple[Floats, Floats]:
    """Return map easting and northing [m] of site-grid easting and northing [m], of any one shape."""
    return grid.origin_e + grid.a * e - grid.b * n, grid.origin_n + grid.b * e + grid.a * n


def to_site(grid: Similarity, map_e: Floats, map_n: Floats) -> tuple[Floats, Floats]:
    """Return site-grid easting and northing [m] of map easting and northing [m], of any one shape."""
    e, n = map_e - grid.origin_e, map_n - grid.origin_n
    square = grid.a**2 + grid.b**2
    return (grid.a * e + grid.b * n) / square, (grid.a * n - grid.b * e) / square


def map_crs(name: str) -> CRS:
    """Return the map CRS of that name, such as ``EPSG:25831``, or of that WKT.

    Raises
    ------
    pyproj.exceptions.CRSError
        When there is none.
    """
    # Loading it takes longer than all of the fit: only a job with a map grid does.
    from pyproj import CRS

    return CRS.from_user_input(name)


def proj_versions() -> tuple[tuple[str, str], ...]:
    """Return the versions that a CRS and its scale depend on, as rows of the table ``provenance``."""
    import pyproj
    from pyproj.database import get_database_metadata

    return (
        ("version of proj", pyproj.proj_version_str),
        ("version of the EPSG dataset in proj", get_database_metadata("EPSG.VERSION") or "unknown"),
    )


def point_scale(crs: CRS, *, map_e: float, map_n: float) -> tuple[float, float, float]:
    """Return the projection's own scale at a place: map metres for one metre on the ellipsoid.

    Parameters
    ----------
    crs
        A projected CRS.
    map_e, map_n
        Easting and northing [m], in this order whatever the order of the CRS's axes.

    Returns
    -------
    tuple of float
        The scale as the root of the areal scale, and the least and the greatest of all directions: the axes of
        Tissot's indicatrix, alike where the projection keeps angles. NaN where the projection does not reach.
    """
    from pyproj import Proj, Transformer
    from pyproj.exceptions import ProjError

    if crs.geodetic_crs is None:
        return np.nan, np.nan, np.nan
    try:
        place = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(map_e, map_n, errcheck=True)
        factors = Proj(crs).get_factors(*place, errcheck=True)
    except ProjError:
        return np.nan, np.nan, np.nan
    found = np.array([np.sqrt(factors.areal_scale), factors.tissot_semiminor, factors.tissot_semimajor])
    if not np.isfinite(found).all():
        return np.nan, np.nan, np.nan
    return float(found[0]), float(found[1]), float(found[2])


def derived_crs(site_name: str, base: CRS, grid: Similarity) -> CRS:
    """Return the site grid as a CRS derived from the map CRS, so that whoever reads it finds the site on the map.

    Parameters
    ----------
    site_name
        Name of the site; the CRS is called ``Site grid of NAME``.
    base
        The map CRS: projected, easting and northing in metres.
    grid
        Site grid to map grid.

    Returns
    -------
    CRS
        A derived projected CRS, EPSG method 9624 (affine parametric transformation), easting before northing.

    Notes
    -----
    EPSG method 9621, the similarity itself, has no inverse in PROJ 9.1. The base is put into the order easting,
    northing, loses its identifier, and is renamed: from a base known to have the other order, by its identifier or its
    name, versions of PROJ take the two coordinates in different orders, and one of them misses by kilometres.

    References
    ----------
    IOGP Publication 373-7-2, affine parametric transformation (EPSG method 9624); ISO 19162:2019, derived projected
    CRS.
    """
    from pyproj import CRS

    site: dict[str, Any] = base.to_json_dict()
    for key in ("$schema", "id"):
        site.pop(key, None)
    site["name"] += " (E,N order)"
    site["coordinate_system"] = _axes("Easting", "Northing")
    square = grid.a**2 + grid.b**2
    first, second = grid.a / square, grid.b / square
    values = (
        -(first * grid.origin_e + second * grid.origin_n),
        first,
        second,
        second * grid.origin_e - first * grid.origin_n,
        -second,
        first,
    )
    name = f"Site grid of {_name(site_name)}"
    return CRS.from_json_dict(
        {
            "$schema": _SCHEMA,
            "type": "DerivedProjectedCRS",
            "name": name,
            "base_crs": site,
            "conversion": {
                "name": f"{name}, from the map grid",
                "method": {
                    "name": "Affine parametric transformation",
                    "id": {"authority": "EPSG", "code": 9624},
                },
                "parameters": [
                    {"name": key, "value": value, "unit": unit, "id": {"authority": "EPSG", "code": code}}
                    for (key, code, unit), value in zip(_AFFINE, values, strict=True)
                ],
            },
            "coordinate_system": _axes("Site easting", "Site northing"),
        }
    )


def _axes(east: str, north: str) -> dict[str, Any]:
    return {
        "subtype": "Cartesian",
        "axis": [
            {"name": name, "abbreviation": letter, "direction": direction, "unit": "metre"}
            for name, letter, direction in ((east, "E", "east"), (north, "N", "north"))
        ],
    }


def engineering_crs_wkt(site_name: str) -> str:
    """Return the CRS of a site grid that is not tied to the Earth, as WKT 2.

    Parameters
    ----------
    site_name
        Name of the site; the CRS is called ``Site grid of NAME``. Quotation marks are doubled as WKT asks, runs of
        blanks and control characters become one blank.

    Returns
    -------
    str
        An engineering CRS: easting, then northing [m].

    Notes
    -----
    It says that the coordinates are metres on a plane, and nothing of where that plane lies. A program that is asked
    for longitude and latitude all the same may return easting and northing unchanged, as if they were degrees.

    References
    ----------
    ISO 19162:2019, *Well-known text representation of coordinate reference systems* (engineering CRS).

    Examples
    --------
    >>> engineering_crs_wkt('The "Old" Yard')[:40]
    'ENGCRS["Site grid of The ""Old"" Yard",ED'
    """
    name = _name(site_name).replace('"', '""')
    metre = 'LENGTHUNIT["metre",1]'
    return (
        f'ENGCRS["Site grid of {name}",EDATUM["Site datum of {name}"],CS[Cartesian,2],'
        f'AXIS["easting (E)",east,ORDER[1],{metre}],AXIS["northing (N)",north,ORDER[2],{metre}]]'
    )


def _name(site_name: str) -> str:
    """Return a site's name on one line: runs of blanks and control characters become one blank."""
    return " ".join("".join(" " if sign < " " or sign == "\x7f" else sign for sign in site_name).split())
