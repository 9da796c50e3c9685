"""What is said of a load that is shifted, turned or scaled as a whole: figures, causes, and what it can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.control import place_site
from asbuilt.compute.wording import beyond, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.compute.blunders_groups import Ground, Groups
    from asbuilt.compute.blunders_load import LoadFit
    from asbuilt.compute.blunders_points import CheckShots
    from asbuilt.model import Survey

__all__ = ["load_findings"]

#: A turn or scale about a point no farther than this from the piles explains their shift too [m].
_PIVOT_M = 300.0
#: A scale this near to the projection's own, or to its inverse, is told as such [1].
_SAME_SCALE = 5e-5
#: A shift of more is another grid or datum rather than a station [m].
_OTHER_GRID = 1.0


def load_findings(
    survey: Survey, ground: Ground, groups: Groups, checks: CheckShots, fits: Sequence[LoadFit]
) -> Iterator[Finding]:
    """Yield the findings of whole loads or set-ups: a turn and a scale, or else a shift.

    A turn or scale about a point near the piles moves their middle as well; the shift is then told with it.
    """
    for fit in fits:
        shift = float(np.hypot(*fit.shift))
        rate = float(np.hypot(fit.turn if fit.turned else 0.0, fit.scale if fit.scaled else 0.0))
        proof = _checked(checks, survey, groups, fit)
        if fit.turned:
            yield _finding(survey, ground, groups, fit, "turned_load", _turned(survey, fit) + proof)
        if fit.scaled:
            yield _finding(survey, ground, groups, fit, "scaled_load", _scaled(survey, fit) + proof)
        if fit.shifted and (not rate or shift / rate > _PIVOT_M):
            yield _finding(survey, ground, groups, fit, "shifted_load", _shifted(survey, fit) + proof)


def _finding(survey: Survey, ground: Ground, groups: Groups, fit: LoadFit, kind: str, text: str) -> Finding:
    t = survey.pickups
    rows = groups.row[fit.points]
    row = int(rows[np.lexsort((t.line[rows], t.file[rows]))[0]])
    path, line = ground.files[int(t.file[row])], int(t.line[row])
    setups = np.unique(groups.setup[fit.points])
    of_file = np.unique(groups.setup[groups.file == groups.file[fit.points[0]]])
    item = str(t["setup"][row]) if len(setups) == 1 and len(of_file) > 1 else path
    return Finding(severity="query", kind=kind, item=item, text=text, file=path, line=line, column="easting")


def _mm(length: float) -> str:
    return f"{number(length * 1000)} mm" if abs(length) < 1.0 else f"{number(length, 2)} m"


def _signed(length: float) -> str:
    return f"{round(length * 1000):+d} mm" if abs(length) < 1.0 else f"{length:+.2f} m"


def _who(fit: LoadFit) -> str:
    used, every = int(fit.inliers.sum()), len(fit.inliers)
    return f"{used} piles" if used == every else f"{used} of {every} piles"


def _shifted(survey: Survey, fit: LoadFit) -> str:
    e, n = fit.shift
    length = float(np.hypot(e, n))
    bearing = float(np.degrees(np.arctan2(e, n))) % 360.0
    statistic = beyond(fit.shift_statistic, fit.shift_limit, places=1)
    inwards = ""
    if np.isfinite(fit.inwards) and abs(fit.inwards) > 0.5 * length:
        inwards = f"; {_mm(abs(fit.inwards))} {'towards' if fit.inwards > 0 else 'away from'} the pit on average"
    causes = "a wrong backsight or control point, a disturbed station, or piles that were set out or have moved so"
    if length > _OTHER_GRID:
        causes = "another grid or datum, a wrong control point" + _scaled_coordinates(survey, fit)
    return (
        f"{_who(fit)} lie on average {_mm(length)} off towards {number(bearing)} degrees (E {_signed(e)}, "
        f"N {_signed(n)}{inwards}; statistic {statistic}, limit {number(fit.shift_limit, 1)}, with a scatter of "
        f"{number(fit.placing * 1000)} mm among piles and {number(fit.batch * 1000)} mm among loads; this load would "
        f"show {_mm(fit.seen_shift)} four times in five): {causes}"
    )


def _grid_scale(survey: Survey) -> float | None:
    """Return map metres for one metre of the site grid: as control points or the site file have it, None for neither.

    The control points are fitted only when a load needs it: that takes the loading of the map's CRS.
    """
    if survey.settings.grid.map_crs is None:
        return None
    grid = place_site(survey)[1]
    return None if grid is None else grid.similarity.scale


def _scaled_coordinates(survey: Survey, fit: LoadFit) -> str:
    """Say so where the projection's scale on the coordinates themselves would make this shift."""
    scale = _grid_scale(survey)
    if scale is None:
        return ""
    place = np.array(fit.middle) + survey.origin
    for factor in (scale, 1.0 / scale):
        if np.hypot(*(place * (factor - 1.0) - fit.shift)) < 0.05 * np.hypot(*fit.shift):
            return f", or coordinates multiplied by the grid's scale {scale:.6f} or its inverse"
    return ""


