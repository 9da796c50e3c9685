"""The tables of a control sheet: the points with what is left over, and where the site grid lies on the map."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.figures import figure, figure_list
from asbuilt.output.sheets.table import Column, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.model import ControlFit, Floats, Reconciliation, SiteGrid

__all__ = ["parameter_table", "point_table", "verdict_words"]

def _figures(values: Floats, decimals: int, *, limit: float = np.nan, sign: bool = False) -> list[str]:
    return figure_list(values, decimals, np.full(len(values), limit), plus=sign)


def verdict_words(fit: ControlFit) -> list[str]:
    """Return what the test says of each point."""
    beyond = np.nan_to_num(fit.w) > fit.limit
    words = np.where(np.isnan(fit.w), "no check", np.where(beyond, "beyond", "fits")).astype(object)
    if fit.suspect >= 0:
        words[fit.suspect] = "stands out"
    said: list[str] = words.tolist()
    return said


def point_table(result: Reconciliation, fit: ControlFit) -> Table:
    """Return the control points as a table: coordinates, residuals, test."""
    control = result.survey.control
    length = np.hypot(fit.residual_e, fit.residual_n) * 1000.0
    return Table(
        columns=(
            Column(title="point", cells=[str(name) for name in fit.points], wraps=True, least=6.0),
            _column("east", _figures(control["easting"], 3), "m", group="site grid"),
            _column("north", _figures(control["northing"], 3), "m", group="site grid"),
            _column("east", _figures(control["map_e"], 3), "m", group="map"),
            _column("north", _figures(control["map_n"], 3), "m", group="map"),
            _column("s.d.", _figures(fit.sigma * 1000.0, 1), "mm", group="map"),
            _column("east", _figures(fit.residual_e * 1000.0, 1, sign=True), "mm", group="residual"),
            _column("north", _figures(fit.residual_n * 1000.0, 1, sign=True), "mm", group="residual"),
            _column("length", _figures(length, 1), "mm", group="residual"),
            _column("redundancy", _figures(fit.redundancy, 2), ""),
            _column("w", _figures(fit.w, 2, limit=fit.limit), ""),
            _column("found from", _figures(fit.detectable * 1000.0, 0), "mm"),
            Column(title="test", cells=verdict_words(fit)),
        )
    )


def _column(title: str, cells: Sequence[str], unit: str, *, group: str = "") -> Column:
    return Column(title=title, cells=cells, unit=unit, align="figure", group=group)


def parameter_table(grid: SiteGrid, fit: ControlFit | None) -> Table:
    """Return the parameters of the site grid with their standard deviations, and the projection's own scale."""
    placed = grid.similarity
    least, most = grid.map_scale_range
    own = f"{_ppm(least)} to {_ppm(most)}" if most - least > 1e-6 else _ppm(grid.map_scale)
    rows = [
        ("site grid origin, map east", figure(placed.origin_e, digits=3), _deviation(grid.u_origin, 3), "m"),
        ("site grid origin, map north", figure(placed.origin_n, digits=3), _deviation(grid.u_origin, 3), "m"),
        ("rotation \u03b8", figure(placed.rotation_deg, digits=6), _deviation(grid.u_rotation_deg, 6), "\u00b0"),
        ("scale", f"{placed.scale:.8f}", _deviation(grid.u_scale, 8), ""),
        ("scale less 1", _ppm(placed.scale), _deviation(grid.u_scale * 1e6, 1), "ppm"),
        ("projection's own, less 1", own, "", "ppm"),
        ("a pile's place on the map", "", _deviation(grid.u_piles * 1000.0, 1), "mm"),
    ]
    if fit is not None and np.isfinite(fit.s0):
        known = fit.sigmas_known
        value = f"{fit.s0:.2f}" if known else f"{fit.s0 * 1000.0:.1f}"
        rows.append((f"unit weight, {fit.degrees_of_freedom} degrees of freedom", "", value, "" if known else "mm"))
    names, values, deviations, units = zip(*rows, strict=True)
    return Table(
        columns=(
            Column(title="site grid to map", cells=names),
            Column(title="value", cells=values, align="figure"),
            Column(title="s.d.", cells=deviations, align="figure"),
            Column(title="unit", cells=units),
        )
    )


def _ppm(scale: float) -> str:
    return figure((scale - 1.0) * 1e6, plus=True)


def _deviation(value: float, decimals: int) -> str:
    """Return a standard deviation with ``decimals`` decimals, and more rather than a zero that it is not."""
    return figure(value, 0.0, digits=decimals)
