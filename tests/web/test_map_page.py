"""The map in a real browser: drawn, moved, searched and clicked."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Route, StorageState, expect

from arraywright.procedures.site_record import open_site
from arraywright.web.map_wire import pack_arrays
from tests.web.browser import open_browser
from tests.web.clicking import join_as, look
from tests.web.map_making import NOW, make_map_site, place_modules
from tests.web.serving import RunningServer, free_port, run_server

SOFTWARE_DRAWING = ("--use-angle=swiftshader-webgl", "--enable-unsafe-swiftshader")


@pytest.fixture(scope="module")
def map_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a site with 28,000 modules."""
    return tmp_path_factory.mktemp("map") / "site"


@pytest.fixture(scope="module")
def served(map_folder: Path) -> Iterator[RunningServer]:
    """A server of that site."""
    folder = map_folder.parent
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder / "home"))
        make_map_site(map_folder, 28_000)
        server = run_server(map_folder, port=free_port(), log=folder / "log")
        try:
            yield server
        finally:
            assert server.stop() == 0


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A browser that draws without a graphics unit."""
    with open_browser(*SOFTWARE_DRAWING) as opened:
        yield opened


@pytest.fixture(scope="module")
def state(served: RunningServer, browser: Browser) -> StorageState:
    """The cookies of somebody who is signed in."""
    with browser.new_context() as context:
        join_as(context.new_page(), served.first_link, name="Robin Example")
        return context.storage_state()


@pytest.fixture
def page(browser: Browser, state: StorageState) -> Iterator[Page]:
    """A page that must not complain."""
    with browser.new_context(
        storage_state=state,
        viewport={"width": 1600, "height": 1000},
        locale="en",
    ) as context:
        opened = context.new_page()
        faults: list[str] = []
        opened.on("pageerror", lambda error: faults.append(str(error)))
        opened.on(
            "console", lambda said: faults.append(said.text) if said.type == "error" else None
        )
        yield opened
        assert faults == []


def _open(page: Page, served: RunningServer, mark: str = "") -> None:
    page.goto(f"{served.address}/map{mark}")
    expect(page.locator('#map[data-ready="true"]')).to_be_visible(timeout=20_000)


def test_looks_right_at_all_widths(page: Page, served: RunningServer) -> None:
    """Phone and desk, light and dark, pass the accessibility check with a chosen string."""
    _open(page, served, "#colour=verdict&string=B001-S0040")
    expect(page.locator("#map-chosen h2")).to_have_text("String B001-S0040")
    page.locator("#map-list-fold summary").click()
    expect(page.locator("#map-list tbody tr").first).to_be_visible()
    look(page, "map")


def test_an_old_picture_says_its_time_until_the_new_one_is_there(
    page: Page, served: RunningServer
) -> None:
    """While the server makes the next state the page tells as of when the shown one is."""
    renewing = True

    def answer(route: Route) -> None:
        held = route.fetch()
        marked = {
            "arraywright-renewing": "?1" if renewing else "?0",
            "arraywright-as-of": "2031-05-20T13:05:09.000000Z",
        }
        route.fulfill(response=held, headers={**held.headers, **marked})

    page.route("**/api/v1/map/values/**", answer)
    _open(page, served)
    age = page.locator("#map-age")
    expect(age).to_contain_text("the map is being renewed")
    expect(age).to_contain_text(re.compile(r"2:05:09\sPM"))  # the site's clock, an hour ahead
    look(page, "map-age")
    renewing = False
    expect(age).to_be_hidden(timeout=10_000)


def test_colours_stand_where_the_layout_says(page: Page, served: RunningServer) -> None:
    """Pixels over a passed, a planned and no string have the colours of the legend."""
    page.emulate_media(color_scheme="light")
    _open(page, served)
    expect(page.locator('#map-frame[data-whole="0"]')).to_have_count(0)
    frame = page.locator("#map-frame").bounding_box()
    assert frame is not None
    # The whole block is in view: its lowest row is built first, and passes but for a few.
    width_m, height_m = 10 * (28 * 1.134 + 27 * 0.02) + 9 * 0.5, 49 * 9.5 + 3.21
    scale = min(0.94 * frame["width"] / width_m, 0.9 * frame["height"] / height_m)
    shades = _pixels(page)
    green, sky, paper = (0, 158, 115), (86, 180, 233), (244, 245, 241)
    assert _share(shades, green) > 0.02
    assert _share(shades, sky) > 0.005
    assert _share(shades, paper) > 0.4
    # South of the block nothing is drawn.
    below = int(frame["height"] / 2 + scale * height_m / 2) + 8
    middle = shades.shape[1] // 2
    assert _share(shades[below : below + 20, middle - 200 : middle + 200], paper) == 1.0


def _pixels(page: Page) -> np.ndarray:
    """Give the map's pixels as shown, from the top, (rows, columns, 3)."""
    picture = Image.open(io.BytesIO(page.locator("#map-frame").screenshot()))
    return np.asarray(picture.convert("RGB"))


