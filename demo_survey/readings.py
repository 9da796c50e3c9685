"""Lean readings, inclinometer logs and drilling records of the demo wall."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from planted import NO_READINGS, PROFILES, PROFILES_WITH_TILTS
from wall import COMMENCE, MONDAY, SITE, WEEKS, Pile, Truth, Work, bearing, built, has_record, rng
from writing import stamp, table

U = SITE["uncertainty"]
DEPTHS = {"A": (2.0, 4.0, 7.0, 10.0, 13.0, 15.5), "B": (2.0, 4.0, 7.0, 10.0, 11.5)}


def _in_unit(slope: float, unit: str) -> str:
    """Write a lean [mm/m] as it is read in ``unit``."""
    if unit == "mm/m":
        return f"{slope:.1f}"
    if unit == "1:n":
        return "0" if abs(slope) < 0.05 else f"{1000 / slope:.0f}"
    if unit == "deg":
        return f"{np.degrees(np.arctan(slope / 1000)):.2f}"
    return f"{slope * SITE['readings']['level_length_mm'] / 1000:.1f}"


def _readings(pile: Pile, true: Truth) -> tuple[list[float], np.ndarray]:
    """Return depths and the leans read at them (k, 2) [mm/m]: the tube's, the level's, the reading's own."""
    draw = rng(pile.row, 4)
    depths = list(DEPTHS[pile.wall])
    if pile.pile_id == "A131":
        depths = depths[:3]
    if pile.pile_id == "A132":
        depths = depths[:2]
    if draw.random() < 0.1:
        depths.append(depths[-1])
    not_read = max(0.0, COMMENCE - true.toe - depths[-1])
    at_last = true.slope - draw.normal(0, U["wander_mm_per_m"] * np.sqrt(not_read), 2)
    read = (
        at_last
        + draw.normal(0, U["tilt_systematic_mm_per_m"], 2)
        + draw.normal(0, U["tilt_mm_per_m"], (len(depths), 2))
    )
    early = pile.case.early if pile.case else ()
    for k, along in enumerate(early):
        read[k] += pile.along * (along - true.slope @ pile.along)
    if pile.pile_id == "A112":  # the level was held against a dented casing: the log says otherwise
        read += 6.5 * pile.pit
    return depths, read


def _read_at(pile: Pile, work: Work, k: int, count: int) -> datetime:
    if pile.pile_id == "A079" and k < 2:
        return MONDAY + timedelta(days=4, hours=13, minutes=40 * k)
    return work.drilled_at - timedelta(minutes=8 + 18 * (count - 1 - k))


def tilts(piles: list[Pile], works: dict[str, Work], truths: dict[str, Truth]) -> dict[str, str]:
    """Return the tilt files, one a rig and week; each reader has a unit of their own."""
    rows: dict[tuple[str, int], list] = {}
    for pile in piles:
        work = works.get(pile.pile_id)
        logged = pile.pile_id in PROFILES and pile.pile_id not in PROFILES_WITH_TILTS
        if work is None or logged or pile.pile_id in NO_READINGS:
            continue
        depths, read = _readings(pile, truths[pile.pile_id])
        key = ("B" if pile.wall == "B" else work.rig, work.week)
        attempt = 2 if pile.pile_id == "A059" else 1
        for k, (depth, slope) in enumerate(zip(depths, read, strict=True)):
            at = _read_at(pile, work, k, len(depths))
            rows.setdefault(key, []).append((at, pile, depth, slope, attempt))
    a059 = next(p for p in piles if p.pile_id == "A059")
    stop = MONDAY + timedelta(weeks=4, days=4, hours=14)
    for depth, slope in ((2.0, 2.2 * a059.along), (4.0, 3.9 * a059.along)):
        rows["R1", 4].append((stop + timedelta(minutes=12 * depth), a059, depth, slope, 1))
    files = {}
    for (reader, week), found in sorted(rows.items()):
        unit = {"B": "mm", "R1": "mm/m", "R2": "1:n" if week < 3 else "deg"}[reader]
        files[f"tilts/week_{36 + week}_{reader}.csv"] = _tilt_file(works, unit, sorted(found, key=lambda r: r[0]))
    return files


