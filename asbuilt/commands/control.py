"""What the summary says of the control points and of the site grid's place on the map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.commands._shared import wrapped
from asbuilt.compute.wording import number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Reconciliation, SiteGrid

__all__ = ["control_lines", "control_object"]


def control_object(result: Reconciliation) -> dict[str, Any] | None:
    """Return the block ``control`` of ``run --json``; None where there are neither control points nor a map CRS."""
    fit, grid = result.control, result.grid
    if fit is None and grid is None:
        return None
    return {
        "state": "parameters" if fit is None else fit.state,
        "text": _sentences(result),
        **_points(result),
        "grid": _grid(result),
    }


def control_lines(result: Reconciliation) -> Iterator[str]:
    """Yield the same as text, 80 columns wide; nothing where there is nothing to say."""
    if result.control is None and result.grid is None:
        return
    yield ""
    if result.grid is None:
        yield "Control"
    else:
        yield from wrapped(f"{result.grid.map_crs} ({result.grid.map_name})", first="Control, site grid on ")
    for sentence in _sentences(result):
        yield from wrapped(sentence, first="  ", rest="    ")


def _sentences(result: Reconciliation) -> list[str]:
    said = [text for part in (result.control, result.grid) if part is not None for text in part.text]
    return said if result.grid is None else [*said, *_placed(result.grid)]


def _placed(grid: SiteGrid) -> Iterator[str]:
    """Yield where the site grid lies on the map, each figure with its standard deviation where there is one."""
    placed = grid.similarity
    known = np.isfinite(grid.u_rotation_deg)
    origin = f" (standard deviation {number(grid.u_origin * 1e3, 1)} mm per axis)" if known else ""
    turn = f" (standard deviation {number(grid.u_rotation_deg * 3600.0, 1)} seconds of arc)" if known else ""
    yield (
        f"The site grid's origin lies at E {number(placed.origin_e, 3)}, N {number(placed.origin_n, 3)} on the "
        f"map{origin}; site-grid north lies {number(placed.rotation_deg, 6)} degrees clockwise of map north{turn}."
    )


def _points(result: Reconciliation) -> dict[str, Any]:
    fit = result.control
    if fit is None:
        return {"points": 0, "degrees_of_freedom": 0, "largest_residual_mm": None, "suspect": None}
    length = np.hypot(fit.residual_e, fit.residual_n) * 1000.0
    ids = result.survey.design["pile_id"]
    # The residuals of a fit without standard deviations are metres, and so is what they come to.
    unit = "s0" if fit.sigmas_known else "s0_mm"
    return {
        "points": len(fit.points),
        "degrees_of_freedom": fit.degrees_of_freedom,
        unit: _number(fit.s0 if fit.sigmas_known else fit.s0 * 1000.0),
        "largest_residual_mm": _number(length.max()) if len(length) else None,
        "largest_w": _number(np.nanmax(fit.w)) if np.isfinite(fit.w).any() else None,
        "w_limit": _number(fit.limit),
        "suspect": None if fit.suspect < 0 else str(fit.points[fit.suspect]),
        "piles_outside_hull": [str(name) for name in ids[fit.outside]],
    }


def _grid(result: Reconciliation) -> dict[str, Any] | None:
    grid = result.grid
    if grid is None:
        return None
    placed = grid.similarity
    return {
        "source": grid.source,
        "map_crs": grid.map_crs,
        "map_name": grid.map_name,
        "origin_e": placed.origin_e,
        "origin_n": placed.origin_n,
        "rotation_deg": placed.rotation_deg,
        "scale": placed.scale,
        "map_scale": grid.map_scale,
        "u_origin_mm": _number(grid.u_origin * 1000.0),
        "u_rotation_deg": _number(grid.u_rotation_deg),
        "u_scale_ppm": _number(grid.u_scale * 1e6),
        "u_piles_mm": _number(grid.u_piles * 1000.0),
    }


def _number(value: float) -> float | None:
    """Return a number for JSON; None where it is not known."""
    return float(value) if np.isfinite(value) else None
