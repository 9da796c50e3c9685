"""The site grid and its coordinate reference system."""

from __future__ import annotations

__all__ = ["engineering_crs_wkt"]


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
    shown = "".join(" " if sign < " " or sign == "\x7f" else sign for sign in site_name)
    name = " ".join(shown.split()).replace('"', '""')
    metre = 'LENGTHUNIT["metre",1]'
    return (
        f'ENGCRS["Site grid of {name}",EDATUM["Site datum of {name}"],CS[Cartesian,2],'
        f'AXIS["easting (E)",east,ORDER[1],{metre}],AXIS["northing (N)",north,ORDER[2],{metre}]]'
    )
