"""What changed from an earlier state of a survey to a later one: items, verdicts and figures, decisions, holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from asbuilt.compute.figures import difference, figures_of
from asbuilt.views import Change, Changes, StageChange

if TYPE_CHECKING:
    from asbuilt.model import Reconciliation, StageState

__all__ = ["changes_between", "verdicts_of"]


def verdicts_of(result: Reconciliation) -> dict[str, int]:
    """Return the verdict of every pile and joint by id, as a place in ``columns.VERDICTS``; -1 for none."""
    return {
        item: int(code)
        for rows, name in ((result.piles, "pile_id"), (result.joints, "joint_id"))
        for item, code in zip(rows[name].tolist(), rows["verdict"].tolist(), strict=True)
    }


def changes_between(before: Reconciliation, after: Reconciliation) -> Changes:
    """Return what is new, gone or judged otherwise, the gravest first; decisions that lapsed; and the stages."""
    was, now = verdicts_of(before), verdicts_of(after)
    items = [
        Change(
            item=item,
            was=was.get(item, -1),
            now=now.get(item, -1),
            text=difference(
                figures_of(item, before.piles, before.joints), figures_of(item, after.piles, after.joints)
            ),
        )
        for item in dict.fromkeys([*now, *was])
        if was.get(item) != now.get(item)
    ]
    stood = {one.item for one in before.decisions if one.standing and one.effect == "accept"}
    lapsed = [
        one.item
        for one in after.decisions
        if one.item in stood and one.effect == "accept" and one.state.startswith("changed")
    ]
    earlier = {state.stage: state for state in before.stages}
    return Changes(
        as_of=before.as_of,
        items=tuple(sorted(items, key=lambda one: (-one.now, -(one.now - one.was)))),
        lapsed=tuple(lapsed),
        stages=tuple(_stage(earlier.get(state.stage), state) for state in after.stages),
    )


def _stage(before: StageState | None, after: StageState) -> StageChange:
    was = [] if before is None else [hold.item for hold in before.held_by]
    now = [hold.item for hold in after.held_by]
    return StageChange(
        stage=after.stage,
        was="" if before is None else before.state,
        now=after.state,
        added=tuple(dict.fromkeys(item for item in now if item not in set(was))),
        gone=tuple(dict.fromkeys(item for item in was if item not in set(now))),
    )
