"""Schedules on paper: every pile and every joint with its figures and verdicts, in the order of the design table.

No rounding contradicts a verdict: a figure that would be rounded onto a limit that it does not equal gets more digits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS, STATUSES
from asbuilt.output.sheets.canvas import Box
from asbuilt.output.sheets.figures import CHANCE, DASH, chances, counted, figure_list, true_minus
from asbuilt.output.sheets.frame import Entry, Sheet
from asbuilt.output.sheets.lettering import ELLIPSIS, clean, fit, text_width
from asbuilt.output.sheets.notes import CAUTION, level_range, sheet_notes
from asbuilt.output.sheets.symbols import LOOKS, draw_markers
from asbuilt.output.sheets.table import Column, Table, draw_page, least_width, longest_part, paginate

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from asbuilt.model import Floats, Integers, Reconciliation, Texts
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.table import Page

__all__ = ["draw_heading", "heading_height", "list_box", "schedule_sheets", "verdict_entries"]

NONE = "none"
_KINDS = ("prim.", "sec.", "other")
#: Columns that are left out where the paper is too narrow, the one best spared first.
SPARED = ("bearing", "along wall", "to pit", "designed", "dia.", "progress", "kind", "east", "north", "at cut-off")
#: The widest name of a wall that rows print in full, in heights of text.
LONGEST_WALL = 5.0


def schedule_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Return the schedule of piles and the schedule of joints, each over as many sheets as it takes."""
    result = job.result
    box = list_box(area, text)
    none = () if result.stages else ("No excavation stages are set: there is no stage sheet.",)
    joints = level_range(np.asarray(result.joints["range_bottom"], dtype=np.float64))
    shown = {
        "piles": f"Plan position is given at cut-off, {_cut_offs(result)}; lean is overall, cut-off to toe.",
        "joints": f"Overlap is given at the top of each joint's range, at formation, and where least; ranges end "
        f"at {joints}.",
    }
    walls = _short_names(result)
    tables = (("piles", _pile_table(result, walls), "pile_id"), ("joints", _joint_table(result, walls), "joint_id"))
    sheets: list[Sheet] = []
    for what, whole, name in tables:
        table, spared = _narrowed(whole, box.width, text)
        notes = sheet_notes(result, text, shown=shown[what], more=(*none, *spared))
        source = result.piles if what == "piles" else result.joints
        pages = paginate(table, box, text)
        for number, page in enumerate(pages, start=1):
            rows = slice(page.start, page.stop)
            ids = [str(item) for item in source[name][rows].tolist()]
            legend = (
                *_legend(what, np.asarray(source["verdict"], dtype=np.int64)[rows]),
                *_long_names(walls, source["wall"][rows]),
            )
            title = f"Schedule of {what}" + (f", {number} of {len(pages)}" if len(pages) > 1 else "")
            sheets.append(_sheet(title, page, area, text, ids=ids, legend=legend, notes=notes))
    return sheets


def _narrowed(table: Table, width: float, text: float) -> tuple[Table, list[str]]:
    """Return a table without the columns that it can best spare where it is too wide, and a note that says so."""
    spared: list[str] = []
    columns = list(table.columns)
    for title in SPARED:
        if least_width(Table(columns=tuple(columns)), text) <= width:
            break
        spared.extend(column.title for column in columns if column.title == title)
        columns = [column for column in columns if column.title != title]
    if not spared:
        return table, []
    left_out = f"Left out, as this paper is too narrow: {', '.join(spared)}."
    return Table(columns=tuple(columns), remarks=table.remarks), [left_out]


def _sheet(
    title: str,
    page: Page,
    area: Box,
    text: float,
    *,
    ids: Sequence[str],
    legend: tuple[Entry, ...],
    notes: tuple[Entry, ...],
) -> Sheet:
    def draw(canvas: Canvas) -> None:
        draw_heading(canvas, area, text, title, ids[0] if len(ids) == 1 else f"{ids[0]} to {ids[-1]}")
        draw_page(canvas, page)

    return Sheet(title=title, scale=None, draw=draw, legend=legend, notes=notes, caution=CAUTION)


def heading_height(text: float) -> float:
    """Return the height [mm] of the heading over a list, lettered ``text`` mm high."""
    return 3.4 * text


