"""What is said of a load besides what the search finds: files known already, and what a search explains."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from asbuilt.model import Finding, Survey, Withdrawal

__all__ = ["already_loaded", "explained_piles", "withdrawn_before"]

#: Queries of a date explain no place; those of a whole load or set-up explain the places of all its piles.
_DATES = frozenset({"future_date", "time_order", "setup_reused"})
_OF_THE_LOAD = frozenset({"shifted_load", "turned_load", "scaled_load"})


def explained_piles(searched: Iterable[Finding], loaded: Mapping[str, set[str]]) -> set[str]:
    """Return the piles whose axes disagree for a reason that is told already: of them, or of their whole file."""
    found: set[str] = set()
    for one in searched:
        if one.severity == "query" and one.kind not in _DATES:
            whole = one.kind in _OF_THE_LOAD or one.item == one.file
            found |= loaded.get(one.file, set()) if whole else {one.item}
    return found


def already_loaded(given: str, text: str) -> Finding:
    """Return the note on a file whose content is in the folder already."""
    from asbuilt.model import Finding

    return Finding(severity="note", kind="already_loaded", item=given, text=text, file=given)


def withdrawn_before(given: str, path: str, one: Withdrawal, survey: Survey) -> Finding:
    """Return what is asked of a file whose content was withdrawn."""
    from asbuilt.model import Finding

    when = survey.settings.site.time_text(one.at.astype("datetime64[m]"))
    return Finding(
        severity="query",
        kind="withdrawn_before",
        item=given,
        text=(
            f"the same content as {path}, {one.text} ({when}): confirmed, it is taken in once more under a new name, "
            "and counts again"
        ),
        file=given,
    )
