"""The pile sheet: one pile's axis against depth, its trace in plan, its edge shots, its checks in figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS, METHODS
from asbuilt.output.sheets.canvas import GREY, THIN, Box
from asbuilt.output.sheets.chart import Axis, Chart
from asbuilt.output.sheets.figures import figure, level_figure
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.lettering import fit, wrap
from asbuilt.output.sheets.notes import CAUTION, sheet_notes
from asbuilt.output.sheets.pile_charts import (
    Plumb,
    choose_ratio,
    draw_levels,
    draw_plumb,
    level_ticks,
    ratio_text,
)
from asbuilt.output.sheets.pile_figures import Grid, checks, facts, verdict_name
from asbuilt.output.sheets.pile_legend import pile_legend
from asbuilt.output.sheets.pile_plan import Shots, Trace, draw_shots, draw_trace, ellipse
from asbuilt.output.sheets.symbols import LOOKS, draw_markers

if TYPE_CHECKING:
    from asbuilt.model import Floats, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.views import PileProfile, Toes

__all__ = ["LEVEL_SCALES", "PileSheet", "pile_sheets"]

#: Scales of the levels.
LEVEL_SCALES = (20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000, 5000, 10000)
#: Parts of the sheet in heights of text.
HEAD, BELOW, FOOT = 6.4, 5.2, 30.0
#: On a drawing narrower than this the words stand below the windows, and need a higher foot.
NARROW, HIGH_FOOT, WINDOWS = 96.0, 45.0, 23.0
#: Distance of the rows of a table.
ROW = 1.95
LEFT, LANE, GAP, NAMES = 8.0, 6.0, 7.5, 17.5


@dataclass(frozen=True, kw_only=True)
class PileSheet:
    """What a pile sheet shows and where: two plots with their lanes, and what stands below them [mm of paper]."""

    result: Reconciliation
    profile: PileProfile
    toes: Toes
    area: Box
    text: float
    plots: tuple[Plumb, Plumb]
    charts: tuple[Chart, Chart]
    lanes: tuple[Box, Box]
    scale: int
    ratio: float
    named: tuple[tuple[str, float], ...]

    @property
    def pile(self) -> int:
        """Place of the pile in the design table."""
        return self.profile.pile

    @property
    def foot(self) -> Box:
        """What is left below the plots."""
        top = self.charts[0].box.bottom - BELOW * self.text
        return Box(
            left=self.area.left + 2.0,
            bottom=self.area.bottom + 2.0,
            width=self.area.width - 4.0,
            height=top - self.area.bottom - 2.0,
        )


def pile_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Lay out a sheet for each pile that was asked for."""
    return [_sheet(_lay_out(job, pile, area, text), text) for pile in job.piles]


def _sheet(page: PileSheet, text: float) -> Sheet:
    result, pile = page.result, page.pile
    name = str(result.piles["pile_id"][pile])
    omitted = not bool(result.piles.expected[pile])
    verdict = "omitted" if omitted else verdict_name(int(result.piles["verdict"][pile]))
    levels = page.profile.level
    low, high = level_figure(float(levels.min())), level_figure(float(levels.max()))
    return Sheet(
        title=f"Pile {name}: {verdict}",
        scale=None,
        scale_text=f"1:{page.scale}, across {ratio_text(page.ratio)}",
        draw=lambda canvas: _draw(canvas, page),
        legend=pile_legend(page.plots, page.profile, ellipses=list(_rings(page))),
        notes=sheet_notes(
            result, text, shown=f"Levels shown: {low} to {high} m. Depths: below cut-off.", more=_more(page)
        ),
        caution=CAUTION,
        items=(name,),
    )


