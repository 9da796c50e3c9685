"""Findings that a run itself can make: readings that changed, axes that disagree, old pickups, shortened ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import OBJECTS
from asbuilt.compute.axes import PROFILE, axis_positions, axis_variances
from asbuilt.compute.centres import REPEAT_LIMIT
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.compute.readings import Readings
    from asbuilt.model import Axes, Centres, Floats, Integers, Joints, Table, Texts
    from asbuilt.settings import Settings

__all__ = [
    "axes_disagree_findings",
    "drift_findings",
    "level_range_findings",
    "old_pickup_findings",
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
    centres: Centres, newest_reading: Floats, pile_ids: Texts, files: Sequence[str]
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
                f"picked up {str(shot[i])[:16]}Z, "
                f"read deeper {str(np.datetime64(int(newest_reading[i]), 'ms'))[:16]}Z: "
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
