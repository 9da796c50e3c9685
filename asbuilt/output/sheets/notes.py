"""The words on a sheet that come from settings and inputs: tolerances and rules used, what is not checked, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS, ledger_line_sha256
from asbuilt.output.sheets.canvas import FINE, GREY
from asbuilt.output.sheets.figures import level_figure, true_minus
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.symbols import arrows

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from asbuilt.model import Floats, Reconciliation
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.settings import Settings

__all__ = ["CAUTION", "allowed", "few", "level_range", "not_made", "plan_notes", "sheet_notes"]

CAUTION = (
    "Geometry only: nothing is said of stability, strength, watertightness or ground movement. Not a permit to dig. "
    "Missing data is not acceptable data. The responsible engineer releases excavation, under local codes."
)


def _number(value: float) -> str:
    return true_minus(f"{value:.10g}")


def _short(text: str, most: int = 60) -> str:
    """Return a text of the user's, cut so that the notes always find room."""
    return text if len(text) <= most else f"{text[: most - 1]}\u2026"


def few(paths: Sequence[str], most: int = 3) -> str:
    """Return the first of several paths or names, and how many more there are."""
    more = f" and {len(paths) - most} more" if len(paths) > most else ""
    return ", ".join(_short(path, 40) for path in paths[:most]) + more


def _slope(mm_per_m: float) -> str:
    return f"1:{1000.0 / mm_per_m:.4g}"


def level_range(levels: Floats) -> str:
    """Return a level [m], or the range of several, as a sheet prints it."""
    known = levels[np.isfinite(levels)]
    if not len(known):
        return "not known"
    low, high = level_figure(float(known.min())), level_figure(float(known.max()))
    return f"{high} m" if low == high else f"{low} to {high} m"


def _kinds(result: Reconciliation) -> list[str]:
    """Return the kinds of pile that are in the design, in the dictionary's order."""
    present = np.unique(np.asarray(result.survey.design["kind"]))
    return [KINDS[code] for code in present if code >= 0]


def allowed(settings: Settings, kinds: list[str]) -> list[str]:
    """Return what is allowed, check by check, with the rule that decides."""
    t, rule = settings.tolerance, settings.decide
    growth = f" + {_number(t.plan_growth_mm_per_m)} mm per m below commencing level" if t.plan_growth_mm_per_m else ""
    said = [f"plan {_number(t.plan_mm)} mm{growth} ({rule.plan})"]
    limits = {kind: _slope(t.verticality[kind]) for kind in kinds if kind in t.verticality}
    if len(set(limits.values())) == 1:
        said.append(f"lean {next(iter(limits.values()))} ({rule.vertical})")
    elif limits:
        said.append(f"lean {', '.join(f'{kind} {limit}' for kind, limit in limits.items())} ({rule.vertical})")
    chord = f" and chord {_number(t.chord_mm)} mm" if t.chord_mm is not None else ""
    said.append(f"joint overlap {_number(t.overlap_mm)} mm{chord} ({rule.joint})")
    if t.encroach_mm is not None:
        grows = f" + {_number(t.encroach_growth_mm_per_m)} mm/m" if t.encroach_growth_mm_per_m else ""
        said.append(f"towards the pit {_number(t.encroach_mm)} mm{grows} ({rule.encroach})")
    if t.toe_mm is not None:
        said.append(f"toe {_number(t.toe_mm)} mm above design")
    return said


def not_made(result: Reconciliation) -> list[str]:
    """Return the checks that are not made because their tolerance, or the outline, is missing."""
    t = result.survey.settings.tolerance
    missing = [f"lean of {kind} piles" for kind in _kinds(result) if kind not in t.verticality]
    if t.encroach_mm is None:
        missing.append("movement towards the pit")
    if t.toe_mm is None:
        missing.append("toe level")
    if result.survey.clear_outline is None:
        missing.append("clear outline (none given)")
    return missing