def _more(page: PileSheet) -> list[str]:
    """Return notes of this pile alone."""
    p, pile = page.result.piles, page.pile
    said = ["Chance: that the true value conforms, given what was measured. Of allowed: measured by allowed."]
    turned = float(p["offset_e_mm"][pile] * p.pit_e[pile] + p["offset_n_mm"][pile] * p.pit_n[pile])
    if abs(float(p["towards_pit_mm"][pile]) - turned) > 0.05:
        said.append(
            "Corner pile: its movement towards the pit is judged square to either side and the greater counts; "
            "the plot shows it between the two."
        )
    return said


def _lay_out(job: Job, pile: int, area: Box, text: float) -> PileSheet:
    result, profile = job.result, job.views.pile(pile)
    toes = job.views.toes()
    named = _named_levels(result, profile)
    every = [*(level for _, level in named), *profile.level.tolist(), *profile.reading_level.tolist()]
    high, low = max(every) + 0.4, min(every) - 0.4
    foot = HIGH_FOOT if area.width < NARROW * text else FOOT
    room = area.height - (HEAD + BELOW + foot) * text
    scale = next((s for s in LEVEL_SCALES if (high - low) * 1000.0 / s <= room), LEVEL_SCALES[-1])
    tall = (high - low) * 1000.0 / scale
    bottom = area.top - HEAD * text - tall
    first, second = (_plumb(result, profile, k) for k in (0, 1))
    lane = LANE if len(first.figures[0]) else 0.0
    wide = (area.width - (LEFT + 2 * lane + GAP + NAMES) * text) / 2.0
    ratio = choose_ratio(2.0 * max(first.reach, second.reach), wide - 3.0)
    half = wide * ratio / 2.0
    lefts = [area.left + LEFT * text + k * (wide + (lane + GAP) * text) for k in (0, 1)]
    boxes = [Box(left=left, bottom=bottom, width=wide, height=tall) for left in lefts]
    charts = [Chart(box, x=Axis(low=-half, high=half), y=Axis(low=low, high=high)) for box in boxes]
    lanes = [Box(left=box.right, bottom=bottom, width=lane * text, height=tall) for box in boxes]
    return PileSheet(
        result=result,
        profile=profile,
        toes=toes,
        area=area,
        text=text,
        plots=(first, second),
        charts=(charts[0], charts[1]),
        lanes=(lanes[0], lanes[1]),
        scale=scale,
        ratio=ratio,
        named=tuple(named),
    )


def _named_levels(result: Reconciliation, profile: PileProfile) -> list[tuple[str, float]]:
    """Return the levels to name, from the top down."""
    pile, s = profile.pile, result.survey.settings
    recorded = float(result.piles["toe_level"][pile])
    design = float(result.survey.design["toe_level"][pile])
    wall = str(result.survey.design["wall"][pile])
    formation = s.wall_level(wall, "formation") if wall in s.walls else s.levels.formation
    named = [
        ("commence", s.levels.commence),
        ("cut-off", profile.cut_off),
        ("surveyed", float(result.centres.level[pile])),
        ("formation", float(formation) if formation is not None else np.nan),
        ("last reading", profile.predicted_below),
        ("toe, design", design),
        ("toe, recorded", recorded),
    ]
    return sorted(((name, level) for name, level in named if np.isfinite(level)), key=lambda one: -one[1])


