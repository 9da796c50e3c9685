"""Joint sheets: overlap against depth, plan slices, figures and reasons of every joint that is not within."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import FINE, HAIR, Box
from asbuilt.output.sheets.chart import GRID
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.joint_chart import JointChart, LaidChart, NamedLevel, chart_scale
from asbuilt.output.sheets.joint_legend import joint_legend
from asbuilt.output.sheets.joint_slices import Grid, cut_at, view_of
from asbuilt.output.sheets.joint_summary import summary_sheets
from asbuilt.output.sheets.joint_words import Fact, figures, holds_of, missing, why
from asbuilt.output.sheets.lettering import fit, text_width, wrap
from asbuilt.output.sheets.notes import CAUTION, sheet_notes

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.model import Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.joint_slices import Cut, View

__all__ = ["JointSheet", "joint_sheets"]

WITHIN = VERDICTS.index("within")
SAID = (
    "Moved: along the joint, + apart; across it, + {second} to the pit. Chord: common to both circles; thickness: the "
    "chord square to the wall; band: what both share across the wall. \u00b1: one standard uncertainty; \u2264: not "
    "exceeded, {sure}."
)
SHOWN = "Levels shown: the joint's range; slices where named."
#: At most so many slices on a sheet.
MOST_SLICES = 8
#: Kinds of level line; the first of those at one level gives the line its look.
KINDS = ("toe", "end", "formation", "stage", "joints", "read")
#: Levels nearer than this [m] are one.
SAME_LEVEL = 0.005
#: Distance of lines in heights of text: in the table of figures, and of the reasons.
ROW, LINE = 1.55, 1.5


@dataclass(frozen=True, kw_only=True)
class JointSheet:
    """What one joint's sheet shows."""

    chart: JointChart
    grid: Grid
    facts: tuple[Fact, ...]
    reasons: tuple[str, ...]

    def draw(self, canvas: Canvas, area: Box, text: float) -> None:
        """Draw it in a part of the paper: chart, beside it figures and reasons, below both the slices."""
        t, gap = text, 3.0
        inner = area.inset(gap)
        words = min(max(0.46 * inner.width, 40.0 * t), 62.0 * t)
        reasons = [wrap(said, words - t, t) for said in self.reasons]
        tall = min(_words_height(len(self.facts), reasons, t), 0.72 * inner.height)
        fit = min(
            self.grid.fits(inner.width, inner.height - tall - gap, t),
            key=lambda one: one.scale * chart_scale(self.chart, inner.height - one.height - gap, t),
        )
        upper = inner.height - fit.height - gap
        block = Box(left=inner.right - words, bottom=inner.top - upper, width=words, height=upper)
        top = Box(left=inner.left, bottom=block.bottom, width=inner.width - words - 2.0 * t, height=upper)
        LaidChart.lay_out(self.chart, top, t).draw(canvas)
        self._words(canvas, block, reasons, t)
        y = top.bottom - gap / 2
        rules = [[(block.left - t, y), (block.left - t, inner.top)], [(inner.left, y), (inner.right, y)]]
        canvas.lines(rules, width=HAIR, colour=GRID)
        below = Box(left=inner.left, bottom=inner.bottom, width=inner.width, height=y - inner.bottom)
        self.grid.draw(canvas, below, t, fit)

    def _words(self, canvas: Canvas, block: Box, reasons: Sequence[Sequence[str]], t: float) -> None:
        """Write the table of figures, and below it the reasons."""
        lines = sum(len(part) for part in reasons)
        # what room is left is given to the rows and lines
        room = (block.height - _words_height(len(self.facts), reasons, t)) / (len(self.facts) + lines)
        row, pitch = (ROW + min(0.5, max(0.0, room / t))) * t, (LINE + min(0.15, max(0.0, room / t))) * t
        y = block.top - 1.9 * t
        canvas.text(block.left, y, "Figures", height=1.2 * t)
        y = self._table(canvas, Box(left=block.left, bottom=y - 0.7 * t, width=block.width, height=0.0), row, t)
        y -= 2.4 * t
        canvas.text(block.left, y, "Why", height=1.2 * t)
        y -= 0.4 * t
        below = Box(left=block.left, bottom=block.bottom, width=block.width, height=y - block.bottom)
        _paragraphs(canvas, below, reasons, pitch, t)

    def _table(self, canvas: Canvas, head: Box, row: float, t: float) -> float:
        """Write the rows of figures from the foot of ``head`` down; return where they end."""
        y = head.bottom
        rules = [y]
        split = head.left + max(text_width(fact.name, t) for fact in self.facts) + 1.2 * t
        split = min(split, head.left + 0.5 * head.width)
        for fact in self.facts:
            y -= row
            baseline = y + (row - t) / 2 + 0.1 * t
            for x, end, said in ((head.left + 0.3 * t, split - 0.5 * t, fact.name), (split, head.right, fact.value)):
                canvas.text(x, baseline, fit(said, end - x, t, least=t)[0], height=t)
            rules.append(y)
        canvas.lines([[(head.left, rule), (head.right, rule)] for rule in rules], width=HAIR, colour=GRID)
        canvas.lines([[(head.left, rules[k]), (head.right, rules[k])] for k in (0, -1)], width=FINE)
        return y


