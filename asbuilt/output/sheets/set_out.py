"""The sheet of piles to set out: centres and offsets, what they come to, tape checks, sketches, how a ring closes.

What is advised is advice until the responsible engineer confirms it, and the sheet says so at its head; above that only
stand approved centres that may be mistyped.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, MEDIUM, Box
from asbuilt.output.sheets.figures import (
    AT_MOST,
    DASH,
    PLUS_MINUS,
    at_most,
    counted,
    figure_list,
    level_figure,
    level_text,
    true_minus,
)
from asbuilt.output.sheets.frame import Entry, Sheet
from asbuilt.output.sheets.lettering import wrap
from asbuilt.output.sheets.list_flow import HEADING, Flow
from asbuilt.output.sheets.notes import CAUTION, few, sheet_notes
from asbuilt.output.sheets.schedule import draw_heading, list_box
from asbuilt.output.sheets.set_out_chart import closure_height, draw_closure
from asbuilt.output.sheets.set_out_sketch import MOST_SKETCHED, draw_row, sketch_legend, sketch_rows
from asbuilt.output.sheets.table import Column, Table, longest_part

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Floats
    from asbuilt.output._set_out import SetOutList
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job

__all__ = ["ADVICE", "NO_ADVICE", "PLAIN", "head_words", "set_out_sheets"]

ADVICE = (
    "ADVICE until the responsible engineer confirms it: no advised centre is set out before. A centre that is agreed "
    "to goes into set_out/approved.csv with name and time, and is used from then on. It is no change of design."
)
PLAIN = "Plain design set-out: every mark at its design centre, without advice; approved centres are not used."
NO_ADVICE = (
    "No other centre is advised here: every mark is at its design centre, or at one that the responsible engineer "
    "agreed to in set_out/approved.csv, with name and time."
)
#: Name of the rows of sketches.
SKETCHES = "sketches"
#: Who signs, and for what.
_SIGNED = (
    ("Computed", "set-out list against the current revision"),
    ("Checked", "by a second person"),
    ("Confirmed", "by the responsible engineer"),
    ("Set out", "marks and tape checks on site"),
)
_LINES = ("Name", "Date, time", "Signature")
#: Height of a line to sign on: so many heights of text, and never less than a pen needs [mm].
_SIGN, _PEN = 2.9, 6.5
#: So many checks and names of piles left out are written on the sheet; the others are counted.
_MOST_CHECKS, _MOST_NAMES = 4, 8


def head_words(listed: SetOutList) -> str:
    """Return what stands above a list: whether it is advice."""
    if listed.plain:
        return PLAIN
    return ADVICE if listed.count("advised") else NO_ADVICE


def set_out_sheets(job: Job, area: Box, text: float, *, listed: SetOutList) -> Sequence[Sheet]:
    """Return the sheets of a list of piles to set out.

    Parameters
    ----------
    job : Job
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Height of a capital letter [mm].
    listed : SetOutList
    """
    flow = _flow(listed, area, text)
    count = len(flow.pages)
    notes = sheet_notes(job.result, text, shown="", more=tuple(_notes(listed)))
    what = "Design set-out" if listed.plain else "Set-out"
    name = f"{what} of {counted(len(listed), 'pile')}"
    sheets = []
    for number, page in enumerate(flow.pages):
        of = f", {number + 1} of {count}" if count > 1 else ""

        def draw(canvas: Canvas, number: int = number, of: str = of) -> None:
            right = "" if listed.plain or not listed.count("advised") else "advice, to be confirmed"
            draw_heading(canvas, area, text, f"{name}{of}", right)
            if not number:
                _draw_signatures(canvas, _foot(area, text), text)
            for part in flow.pages[number].drawn:
                part(canvas)

        sketched = any(row == SKETCHES for row, _, _ in page.rows)
        legend = tuple(_legend(listed, sketched=sketched))
        items = () if number else tuple(str(one) for one in listed.pile_id)
        sheets.append(
            Sheet(title=f"{name}{of}", scale=None, draw=draw, legend=legend, notes=notes, caution=CAUTION, items=items)
        )
    return sheets


def _flow(listed: SetOutList, area: Box, text: float) -> Flow:
    flow = Flow(list_box(area, text), text, foot=_foot(area, text).height + 2.0 + text)
    for said in listed.checks[:_MOST_CHECKS]:
        _warn(flow, f"CHECK: {true_minus(said)}", text)
    if len(listed.checks) > _MOST_CHECKS:
        _warn(flow, f"CHECK: {len(listed.checks) - _MOST_CHECKS} more approved centres, named on the screen.", text)
    _warn(flow, head_words(listed), text)
    flow.table("Where to set out", _pile_table(listed), name="piles")
    at = level_text(listed.level)
    if len(listed.neighbour):
        held = f"Tapes are held at {at}, along the line from mark to neighbour; off by more than {PLUS_MINUS}, stop."
        flow.table(f"Tape checks at {at}, and joint by joint", _tape_table(listed), name="tapes", before=held)
    if len(listed) <= MOST_SKETCHED:
        _sketch(flow, listed, text)
    for ring in listed.closures:
        flow.part(closure_height(ring, flow.box.width, text), partial(draw_closure, ring=ring, text=text))
    return flow


def _sketch(flow: Flow, listed: SetOutList, text: float) -> None:
    """Add the sketches, row by row; their heading stays with the first row."""
    scale, rows, height = sketch_rows(listed, flow.box.width, text)
    words = f"Sketches, 1:{scale}, at {level_text(listed.level)}, north up"
    for number, row in enumerate(rows):
        head = 0.0 if number else HEADING * text

        def draw(canvas: Canvas, at: Box, row: range = row, head: float = head) -> None:
            if head:
                canvas.text(at.left, at.top - 2.1 * text, words, height=1.3 * text)
            under = Box(left=at.left, bottom=at.bottom, width=at.width, height=at.height - head)
            draw_row(canvas, under, listed, row, scale=scale, text=text)

        flow.part(head + height, draw)
        flow.pages[-1].rows.append((SKETCHES, row.start, row.stop))


def _warn(flow: Flow, words: str, text: float) -> None:
    """Add a warning in a bold frame."""
    lines = wrap(words, flow.box.width - 2.4 * text, 1.15 * text)

    def draw(canvas: Canvas, at: Box) -> None:
        canvas.rectangle(at, width=BOLD)
        for number, line in enumerate(lines):
            canvas.text(at.left + 1.2 * text, at.top - (2.1 + 1.75 * number) * text, line, height=1.15 * text)

    flow.part((1.75 * len(lines) + 1.5) * text, draw)


# ------------------------------------------------------------------------------------------------- tables


def _mm(values: Floats, *limits: Floats, plus: bool = False) -> list[str]:
    """Return lengths [m] as whole millimetres, told from limits that they are not on."""
    return figure_list(values * 1000.0, 0, *(limit * 1000.0 for limit in limits), plus=plus)


def _figure(title: str, unit: str, cells: Sequence[str], group: str = "") -> Column:
    return Column(title=title, unit=unit, cells=cells, align="figure", group=group)


def _name(title: str, names: Sequence[str], most: float) -> Column:
    return Column(title=title, cells=names, wraps=True, least=min(max(5.0, longest_part(names) + 0.1), most))


def _pile_table(listed: SetOutList) -> Table:
    at, moved, least = "set out at", "offset from design", "least overlap"
    asked = listed.asked
    return Table(
        columns=(
            _name("pile", [str(one) for one in listed.pile_id], 9.0),
            _figure("easting", "m", figure_list(listed.site_e, 3), at),
            _figure("northing", "m", figure_list(listed.site_n, 3), at),
            Column(title="which", cells=[str(one) for one in listed.source], group=at),
            _figure("east", "mm", _mm(listed.e - listed.design_e, plus=True), moved),
            _figure("north", "mm", _mm(listed.n - listed.design_n, plus=True), moved),
            _figure("along", "mm", _mm(listed.along, plus=True), moved),
            _figure("to pit", "mm", _mm(listed.across, plus=True), moved),
            _figure("asked", "mm", _mm(asked), least),
            _figure("at design", "mm", _mm(listed.design_least, asked), least),
            _figure("here", "mm", _mm(listed.least, asked), least),
            _figure("at level", "m", [level_figure(float(z)) for z in listed.least_level], least),
            _name("joint", [one or DASH for one in listed.least_joint], 13.0),
            Column(title="sure", cells=[one or DASH for one in listed.sure], align="centre"),
        ),
        remarks=[true_minus(str(reason)) for reason in listed.reason],
    )


def _tape_table(listed: SetOutList) -> Table:
    owner = np.repeat(np.arange(len(listed)), np.diff(listed.start))
    tape, least = "tape", "least overlap"
    asked = listed.joint_asked
    return Table(
        columns=(
            _name("pile", [str(listed.pile_id[k]) for k in owner], 9.0),
            _name("neighbour", [str(one) for one in listed.neighbour], 9.0),
            Column(title="it stands", cells=[str(one) for one in listed.stands]),
            _figure("mark to its near face", "mm", _mm(listed.to_face), tape),
            _figure("casing's far face to its near face", "mm", _mm(listed.over_casing), tape),
            _figure(PLUS_MINUS, "mm", [at_most(float(one) * 1000.0) for one in listed.band], tape),
            _figure("read", "mm", [""] * len(owner), tape),
            _figure("bite at this level", "mm", _mm(listed.bite)),
            _figure("asked", "mm", _mm(asked), least),
            _figure("at design", "mm", _mm(listed.joint_design_least, asked), least),
            _figure("here", "mm", _mm(listed.joint_least, asked), least),
        )
    )


# ------------------------------------------------------------------------------------------------- beside


def _legend(listed: SetOutList, *, sketched: bool) -> Iterator[Entry]:
    if listed.count("advised"):
        yield Entry(text="advised: advice, not to be set out before the engineer has confirmed it.")
    if listed.count("approved"):
        yield Entry(text="approved: agreed to by the engineer (set_out/approved.csv).")
    if listed.count("approved-check"):
        yield Entry(text="approved-check: beyond the play or with an open joint; check its line before setting out.")
    yield Entry(text="design: the centre of the design table.")
    yield Entry(text=f"{DASH}: not known, or there is no such thing; it is not 0.")
    if sketched:
        yield from sketch_legend()


def _notes(listed: SetOutList) -> Iterator[str]:
    yield (
        "Least overlap: of all joints and levels of the pile, standing plumb where it is set out, its neighbours as "
        "built along their axes; one that is not built where it is set out."
    )
    yield (
        "Sure: with the confidence asked for, in all its joints with built neighbours, if the pile leans by half of "
        "what is allowed (1 s.d.)."
    )
    yield (
        f"Tape: faces are those of casings as recorded, else of the design diameter, true to {AT_MOST} {PLUS_MINUS} in "
        "95 of 100 (pickup, set-up, axis, mark, radius)."
    )
    if not listed.plain and len(listed) > MOST_SKETCHED:
        yield f"Sketches are drawn for up to {MOST_SKETCHED} piles: name them on the command line."
    for why in dict.fromkeys(reason for _, reason in listed.left_out):
        names = [pile for pile, reason in listed.left_out if reason == why]
        yield f"Still to drill, not in the list: {few(names, _MOST_NAMES)}: {why}."


def _sign_height(text: float) -> float:
    return max(_SIGN * text, _PEN)


def _foot(area: Box, text: float) -> Box:
    height = 5.6 * text + len(_LINES) * _sign_height(text)
    return Box(left=area.left + 2.0, bottom=area.bottom + 2.0, width=area.width - 4.0, height=height)


def _draw_signatures(canvas: Canvas, at: Box, text: float) -> None:
    """Draw the boxes to sign in at the foot of the first sheet."""
    part, head = at.width / len(_SIGNED), at.top - 5.6 * text
    for place, (name, under) in enumerate(_SIGNED):
        x = at.left + place * part
        canvas.text(x + 0.7 * text, at.top - 2.2 * text, name, height=1.4 * text)
        for down, line in enumerate(wrap(under, part - 1.4 * text, text)[:2]):
            canvas.text(x + 0.7 * text, at.top - (3.7 + 1.4 * down) * text, line, height=text)
        y = head
        for caption in _LINES:
            canvas.lines([[(x, y), (x + part, y)]], width=FINE)
            canvas.text(x + 0.7 * text, y - 1.5 * text, caption, height=text, colour=GREY)
            y -= _sign_height(text)
    rules = [[(at.left + k * part, at.bottom), (at.left + k * part, at.top)] for k in range(1, len(_SIGNED))]
    canvas.lines(rules, width=FINE)
    canvas.rectangle(at, width=MEDIUM)