def _tilt_file(works: dict[str, Work], unit: str, found: list) -> str:
    """Write one tilt file: degrees say where the top leans; bearings stand where the wall turns."""
    top = unit == "deg"
    attempts = any(row[4] != 1 for row in found)
    header = (
        "pile_id read_at depth tilt_a tilt_b unit bearing_a_deg" + " sense" * top + " attempt" * attempts + " reader"
    )
    lines = []
    for at, pile, depth, slope, attempt in found:
        beta = None
        a_direction = pile.pit
        if pile.turns:
            beta = round(float(np.degrees(np.arctan2(*pile.pit)))) % 360
            a_direction = bearing(beta)
        b_direction = np.array([a_direction[1], -a_direction[0]])
        sign = -1 if top else 1
        line = [
            pile.pile_id,
            stamp(at),
            f"{depth:.1f}",
            _in_unit(sign * float(slope @ a_direction), unit),
            _in_unit(sign * float(slope @ b_direction), unit),
            unit,
            beta,
        ]
        lines.append(line + ["top"] * top + [attempt] * attempts + [works[pile.pile_id].rig])
    return table(header, lines)


def profiles(piles: list[Pile], works: dict[str, Work], truths: dict[str, Truth]) -> dict[str, str]:
    """Return the inclinometer logs, taken inside the casing before concreting."""
    files = {}
    for pile in piles:
        if pile.pile_id not in PROFILES:
            continue
        draw = rng(pile.row, 5)
        slope = truths[pile.pile_id].slope + draw.normal(0, U["profile_mm_per_m"], 2)
        at = works[pile.pile_id].drilled_at + timedelta(minutes=20)
        depths = [*np.arange(0.0, 15.5, 1.0), 15.5]
        rows = []
        for depth in depths:
            off = slope * depth + draw.normal(0, U["profile_mm"], 2)
            rows.append([pile.pile_id, stamp(at), f"{depth:.1f}", f"{off[0]:.1f}", f"{off[1]:.1f}"])
        files[f"profiles/{pile.pile_id}.csv"] = table("pile_id read_at depth off_e_mm off_n_mm", rows)
    return files


def records(piles: list[Pile], works: dict[str, Work], truths: dict[str, Truth]) -> dict[str, str]:
    """Return the drilling records, one file a week; the third has a column that the tool does not know."""
    finished = {p.pile_id for p in built(piles, works) if has_record(p)}
    weeks: dict[int, list] = {week: [] for week in range(WEEKS)}
    for pile in piles:
        if pile.pile_id not in finished:
            continue
        work, true, draw = works[pile.pile_id], truths[pile.pile_id], rng(pile.row, 6)
        ratio = (pile.case and pile.case.ratio) or draw.normal(1.09, 0.025)
        volume = ratio * np.pi / 4 * (pile.casing / 1000) ** 2 * (pile.cut_off - true.toe)
        note = {"A056": "boulder at toe", "A059": "redrilled", "A126": "small casing"}.get(pile.pile_id)
        weeks[work.week].append(
            [
                pile.pile_id,
                2 if pile.pile_id == "A059" else 1,
                stamp(work.drilled_at),
                stamp(work.concreted_at),
                f"{true.toe:.2f}",
                pile.casing,
                f"{volume:.1f}",
                work.rig,
                note,
            ]
        )
    weeks[4].append(
        [
            "A059",
            1,
            stamp(MONDAY + timedelta(weeks=4, days=4, hours=15)),
            None,
            "-1.40",
            880,
            None,
            "R1",
            "obstruction; backfilled and abandoned",
        ]
    )
    header = "pile_id attempt drilled_at concreted_at toe_level casing_od_mm concrete_m3 rig note"
    files = {}
    for week, rows in weeks.items():
        rows.sort(key=lambda row: (row[2], row[0]))
        more = " weather" if week == 2 else ""
        lines = [[*row, ("dry", "rain")[k % 3 == 0]] if more else row for k, row in enumerate(rows)]
        files[f"records/week_{36 + week}.csv"] = table(header + more, lines)
    return files
