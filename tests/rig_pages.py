"""Pages and cards for the rig of the demo and of invented walls, each written once and read back."""

from __future__ import annotations

import atexit
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pdf_pages
import small_folder
import wall_folders

from asbuilt import read_survey, reconcile
from asbuilt.commands.reader import Said
from asbuilt.commands.steer_card import cards_of
from asbuilt.commands.steer_case import case_of
from asbuilt.commands.steer_picture import picture_of
from asbuilt.compute.alignment import align
from asbuilt.output.sheets.rig import drawn
from asbuilt.output.sheets.rig_card import drawn_cards

DEMO = Path(__file__).parents[1] / "demo_survey"
_KEPT = TemporaryDirectory(prefix="rig_pages.")
atexit.register(_KEPT.cleanup)
FOLDER = Path(_KEPT.name)


def said(a, b, depth="4", **how) -> Said:
    return Said(**{"tilt_a": a, "tilt_b": b, "unit": "mm/m", "depth": depth} | how)


#: Name to folder, pile ("corner": the one where the wall turns most) and what is said.
CASES = {
    "demo": ("demo", "A132", Said()),
    "go on": ("demo", "A132", said("2", "1", sense="toe")),
    "one in n": ("demo", "A132", said("-200", "90", unit="1:n", sense="top", bearing_a_deg="62", bearing_b_deg="-28")),
    "no window": ("small", "P3", said("1", "2")),
    "no reading": ("small", "P7", Said()),
    "unbuilt": ("small", "P7", said("1", "2", bearing_a_deg="0", bearing_b_deg="270")),
    "corner": ("open_400", "corner", said("3", "-2", bearing_a_deg="10")),
    "ring": ("ring_60", "A30", said("-6", "5", depth="9")),
    "straight": ("straight_130", "A65", said("0", "0", depth="0")),
    "steep": ("straight_130", "A65", said("49", "0")),
}


@cache
def result(name: str):
    if name == "demo":
        return reconcile(read_survey(DEMO))
    folder = FOLDER / name
    if name == "small":
        small_folder.make(folder, records_rig_1_csv="pile_id,drilled_at\n")
    else:
        wall_folders.make(folder, name)
        for path in (folder / "records").glob("*.csv"):
            path.unlink()
    return reconcile(read_survey(folder))


def pile_of(name: str, pile: str) -> str:
    """Return a pile's id, that of the sharpest corner for ``corner``."""
    if pile != "corner":
        return pile
    found = result(name)
    design = found.survey.design
    walls = align(design, found.survey.settings, e=found.piles.design_e, n=found.piles.design_n)
    return str(design["pile_id"][int(np.nanargmax(walls.turn_deg))])


@cache
def picture(name: str):
    folder, pile, words = CASES[name]
    found = result(folder)
    return picture_of(case_of(found, pile_of(folder, pile), words), found, tool_version="0.1.0")


@cache
def page(name: str) -> tuple[pdf_pages.Page, Path]:
    """Return a case's page, and its file; a PNG stands beside it."""
    pdf, png = drawn(picture(name))
    path = FOLDER / f"{name.replace(' ', '_')}.pdf"
    path.write_bytes(pdf)
    path.with_suffix(".png").write_bytes(png)
    (one,) = pdf_pages.read_pages(path)
    return one, path


@cache
def cards(folder: str, piles: tuple[str, ...], **how):
    """Return cards, and the file that they are drawn in."""
    found = cards_of(result(folder), [pile_of(folder, one) for one in piles], Said(**how), tool_version="0.1.0")
    path = FOLDER / f"cards_{folder}_{'_'.join(piles)}.pdf"
    path.write_bytes(drawn_cards(found))
    return found, path