def _until_shown(page: Page, colour: tuple[int, int, int], share: float) -> None:
    """Wait until a part of the map has a colour."""
    for _ in range(40):
        if _share(_pixels(page), colour) > share:
            return
        page.wait_for_timeout(250)
    raise AssertionError(f"{colour} covers only {_share(_pixels(page), colour):.4f} of the map")


def _share(pixels: np.ndarray, colour: tuple[int, int, int]) -> float:
    near = np.abs(pixels.astype(np.int64) - np.array(colour)).max(axis=2) <= 2
    return float(near.mean())


def test_a_click_on_a_string_tells_its_story(page: Page, served: RunningServer) -> None:
    """Modules, readings and story of the very string under the pointer are shown."""
    _open(page, served)
    page.locator("#map-asked").fill("B001-S0500")
    page.get_by_role("button", name="Find").click()
    expect(page.locator("#map-chosen h2")).to_have_text("String B001-S0500")
    page.locator("#map-ground").press("Escape")
    expect(page.locator("#map-chosen h2")).to_have_count(0)
    frame = page.locator("#map-ground").bounding_box()
    assert frame is not None
    page.mouse.click(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    expect(page.locator("#map-chosen h2")).to_have_text("String B001-S0500")
    chosen = page.locator("#map-chosen")
    expect(chosen).to_contain_text("As-built list: 28 modules in place")
    # The middle of a string of 28 is where two modules meet, or one of them.
    expect(chosen.locator("table strong")).to_have_count(1)
    assert "string=B001-S0500" in page.url


def test_serials_are_found_and_pallets_ringed(page: Page, served: RunningServer) -> None:
    """A serial leads to its place in its string; a pallet to all strings it went into."""
    _open(page, served)
    page.locator("#map-asked").fill("MY0000000100")
    page.locator("#map-asked").press("Enter")
    expect(page.locator("#map-chosen h2")).to_have_text("String B001-S0004")
    expect(page.locator("#map-chosen table strong")).to_have_text("▸ 17")
    page.locator("#map-asked").fill("39999990 0000000002")
    page.locator("#map-asked").press("Enter")
    expect(page.locator("#map-found li").first).to_contain_text("B001-S0003, B001-S0004")
    page.locator("#map-asked").fill("<img src=x onerror=alert(1)>")
    page.locator("#map-asked").press("Enter")
    expect(page.locator("#map-found")).to_contain_text("Nothing here is named <img")


def test_everything_works_by_keyboard_and_in_words(page: Page, served: RunningServer) -> None:
    """Keys move and zoom, the status line tells what is in view, the table leads to strings."""
    _open(page, served)
    told = page.locator("#map-told")
    expect(told).to_contain_text("1,000 strings in view")
    ground = page.locator("#map-ground")
    ground.focus()
    for _ in range(6):
        ground.press("+")
    expect(told).not_to_contain_text("1,000 strings")
    for _ in range(3):
        ground.press("ArrowLeft")
    ground.press("0")
    expect(told).to_contain_text("1,000 strings in view")
    page.locator("#map-list-fold summary").press("Enter")
    page.locator("#map-colouring").select_option("voc")
    expect(page.locator("#map-list caption")).to_have_text("The first 100 of 1,000 strings in view")
    first = page.locator("#map-list tbody tr").first
    name = first.locator("button").inner_text()
    first.locator("button").press("Enter")
    expect(page.locator("#map-chosen h2")).to_have_text(f"String {name}")
    assert page.evaluate("document.activeElement.id") == "map-chosen-title"


def test_what_is_recorded_meanwhile_appears(
    page: Page, served: RunningServer, map_folder: Path
) -> None:
    """An open map shows new placements without being loaded anew, down to single modules."""
    _open(page, served, "#string=B001-S0990")
    page.locator("#map-colouring").select_option("built_on")
    page.locator("#map-colouring").select_option("stage")
    legend = page.locator("#map-legend")
    expect(legend.locator("tr", has_text="being built")).to_contain_text("0")
    page.wait_for_timeout(1000)
    orange = (230, 159, 0)
    assert _share(_pixels(page), orange) < 0.001
    with open_site(map_folder, person="Crew", now=lambda: NOW, create=False) as record:
        plan = record.latest("allocation_planned")
        assert plan is not None
        places = record.load_frame(plan, "assignments").filter(pl.col("string") == "B001-S0990")
        place_modules(record, places.head(14), day=NOW)
    # Coming back to the page asks at once; otherwise it asks every 15 seconds.
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(legend.locator("tr", has_text="being built").locator("td.number")).to_have_text("1")
    _until_shown(page, orange, 0.005)


def test_the_map_comes_back_when_the_graphics_unit_was_lost(
    page: Page, served: RunningServer
) -> None:
    """A driver that starts anew, or a laptop that slept, does not leave an empty map."""
    page.add_init_script(
        """const make = OffscreenCanvas.prototype.getContext;
        OffscreenCanvas.prototype.getContext = function (...given) {
          window.drawing = make.apply(this, given);
          return window.drawing;
        };"""
    )
    _open(page, served)
    green = (0, 158, 115)
    _until_shown(page, green, 0.02)
    page.evaluate("window.drawing.getExtension('WEBGL_lose_context').loseContext()")
    page.wait_for_timeout(500)
    page.locator("#map-ground").press("+")
    _until_shown(page, green, 0.02)


def test_a_browser_that_cannot_draw_says_so(page: Page, served: RunningServer) -> None:
    """Without WebGL the page says what is missing and where the same stands in words."""
    page.add_init_script("OffscreenCanvas.prototype.getContext = () => null;")
    page.goto(f"{served.address}/map")
    expect(page.locator("#map-frame [role=alert]")).to_contain_text("WebGL 2 is missing")


def test_the_browser_reads_the_bytes_as_python_wrote_them(
    page: Page, served: RunningServer
) -> None:
    """The two readers of the message agree on every type."""
    _open(page, served)
    sent = {
        kind: np.array([0, 1, 200, 3], dtype=kind) for kind in ("u1", "u2", "u4", "i4", "f4", "f8")
    }
    data = base64.b64encode(pack_arrays(sent, about={"name": "Größe"})).decode()
    back = page.evaluate(
        """async (data) => {
          const { unpackArrays } = await import("/static/map/wire.js");
          const bytes = Uint8Array.from(atob(data), (one) => one.charCodeAt(0));
          const { arrays, about } = unpackArrays(bytes.buffer);
          return [about.name, Object.entries(arrays).map(([name, held]) => [name, [...held]])];
        }""",
        data,
    )
    assert back == ["Größe", [[kind, [0, 1, 200, 3]] for kind in sent]]
