"""What ``run --since`` says of what changed, in a dozen lines at most: the review page lists it all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from asbuilt.columns import VERDICTS
from asbuilt.commands._shared import WIDTH, iso_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.settings import Site
    from asbuilt.views import Change, Changes, StageChange

__all__ = ["since_lines", "since_object"]

_MOST_ITEMS = 3
_MOST_STAGES = 4
_MOST_NAMED = 4
#: Figures that are told first, as a line is cut: from where on a joint is not what it should be.
_FIRST = ("open from", "lost from")


def since_object(changes: Changes) -> dict[str, Any]:
    """Return what changed as ``--json`` prints it."""
    return {
        "as_of": iso_time(changes.as_of),
        "items": [
            {"item": one.item, "was": _verdict(one.was), "now": _verdict(one.now), "worse": one.worse, "text": one.text}
            for one in changes.items
        ],
        "lapsed": list(changes.lapsed),
        "stages": [
            {
                "stage": one.stage,
                "was": one.was or None,
                "now": one.now,
                "added": list(one.added),
                "gone": list(one.gone),
            }
            for one in changes.stages
        ],
    }


def _verdict(code: int) -> str | None:
    return None if code < 0 else VERDICTS[code]


def since_lines(changes: Changes, site: Site) -> Iterator[str]:
    """Yield what changed, each line cut at 80 columns: at most 12 of them, the blank one before included."""
    yield ""
    yield _cut(f"Changed since {site.time_text(changes.as_of)}")
    otherwise = [one for one in changes.items if one.was != one.now]
    within = [one for one in changes.items if one.was == one.now]
    worse = sum(one.worse is True for one in within)
    if not changes.items:
        yield "  no item is judged otherwise, none has figures that got worse or better"
    else:
        yield _cut(
            f"  {len(otherwise)} judged otherwise; of the others {worse} got worse and {len(within) - worse} better"
        )
    for one in changes.items[:_MOST_ITEMS]:
        yield _cut(f"  {_item(one)}")
    if changes.lapsed:
        yield _cut(f"  decisions that lapsed: {len(changes.lapsed)}: {_named(changes.lapsed)}")
    moved = [one for one in changes.stages if one.added or one.gone or one.was != one.now]
    for stage in moved[:_MOST_STAGES]:
        yield _cut(f"  {_stage(stage)}")
    if len(changes.items) > _MOST_ITEMS or len(moved) > _MOST_STAGES:
        yield "  the review page lists them all"


def _item(one: Change) -> str:
    """Word one item: what became of its verdict, and the figures."""
    was, now = _verdict(one.was), _verdict(one.now)
    became = f"{was or 'new'} -> {now or 'gone'}" if was != now else f"{now}, {'worse' if one.worse else 'better'}"
    parts = [part for part in one.text.split(", ") if not part.startswith("verdict ")]
    figures = ", ".join(sorted(parts, key=lambda part: not part.startswith(_FIRST)))
    return f"{one.item}  {became}{f': {figures}' if figures else ''}"


def _stage(one: StageChange) -> str:
    """Word what holds a stage now and did not, and what does no more."""
    parts = [f"now held by {_named(one.added)}"] if one.added else []
    parts += [f"no more by {_named(one.gone)}"] if one.gone else []
    became = f"{one.was or 'new'} -> {one.now}" if one.was != one.now else ""
    return f"{one.stage}: {'; '.join(filter(None, [became, *parts]))}"


def _named(items: Sequence[str]) -> str:
    more = f" and {len(items) - _MOST_NAMED} more" if len(items) > _MOST_NAMED else ""
    return f"{', '.join(items[:_MOST_NAMED])}{more}"


def _cut(line: str) -> str:
    return line if len(line) <= WIDTH else f"{line[: WIDTH - 2].rstrip(' ,;')} \u2026"
