"""Findings that a run itself can make: readings that changed, axes that disagree, old pickups, design against built."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import OBJECTS, STATUSES
from asbuilt.compute.axes import PROFILE, axis_positions, axis_variances
from asbuilt.compute.centres import REPEAT_LIMIT
from asbuilt.compute.wording import beyond, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.compute.readings import Readings
    from asbuilt.model import Axes, Centres, ControlFit, Floats, Integers, Joints, Table, Texts
    from asbuilt.settings import Settings

__all__ = [
    "added_without_joint_findings",
    "axes_disagree_findings",
    "built_words",
    "control_findings",
    "drift_findings",
    "level_range_findings",
    "old_pickup_findings",
    "omitted_but_built_findings",
    "range_shortened_findings",
]


def drift_findings(readings: Readings, pile_ids: Texts) -> list[Finding]:
    """Return a finding for each pile whose lean changed by more than its readings' uncertainty explains (1 %)."""
    found = []
    for i in np.flatnonzero(readings.drift > 1.0).tolist():
        first, last = readings.start[i], readings.start[i + 1] - 1
        found.append(
            Finding(
                severity="note",
                kind="drift",
                item=str(pile_ids[i]),
                text=(
                    f"the lean changed: ({readings.slope_e[first] * 1000:+.1f}, "
                    f"{readings.slope_n[first] * 1000:+.1f}) mm/m "
                    f"east, north at {readings.level[first]:+.2f}, ({readings.slope_e[last] * 1000:+.1f}, "
                    f"{readings.slope_n[last] * 1000:+.1f}) at {readings.level[last]:+.2f}; "
                    f"{readings.drift[i]:.1f} times what the readings' uncertainty explains"
                ),
            )
        )
    return found


def old_pickup_findings(
    centres: Centres, newest_reading: Floats, settings: Settings, *, pile_ids: Texts, files: Sequence[str]
) -> list[Finding]:
    """Return a finding for each pile whose governing pickup is older than its deepest reading."""
    shot = centres.surveyed_at.astype("datetime64[ms]")
    known = ~np.isnat(shot) & ~np.isnan(newest_reading)
    late = np.zeros(len(shot), dtype=bool)
    late[known] = newest_reading[known] > shot[known].astype(np.int64)
    return [
        Finding(
            severity="note",
            kind="old_pickup",
            item=str(pile_ids[i]),
            text=(
                f"picked up {settings.site.time_text(shot[i])}, read deeper "
                f"{settings.site.time_text(np.datetime64(int(newest_reading[i]), 'ms'))}: "
                "the casing may have moved since"
            ),
            file=files[int(centres.file[i])],
            line=int(centres.line[i]),
        )
        for i in np.flatnonzero(late).tolist()
    ]


def level_range_findings(*tables: Table, settings: Settings, files: Sequence[str]) -> list[Finding]:
    """Return a finding for each level of the design, the pickups or the records outside ``lowest`` to ``highest``."""
    low, high = settings.levels.lowest, settings.levels.highest
    found = []
    for table in tables:
        for column in ("level", "cut_off_level", "toe_level"):
            if column not in table.columns:
                continue
            level = table[column]
            for row in np.flatnonzero((level < low) | (level > high)).tolist():
                item = table["pile_id"][row] or table["point"][row]
                found.append(
                    Finding(
                        severity="query",
                        kind="level_range",
                        item=str(item),
                        text=f"{level[row]:+.3f} lies outside the site's levels, {low:+.2f} to {high:+.2f}",
                        file=files[int(table.file[row])],
                        line=int(table.line[row]),
                        column=column,
                    )
                )
    return found


def axes_disagree_findings(
    axes: Axes, centres: Centres, readings: Readings, settings: Settings, *, pile_ids: Texts, files: Sequence[str]
) -> list[Finding]:
    """Return a finding for each group of shots, and each profile with tilts, beyond three standard uncertainties.

    In plan three standard uncertainties stand for the 0.27 % point of chi-square on two degrees of freedom.
    """
    g = centres.groups
    rows = (
        np.flatnonzero(g["solved"] & ~g["governing"] & ~np.isnan(centres.level[g["pile"]])) if g else np.empty(0, int)
    )
    found: list[Finding] = []
    if len(rows):
        pile = g["pile"][rows]
        level = g["level"][rows][:, None]
        e, n = (x[:, 0] for x in axis_positions(axes, pile, level))
        q2 = axis_variances(axes, pile, level)[:, 0]
        same = g["setup"][rows] == centres.setup[pile]
        shared = np.where(same, 0.0, 2 * centres.setup_var)
        cov = centres.cov[pile] + g["cov"][rows]
        d_e, d_n = g["e"][rows] - e, g["n"][rows] - n
        statistic = _mahalanobis(d_e, d_n, cov[:, 0] + shared + q2, cov[:, 1], cov[:, 2] + shared + q2)
        for k in np.flatnonzero(statistic > REPEAT_LIMIT).tolist():
            what = OBJECTS[int(g["object"][rows[k]])]
            found.append(
                Finding(
                    severity="note",
                    kind="axes_disagree",
                    item=str(pile_ids[pile[k]]),
                    text=(
                        f"a shot on the {what} at {level[k, 0]:+.2f} lies "
                        f"{np.hypot(d_e[k], d_n[k]) * 1000:.0f} mm from the "
                        f"axis there, {np.sqrt(statistic[k]):.1f} standard uncertainties"
                    ),
                    file=files[int(g["file"][rows[k]])],
                    line=int(g["line"][rows[k]]),
                )
            )
    found.extend(_tilts_beside_profiles(axes, readings, settings, pile_ids))
    return found


