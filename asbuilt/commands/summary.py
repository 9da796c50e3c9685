"""What ``run`` says at the end: the whole job at a glance, 80 columns wide, the gravest first.

It words what :mod:`asbuilt.reconcile` found and computes nothing. Letters and words carry each verdict; colour only
repeats them.
"""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from asbuilt.columns import METHODS, PROGRESS, SEVERITIES, TABLES, VERDICT_LOOKS, VERDICTS
from asbuilt.commands._shared import CAUTIONS, iso_time

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.model import Booleans, Codes, Finding, Floats, Integers, Joints, Piles, Reconciliation, StageState

__all__ = ["run_object", "summary_lines", "verdict_counts"]

_WIDTH = 80
_MOST_JOINTS = {"outside": 8, "unresolved": 4}
_MOST_PILES = {"outside": 6, "unresolved": 3}
_MOST_QUERIES = 5
_COLOURS: Mapping[str, dict[str, Any]] = {
    "within": {"fg": "blue"},
    "unresolved": {"fg": "yellow"},
    "outside": {"fg": "red", "bold": True},
    "not surveyed": {"dim": True},
}
#: As on the sheets: within first, then the two that need a better survey or a remedy, then what is missing.
_ORDER = tuple(VERDICT_LOOKS)
_BUILT = frozenset({"drilled", "concreted", "surveyed"})


def verdict_counts(codes: Codes) -> dict[str, int]:
    """Return how many have each verdict, all four named; what was not judged (-1) is not counted."""
    counts = np.bincount(codes[codes >= 0], minlength=len(VERDICTS))
    return {verdict: int(counts[VERDICTS.index(verdict)]) for verdict in _ORDER}


def run_object(result: Reconciliation) -> dict[str, Any]:
    """Return what ``run --json`` prints, less the target."""
    piles = result.piles
    return {
        "as_of": iso_time(result.as_of),
        "piles": verdict_counts(_codes(piles["verdict"])[piles.expected]),
        "joints": verdict_counts(_codes(result.joints["verdict"])),
        "progress": _progress(piles),
        "stages": [
            {
                "stage": state.stage,
                "level": state.level,
                "joints_to": state.joints_to,
                "state": state.state,
                "held_by": [hold.item for hold in state.held_by],
            }
            for state in result.stages
        ],
        "missing": {what: ids for what, ids in _missing(result).items() if ids},
        "checks_not_made": list(_checks_not_made(result)),
        "findings": len(result.findings),
        "findings_by_kind": dict(sorted(Counter(f.kind for f in result.findings).items())),
    }


def summary_lines(result: Reconciliation, *, target: Path, files: Mapping[str, str]) -> Iterator[str]:
    """Yield the summary.

    Parameters
    ----------
    result
        What was found.
    target, files
        Where the outputs went; each file made with a word about it.
    """
    yield from _head(result)
    yield from _counts(result)
    yield from _joints(result.joints)
    yield from _piles(result.piles)
    yield from _stages(result.stages)
    yield from _missing_lines(result)
    yield from _findings(result.findings)
    yield ""
    yield f"Written to {target}"
    wide = max(len(name) for name in files)
    yield from (f"  {name:<{wide}}  {what}".rstrip() for name, what in files.items())
    yield ""
    yield from textwrap.wrap(" ".join(CAUTIONS), _WIDTH)


def _head(result: Reconciliation) -> Iterator[str]:
    yield from textwrap.wrap(result.survey.settings.site.name, _WIDTH)
    rows = Counter(file.table for file in result.survey.files)
    loads = ", ".join(f"{rows[table]} of {table}" for table in TABLES if table not in ("design", "decisions") and rows[table])
    as_of = (iso_time(result.as_of) or "an unknown time").replace("T", " ").replace("Z", " UTC")
    yield f"As of {as_of}"
    yield from textwrap.wrap(f"Files read: {loads or 'the design alone'}", _WIDTH)


def _counts(result: Reconciliation) -> Iterator[str]:
    piles = result.piles
    heads = [f"{VERDICT_LOOKS[verdict].letter} {verdict}" for verdict in _ORDER]
    yield ""
    yield " " * 8 + "".join(_painted(f"{head:>16}", verdict) for head, verdict in zip(heads, _ORDER, strict=True))
    for name, codes in (
        ("piles", _codes(piles["verdict"])[piles.expected]),
        ("joints", _codes(result.joints["verdict"])),
    ):
        counts = verdict_counts(codes)
        cells = [f"{count if count else '-':>16}" for count in counts.values()]
        yield f"{name:<8}" + "".join(cells)
    yield ""
    progress = " · ".join(f"{word} {count}" for word, count in _progress(piles).items() if count)
    omitted = int(np.count_nonzero(~piles.expected))
    yield from textwrap.wrap("Progress  " + progress + (f" · omitted {omitted}" if omitted else ""), _WIDTH)


