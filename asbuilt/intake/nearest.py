"""Which known pile an unknown id may have meant: suggested, never put in its place."""

from __future__ import annotations

import re
from collections import defaultdict
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["NearestIds"]

MOST = 3
_LEADING_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_ALIKE = str.maketrans({"O": "0", "I": "1", "L": "1", "S": "5", "B": "8", "Z": "2", "_": "-", ".": "-"})


class NearestIds:
    """Finds known ids near a given one.

    First those that differ by letters that look alike, leading zeros or case; then those with one letter
    more, less, changed, or exchanged with its neighbour. The tables for it are made at the first question, as
    most folders ask none.
    """

    def __init__(self, known: Sequence[str]) -> None:
        self._known = known
        self._by_look: dict[str, list[int]] = {}
        self._by_part: dict[str, list[int]] = {}

    def near(self, name: str) -> list[str]:
        """Return up to three known ids near ``name``, the likeliest first."""
        if not self._by_look:
            self._learn()
        found = dict.fromkeys(self._by_look.get(_look(name), []))
        distant: dict[int, None] = {}
        for part in _parts(name):
            distant.update(dict.fromkeys(self._by_part.get(part, [])))
        closest = sorted(distant, key=lambda place: (abs(len(self._known[place]) - len(name)), place))
        found.update(dict.fromkeys(closest))
        return [self._known[place] for place in list(found)[:MOST]]

    def expected(self, name: str) -> str:
        """Return what to say was expected in place of ``name``."""
        close = self.near(name)
        if close:
            return f"perhaps {' or '.join(close)}"
        return "a pile of the design table"

    def _learn(self) -> None:
        by_look: dict[str, list[int]] = defaultdict(list)
        by_part: dict[str, list[int]] = defaultdict(list)
        for place, name in enumerate(self._known):
            by_look[_look(name)].append(place)
            for part in _parts(name):
                by_part[part].append(place)
        self._by_look, self._by_part = dict(by_look), dict(by_part)


def _look(name: str) -> str:
    """Return a name as it looks at a glance: no case, look-alikes joined, no leading zeros."""
    return _LEADING_ZEROS.sub("", name.upper().translate(_ALIKE))


def _parts(name: str) -> set[str]:
    """Return the name, and the name without each of its letters.

    Two names share one of these when they differ by one letter more, less, changed or exchanged.
    """
    return {name, *(name[:place] + name[place + 1 :] for place in range(len(name)))}
