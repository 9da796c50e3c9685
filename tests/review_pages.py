"""Review pages for tests: made by a run, or from data; and a person who looks at one in a browser."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from asbuilt.__main__ import main
from asbuilt.commands._shared import CAUTIONS
from asbuilt.compute.axes import NO_AXIS_REACH_M
from asbuilt.compute.ranking import gravest_first
from asbuilt.output.review.data import PageInputs, review_data
from asbuilt.output.review.page import review_page
from asbuilt.reconcile import views_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from playwright.sync_api import Browser, Locator, Page

    from asbuilt.model import Reconciliation

DEMO = Path(__file__).resolve().parents[1] / "demo_survey"
#: The demonstration is looked at beside what it was on this day.
BEFORE = "2024-10-01"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
#: The window on a laptop of a site office, less the browser's own bars.
WINDOW = {"width": 1366, "height": 650}
_BLOCK = re.compile(r'<script type="application/json" id="data">(.*?)</script>', re.DOTALL)


def browser_path() -> str | None:
    """Return the Chromium of this machine, or the one that ASBUILT_BROWSER names; None for none."""
    return os.environ.get("ASBUILT_BROWSER") or next(filter(None, map(shutil.which, BROWSERS)), None)


def launch(chromium: Any) -> Browser:
    """Return the machine's Chromium without a window, drawing in software; root needs it without its sandbox."""
    root = ["--no-sandbox"] if os.geteuid() == 0 else []
    return chromium.launch(
        executable_path=browser_path(), args=[*root, "--disable-gpu", "--disable-background-networking"]
    )


def run(folder: Path, out: Path, *more: str) -> Path:
    """Run a survey to its GeoPackage and its page; return the page."""
    kinds = ("--only", "geopackage", "--only", "review")
    assert main(["run", str(folder), "--out", str(out), *kinds, *more]) == 0
    return out / "review.html"


def inputs_of(result: Reconciliation, **more: Any) -> PageInputs:
    """Return what a page without sheets says beside the results."""
    said: dict[str, Any] = {
        "tool_version": "0.1.0",
        "inputs_sha256": "ab12" * 16,
        "ledger_head": None,
        "no_axis_reach": NO_AXIS_REACH_M,
        "worst": gravest_first(result.piles, result.joints),
        "cautions": CAUTIONS,
        "page_of": {},
    }
    return PageInputs(**{**said, **more})


def data_of(result: Reconciliation, **more: Any) -> dict[str, Any]:
    """Return the data of a page without sheets."""
    return review_data(result, views_of(result), inputs_of(result, **more))


def carried(page: str) -> dict[str, Any]:
    """Return the data that a page carries."""
    found = _BLOCK.search(page)
    assert found
    return json.loads(found[1])


def write(data: Mapping[str, Any], path: Path) -> Path:
    path.write_text(review_page(data), encoding="utf-8", newline="\n")
    return path


def figure(value: float, places: int = 0, *, plus: bool = False, limit: float | None = None) -> str:
    """Return a figure as the page writes it: a true minus, none before 0; more digits than asked beside a limit."""
    if limit is not None and value != limit:
        places = next((n for n in range(places, 7) if f"{value:.{n}f}" != f"{limit:.{n}f}"), places)
    text = f"{value:{'+' if plus else ''}.{places}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
        return f"+{text}" if plus else text
    return text.replace("-", "\N{MINUS SIGN}")


def level(value: float) -> str:
    """Return a level as the page writes it."""
    return figure(value, 2, plus=True)


def picture(source: Any) -> np.ndarray:
    """Return a picture as (height, width, 3)."""
    return np.asarray(Image.open(source).convert("RGB"))


class Reader:
    """Looks at a page, with mouse and keys only: what is shown is read, nothing of the page is called."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.dialogs: list[str] = []
        """Kinds of the browser's own dialogs that came up; each is agreed to."""
        page.on("dialog", lambda dialog: (self.dialogs.append(dialog.type), dialog.accept()))

    def at(self, selector: str) -> Locator:
        return self.page.locator(selector)

    def settle(self) -> None:
        """Wait until what was asked for is drawn."""
        self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
        self.settle()

    def type(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.settle()

    def click(self, selector: str, **more: Any) -> None:
        self.at(selector).click(**more)
        self.settle()

    def says(self, selector: str) -> str:
        """Return the text as it is read: spaces are plain, and in one line."""
        return " ".join(self.at(selector).inner_text().replace("\N{NO-BREAK SPACE}", " ").split())

    def attribute(self, selector: str, name: str) -> str | None:
        return self.at(selector).get_attribute(name)

    def focus(self) -> str:
        """Return the id of the element that has the focus."""
        return self.page.evaluate("() => document.activeElement.id")

    def chosen(self) -> str:
        """Return the item that is shown."""
        return self.says("#detail-title .id")

    def find(self, text: str) -> None:
        """Write into the filter."""
        self.at("#filter-text").click()
        self.page.keyboard.press("Control+a")
        self.page.keyboard.press("Delete")
        self.page.keyboard.insert_text(text)
        self.settle()

    def choose(self, item: str) -> None:
        """Find an item in the list and click it."""
        self.find(item)
        self.click(f'#list [role=option][title^="{item}:"]')
        assert self.chosen() == item

    def go_to(self, z: float) -> None:
        """Write a level into its field."""
        self.click("#level-number")
        self.write_level(z)
        self.settle()

    def write_level(self, z: float) -> None:
        """Write a level into its field, which has the focus; the words follow within a frame."""
        self.page.keyboard.press("Control+a")
        self.page.keyboard.insert_text(f"{z:.2f}")
        self.page.keyboard.press("Enter")
        self.page.evaluate("() => new Promise(requestAnimationFrame)")

    def figures(self) -> dict[str, tuple[str, str]]:
        """Return the table of figures: label to figure with unit, and what stands behind it."""
        rows = self.at("#detail-body table.figures tr").all_inner_texts()
        cells = [row.replace("\N{NO-BREAK SPACE}", " ").split("\t") for row in rows]
        return {label: (value.strip(), at.strip()) for label, value, at in cells}

    def middle(self, selector: str) -> tuple[float, float]:
        box = self.at(selector).bounding_box()
        assert box
        return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def picture(self) -> np.ndarray:
        """Return what the window shows: (height, width, 3)."""
        return picture(io.BytesIO(self.page.screenshot()))

    def colour(self, name: str) -> np.ndarray:
        """Return a colour of the theme, (3,)."""
        text = self.page.evaluate("(name) => getComputedStyle(document.documentElement).getPropertyValue(name)", name)
        return np.array([int(text.strip()[k : k + 2], 16) for k in (1, 3, 5)])
