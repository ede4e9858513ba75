"""What a description says of money and handling, read or refused."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from arraywright.findings import Verdict
from arraywright.plant import Coefficients
from arraywright.readers import SiteReading, read_site
from arraywright.readers.site_keys import SECTIONS

ROOT = Path(__file__).parents[2]
SMALL = (ROOT / "docs/examples/small-site/site.toml").read_text(encoding="utf-8")
SECTION = """
[allocation]
currency = "USD"
energy_price_per_kwh = 0.045
life_years = 30
piles_most = 3
dig_cost = 7
"""


def _read(folder: Path, text: str) -> SiteReading:
    (folder / "site.toml").write_text(SMALL + text, encoding="utf-8")
    return read_site(folder)


def test_coefficients_are_read_as_written(tmp_path: Path) -> None:
    """What is said is taken, what is not said is the default and told as an assumption."""
    reading = _read(tmp_path, SECTION)
    assert reading.site is not None, [f.message for f in reading.findings]
    assert reading.site.allocation == Coefficients(
        currency="USD",
        energy_price_per_kwh=0.045,
        life_years=30.0,
        piles_most=3,
        dig_cost=7.0,
    )
    told = {f.subject: f.basis for f in reading.findings if f.check == "site-default"}
    assert told["allocation.opening_cost"] == "assumption"
    assert "allocation.dig_cost" not in told


def test_a_silent_description_has_the_defaults(tmp_path: Path) -> None:
    """Without the section the site has the coefficients a program would have."""
    site = _read(tmp_path, "").site
    assert site is not None
    assert site.allocation == Coefficients()


def test_every_coefficient_has_a_key_with_its_default() -> None:
    """Page and program name the same coefficients and the same defaults."""
    keys = {key.name: key.default for key in SECTIONS["allocation"].keys}
    usual = Coefficients()
    assert keys == {held.name: getattr(usual, held.name) for held in fields(Coefficients)}


@pytest.mark.parametrize(
    ("text", "check", "key"),
    [
        (SECTION.replace("0.045", "-1"), "site-value", "allocation.energy_price_per_kwh"),
        (SECTION.replace("life_years = 30", "life_years = 0"), "site-value", "life_years"),
        (SECTION.replace("piles_most = 3", "piles_most = 2.5"), "site-value", "piles_most"),
        (SECTION.replace("dig_cost", "digg_cost"), "site-unknown-key", "allocation.digg_cost"),
    ],
)
def test_what_is_wrong_is_found_at_its_key(tmp_path: Path, text: str, check: str, key: str) -> None:
    """A coefficient that cannot be right gives no site and names its key."""
    reading = _read(tmp_path, text)
    assert reading.site is None
    failing = [f for f in reading.findings if f.verdict is Verdict.FAIL]
    assert [f.check for f in failing] == [check]
    assert key in (failing[0].place.key if failing[0].place else "")
