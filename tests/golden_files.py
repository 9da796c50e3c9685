"""What people read is compared with files in tests/golden/.

``UPDATE_GOLDEN=1 python -m pytest tests/commands`` writes them anew; look at what changed before it is committed.
"""

from __future__ import annotations

import os
from pathlib import Path

GOLDEN = Path(__file__).resolve().parent / "golden"


def assert_golden(name: str, text: str) -> None:
    """Compare ``text`` with the golden file; both end with one line end."""
    path = GOLDEN / name
    text = text.rstrip("\n") + "\n"
    if os.environ.get("UPDATE_GOLDEN"):
        path.write_text(text, encoding="utf-8")
    assert path.exists(), f"{path} is missing: run UPDATE_GOLDEN=1 python -m pytest tests/commands"
    assert text == path.read_text(encoding="utf-8")
