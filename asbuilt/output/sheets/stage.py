"""Stage sheets: what holds a stage of excavation, what lies below it, decisions, cautions in full, signature boxes.

They release nothing: whoever is responsible reads, decides and signs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output._cautions import FULL_CAUTIONS
from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, INK, MEDIUM, Box
from asbuilt.output.sheets.figures import DASH, asked_level, counted, level_figure, level_text, true_minus
from asbuilt.output.sheets.frame import Entry, Sheet
from asbuilt.output.sheets.lettering import clean, fit, text_width, wrap
from asbuilt.output.sheets.list_flow import Flow
from asbuilt.output.sheets.notes import CAUTION, not_made, sheet_notes
from asbuilt.output.sheets.schedule import draw_heading, list_box, verdict_entries
from asbuilt.output.sheets.symbols import LOOKS, draw_markers
from asbuilt.output.sheets.table import Column, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Decision, Hold, Integers, Reconciliation, StageState
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.table import Align

__all__ = ["stage_sheets"]

NO_HOLDS = "No holds found by these checks: this releases nothing"
NOT_MEASURED = "not measured"
NOTHING = "none"
#: Names of the lists.
HELD, BELOW, DECIDED = "held", "below", "decided"
ACCEPTED, UNMEASURED = "Accepted by a decision that stands", "Accepted without measurement"
ONLY_ACCEPT = "Only an accept lifts a hold, down to its level, and only while the inputs of its item are as they were."
#: The checks of the site file in words.
CHECKS = {
    "joint": "joint",
    "toe": "toe level",
    "encroach": "encroachment",
    "plan": "plan position",
    "vertical": "lean",
}
#: What the verdicts are counted in: the worst first, and missing data as large as bad data.
_TALLY = ("outside", "not surveyed", "unresolved")
#: Lettering may be larger than asked for where that takes no more sheets; not tried for very long lists.
_LARGER, _LONG = (1.5, 1.3, 1.15), 400
#: Characters of a stage's name in the sheet's heading, and in the title block.
_LONGEST, _SHORT = 60, 28
#: Heights of the rows of a signature box, in heights of text, and the least for a pen [mm].
_SIGNED = (("Name", 4.2), ("Signature", 5.6), ("Date", 4.2))
_PEN = 8.0
#: Height of the line over the boxes that says that a stage goes on, in heights of text.
_GOES_ON = 2.4


def stage_sheets(job: Job, area: Box, text: float) -> list[Sheet]:
    """Return one sheet, or more where its lists are long, for every stage of excavation."""
    result = job.result
    notes = sheet_notes(
        result, text, shown="Levels shown: those of the stage, and the highest at which an item is not sure."
    )
    flows = [_flow(result, state, area, text) for state in result.stages]
    pages = sum(len(flow.pages) for flow in flows)
    rows = sum(len(state.held_by) + len(state.below) for state in result.stages)
    for factor in _LARGER if rows < _LONG else ():
        larger = [_flow(result, state, area, text * factor) for state in result.stages]
        if sum(len(flow.pages) for flow in larger) <= pages:
            flows = larger
            break
    return [
        _sheet(state, flow, number, area, notes)
        for state, flow in zip(result.stages, flows, strict=True)
        for number in range(len(flow.pages))
    ]


def _sheet(state: StageState, flow: Flow, number: int, area: Box, notes: tuple[Entry, ...]) -> Sheet:
    page, count = flow.pages[number], len(flow.pages)
    of = f", {number + 1} of {count}" if count > 1 else ""
    right = _state_words(state) if number else f"goes on: {count} sheets" if count > 1 else ""

    def draw(canvas: Canvas) -> None:
        draw_heading(canvas, area, flow.text, f"Stage {_short(state.stage, _LONGEST)}{of}", right)
        if number == 0:
            _draw_foot(canvas, _foot_box(area, flow.text, count), flow.text, count)
        for part in page.drawn:
            part(canvas)

    return Sheet(
        title=f"Stage {_short(state.stage, _SHORT)}{of}",
        scale=None,
        draw=draw,
        legend=tuple(_legend(state, page.rows)),
        notes=notes,
        caution=CAUTION,
    )


def _short(name: str, most: int) -> str:
    name = clean(name)
    return name if len(name) <= most else f"{name[: most - 1].rstrip()}\u2026"


def _legend(state: StageState, rows: Sequence[tuple[str, int, int]]) -> Iterator[Entry]:
    """Yield the legend of the rows that stand on one sheet."""
    lists = {HELD: state.held_by, BELOW: state.below, **_accepted(state)}
    holds = [hold for name, start, stop in rows if name in lists for hold in lists[name][start:stop]]
    # the head counts items, of all sheets of the stage
    for entry in verdict_entries(np.array([VERDICTS.index(hold.verdict) for hold in holds], dtype=np.int64), "check"):
        yield replace(entry, text=f"{entry.text} on this sheet")
    if holds:
        yield Entry(text="Worst first; an item that fails two checks is listed for each.")
    if any(np.isnan(hold.level) for hold in holds):
        yield Entry(
            text=f"{NOT_MEASURED}: from which level down the item is not sure is not known: it holds every stage."
        )
    if any(name == DECIDED for name, _, _ in rows):
        yield Entry(text=f"{DASH}: not given.")


def _state_words(state: StageState) -> str:
    if not state.held_by:
        return NO_HOLDS
    return f"HELD by {_items(state.held_by)}"


def _flow(result: Reconciliation, state: StageState, area: Box, text: float) -> Flow:
    """Lay the lists of one stage out over as many sheets as they need; where several, the first has room to say so."""
    flow = _laid(result, state, area, text, several=False)
    return flow if len(flow.pages) == 1 else _laid(result, state, area, text, several=True)


def _laid(result: Reconciliation, state: StageState, area: Box, text: float, *, several: bool) -> Flow:
    box = list_box(area, text)
    flow = Flow(box, text, foot=_foot_height(area, text, several=several) + text)
    if len(state.stage) > _LONGEST or text_width(clean(state.stage), text) > 0.5 * box.width:
        flow.paragraph(f"Stage in full: {state.stage}")
    flow.part(8.6 * text, lambda canvas, at: _draw_state(canvas, at, state, text))
    for line in _checked(result):
        flow.paragraph(line)
    checks = counted(len(state.held_by), "check")
    if state.held_by:
        flow.table(
            f"What holds it: {checks} of {_items(state.held_by)}", _hold_table(state.held_by, state.below), name=HELD
        )
    else:
        flow.heading("What holds it")
        flow.paragraph(f"{NO_HOLDS}. Geometry alone is no reason to dig.")
    if state.below:
        words = f"Below this stage, to be settled before a deeper one: {_items(state.below)}"
        flow.table(words, _hold_table(state.below, state.held_by), name=BELOW)
    else:
        flow.heading("Below this stage")
        flow.paragraph("Nothing that these checks find lies below this stage only.")
    for name, accepted in _accepted(state).items():
        if accepted:
            flow.table(f"{name}: {_items(accepted)}", _hold_table(accepted, state.held_by), name=name)
    _decisions(flow, result)
    return flow


def _accepted(state: StageState) -> dict[str, list[Hold]]:
    """Return what a decision lifts; what was accepted without measurement stands apart."""
    blind = [hold for hold in state.accepted if hold.unmeasured]
    return {ACCEPTED: [hold for hold in state.accepted if not hold.unmeasured], UNMEASURED: blind}


def _items(holds: Sequence[Hold]) -> str:
    return counted(len({hold.item for hold in holds}), "item")


def _checked(result: Reconciliation) -> Iterator[str]:
    """Yield which checks hold a stage, which do not, and which are not made."""
    holds = result.survey.settings.decide.holds
    named = [CHECKS[check] for check in CHECKS if check in holds]
    others = [CHECKS[check] for check in CHECKS if check not in holds]
    if named:
        yield f"Checks that hold a stage: {', '.join(named)}. Checks that do not: {', '.join(others) or 'none'}."
    else:
        yield "No check is set to hold a stage: that nothing is listed here says nothing of the wall."
    missing = not_made(result)
    if missing:
        yield f"Checks not made, as no tolerance or limit is set: {', '.join(missing)}."


def _hold_cells(holds: Sequence[Hold]) -> list[list[str]]:
    codes = [VERDICTS.index(hold.verdict) for hold in holds]
    return [
        [hold.item for hold in holds],
        [CHECKS.get(hold.check, hold.check) for hold in holds],
        [f"{LOOKS[code].letter} {VERDICTS[code]}" for code in codes],
        [NOT_MEASURED if np.isnan(hold.level) else level_figure(hold.level) for hold in holds],
        [true_minus(hold.text) for hold in holds],
        [_decided(hold.decision) for hold in holds],
    ]


def _hold_table(holds: Sequence[Hold], others: Sequence[Hold]) -> Table:
    """Return what holds, or lies below, as a table whose columns are as wide as those of the other one."""
    item, check, verdict, level, found, decision = zip(_hold_cells(holds), _hold_cells(others), strict=True)
    codes = np.array([VERDICTS.index(hold.verdict) for hold in holds], dtype=np.int64)
    return Table(
        columns=(
            _column("item", item, least=9.0),
            _column("check", check),
            _column("verdict", verdict, marks=codes),
            _column("not sure from, m", level, align="figure"),
            _column("what was found", found, least=24.0),
            _column("last decision", decision, least=9.0),
        )
    )


def _column(
    title: str,
    cells: tuple[list[str], list[str]],
    *,
    least: float | None = None,
    align: Align = "left",
    marks: Integers | None = None,
) -> Column:
    own, beside = cells
    return Column(
        title=title,
        cells=own,
        beside=beside,
        align=align,
        marks=marks,
        wraps=least is not None,
        least=least or 0.0,
        title_lines=2,
    )


def _decided(decision: Decision | None) -> str:
    """Return what was decided in few words; the list of decisions says the rest."""
    if decision is None:
        return NOTHING
    down = "" if decision.down_to is None else f" to {level_text(decision.down_to)}"
    became = "" if decision.state == "stands" else f": {_became(decision)}"
    return f"{decision.effect}{down}{became}"


def _became(decision: Decision) -> str:
    """Return what has become of a decision: an accept whose inputs changed has lapsed, while a hold stays."""
    lapsed = decision.effect == "accept" and decision.state.startswith("changed")
    return decision.state.replace("changed", "lapsed", 1) if lapsed else decision.state


def _decisions(flow: Flow, result: Reconciliation) -> None:
    """List the decisions that are recorded, each with what has become of it."""
    recorded = result.decisions
    if not recorded:
        flow.heading("Decisions")
        flow.paragraph("No decision is recorded.")
        return
    site = result.survey.settings.site
    changed = [f"{_became(one)}{f': {one.changed}' if one.changed else ''}" for one in recorded]
    down = [DASH if one.down_to is None else level_text(one.down_to) for one in recorded]
    table = Table(
        columns=(
            Column(title="at", cells=[site.time_text(one.at.astype("datetime64[m]")) for one in recorded]),
            Column(title="by", cells=_texts([one.by for one in recorded]), wraps=True, least=9.0),
            Column(title="item", cells=_texts([one.item for one in recorded]), wraps=True, least=9.0),
            Column(title="effect", cells=[one.effect for one in recorded]),
            Column(title="down to", cells=down),
            Column(title="until", cells=_texts([one.until for one in recorded]), wraps=True, least=9.0),
            Column(title="reason", cells=_texts([one.reason for one in recorded]), wraps=True, least=20.0),
            Column(title="reference", cells=_texts([one.reference for one in recorded]), wraps=True, least=6.0),
            Column(title="state", cells=_texts(changed), wraps=True, least=16.0),
        )
    )
    flow.table(f"Decisions recorded: {len(recorded)}", table, name=DECIDED, before=ONLY_ACCEPT)


def _texts(values: Sequence[str]) -> list[str]:
    return [true_minus(value) if value else DASH for value in values]


def _words_in(canvas: Canvas, at: Box, words: str, most: float, text: float) -> None:
    """Write words into a cell, as large as they fit; what does not fit on one line stands on two."""
    room = at.width - 1.2 * text
    if text_width(words, text) <= room:
        line, height = fit(words, room, most * text, least=text)
        canvas.text(at.left + 0.6 * text, at.bottom + 0.8 * text, line, height=height)
        return
    for number, line in enumerate(wrap(words, room, text)):
        canvas.text(at.left + 0.6 * text, at.bottom + (2.1 - 1.5 * number) * text, line, height=text)


def _draw_state(canvas: Canvas, at: Box, state: StageState, text: float) -> None:
    """Draw how deep the stage goes, whether it is held, and how many checks have each verdict."""
    middle = at.bottom + 3.4 * text
    parts = (at.left, at.left + 0.2 * at.width, at.left + 0.46 * at.width, at.right)
    sound = "the bottom of each joint's range" if state.joints_to is None else asked_level(state.joints_to)
    cells = (
        ("Level dug to", asked_level(state.level)),
        ("Joints to be sound down to", sound),
        ("State", _state_words(state)),
    )
    for left, right, (caption, words) in zip(parts[:-1], parts[1:], cells, strict=True):
        canvas.text(left + 0.6 * text, at.top - 1.5 * text, caption, height=text, colour=GREY)
        most = 2.0 if caption == "State" else 1.5
        _words_in(canvas, Box(left=left, bottom=middle, width=right - left, height=at.top - middle), words, most, text)
    canvas.lines([[(x, middle), (x, at.top)] for x in parts[1:-1]], width=FINE)
    canvas.lines([[(at.left, middle), (at.right, middle)]], width=FINE)
    # An item that fails two checks counts once, by the worse of them: the list has the worse first.
    verdicts = list({hold.item: hold.verdict for hold in reversed(state.held_by)}.values())
    third = at.width / len(_TALLY)
    for number, name in enumerate(_TALLY):
        x, y = at.left + number * third, at.bottom + 1.1 * text
        draw_markers(canvas, LOOKS[VERDICTS.index(name)], np.array([[x + 1.4 * text, y + 0.6 * text]]), 1.3 * text)
        words = f"{counted(verdicts.count(name), 'item')} {name}"
        line, height = fit(words, third - 3.6 * text, 1.3 * text, least=text)
        canvas.text(x + 2.8 * text, y, line, height=height)
    canvas.lines([[(at.left + k * third, at.bottom), (at.left + k * third, middle)] for k in (1, 2)], width=FINE)
    canvas.rectangle(at, width=BOLD)


def _caution_lines(width: float, text: float) -> list[tuple[str, bool]]:
    """Return the lines of the cautions and whether each begins one."""
    return [
        (line, number == 0)
        for caution in FULL_CAUTIONS
        for number, line in enumerate(wrap(caution, width - 4.2 * text, text))
    ]


def _box_heights(text: float) -> list[float]:
    return [max(height * text, _PEN) for _, height in _SIGNED]


def _foot_height(area: Box, text: float, *, several: bool) -> float:
    """Return the height of cautions and signature boxes [mm], with the line between them on one of several sheets."""
    cautions = 1.5 * len(_caution_lines(area.width - 4.0, text)) + 4.4 + (_GOES_ON if several else 0.0)
    return (cautions + 1.0) * text + _head_height(area.width - 4.0, text) + sum(_box_heights(text))


def _foot_box(area: Box, text: float, sheets: int) -> Box:
    height = _foot_height(area, text, several=sheets > 1)
    return Box(left=area.left + 2.0, bottom=area.bottom + 2.0, width=area.width - 4.0, height=height)


def _draw_foot(canvas: Canvas, at: Box, text: float, sheets: int) -> None:
    """Draw the cautions in full in a bold frame, and under them the boxes to sign in."""
    lines = _caution_lines(at.width, text)
    height = (1.5 * len(lines) + 4.4) * text
    frame = Box(left=at.left, bottom=at.top - height, width=at.width, height=height)
    canvas.rectangle(frame, width=BOLD)
    canvas.text(at.left + text, at.top - 2.3 * text, "Cautions", height=1.3 * text)
    for number, (line, first) in enumerate(lines):
        y = at.top - (4.5 + 1.5 * number) * text
        if first:
            canvas.circles([(at.left + 1.6 * text, y + 0.5 * text)], 0.25 * text, fill=INK)
        canvas.text(at.left + 2.8 * text, y, line, height=text)
    boxes = Box(left=at.left, bottom=at.bottom, width=at.width, height=at.height - height - text)
    if sheets > 1:
        said = f"\u25ba Goes on: {sheets} sheets. Whoever signs here signs for all {sheets}, and has them at hand."
        line, size = fit(said, at.width, 1.4 * text, least=text)
        canvas.text(at.left, boxes.top - 1.4 * text, line, height=size)
        boxes = replace(boxes, height=boxes.height - _GOES_ON * text)
    _draw_signatures(canvas, boxes, text, sheets)


def _signed(sheets: int) -> tuple[tuple[str, str], ...]:
    """Return who signs, and for what."""
    number = "this sheet" if sheets == 1 else f"the {sheets} sheets of this stage"
    return (
        ("Prepared", f"for {number}"),
        ("Checked", f"for {number}"),
        ("Released", "by the responsible engineer, under local codes"),
    )


def _head_height(width: float, text: float) -> float:
    """Return the height of the heads of signature boxes [mm], as the longest of them wraps."""
    lines = max(len(wrap(under, width / 3 - 1.4 * text, text)) for _, under in _signed(9999))
    return (3.9 + 1.5 * lines) * text


def _draw_signatures(canvas: Canvas, at: Box, text: float, sheets: int) -> None:
    heads = _signed(sheets)
    third = at.width / len(heads)
    head = at.top - _head_height(at.width, text)
    for place, (name, under) in enumerate(heads):
        x = at.left + place * third
        canvas.text(x + 0.7 * text, at.top - 2.2 * text, name, height=1.4 * text)
        for down, line in enumerate(wrap(under, third - 1.4 * text, text)):
            canvas.text(x + 0.7 * text, at.top - (4.2 + 1.5 * down) * text, line, height=text)
        y = head
        for (caption, _), height in zip(_SIGNED, _box_heights(text), strict=True):
            canvas.lines([[(x, y), (x + third, y)]], width=FINE)
            canvas.text(x + 0.7 * text, y - 1.5 * text, caption, height=text, colour=GREY)
            y -= height
    canvas.lines([[(at.left + k * third, at.bottom), (at.left + k * third, at.top)] for k in (1, 2)], width=MEDIUM)
    canvas.rectangle(at, width=BOLD)
