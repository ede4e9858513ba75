"""Instruments on the day of a reading: known, in calibration, and how uncertain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.earth_fault import METER_INPUT_MEGOHM

__all__ = ["DEFAULT_INSTRUMENT_UNCERTAINTY", "InstrumentsOfReadings", "instruments_of_readings"]

DEFAULT_INSTRUMENT_UNCERTAINTY: Final[dict[str, float]] = {
    "voltage_uncertainty_ratio": 0.005,
    "current_uncertainty_ratio": 0.01,
    "irradiance_uncertainty_ratio": 0.025,
    "temperature_uncertainty_k": 1.5,
    "resistance_uncertainty_ratio": 0.10,
    "input_resistance_megohm": METER_INPUT_MEGOHM,
}
"""Standard uncertainties taken when an instrument states none; common practice, on the wide side:
a hand-held multimeter, a clamp, a silicon reference cell in the field, a contact thermometer, an
insulation tester. The input resistance of a multimeter stands with them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentsOfReadings:
    """One kind of instrument (meter, sensor ...) over readings, all (readings,).

    Attributes:
        named: the reading names an instrument.
        known: the instrument is in the list.
        covered: it is within its calibration on that day.
        uncertainty: standard uncertainty, in the unit of the field asked for.
        stated: the uncertainty is the instrument's own, not the default.
        code: number of the instrument, equal for equal instruments, -1 where none is named.
    """

    named: BoolArray
    known: BoolArray
    covered: BoolArray
    uncertainty: dict[str, FloatArray]
    stated: dict[str, BoolArray]
    code: IntArray


def instruments_of_readings(
    instruments: pl.DataFrame,
    readings: pl.DataFrame,
    *,
    column: str,
    fields: tuple[str, ...],
) -> InstrumentsOfReadings:
    """Look up the instrument in a column of the readings on the day of each reading.

    An instrument listed more than once (calibrated again) is taken with the calibration that
    covers the day; a day after the due day, or before the calibration itself, is not covered.

    Args:
        instruments: frame of ``INSTRUMENTS``.
        readings: frame with the column and ``local_day``.
        column: for example ``meter``.
        fields: uncertainty columns wanted.
    """
    pairs = readings.select(instrument=pl.col(column), day=pl.col("local_day")).with_row_index(
        "row"
    )
    listed = instruments.select(
        "instrument", "calibrated_on", "calibration_due_on", *fields, known=pl.lit(value=True)
    )
    found = (
        pairs.select("instrument", "day")
        .unique()
        .drop_nulls("instrument")
        .join(listed, on="instrument", how="inner")
        .with_columns(
            covered=(
                (pl.col("day") <= pl.col("calibration_due_on"))
                & (pl.col("calibrated_on").is_null() | (pl.col("calibrated_on") <= pl.col("day")))
            ).fill_null(value=False)
        )
        .sort(
            ["covered", "calibrated_on", "calibration_due_on", *fields],
            descending=[True, True, True, *([False] * len(fields))],
            nulls_last=True,
        )
        .unique(["instrument", "day"], keep="first", maintain_order=True)
    )
    rows = pairs.join(found, on=["instrument", "day"], how="left", nulls_equal=True).sort("row")
    uncertainty: dict[str, FloatArray] = {}
    stated: dict[str, BoolArray] = {}
    for name in fields:
        held = rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        good = np.isfinite(held) & (held > 0)
        stated[name] = good
        uncertainty[name] = np.where(good, held, DEFAULT_INSTRUMENT_UNCERTAINTY[name])
    numbers = (
        pairs["instrument"].rank("dense").cast(pl.Int64).fill_null(-1).to_numpy().astype(np.int64)
        if len(pairs)
        else np.zeros(0, dtype=np.int64)
    )
    return InstrumentsOfReadings(
        named=pairs["instrument"].is_not_null().to_numpy(),
        known=rows["known"].fill_null(value=False).to_numpy(),
        covered=rows["covered"].fill_null(value=False).to_numpy(),
        uncertainty=uncertainty,
        stated=stated,
        code=numbers,
    )