def _progress(piles: Piles) -> dict[str, int]:
    codes = _codes(piles["progress"])[piles.expected]
    counts = np.bincount(codes[codes >= 0], minlength=len(PROGRESS))
    return {word: int(count) for word, count in zip(PROGRESS, counts, strict=True)}


def _joints(joints: Joints) -> Iterator[str]:
    codes = _codes(joints["verdict"])
    shortfall = np.asarray(joints["least_overlap_mm"], dtype=np.float64) - joints.required * 1000.0
    yield from _worst(
        "Joints, the gravest first (overlap of what is asked for, at site levels)",
        codes,
        joints["joint_id"],
        shortfall,
        most=_MOST_JOINTS,
        words=lambda row: _joint_words(joints, row),
        file="joints.csv",
    )


def _joint_words(joints: Joints, row: int) -> str:
    def value(name: str) -> float:
        return float(joints[name][row])

    required = float(joints.required[row]) * 1000.0
    if not bool(joints["levels_known"][row]) or math.isnan(value("least_overlap_mm")):
        at_cut_off = value("overlap_cut_off_mm")
        if math.isnan(at_cut_off):
            return str(joints["reasons"][row] or "")
        return f"{_of(at_cut_off, required)} mm at cut-off, not measured below"
    parts = [f"{_of(value('least_overlap_mm'), required)} mm at {value('least_level'):.2f}"]
    lost, gap, sure = value("lost_level"), value("open_level"), value("sure_level")
    if not math.isnan(lost):
        parts.append(f"lost below {lost:.2f}")
    if not math.isnan(gap):
        parts.append(f"a gap below {gap:.2f}, {value('worst_opening_mm'):.0f} mm wide")
    if not math.isnan(sure) and not sure == lost:
        parts.append(f"not sure below {sure:.2f}")
    if not math.isnan(joints.toe_level[row]):
        parts.append(f"a toe ends at {joints.toe_level[row]:.2f}")
    return "; ".join(parts)


def _piles(piles: Piles) -> Iterator[str]:
    codes = np.where(piles.expected, _codes(piles["verdict"]), -1)
    names = ("plan_of_allowed_percent", "vertical_of_allowed_percent", "encroach_of_allowed_percent")
    used = np.stack([np.asarray(piles[name], dtype=np.float64) for name in names])
    yield from _worst(
        "Piles, the gravest first",
        codes,
        piles["pile_id"],
        -np.fmax.reduce(used, axis=0),
        most=_MOST_PILES,
        words=lambda row: str(piles["reasons"][row] or ""),
        file="schedule.csv",
    )


def _worst(
    title: str,
    codes: Codes,
    names: Any,  # noqa: ANN401 - an array of names
    rank: Floats,
    *,
    most: Mapping[str, int],
    words: Callable[[int], str],
    file: str,
) -> Iterator[str]:
    """Yield what is not within: outside, then not surveyed by name alone, then unresolved; each in the order of rank."""
    if not np.any(codes > VERDICTS.index("within")):
        return
    yield ""
    yield title
    wide = max(len(name) for name in names)
    for verdict in ("outside", "not surveyed", "unresolved"):
        rows = np.flatnonzero(codes == VERDICTS.index(verdict))
        if not len(rows):
            continue
        head = _painted(f"  {VERDICT_LOOKS[verdict].letter} {verdict} ({len(rows)})", verdict)
        if verdict == "not surveyed":
            yield from _names(head, list(names[rows]), file=file)
            continue
        yield head
        rows = rows[np.argsort(rank[rows], kind="stable")]
        shown = rows[: most[verdict]]
        for row in shown.tolist():
            yield from _entry(str(names[row]), words(row), wide=wide)
        if len(rows) > len(shown):
            yield f"    … and {len(rows) - len(shown)} more, see {file}"


def _entry(name: str, text: str, *, wide: int) -> list[str]:
    head = f"    {name:<{wide}}  "
    return textwrap.wrap(text, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head)) or [head.rstrip()]
