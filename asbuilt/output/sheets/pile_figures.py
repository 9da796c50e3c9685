"""The figures and words of a pile sheet: each check's measured and allowed value, verdict, chance; how it is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import METHODS, OBJECTS, VERDICTS
from asbuilt.output.sheets.canvas import FINE, HAIR
from asbuilt.output.sheets.figures import DASH, chance, counted, figure, level_text, true_minus
from asbuilt.output.sheets.lettering import clean, text_width

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.canvas import Canvas

__all__ = ["Grid", "checks", "facts", "verdict_name"]

#: Distance of a table's rows in heights of text.
ROW = 1.95
#: Distance of its columns.
SPACE = 1.3


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A small table: headings, rows of as many cells, and which columns hold figures that stand at the right edge."""

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    right: frozenset[int] = frozenset()

    def widths(self, text: float) -> list[float]:
        """Return how wide the columns are [mm] when lettered ``text`` mm high; nothing in them is cut."""
        cells = zip(self.headings, *self.rows, strict=True)
        return [max(text_width(clean(cell), text) for cell in column) + SPACE * text for column in cells]

    def height(self, text: float) -> float:
        """Return how high it is [mm]."""
        return (0.1 + ROW * (len(self.rows) + 1)) * text

    def draw(self, canvas: Canvas, x: float, top: float, text: float) -> float:
        """Draw it with its upper left corner at (x, top) [mm]; return its lower edge."""
        widths = self.widths(text)
        wide = sum(widths) - SPACE * text
        for number, row in enumerate((self.headings, *self.rows)):
            y = top - (1.35 + ROW * number) * text
            left = x
            for column, (cell, room) in enumerate(zip(row, widths, strict=True)):
                if column in self.right:
                    canvas.text(left + room - SPACE * text, y, cell, height=text, anchor="right")
                else:
                    canvas.text(left, y, cell, height=text)
                left += room
            under = y - 0.58 * text
            canvas.lines([[(x, under), (x + wide, under)]], width=HAIR if number else FINE)
        return top - self.height(text)


def verdict_name(code: int) -> str:
    """Return a verdict in words; "not checked" where there is none."""
    return VERDICTS[code] if code >= 0 else "not checked"


def _missing(result: Reconciliation, pile: int) -> str:
    return "not surveyed" if bool(result.piles.expected[pile]) else "not built"


def _unit(value: str, unit: str) -> str:
    return f"{value} {unit}" if value else ""


def checks(result: Reconciliation, pile: int) -> Grid:
    """Return the checks of a pile: name, measured, allowed, verdict, utilisation, probability; in words where none."""
    p = result.piles
    rows = [
        _check(result, pile, "plan position", "offset_mm", "allowed_mm", "plan", "plan_of_allowed_percent"),
        _check(result, pile, "verticality", "incline_mm_per_m", "allowed_mm_per_m", "vertical",
               "vertical_of_allowed_percent", unit="mm/m", digits=2),
        *_encroachment(result, pile),
        _toe(result, pile, float(p["toe_level"][pile])),
    ]  # fmt: skip
    headings = ("Check", "measured", "allowed", "verdict", "of allowed", "chance")
    return Grid(headings=headings, rows=rows, right=frozenset({1, 2, 4, 5}))


def _check(
    result: Reconciliation,
    pile: int,
    name: str,
    measured: str,
    allowed: str,
    check: str,
    share: str,
    *,
    unit: str = "mm",
    digits: int = 1,
) -> tuple[str, ...]:
    p = result.piles
    value, limit = float(p[measured][pile]), float(p[allowed][pile])
    verdict = int(p[f"{check}_verdict"][pile])
    return (
        name,
        _unit(figure(value, limit, digits=digits), unit) if np.isfinite(value) else _missing(result, pile),
        _unit(figure(limit, digits=digits), unit) if np.isfinite(limit) else "no limit set",
        verdict_name(verdict),
        _percent(float(p[share][pile])),
        _chance(result, float(p[f"p_{check}"][pile])),
    )


def _percent(value: float) -> str:
    return f"{figure(value, 100.0, digits=0)} %" if np.isfinite(value) else DASH


def _chance(result: Reconciliation, p: float) -> str:
    sure = result.survey.settings.site.confidence
    return chance(p, sure, 1.0 - sure)


