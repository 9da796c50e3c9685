"""What ``load`` says of a load: findings, what is in, what is still missing; as text of 80 columns and as JSON."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from asbuilt.commands._shared import WIDTH, wrapped
from asbuilt.compute.completeness import completeness

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from asbuilt.commands.trial import Incoming, Trial
    from asbuilt.model import Finding, Reconciliation

__all__ = ["finding_lines", "finding_object", "load_lines", "load_object", "missing_lines", "missing_objects"]

MOST_MISSING = 20
MOST_NOTES = 20
_WIDEST_ITEM = 24
_PLURAL = {"error": "errors", "query": "queries", "note": "notes"}
_WHAT = ("pickup", "lean", "record")
_MISSING, _THERE = "missing", "-"


def finding_object(finding: Finding, called: Mapping[tuple[str, str], str] | None = None) -> dict[str, Any]:
    """Return a finding as ``--json`` prints it; ``called`` as in :func:`finding_lines`."""
    theirs = (called or {}).get((finding.file, finding.column))
    return {
        "severity": finding.severity,
        "kind": finding.kind,
        "file": finding.file or None,
        "line": finding.line or None,
        "column": finding.column or None,
        **({"column_in_file": theirs} if theirs else {}),
        "item": finding.item,
        "text": finding.text,
    }


def load_object(trial: Trial, *, taken: bool, dry_run: bool) -> dict[str, Any]:
    """Return a load as ``--json`` prints it."""
    return {
        "taken": taken,
        "dry_run": dry_run,
        "already_taken": [one.given for one in trial.already],
        "files": [
            {
                "file": file.given,
                "table": file.table,
                "rows": len(file.part),
                "sha256": file.sha256,
                "path": file.path,
                "options": file.options.given(),
            }
            for file in trial.files
        ],
        "findings": [finding_object(finding, trial.called()) for finding in trial.findings],
        "searched": trial.searched,
        "check_shots": [
            {
                "file": one.file,
                "line": one.line,
                "point": one.point,
                "off_mm": round(one.off_mm, 1),
                "explained": one.explained,
                "off": "control" if one.by_control else "other set-ups",
            }
            for one in trial.checked
        ],
        "missing": None if trial.result is None else missing_objects(trial.result),
    }


def missing_objects(result: Reconciliation) -> list[dict[str, Any]]:
    """Return each drilled pile that lacks anything, with what."""
    found = completeness(result)
    ids = result.piles["pile_id"][found.pile].tolist()
    columns = [getattr(found, name).tolist() for name in _WHAT]
    rows = zip(*columns, strict=True)
    return [
        {"pile_id": pile, "missing": [name for name, lacks in zip(_WHAT, row, strict=True) if lacks]}
        for pile, row in zip(ids, rows, strict=True)
    ]


def load_lines(trial: Trial, *, taken: bool, dry_run: bool, folder: str) -> Iterator[str]:
    """Yield what is said of a load.

    Parameters
    ----------
    trial
        The load as tried.
    taken, dry_run
        Whether it is in the folder now, and whether that was never wanted.
    folder
        The survey folder as given, for what to run next.
    """
    yield from wrapped(trial.site)
    count = len(trial.files)
    files = f"{count} file{'' if count == 1 else 's'}"
    if count and trial.searched:
        yield from wrapped(f"{files}, searched against the design and the loads in the folder ({trial.read})")
    elif count:
        yield from wrapped(
            f"{files}, NOT searched: with errors the load cannot be read as a whole, so that no query of any of its "
            "files is told. Correct the errors and load again"
        )
    yield from finding_lines(trial.findings, trial.called())
    yield from _checked(trial)
    for line in trial.said:
        yield ""
        yield from wrapped(line)
    yield ""
    yield from _outcome(trial, taken=taken, dry_run=dry_run)
    if trial.result is not None and (taken or not count):
        yield ""
        yield from missing_lines(trial.result, with_load="")
    elif trial.result is not None and dry_run and not _stopped(trial):
        yield ""
        yield from missing_lines(trial.result, with_load=" with this load")
    if taken:
        yield ""
        yield from wrapped(f"Next: asbuilt run {folder}")


def _checked(trial: Trial) -> Iterator[str]:
    """Yield a line for each file's check shots: how far they lie off what."""
    for file, against in dict.fromkeys((one.file, one.by_control) for one in trial.checked):
        own = [one for one in trial.checked if (one.file, one.by_control) == (file, against)]
        what = "control" if against else "where other set-ups found them"
        each = ", ".join(f"{one.point} {one.off_mm:.0f} mm" for one in own)
        e, n = (sum(getattr(one, name) for one in own) / len(own) for name in ("e_mm", "n_mm"))
        mean = f" (on average E {round(e) + 0:+d} mm, N {round(n) + 0:+d} mm)" if len(own) > 1 else ""
        verdict = "" if all(one.explained for one in own) else ": more than can be explained"
        yield ""
        yield from wrapped(f"Check shots of {_short_names([file])[file]}, off {what} in plan: {each}{mean}{verdict}")


def _stopped(trial: Trial) -> bool:
    return bool(trial.of_severity("error") or trial.of_severity("query"))


