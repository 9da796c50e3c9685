"""What people read is compared with files in tests/golden/.

``UPDATE_GOLDEN=1 python -m pytest tests/commands`` writes them anew; look at what changed before it is committed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
from PIL import Image

GOLDEN = Path(__file__).resolve().parent / "golden"
PICTURES = Path(__file__).resolve().parents[1] / "docs" / "pictures"
#: Width and height of the tiles that pictures are compared by [pixels], and how far their mean grey may differ.
TILE, APART = 12, 40.0


def assert_golden(name: str, text: str) -> None:
    """Compare ``text`` with the golden file; both end with one line end."""
    path = GOLDEN / name
    text = text.rstrip("\n") + "\n"
    if os.environ.get("UPDATE_GOLDEN"):
        path.write_text(text, encoding="utf-8")
    assert path.exists(), f"{path} is missing: run UPDATE_GOLDEN=1 python -m pytest tests/commands"
    assert text == path.read_text(encoding="utf-8")


def rendered(path: Path, page: int, *, dpi: int, colour: bool = False) -> np.ndarray:
    """Return a page of a PDF as pixels, grey unless ``colour``."""
    poppler = shutil.which("pdftoppm") or "pdftoppm"
    out = path.with_name(f"{path.stem}-{page}-{dpi}")
    kind = [] if colour else ["-gray"]
    where = ["-f", str(page), "-l", str(page), "-singlefile"]
    subprocess.run([poppler, "-png", "-r", str(dpi), *kind, *where, str(path), str(out)], check=True)
    with Image.open(out.with_suffix(".png")) as picture:
        return np.array(picture.convert("RGB" if colour else "L"))


def assert_golden_picture(name: str, path: Path, page: int, *, dpi: int) -> None:
    """Compare a page with its picture in docs/, tile by tile, so that another smoothing of edges does not matter."""
    golden = PICTURES / name
    if os.environ.get("UPDATE_GOLDEN"):
        golden.parent.mkdir(exist_ok=True)
        picture = Image.fromarray(rendered(path, page, dpi=dpi, colour=True))
        picture.quantize(160, dither=Image.Dither.NONE).save(golden, optimize=True)
    assert golden.exists(), f"{golden} is missing: run UPDATE_GOLDEN=1 python -m pytest tests/output/sheets"
    with Image.open(golden) as picture:
        wanted = np.array(picture.convert("L"), dtype=np.float64)
    found = rendered(path, page, dpi=dpi).astype(np.float64)
    assert found.shape == wanted.shape
    apart = np.abs(_tiles(found) - _tiles(wanted))
    assert apart.max() <= APART, f"{golden}: tiles differ by up to {apart.max():.0f} of 255"


def _tiles(picture: np.ndarray) -> np.ndarray:
    """Return the mean grey of tiles."""
    rows, columns = (size // TILE * TILE for size in picture.shape)
    cut = picture[:rows, :columns].reshape(rows // TILE, TILE, columns // TILE, TILE)
    return cut.mean(axis=(1, 3))
