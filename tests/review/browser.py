"""Debian's Chromium, driven by Playwright; tests that need it skip where it is missing."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage
    from playwright.sync_api import Page as Tab

    from tests.review.conftest import Page

WINDOW = {"width": 1200, "height": 900}
TABLET = {"width": 820, "height": 1180}


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser without a window, its sound allowed to play unasked.

    Skips the test where Playwright or Chromium is not installed.
    """
    api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("Chromium is not installed (Debian: apt-get install chromium)")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"],
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(
    browser: Browser, page: Page, scheme: Any = "light", size: Any = None, script: str = ""
) -> Iterator[Tab]:
    """The page of the running server in a fresh tab, come in by its opening address.

    Fails where the page logs an error, asks another place for something, or is refused
    something by its own policy.
    """
    context = browser.new_context(viewport=size or WINDOW, color_scheme=scheme)
    context.set_default_timeout(15_000)
    tab = context.new_page()
    if script:
        tab.add_init_script(script)
    wrong: list[str] = []
    tab.on("pageerror", lambda error: wrong.append(f"error: {error}"))

    def logged(said: ConsoleMessage) -> None:
        # What the program refuses (409) is told on the page; the browser logs it as well.
        if said.type == "error" and "status of 409" not in said.text:
            wrong.append(said.text)

    tab.on("console", logged)
    tab.on(
        "request",
        lambda asked: (
            None
            if asked.url.startswith((f"http://{page.host}/", "data:"))
            else wrong.append(f"asked elsewhere: {asked.url}")
        ),
    )
    try:
        tab.goto(page.door.address)
        tab.wait_for_selector("body[data-ready=yes], body.plain")
        yield tab
        assert not wrong, wrong
    finally:
        context.close()