def _plumb(result: Reconciliation, profile: PileProfile, k: int) -> Plumb:
    p, pile, t = result.piles, profile.pile, result.survey.settings.tolerance
    deviation = profile.deviation[:, k] * 1000.0
    at_cut_off = _at(profile.level, deviation, profile.cut_off)
    slope = float(p["allowed_mm_per_m"][pile])
    towards = profile.directions[k] == "towards the pit"
    foot = dict(_named_levels(result, profile)).get("formation", profile.toe)
    surveyed = np.isfinite(deviation).any()
    words = ("not surveyed:", "no position is known") if not surveyed else ()
    if not surveyed and not bool(p.expected[pile]):
        words = ("omitted,", "but recorded") if result.omitted_but_built[pile] else ("omitted:", "not built")
    return Plumb(
        title=f"{profile.directions[k][0].upper()}{profile.directions[k][1:]}, mm",
        level=profile.level,
        deviation=deviation,
        sigma=profile.sigma[:, k] * 1000.0,
        other=profile.other[:, k] * 1000.0,
        predicted_below=profile.predicted_below,
        cut_off=profile.cut_off,
        funnel=(at_cut_off if np.isfinite(at_cut_off) else 0.0, slope, profile.toe) if np.isfinite(slope) else None,
        from_design=not np.isfinite(at_cut_off),
        plan_allowed=float(p["allowed_mm"][pile]),
        pit=(t.encroach_mm, t.encroach_growth_mm_per_m, foot) if towards and t.encroach_mm is not None else None,
        reading_level=profile.reading_level,
        reading_slope=profile.reading_slope[:, k] * 1000.0,
        reading_at=profile.reading_deviation[:, k] * 1000.0,
        row_level=profile.measured_level,
        row_at=profile.measured_deviation[:, k] * 1000.0,
        words=words,
    )


def _at(level: Floats, values: Floats, wanted: float) -> float:
    """Return a curve's value at a level; NaN where it is not known."""
    return float(np.interp(-wanted, -level, values))


def _draw(canvas: Canvas, page: PileSheet) -> None:
    text = page.text
    _head(canvas, page)
    for plot, chart, lane in zip(page.plots, page.charts, page.lanes, strict=True):
        draw_plumb(canvas, plot, chart, lane, text)
    draw_levels(canvas, page.named, page.charts, page.lanes, text)
    _level_scales(canvas, page)
    _foot(canvas, page)


def _head(canvas: Canvas, page: PileSheet) -> None:
    """Write what the sheet is about along its upper edge, the verdict's marker in front."""
    p, pile, text = page.result.piles, page.pile, page.text
    name, code = str(p["pile_id"][pile]), int(p["verdict"][pile])
    wall, position = page.result.survey.design["wall"][pile], p["position"][pile]
    place = f", position {position:g}" if np.isfinite(float(position)) and float(position) > 0 else ""
    kind = KINDS[int(p["kind"][pile])]
    method = METHODS[int(page.result.axes.method[pile])]
    axis = "no axis known" if method == "none" else "axis by profile" if method == "profile" else f"axis {method}"
    diameter = f"diameter {float(p['diameter_mm'][pile]):.0f} mm"
    verdict = verdict_name(code) if bool(p.expected[pile]) else "omitted"
    said = f"{name}: {verdict}.  Wall {wall}{place}, {kind}, {diameter}, {axis}"
    y = page.area.top - 2.6 * text
    left = page.area.left + 2.0
    if code >= 0 and bool(p.expected[pile]):
        draw_markers(canvas, LOOKS[code], np.array([[left + 0.9 * text, y + 0.7 * text]]), 1.5 * text)
        left += 2.6 * text
    line, height = fit(said, page.area.right - left - 2.0, 1.4 * text, least=text)
    canvas.text(left, y, line, height=height)


def _level_scales(canvas: Canvas, page: PileSheet) -> None:
    """Write levels at the left of the first plot, and depths below cut-off at the left of the second."""
    text, (first, second) = page.text, page.charts
    ticks = first.y.ticks(max(2, int(first.box.height / (3.0 * text))))
    digits = 0 if len(ticks) < 2 or ticks[1] - ticks[0] > 0.9 else 1
    left = first.box.left
    for value, (_, y) in zip(ticks, first.at(np.zeros(len(ticks)), ticks), strict=True):
        canvas.lines([[(left, y), (left - 1.0, y)]], width=THIN)
        canvas.text(left - 1.6, y - text / 2, level_figure(float(value), digits=digits), height=text, anchor="right")
    canvas.text(
        left - 5.0 * text, first.box.middle[1], f"Level, m, 1:{page.scale}", height=text, anchor="centre", angle=90.0
    )
    left = second.box.left
    for level, said in level_ticks(page.profile.cut_off, second.y.low, second.y.high, int(len(ticks) + 2)):
        y = float(second.at(0.0, level)[1])
        canvas.lines([[(left, y), (left - 1.0, y)]], width=THIN)
        canvas.text(left - 1.6, y - text / 2, said, height=text, anchor="right")
    canvas.text(
        left - 4.6 * text, second.box.middle[1], "Depth below cut-off, m", height=text, anchor="centre", angle=90.0
    )
    for chart in page.charts:
        box = chart.box
        canvas.text(
            box.middle[0],
            box.bottom - 1.6 - 2.9 * text,
            f"mm of deviation, {ratio_text(page.ratio)}",
            height=text,
            anchor="centre",
        )


