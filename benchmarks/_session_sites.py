"""Invented test days: modules, weather, crews and faults drawn apart from the commissioning code.

Voltages and currents come from single-diode modules carried by pvlib, not from the functions that
are judged. The noise is of kinds those functions do not assume: cloud edges, a sensor that lags
and stands elsewhere, cells that warm slowly, a temperature gradient over the site, scatter with
heavy tails, labels mistaken for one another.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import polars as pl
from scipy import special, stats

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning import INSTRUMENTS, STRING_READINGS, StringModules, string_modules
from arraywright.plant import (
    POSITIONS,
    STRINGS,
    STRUCTURES,
    Commissioning,
    Site,
)
from benchmarks._session_plant import (
    CLASS_STEP,
    STC,
    SUBSTRINGS,
    carried,
    course_of,
    module_type,
    stc_points,
    string_isc,
    voc_of,
)

__all__ = ["FAULTS", "NOW", "PRIOR_SHARES", "Settings", "TestDays", "make_days"]

NOW: Final = dt.datetime(2027, 6, 1, 12, 0, tzinfo=dt.UTC)
MODULES: Final = 28
SHORT_MODULES: Final = 26
_A_DAY: Final = 300
_APART: Final = 0.025
"""Light of string and sensor further apart than this is an irradiance of another moment."""

FAULTS: Final = (
    "none",
    "bypass-diode-shorted",
    "module-missing",
    "module-surplus",
    "module-reversed",
    "wrong-class",
    "substring-open",
    "shade-or-soiling",
    "shunt-low",
    "label-wrong",
    "digits-swapped",
    "sensor-stale",
    "reading-off",
)
"""What is drawn, in the names the results use."""

PRIOR_SHARES: Final = {
    "bypass-diode-shorted": 0.004,
    "module-missing": 0.0015,
    "module-surplus": 0.0005,
    "module-reversed": 0.0005,
    "wrong-class": 0.002,
    "substring-open": 0.0007,
    "shade-or-soiling": 0.006,
    "shunt-low": 0.0005,
    "label-wrong": 0.002,
    "digits-swapped": 0.0005,
    "sensor-stale": 0.001,
    "reading-off": 0.001,
}
"""Shares of faults a builder may meet; common practice, near what the judging assumes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What is drawn.

    Attributes:
        strings: strings of the site.
        seed: of everything drawn.
        shares: share of strings with each fault.
        scatter_k: standard deviation of one string's cell temperature about its surroundings [K].
        degrees: degrees of freedom of that scatter; None for a normal one.
        sensor_u_ratio: standard deviation of the common error of an irradiance sensor [1].
        substrings_lost: sub-strings lost by one shorted diode or open sub-string.
        crews: crews that test at the same time, each with instruments of its own.
        cloudy: whether clouds pass.
    """

    strings: int
    seed: int
    shares: Mapping[str, float] = field(default_factory=lambda: dict(PRIOR_SHARES))
    scatter_k: float = 1.0
    degrees: float | None = None
    sensor_u_ratio: float = 0.02
    substrings_lost: int = 1
    crews: int = 4
    cloudy: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TestDays:
    """Readings of a whole site with the truth behind them.

    Attributes:
        site: the site.
        modules: what the flash lists say.
        readings: frame of ``STRING_READINGS``, one row per string, in the site's order.
        instruments: frame of ``INSTRUMENTS``.
        fault: number in ``FAULTS`` of each string, (strings,).
        partner: string whose reading was written under this name, -1 for none, (strings,).
        known_voc_v: Voc of the sound string at the irradiance and temperature read, all common
            errors known [V], (strings,).
        oracle_score: log odds of what shows in the voltage against soundness for one who knows
            every common error, drift, lag, share of faults and the law of the scatter, (strings,).
    """

    site: Site
    modules: StringModules
    readings: pl.DataFrame
    instruments: pl.DataFrame
    fault: IntArray
    partner: IntArray
    known_voc_v: FloatArray
    oracle_score: FloatArray


def _site(settings: Settings, lengths: IntArray) -> Site:
    names = [f"S{number + 1:06d}" for number in range(settings.strings)]
    box = [f"CB{number // 24 + 1:05d}" for number in range(settings.strings)]
    return Site(
        name="Drawn Field",
        latitude_deg=40.0,
        longitude_deg=-4.0,
        elevation_m=650.0,
        time_zone="Europe/Madrid",
        design_min_air_temp_c=-8.0,
        design_max_air_temp_c=42.0,
        design_temp_basis="invented",
        module_types={"drawn": module_type()},
        inverter_types={},
        structures=pl.DataFrame(
            {"structure": ["T1"], "tilt_deg": [25.0], "azimuth_deg": [180.0], "x_m": [0.0]}
        ).match_to_schema(STRUCTURES.schema, missing_columns="insert"),
        positions=pl.DataFrame(
            {
                "position": names,
                "structure": ["T1"] * len(names),
                "string": names,
                "place_in_string": [1] * len(names),
            }
        ).match_to_schema(POSITIONS.schema, missing_columns="insert"),
        strings=pl.DataFrame(
            {
                "string": names,
                "module_type": ["drawn"] * len(names),
                "modules": lengths,
                "combiner_box": box,
                "inverter": ["I1"] * len(names),
                "build_order": np.arange(1, len(names) + 1),
            }
        ).match_to_schema(STRINGS.schema, missing_columns="insert", integer_cast="upcast"),
        commissioning=Commissioning(),
    )


def _faults(rng: np.random.Generator, settings: Settings) -> IntArray:
    shares = np.array([settings.shares.get(name, 0.0) for name in FAULTS])
    shares[0] = 1.0 - shares[1:].sum()
    return rng.choice(len(FAULTS), size=settings.strings, p=shares).astype(np.int64)


def _is(fault: IntArray, name: str) -> IntArray:
    return np.flatnonzero(fault == FAULTS.index(name))


def make_days(settings: Settings) -> TestDays:
    """Draw a site, its weather, its faults and one reading of every string."""
    rng = np.random.default_rng(settings.seed)
    count = settings.strings
    fault = _faults(rng, settings)
    lengths = np.where(rng.random(count) < 0.06, SHORT_MODULES, MODULES).astype(np.int64)
    site = _site(settings, lengths)

    light = 1.0 + 0.006 * rng.standard_normal((count, MODULES))
    dark = np.exp(0.10 * rng.standard_normal((count, MODULES)))
    present = (np.arange(MODULES)[None, :] < lengths[:, None]).astype(np.float64)
    flashed = _flashed(rng, light=light, dark=dark)
    modules = _modules(site, present=present, flashed=flashed)

    # the site is walked from one end to the other, each crew its own part
    crew = (np.arange(count) * settings.crews) // count
    times, light_w, sensed, stale, cell, back = _walk(rng, settings, crew=crew)
    gradient = 1.5 * (np.arange(count) / count - 0.5) * 2.0
    cell = cell + gradient
    own = rng.standard_normal(count)
    if settings.degrees is not None:
        own = stats.t.rvs(settings.degrees, size=count, random_state=rng)
        own /= np.sqrt(settings.degrees / (settings.degrees - 2.0))
    true_c = cell + settings.scatter_k * own
    local = light_w * (1.0 + 0.003 * rng.standard_normal(count))

    share, weight, photo = _damage(rng, settings, fault=fault, present=present)
    class_step = np.where(rng.random(count) < 0.5, -1.0, 1.0)
    step = np.where(fault == FAULTS.index("wrong-class"), class_step, 0.0) * CLASS_STEP
    photo = photo * (1.0 + step)
    voc, isc = _read(local, true_c, light=light * photo[:, None], dark=dark, weight=weight)
    voc = voc * share
    meter_v = 1.0 + 0.003 * rng.standard_normal(settings.crews)
    meter_a = 1.0 + 0.006 * rng.standard_normal(settings.crews)
    voc_read = voc * meter_v[crew] * (1.0 + 0.0004 * rng.standard_normal(count))
    isc_read = isc * meter_a[crew] * (1.0 + 0.0015 * rng.standard_normal(count))
    sensor = 1.0 + settings.sensor_u_ratio * rng.standard_normal(settings.crews)
    slip = 1.0 + 0.002 * rng.standard_normal(count)
    sensed_read = sensed * sensor[crew] * slip
    old = _is(fault, "sensor-stale")
    sensed_read[old] = stale[old] * sensor[crew[old]] * rng.uniform(0.8, 1.25, len(old))
    warm = rng.normal(0.0, 1.0, settings.crews)
    slip_k = 0.1 * rng.standard_normal(count)
    back_read = back + warm[crew] + slip_k
    # common errors and the weather are known, the slips of one reading are not
    known, _ = _read(
        light_w * slip, cell + slip_k, light=light, dark=dark, weight=present, current=False
    )
    known *= meter_v[crew]

    voc_read, isc_read = np.round(voc_read, 1), np.round(isc_read, 2)
    taken = np.arange(count).astype(np.float64)
    held = (voc_read, isc_read, sensed_read, back_read, known, cell, light_w, taken)
    partner = _mistaken(rng, fault=fault, crew=crew, lengths=lengths, values=held)
    times = [times[row] for row in taken.astype(np.int64).tolist()]
    # a cloud between string and sensor: the irradiance read is truly not that of the string
    apart = np.abs(light_w / np.where(partner >= 0, light_w, sensed) - 1.0) > _APART
    fault[(fault == 0) & apart] = FAULTS.index("sensor-stale")
    for row in _is(fault, "digits-swapped").tolist():
        voc_read[row] = _swapped(rng, float(voc_read[row]))
    odd = _is(fault, "reading-off")
    voc_read[odd] *= np.exp(0.08 * rng.standard_normal(len(odd)))
    isc_read[odd] *= np.exp(0.08 * rng.standard_normal(len(odd)))

    score = _oracle(settings, voc_read / known, cell=cell, light=light_w)
    readings = pl.DataFrame(
        {
            "string": site.strings["string"],
            "measured_at": times,
            "voc_v": voc_read,
            "isc_a": isc_read,
            "irradiance_w_m2": np.round(sensed_read, 1),
            "module_temp_c": np.round(back_read, 2),
            "meter": [f"M{number}" for number in crew.tolist()],
            "irradiance_sensor": [f"G{number}" for number in crew.tolist()],
            "thermometer": [f"T{number}" for number in crew.tolist()],
        }
    ).match_to_schema(STRING_READINGS.schema, missing_columns="insert")
    return TestDays(
        site=site,
        modules=modules,
        readings=readings,
        instruments=_instruments(settings),
        fault=fault,
        partner=partner,
        known_voc_v=known,
        oracle_score=score,
    )


def _flashed(
    rng: np.random.Generator, *, light: FloatArray, dark: FloatArray
) -> dict[str, FloatArray]:
    """What the flasher said of every module: a common error and one of each module."""
    shape = light.shape
    one = np.ones(shape)
    voc = voc_of(
        STC["I_L_ref"] * light, STC["I_o_ref"] * dark, STC["R_sh_ref"] * one, STC["a_ref"] * one
    )
    point = stc_points(1.0)
    isc = STC["I_L_ref"] * light * point["i_sc"] / STC["I_L_ref"]
    common_v, common_a = 1.0 + 0.003 * rng.standard_normal(), 1.0 + 0.01 * rng.standard_normal()
    return {
        "voc_v": voc * common_v * (1.0 + 0.001 * rng.standard_normal(shape)),
        "isc_a": isc * common_a * (1.0 + 0.002 * rng.standard_normal(shape)),
        "imp_a": isc * common_a * point["i_mp"] / point["i_sc"],
        "vmp_v": voc * common_v * point["v_mp"] / point["v_oc"],
    }


def _modules(site: Site, *, present: FloatArray, flashed: dict[str, FloatArray]) -> StringModules:
    held = present.ravel() > 0.0
    lengths = present.sum(axis=1).astype(np.int64)
    placed = pl.DataFrame(
        {
            "string": np.repeat(site.strings["string"].to_numpy(), lengths),
            "place_in_string": np.tile(np.arange(1, MODULES + 1), len(lengths))[held],
            "serial": np.char.add("N", np.arange(int(lengths.sum())).astype(str)),
            **{name: values.ravel()[held] for name, values in flashed.items()},
            "pmax_w": (flashed["imp_a"] * flashed["vmp_v"]).ravel()[held],
            "power_class_w": np.full(int(lengths.sum()), 545.0),
        }
    )
    return string_modules(site, placed=placed)


def _walk(
    rng: np.random.Generator, settings: Settings, *, crew: IntArray
) -> tuple[list[dt.datetime], FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Moments of all readings and what the weather was at each."""
    count = len(crew)
    parts = np.full((5, count), np.nan)
    times: list[dt.datetime] = [NOW] * count
    for number in range(settings.crews):
        own = np.flatnonzero(crew == number)
        for day, start in enumerate(range(0, len(own), _A_DAY)):
            rows = own[start : start + _A_DAY]
            day_course = course_of(rng, readings=len(rows), cloudy=settings.cloudy)
            for place, values in enumerate(
                (
                    day_course.light,
                    day_course.sensed,
                    day_course.stale,
                    day_course.cell_c,
                    day_course.back_c,
                )
            ):
                parts[place, rows] = values
            first = dt.datetime(2026, 5, 2, 9, 30, tzinfo=dt.UTC) + dt.timedelta(days=day)
            for step, row in enumerate(rows.tolist()):
                times[row] = first + dt.timedelta(seconds=60.0 * step + number)
    return times, parts[0], parts[1], parts[2], parts[3], parts[4]


