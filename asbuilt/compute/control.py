"""Control points held against the map grid: least-squares fit, what it leaves over, and which point stands out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from asbuilt.columns import STATUSES
from asbuilt.compute.control_fit import Judgement, Points, SimilarityFit, fit_similarity, judge, moved_without
from asbuilt.compute.control_words import control_words, exchanged, grid_words, tie_words
from asbuilt.compute.grid import derived_crs, map_crs, point_scale, proj_versions, similarity, to_map
from asbuilt.compute.wording import number
from asbuilt.model import ControlFit, Similarity, SiteGrid

if TYPE_CHECKING:
    from asbuilt.model import Floats, Integers, Survey, Table

__all__ = ["place_site"]

#: A scale that is off the projection's own by more than this share is a blunder, not a grid.
MOST_OFF = 0.01
#: A map CRS that is written out, as WKT, is called by its name instead.
_SHORT = 40


def place_site(survey: Survey) -> tuple[ControlFit | None, SiteGrid | None]:
    """Return the fit of the control points, and where the site grid lies on the map; None for what there is not.

    Parameters
    ----------
    survey : Survey
        Its control points, and the map CRS and stated parameters of its settings. Control goes before parameters.

    Returns
    -------
    tuple
        The fit: None where there are neither control points nor a map CRS, or parameters alone. The grid: None where
        nothing places the site on a map, or only something that cannot be meant.
    """
    settings, control = survey.settings.grid, survey.control
    stated = _stated(survey)
    if settings.map_crs is None:
        return (_unfitted(survey, "site.toml names no map CRS (grid.map_crs)") if len(control) else None), None
    points = _points(control)
    fit, why = _fit(points)
    chosen = fit.similarity if fit is not None else stated
    if chosen is None:
        return _unfitted(survey, why), None
    crs = map_crs(settings.map_crs)
    scales = point_scale(crs, **_middle_on_map(survey, chosen))
    label = settings.map_crs if len(settings.map_crs) <= _SHORT else crs.name
    why = _implausible(chosen, scales, label, "the parameters of site.toml" if fit is None else "the control points")
    if why:
        return _unfitted(survey, why, *exchanged(points, fit)), None
    test = judge(points, fit)
    # Where something is wrong with the points, what their sigmas would give the fit is not how good it is.
    sure = fit if test.holds else None
    u_piles = np.nan if sure is None else _u_piles(survey, sure)
    words = grid_words(
        survey,
        chosen,
        points=points,
        fit=fit,
        test=test,
        stated=stated,
        scales=scales,
        u_piles=u_piles,
        moved=_moved(survey, points, fit, test),
    )
    grid = SiteGrid(
        source="parameters" if fit is None else "control",
        tie=tie_words(points, fit, test),
        text=tuple(words),
        map_crs=label,
        map_name=crs.name,
        similarity=chosen,
        u_scale=np.nan if sure is None else sure.u_turn,
        u_rotation_deg=np.nan if sure is None else float(np.degrees(sure.u_turn / chosen.scale)),
        u_origin=np.nan if sure is None else float(np.sqrt(sure.cov[2, 2])),
        u_piles=u_piles,
        map_scale=scales[0],
        map_scale_range=scales[1:],
        wkt=derived_crs(survey.settings.site.name, crs, chosen).to_wkt("WKT2_2019"),
        map_wkt=crs.to_wkt("WKT2_2019"),
        versions=proj_versions(),
    )
    return (_judged(survey, points, chosen, fit, test) if len(control) else None), grid


def _points(control: Table) -> Points:
    if not len(control):
        nothing = np.empty((0, 2))
        return Points(name=np.empty(0, dtype=object), site=nothing, on_map=nothing, sigma=np.empty(0))
    return Points(
        name=control["point"],
        site=np.column_stack([control["easting"], control["northing"]]),
        on_map=np.column_stack([control["map_e"], control["map_n"]]),
        sigma=np.asarray(control["sigma_mm"], dtype=np.float64) / 1000.0,
    )


def _fit(points: Points) -> tuple[SimilarityFit | None, str]:
    """Return the fit, or why there is none."""
    if not len(points):
        return None, "site.toml names a map CRS, but there are neither control points nor parameters"
    if len(points) == 1:
        return None, f"{points.name[0]} is the only control point, and two are needed"
    try:
        return fit_similarity(points.site, points.on_map, sigma=points.sigma if points.known else None), ""
    except ValueError as error:
        return None, str(error)


def _stated(survey: Survey) -> Similarity | None:
    """Return the similarity that site.toml states, None where it states none."""
    grid = survey.settings.grid
    if grid.origin_e is None or grid.origin_n is None or grid.rotation_deg is None or grid.scale is None:
        return None
    return similarity(origin_e=grid.origin_e, origin_n=grid.origin_n, rotation_deg=grid.rotation_deg, scale=grid.scale)


def _middle_on_map(survey: Survey, chosen: Similarity) -> dict[str, float]:
    """Return the middle of the design piles on the map [m]."""
    e, n = (np.array([np.mean(survey.design[name])]) for name in ("easting", "northing"))
    map_e, map_n = to_map(chosen, e, n)
    return {"map_e": float(map_e[0]), "map_n": float(map_n[0])}


def _implausible(chosen: Similarity, scales: tuple[float, float, float], crs: str, they: str) -> str:
    """Return why a similarity cannot be meant, "" where it can."""
    own, least, most = scales
    if np.isnan(own):
        return f"{crs} does not reach where {they} put the site: another map CRS, or other coordinates"
    if least * (1 - MOST_OFF) <= chosen.scale <= most * (1 + MOST_OFF):
        return ""
    return (
        f"{they} give a scale of {number(chosen.scale, 4)}, and {crs} has {number(own, 4)} there: look for feet, for "
        "exchanged coordinates, for a point under a wrong name, for another map CRS"
    )


def _u_piles(survey: Survey, fit: SimilarityFit) -> float:
    """Return the greatest standard deviation [m] that the fit gives a pile's place on the map, per axis."""
    square = (survey.design["easting"] - fit.middle[0]) ** 2 + (survey.design["northing"] - fit.middle[1]) ** 2
    return float(np.sqrt(fit.u_middle**2 + fit.u_turn**2 * square.max(initial=0.0)))


