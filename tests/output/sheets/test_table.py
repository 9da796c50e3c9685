from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pdf_pages
import pytest

from asbuilt.output.sheets import table as module
from asbuilt.output.sheets.canvas import Box, Canvas, page_settings
from asbuilt.output.sheets.lettering import text_width
from asbuilt.output.sheets.symbols import LOOKS
from asbuilt.output.sheets.table import (
    SHADE,
    Column,
    Table,
    draw_page,
    least_width,
    longest_part,
    paginate,
    text_widths,
)

if TYPE_CHECKING:
    from pathlib import Path

TEXT = 2.5
BOX = Box(left=20.0, bottom=10.0, width=150.0, height=100.0)


def words(title: str, cells: list[str], **more: Any) -> Column:
    return Column(title=title, cells=cells, **more)


def drawn(path: Path, table: Table, box: Box = BOX) -> list[pdf_pages.Page]:
    """Draw every page of a table on a sheet of its own and read it back."""
    found = []
    for number, page in enumerate(paginate(table, box, TEXT)):
        canvas = Canvas(200.0, 130.0)
        draw_page(canvas, page)
        name = path / f"{number}.pdf"
        with page_settings():
            canvas.figure.savefig(name)
        found.extend(pdf_pages.read_pages(name))
    return found


def at(page: pdf_pages.Page, text: str) -> pdf_pages.Written:
    (found,) = (one for one in page.texts if one.text == text)
    return found


def numbered(rows: int, **more: Any) -> Table:
    return Table(columns=(words("name", [f"row {k}" for k in range(rows)]), words("what", ["x"] * rows)), **more)


def test_widths_of_many_texts_are_those_of_each() -> None:
    texts = ["", "A001~A002", "+3.20", "—", "Ölwanne", ""]
    assert text_widths(texts, TEXT) == pytest.approx([text_width(text, TEXT) for text in texts], abs=1e-9)


def test_figures_stand_on_the_decimal_point(tmp_path: Path) -> None:
    table = Table(columns=(Column(title="u", cells=["1.5", "12.25", "-3"], align="figure"),))
    (page,) = drawn(tmp_path, table)
    points = [at(page, text).x + text_width(text.partition(".")[0], TEXT) for text in ("1.5", "12.25", "-3")]
    assert points == pytest.approx([points[0]] * 3, abs=0.01)


def test_what_is_no_figure_stands_in_the_middle_of_its_column(tmp_path: Path) -> None:
    table = Table(columns=(Column(title="u", cells=["12.25", "none"], align="figure"),))
    (page,) = drawn(tmp_path, table)
    assert at(page, "none").x + text_width("none", TEXT) / 2 == pytest.approx(BOX.middle[0], abs=0.01)


def test_pages_hold_every_row_once() -> None:
    pages = paginate(numbered(57), BOX, TEXT)
    assert [(page.start, page.stop) for page in pages] == [(0, 19), (19, 38), (38, 57)]


def test_no_page_ends_below_its_box() -> None:
    assert min(page.bottom for page in paginate(numbered(57), BOX, TEXT)) >= BOX.bottom


def test_header_is_repeated_on_every_page(tmp_path: Path) -> None:
    pages = drawn(tmp_path, numbered(30))
    assert [at(page, "name").y for page in pages] == pytest.approx([at(pages[0], "name").y] * len(pages))


def test_table_starts_on_the_next_sheet_where_the_first_has_no_room() -> None:
    first = Box(left=BOX.left, bottom=BOX.bottom, width=BOX.width, height=8.0)
    pages = paginate(numbered(3), BOX, TEXT, first=first)
    assert [(page.start, page.stop) for page in pages] == [(0, 0), (0, 3)]


def test_a_page_without_rows_draws_nothing() -> None:
    first = Box(left=BOX.left, bottom=BOX.bottom, width=BOX.width, height=8.0)
    canvas = Canvas(200.0, 130.0)
    before = len(canvas.figure.get_children())
    draw_page(canvas, paginate(numbered(3), BOX, TEXT, first=first)[0])
    assert len(canvas.figure.get_children()) == before


def test_no_rows_make_no_page() -> None:
    assert paginate(numbered(0), BOX, TEXT) == []


LONG = "the surveyor could not see the head from any station that was set up on that day, nor on the next one"


def test_words_wrap_within_their_column(tmp_path: Path) -> None:
    table = Table(columns=(words("pile", ["P1"]), words("why", [LONG], wraps=True), words("by", ["Engineer"])))
    (page,) = drawn(tmp_path, table)
    start, end = at(page, "why").x, at(page, "by").x
    lines = [text for text in page.texts if text.x == pytest.approx(start, abs=0.01) and text.text != "why"]
    assert " ".join(line.text for line in lines) == LONG
    assert max(line.x + text_width(line.text, TEXT) for line in lines) < end


def test_the_row_under_wrapped_words_starts_below_them(tmp_path: Path) -> None:
    table = Table(columns=(words("pile", ["P1", "P2"]), words("why", [LONG * 2, "seen"], wraps=True)))
    (page,) = drawn(tmp_path, table)
    lowest = min(text.y for text in page.texts if text.text not in ("P2", "seen"))
    assert at(page, "P2").y < lowest - TEXT


def test_a_remark_runs_under_its_row_from_the_second_column(tmp_path: Path) -> None:
    table = numbered(2, remarks=["toe above design", ""])
    (page,) = drawn(tmp_path, table)
    remark = at(page, "toe above design")
    assert remark.x == pytest.approx(at(page, "what").x, abs=0.01)
    assert at(page, "row 0").y - remark.y == pytest.approx(1.5 * TEXT, abs=0.01)


