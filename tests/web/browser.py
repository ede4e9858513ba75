"""A real browser for tests of pages: Debian's Chromium, driven from Python."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator

from playwright.sync_api import Browser, sync_playwright

__all__ = ["chromium_path", "open_browser"]


def chromium_path() -> str:
    """Find Chromium; fail with what to install when there is none."""
    if path := shutil.which("chromium"):
        return path
    raise AssertionError("No Chromium is installed. Install it: apt-get install chromium")


@contextlib.contextmanager
def open_browser(*arguments: str) -> Iterator[Browser]:
    """Give a headless browser.

    Args:
        arguments: further arguments for Chromium.
    """
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=chromium_path(),
            args=["--no-sandbox", "--disable-dev-shm-usage", *arguments],
        )
        try:
            yield browser
        finally:
            browser.close()