def _unfitted(survey: Survey, why: str, *more: str) -> ControlFit:
    points = _points(survey.control)
    nothing = np.full(len(points), np.nan)
    return ControlFit(
        state="not fitted",
        text=(f"The site grid has no place on a map: {why}.", *more),
        points=points.name,
        e=points.site[:, 0] - survey.origin[0],
        n=points.site[:, 1] - survey.origin[1],
        residual_e=nothing,
        residual_n=nothing,
        sigma=points.sigma,
        redundancy=nothing,
        w=nothing,
        detectable=nothing,
        limit=np.nan,
        suspect=-1,
        sigmas_known=points.known,
        degrees_of_freedom=0,
        s0=np.nan,
        hull=np.empty((0, 2)),
        outside=np.empty(0, dtype=np.int64),
        farthest=np.nan,
    )


def _moved(survey: Survey, points: Points, fit: SimilarityFit | None, test: Judgement) -> tuple[float, float]:
    """Return how far the piles would move on the map without the point that stands out [m]; NaN without one."""
    if fit is None or test.suspect < 0:
        return np.nan, np.nan
    places = np.column_stack([survey.design["easting"], survey.design["northing"]])
    return moved_without(points, fit, test.suspect, places)


def _judged(
    survey: Survey, points: Points, chosen: Similarity, fit: SimilarityFit | None, test: Judgement
) -> ControlFit:
    """Hold the points against the grid and say what stands out."""
    map_e, map_n = to_map(chosen, points.site[:, 0], points.site[:, 1])
    residual = np.column_stack([map_e, map_n]) - points.on_map
    redundancy = np.full(len(points), np.nan) if fit is None else fit.redundancy
    hull, outside, farthest = _outside(survey, points)
    return ControlFit(
        state=test.state,
        text=tuple(control_words(survey, points, residual, fit=fit, test=test, outside=outside, farthest=farthest)),
        points=points.name,
        e=points.site[:, 0] - survey.origin[0],
        n=points.site[:, 1] - survey.origin[1],
        residual_e=residual[:, 0],
        residual_n=residual[:, 1],
        sigma=points.sigma,
        redundancy=redundancy,
        w=test.w,
        detectable=test.detectable,
        limit=test.limit,
        suspect=test.suspect,
        sigmas_known=points.known,
        degrees_of_freedom=0 if fit is None else fit.degrees_of_freedom,
        s0=np.nan if fit is None else fit.s0,
        hull=hull,
        outside=outside,
        farthest=farthest,
    )


def _outside(survey: Survey, points: Points) -> tuple[Floats, Integers, float]:
    """Return the hull of the points, the places of the design piles outside it, how far the farthest lies [m]."""
    design = survey.design
    hull = shapely.convex_hull(shapely.MultiPoint(points.site - survey.origin))
    piles = shapely.points(
        np.column_stack([design["easting"] - survey.origin[0], design["northing"] - survey.origin[1]])
    )
    away = shapely.distance(piles, hull)
    away[design["status"] == STATUSES.index("omitted")] = 0.0
    corners = shapely.get_coordinates(hull)
    ring = corners[:-1] if hull.geom_type == "Polygon" else corners
    return ring, np.flatnonzero(away > 1e-6), float(away.max(initial=0.0))
