"""Text on paper: how wide it runs, how it is fitted and wrapped. Heights are of a capital letter [mm].

One typeface that comes with Matplotlib is used, from its file, so that a page does not depend on the fonts of a
machine; and in one weight, since most of the time a page takes is the embedding of its fonts. What matters is larger.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["CAPITAL", "POINTS_PER_MM", "clean", "fit", "font", "properties", "text_width", "wrap"]

POINTS_PER_MM = 72.0 / 25.4

#: Height of a capital letter in parts of the font size: DejaVu Sans, 1493 of 2048 units.
CAPITAL = 1493.0 / 2048.0
#: Depth of a descending letter in parts of a capital's height.
DESCENT = 0.33

#: Stands for a character that the typeface does not have.
MISSING = "\u25a1"
ELLIPSIS = "\u2026"


@lru_cache(maxsize=1)
def font() -> tuple[FT2Font, str]:
    """Return the typeface, and the path of its file."""
    path = str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf")
    face = FT2Font(path)
    face.set_size(100.0, 72)
    return face, path


@lru_cache(maxsize=64)
def properties(height: float) -> FontProperties:
    """Return the typeface at a size whose capital letters are ``height`` mm high."""
    return FontProperties(fname=font()[1], size=height / CAPITAL * POINTS_PER_MM)


@lru_cache(maxsize=4096)
def _advance(character: str) -> float:
    """Return how far a character moves the pen, in parts of the font size."""
    # linearHoriAdvance is a 16.16 fixed-point number of pixels, and knows no hinting.
    return float(font()[0].load_char(ord(character)).linearHoriAdvance) / 65536.0 / 100.0


@lru_cache(maxsize=4096)
def _shown(character: str) -> str:
    if unicodedata.category(character)[0] in "CZ":
        return " " if character.isspace() else MISSING
    return character if font()[0].get_char_index(ord(character)) else MISSING


def clean(text: str) -> str:
    """Return ``text`` on one line, with a box for every character that cannot be shown."""
    return text if text.isascii() and text.isprintable() else "".join(map(_shown, text))


def text_width(text: str, height: float) -> float:
    """Return how wide a cleaned text runs [mm]: the typeface's own widths, without kerning."""
    return _run(text) * height / CAPITAL


@lru_cache(maxsize=65536)
def _run(text: str) -> float:
    """Return how far a text moves the pen, in parts of the font size."""
    return sum(map(_advance, text))


def fit(text: str, width: float, height: float, *, least: float) -> tuple[str, float]:
    """Return ``text`` and its height [mm], to run ``width``: smaller down to ``least``, then cut, with an ellipsis."""
    text = clean(text)
    runs = text_width(text, height)
    if runs <= width:
        return text, height
    smaller = max(least, height * width / runs)
    if text_width(text, smaller) <= width + 1e-9:
        return text, smaller
    room = width - text_width(ELLIPSIS, least)
    kept = 0
    for kept, character in enumerate(text):  # noqa: B007  # its last value is the number of characters kept
        room -= text_width(character, least)
        if room < 0:
            break
    return text[:kept].rstrip() + ELLIPSIS, least


def wrap(text: str, width: float, height: float) -> list[str]:
    """Return the lines of ``text`` when none may run wider than ``width`` [mm]; too long a word is broken."""
    lines: list[str] = []
    line = ""
    for word in _words(clean(text), width, height):
        longer = f"{line} {word}" if line else word
        if line and text_width(longer, height) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines


def _words(text: str, width: float, height: float) -> Iterator[str]:
    for word in text.split():
        while text_width(word, height) > width and len(word) > 1:
            kept = len(word) - 1
            while kept > 1 and text_width(word[:kept], height) > width:
                kept -= 1
            yield word[:kept]
            word = word[kept:]  # noqa: PLW2901  # the rest of it is the next word
        yield word
