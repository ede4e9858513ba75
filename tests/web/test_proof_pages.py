"""The test station and the page of one string: verdicts, causes, and the search for the fault."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import expect

from arraywright.arrays import FloatArray
from arraywright.demo.modules import make_modules
from arraywright.demo.run import run_demo
from arraywright.demo.scenario import SCENARIO
from arraywright.dossier.curve_plots import CurvePanel
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.commission_history import verdict_history
from arraywright.procedures.openings import OPENING_WITHDRAWN, STRING_OPENED
from arraywright.procedures.report import NO_PROGRESS
from arraywright.records.people import Role
from arraywright.web.office_proof import (
    RetestNow,
    chosen_strings,
    swapped_pairs,
    with_cause,
)
from arraywright.web.proof_plots import (
    Interval,
    cause_plot,
    curve_plot,
    interval_plot,
)
from arraywright.web.proving_pages import chance
from tests.web.browser import open_browser
from tests.web.clicking import look
from tests.web.serving import Office, free_port, open_office, run_server

SHORTED = f"F-S{SCENARIO.shorted_diode_string:03d}"
MISSING = f"F-S{SCENARIO.missing_module_string:03d}"
PLACE = 8
"""Module whose diode the demo shorts, counted from the positive end."""


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """Serve the demo's site after its test day."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(tmp_path_factory.mktemp("home")))
        folder = tmp_path_factory.mktemp("demo") / "site"
        run_demo(folder, progress=NO_PROGRESS)
        with open_office(folder) as opened:
            yield opened


def _page(client: TestClient, path: str) -> str:
    answer = client.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == 200, answer.text
    return unescape(answer.text)


def _listed(page: str) -> list[str]:
    table = page.partition('id="strings"')[2].partition('id="points"')[0]
    return re.findall(r'<th scope="row"><a href="/test/strings/([^"]+)"', table)


def _module_v(folder: Path) -> FloatArray:
    """Give what the string's modules truly give at a dimmer moment, the shorted third lost."""
    built = pl.read_csv(folder / "inputs" / "as-built.csv").filter(pl.col("String") == SHORTED)
    true = make_modules(SCENARIO).select("serial", "true_voc_v").unique("serial")
    held = built.join(true, left_on="Serial number", right_on="serial").sort("Place in string")
    volts = 0.93 * held["true_voc_v"].to_numpy()
    volts[PLACE - 1] *= 2.0 / 3.0
    return np.asarray(volts)


def test_each_string_shows_all_verdicts_and_its_likeliest_cause(invented: Office) -> None:
    """Fixed 5 % passes the shorted diode, the joint explanation names it with a probability."""
    page = _page(invented.signed_in(Role.GUEST), "/test")
    table = page.partition('id="strings"')[2]
    row = table.partition(f">{SHORTED}</a>")[2].partition("</tr>")[0]
    marks = re.findall(r'class="mark (\w+)"', row)
    assert marks == ["review", "pass", "review", "review"]
    assert "a bypass diode shorted" in row
    told = re.search(r"(\d+\.\d) %", row)
    assert told is not None
    assert 50.0 < float(told[1]) < 100.0
    assert f'href="/test/strings/{SHORTED}#open"' in row


def test_strings_are_filtered_by_cause_and_sorted_by_probability(invented: Office) -> None:
    """Filtering leaves that cause alone; the likeliest cause comes first."""
    client = invented.signed_in(Role.TESTER)
    assert _listed(_page(client, "/test?cause=bypass-diode-shorted")) == [SHORTED]
    first = _listed(_page(client, "/test?sort=probability"))[:2]
    assert first == [MISSING, SHORTED]
    assert _listed(_page(client, "/test?sort=string"))[:2] == ["F-S001", "F-S002"]
    assert "Nothing yet." in _page(client, "/test?cause=unknown")


def test_what_to_read_again_is_told_with_the_sun(invented: Office) -> None:
    """The count of strings per reason, and whether the sun allows it, stand on the page."""
    page = _page(invented.signed_in(Role.TESTER), "/test").partition('id="retest"')[2]
    assert "Strings to be read again: 10." in page
    assert re.search(r"all readings together speak against it: <strong>2<", page)
    assert re.search(r"its reading was not valid: <strong>8<", page)
    assert "Worth it now" in page or "Not worth it now" in page
    assert "Clouds are not foreseen" in page