def _mahalanobis(d_e: Floats, d_n: Floats, ee: Floats, en: Floats, nn: Floats) -> Floats:
    statistic: Floats = (d_e * d_e * nn - 2 * d_e * d_n * en + d_n * d_n * ee) / (ee * nn - en * en)
    return np.where(np.isnan(statistic), 0.0, statistic)


def _tilts_beside_profiles(axes: Axes, readings: Readings, settings: Settings, pile_ids: Texts) -> list[Finding]:
    """Compare the deepest lean reading with the profile's mean slope from the surveyed level down to it."""
    piles: Integers = np.flatnonzero((axes.method == PROFILE) & (np.diff(readings.start) > 0))
    if not len(piles):
        return []
    last = readings.start[piles + 1] - 1
    levels = np.column_stack([axes.surveyed_level[piles], readings.level[last]])
    run = levels[:, 0] - levels[:, 1]
    piles, last, levels, run = piles[run > 1.0], last[run > 1.0], levels[run > 1.0], run[run > 1.0]
    e, n = axis_positions(axes, piles, levels)
    d_e = readings.slope_e[last] - (e[:, 1] - e[:, 0]) / run
    d_n = readings.slope_n[last] - (n[:, 1] - n[:, 0]) / run
    u = settings.uncertainty
    tilt = (u.tilt_mm_per_m**2 / readings.count[last] + u.tilt_systematic_mm_per_m**2) * 1e-6
    variance = tilt + axis_variances(axes, piles, levels)[:, 1] / run**2
    statistic = (d_e**2 + d_n**2) / variance
    return [
        Finding(
            severity="note",
            kind="axes_disagree",
            item=str(pile_ids[piles[k]]),
            text=(
                f"the lean reading at {levels[k, 1]:+.2f} differs by "
                f"{np.hypot(d_e[k], d_n[k]) * 1000:.1f} mm/m from the "
                f"profile, which governs: {np.sqrt(statistic[k]):.1f} standard uncertainties"
            ),
        )
        for k in np.flatnonzero(statistic > REPEAT_LIMIT).tolist()
    ]


def range_shortened_findings(joints: Joints, interlock_to: Floats) -> list[Finding]:
    """Return a finding for each joint whose range a design toe ends above ``interlock_to`` (m,) [m]."""
    bottom = joints["range_bottom"]
    return [
        Finding(
            severity="note",
            kind="range_shortened",
            item=str(joints["joint_id"][j]),
            text=(
                f"a design toe ends the range at {bottom[j]:+.2f}, {bottom[j] - interlock_to[j]:.2f} m above "
                f"interlock_to {interlock_to[j]:+.2f}: someone signs for that"
            ),
        )
        for j in np.flatnonzero(bottom > interlock_to + 1e-9).tolist()
    ]


#: Tables of what is measured and built, and what a row of each is called.
_ROWS = {
    "pickups": "shot",
    "tilts": "lean reading",
    "profiles": "profile row",
    "records": "record",
    "set_out": "approved centre",
}


def built_words(pile: int, tables: Sequence[Table]) -> str:
    """Return what there is of a pile: "2 shots, 1 record"; "" for nothing."""
    counts = [(int(np.count_nonzero(table.pile == pile)), _ROWS[table.name]) for table in tables]
    return ", ".join(f"{count} {what}{'' if count == 1 else 's'}" for count, what in counts if count)


def omitted_but_built_findings(design: Table, *tables: Table, files: Sequence[str]) -> list[Finding]:
    """Return a finding for each pile that the design omits and that rows which count name all the same."""
    named = np.unique(np.concatenate([table.pile for table in tables]))
    omitted = np.flatnonzero(design["status"] == STATUSES.index("omitted"))
    return [
        Finding(
            severity="query",
            kind="omitted_but_built",
            item=str(design["pile_id"][i]),
            text=f"omitted in the design, but named by {built_words(i, tables)}: it is not judged",
            file=files[int(design.file[i])],
            line=int(design.line[i]),
            column="status",
        )
        for i in np.intersect1d(omitted, named).tolist()
    ]


def added_without_joint_findings(design: Table, joints: Joints, *, files: Sequence[str]) -> list[Finding]:
    """Return a finding for each added pile that is tied to no other: nothing says which gap it closes."""
    added = design["status"] == STATUSES.index("added")
    added[joints.a] = added[joints.b] = False
    return [
        Finding(
            severity="note",
            kind="added_without_joint",
            item=str(design["pile_id"][i]),
            text="added, and in no extra_joints of site.toml: no joint of it is checked",
            file=files[int(design.file[i])],
            line=int(design.line[i]),
            column="status",
        )
        for i in np.flatnonzero(added).tolist()
    ]


def control_findings(fit: ControlFit | None, control: Table, *, files: Sequence[str]) -> list[Finding]:
    """Return a finding where the control points do not fit the map grid: on the point that stands out, else on all."""
    if fit is None or fit.state not in ("suspect", "at odds"):
        return []
    k = int(np.nanargmax(fit.w))
    figures = f"w {beyond(float(fit.w[k]), fit.limit, places=2)}, limit {number(fit.limit, 2)}"
    if fit.state == "suspect":
        item, line = str(fit.points[k]), int(control.line[k])
        away = float(np.hypot(fit.residual_e[k], fit.residual_n[k]) / fit.redundancy[k]) * 1000.0
        off = f"{number(away, 1)} mm from where the other points put it"
        text = f"stands out of the fit to the map grid: {figures}; {off}"
    else:
        item, line = "control points", 0
        text = f"something is wrong with the fit to the map grid, but not which point: {figures} at most"
    text += ". The fit is used as it is"
    place = files[int(control.file[k])]
    return [Finding(severity="query", kind="control_suspect", item=item, text=text, file=place, line=line)]
