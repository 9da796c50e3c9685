"""A browser for each file, a window for each test: no network, and nothing said behind the reader's back."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
import review_pages
from playwright.sync_api import sync_playwright
from review_pages import WINDOW, Reader

from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile, views_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(scope="module")
def browser():
    """Open a browser for one file of tests: its threads must not be there when tests of others divide the process."""
    if review_pages.browser_path() is None:
        pytest.skip("no Chromium here; ASBUILT_BROWSER may name one")
    with sync_playwright() as playwright:
        opened = review_pages.launch(playwright.chromium)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def look(browser):
    """Open a file in a window; when it closes, what it asked for, said to the console or failed at is told."""

    @contextmanager
    def open_file(path: Path, **more: Any) -> Iterator[Reader]:
        strays: list[str] = []
        context = browser.new_context(
            **{"viewport": WINDOW, "offline": True, "color_scheme": "light", "accept_downloads": True, **more}
        )
        page = context.new_page()
        page.set_default_timeout(10_000)
        own = path.as_uri()
        page.on("request", lambda one: one.url == own or one.url.startswith("blob:") or strays.append(one.url))
        page.on("console", lambda one: strays.append(f"{one.type}: {one.text}"))
        page.on("pageerror", lambda one: strays.append(str(one)))
        page.goto(own)
        reader = Reader(page)
        reader.settle()
        yield reader
        context.close()
        assert strays == []

    return open_file


@pytest.fixture(scope="session")
def demo():
    """What was found in the demonstration, and what can be asked of it."""
    result = reconcile(read_survey(review_pages.DEMO))
    return result, views_of(result)


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory):
    return review_pages.run(review_pages.DEMO, tmp_path_factory.mktemp("demo"), "--since", review_pages.BEFORE)


@pytest.fixture(scope="module")
def window(look, demo_page):
    with look(demo_page) as one:
        yield one


@pytest.fixture
def reader(window, demo_page):
    """Somebody who has just opened the page of the demonstration."""
    window.page.goto(demo_page.as_uri())
    window.page.mouse.move(0, 0)
    window.dialogs.clear()
    window.settle()
    return window
