"""First-year yield and weather reading, against pvlib's model chain and reader in the same run."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem

from arraywright.design import (
    DiffuseModifiers,
    FirstYear,
    Weather,
    YieldInverter,
    YieldLosses,
    YieldPlane,
    air_temperature_extremes,
    first_year,
)
from arraywright.physics import ReferenceDiode, fit_datasheet
from arraywright.readers.weather import WeatherReading, read_weather
from benchmarks.common import BenchRow, best_seconds, peak_rss_mb, timed

__all__ = ["run"]

SECONDS_TARGET = 1.0
AGREEMENT_TARGET_PERCENT = 0.5
YEARS = 20
ZONE = "Etc/GMT+5"
FILE = Path(str(pvlib.__file__)).parent / "data" / "723170TYA.CSV"


def _read(path: Path) -> WeatherReading:
    return read_weather(
        path,
        time_zone=ZONE,
        latitude_deg=36.1,
        longitude_deg=-79.95,
        elevation_m=273.0,
        stamp="end",
    )


def _module() -> ReferenceDiode:
    return fit_datasheet(
        isc_a=13.92,
        voc_v=49.65,
        imp_a=13.04,
        vmp_v=41.80,
        alpha_isc_a_per_k=0.0067,
        beta_voc_v_per_k=-0.1316,
        cells_in_series=72,
    ).reference


def _yield(
    weather: Weather, inverter: YieldInverter, diffuse: DiffuseModifiers | None = None
) -> FirstYear:
    losses = YieldLosses(
        shading_ratio=0.0,
        soiling_ratio=0.0,
        light_induced_ratio=0.0,
        mismatch_ratio=0.0,
        dc_cable_stc_ratio=0.0,
        ac_cable_ratio=0.0,
        unavailable_ratio=0.0,
    )
    return first_year(
        weather, (inverter,), losses=losses, albedo_ratio=np.asarray(0.2), diffuse=diffuse
    )


def _reference_kwh(weather: Weather, inverter: YieldInverter) -> float:
    plane = inverter.planes[0]
    diode = plane.module
    system = PVSystem(
        arrays=[
            Array(
                FixedMount(plane.tilt_deg, plane.azimuth_deg),
                albedo=0.2,
                module_parameters={
                    "alpha_sc": float(diode.alpha_isc_a_per_k[0]),
                    "a_ref": float(diode.diode_voltage_v[0]),
                    "I_L_ref": float(diode.photocurrent_a[0]),
                    "I_o_ref": float(diode.saturation_current_a[0]),
                    "R_sh_ref": float(diode.shunt_resistance_ohm[0]),
                    "R_s": float(diode.series_resistance_ohm[0]),
                },
                temperature_model_parameters={"u0": 25.0, "u1": 6.84},
                modules_per_string=plane.modules_in_series,
                strings=plane.strings,
            )
        ],
        inverter_parameters={
            "pdc0": inverter.ac_power_w / inverter.efficiency_ratio,
            "eta_inv_nom": inverter.efficiency_ratio,
        },
    )
    place = pvlib.location.Location(
        weather.latitude_deg, weather.longitude_deg, altitude=weather.elevation_m, tz=ZONE
    )
    chain = ModelChain(
        system,
        place,
        transposition_model="haydavies",
        dc_model="desoto",
        ac_model="pvwatts",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="faiman",
        losses_model="no_loss",
    )
    frame = pd.DataFrame(
        {
            "ghi": weather.ghi_w_m2,
            "dni": weather.dni_w_m2,
            "dhi": weather.dhi_w_m2,
            "temp_air": weather.air_temp_c,
            "wind_speed": weather.wind_m_s,
        },
        index=pd.DatetimeIndex(weather.time).tz_localize("UTC").tz_convert(ZONE),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        chain.run_model(frame)
    return float(np.nansum(chain.results.ac["p_mp"])) * inverter.count / 1000.0


def _table_of_years(weather: Weather, folder: Path, years: int) -> Path:
    """Write hourly air temperatures and light of several years, the typical year repeated."""
    lines = ["time;GHI [W/m2];DNI [W/m2];DHI [W/m2];air temperature [degC];wind speed [m/s]"]
    for year in range(2001, 2001 + years):
        ends = np.datetime64(f"{year}-01-01T00", "h") + np.arange(1, len(weather) + 1)
        lines += [
            f"{str(end).replace('T', ' ')}:00:00;{ghi:g};{dni:g};{dhi:g};{air:g};{wind:g}"
            for end, ghi, dni, dhi, air, wind in zip(
                ends,
                weather.ghi_w_m2,
                weather.dni_w_m2,
                weather.dhi_w_m2,
                weather.air_temp_c,
                weather.wind_m_s,
                strict=True,
            )
        ]
    path = folder / "years.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(*, quick: bool) -> list[BenchRow]:
    """Measure one site year, a reader and twenty years; quick takes two years."""
    years = 2 if quick else YEARS
    reading_s, reading = timed(lambda: _read(FILE))
    reading_s = min(reading_s, best_seconds(lambda: _read(FILE)))
    reference_reading_s = best_seconds(lambda: pvlib.iotools.read_tmy3(FILE))
    weather = reading.weather
    plane = YieldPlane(
        tilt_deg=25.0, azimuth_deg=180.0, module=_module(), modules_in_series=26, strings=30
    )
    inverter = YieldInverter(planes=(plane,), count=2, ac_power_w=350e3, efficiency_ratio=0.985)
    # That chain lets diffuse light pass the glass whole; to compare, so do we here.
    whole = DiffuseModifiers(sky_ratio=1.0, ground_ratio=1.0)
    found = _yield(weather, inverter, whole)
    seconds = best_seconds(lambda: _yield(weather, inverter))
    reference_s, reference_kwh = timed(lambda: _reference_kwh(weather, inverter))
    apart = abs(found.energy_kwh / reference_kwh - 1.0) * 100.0
    with tempfile.TemporaryDirectory() as folder:
        path = _table_of_years(weather, Path(folder), years)
        table_s, many = timed(lambda: _read(path))
    extremes_s, extremes = timed(lambda: air_temperature_extremes(many.weather))
    assert len(extremes.years) == years
    return [
        BenchRow(
            name="first-year yield of one site year, with its uncertainty (7 runs of the chain)",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name="pvlib ModelChain, one run",
            reference_seconds=reference_s,
            ratio=reference_s / seconds,
            peak_rss_mb=peak_rss_mb(),
            target=f"below {SECONDS_TARGET:g} s",
            met=seconds < SECONDS_TARGET,
        ),
        BenchRow(
            name="yield apart from that chain's, diffuse light passing the glass whole in both",
            figure=apart,
            unit="%",
            target=f"below {AGREEMENT_TARGET_PERCENT:g} %",
            met=apart < AGREEMENT_TARGET_PERCENT,
        ),
        BenchRow(
            name="a typical year read and checked",
            figure=reading_s,
            unit="s",
            seconds=reading_s,
            reference_name="pvlib read_tmy3, not checked",
            reference_seconds=reference_reading_s,
            ratio=reference_reading_s / reading_s,
        ),
        BenchRow(
            name=f"{years} years of hours read from a table ({many.rows_accepted:,} rows)",
            figure=table_s,
            unit="s",
            seconds=table_s,
        ),
        BenchRow(
            name=f"design temperatures from {years} years",
            figure=extremes_s,
            unit="s",
            seconds=extremes_s,
            peak_rss_mb=peak_rss_mb(),
        ),
    ]
