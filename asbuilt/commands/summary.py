"""What ``run`` says at the end: the whole job at a glance, 80 columns wide, the gravest first.

It words what :mod:`asbuilt.reconcile` found and computes nothing. Letters and words carry each verdict; colour only
repeats them.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from asbuilt.columns import KINDS, METHODS, PROGRESS, SEVERITIES, TABLES, VERDICT_LOOKS, VERDICTS
from asbuilt.commands._shared import CAUTIONS, WIDTH, iso_time, painted, utc_text, wrapped
from asbuilt.compute.reasons import level_text
from asbuilt.compute.wording import beyond

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.model import Codes, Finding, Floats, Joints, Piles, Reconciliation, StageState

__all__ = ["run_object", "summary_lines", "verdict_counts"]

_MOST_JOINTS = {"outside": 8, "unresolved": 4}
_MOST_PILES = {"outside": 6, "unresolved": 3}
_MOST_QUERIES = 5
_MOST_HOLDS = 4
_JOINT_FIGURES = ("least_overlap_mm", "least_level", "lost_level", "open_level", "sure_level")
#: As on the sheets: within first, then the two that need a better survey or a remedy, then what is missing.
_ORDER = tuple(VERDICT_LOOKS)
_GRAVEST_FIRST = tuple(reversed(VERDICTS[1:]))
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
                "held_by": list(_items(state)),
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
    yield from wrapped(" ".join(CAUTIONS))


def _head(result: Reconciliation) -> Iterator[str]:
    survey = result.survey
    yield from wrapped(survey.settings.site.name)
    yield f"As of {utc_text(result.as_of)}"
    files = Counter(file.table for file in survey.files)
    words = [f"{table} {files[table]}" for table in TABLES if files[table]]
    yield from wrapped(" · ".join(words), first="Files read  ")


def _counts(result: Reconciliation) -> Iterator[str]:
    piles = result.piles
    heads = [f"{VERDICT_LOOKS[verdict].letter} {verdict}" for verdict in _ORDER]
    yield ""
    yield " " * 8 + "".join(painted(f"{head:>16}", verdict) for head, verdict in zip(heads, _ORDER, strict=True))
    for name, codes in (
        ("piles", _codes(piles["verdict"])[piles.expected]),
        ("joints", _codes(result.joints["verdict"])),
    ):
        counts = verdict_counts(codes)
        cells = [f"{count or '-':>16}" for count in counts.values()]
        yield f"{name:<8}" + "".join(cells)
    yield ""
    progress = " · ".join(f"{word} {count}" for word, count in _progress(piles).items() if count)
    omitted = int(np.count_nonzero(~piles.expected))
    yield from wrapped(progress + (f" · omitted {omitted}" if omitted else ""), first="Progress    ")


def _progress(piles: Piles) -> dict[str, int]:
    codes = _codes(piles["progress"])[piles.expected]
    counts = np.bincount(codes[codes >= 0], minlength=len(PROGRESS))
    return {word: int(count) for word, count in zip(PROGRESS, counts, strict=True)}


def _joints(joints: Joints) -> Iterator[str]:
    codes = _codes(joints["verdict"])
    shortfall = np.asarray(joints["least_overlap_mm"], dtype=np.float64) - joints.required * 1000.0
    yield from _worst(
        "Joints, the gravest first (lost, open, not sure: from that level down)",
        codes,
        joints["joint_id"],
        shortfall,
        most=_MOST_JOINTS,
        words=lambda row: _joint_words(joints, row),
        file="joints.csv",
    )


def _joint_words(joints: Joints, row: int) -> str:
    """Return how a joint stands, shorter than its reasons; those where what was measured does not reach down."""
    values = {name: float(joints[name][row]) for name in _JOINT_FIGURES}
    least, required = values["least_overlap_mm"], float(joints.required[row]) * 1000.0
    if not bool(joints["levels_known"][row]) or math.isnan(least):
        return str(joints["reasons"][row] or "")
    at = level_text(values["least_level"])
    short = beyond(least, required)
    parts = [f"overlap {short} of {required:g} mm at {at}" if least >= 0 else f"gap of {short[1:]} mm at {at}"]
    lost, gap, sure = values["lost_level"], values["open_level"], values["sure_level"]
    parts += [
        f"{word} from {level_text(value)}"
        for word, value in (("lost", lost), ("open", gap), ("not sure", sure if sure != lost else math.nan))
        if not math.isnan(value)
    ]
    if not math.isnan(joints.toe_level[row]):
        parts.append(f"a toe ends at {level_text(float(joints.toe_level[row]))}")
    return ", ".join(parts)


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
    names: Any,
    rank: Floats,
    *,
    most: Mapping[str, int],
    words: Callable[[int], str],
    file: str,
) -> Iterator[str]:
    """Yield what is not within: outside, not surveyed (by name alone), unresolved; each in the order of ``rank``."""
    if not np.any(codes > VERDICTS.index("within")):
        return
    yield ""
    yield title
    wide = max(len(name) for name in names)
    for verdict in _GRAVEST_FIRST:
        rows = np.flatnonzero(codes == VERDICTS.index(verdict))
        if not len(rows):
            continue
        head = painted(f"  {VERDICT_LOOKS[verdict].letter} {verdict} ({len(rows)})", verdict)
        if verdict == "not surveyed":
            yield from _names(head, list(names[rows]), file=file)
            continue
        yield head
        rows = rows[np.argsort(rank[rows], kind="stable")]
        shown = rows[: most[verdict]]
        for row in shown.tolist():
            yield from wrapped(words(row), first=f"    {names[row]:<{wide}}  ")
        if len(rows) > len(shown):
            yield f"    … and {len(rows) - len(shown)} more, see {file}"


def _names(head: str, names: Sequence[str], *, file: str = "", most: int = 3) -> Iterator[str]:
    """Yield names after a head, on its line or in at most ``most`` lines of their own; what is left is counted."""
    lines = wrapped(" ".join(names), first=" " * 6)
    if len(lines) == 1 and len(click.unstyle(head)) + len(lines[0]) - 4 <= WIDTH:
        yield f"{head}  {lines[0].strip()}"
        return
    yield head
    yield from lines[:most]
    left = sum(len(line.split()) for line in lines[most:])
    if left:
        yield f"      … and {left} more" + (f", see {file}" if file else "")


def _stages(stages: Sequence[StageState]) -> Iterator[str]:
    yield ""
    if not stages:
        yield "Stages: none in site.toml, so nothing is listed as held"
        return
    yield "Stages (nothing here releases one: the responsible engineer decides)"
    wide = max(len(state.stage) for state in stages)
    for state in stages:
        head = f"  {state.stage:<{wide}}  to {level_text(state.level):>6}  "
        if not state.held_by:
            yield f"{head}no holds in what was measured and checked"
            continue
        items = _items(state)
        by = Counter(items.values())
        counts = ", ".join(f"{by[verdict]} {verdict}" for verdict in _GRAVEST_FIRST if by[verdict])
        first = ", ".join(list(items)[:_MOST_HOLDS]) + (", …" if len(items) > _MOST_HOLDS else "")
        yield from wrapped(f"held by {len(items)} ({counts}): {first}", first=head)
    yield "  All of them: asbuilt holds DIR STAGE"


def _items(state: StageState) -> dict[str, str]:
    """Return the items that hold a stage, each once, with its gravest verdict, in the order of the holds."""
    items: dict[str, str] = {}
    for hold in state.held_by:
        items.setdefault(hold.item, hold.verdict)
    return items


def _missing(result: Reconciliation) -> dict[str, list[str]]:
    """Return what is still to be measured of piles that are drilled: what it is, and the piles."""
    piles = result.piles
    codes = _codes(piles["progress"])
    drilled = piles.expected & np.isin(codes, [PROGRESS.index(word) for word in _BUILT])
    centre = np.isfinite(result.centres.e)
    no_reading = _codes(piles["method"]) == METHODS.index("none")
    found = {"no pickup": drilled & ~centre, "no lean reading": drilled & no_reading}
    if result.survey.settings.tolerance.toe_mm is not None:
        found["no toe recorded"] = drilled & np.isnan(np.asarray(piles["toe_level"], dtype=np.float64))
    return {what: [str(name) for name in piles["pile_id"][where]] for what, where in found.items()}


def _checks_not_made(result: Reconciliation) -> Iterator[str]:
    """Yield the checks for which a tolerance is missing, with the key that would have them made."""
    survey = result.survey
    tolerance = survey.settings.tolerance
    for code in np.unique(_codes(survey.design["kind"])[result.piles.expected]).tolist():
        if KINDS[code] not in tolerance.verticality:
            yield f"lean of {KINDS[code]} piles (tolerance.verticality.{KINDS[code]})"
    if tolerance.encroach_mm is None:
        yield "movement towards the pit (tolerance.encroach_mm)"
    if tolerance.toe_mm is None:
        yield "toe level (tolerance.toe_mm)"


def _missing_lines(result: Reconciliation) -> Iterator[str]:
    missing = {what: ids for what, ids in _missing(result).items() if ids}
    unmade = list(_checks_not_made(result))
    if missing:
        yield ""
        yield "Still to be measured, of piles that are drilled"
        for what, ids in missing.items():
            yield from _names(f"  {what} ({len(ids)})", ids)
    if unmade:
        yield ""
        yield from wrapped(f"Not checked, as site.toml gives no tolerance: {'; '.join(unmade)}.", rest="  ")


def _findings(findings: Sequence[Finding]) -> Iterator[str]:
    if not findings:
        return
    yield ""
    yield "Findings (in asbuilt.gpkg, table findings)"
    for severity in reversed(SEVERITIES[:-1]):
        rows = [finding for finding in findings if finding.severity == severity]
        if not rows:
            continue
        for finding in rows[:_MOST_QUERIES]:
            place = f" ({finding.file}{f':{finding.line}' if finding.line else ''})" if finding.file else ""
            yield from wrapped(f"{finding.kind} {finding.item}: {finding.text}{place}", first=f"  {severity}  ")
        if len(rows) > _MOST_QUERIES:
            yield f"  … and {len(rows) - _MOST_QUERIES} more of severity {severity}"
    notes = Counter(finding.kind for finding in findings if finding.severity == SEVERITIES[-1])
    if notes:
        words = " · ".join(f"{kind} {count}" for kind, count in notes.most_common())
        yield from wrapped(words, first="  notes  ")


def _codes(values: Any) -> Codes:
    codes: Codes = np.asarray(values).astype(np.int8)
    return codes
