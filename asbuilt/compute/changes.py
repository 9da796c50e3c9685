"""What changed from an earlier state of a survey to a later one: items, verdicts and figures, decisions, holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from asbuilt.columns import VERDICTS
from asbuilt.compute.decisions import has_lapsed
from asbuilt.compute.figures import difference, is_worse, printed_figures
from asbuilt.views import Change, Changes, StageChange

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.figures import Figures
    from asbuilt.model import Reconciliation, StageState

__all__ = ["changes_between"]


def changes_between(before: Reconciliation, after: Reconciliation) -> Changes:
    """Return what is new, gone, judged otherwise, worse or better; accepts that lapsed; and the stages."""
    earlier = {state.stage: state for state in before.stages}
    items = sorted(_items(before, after), key=lambda one: (one.worse is False, -one.now, -(one.now - one.was)))
    return Changes(
        as_of=before.as_of,
        items=tuple(items),
        lapsed=_lapsed(before, after),
        stages=tuple(_stage(earlier.get(state.stage), state) for state in after.stages),
    )


def _items(before: Reconciliation, after: Reconciliation) -> Iterator[Change]:
    """Yield the items that differ. Figures differ where people read another one."""
    was, now = (printed_figures(result.piles, result.joints) for result in (before, after))
    for item in dict.fromkeys([*now, *was]):
        old, new = was.get(item), now.get(item)
        if old == new:
            continue
        verdicts = [_verdict(figures) for figures in (old, new)]
        worse = None if old is None or new is None else _worse(old, new, verdicts)
        if verdicts[0] == verdicts[1] and worse is None:
            continue  # the verdict is the same, and so is every figure that can be better or worse
        text = difference(old or {}, new or {})
        yield Change(item=item, was=verdicts[0], now=verdicts[1], text=text, worse=worse)


def _verdict(figures: Figures | None) -> int:
    """Return the verdict as a place in ``columns.VERDICTS``; -1 for none."""
    name = None if figures is None else figures.get("verdict")
    return -1 if name is None else VERDICTS.index(str(name))


def _worse(old: Figures, new: Figures, verdicts: list[int]) -> bool | None:
    """Tell whether an item is worse: by its verdict, and within one by any of its figures; None for neither."""
    was, now = verdicts
    if was != now and min(was, now) >= 0:
        return now > was
    if was != now:
        return True if now < 0 else None  # nothing tells any more that it is as good; or it was not judged before
    return True if is_worse(old, new) else False if is_worse(new, old) else None


def _lapsed(before: Reconciliation, after: Reconciliation) -> tuple[str, ...]:
    """Return the items of accepts that count as lapsed now, and did not then or were not there."""
    then = {(one.item, one.at, one.by, one.reason) for one in before.decisions if has_lapsed(one)}
    return tuple(
        one.item
        for one in after.decisions
        if has_lapsed(one) and (one.item, one.at, one.by, one.reason) not in then
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