def test_very_long_words_end_in_an_ellipsis(tmp_path: Path) -> None:
    table = Table(columns=(words("why", [LONG * 40], wraps=True),))
    (page,) = drawn(tmp_path, table)
    lines = [text.text for text in page.texts if text.text != "why"]
    assert len(lines) == 12
    assert lines[-1].endswith("…")


def test_every_fifth_row_is_shaded(tmp_path: Path) -> None:
    (page,) = drawn(tmp_path, numbered(13))
    (shade,) = page.of(fill=SHADE)
    assert len(shade.parts) == 2


def test_shading_lies_behind_its_row(tmp_path: Path) -> None:
    (page,) = drawn(tmp_path, numbered(13))
    fifth, tenth = (part[:, 1] for part in page.of(fill=SHADE)[0].parts)
    assert fifth.min() < at(page, "row 4").y < fifth.max()
    assert tenth.min() < at(page, "row 9").y < tenth.max()


def test_text_on_shading_keeps_its_contrast() -> None:
    ink, shade = (pdf_pages.luminance(pdf_pages.rgb(colour)) for colour in (module.INK, SHADE))
    assert (shade + 0.05) / (ink + 0.05) >= 4.5


def test_markers_stand_before_their_verdicts(tmp_path: Path) -> None:
    codes = np.array([3, -1, 3])
    table = Table(columns=(Column(title="verdict", cells=["X", "—", "X"], align="centre", marks=codes),))
    (page,) = drawn(tmp_path, table)
    (squares,) = page.of(fill=LOOKS[3].colour)
    letters = [text for text in page.texts if text.text == "X"]
    for part, letter in zip(squares.parts, letters, strict=True):
        assert part[:, 0].max() < letter.x
        assert part[:, 1].mean() == pytest.approx(letter.y + TEXT / 2, abs=0.5)


def test_a_group_stands_over_its_columns(tmp_path: Path) -> None:
    columns = tuple(words(title, ["1"], group=group) for title, group in (("a", ""), ("b", "offset"), ("c", "offset")))
    (page,) = drawn(tmp_path, Table(columns=columns))
    heading = at(page, "offset")
    assert at(page, "b").x < heading.x + text_width("offset", TEXT) / 2 < at(page, "c").x + BOX.width / 3
    assert heading.y > at(page, "b").y + TEXT


def test_nothing_is_cut_at_the_least_width(tmp_path: Path) -> None:
    table = Table(columns=(words("progress", ["concreted"]), Column(title="east", cells=["+123"], align="figure")))
    box = Box(left=20.0, bottom=10.0, width=least_width(table, TEXT) + 0.01, height=100.0)
    (page,) = drawn(tmp_path, table, box)
    assert {text.text for text in page.texts} == {"progress", "concreted", "east", "+123"}


def test_below_the_least_width_a_cut_shows(tmp_path: Path) -> None:
    table = Table(columns=(words("progress", ["concreted"]), Column(title="east", cells=["+123"], align="figure")))
    box = Box(left=20.0, bottom=10.0, width=least_width(table, TEXT) * 0.8, height=100.0)
    (page,) = drawn(tmp_path, table, box)
    assert "+…" in {text.text for text in page.texts}


def test_tables_side_by_side_have_the_same_columns() -> None:
    short, long = ["P1"], ["a much longer name"]
    one = Table(columns=(words("item", short, beside=long), words("check", ["toe"])))
    two = Table(columns=(words("item", long, beside=short), words("check", ["toe"])))
    (a,), (b,) = paginate(one, BOX, TEXT), paginate(two, BOX, TEXT)
    assert a.laid.left == pytest.approx(b.laid.left)


def test_long_titles_wrap_over_three_lines(tmp_path: Path) -> None:
    table = Table(columns=tuple(words("overlap at formation", ["1"]) for _ in range(8)))
    (page,) = drawn(tmp_path, table)
    assert [text.text for text in page.texts[:3]] == ["formation", "at", "overlap"]


def test_thousands_of_rows_are_measured_by_character(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []

    def counted(text: str, height: float) -> float:
        calls.append(text)
        return text_width(text, height)

    monkeypatch.setattr(module, "text_width", counted)
    cells = [f"{k / 7:.2f}" for k in range(10_000)]
    pages = paginate(Table(columns=tuple(Column(title="u", cells=cells, align="figure") for _ in range(5))), BOX, TEXT)
    assert pages[-1].stop == 10_000
    assert len(calls) < 300


def test_a_name_too_long_for_its_column_goes_on_after_a_separator(tmp_path: Path) -> None:
    name = "NORTH.SECTOR_07-1~NORTH.SECTOR_07-2"
    table = Table(columns=(words("joint", [name], wraps=True),))
    (page,) = drawn(tmp_path, table, Box(left=20.0, bottom=10.0, width=35.0, height=100.0))
    lines = [text.text for text in page.texts if text.text != "joint"]
    assert lines == ["NORTH.SECTOR_", "07-1~", "NORTH.SECTOR_", "07-2"]


def test_the_longest_part_of_names_is_what_stands_between_separators() -> None:
    assert longest_part(["A-1", "NORTH.SECTOR_07-1"]) == pytest.approx(text_width("SECTOR_", 1.0), abs=1e-9)