def test_the_advice_follows_the_sun(invented: Office) -> None:
    """At noon it is worth it, at night not, and five minutes share one reckoning."""
    retest = RetestNow(invented.site.record("x"))
    noon = retest.at(datetime(2026, 6, 20, 11, 0, tzinfo=UTC))
    night = retest.at(datetime(2026, 6, 20, 23, 0, tzinfo=UTC))
    assert noon is not None
    assert night is not None
    assert (noon.worth_now, night.worth_now) == (True, False)
    assert retest.at(datetime(2026, 6, 20, 23, 4, tzinfo=UTC)) is night
    assert retest.at(datetime(2026, 6, 20, 23, 6, tzinfo=UTC)) is not night


@pytest.mark.parametrize(
    ("language", "cause", "caution"),
    [
        ("en", "a bypass diode shorted", "never under load"),
        ("de", "eine Bypass-Diode kurzgeschlossen", "nie unter Last"),
        ("es", "un diodo de paso en cortocircuito", "nunca con carga"),
    ],
)
def test_the_page_of_a_string_speaks_three_languages(
    invented: Office, language: str, cause: str, caution: str
) -> None:
    """Causes and caution stand in the reader's language, with pictures that have a name."""
    client = invented.signed_in(Role.LEAD)
    client.post("/me", data={"language": language, "units": "metric"})
    page = _page(client, f"/test/strings/{SHORTED}")
    assert cause in page
    assert caution in page.partition('id="open"')[2]
    assert len(re.findall(r'<svg class="plot small"[^>]* aria-label="[^"]{10,}"', page)) == 4
    client.post("/me", data={"language": "en", "units": "metric"})