def _damage(
    rng: np.random.Generator, settings: Settings, *, fault: IntArray, present: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give the factor on Voc, the weight of each module's voltage and the factor on the light."""
    count = len(fault)
    share, photo, weight = np.ones(count), np.ones(count), present.copy()
    lost = settings.substrings_lost / SUBSTRINGS
    for name, change in (
        ("bypass-diode-shorted", lost),
        ("substring-open", lost),
        ("module-missing", 1.0),
        ("module-reversed", 2.0),
        ("module-surplus", -1.0),
    ):
        rows = _is(fault, name)
        weight[rows, rng.integers(0, SHORT_MODULES, len(rows))] -= change
    rows = _is(fault, "shade-or-soiling")
    photo[rows] = 1.0 - np.minimum(0.015 + rng.exponential(0.06, len(rows)), 0.7)
    rows = _is(fault, "shunt-low")
    share[rows] = 1.0 - rng.uniform(0.003, 0.02, len(rows))
    return share, weight, photo


def _read(
    irradiance: FloatArray,
    temp_c: FloatArray,
    *,
    light: FloatArray,
    dark: FloatArray,
    weight: FloatArray,
    current: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """True Voc and Isc of strings, a few thousand at a time."""
    count = len(irradiance)
    voc, isc = np.empty(count), np.empty(count)
    for start in range(0, count, 4000):
        rows = slice(start, start + 4000)
        photo, saturation, _, shunt, a = carried(irradiance[rows], temp_c[rows])
        own_light = photo[:, None] * light[rows]
        own_dark = saturation[:, None] * dark[rows]
        wide = a[:, None] * np.ones_like(own_light)
        voc[rows] = (
            voc_of(own_light, own_dark, shunt[:, None] * np.ones_like(own_light), wide)
            * weight[rows]
        ).sum(axis=1)
        if current:
            isc[rows] = string_isc(own_light, np.maximum(weight[rows], 0.0), own_dark, wide)
    return voc, isc


def _mistaken(
    rng: np.random.Generator,
    *,
    fault: IntArray,
    crew: IntArray,
    lengths: IntArray,
    values: tuple[FloatArray, ...],
) -> IntArray:
    """Swap the names of pairs of readings in one combiner box, of different length if there are."""
    partner = np.full(len(fault), -1, dtype=np.int64)
    box = np.arange(len(fault)) // 24
    label = FAULTS.index("label-wrong")
    for row in _is(fault, "label-wrong").tolist():
        if partner[row] >= 0:
            continue
        near = np.flatnonzero(
            (box == box[row]) & (crew == crew[row]) & (fault == 0) & (partner < 0)
        )
        other = near[lengths[near] != lengths[row]]
        if len(other) and rng.random() < 0.7:
            near = other
        if len(near) == 0:
            fault[row] = 0
            continue
        pick = int(rng.choice(near))
        for value in values:
            value[row], value[pick] = value[pick], value[row]
        partner[row], partner[pick], fault[pick] = pick, row, label
    return partner


def _swapped(rng: np.random.Generator, value: float) -> float:
    """Swap two neighbouring digits that differ."""
    text = f"{value:.1f}"
    places = [
        at
        for at in range(len(text) - 1)
        if text[at].isdigit() and text[at + 1].isdigit() and text[at] != text[at + 1]
    ]
    at = int(rng.choice(places)) if places else 0
    return float(text[:at] + text[at + 1] + text[at] + text[at + 2 :]) if places else value


def _oracle(
    settings: Settings, ratio: FloatArray, *, cell: FloatArray, light: FloatArray
) -> FloatArray:
    """Log odds of a fault in the voltage, all that was drawn but one reading's slips known."""
    step = 0.5
    volts = [
        voc_of(photo, dark, shunt, a)
        for photo, dark, _, shunt, a in (carried(light, cell - step), carried(light, cell + step))
    ]
    per_k = np.log(volts[1] / volts[0]) / (2.0 * step)
    own = np.hypot(per_k * np.hypot(settings.scatter_k, 0.1), 0.0005)
    away = np.log(ratio)
    lost = settings.substrings_lost / SUBSTRINGS
    sizes = {
        "bypass-diode-shorted": lost,
        "substring-open": lost,
        "module-missing": 1.0,
        "module-surplus": -1.0,
        "module-reversed": 2.0,
    }
    wrong = np.stack(
        [
            np.log(max(settings.shares.get(name, 0.0), 1e-12))
            + _log_density(settings, away - np.log1p(-size / MODULES), own)
            for name, size in sizes.items()
        ]
    )
    return np.asarray(special.logsumexp(wrong, axis=0) - _log_density(settings, away, own))


def _log_density(settings: Settings, away: FloatArray, own: FloatArray) -> FloatArray:
    """Law of the scatter, up to a constant."""
    if settings.degrees is None:
        return np.asarray(-0.5 * (away / own) ** 2)
    degrees = settings.degrees
    scale = own * np.sqrt((degrees - 2.0) / degrees)
    return np.asarray(-0.5 * (degrees + 1.0) * np.log1p((away / scale) ** 2 / degrees))


def _instruments(settings: Settings) -> pl.DataFrame:
    rows = []
    for number in range(settings.crews):
        rows += [
            {
                "instrument": f"M{number}",
                "voltage_uncertainty_ratio": 0.003,
                "current_uncertainty_ratio": 0.006,
            },
            {"instrument": f"G{number}", "irradiance_uncertainty_ratio": settings.sensor_u_ratio},
            {"instrument": f"T{number}", "temperature_uncertainty_k": 1.0},
        ]
    return (
        pl.DataFrame(rows, infer_schema_length=None)
        .with_columns(
            calibrated_on=pl.lit(dt.date(2026, 1, 10)),
            calibration_due_on=pl.lit(dt.date(2027, 1, 9)),
        )
        .match_to_schema(INSTRUMENTS.schema, missing_columns="insert")
    )
