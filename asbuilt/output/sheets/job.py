"""What sheets are made from: the results, what can be asked of them, and what was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.canvas import Box
    from asbuilt.output.sheets.frame import Sheet
    from asbuilt.views import Views

    #: Makes all sheets of one kind, each to fill a box of the paper [mm], with the height of its text [mm].
    Maker = Callable[["Job", Box, float], Sequence[Sheet]]

__all__ = ["Job"]


@dataclass(frozen=True, kw_only=True)
class Job:
    """One set of sheets to make.

    ``scale`` (1:scale), ``levels`` [m], ``piles`` and ``joints`` (places in the results) are what was asked for; None
    and empty: what the sheets choose themselves. ``extract``: sheets on request, beside the set that a run makes; their
    title block says so, lest two drawings go by one number and page.
    """

    result: Reconciliation
    views: Views
    paper: str
    scale: int | None = None
    levels: tuple[float, ...] = ()
    piles: tuple[int, ...] = ()
    joints: tuple[int, ...] = ()
    extract: bool = False
