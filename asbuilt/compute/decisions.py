"""Decisions: which stand on today's inputs, which lapsed because an input changed, and what they do to a hold.

Only an accept lifts a hold, and it lapses as soon as an input of its item changes. A hold that the engineer set stays
until the engineer lifts it: what is in doubt must not come free because something was measured again. So an accept
that lapsed, or that goes down to a level only, leaves the hold that was there before it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from asbuilt.columns import EFFECTS
from asbuilt.compute.figures import difference, figures_from_text, is_worse
from asbuilt.model import Decision

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from asbuilt.compute.figures import Figures
    from asbuilt.model import Booleans, Table

__all__ = ["STATES", "governing_decisions", "has_lapsed", "judge_decisions", "standing_holds"]

STATES = {
    "stands": "its evidence is as it was",
    "changed, worse": "an input of the item has changed, and the item is worse than it was",
    "changed, no worse": "an input of the item has changed; the item is no worse than it was",
    "changed": "an input of the item has changed; there are no figures to tell whether it is worse",
    "superseded": "a later decision on the item has taken its place",
    "no such item": "the item is not there any more",
    "withdraws": "it takes the last decision on the item back",
    "file was edited": "decisions.csv was edited by hand: until that is undone no accept counts",
    "not bound": "it names no evidence, so nothing shows that it was made on what is there now",
}
"""What can have become of a decision, and what that means."""
_EDITED = "file was edited"


def judge_decisions(
    decisions: Table,
    *,
    evidence: Callable[[str], str | None],
    figures: Callable[[str], Figures],
    unproved: Booleans | None = None,
) -> tuple[Decision, ...]:
    """Return every decision, in the order of the file, with what has become of it.

    Parameters
    ----------
    decisions
        The table ``decisions``, rows known at the moment that is reported.
    evidence
        Gives the hash of an item's inputs as they are now; None where there is no such item.
    figures
        Gives the figures of an item as they are now.
    unproved
        Given when ``decisions.csv`` was edited: which rows are not as they were recorded. Then no accept counts, and of
        these rows only holds do.
    """
    edited = unproved is not None
    doubted = [False] * len(decisions) if unproved is None else unproved.tolist()
    found = [_written(decisions, row) for row in range(len(decisions))]
    rows: dict[str, list[int]] = {}
    for row, one in enumerate(found):
        rows.setdefault(one.item, []).append(row)
    for mine in rows.values():
        counted = [row for row in mine if not doubted[row] or found[row].effect == "hold"]
        last, hold = _governing((row, found[row].effect) for row in counted)
        judged = {row: _judged(found[row], evidence, figures, edited=edited) for row in (hold, last) if row >= 0}
        if last != hold and judged[last].standing and judged[last].down_to is None:
            judged.pop(hold, None)
        for row in set(mine) - set(counted):
            judged[row] = replace(found[row], state=_EDITED, standing=False)
        if counted and found[counted[-1]].effect == "withdraw":
            judged[counted[-1]] = replace(found[counted[-1]], state="withdraws")
        for row in mine:
            found[row] = judged.get(row, replace(found[row], state="superseded", standing=False))
    return tuple(found)


def _governing(effects: Iterable[tuple[int, str]]) -> tuple[int, int]:
    """Return the last decision on one item, and the engineer's hold that it may leave, of (row, effect); -1 for none.

    A withdrawal takes back the last decision: an accept, and a hold before it is there again; or a hold. An accept that
    another took the place of does not come back, since that would lift what nobody lifts now.
    """
    last = hold = -1
    for row, effect in effects:
        if effect != "withdraw":
            last = row
            hold = row if effect == "hold" else hold
        elif last == hold:
            last = hold = -1
        else:
            last = hold
    return last, hold


def governing_decisions(decisions: Sequence[Decision]) -> dict[str, Decision]:
    """Return the decision that governs each item: the last one on it that is neither superseded nor withdrawn."""
    return {one.item: one for one in decisions if one.effect != "withdraw" and one.state != "superseded"}


def has_lapsed(one: Decision) -> bool:
    """Tell whether a decision is an accept that counts no more, as an input of its item or the file was changed."""
    return one.effect == "accept" and (one.state.startswith("changed") or one.state == _EDITED)


def standing_holds(decisions: Sequence[Decision]) -> tuple[Decision, ...]:
    """Return the engineer's holds that nobody has lifted, or not down to every level: one for an item at most."""
    return tuple(one for one in decisions if one.effect == "hold" and one.standing)


def _written(table: Table, row: int) -> Decision:
    def text(name: str) -> str:
        return str(table[name][row] or "").strip()

    down_to = float(table["down_to_level"][row])
    return Decision(
        at=table["at"][row],
        by=text("by"),
        item=text("item"),
        effect=EFFECTS[int(table["effect"][row])],
        down_to=None if math.isnan(down_to) else down_to,
        until=text("until"),
        reason=text("reason"),
        reference=text("reference"),
        evidence_sha256=text("evidence_sha256"),
        figures=text("figures"),
        state="stands",
        standing=True,
        line=int(table.line[row]),
    )


def _judged(
    one: Decision, evidence: Callable[[str], str | None], figures: Callable[[str], Figures], *, edited: bool
) -> Decision:
    """Say what has become of a decision that nothing later has taken the place of."""
    lasting = one.effect == "hold"
    if edited and not lasting:
        return replace(one, state=_EDITED, standing=False)
    now = evidence(one.item)
    if now is None:
        return replace(one, state="no such item", standing=lasting)
    if not one.evidence_sha256:
        return replace(one, state="not bound", standing=lasting)
    if now == one.evidence_sha256:
        return one
    old, new = figures_from_text(one.figures), figures(one.item)
    if not old:
        return replace(one, state="changed", standing=lasting)
    state = "changed, worse" if is_worse(old, new) else "changed, no worse"
    return replace(one, state=state, standing=lasting, changed=difference(old, new))
