"""The fit of the control points in sentences, for the summary and the sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.control_fit import fit_similarity
from asbuilt.compute.grid import to_map
from asbuilt.compute.wording import beyond, number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.control_fit import Judgement, Points, SimilarityFit
    from asbuilt.model import Floats, Integers, Similarity, Survey

__all__ = ["control_words", "exchanged", "grid_words", "tie_words"]

#: A fit with easting and northing exchanged is spoken of when it is so many times as good.
_MUCH_BETTER = 20.0
#: Least points of which a hull, and an exchange of coordinates, can be spoken of.
_THREE = 3
#: A difference of directions in a projection's scale that is worth a word.
_ALIKE = 1e-6
#: A difference of so many standard deviations is not explained by them.
_UNEXPLAINED = 3.0


def control_words(
    survey: Survey,
    points: Points,
    residual: Floats,
    *,
    fit: SimilarityFit | None,
    test: Judgement,
    outside: Integers,
    farthest: float,
) -> Iterator[str]:
    """Yield what the control points say of themselves.

    Parameters
    ----------
    survey
        Whose piles they are held against.
    points, residual
        The points, and computed minus given on the map (k, 2) [m].
    fit, test
        The fit, None where parameters stand in its place, and what its residuals say.
    outside, farthest
        Piles outside the hull of the points, and how far the farthest lies [m].
    """
    length = np.hypot(residual[:, 0], residual[:, 1]) * 1000.0
    worst = int(np.argmax(length))
    largest = f"Largest residual {number(float(length[worst]), 1)} mm, at {points.name[worst]}"
    many = f"{len(points)} control point{'s' * (len(points) != 1)}"
    if fit is None:
        yield f"{many}, not fitted: held against the parameters of site.toml. {largest}."
        return
    yield f"{many} fitted, {fit.degrees_of_freedom} degrees of freedom."
    if fit.degrees_of_freedom:
        yield f"{largest}; {_unit_weight(points, fit)}."
    blank = points.name[np.isnan(points.sigma)].tolist()
    if 0 < len(blank) < len(points):
        yield f"sigma_mm is blank for {', '.join(blank)}: all points weigh alike, and none of them is used."
    yield _verdict(points, fit, test)
    yield from exchanged(points, fit)
    if len(points) >= _THREE:
        yield _hull(survey, outside, farthest)


def _unit_weight(points: Points, fit: SimilarityFit) -> str:
    if points.known:
        return f"standard deviation of unit weight {number(fit.s0, 2)}, 1 expected"
    return f"standard deviation from the residuals {number(fit.s0 * 1000.0, 1)} mm per axis"


def _verdict(points: Points, fit: SimilarityFit, test: Judgement) -> str:
    if test.state == "no check":
        return "Two points fit whatever they are: there is no check on them."
    if test.state == "residuals only":
        return "Without sigma_mm nothing tells whether the residuals of three points are large: this is no check."
    if test.state == "suspect":
        return _suspect(points, fit, test)
    largest, limit = float(np.nanmax(test.w, initial=0.0)), test.limit
    figures = f"w {beyond(largest, limit, places=2)}, limit {number(limit, 2)}"
    if test.state == "fits":
        if len(points) == _THREE:
            return f"The three points agree ({figures}). With three, an error could not be laid to one of them."
        return f"No point stands out ({figures})."
    if len(points) == _THREE:
        return f"Something is wrong with them ({figures}), but of three points none can be named. Measure a fourth."
    return (
        f"The residuals are larger than sigma_mm lets expect, but no point stands out ({figures}): sigma_mm is too "
        "small, or more than one point is wrong."
    )


def _suspect(points: Points, fit: SimilarityFit, test: Judgement) -> str:
    """Return the sentence on the point that stands out: where it is given, from where all others put it."""
    k = test.suspect
    east, north = (-float(r[k]) / float(fit.redundancy[k]) * 1000.0 for r in (fit.residual_e, fit.residual_n))
    away = number(float(np.hypot(east, north)), 1)
    return (
        f"{points.name[k]} stands out: w {beyond(float(test.w[k]), test.limit, places=2)}, limit "
        f"{number(test.limit, 2)}. It is given {away} mm from where the other points put it (east {number(east, 1)}, "
        f"north {number(north, 1)} mm). It was not left out: check its mark, its name and its coordinates."
    )


def exchanged(points: Points, fit: SimilarityFit | None) -> Iterator[str]:
    """Yield a sentence where the points would fit far better with easting and northing exchanged."""
    if fit is None or len(points) < _THREE:
        return
    turned = fit_similarity(points.site, points.on_map[:, ::-1])
    as_given, other = (float(np.hypot(f.residual_e, f.residual_n).max()) for f in (fit, turned))
    if as_given > _MUCH_BETTER * max(other, 1e-6):
        yield (
            "With easting and northing exchanged in one of the two grids the largest residual would be "
            f"{number(other * 1000.0, 1)} mm in place of {number(as_given, 2)} m."
        )


def _hull(survey: Survey, outside: Integers, farthest: float) -> str:
    count = len(outside)
    if not count:
        return "All piles lie within the hull of the control points."
    names = survey.design["pile_id"][outside[:_THREE]].tolist()
    listed = ", ".join(names) + (", \u2026" if count > len(names) else "")
    return (
        f"{count} of {len(survey.design)} piles lie{'s' * (count == 1)} outside the hull of the control points, by up "
        f"to {number(farthest, 2)} m ({listed}): there the fit is extended, not held."
    )


def tie_words(points: Points, fit: SimilarityFit | None, test: Judgement) -> str:
    """Return what places the site grid on the map, and what is wrong with it, in a clause for every output."""
    if fit is None:
        return "by the parameters of site.toml, which nothing checks"
    said = {
        "suspect": f"by a fit in which {points.name[test.suspect]} stands out",
        "at odds": "by a fit in which something is wrong, but not which point",
        "no check": "by two control points, with no check on them",
        "residuals only": "by three control points, with no check on them",
    }
    return said.get(test.state, f"by a fit of {len(points)} control points")


def grid_words(
    survey: Survey,
    chosen: Similarity,
    *,
    points: Points,
    fit: SimilarityFit | None,
    test: Judgement,
    stated: Similarity | None,
    scales: tuple[float, float, float],
    u_piles: float,
    moved: tuple[float, float],
) -> Iterator[str]:
    """Yield what places the site grid on the map, and its scale against the projection's own.

    Parameters
    ----------
    survey
        Whose site it is.
    chosen, fit, stated
        The similarity used; the fit that it comes from, None where it is the stated one; the stated one, if any.
    points, test
        The control points, and what their residuals say.
    scales
        The projection's own scale there, and the least and greatest of all directions.
    u_piles
        Greatest standard deviation of a pile's place on the map that comes from the fit [m], per axis.
    moved
        How far the piles would move at least and at most without the point that stands out [m]; NaN without one.
    """
    if fit is None:
        yield "The site grid is placed by the parameters of site.toml; nothing tells how good they are."
    own, least, most = scales
    apart = (chosen.scale / own - 1.0) * 1e6
    range_ = f" (from {_ppm(least)} to {_ppm(most)} by direction)" if most - least > _ALIKE else ""
    u_scale = np.nan if fit is None or not test.holds else fit.u_turn * 1e6
    of_fit = "" if np.isnan(u_scale) else f", standard deviation {number(u_scale, 1)} ppm"
    yield (
        f"Scale {number(chosen.scale, 8)} ({_ppm(chosen.scale)}{of_fit}); the projection's own there is "
        f"{number(own, 8)} ({_ppm(own)}){range_}. They differ by {number(apart, 1)} ppm, "
        f"{number(abs(apart) / 10.0, 1)} mm in 100 m{_beside_uncertainty(apart, u_scale)}."
    )
    if fit is not None:
        yield from _piles_placed(points, test, u_piles=u_piles, moved=moved)
    if fit is not None and stated is not None:
        yield _against_stated(survey, chosen, stated)


def _beside_uncertainty(apart: float, u: float) -> str:
    """Say whether a difference [ppm] is within what its standard deviation explains; "" where there is none."""
    if np.isnan(u) or u <= 0.0:
        return ""
    times = abs(apart) / u
    if times < 1.0:
        return ", less than the standard deviation of the fitted scale"
    judged = "more than it explains" if times > _UNEXPLAINED else "which it explains"
    return f", {beyond(times, _UNEXPLAINED, places=1)} standard deviations of the fitted scale, {judged}"


def _piles_placed(
    points: Points, test: Judgement, *, u_piles: float, moved: tuple[float, float]
) -> Iterator[str]:
    """Yield how well the fit places the piles on the map, or why that is not known."""
    not_known = "How well the fit places a pile on the map is not known: "
    if test.state == "suspect":
        yield f"{not_known}{points.name[test.suspect]} stands out.{_without(str(points.name[test.suspect]), moved)}"
    elif test.state == "at odds":
        yield f"{not_known}something is wrong with the control points, but not which point."
    elif np.isnan(u_piles):
        yield f"{not_known}two points have no redundancy, and sigma_mm is not given for both."
    else:
        places = f"up to {number(u_piles * 1e3, 1)} mm per axis"
        unchecked = ", where sigma_mm is true: nothing checks it" if test.state == "no check" else ""
        yield f"The fit gives a pile's place on the map a standard deviation of {places}{unchecked}."


def _without(name: str, moved: tuple[float, float]) -> str:
    if np.isnan(moved[0]):
        return ""
    least, most = (number(one * 1000.0, 1) for one in moved)
    by = f"{least} to {most}" if least != most else most
    return f" Fitted without {name} the piles would lie {by} mm elsewhere."


def _ppm(scale: float) -> str:
    return f"{number((scale - 1.0) * 1e6, 1)} ppm"


def _against_stated(survey: Survey, fitted: Similarity, stated: Similarity) -> str:
    """Return how far apart control points and stated parameters put the piles."""
    places = survey.design["easting"], survey.design["northing"]
    (e, n), (other_e, other_n) = to_map(fitted, *places), to_map(stated, *places)
    away = float(np.hypot(other_e - e, other_n - n).max(initial=0.0)) * 1000.0
    turn = (stated.rotation_deg - fitted.rotation_deg + 180.0) % 360.0 - 180.0
    scale = number((stated.scale / fitted.scale - 1.0) * 1e6, 1)
    return (
        "site.toml states parameters too, and the control points go before them: by the parameters piles would lie up "
        f"to {number(away, 1)} mm elsewhere (scale {scale} ppm, rotation {number(turn * 3600.0, 1)} seconds of arc)."
    )