def _turned(survey: Survey, fit: LoadFit) -> str:
    degrees, end = float(np.degrees(fit.turn)), fit.extent * abs(fit.turn)
    times = beyond(abs(fit.turn) / fit.turn_sigma, fit.factor, places=1)
    seen = float(np.degrees(fit.seen(fit.turn_sigma)))
    return (
        f"{_who(fit)} are turned by {abs(degrees):.3f} degrees {'counter-clockwise' if degrees > 0 else 'clockwise'} "
        f"({_mm(end)} at {number(fit.extent)} m from their middle, {times} standard deviations, limit "
        f"{number(fit.factor, 2)}; this load would show {seen:.3f} degrees four times in five)"
        f"{_pivot(survey, fit)}: a wrong backsight, or a station or backsight that was disturbed"
    )


def _pivot(survey: Survey, fit: LoadFit) -> str:
    """Name the point that the turn and scale leave in place, where the load is shifted as well."""
    if not fit.shifted:
        return ""
    turn, scale = fit.turn, fit.scale if fit.scaled else 0.0
    rate = (1.0 + scale) * np.exp(1j * turn) - 1.0
    still = complex(*fit.middle) + complex(*survey.origin) - complex(*fit.shift) / rate
    return (
        f", and their middle lies {_mm(float(np.hypot(*fit.shift)))} off (E {_signed(fit.shift[0])}, N "
        f"{_signed(fit.shift[1])}), as a turn about E {number(still.real, 1)}, N {number(still.imag, 1)} gives"
    )


def _scaled(survey: Survey, fit: LoadFit) -> str:
    ppm = fit.scale * 1e6
    times = beyond(abs(fit.scale) / fit.scale_sigma, fit.factor, places=1)
    seen = fit.seen(fit.scale_sigma) * 1e6
    causes = "a scale factor applied twice or not at all, another unit of length, or piles that have moved apart so"
    own = _grid_scale(survey)
    if own is not None:
        causes += f"; the grid's own scale is {(own - 1.0) * 1e6:+.0f} ppm"
        if min(abs(fit.scale - (own - 1.0)), abs(fit.scale + (own - 1.0))) < max(_SAME_SCALE, 2.0 * fit.scale_sigma):
            causes += ", which would explain it"
    return (
        f"{_who(fit)} lie too {'far apart' if ppm > 0 else 'close together'} by {abs(ppm):.0f} ppm "
        f"({_mm(fit.extent * abs(fit.scale))} at {number(fit.extent)} m from their middle, movement towards the pit "
        f"taken off; {times} standard deviations, limit {number(fit.factor, 2)}; this load would show {seen:.0f} ppm "
        f"four times in five): {causes}"
    )


def _checked(checks: CheckShots, survey: Survey, groups: Groups, fit: LoadFit) -> str:
    """Say what the check shots of the same set-ups prove."""
    t = survey.pickups
    setups, files = set(t["setup"][groups.row[fit.points]].tolist()), set(groups.file[fit.points].tolist())
    own = [
        k
        for k, row in enumerate(checks.row.tolist())
        if t["setup"][row] in setups and int(t.file[row]) in files
    ]
    if not own:
        return (
            "; only check shots on control points can tell an error of the survey from a real movement: there are none"
        )
    alone = bool(checks.by_control[own].all())
    if checks.bad[own].any():
        of = "" if alone else " those of other set-ups"
        return f"; its check shots lie off{of} too: the survey is wrong, not the piles"
    names = ", ".join(str(t["point"][checks.row[k]]) for k in own)
    worst = max(float(np.hypot(checks.e[k], checks.n[k])) for k in own)
    agree = f"agree within {_mm(worst)}" if alone else f"agree with other set-ups within {_mm(worst)}"
    return f"; its check shots ({names}) {agree}, so a real movement or another set-out is likelier"