def _encroachment(result: Reconciliation, pile: int) -> Iterator[tuple[str, ...]]:
    """Yield the movement towards the pit, and the face against the clear outline; they are one check."""
    p, t = result.piles, result.survey.settings.tolerance
    shared = (
        verdict_name(int(p["encroach_verdict"][pile])),
        _percent(float(p["encroach_of_allowed_percent"][pile])),
        _chance(result, float(p["p_encroach"][pile])),
    )
    moved, level = float(p["worst_towards_pit_mm"][pile]), float(p["worst_towards_pit_level"][pile])
    face = float(p["face_inside_mm"][pile])
    outline = result.survey.clear_outline is not None
    allowed = np.nan
    if t.encroach_mm is not None:
        down = max(0.0, float(p["cut_off_level"][pile]) - level) if np.isfinite(level) else 0.0
        allowed = t.encroach_mm + t.encroach_growth_mm_per_m * down
    yield (
        "towards the pit",
        f"{figure(moved, allowed)} mm" if np.isfinite(moved) else _missing(result, pile),
        f"{figure(allowed)} mm" if np.isfinite(allowed) else "no limit set",
        *shared,
    )
    if outline:
        known = f"{figure(face, t.clear_mm)} mm" if np.isfinite(face) else _missing(result, pile)
        yield ("face in outline", known, f"{figure(t.clear_mm)} mm", "same check", "", "")


def _toe(result: Reconciliation, pile: int, recorded: float) -> tuple[str, ...]:
    allowed = result.survey.settings.tolerance.toe_mm
    design = float(result.survey.design["toe_level"][pile])
    limit = design + allowed / 1000.0 if allowed is not None else np.nan
    return (
        "toe, at or below",
        level_text(recorded, limit) if np.isfinite(recorded) else "not recorded",
        level_text(limit, recorded) if np.isfinite(limit) else "no limit set",
        verdict_name(int(result.piles["toe_verdict"][pile])),
        "",
        "",
    )


def facts(result: Reconciliation, pile: int) -> list[str]:
    """Return how the pile's place and axis are known, and why it is not within, in sentences."""
    if not bool(result.piles.expected[pile]) and not result.omitted_but_built[pile]:
        return ["This pile is omitted: it is not built and not judged."]
    reasons = str(result.piles["reasons"][pile] or "none, every check made is within")
    if not bool(result.piles.expected[pile]):
        reasons = "omitted in the design, so not judged"
    name = str(result.piles["pile_id"][pile])
    odd = [f"Odd: {true_minus(found.text)}." for found in result.findings if found.item == name]
    return [_centre(result, pile), _axis(result, pile), f"Reasons: {true_minus(reasons)}.", *odd]


def _centre(result: Reconciliation, pile: int) -> str:
    p, c = result.piles, result.centres
    if not np.isfinite(c.e[pile]):
        why = true_minus(c.reason[pile] or "")
        return f"Centre: not surveyed{f' ({why})' if why else ''}."
    thing = int(p["object"][pile])
    shots = int(p["n_shots"][pile])
    at = result.survey.settings.site.time_text(c.surveyed_at[pile].astype("datetime64[m]"))
    what = f" on the {OBJECTS[thing].replace('trimmed', 'trimmed head')}" if thing >= 0 else ""
    said = f"Centre: {counted(shots, 'shot')}{what}, {at}, {p['load_file'][pile]}"
    u = float(p["u_offset_mm"][pile])
    return f"{said}; standard uncertainty at cut-off {u:.1f} mm." if np.isfinite(u) else f"{said}."


def _axis(result: Reconciliation, pile: int) -> str:
    method = METHODS[int(result.axes.method[pile])]
    if method == "none":
        known = "nothing was read on it: the axis is not known below the surveyed level, the lean is not surveyed"
        return f"Axis: {known}."
    read = int(result.axes.readings[pile])
    below = float(result.axes.deepest[pile])
    how = {
        "straight": f"straight, from {counted(read, 'lean reading')} at the greatest depth",
        "stepped": "stepped, each lean reading holds down to its depth",
        "profile": "measured profile, shown by its points",
    }[method]
    one = str(result.piles["one_in"][pile] or "")
    tail = f"; predicted below {level_text(below)}" if np.isfinite(below) else ""
    files = _files(result, pile, "profiles" if method == "profile" else "tilts")
    return f"Axis: {how}{f'; {one}' if one else ''}{tail}{f'; {files}' if files else ''}."


def _files(result: Reconciliation, pile: int, table: str) -> str:
    """Return the files that hold rows of a table on a pile."""
    rows = getattr(result.survey, table)
    places = np.unique(rows.file[rows.pile == pile])
    names = [result.survey.files[k].path for k in places if k >= 0]
    more = f" and {len(names) - 2} more" if len(names) > 2 else ""
    return ", ".join(names[:2]) + more
