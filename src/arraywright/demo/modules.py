"""The modules of the demo: what each truly is, what the maker's flash said, where it was packed."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from arraywright.demo.scenario import MODULES_PER_PALLET, Scenario
from arraywright.errors import CallError

__all__ = ["CURRENT_EDGE_A", "make_modules"]

CURRENT_EDGE_A: Final = 13.37
_NOMINAL: Final = {"voc_v": 51.90, "isc_a": 14.16, "vmp_v": 43.36, "imp_a": 13.37}
_FLASH_SCATTER: Final = {"voc_v": 0.0008, "isc_a": 0.0015, "vmp_v": 0.0008, "imp_a": 0.0015}


def _check_digit(digits: str) -> str:
    total = sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(digits)))
    return str(-total % 10)


def make_modules(scenario: Scenario) -> pl.DataFrame:
    """Give every module delivered: true STC values, flashed values, class, pallet and place.

    Pallet numbers begin with the GS1 prefix 952, which is kept for examples. A population is
    drawn, flashed with the scatter of a flash tester, sorted by the maker into power and current
    classes and packed class by class, as makers do. Columns: serial, pallet, lot, stack_position,
    power_class_w, current_class, true and flashed electrical values.

    Raises:
        CallError: the population drawn holds too few modules of a class, which a change of the
            scenario can cause.
    """
    rng = np.random.default_rng(scenario.seed)
    drawn = 30_000
    current = rng.normal(1.0, 0.0032, drawn)
    voltage = rng.normal(1.0, 0.0036, drawn)
    shape = rng.normal(1.0, 0.0012, drawn)
    true = {
        "voc_v": _NOMINAL["voc_v"] * voltage,
        "isc_a": _NOMINAL["isc_a"] * current,
        "vmp_v": _NOMINAL["vmp_v"] * voltage * shape,
        "imp_a": _NOMINAL["imp_a"] * current * shape,
    }
    flashed = {
        name: np.round(values * rng.normal(1.0, _FLASH_SCATTER[name], drawn), 3)
        for name, values in true.items()
    }
    flashed["pmax_w"] = np.round(flashed["vmp_v"] * flashed["imp_a"], 2)
    frame = pl.DataFrame(
        {f"true_{name}": values for name, values in true.items()} | flashed
    ).with_columns(
        power_class_w=(pl.col("pmax_w") / 5.0).floor() * 5.0,
        current_class=pl.when(pl.col("imp_a") < CURRENT_EDGE_A)
        .then(pl.lit("L"))
        .otherwise(pl.lit("H")),
    )
    swapped_lot = scenario.lots[-1]
    swapped = frame.filter(
        (pl.col("power_class_w") == swapped_lot.power_class_w)
        & (pl.col("current_class") == swapped_lot.current_class)
    ).tail(MODULES_PER_PALLET)
    parts = []
    pallet_number = 0
    for lot_number, lot in enumerate(scenario.lots):
        wanted = lot.pallets * MODULES_PER_PALLET
        of_class = frame.filter(
            (pl.col("power_class_w") == lot.power_class_w)
            & (pl.col("current_class") == lot.current_class)
        )
        if of_class.height < wanted:
            raise CallError(
                "demo-population-too-small",
                f"Found {of_class.height} modules of class {lot.power_class_w:.0f} "
                f"{lot.current_class}, required {wanted}.",
                "Change the classes or pallets of the scenario.",
            )
        numbers = pallet_number + 1 + np.arange(wanted) // MODULES_PER_PALLET
        content = of_class.head(wanted)
        before = (scenario.wrong_class_pallet - 1 - pallet_number) * MODULES_PER_PALLET
        if 0 <= before < wanted:
            content = pl.concat(
                [content.head(before), swapped, content.slice(before + MODULES_PER_PALLET)]
            )
        parts.append(
            content.with_columns(
                lot=pl.lit(lot_number, dtype=pl.Int64),
                pallet_number=pl.Series(numbers, dtype=pl.Int64),
                stack_position=pl.Series(
                    1 + np.arange(wanted) % MODULES_PER_PALLET, dtype=pl.Int64
                ),
            )
        )
        pallet_number += lot.pallets
    packed = pl.concat(parts)
    sscc = {}
    for number in packed["pallet_number"].unique().to_list():
        body = f"39521234{number:09d}"
        sscc[number] = body + _check_digit(body)
    return packed.with_row_index("index").with_columns(
        serial=pl.format(
            "TN26{}{}",
            (pl.col("lot") + 1).cast(pl.String),
            (pl.col("index") + 100_000).cast(pl.String).str.zfill(7),
        ),
        pallet=pl.col("pallet_number").replace_strict(sscc, return_dtype=pl.String),
    )
