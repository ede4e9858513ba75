"""The phone's expected values and verdicts against the server's own, reading by reading."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Page

from arraywright.commissioning import INSTRUMENTS, STRING_READINGS, TESTS, judge
from arraywright.commissioning.standard import FAIL, within_tolerance
from arraywright.physics.sun import plausible_irradiance_limit, sun_position
from arraywright.plant.tables import PLACEMENTS
from arraywright.procedures.field_rows import field_rows
from arraywright.procedures.placed import what_is_where
from arraywright.procedures.site_record import SiteRecord, open_site
from arraywright.records import NewEntry, json_body
from arraywright.web.field_pack import blocks_of, make_pack, pack_bytes
from tests.web.field_making import DELIVERED, NOW, call, open_modules_page, site_folder

READINGS = 10_000
_JUDGE = """async ({ pack, readings, now_s }) => {
  const { Pack } = await import("/static/field/pack.js");
  const { State } = await import("/static/field/state.js");
  const { judgeReadings, stringVerdicts } = await import("/static/field/verdict.js");
  const held = new Pack(pack.manifest, pack.parts);
  const context = { pack: held, state: new State(held), instruments: held.site.instruments };
  const results = judgeReadings(readings, context, now_s);
  const strings = [...stringVerdicts(results)].map(([number, one]) => [
    held.strings.string[number],
    one.verdict,
    Object.fromEntries(Object.entries(one.tests).map(([test, { verdict }]) => [test, verdict])),
  ]);
  return {
    readings: results.map((one) => ({
      voc_v: one.expected.voc_v, isc_a: one.expected.isc_a, verdict: one.verdict,
      like_voc: one.like.voc, like_isc: one.like.isc, gates: one.gates, unsure: one.unsure,
      basis: one.nominal && one.nominal.basis, provisional: one.provisional,
    })),
    strings,
  };
}"""


@pytest.fixture(scope="module")
def modules_page() -> Iterator[Page]:
    """Give a page to run the modules in."""
    with open_modules_page() as page:
        yield page


@pytest.fixture(scope="module")
def record_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a site of which a third is built as planned or nearly, and a few strings partly."""
    folder = site_folder(tmp_path_factory.mktemp("verdict") / "site", table_rows=4)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder.parent / "home"))
        _build(folder)
    return folder


