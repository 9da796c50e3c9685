"""Tables of the demo survey's page."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def readme_table(page: Path, heading: str) -> list[tuple[str, ...]]:
    """Return the rows of the first table below ``heading`` in a page."""
    text = page.read_text(encoding="utf-8").split(f"\n## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines[2:]]
