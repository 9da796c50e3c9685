"""A measured table on a page of the documentation, between the marks that say it is generated."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def put_between(page: Path, begin: str, end: str, text: str) -> None:
    """Replace what stands in ``page`` between two marks."""
    before, _, rest = page.read_text(encoding="utf-8").partition(begin)
    page.write_text(before + begin + text + end + rest.partition(end)[2], encoding="utf-8")
