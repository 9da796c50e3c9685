"""Work in lots: bounded memory, and arrays that stay in the processor's cache."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    from asbuilt.model import Integers

__all__ = ["LOT", "in_lots"]

#: Items worked on at a time. Threads gained nothing: between them the processors share one cache and one interpreter.
LOT = 16384

_Found = TypeVar("_Found")


def in_lots(work: Callable[[Integers], _Found], *items: Integers, size: int = LOT) -> list[_Found]:
    """Return what ``work`` gives for each lot of ``size`` of each array of items, in their order."""
    return [work(array[k : k + size]) for array in items for k in range(0, len(array), size)]