def finding_lines(
    findings: Sequence[Finding], called: Mapping[tuple[str, str], str] | None = None
) -> Iterator[str]:
    """Yield the findings as a table, the gravest first: kind, item, place; below each what is wrong.

    Parameters
    ----------
    findings
        What was found.
    called
        By file and our column: the file's own name of it, which is told besides ours.
    """
    if not findings:
        return
    yield ""
    counts = Counter(finding.severity for finding in findings)
    words = ", ".join(f"{n} {name if n == 1 else _PLURAL[name]}" for name, n in counts.items())
    yield f"Found: {words}"
    notes = [finding for finding in findings if finding.severity == "note"]
    shown = [finding for finding in findings if finding not in notes[MOST_NOTES:]]
    short, called = _short_names(finding.file for finding in findings), called or {}
    kinds = max(len(finding.kind) for finding in shown)
    items = min(_WIDEST_ITEM, max(4, *(len(_item(finding)) for finding in shown)))
    yield f"         {'kind':<{kinds}}  {'item':<{items}}  file:line  column"
    for finding in shown:
        place = short[finding.file] + (f":{finding.line}" if finding.line else "")
        theirs = called.get((finding.file, finding.column))
        column = finding.column if theirs is None else f"{theirs} ({finding.column})"
        head = f"  {finding.severity:<5}  {finding.kind:<{kinds}}  {_item(finding):<{items}}"
        yield from _head(head, [part for part in (place, column) if part])
        yield from wrapped(finding.text, first=" " * 9)
    if len(notes) > MOST_NOTES:
        yield f"  … and {len(notes) - MOST_NOTES} more notes; --json lists them all"


def _item(finding: Finding) -> str:
    return "-" if finding.item == finding.file else finding.item


def _short_names(files: Iterable[str]) -> dict[str, str]:
    """Return each file's name without its folders, where no other has the same."""
    names = {file: file.replace("\\", "/").rpartition("/")[2] for file in files}
    counts = Counter(names.values())
    return {file: name if counts[name] == 1 else file for file, name in names.items()}


def _head(line: str, parts: Sequence[str]) -> Iterator[str]:
    """Yield the first line of a finding, broken between its parts where it is too long."""
    for part in parts:
        if len(line) + 2 + len(part) > WIDTH:
            yield from _cut(line)
            line = " " * 7
        line = f"{line}  {part}"
    yield from _cut(line)


def _cut(line: str) -> Iterator[str]:
    line = line.rstrip()
    yield from (line[at : at + WIDTH] for at in range(0, len(line), WIDTH))


def _outcome(trial: Trial, *, taken: bool, dry_run: bool) -> Iterator[str]:
    errors, queries = trial.of_severity("error"), trial.of_severity("query")
    if not trial.files:
        yield "Nothing to take in: all of it is in the folder already."
        return
    if taken:
        yield "Taken in, as it came"
        yield from _table(trial.files)
        return
    if errors:
        yield from wrapped(
            "Not taken in: errors refuse a load. Correct them at the source, or in a copy of the file, and load that."
        )
    elif queries and not dry_run:
        kinds = ", ".join(dict.fromkeys(finding.kind for finding in queries))
        yield from wrapped(
            f"Not taken in: queries refuse a load ({kinds}). Where it is right as it is, say why, and who says so: "
            'the same command with --confirm "why" --by NAME. Both are kept in the ledger.'
        )
    elif queries:
        yield from wrapped('Dry run: nothing was taken in. It would take --confirm "why" --by NAME.')
    else:
        yield "Dry run: nothing was taken in. It would go in as"
        yield from _table(trial.files)
    if len(trial.files) > 1 and (errors or queries):
        yield "The files go in together or not at all."


def _table(files: Sequence[Incoming]) -> Iterator[str]:
    for file in files:
        rows = f"{len(file.part)} row{'' if len(file.part) == 1 else 's'}"
        yield from wrapped(f"{file.given}: {file.table}, {rows}", first="  ")
        yield from wrapped(f"as {file.path}", first="    ")
        yield f"    sha256 {file.sha256}"
        given = file.options.given()
        if file.date_of_name is not None:
            yield from wrapped(f"date from its name: {given.pop('surveyed_at')}", first="    ")
        if given:
            said = ", ".join(f"{name} {text}" for name, text in given.items())
            yield from wrapped(f"said with it: {said}", first="    ")


def missing_lines(result: Reconciliation, *, with_load: str) -> Iterator[str]:
    """Yield the table of what is still missing of piles that are drilled, at most :data:`MOST_MISSING` of them."""
    found = completeness(result)
    if not len(found):
        yield from wrapped(
            f"Nothing is missing{with_load} of the {found.drilled} piles that are drilled or begun: each has a pickup, "
            "a lean or profile, and a record."
        )
        return
    yield from wrapped(
        f"Still missing{with_load}: {len(found)} of {found.drilled} piles that are drilled or begun lack something"
    )
    ids = result.piles["pile_id"][found.pile].tolist()
    wide = max(4, *map(len, ids))
    yield f"  {'pile':<{wide}}" + "".join(f"  {name:<7}" for name in _WHAT).rstrip()
    columns = [getattr(found, name).tolist() for name in _WHAT]
    for pile, *lacks in list(zip(ids, *columns, strict=True))[:MOST_MISSING]:
        cells = "".join(f"  {_MISSING if one else _THERE:<7}" for one in lacks)
        yield f"  {pile:<{wide}}{cells}".rstrip()
    if len(found) > MOST_MISSING:
        yield f"  … and {len(found) - MOST_MISSING} more; `--json` lists them all"
