"""What ``run`` says at the end: the whole job at a glance, 80 columns wide, the gravest first.

It words what :mod:`asbuilt.reconcile` found and computes nothing. Letters and words carry each verdict; colour only
repeats them.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import KINDS, METHODS, PROGRESS, SEVERITIES, TABLES, VERDICT_LOOKS, VERDICTS
from asbuilt.commands._shared import CAUTIONS, changed_lines, iso_time, painted, wrapped
from asbuilt.commands.control import control_lines, control_object
from asbuilt.commands.left_out import LeftOut
from asbuilt.commands.since_words import since_lines
from asbuilt.commands.worst import GRAVEST_FIRST, codes_of, names_lines, worst_joints, worst_piles
from asbuilt.compute.wording import metres
from asbuilt.output.record import ledger_head

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from asbuilt.model import Codes, Finding, Piles, Reconciliation, StageState
    from asbuilt.views import Changes

__all__ = ["run_object", "summary_lines", "verdict_counts"]

_MOST_QUERIES = 5
_MOST_HOLDS = 4
_MOST_IGNORED = 5
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
        "piles": verdict_counts(codes_of(piles["verdict"])[piles.expected]),
        "joints": verdict_counts(codes_of(result.joints["verdict"])),
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
        "control": control_object(result),
        "changed": list(result.survey.changed),
        "ledger_head": ledger_head(result.survey.ledger_rows),
        "not_read": list(result.survey.ignored),
        "findings": len(result.findings),
        "findings_by_kind": dict(sorted(Counter(f.kind for f in result.findings).items())),
    }


def summary_lines(
    result: Reconciliation,
    *,
    target: Path,
    files: Mapping[str, str],
    left: LeftOut | None = None,
    since: Changes | None = None,
) -> Iterator[str]:
    """Yield the summary.

    Parameters
    ----------
    result
        What was found.
    target, files
        Where the outputs went; each file made with a word about it.
    left
        What was left out, as it was taken in after the moment asked for.
    since
        What changed since an earlier state, where that is asked for.
    """
    yield from _head(result, left or LeftOut())
    yield from _counts(result)
    yield from worst_joints(result.joints)
    yield from worst_piles(result.piles, clear_mm=result.survey.settings.tolerance.clear_mm)
    yield from _stages(result.stages)
    if since is not None:
        yield from since_lines(since, result.survey.settings.site)
    yield from _missing_lines(result)
    yield from control_lines(result)
    yield from _findings(result.findings)
    yield from _ignored(result.survey.ignored)
    yield ""
    yield f"Written to {target}"
    wide = max(len(name) for name in files)
    yield from (f"  {name:<{wide}}  {what}".rstrip() for name, what in files.items())
    yield ""
    yield from wrapped(" ".join(CAUTIONS))


def _head(result: Reconciliation, left: LeftOut) -> Iterator[str]:
    survey = result.survey
    yield from wrapped(survey.settings.site.name)
    yield f"As of {survey.settings.site.time_text(result.as_of)}"
    files = Counter(file.table for file in survey.files if file.rows)
    words = [f"{files[table]}\u00a0{table}" for table in TABLES if files[table]]
    yield from wrapped(", ".join(words), first="Files read  ")
    yield from left.lines(survey.settings.site)
    yield from changed_lines(survey)


def _counts(result: Reconciliation) -> Iterator[str]:
    piles = result.piles
    heads = [f"{VERDICT_LOOKS[verdict].letter} {verdict}" for verdict in _ORDER]
    yield ""
    yield " " * 8 + "".join(painted(f"{head:>16}", verdict) for head, verdict in zip(heads, _ORDER, strict=True))
    for name, codes in (
        ("piles", codes_of(piles["verdict"])[piles.expected]),
        ("joints", codes_of(result.joints["verdict"])),
    ):
        counts = verdict_counts(codes)
        cells = [f"{count or '-':>16}" for count in counts.values()]
        yield f"{name:<8}" + "".join(cells)
    yield ""
    progress = ", ".join(f"{count}\u00a0{word}" for word, count in _progress(piles).items() if count)
    omitted = int(np.count_nonzero(~piles.expected))
    yield from wrapped(progress + (f", {omitted} omitted" if omitted else ""), first="Progress    ")


def _progress(piles: Piles) -> dict[str, int]:
    codes = codes_of(piles["progress"])[piles.expected]
    counts = np.bincount(codes[codes >= 0], minlength=len(PROGRESS))
    return {word: int(count) for word, count in zip(PROGRESS, counts, strict=True)}


def _stages(stages: Sequence[StageState]) -> Iterator[str]:
    yield ""
    if not stages:
        yield "Stages: none in site.toml, so nothing is listed as held"
        return
    yield "Stages (nothing here releases one: the responsible engineer decides)"
    wide = max(len(state.stage) for state in stages)
    for state in stages:
        head = f"  {state.stage:<{wide}}  to {metres(state.level):>6}  "
        if not state.held_by:
            yield f"{head}no holds in what was measured and checked"
            continue
        items = _items(state)
        by = Counter(items.values())
        counts = ", ".join(f"{by[verdict]} {verdict}" for verdict in GRAVEST_FIRST if by[verdict])
        first = ", ".join(list(items)[:_MOST_HOLDS]) + (", …" if len(items) > _MOST_HOLDS else "")
        yield from wrapped(f"held by {len(items)} ({counts}): {first}", first=head)
    yield "  `asbuilt holds DIR STAGE` lists them all, with figures"


def _items(state: StageState) -> dict[str, str]:
    """Return the items that hold a stage, each once, with its gravest verdict, in the order of the holds."""
    items: dict[str, str] = {}
    for hold in state.held_by:
        items.setdefault(hold.item, hold.verdict)
    return items


def _missing(result: Reconciliation) -> dict[str, list[str]]:
    """Return what is still to be measured of piles that are drilled: what it is, and the piles."""
    piles = result.piles
    codes = codes_of(piles["progress"])
    drilled = piles.expected & np.isin(codes, [PROGRESS.index(word) for word in _BUILT])
    centre = np.isfinite(result.centres.e)
    no_reading = codes_of(piles["method"]) == METHODS.index("none")
    found = {"no pickup": drilled & ~centre, "no lean reading": drilled & no_reading}
    if result.survey.settings.tolerance.toe_mm is not None:
        found["no toe recorded"] = drilled & np.isnan(np.asarray(piles["toe_level"], dtype=np.float64))
    return {what: [str(name) for name in piles["pile_id"][where]] for what, where in found.items()}


def _checks_not_made(result: Reconciliation) -> Iterator[str]:
    """Yield the checks for which a tolerance is missing, with the key that would have them made."""
    survey = result.survey
    tolerance = survey.settings.tolerance
    for code in np.unique(codes_of(survey.design["kind"])[result.piles.expected]).tolist():
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
            yield from names_lines(f"  {what} ({len(ids)})", ids)
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
        words = ", ".join(f"{count}\u00a0{kind}" for kind, count in notes.most_common())
        yield from wrapped(words, first="  notes  ")


def _ignored(paths: Sequence[str]) -> Iterator[str]:
    if paths:
        more = f" and {len(paths) - _MOST_IGNORED} more" if len(paths) > _MOST_IGNORED else ""
        yield ""
        names = f"{', '.join(paths[:_MOST_IGNORED])}{more}"
        yield from wrapped(names, first="Not read, as a load ends in .csv or .txt: ", rest="  ")
