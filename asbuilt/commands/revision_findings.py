"""What a revision of the schedule is asked about: built piles that it lacks or omits, added ones tied to nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from asbuilt.commands.trial import error_findings

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.errors import Problem
    from asbuilt.model import Finding, Reconciliation, Survey, Table

__all__ = ["lacking_and_wrong", "new_findings"]

_BUILT = ("pickups", "tilts", "profiles", "records")
#: Findings of a run that the schedule alone decides on.
_OF_SCHEDULE = frozenset(
    {"omitted_but_built", "added_without_joint", "level_range", "range_shortened", "tolerance_budget"}
)


def lacking_and_wrong(problems: Sequence[Problem], before: Survey, *, given: str) -> Iterator[Finding]:
    """Yield what stands against a revision: each pile that it lacks and that was built, then all else that is wrong.

    Parameters
    ----------
    problems
        What reading the folder with the revision found.
    before
        The folder as it is.
    given
        The revision as the user calls it.
    """
    known = set(before.design["pile_id"].tolist())
    lacking: dict[str, None] = {}
    others = []
    for problem in problems:
        pile = _pile_at(before, problem.file, problem.line)
        # It was known before, so it is the revision that lacks it.
        if problem.kind == "unknown_pile" and pile is not None and pile in known:
            lacking[pile] = None
        else:
            others.append(problem)
    yield from _lacking(before, list(lacking), given)
    yield from error_findings(others, lambda file, line: _pile_at(before, file, line))


def _lacking(before: Survey, piles: Sequence[str], given: str) -> Iterator[Finding]:
    from asbuilt.compute.known import counting, newest_time
    from asbuilt.compute.notes import built_words
    from asbuilt.model import Finding

    now = newest_time(before)
    tables = [counting(before, name, now)[0] for name in (*_BUILT, "set_out")] if piles else []
    place = {name: row for row, name in enumerate(before.design["pile_id"].tolist())}
    for pile in piles:
        there = built_words(place[pile], tables)
        of_it = f"named by {there} in the folder" if there else "which only withdrawn or repeated rows name"
        yield Finding(
            severity="error",
            kind="unknown_pile",
            item=pile,
            text=f"the revision lacks {pile}, {of_it}; expected {pile}, with the status omitted where it is to go",
            file=given,
        )


def _pile_at(survey: Survey, path: str, line: int) -> str | None:
    """Return the pile that a load or the approvals name at a line, None for none."""
    for place, file in enumerate(survey.files):
        if file.path == path and file.table in (*_BUILT, "set_out"):
            table: Table = getattr(survey, file.table)
            names: list[str | None] = table["pile_id"][(table.file == place) & (table.line == line)].tolist()
            return names[0] if names else None
    return None


def new_findings(before: Reconciliation, after: Reconciliation) -> Iterator[Finding]:
    """Yield what a run would find of the schedule and did not before."""
    told = {one.id for one in before.findings}
    yield from (one for one in after.findings if one.kind in _OF_SCHEDULE and one.id not in told)
