"""What a command said on stderr, without the ends of its lines: they are broken at 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest

__all__ = ["told"]


def told(capsys: pytest.CaptureFixture[str]) -> str:
    """Return it as one line."""
    return " ".join(capsys.readouterr().err.split())