def list_box(area: Box, text: float) -> Box:
    """Return what a list lettered ``text`` mm high may fill under its heading [mm]."""
    return Box(
        left=area.left + 2.0,
        bottom=area.bottom + 2.0,
        width=area.width - 4.0,
        height=area.height - 3.0 - heading_height(text),
    )


def draw_heading(canvas: Canvas, area: Box, text: float, title: str, right: str = "") -> None:
    """Write a list's heading over it, and at the right what it reaches over."""
    y = area.top - 2.4 * text
    line, height = fit(title, area.width - 4.0, 1.5 * text, least=text)
    canvas.text(area.left + 2.0, y, line, height=height)
    room = area.width - 4.0 - text_width(line, height) - 3.0 * text
    # What does not fit is left out: the rows themselves say it.
    if text_width(clean(right), text) <= room:
        line, height = fit(right, room, 1.2 * text, least=text)
        canvas.text(area.right - 2.0, y, line, height=height, anchor="right")


def _cut_offs(result: Reconciliation) -> str:
    return level_range(np.asarray(result.piles["cut_off_level"], dtype=np.float64))


def verdict_entries(codes: Integers, noun: str) -> Iterator[Entry]:
    """Yield the legend of the verdicts that are among ``codes``, with how many ``noun`` have each."""
    for code, look in enumerate(LOOKS):
        number = int((codes == code).sum())
        if number:
            yield Entry(text=f"{look.letter}: {look.name}, {counted(number, noun)}", sample=_marker(code), height=1.9)


def _marker(code: int) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        size = min(0.6 * box.height, 0.4 * box.width)
        draw_markers(canvas, LOOKS[code], np.array([[box.left + size, box.middle[1]]]), size)

    return sample


def _legend(what: str, codes: Integers) -> Iterator[Entry]:
    yield from verdict_entries(codes, what[:-1])
    if what == "piles":
        yield Entry(
            text=f"{DASH} for a figure: not surveyed or not recorded, never 0; for a verdict: check not made (no "
            "tolerance set), or the pile is omitted."
        )
        yield Entry(text="tol.: verdict of one check. Towards the pit: of movement and clear outline, the worse.")
        yield Entry(text="most: greatest movement, by its excess over allowed, cut-off to formation.")
        yield Entry(text="Line under a pile: reasons, check by check.")
    else:
        yield Entry(text=f"{DASH}: not surveyed; it is not 0. {NONE}: at no level of the range.")
        yield Entry(text="Negative overlap: a gap. u: 1 standard uncertainty where p is least.")
        yield Entry(text="p: chance, by the axes alone, that the overlap asked for is there.")
        yield Entry(text="Line under a joint: what is not within.")


def _column(source: object, name: str) -> Floats:
    values: Floats = np.asarray(source[name], dtype=np.float64)  # type: ignore[index]  # Piles, Joints and Table alike
    return values


def _figures(values: Floats, decimals: int, *limits: Floats, signed: bool = False) -> list[str]:
    """Return figures as printed, with a dash for what is not known; ``signed``: a plus before what is above 0."""
    return figure_list(values, decimals, *limits, plus=signed)


def _levels(values: Floats, *limits: Floats, unknown: Sequence[str] | None = None) -> list[str]:
    """Return levels as printed, signed; where there is none, ``unknown`` or a dash."""
    texts = figure_list(values, 2, *limits, plus=True)
    if unknown is None:
        return texts
    return [instead if text == DASH else text for text, instead in zip(texts, unknown, strict=True)]


def _letters(codes: Integers) -> list[str]:
    words = np.array([*(look.letter for look in LOOKS), DASH], dtype=object)
    letters: list[str] = words[codes].tolist()
    return letters


def _check(source: object, name: str, group: str) -> Column:
    codes = _column(source, name).astype(np.int64)
    return Column(title="tol.", cells=_letters(codes), align="centre", group=group)


def _verdict(source: object) -> Column:
    codes = _column(source, "verdict").astype(np.int64)
    return Column(title="verdict", cells=_letters(codes), align="centre", marks=codes)


def _figure(title: str, unit: str, cells: Sequence[str], group: str = "") -> Column:
    return Column(title=title, unit=unit, cells=cells, align="figure", group=group)