def _build(folder: Path) -> None:
    with open_site(folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        strings = record.site.strings["string"].to_list()
        plan = record.latest("allocation_planned")
        assert plan is not None
        planned = record.load_frame(plan, "assignments")
        third = planned.filter(pl.col("string").is_in(strings[::3]))
        partly = planned.filter(
            pl.col("string").is_in(strings[1::10]) & (pl.col("place_in_string") < 20)
        )
        rows = pl.concat([third, partly]).unique("position", maintain_order=True)
        serials = rows["serial"].to_list()
        serials[5], serials[400] = serials[400], serials[5]
        record.journal.append(
            [
                NewEntry(
                    kind="module_placed",
                    subject_kind="module",
                    subject=serial,
                    body=json_body({"position": position}),
                )
                for serial, position in zip(serials, rows["position"].to_list(), strict=True)
            ]
        )


def _random_readings(strings: list[str]) -> pl.DataFrame:
    """Draw readings of sessions of all times of day, many of them with something missing."""
    draw = np.random.default_rng(71)
    n = READINGS
    start = datetime(2026, 5, 2, 3, 0, tzinfo=UTC)
    # sessions of five hours about noon; the light drifts slowly, now and then it jumps
    day = np.sort(draw.integers(0, 40, n))
    second = np.where(
        draw.random(n) < 0.97, draw.uniform(6.0, 11.0, n) * 3600, draw.uniform(0, 86400, n)
    )
    at = [
        start + timedelta(days=int(d), milliseconds=int(1000 * s))
        for d, s in zip(day, second, strict=True)
    ]
    hour = second / 3600
    light = 650.0 + 9.0 * (day % 7 - 3) * 10 + 180.0 * np.sin(hour + day)
    light = light * (1 + 0.004 * draw.normal(0, 1, n))
    odd = draw.random(n) < 0.04
    light = np.where(odd, draw.uniform(100.0, 1700.0, n), light)
    temp = 35.0 + 12.0 * np.sin(0.7 * hour + day) + draw.normal(0, 0.6, n)
    wide = np.where(draw.random(n) < 0.7, 0.01, 0.05)
    voc = (
        26
        * 51.8
        * (1 - 0.0025 * (temp + 3 * light / 1000 - 25))
        * (1 + 0.055 * np.log(light / 1000))
    )
    voc = voc * (1 + wide * draw.normal(0, 1, n))
    isc = 14.13 * light / 1000 * (1 + wide * draw.normal(0, 1, n))

    def some(values: np.ndarray[Any, Any], missing: float) -> list[float | None]:
        gone = draw.random(n) < missing
        return [None if g else float(v) for v, g in zip(values, gone, strict=True)]

    def one_of(names: list[str | None], weights: list[float]) -> list[str | None]:
        return [names[k] for k in draw.choice(len(names), n, p=weights)]

    frame = pl.DataFrame(
        {
            "string": [strings[k] for k in draw.integers(0, len(strings), n)],
            "measured_at": at,
            "polarity": one_of([None, "correct", "reversed", "perhaps"], [0.5, 0.45, 0.03, 0.02]),
            "voc_v": some(np.where(draw.random(n) < 0.02, -voc, voc), 0.03),
            "isc_a": some(isc, 0.03),
            "irradiance_w_m2": some(light, 0.02),
            "module_temp_c": some(temp, 0.15),
            "air_temp_c": some(temp - 10.0, 0.3),
            "wind_m_s": some(draw.uniform(0, 8, n), 0.5),
            "riso_pos_megohm": some(draw.lognormal(3, 2, n), 0.1),
            "riso_neg_megohm": some(draw.lognormal(3, 2, n), 0.1),
            "riso_test_voltage_v": some(np.where(draw.random(n) < 0.8, 1500.0, 1000.0), 0.05),
            "earth_continuity_ohm": some(draw.lognormal(-1, 1, n), 0.1),
            "meter": one_of(["M-1", "M-9", None], [0.95, 0.03, 0.02]),
            "irradiance_sensor": one_of(["S-1", "S-7"], [0.98, 0.02]),
            "thermometer": one_of(["T-1", None], [0.98, 0.02]),
            "insulation_tester": one_of(["R-1", None], [0.97, 0.03]),
            "person": "Ines Okafor",
        },
    )
    empty = STRING_READINGS.empty()
    frame = pl.concat([empty, frame], how="diagonal_relaxed").cast(pl.Schema(empty.schema))
    return frame.sort([c.name for c in STRING_READINGS.columns], nulls_last=True)


def _server_side(record: SiteRecord, readings: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    said = field_rows(record.journal, record.site)
    where = what_is_where(record, said.placements.select(list(PLACEMENTS.schema)))
    result = judge(
        record.site,
        readings=readings,
        instruments=record.rows(INSTRUMENTS),
        modules=where.modules,
        now_utc=NOW,
        not_before_utc=datetime(2026, 5, 3, 22, 0, tzinfo=UTC),
    )
    return result.readings, result.strings


def _as_json(readings: pl.DataFrame) -> list[dict[str, Any]]:
    rows = readings.drop("source_file", "source_row").with_columns(
        time_s=pl.col("measured_at").dt.epoch("us") / 1e6
    )
    return rows.drop("measured_at").to_dicts()


def test_the_phone_expects_and_judges_what_the_server_does(
    record_folder: Path, modules_page: Page
) -> None:
    """On 10,000 random readings numbers agree to 1e-6 and no firm verdict differs."""
    assert str(DELIVERED) == "2026-05-04"
    with open_site(record_folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        strings = record.site.strings["string"].to_list()
        readings = _random_readings(strings)
        blocks = blocks_of(record.site)["block"].to_list()
        pack = json.loads(gzip.decompress(pack_bytes(make_pack(record, blocks=blocks))))
        server, server_strings = _server_side(record, readings)
    given = {"pack": pack, "readings": _as_json(readings), "now_s": NOW.timestamp()}
    phone = call(modules_page, _JUDGE, given)
    told = phone["readings"]
    assert len(told) == READINGS == server.height

    def column(name: str) -> np.ndarray[Any, Any]:
        values = [one[name] for one in told]
        return np.array([np.nan if v is None else v for v in values], dtype=np.float64)

    unsure = np.array([one["unsure"] for one in told])
    assert unsure.mean() < 0.06
    for name in ("voc_v", "isc_a"):
        ours = column(name)
        theirs = server[f"{name[:3]}_expected{name[3:]}"].to_numpy()
        assert np.array_equal(np.isnan(ours), np.isnan(theirs)), name
        np.testing.assert_allclose(ours, theirs, rtol=1e-6)
        assert np.isfinite(ours).mean() > 0.8
    for row, (one, gates) in enumerate(
        zip(told, server.select(f"{test}_gates" for test in TESTS).iter_rows(), strict=True)
    ):
        for test, found in zip(TESTS, gates, strict=True):
            if one["unsure"] and test in {"voc", "isc"}:
                continue
            stops = bool(found)
            assert stops == bool(one["gates"][test]), (row, test, found, one["gates"][test])
    firm = np.array(["sun_near_limit" not in one["provisional"] for one in told])
    assert firm.mean() > 0.7
    tolerance = 0.05
    for test in ("voc", "isc"):
        theirs = within_tolerance(
            server[f"{test}_deviation_ratio"].to_numpy(),
            server[f"{test}_like_ratio"].to_numpy(),
            tolerance_ratio=tolerance,
        )
        words = {0: "pass", 1: "not_assessable", FAIL: "fail"}
        ours = column(f"like_{test}")
        like = server[f"{test}_like_ratio"].to_numpy()
        np.testing.assert_allclose(ours[firm], like[firm], atol=1e-6)
        assert np.isfinite(like[firm]).mean() > 0.3
        for one, verdict in zip(np.array(told)[firm], theirs[firm].tolist(), strict=True):
            assert one["verdict"][test] == words[verdict], (test, one)
    bases = {one["basis"] for one in told}
    assert bases == {"placed", "partly", "plan"}
    assert server_strings.height == len(strings)
    assert len(phone["strings"]) == len(strings)


def test_the_phones_sun_stands_where_the_servers_does(modules_page: Page) -> None:
    """Zenith and azimuth agree to 0.05 degrees, the limit of the sky to 0.6 %, at many places."""
    draw = np.random.default_rng(5)
    n = 150
    moments = [
        datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=int(s))
        for s in draw.integers(0, 6 * 365 * 86400, n)
    ]
    places = [(float(a), float(b), float(c)) for a, b, c in zip(
        draw.uniform(-60, 65, n), draw.uniform(-180, 180, n), draw.uniform(0, 2500, n), strict=True
    )]  # fmt: skip
    cases = [
        {
            "ms": m.timestamp() * 1000,
            "site": {"latitude_deg": a, "longitude_deg": b, "elevation_m": c},
        }
        for m, (a, b, c) in zip(moments, places, strict=True)
    ]
    told = call(
        modules_page,
        """async (cases) => {
          const sky = await import("/static/field/sky.js");
          return cases.map(({ ms, site }) => {
            const sun = sky.sunPosition(ms, site);
            const limit = sky.irradianceLimit(ms, [20, 180], site, sun);
            return [sun.true_zenith_deg, sun.azimuth_deg, limit];
          });
        }""",
        cases,
    )
    for (zenith, azimuth, limit), moment, (a, b, c) in zip(told, moments, places, strict=True):
        times = np.array([moment.replace(tzinfo=None)], dtype="datetime64[us]")
        sun = sun_position(times, latitude_deg=a, longitude_deg=b, elevation_m=c)
        assert abs(zenith - sun.true_zenith_deg[0]) < 0.05
        turned = abs((azimuth - sun.azimuth_deg[0] + 180) % 360 - 180)
        assert turned * np.sin(np.radians(zenith)) < 0.05
        if sun.zenith_deg[0] < 85:
            most = plausible_irradiance_limit(
                times,
                latitude_deg=a,
                longitude_deg=b,
                elevation_m=c,
                tilt_deg=20.0,
                azimuth_deg=180.0,
            )[0]
            assert abs(limit - most) < 0.006 * most + 2.0


def test_a_site_with_less_known_says_provisional(record_folder: Path, modules_page: Page) -> None:
    """A string judged by its plan, or without enough neighbours, is said to be provisional."""
    with open_site(record_folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        strings = record.site.strings["string"].to_list()
        blocks = blocks_of(record.site)["block"].to_list()
        pack = json.loads(gzip.decompress(pack_bytes(make_pack(record, blocks=blocks))))
    reading = {
        "string": strings[2], "time_s": datetime(2026, 6, 18, 10, tzinfo=UTC).timestamp(),
        "voc_v": 1300.0, "isc_a": 12.0, "irradiance_w_m2": 850.0, "module_temp_c": 45.0,
        "meter": "M-1", "irradiance_sensor": "S-1", "thermometer": "T-1", "polarity": "correct",
        "riso_pos_megohm": 40.0, "riso_neg_megohm": 50.0, "riso_test_voltage_v": 1500.0,
        "earth_continuity_ohm": 0.2, "insulation_tester": "R-1",
    }  # fmt: skip
    asked = {"pack": pack, "readings": [reading], "now_s": NOW.timestamp()}
    (one,) = call(modules_page, _JUDGE, asked)["readings"]
    assert one["verdict"] == dict.fromkeys(TESTS, "pass")
    assert set(one["provisional"]) == {"by_plan", "few_neighbours"}