def _foot(canvas: Canvas, page: PileSheet) -> None:
    """Draw what stands below the plots: trace, shots, readings as far as there is room, and the figures."""
    text, foot = page.text, page.foot
    grid, shots = checks(page.result, page.pile), _shots(page)
    top, stacked = foot.top - 2.0 * text, page.area.width < NARROW * text
    # Captions stand above the windows; ticks and a label below and at the left of the trace.
    tall = (WINDOWS if stacked else foot.height / text) * text - 6.2 * text
    listed = _listed(page, tall + 4.2 * text)
    spare = foot.width - 6.2 * text - (0.0 if stacked else sum(grid.widths(text)))
    list_wide = sum(listed.widths(text)) + 1.5 * text if listed else 0.0
    windows = 2 if shots is not None else 1
    if spare - list_wide < windows * 18.0 * text or (stacked and windows > 1):
        list_wide = 0.0
    wide = min(tall, (spare - list_wide) / windows - 2.5 * text, 0.42 * foot.width)
    high = min(tall, 1.4 * wide)
    left = foot.left + 6.2 * text
    window = Box(left=left, bottom=top - high, width=wide, height=high)
    _caption(canvas, window, f"Axis in plan, {ratio_text(draw_trace(canvas, _trace(page), window, text))}", text)
    left = window.right + 2.5 * text
    if shots is not None:
        box = Box(left=left, bottom=top - high, width=wide, height=high)
        _caption(canvas, box, f"Shots, {ratio_text(draw_shots(canvas, shots, box, text, beside=stacked))}", text)
        left = box.right + 2.5 * text
    if listed and list_wide:
        by_rows = bool(len(page.profile.measured_level))
        canvas.text(left, top + 0.7 * text, "Profile, mm" if by_rows else "Lean readings, mm/m", height=text)
        listed.draw(canvas, left, top, text)
        left += list_wide + text
    if stacked:
        left, top = foot.left, top - WINDOWS * text - 0.5 * text
    _words(canvas, page, grid, Box(left=left, bottom=foot.bottom, width=foot.right - left, height=top - foot.bottom))


def _caption(canvas: Canvas, box: Box, said: str, text: float) -> None:
    line, height = fit(said, box.width + 1.5 * text, text, least=text)
    canvas.text(box.left, box.top + 0.7 * text, line, height=height)


def _trace(page: PileSheet) -> Trace:
    profile, p, pile = page.profile, page.result.piles, page.pile
    path = profile.deviation @ profile.axes * 1000.0
    pit = np.array([p.pit_e[pile], p.pit_n[pile]])
    known = np.isfinite(path).any()
    omitted = not bool(p.expected[pile])
    return Trace(
        level=profile.level,
        path=path,
        predicted_below=profile.predicted_below,
        allowed=float(p["allowed_mm"][pile]),
        rings=tuple(_rings(page).values()),
        pit=pit if np.isfinite(pit).all() else None,
        cut_off=profile.cut_off,
        toe=profile.toe,
        surveyed=float(page.result.centres.level[pile]),
        words=() if known else ("omitted" if omitted else "not surveyed",),
    )