def test_every_string_has_a_page_and_an_unknown_one_says_so(invented: Office) -> None:
    """Sound, reversed, badly insulated and not assessable strings are shown; others are not."""
    client = invented.signed_in(Role.GUEST)
    for number in (1, SCENARIO.reversed_string, SCENARIO.low_insulation_string, 150):
        page = _page(client, f"/test/strings/F-S{number:03d}")
        assert "Nothing is to be opened in this string" in page
        assert "/test/opened" not in page
    answer = client.get("/test/strings/F-S999", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert f"/test/strings/{SHORTED}" in _page(client, f"/story/{SHORTED}")


def test_an_earth_fault_stands_on_the_page_of_its_string(invented: Office) -> None:
    """Where the demo put it: 18.4 modules from the positive end, so in module 19, with caution."""
    string = f"F-S{SCENARIO.low_insulation_string:03d}"
    page = _page(invented.signed_in(Role.GUEST), f"/test/strings/{string}")
    earth = page.partition('id="earth"')[2].partition("</section>")[0]
    assert "It lies in module 19 of 26" in earth
    assert "18.4 modules from the positive end" in earth
    assert "touch neither frames nor metal" in earth
    assert 'id="earth"' not in _page(invented.signed_in(Role.GUEST), f"/test/strings/{SHORTED}")


def test_openings_lead_to_the_module_whose_diode_was_shorted(invented: Office) -> None:
    """What the true modules give, at another light, entered as advised, ends at module 8.

    Independent: the readings are sums of the demo's true values, which the record never saw.
    """
    tester, folder = invented.signed_in(Role.TESTER), invented.site.folder
    volts = _module_v(folder)
    at = f"/test/strings/{SHORTED}"
    before = _page(tester, at)
    opened = 0
    while (asked := re.search(r'name="after_module"[^>]*value="(\d+)"', _page(tester, at))) and (
        opened < 12
    ):
        after = int(asked[1])
        answer = tester.post(
            "/test/opened",
            data={
                "string": SHORTED,
                "after_module": after,
                "first_v": f"{volts[:after].sum():.1f}",
                "rest_v": f"{volts[after:].sum():.1f}",
                "whole_v": f"{volts.sum():.1f}".replace(".", ","),
            },
        )
        assert answer.status_code == 200, answer.text
        opened += 1
    page = _page(tester, at)
    built = pl.read_csv(folder / "inputs" / "as-built.csv")
    serial = built.filter((pl.col("String") == SHORTED) & (pl.col("Place in string") == PLACE))
    assert f"Module {PLACE}, counted from the positive end" in page
    assert serial["Serial number"].item() in page
    assert opened <= 7
    entries = list(invented.site.journal("x").live(kind=STRING_OPENED))
    assert [entry.person for entry in entries] == ["Tester One"] * opened
    story = _page(tester, f"/story/{SHORTED}")
    assert story.count("from the positive end: + side") == opened
    for entry in entries:
        form = {"string": SHORTED, "uuid": entry.uuid}
        assert tester.post("/test/opened/withdraw", data=form).status_code == 200
    assert tester.post("/test/opened/withdraw", data=form).status_code == 422
    assert len(list(invented.site.journal("x").live(kind=OPENING_WITHDRAWN))) == opened
    story = _page(tester, f"/story/{SHORTED}")
    assert story.count("Readings of an opening taken back") == opened
    again = _page(tester, at)
    session = re.compile(r'name="csrf" value="[^"]+"|content="[0-9a-f]+"')
    assert session.sub("", again) == session.sub("", before)


def test_a_tester_enters_an_opening_by_keyboard_on_any_screen(
    invented: Office, tmp_path: Path
) -> None:
    """On a small screen Enter sends; small and wide, dark and light, a reader meets no obstacle."""
    volts = _module_v(invented.site.folder)
    server = run_server(invented.site.folder, port=free_port(), log=tmp_path / "log")
    secret, _ = invented.site.people.start_session(invented.people[Role.TESTER].id, days=1)
    try:
        with open_browser() as browser:
            context = browser.new_context(viewport={"width": 360, "height": 640}, locale="en-GB")
            context.add_cookies([{"name": "arraywright", "value": secret, "url": server.address}])
            page = context.new_page()
            faults: list[str] = []
            page.on("console", lambda one: faults.append(one.text) if one.type == "error" else None)
            page.goto(f"{server.address}/test/strings/{SHORTED}")
            after = int(page.get_by_label("Opened after module").input_value())
            page.get_by_label("Whole string just before [V]").fill(f"{volts.sum():.1f}")
            page.get_by_label("+ side [V]", exact=True).fill(f"{volts[:after].sum():.1f}")
            rest = page.get_by_label("− side [V]", exact=True)
            rest.fill(f"{volts[after:].sum():.1f}")
            rest.press("Enter")
            expect(page.get_by_role("heading", name="Opened so far")).to_be_visible()
            look(page, "string")
            page.get_by_role("button", name=f"Take back the opening after module {after}").click()
            expect(page.get_by_role("heading", name="Opened so far")).to_have_count(0)
            page.goto(f"{server.address}/test?sort=probability")
            look(page, "test-strings")
            assert faults == []
    finally:
        server.stop()


def test_figures_follow_what_the_whole_string_reads_now(invented: Office) -> None:
    """At 617.1 V, half of the 1234.2 V read, every figure is half."""
    client = invented.signed_in(Role.TESTER)
    row = re.compile(r"nothing wrong</th><td>nowhere</td><td class=\"number\">([^<]+)<")
    then = row.search(_page(client, f"/test/strings/{SHORTED}"))
    now = row.search(_page(client, f"/test/strings/{SHORTED}?whole=617.1"))
    assert then is not None
    assert now is not None
    assert float(now[1]) == pytest.approx(float(then[1]) / 2.0, abs=0.2)


@pytest.mark.parametrize(
    "form",
    [
        {"string": "F-S001"},
        {"string": "nobody"},
        {"after_module": "26"},
        {"first_v": "0", "rest_v": "0"},
        {"first_v": "many"},
        {"first_v": "nan"},
        {"first_v": "-3"},
        {"whole_v": "9999999"},
    ],
)
def test_what_cannot_have_been_read_is_not_entered(invented: Office, form: dict[str, str]) -> None:
    """A string nobody suspects, a connector that is none, volts that cannot be: refused."""
    tester = invented.signed_in(Role.TESTER)
    sound = {"string": SHORTED, "after_module": "12", "first_v": "570", "rest_v": "650"}
    answer = tester.post("/test/opened", data=sound | form)
    assert answer.status_code == 422
    assert not list(invented.site.journal("x").live(kind=STRING_OPENED))


def test_the_history_of_one_string_is_that_of_the_whole_site_cut_to_it(invented: Office) -> None:
    """Reading one string's changes alone gives what the dossier tells of it."""
    record = invented.site.record("x")
    whole = verdict_history(record, kind=STRINGS_JUDGED)
    for string in (SHORTED, MISSING, "F-S001"):
        alone = verdict_history(record, kind=STRINGS_JUDGED, string=string)
        assert alone.height > 0
        assert alone.equals(whole.filter(pl.col("string") == string))


def _strings(**columns: list[object]) -> pl.DataFrame:
    held = {
        "string": ["A", "B", "C", "D"],
        "verdict": ["pass", "review", "review", "fail"],
        "cause_key": ["", "", "", "string-reversed;insulation-low"],
    }
    return pl.DataFrame(held | columns)


def test_strings_with_swapped_labels_stand_as_one_pair() -> None:
    """Two rows that name each other are one pair; its probability stands for the cause."""
    frame = with_cause(
        _strings(
            swapped_with=[None, "C", "B", None],
            swapped_probability=[None, 0.97, 0.97, None],
            likely_key=["", "label-wrong", "label-wrong", ""],
            likely_probability=[None, 0.98, 0.98, None],
        )
    )
    assert frame["cause_shown"].to_list() == [
        "",
        "labels-swapped",
        "labels-swapped",
        "string-reversed",
    ]
    (pair,) = swapped_pairs(frame)
    assert (pair["string"], pair["swapped_with"], pair["swapped_probability"]) == ("B", "C", 0.97)
    found = chosen_strings(frame, verdict="", cause="", sort="probability")
    assert frame[found]["string"].to_list() == ["B", "C", "A", "D"]
    found = chosen_strings(frame, verdict="review", cause="labels-swapped", sort="verdict")
    assert frame[found]["string"].to_list() == ["B", "C"]


def test_verdicts_of_an_earlier_program_are_still_shown() -> None:
    """Without the columns of the joint explanation nothing is said of it, and nothing fails."""
    frame = with_cause(_strings())
    assert swapped_pairs(frame) == []
    assert frame["session_verdict"].unique().to_list() == ["not_assessable"]
    assert frame["cause_shown"].to_list() == ["", "", "", "string-reversed"]


def test_bars_of_causes_are_as_long_as_they_are_likely() -> None:
    """Lengths are to each other as probabilities; small causes stand together."""
    small = {"wrong-class": 0.004, "wrong-type": 0.003, "label-wrong": 0.003}
    plot = cause_plot({"none": 0.24, "bypass-diode-shorted": 0.75} | small)
    assert plot is not None
    assert [(one.key, one.kind) for one in plot.shares] == [
        ("bypass-diode-shorted", "string"),
        ("none", "sound"),
        ("other", "other"),
    ]
    whole = plot.right - plot.left
    shares = [one.width / whole for one in plot.shares]
    assert shares == pytest.approx([0.75, 0.24, 0.01], abs=0.001)
    assert cause_plot({}) is None


def test_a_reading_outside_the_picture_stands_at_its_edge_and_says_so() -> None:
    """Half a string lost lies beyond; 2 % lies at its place between zero and the limit."""
    rows = [
        Interval(key="voc", deviation_ratio=-0.5, u_ratio=0.01),
        Interval(key="isc", deviation_ratio=0.02, u_ratio=0.01),
    ]
    plot = interval_plot(rows, tolerance_ratio=0.05)
    assert plot is not None
    far, near = plot.rows
    assert (far.beyond, near.beyond) == (True, False)
    assert 0 < far.x < plot.limits[0]
    step = (plot.limits[1] - plot.zero) / 5.0
    assert near.x == pytest.approx(plot.zero + 2.0 * step, abs=0.2)
    assert (near.high - near.low) == pytest.approx(4.0 * step, abs=0.3)


def test_a_curve_as_expected_lies_on_the_line_of_no_difference() -> None:
    """Every point of the lower picture is at zero when measured and expected are the same."""
    volts, amperes = np.array([0.0, 30.0, 40.0]), np.array([10.0, 9.5, 0.0])
    plot = curve_plot(
        CurvePanel(
            title="A",
            voltage_v=volts,
            current_a=amperes,
            expected_voltage_v=volts,
            expected_current_a=amperes,
            verdict="pass",
            note="",
            current_u_ratio=0.01,
            voltage_u_ratio=0.01,
        )
    )
    downs = {float(one) for one in re.findall(r",([\d.]+)h0", plot.difference)}
    assert downs == {plot.zero}
    heights = [float(one) for one in re.findall(r",([\d.]+)h0", plot.measured)]
    assert heights[0] < heights[1] < heights[2] == plot.middle


def test_a_probability_is_never_told_as_certain() -> None:
    """Neither 0 nor 100 % is written."""
    assert [chance(one) for one in (None, 0.0, 0.5, 0.99999, 1.0)] == [
        "–",
        "< 0.1 %",
        "50.0 %",
        "> 99.9 %",
        "> 99.9 %",
    ]
