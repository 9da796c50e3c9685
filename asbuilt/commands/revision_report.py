"""What ``load --as design`` says of a revision of the schedule; as text of 80 columns and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from asbuilt.commands._shared import wrapped
from asbuilt.commands.load_report import finding_lines, finding_object

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.commands.revision import PileChange, Revision

__all__ = ["revision_lines", "revision_object"]

_MOST = 40
_DECISION_KEYS = ("item", "effect", "by", "at", "state", "standing", "changed")


def revision_object(revision: Revision, *, taken: bool, dry_run: bool) -> dict[str, Any]:
    """Return a revision as ``--json`` prints it: the keys of a load, and what it changes."""
    file = {
        "file": revision.given,
        "table": "design",
        "rows": revision.rows,
        "sha256": revision.sha256,
        "path": revision.path,
        "options": {},
    }
    return {
        "taken": taken,
        "dry_run": dry_run,
        "already_taken": [revision.given] if revision.already else [],
        "files": [] if revision.already else [file],
        "findings": [finding_object(finding) for finding in revision.findings],
        "revision": {
            "piles": [
                {
                    "pile_id": one.pile_id,
                    "change": one.change,
                    "moved_mm": one.moved_mm,
                    "move_e_mm": one.move_e_mm,
                    "move_n_mm": one.move_n_mm,
                    "text": one.text,
                }
                for one in revision.piles
            ],
            "verdicts": [{"item": item, "before": old, "after": new} for item, old, new in revision.verdicts],
            "stages": [
                {
                    "stage": one.stage,
                    "before": one.before,
                    "after": one.after,
                    "held_before": one.held_before,
                    "held_after": one.held_after,
                }
                for one in revision.stages
            ],
            "decisions": [{key: row[key] for key in _DECISION_KEYS} for row in revision.decisions],
        },
    }


def revision_lines(revision: Revision, *, taken: bool, dry_run: bool, folder: str) -> Iterator[str]:
    """Yield a revision as text, 80 columns wide."""
    if revision.site:
        yield from wrapped(revision.site)
    if revision.already:
        yield from wrapped(f"{revision.given} is the schedule that is in force ({revision.path}). Nothing to take in.")
        return
    piles = f", {revision.rows} piles" if revision.sound else ""
    yield from wrapped(f"{revision.given}{piles}, against {revision.path}")
    yield from finding_lines(revision.findings)
    if not revision.sound:
        yield ""
        yield from wrapped(
            "Not taken in: errors refuse a revision. A pile that was shot, read or recorded stays in the schedule: "
            "give it the status omitted."
        )
        return
    yield from _change_lines(revision)
    yield ""
    if taken:
        yield from wrapped(f"Taken in as {revision.path}; the former schedule is in history/.")
        yield f"sha256 {revision.sha256}"
        yield from wrapped(f"Next: asbuilt run {folder}")
    elif dry_run:
        yield "Dry run: nothing was taken in."
    else:
        asked = f" Look at the queries above first ({len(revision.queries)})." if revision.queries else ""
        yield from wrapped(
            f"Not taken in: a revision changes what piles are judged against.{asked} Where it is in force, say why, "
            'and who says so: the same command with --confirm "why" --by NAME. Both are kept in the ledger.'
        )


def _change_lines(revision: Revision) -> Iterator[str]:
    yield ""
    yield f"Piles ({len(revision.piles)} differ)" if revision.piles else "Piles: none differs"
    yield from _cut([_pile_line(one) for one in revision.piles])
    if revision.first:
        yield ""
        yield "There was no schedule before that could be read, so no verdict to compare."
        return
    yield ""
    yield f"Verdicts ({len(revision.verdicts)} change)" if revision.verdicts else "Verdicts: none changes"
    yield from _cut([_verdict_line(revision, *one) for one in revision.verdicts])
    yield ""
    yield "Stages" if revision.stages else "Stages: the same items hold them"
    for one in revision.stages:
        was, now = _state(one.before, one.held_before), _state(one.after, one.held_after)
        yield from wrapped(f"{one.stage}: {was} -> {now}", first="  ")
    if revision.decisions:
        yield ""
        yield "Decisions to be looked at again"
        for row in revision.decisions:
            words = f"{row['item']}: {row['effect']} by {row['by']}, {row['day']}: {_became(row)}"
            yield from wrapped(words, first="  ", rest="    ")


def _became(row: Mapping[str, Any]) -> str:
    """Say what becomes of a decision; an accept counts only while its evidence is as it was."""
    figures = f": {row['changed']}" if row["changed"] else ""
    if row["state"] == "stands":
        return "stands"
    if row["effect"] == "hold":
        return f"holds until it is lifted ({row['state']}{figures})"
    return f"does not count ({row['state']}{figures})"


def _verdict_line(revision: Revision, item: str, old: str | None, new: str | None) -> str:
    """Say how the verdict of an item changes, and why there is none before or after."""
    changes = {one.pile_id: one.change for one in revision.piles}
    joint = "~" in item
    if old is None:
        old = "new" if joint or changes.get(item) == "appeared" else "omitted"
    if new is None:
        gone = "gone from the schedule" if changes.get(item) == "went" else "not built any more (omitted)"
        new = "no joint any more" if joint else gone
    return f"{item}: {old} -> {new}"


def _state(state: str, count: int) -> str:
    return f"held by {count} item{'' if count == 1 else 's'}" if count else state


def _pile_line(one: PileChange) -> str:
    said = f": {one.text}" if one.text else ""
    if one.change != "moved":
        return f"{one.pile_id}  {one.change}{said}"
    more = f"; {one.text}" if one.text else ""
    return f"{one.pile_id}  moved {one.moved_mm:.1f} mm (E {one.move_e_mm:+.1f}, N {one.move_n_mm:+.1f}){more}"


def _cut(lines: Sequence[str]) -> Iterator[str]:
    for line in lines[:_MOST]:
        yield from wrapped(line, first="  ", rest="      ")
    if len(lines) > _MOST:
        yield f"  … and {len(lines) - _MOST} more; --json lists them all"