def _rings(page: PileSheet) -> dict[str, Floats]:
    """Return the 95 % ellipses of the centre at cut-off and at the toe, where they are known [mm, from design]."""
    p, pile = page.result.piles, page.pile
    design = np.array([p.design_e[pile], p.design_n[pile]])
    cut = np.array([p.centre_e[pile], p.centre_n[pile]])
    toe = np.array([page.toes.e[pile], page.toes.n[pile]])
    found = {}
    for name, centre, cov in (("cut-off", cut, p.cov[pile]), ("toe", toe, page.toes.cov[pile])):
        if np.isfinite(centre).all() and np.isfinite(cov).all():
            found[name] = ellipse((centre - design) * 1000.0, np.asarray(cov) * 1e6)
    return found


def _shots(page: PileSheet) -> Shots | None:
    """Return the shots where edge shots are among them."""
    profile, p, pile = page.profile, page.result.piles, page.pile
    if not profile.shot_edge.any():
        return None
    design = np.array([p.design_e[pile], p.design_n[pile]])
    fit_mm, words = None, []
    if profile.fit is not None:
        e, n, radius = profile.fit
        fit_mm = ((e - design[0]) * 1000.0, (n - design[1]) * 1000.0, radius * 1000.0)
        words.append(f"radius {float(p['fit_radius_mm'][pile]):.1f} mm")
        words.append(f"RMS {float(p['fit_rms_mm'][pile]):.1f} mm, arc {float(p['fit_arc_deg'][pile]):.0f}\u00b0")
    elif np.isfinite(page.result.centres.e[pile]):
        words.append("the centre is from other shots")
    else:
        words.append("no circle fits these shots")
    used = int((profile.shot_used & profile.shot_edge).sum())
    words.append(f"{used} of {int(profile.shot_edge.sum())} edge shots used")
    return Shots(
        at=np.stack([profile.shot_e - design[0], profile.shot_n - design[1]], axis=1) * 1000.0,
        edge=profile.shot_edge,
        used=profile.shot_used,
        fit=fit_mm,
        nominal=float(p["diameter_mm"][pile]) / 2.0,
        words=tuple(words),
    )


def _listed(page: PileSheet, height: float) -> Grid | None:
    """Return the lean readings, or the profile's rows, as far down as there is room; None without any."""
    profile, text = page.profile, page.text
    by_rows = bool(len(profile.measured_level))
    level = profile.measured_level if by_rows else profile.reading_level
    pair, digits = (profile.measured_deviation, 0) if by_rows else (profile.reading_slope, 1)
    if not len(level):
        return None
    short = {"towards the pit": "pit", "along the wall": "along", "east": "east", "north": "north"}
    most = max(1, int(height / (ROW * text)) - 1)
    shown = len(level) if len(level) <= most else most - 1
    rows = [
        (
            level_figure(float(level[k])),
            figure(float(profile.cut_off - level[k]), digits=2),
            figure(float(pair[k, 0]) * 1000.0, digits=digits, plus=True),
            figure(float(pair[k, 1]) * 1000.0, digits=digits, plus=True),
            *(() if by_rows else (str(int(profile.reading_count[k])),)),
        )
        for k in range(shown)
    ]
    headings = ("level", "depth", *(short[name] for name in profile.directions), *(() if by_rows else ("n",)))
    if shown < len(level):
        rows.append((f"{len(level) - shown} more", *[""] * (len(headings) - 1)))
    return Grid(headings=headings, rows=rows, right=frozenset(range(len(headings))))


def _words(canvas: Canvas, page: PileSheet, grid: Grid, box: Box) -> None:
    """Write the table of checks, and below it how the pile is known and why it is not within."""
    text = page.text
    y = grid.draw(canvas, box.left, box.top + 2.0 * text, text) - 1.6 * text
    for paragraph in facts(page.result, page.pile):
        for line in wrap(paragraph, box.width, text):
            if y < box.bottom + 0.5 * text:
                canvas.text(box.left, y, "\u2026 in full in the schedule", height=text, colour=GREY)
                return
            canvas.text(box.left, y, line, height=text)
            y -= 1.55 * text
        y -= 0.3 * text