def _sign_figure(text: float) -> Callable[[Canvas, Box], None]:
    def draw(canvas: Canvas, box: Box) -> None:
        """Draw the directions in which a deviation counts positive."""
        x, y = box.left + 0.5 * text, box.bottom + 0.5 * text
        reach_x, reach_y = box.width - 2.0 * text, box.height - 1.9 * text
        axes = [[(x, y), (x + reach_x, y)], [(x, y), (x, y + reach_y)]]
        canvas.lines(axes, width=FINE, colour=GREY)
        canvas.text(x + reach_x + 0.3 * text, y - 0.4 * text, "E", height=text)
        canvas.text(x - 0.4 * text, y + reach_y + 0.3 * text, "N", height=text)
        end = np.array([[x + 0.75 * reach_x, y + 0.75 * reach_y]])
        arrows(canvas, np.array([[x, y]]), end, hollow=np.array([False]), halo=False)

    return draw


def plan_notes(result: Reconciliation, text: float) -> tuple[Entry, ...]:
    """Return the notes of a deviation plan, lettered ``text`` mm high."""
    levels = level_range(np.asarray(result.piles["cut_off_level"], dtype=np.float64))
    return sheet_notes(result, text, shown=f"Level shown: cut-off, {levels}; centres are carried to it along the axes.")


def sheet_notes(result: Reconciliation, text: float, *, shown: str, more: Sequence[str] = ()) -> tuple[Entry, ...]:
    """Return the notes that every sheet carries, lettered ``text`` mm high.

    Parameters
    ----------
    result : Reconciliation
    text : float
        Height of a capital letter [mm].
    shown : str
        The sentence that says which level, or levels, the sheet shows.
    more : sequence of str
        Further notes, of this sheet alone; they come first.
    """
    return (
        *(Entry(text=said) for said in more),
        Entry(
            text="Deviation: as built minus design, + to east, to north, towards the pit, along the wall as positions "
            "rise. Bearings: clockwise from site-grid north.",
            sample=_sign_figure(text),
            height=5.4,
        ),
        *(Entry(text=said) for said in _texts(result, shown)),
    )


def _texts(result: Reconciliation, shown: str) -> Iterator[str]:
    survey = result.survey
    settings = survey.settings
    if survey.changed:
        yield f"CHANGED since taken in: {few(survey.changed)}. The sheet shows what stands there now."
    grid = result.grid
    placed = "not placed on a map" if grid is None else f"placed on {_short(grid.map_crs, 24)} {_short(grid.tie, 80)}"
    yield f"Coordinates: site grid, m, {placed}. Levels: site datum, m. Deviations: mm."
    if shown:
        yield shown
    yield f"Allowed: {'; '.join(allowed(settings, _kinds(result)))}."
    sure = f"{settings.site.confidence * 100:.4g} %"
    missing = not_made(result)
    unmade = f"Not checked, as no tolerance or limit is set: {', '.join(missing)}." if missing else ""
    yield (
        f"Simple: measured against allowed. Guarded: decided where {sure} sure, else unresolved. Verdicts are the "
        f"worst of all checks made, at every level. {unmade or 'No check is left out.'}"
    )
    u = settings.uncertainty
    lean = f"{_number(u.tilt_mm_per_m)} and systematic {_number(u.tilt_systematic_mm_per_m)} mm/m"
    yield (
        f"Uncertainty, 1 s.d.: pickup {_number(u.pickup_mm)}, set-up {_number(u.setup_mm)}, radius "
        f"{_number(u.radius_mm)} mm; lean {lean}, wander {_number(u.wander_mm_per_m)} mm/m per root metre. "
        f"Axes {u.axis}; below the last reading predicted."
    )
    for file in survey.files:
        if file.table == "design":
            head = f" Ledger {ledger_line_sha256(survey.ledger_rows[-1])[:12]}." if survey.ledger_rows else ""
            yield f"Design: {_short(file.path)}, sha256 {file.sha256[:12]}.{head}"