def _words(choices: Sequence[str], codes: Integers) -> list[str]:
    words: list[str] = np.array([*choices, DASH], dtype=object)[codes].tolist()
    return words


def _remarks(reasons: Sequence[object]) -> list[str]:
    return [true_minus(str(reason)) if reason else "" for reason in reasons]


def _names(title: str, names: Texts, *, least: float, most: float) -> Column:
    """Return a column of names that wrap, if need be between their parts."""
    cells = [str(name) for name in names.tolist()]
    return Column(title=title, cells=cells, wraps=True, least=min(max(least, longest_part(cells) + 0.1), most))


def _short_names(result: Reconciliation) -> dict[str, str]:
    """Return the walls' names as rows print them: a long one as a number, which the legend explains."""
    walls = dict.fromkeys(str(wall) for wall in (*result.piles["wall"].tolist(), *result.joints["wall"].tolist()))
    return {
        wall: wall if text_width(clean(wall), 1.0) <= LONGEST_WALL else f"({number})"
        for number, wall in enumerate(walls, start=1)
    }


def _long_names(walls: Mapping[str, str], shown: Texts) -> Iterator[Entry]:
    """Yield the legend of the walls whose names are too long for the rows of a sheet."""
    for wall in dict.fromkeys(map(str, shown.tolist())):
        if walls[wall] != wall:
            yield Entry(text=f"{walls[wall]}: {wall if len(wall) <= 60 else wall[:59] + ELLIPSIS}")


def _places(result: Reconciliation, walls: Mapping[str, str]) -> list[str]:
    """Return wall and place in it, pile by pile; an added pile has none."""
    names = [walls[str(wall)] for wall in result.piles["wall"].tolist()]
    at = [STATUSES[2] if np.isnan(place) else f"{place:.0f}" for place in _column(result.piles, "position").tolist()]
    return [f"{wall} {place}" for wall, place in zip(names, at, strict=True)]


def _progress(result: Reconciliation) -> list[str]:
    """Return how far each pile is; what is never built says so."""
    words = np.array(_words(PROGRESS, _column(result.piles, "progress").astype(np.int64)), dtype=object)
    words[~np.asarray(result.piles.expected)] = STATUSES[1]
    progress: list[str] = words.tolist()
    return progress


def _pile_table(result: Reconciliation, walls: Mapping[str, str]) -> Table:
    p = result.piles
    return Table(
        columns=(
            _names("pile", p["pile_id"], least=5.5, most=8.0),
            Column(title="wall, place", cells=_places(result, walls), wraps=True, least=4.5),
            Column(title="kind", cells=_words(_KINDS, _column(p, "kind").astype(np.int64))),
            _figure("dia.", "mm", [DASH if np.isnan(d) else f"{d:.10g}" for d in _column(p, "diameter_mm").tolist()]),
            Column(title="progress", cells=_progress(result)),
            *_plan_columns(result),
            *_lean_columns(result),
            *_depth_columns(result),
            _verdict(p),
        ),
        remarks=_remarks(p["reasons"].tolist()),
    )


def _plan_columns(result: Reconciliation) -> Iterator[Column]:
    p, group = result.piles, "plan position at cut-off"
    offset, limit = _column(p, "offset_mm"), _column(p, "allowed_mm")
    whole = bool(np.all((limit == np.round(limit)) | np.isnan(limit)))
    yield _figure("east", "mm", _figures(_column(p, "offset_e_mm"), 0, signed=True), group)
    yield _figure("north", "mm", _figures(_column(p, "offset_n_mm"), 0, signed=True), group)
    yield _figure("total", "mm", _figures(offset, 0, limit), group)
    bearing = np.round(_column(p, "offset_bearing_deg")) % 360.0
    yield _figure("bearing", "deg", _figures(bearing, 0), group)
    yield _figure("to pit", "mm", _figures(_column(p, "towards_pit_mm"), 0, signed=True), group)
    yield _figure("along wall", "mm", _figures(_column(p, "along_wall_mm"), 0, signed=True), group)
    yield _figure("limit", "mm", _figures(limit, 0 if whole else 1, offset), group)
    yield _check(p, "plan_verdict", group)


