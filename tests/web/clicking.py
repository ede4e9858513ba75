"""Clicking through pages as a person does, and looking at what a screen reader would meet."""

from __future__ import annotations

import hashlib
import os
import tomllib
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

__all__ = ["accessible", "join_as", "look", "wait_for_job"]

PASSWORD = "words of a test"  # noqa: S105
VENDOR = Path(__file__).parent / "vendor"
SCREENSHOTS = "ARRAYWRIGHT_SCREENSHOTS"


def _axe() -> str:
    held = tomllib.loads((VENDOR / "manifest.toml").read_text("utf-8"))["script"][0]
    source = (VENDOR / str(held["file"])).read_bytes()
    assert hashlib.sha256(source).hexdigest() == held["sha256"]
    return source.decode("utf-8")


def accessible(page: Page) -> None:
    """Fail when axe-core finds a serious or critical violation on the page."""
    page.evaluate(_axe())
    result: dict[str, Any] = page.evaluate("() => axe.run()")
    grave = [
        (one["id"], [node["html"][:160] for node in one["nodes"][:3]])
        for one in result["violations"]
        if one["impact"] in {"serious", "critical"}
    ]
    assert grave == [], (page.url, grave)
    width = page.viewport_size["width"] if page.viewport_size else 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url


def look(page: Page, name: str) -> None:
    """Check a page as a phone shows it, dark, and as a desk does, light; keep pictures if asked.

    Pictures are kept in the folder that ``ARRAYWRIGHT_SCREENSHOTS`` names.
    """
    folder = os.environ.get(SCREENSHOTS)
    for width, height, scheme in ((360, 640, "dark"), (1600, 900, "light")):
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        accessible(page)
        if folder:
            page.screenshot(path=Path(folder) / f"{name}-{width}.png", full_page=True)


def join_as(page: Page, link: str, *, name: str = "", password: str = PASSWORD) -> None:
    """Take up an invitation."""
    page.goto(link)
    if name:
        page.get_by_label("Name", exact=True).fill(name)
    page.locator("input[name=password]").fill(password)
    page.locator("input[name=password_again]").fill(password)
    page.get_by_role("button", name="Choose and sign in").click()


def wait_for_job(page: Page, *, within_s: float = 240) -> None:
    """Wait on the page of a piece of work until it is done."""
    done = page.locator("p[role=status] .mark.done")
    expect(done).to_be_visible(timeout=within_s * 1000)
