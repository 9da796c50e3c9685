from __future__ import annotations

import pytest
from folder_maker import Folder


@pytest.fixture
def folder(tmp_path):
    """A good survey folder on disk."""
    return Folder(tmp_path)