def _lean_columns(result: Reconciliation) -> Iterator[Column]:
    p, group = result.piles, "verticality"
    lean, limit = _column(p, "incline_mm_per_m"), _column(p, "allowed_mm_per_m")
    one_in = [DASH if words is None else str(words).removeprefix("1 in ") for words in p["one_in"].tolist()]
    yield _figure("lean", "mm/m", _figures(lean, 2, limit), group)
    yield _figure("1 in", "", one_in, group)
    yield _figure("limit", "mm/m", _figures(limit, 2, lean), group)
    yield _check(p, "vertical_verdict", group)


def _depth_columns(result: Reconciliation) -> Iterator[Column]:
    p, t = result.piles, result.survey.settings.tolerance
    # What is held against a limit is told from it: the highest toe, and the movement allowed at its level.
    highest = _column(result.survey.design, "toe_level") + (t.toe_mm or 0.0) / 1000.0
    moved, level = _column(p, "worst_towards_pit_mm"), _column(p, "worst_towards_pit_level")
    below = np.maximum(0.0, _column(p, "cut_off_level") - level)
    limit = (np.nan if t.encroach_mm is None else t.encroach_mm) + t.encroach_growth_mm_per_m * below
    yield _figure("level", "m", _levels(_column(p, "toe_level"), highest), "toe")
    yield _check(p, "toe_verdict", "toe")
    yield _figure("most", "mm", _figures(moved, 0, limit, signed=True), "towards the pit")
    yield _figure("at level", "m", _levels(level), "towards the pit")
    yield _check(p, "encroach_verdict", "towards the pit")


def _joint_table(result: Reconciliation, walls: Mapping[str, str]) -> Table:
    j = result.joints
    return Table(
        columns=(
            _names("joint", j["joint_id"], least=9.0, most=14.0),
            Column(title="wall", cells=[walls[str(wall)] for wall in j["wall"].tolist()]),
            _figure("from", "m", _levels(_column(j, "range_top")), "range"),
            _figure("down to", "m", _levels(_column(j, "range_bottom")), "range"),
            *_overlap_columns(result),
            *_level_columns(result),
            _figure("p", "0 to 1", _chances(result), "interlock"),
            _figure("u", "mm", _figures(_column(j, "u_overlap_mm"), 1), "interlock"),
            _figure("predicted below", "m", _levels(_column(j, "predicted_below"))),
            _verdict(j),
        ),
        remarks=_remarks(j["reasons"].tolist()),
    )


def _overlap_columns(result: Reconciliation) -> Iterator[Column]:
    j, group = result.joints, "overlap"
    asked = _column(j, "required_overlap_mm")
    least, nil = _column(j, "least_overlap_mm"), np.zeros(len(j))
    whole = bool(np.all((asked == np.round(asked)) | np.isnan(asked)))
    yield _figure("designed", "mm", _figures(_column(j, "design_overlap_mm"), 0, asked, nil), group)
    yield _figure("asked for", "mm", _figures(asked, 0 if whole else 1, least), group)
    yield _figure("at cut-off", "mm", _figures(_column(j, "overlap_cut_off_mm"), 0, asked, nil), group)
    yield _figure("at formation", "mm", _figures(_column(j, "overlap_formation_mm"), 0, asked, nil), group)
    yield _figure("least", "mm", _figures(least, 0, asked, nil), group)
    yield _figure("at level", "m", _levels(_column(j, "least_level")), group)


def _level_columns(result: Reconciliation) -> Iterator[Column]:
    j = result.joints
    unknown = np.where(np.asarray(j["levels_known"], dtype=np.bool_), NONE, DASH).tolist()
    for title, name in (("lost", "lost_level"), ("open", "open_level"), ("not sure", "sure_level")):
        yield _figure(title, "m", _levels(_column(j, name), unknown=unknown), "from level down")


def _chances(result: Reconciliation) -> list[str]:
    """Return the chance of interlock as printed: told from the confidence asked for, and never rounded to 0 or 1."""
    p, confidence = _column(result.joints, "p_interlock"), result.survey.settings.site.confidence
    decimals = max(CHANCE, int(np.ceil(-np.log10(1.0 - confidence) - 1e-9)))
    return chances(p, np.full(len(p), confidence), digits=decimals)
