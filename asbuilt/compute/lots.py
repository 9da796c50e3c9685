"""Work in lots: bounded memory, arrays that stay in the processor's cache, and all processors at work."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Integers

__all__ = ["LOT", "in_lots"]

#: Items worked on at a time.
LOT = 8192

_Found = TypeVar("_Found")


def in_lots(work: Callable[[Integers], _Found], *items: Integers, size: int = LOT) -> list[_Found]:
    """Return what ``work`` gives for each lot of the items, in their order.

    Each array of items is cut into lots of ``size``. Lots share nothing, so that the results do not depend on how many
    are worked on at once.
    """
    lots = [array[k : k + size] for array in items for k in range(0, len(array), size)]
    if len(lots) < 2:
        return [work(lot) for lot in lots]
    with ThreadPoolExecutor(max_workers=min(8, os.cpu_count() or 1)) as pool:
        return list(pool.map(work, lots))
