"""All lettering of a page into the PDF, quickly: a line of text is one string, and strings of one colour go out as one.

Matplotlib shapes and writes every glyph by itself, which on pages of tables takes ten times as long as all that is
drawn. Here a character is looked up once in a document. Positions are those of the typeface's own widths, without
kerning, so that a text is exactly as wide as :func:`text_width` says. A Matplotlib that keeps its fonts in another way
than expected is asked to write the text itself.
"""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from matplotlib.artist import Artist
from matplotlib.text import Text

from asbuilt.output.sheets.lettering import CAPITAL, POINTS_PER_MM, font, properties

if TYPE_CHECKING:
    from matplotlib.backend_bases import RendererBase

    from asbuilt.output.sheets.canvas import Letters

__all__ = ["Lettering"]


class _Quill:
    """The typeface in one PDF file: its name there, and the characters that it already holds."""

    def __init__(self, file: Any) -> None:
        self.face, path = font()
        self.tracker = file._character_tracker  # the one place that knows which glyphs to embed
        self.ready: set[str] = set()
        self.name = file.fontName(path).pdfRepr()

    def takes(self, text: str) -> bool:
        """Whether every character of a text is, or can be, held under its own code."""
        fresh = set(text) - self.ready
        for character in fresh:
            glyph = self.face.get_char_index(ord(character))
            if self.tracker.track_glyph(self.face, character, glyph) != (0, ord(character)):
                return False
        self.ready |= fresh
        return True

    def written(self, one: Letters) -> bytes:
        """Return the operators that write one line of text."""
        turn = math.radians(one.angle)
        cos, sin = math.cos(turn), math.sin(turn)
        x, y, size = one.x * POINTS_PER_MM, one.y * POINTS_PER_MM, one.height / CAPITAL * POINTS_PER_MM
        shown = one.text.encode("utf-16-be").hex()
        return b"q %.6f %.6f %.6f %.6f %.6f %.6f cm BT %b %.6f Tf 0 0 Td [<%b>] TJ ET Q\n" % (
            cos,
            sin,
            -sin,
            cos,
            x,
            y,
            self.name,
            size,
            shown.encode(),
        )


#: By PDF file; None where its inside is not as expected.
_QUILLS: WeakKeyDictionary[Any, _Quill | None] = WeakKeyDictionary()


def _quill(file: Any) -> _Quill | None:
    if file is None:
        return None
    if file not in _QUILLS:
        try:
            _QUILLS[file] = _Quill(file)
        except (AttributeError, TypeError):
            _QUILLS[file] = None
    return _QUILLS[file]


class Lettering(Artist):
    """All texts of a page. Text is drawn as written: no sign in it has a meaning of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[Letters] = []
        self._plain = Text()
        # A ligature is a glyph of its own and would cost a second embedded font; before Matplotlib 3.11 there are none.
        if hasattr(self._plain, "set_fontfeatures"):
            self._plain.set_fontfeatures(("-liga",))

    def draw(self, renderer: RendererBase) -> None:
        """Write all texts, one colour after another."""
        gc = renderer.new_gc()
        file = getattr(renderer, "file", None)
        # A page without a word embeds no typeface.
        quill = _quill(file) if self.texts else None
        for colour, group in groupby(sorted(self.texts, key=lambda one: one.colour), key=lambda one: one.colour):
            gc.set_foreground(colour)
            lines = []
            for one in group:
                if quill is not None and quill.takes(one.text):
                    lines.append(quill.written(one))
                else:
                    self._slowly(renderer, gc, one)
            if lines:
                renderer.check_gc(gc, gc.get_rgb())  # type: ignore[attr-defined]  # a PDF renderer has it
                file.write(b"".join(lines))  # type: ignore[union-attr]  # there is a quill, so there is a file
        gc.restore()
        self.stale = False

    def _slowly(self, renderer: RendererBase, gc: Any, one: Letters) -> None:
        dots = float(renderer.points_to_pixels(POINTS_PER_MM))  # type: ignore[arg-type]  # one number in, one out
        x, y = one.x * dots, one.y * dots
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        renderer.draw_text(gc, x, y, one.text, properties(one.height), one.angle, ismath=False, mtext=self._plain)
