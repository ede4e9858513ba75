"""A phone in a browser against a served site, for tests and measurements of the field page."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from playwright.sync_api import Browser, BrowserContext, CDPSession, Page, ViewportSize
from playwright.sync_api import Error as PlaywrightError

from arraywright.records.people import Person, Role
from arraywright.records.people_access import make_device_code
from arraywright.web.app import create_app
from arraywright.web.settings import WebSettings
from arraywright.web.site_handle import SiteHandle

SIZE: ViewportSize = {"width": 360, "height": 640}


@dataclass(kw_only=True)
class ServedSite:
    """A site served in this process."""

    address: str
    site: SiteHandle

    def person(self, name: str, role: Role = Role.TESTER) -> Person:
        """Add a person."""
        return self.site.people.add(name, role)

    def code(self, person: Person) -> str:
        """Make a code by which a phone becomes a person's."""
        return make_device_code(self.site.people, person.id, hours=2)


@contextmanager
def served(folder: Path) -> Iterator[ServedSite]:
    """Serve a site folder on this machine."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        address = f"http://127.0.0.1:{port}"
        app = create_app(WebSettings(folder=folder, address=address, limit_rates=False))
        config = uvicorn.Config(app, log_level="warning", lifespan="on")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        try:
            yield ServedSite(address=address, site=app.state.site)
        finally:
            server.should_exit = True
            thread.join()


@dataclass(kw_only=True)
class Phone:
    """A browser that stands for one phone."""

    context: BrowserContext
    address: str
    page: Page
    slowdown: float = 1.0

    @classmethod
    def new(cls, browser: Browser, address: str, **options: Any) -> Phone:
        """Take a new phone into the hand."""
        context = browser.new_context(viewport=SIZE, has_touch=True, **options)
        return cls(context=context, address=address, page=context.new_page())

    def slow_down(self, times: float) -> None:
        """Make the processor slower, now and after every loss of the tab."""
        self.slowdown = times
        self.session().send("Emulation.setCPUThrottlingRate", {"rate": times})

    def session(self) -> CDPSession:
        """Give the line to the browser's own tools."""
        return self.context.new_cdp_session(self.page)

    def enrol(self, code: str) -> None:
        """Come by the link of the office's QR code, and join."""
        self.page.goto(f"{self.address}/field/enrol#{code}")
        self.page.click("#join")
        self.page.wait_for_selector("#take-along", timeout=30_000)

    def take_along(self, *blocks: str) -> None:
        """Fetch the work pack of blocks, of all when none is named."""
        self.page.goto(f"{self.address}/field/#/blocks")
        self.page.wait_for_selector("#take-along")
        for choice in self.page.query_selector_all(".blocks .choice"):
            name = choice.query_selector("strong")
            wanted = not blocks or (name is not None and name.inner_text() in blocks)
            if wanted != (choice.get_attribute("aria-pressed") == "true"):
                choice.click()
        self.page.click("#take-along")
        self.page.wait_for_selector("#go-on", timeout=60_000)
        self.page.click("#go-on")
        self.kept_offline()

    def kept_offline(self) -> None:
        """Wait until the service worker holds the page."""
        self.page.evaluate("async () => { await navigator.serviceWorker.ready; }")
        self.page.wait_for_function("() => navigator.serviceWorker.controller !== null")

    def fetch_new_version(self) -> None:
        """Let the phone find a new version of the page, and wait until it has it whole."""
        self.page.evaluate(
            """async () => {
              const held = await navigator.serviceWorker.getRegistration("/field/");
              await held.update();
              while (!held.waiting) await new Promise((resolve) => setTimeout(resolve, 50));
            }"""
        )

    def go(self, path: str) -> None:
        """Open a screen."""
        self.page.evaluate("(path) => arraywright.go(path)", path)

    def read_cautions(self) -> None:
        """Read the cautions when they are shown."""
        if self.page.query_selector("#read"):
            self.page.click("#read")
            self.page.wait_for_selector("#read", state="detached")

    def offline(self, *, off: bool = True) -> None:
        """Take the network away, or give it back."""
        self.context.set_offline(off)

    def kill(self) -> None:
        """Lose the tab as a phone does when its battery dies; open the page anew."""
        with contextlib.suppress(PlaywrightError):
            self.page.goto("chrome://kill", timeout=3_000)
        self.page.close()
        self.page = self.context.new_page()
        self.slow_down(self.slowdown)

    def open(self, path: str = "/") -> None:
        """Open the field page anew and wait until it can be used."""
        self.page.goto("about:blank")
        # the page may reload itself to change over to a new version
        self.page.goto(f"{self.address}/field/#{path}", wait_until="commit")
        self.page.wait_for_function("() => globalThis.arraywright && arraywright.turn")

    def missing_words(self) -> list[str]:
        """List keys of words that were asked for and are not there."""
        found: list[str] = self.page.evaluate("() => [...arraywright.words.missing]")
        return found