def _paragraphs(canvas: Canvas, block: Box, parts: Sequence[Sequence[str]], pitch: float, t: float) -> None:
    """Write paragraphs, as lines, from the top of a block down; say so where it does not hold them."""
    lines = [(line, number == len(part) - 1) for part in parts for number, line in enumerate(part)]
    most = int((block.height - 0.5 * t * len(parts)) / pitch)
    if len(lines) > most:
        lines = [*lines[: max(most - 1, 0)], ("\u2026 more in the layer joints", True)]
    y = block.top
    for line, last in lines:
        y -= pitch
        canvas.text(block.left + 0.3 * t, y, line, height=t)
        y -= 0.5 * t if last else 0.0


def _words_height(facts: int, reasons: Sequence[Sequence[str]], t: float) -> float:
    lines = sum(len(part) for part in reasons)
    return (2.6 + facts * ROW + 2.8 + lines * LINE + 0.5 * len(reasons) + 1.0) * t


def joint_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Make a sheet for every joint that is not within, or for those asked for, the worst first.

    Joints that cannot be drawn, since a centre of theirs is not known, share summary sheets, unless they are asked for.

    Parameters
    ----------
    job : Job
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Least height of a capital letter [mm].
    """
    result = job.result
    holds = holds_of(result)
    rows, bare = _chosen(job)
    sheets = [_sheet(job, int(row), area, text, holds) for row in rows]
    return [*sheets, *summary_sheets(result, bare, holds, area, text)]


def _chosen(job: Job) -> tuple[Integers, Integers]:
    """Return the joints that get a sheet of their own, and those that share one, the worst first."""
    none = np.empty(0, dtype=np.int64)
    if job.joints:
        return np.array(job.joints, dtype=np.int64), none
    joints, piles = job.result.joints, job.result.piles
    verdict = np.asarray(joints["verdict"], dtype=np.int64)
    sure = np.fmax(np.asarray(joints["sure_level"], dtype=np.float64), joints.toe_level)
    order = np.lexsort((-np.where(np.isnan(sure), np.inf, sure), -verdict))
    order = order[verdict[order] > WITHIN]
    unknown = np.isnan(piles.centre_e[joints.a]) | np.isnan(piles.centre_e[joints.b])
    return order[~unknown[order]], order[unknown[order]]


def _sheet(job: Job, row: int, area: Box, text: float, holds: Mapping[str, tuple[str, ...]]) -> Sheet:
    result = job.result
    joint_id = str(result.joints["joint_id"][row])
    chart = _chart(job, row)
    grid = _grid(job, row)
    explained = SAID.format(second=grid.ids[1], sure=f"{chart.confidence * 100:.4g} %")
    known = bool(np.isfinite(chart.profile.overlap).any())
    sheet = JointSheet(
        chart=chart,
        grid=grid,
        facts=tuple(figures(result, row)),
        reasons=(*why(result, row, holds), *([explained] if known else [])),
    )

    def draw(canvas: Canvas) -> None:
        sheet.draw(canvas, area, text)

    return Sheet(
        title=f"Joint {joint_id}: {VERDICTS[result.joints['verdict'][row]]}",
        scale=None,
        draw=draw,
        legend=joint_legend(chart, grid),
        notes=sheet_notes(result, text, shown=SHOWN),
        caution=CAUTION,
        scale_text=f"as stated, {job.paper}",
        items=(joint_id,),
    )


def _chart(job: Job, row: int) -> JointChart:
    result = job.result
    joints = result.joints
    bands = job.views.bands()
    first, last = np.searchsorted(bands.joint, [row, row + 1])
    own = slice(int(first), int(last))
    top = float(joints["range_top"][row])
    lost, opened, sure = (float(joints[f"{name}_level"][row]) for name in ("lost", "open", "sure"))
    sure = float(np.fmax(sure, joints.toe_level[row]))
    lack = ", ".join(missing(result, row))
    return JointChart(
        profile=job.views.joint(row),
        top=top,
        bottom=float(joints["range_bottom"][row]),
        named=tuple(_level_lines(result, row)),
        marks=_marks((("lost", lost), ("open", opened), ("not sure", sure))),
        band_edges=np.stack([bands.top[own], bands.bottom[own]], axis=1),
        band_states=np.asarray(bands.state[own], dtype=np.int64),
        confidence=result.survey.settings.site.confidence,
        lost=lost,
        open=opened,
        other_model="stepped" if result.survey.settings.uncertainty.axis == "straight" else "straight",
        unknown=f"not surveyed: {lack} missing" if lack else "",
    )


def _marks(found: Sequence[tuple[str, float]]) -> tuple[tuple[str, float], ...]:
    """Return the levels to be dimensioned with their words; those at one level share one."""
    merged: list[tuple[list[str], float]] = []
    for name, at in found:
        if not np.isfinite(at):
            continue
        same = next((names for names, other in merged if abs(other - at) < 0.001), None)
        if same is None:
            merged.append(([name], at))
        else:
            same.append(name)
    return tuple((f"{', '.join(names)} from", at) for names, at in merged)


def _level_lines(result: Reconciliation, row: int, kinds: Sequence[str] = KINDS) -> Iterator[NamedLevel]:
    """Yield the level lines of some kinds from the top down; names at one level share a line."""
    found = [named for named in _level_names(result, row) if named.kind in kinds]
    found.sort(key=lambda named: -named.level)
    while found:
        here = [named for named in found if found[0].level - named.level < SAME_LEVEL]
        found = found[len(here) :]
        kind = min((named.kind for named in here), key=KINDS.index)
        names = dict.fromkeys(named.text for named in here)
        yield NamedLevel(level=here[0].level, text=", ".join(names), kind=kind)


def _level_names(result: Reconciliation, row: int) -> Iterator[NamedLevel]:
    joints, settings = result.joints, result.survey.settings
    yield NamedLevel(level=float(joints["range_top"][row]), text="cut-off", kind="end")
    yield NamedLevel(level=float(joints["range_bottom"][row]), text="bottom of range", kind="end")
    formation = settings.wall_level(str(joints["wall"][row]), "formation")
    if formation is not None:
        yield NamedLevel(level=formation, text="formation", kind="formation")
    for stage in settings.stages:
        yield NamedLevel(level=stage.level, text=stage.name, kind="stage")
        if stage.joints_to is not None:
            yield NamedLevel(level=stage.joints_to, text=f"joints of {stage.name} to", kind="joints")
    read = float(joints["predicted_below"][row])
    if np.isfinite(read):
        yield NamedLevel(level=read, text="deepest reading", kind="read")
    toe = float(joints.toe_level[row])
    if np.isfinite(toe):
        yield NamedLevel(level=toe, text=f"toe of {_ended(result, row, toe)} as built, open below", kind="toe")


def _ended(result: Reconciliation, row: int, toe: float) -> str:
    """Return the name of the pile whose toe as built leaves a joint open."""
    pair = [int(result.joints.a[row]), int(result.joints.b[row])]
    off = [abs(float(result.piles["toe_level"][pile]) - toe) for pile in pair]
    return str(result.piles["pile_id"][pair[int(np.nanargmin(off))]])


def _grid(job: Job, row: int) -> Grid:
    result = job.result
    joints, piles = result.joints, result.piles
    pair = np.array([joints.a[row], joints.b[row]])
    view = view_of(result, row)
    levels, remark = _slice_levels(result, row)
    return Grid(
        view=view,
        cuts=tuple(_cut(job, view, row, at, names) for at, names in levels),
        ids=(str(piles["pile_id"][pair[0]]), str(piles["pile_id"][pair[1]])),
        design=view.local(np.stack([piles.design_e[pair], piles.design_n[pair]], axis=1)),
        design_radii=np.asarray(result.survey.design["diameter_mm"], dtype=np.float64)[pair] / 2000.0,
        radii=np.asarray(piles.radius[pair], dtype=np.float64),
        required=float(joints.required[row]),
        confidence=result.survey.settings.site.confidence,
        remark=remark,
    )


def _cut(job: Job, view: View, row: int, at: float, names: str) -> Cut:
    return cut_at(job.result, job.views.at_level(at), view, row, at=at, names=names)


def _slice_levels(result: Reconciliation, row: int) -> tuple[list[tuple[float, str]], str]:
    """Return the levels that are cut, from the top down with their names, and a remark on those left out."""
    top, bottom = (float(result.joints[f"range_{end}"][row]) for end in ("top", "bottom"))
    cut = ("end", "stage", "formation")
    named = [one for one in _level_lines(result, row, cut) if bottom <= one.level <= top]
    levels = [(one.level, one.text) for one in named]
    if len(levels) <= MOST_SLICES:
        return levels, ""
    # both ends and formation, and of the stages those nearest to what is lost, open or not sure, else evenly
    kept = [k for k, one in enumerate(named) if one.kind != "stage"]
    rest = np.array([k for k, one in enumerate(named) if one.kind == "stage"])
    room = MOST_SLICES - len(kept)
    known = [float(result.joints[f"{name}_level"][row]) for name in ("lost", "open", "sure")]
    telling = np.array([value for value in (*known, result.joints.toe_level[row]) if np.isfinite(value)])
    if len(telling):
        off = np.abs(telling[None, :] - np.array([named[k].level for k in rest])[:, None]).min(axis=1)
        kept += rest[np.argsort(off, kind="stable")[:room]].tolist()
    else:
        kept += rest[np.linspace(0, len(rest) - 1, room).round().astype(np.int64)].tolist()
    left = len(levels) - len(kept)
    return [levels[k] for k in sorted(kept)], f"{left} stage level{'' if left == 1 else 's'} not cut, for lack of room"
