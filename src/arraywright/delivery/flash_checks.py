"""What can be told from a flash list alone: values that cannot be true, classes, serials."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import polars as pl

from arraywright.delivery.evidence import (
    evidence_rows,
    findings_from_evidence,
    gather_evidence,
)
from arraywright.delivery.flash_rows import (
    VALUES,
    data_sheet_columns,
    doubled_serials,
    prepare_flash,
)
from arraywright.delivery.labels import normal_serial
from arraywright.delivery.limits import ReceivingLimits
from arraywright.delivery.rules import RULES
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["MODULE_CHECKS", "FlashChecks", "check_flash"]

MODULE_CHECKS: Final = tuple(
    rule.check
    for rule in RULES.values()
    if rule.subject_kind == "module" and rule.consequence == "set_aside"
)
"""Keys of the checks of one flash row, in the order reasons are listed."""

SERIAL_CHECKS: Final = (
    "serial-doubled-in-list",
    "serial-doubled-across-lists",
    "serial-doubled-in-history",
)
"""Those of them that concern every pallet the serial stands on."""

_MAD_TO_SIGMA: Final = 1.4826
_LOT: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashChecks:
    """What the checks of a flash list found.

    Attributes:
        rows: one row per row of the list, in its order: row, serial, pallet, stack_position,
            module_type, type_known, power_class_w, current_class, class_derived, the five
            values, source_file, source_row, repeated, one Boolean column per key of
            ``MODULE_CHECKS``, and set_aside (any of them).
        evidence: what was found, ``evidence.EVIDENCE``.
        findings: the same as findings, and passes for checks that found nothing.
    """

    rows: pl.DataFrame
    evidence: pl.DataFrame
    findings: tuple[Finding, ...]


def _sound() -> pl.Expr:
    """All five values are there, finite and above zero."""
    each = [(pl.col(v).is_finite() & (pl.col(v) > 0)) for v in VALUES]
    return pl.all_horizontal(each).fill_null(value=False)


def _physics(limits: ReceivingLimits) -> dict[str, pl.Expr]:
    """Checks of the five values against each other; they need no data sheet."""
    pmax, voc, isc = pl.col("pmax_w"), pl.col("voc_v"), pl.col("isc_a")
    vmp, imp = pl.col("vmp_v"), pl.col("imp_a")
    sound = _sound()
    stated = pl.col("fill_factor_ratio")
    fill_factor = pmax / (voc * isc)
    return {
        "flash-impossible-value": ~sound,
        "flash-imp-above-isc": sound & (imp >= isc),
        "flash-vmp-above-voc": sound & (vmp >= voc),
        "flash-pmax-product": sound & ((pmax / (imp * vmp) - 1.0).abs() > limits.product_ratio),
        "flash-fill-factor-stated": sound
        & stated.is_not_null()
        & ~((stated - fill_factor).abs() <= limits.fill_factor_ratio),
        "flash-fill-factor-range": sound
        & ~fill_factor.is_between(limits.fill_factor_min_ratio, limits.fill_factor_max_ratio),
    }


def _data_sheet(limits: ReceivingLimits) -> dict[str, pl.Expr]:
    """Checks against the data sheet's classes and tolerances."""
    sound = _sound()
    pmax, imp = pl.col("pmax_w"), pl.col("imp_a")
    known = pl.col("type_known").fill_null(value=False)
    sorted_by_current = known & pl.col("sorted_by_current")
    unknown_power = known & pl.col("power_class_w").is_not_null() & pl.col("class_min_w").is_null()
    unknown_current = (
        sorted_by_current & pl.col("current_class").is_not_null() & pl.col("class_min_a").is_null()
    )
    no_band = sorted_by_current & pl.col("current_class").is_null()

    def beyond(value: str, sheet: str, tolerance: str) -> pl.Expr:
        ratio = pl.col(value) / pl.col(sheet) - 1.0
        return sound & (ratio.abs() > pl.col(tolerance) + 1e-9)

    return {
        "flash-class-unknown": unknown_power | unknown_current,
        "flash-power-class": sound
        & (
            (pmax < pl.col("class_min_w") - limits.power_rounding_w)
            | (pmax >= pl.col("class_max_w") + limits.power_rounding_w)
        ),
        "flash-current-class": sound
        & (
            no_band
            | (imp < pl.col("class_min_a") - limits.current_rounding_a)
            | (imp >= pl.col("class_max_a") + limits.current_rounding_a)
        ),
        "flash-voc-tolerance": beyond("voc_v", "sheet_voc_v", "voc_tolerance_ratio"),
        "flash-isc-tolerance": beyond("isc_a", "sheet_isc_a", "isc_tolerance_ratio"),
    }


def _lot_deviation(rows: pl.DataFrame, limits: ReceivingLimits) -> pl.DataFrame:
    """Add for each value ``z_<value>``: robust deviations from the median of its lot.

    Equation: z = (x - median) / max(1.4826 MAD, spread_min x median), per module type, power
    class and current class; null for lots that are too small and for impossible values.
    """
    sound = ~pl.col("flash-impossible-value") & ~pl.col("repeated")
    keyed = rows.select("row", *_LOT, *VALUES).filter(rows.select(sound).to_series())
    middles = keyed.group_by(_LOT).agg(
        pl.len().alias("lot_modules"), *(pl.col(v).median().alias(f"mid_{v}") for v in VALUES)
    )
    keyed = keyed.join(middles, on=list(_LOT), how="left", nulls_equal=True)
    spreads = keyed.group_by(_LOT).agg(
        (pl.col(v) - pl.col(f"mid_{v}")).abs().median().alias(f"mad_{v}") for v in VALUES
    )
    keyed = keyed.join(spreads, on=list(_LOT), how="left", nulls_equal=True)
    large_enough = pl.col("lot_modules") >= limits.lot_min_modules
    deviations = keyed.select(
        "row",
        *(
            pl.when(large_enough)
            .then(
                (pl.col(v) - pl.col(f"mid_{v}"))
                / pl.max_horizontal(
                    _MAD_TO_SIGMA * pl.col(f"mad_{v}"),
                    limits.lot_spread_min_ratio * pl.col(f"mid_{v}"),
                )
            )
            .alias(f"z_{v}")
            for v in VALUES
        ),
        *(f"mid_{v}" for v in VALUES),
    )
    return rows.join(deviations, on="row", how="left", maintain_order="left")


def _matches(rows: pl.DataFrame, site: Site) -> pl.Series:
    """Tell for each row whether its serial fits its type's pattern, whatever the letters' case."""
    fits = pl.lit(value=True)
    slow: dict[str, re.Pattern[str]] = {}
    for key, module_type in site.module_types.items():
        if not module_type.serial_pattern:
            continue
        whole = rf"(?i)^(?:{module_type.serial_pattern})$"
        try:
            pl.Series(["x"]).str.contains(whole)
        except pl.exceptions.ComputeError:
            slow[key] = re.compile(module_type.serial_pattern, re.IGNORECASE)
            continue
        one = pl.col("module_type") == key
        fits = pl.when(one).then(pl.col("serial").str.contains(whole)).otherwise(fits)
    matched = rows.with_columns(fits.fill_null(value=True).alias("fits"))["fits"]
    for key, pattern in slow.items():
        again = [
            was if module_type != key or serial is None else pattern.fullmatch(serial) is not None
            for was, module_type, serial in zip(
                matched, rows["module_type"], rows["serial"], strict=True
            )
        ]
        matched = pl.Series("fits", again, dtype=pl.Boolean)
    return matched


def _number(column: pl.Expr, digits: int) -> pl.Expr:
    """Write numbers with a fixed number of decimals at most; a missing one is ``missing``."""
    return column.round(digits).cast(pl.String).fill_null("missing")


def _power_text() -> pl.Expr:
    return pl.col("power_class_w").cast(pl.String).str.strip_suffix(".0").fill_null("not stated")


def _value_evidence(rows: pl.DataFrame, limits: ReceivingLimits) -> list[pl.DataFrame]:
    """Evidence of the checks on the five values, each with its numbers."""
    fill_factor = pl.col("pmax_w") / (pl.col("voc_v") * pl.col("isc_a"))
    product = pl.col("imp_a") * pl.col("vmp_v")
    p, voc, isc, vmp, imp = (_number(pl.col(v), 3) for v in VALUES)
    far = pl.concat_str(
        [
            pl.when(pl.col(f"z_{v}").abs() > limits.lot_deviations).then(
                pl.format(
                    f"{v} {{}} where the lot has {{}}, {{}} deviations off",
                    _number(pl.col(v), 3),
                    _number(pl.col(f"mid_{v}"), 3),
                    _number(pl.col(f"z_{v}").abs(), 1),
                )
            )
            for v in VALUES
        ],
        separator="; ",
        ignore_nulls=True,
    )
    ff_range = f"{limits.fill_factor_min_ratio} to {limits.fill_factor_max_ratio}"
    product_limit = f"Imp x Vmp within {limits.product_ratio * 100:g} %"
    texts: dict[str, tuple[pl.Expr, pl.Expr, pl.Expr | None, pl.Expr | None, str]] = {
        "flash-impossible-value": (
            pl.format("Pmax {} W, Voc {} V, Isc {} A, Vmp {} V, Imp {} A", p, voc, isc, vmp, imp),
            pl.lit("five numbers above zero"), None, None, "",
        ),
        "flash-imp-above-isc": (
            pl.format("Imp {} A", imp), pl.format("below Isc {} A", isc),
            pl.col("imp_a"), pl.col("isc_a"), "A",
        ),
        "flash-vmp-above-voc": (
            pl.format("Vmp {} V", vmp), pl.format("below Voc {} V", voc),
            pl.col("vmp_v"), pl.col("voc_v"), "V",
        ),
        "flash-pmax-product": (
            pl.format("Pmax {} W, Imp x Vmp {} W", p, _number(product, 3)),
            pl.lit(product_limit), pl.col("pmax_w"), product, "W",
        ),
        "flash-fill-factor-stated": (
            pl.format("fill factor {}", _number(pl.col("fill_factor_ratio"), 4)),
            pl.format("{} from its own values", _number(fill_factor, 4)),
            pl.col("fill_factor_ratio"), fill_factor, "1",
        ),
        "flash-fill-factor-range": (
            pl.format("fill factor {}", _number(fill_factor, 4)), pl.lit(ff_range),
            fill_factor, None, "1",
        ),
        "flash-power-class": (
            pl.format("{} W in class {} W", p, _power_text()),
            pl.format("{} W to below {} W", _number(pl.col("class_min_w"), 2),
                      _number(pl.col("class_max_w"), 2)),
            pl.col("pmax_w"), None, "W",
        ),
        "flash-current-class": (
            pl.format("Imp {} A in class {}", imp, pl.col("current_class").fill_null("none")),
            pl.when(pl.col("class_min_a").is_null())
            .then(pl.lit("a current in one of the type's classes"))
            .otherwise(pl.format("{} A to below {} A", _number(pl.col("class_min_a"), 3),
                                 _number(pl.col("class_max_a"), 3))),
            pl.col("imp_a"), None, "A",
        ),
        "flash-voc-tolerance": (
            pl.format("Voc {} V", voc),
            pl.format("{} V within {} %", _number(pl.col("sheet_voc_v"), 3),
                      _number(pl.col("voc_tolerance_ratio") * 100, 2)),
            pl.col("voc_v"), pl.col("sheet_voc_v"), "V",
        ),
        "flash-isc-tolerance": (
            pl.format("Isc {} A", isc),
            pl.format("{} A within {} %", _number(pl.col("sheet_isc_a"), 3),
                      _number(pl.col("isc_tolerance_ratio") * 100, 2)),
            pl.col("isc_a"), pl.col("sheet_isc_a"), "A",
        ),
        "flash-far-from-lot": (
            far, pl.lit(f"within {limits.lot_deviations:g} robust deviations of the lot"),
            None, None, "",
        ),
    }  # fmt: skip
    return [
        evidence_rows(
            rows.filter(pl.col(check)),
            check,
            subject="serial",
            found=found,
            required=required,
            value=value,
            limit=limit,
            unit=unit,
        )
        for check, (found, required, value, limit, unit) in texts.items()
    ]


def _label_evidence(rows: pl.DataFrame, site: Site) -> list[pl.DataFrame]:
    """Evidence of the checks on serial, pallet and class names."""
    patterns = pl.DataFrame(
        {
            "module_type": list(site.module_types),
            "pattern": [held.serial_pattern for held in site.module_types.values()],
        },
        schema={"module_type": pl.String, "pattern": pl.String},
    )
    classes = pl.format(
        "{} W, class {}", _power_text(), pl.col("current_class").fill_null("not stated")
    )
    texts: dict[str, tuple[pl.Expr, pl.Expr]] = {
        "serial-doubled-in-list": (pl.col("places"), pl.lit("every serial once")),
        "serial-doubled-across-lists": (pl.col("places"), pl.lit("every serial once")),
        "serial-doubled-in-history": (pl.col("serial"), pl.lit("a serial not received before")),
        "serial-pattern": (pl.col("serial"), pl.format("the pattern {}", pl.col("pattern"))),
        "serial-missing": (pl.lit("no serial"), pl.lit("a serial in every row")),
        "flash-no-pallet": (pl.lit("no pallet"), pl.lit("the pallet it was packed on")),
        "flash-class-unknown": (classes, pl.lit("a class of the data sheet")),
    }
    parts = []
    for check, (found, required) in texts.items():
        flagged = rows.filter(pl.col(check)).join(
            patterns, on="module_type", how="left", maintain_order="left"
        )
        parts.append(
            evidence_rows(flagged, check, subject="serial", found=found, required=required)
        )
    repeats = (
        rows.filter(pl.col("repeated"))
        .group_by("source_file")
        .agg(pl.len().alias("count"), pl.col("source_row").min())
        .with_columns(pl.col("source_file").fill_null("flash list").alias("name"))
    )
    parts.append(
        evidence_rows(
            repeats,
            "flash-repeated",
            subject="name",
            found=pl.format("{} rows", pl.col("count")),
            required=pl.lit("every row once"),
            value=pl.col("count"),
        )
    )
    return parts


def _passes(rows: pl.DataFrame, site: Site, *, with_history: bool) -> list[Finding]:
    """Say once of each check that found nothing how many rows it was made on.

    What the site's types do not ask, such as a current class, is not told as missing.
    """
    kept = rows.filter(~pl.col("repeated"))
    assessable = {
        "serial-doubled-in-history": kept.height if with_history else 0,
        "flash-fill-factor-stated": kept["fill_factor_ratio"].count(),
        "flash-power-class": kept["class_min_w"].count(),
        "flash-current-class": kept["class_min_a"].count(),
        "flash-voc-tolerance": kept["sheet_voc_v"].count(),
        "flash-isc-tolerance": kept["sheet_isc_a"].count(),
        "flash-far-from-lot": kept["z_voc_v"].count(),
        "flash-class-unknown": int(kept["type_known"].sum() or 0),
        "serial-pattern": kept.filter(
            pl.col("module_type").is_in(
                [key for key, held in site.module_types.items() if held.serial_pattern]
            )
        ).height,
    }
    types = site.module_types.values()
    not_asked = set()
    if not any(held.current_classes for held in types):
        not_asked.add("flash-current-class")
    if not any(held.serial_pattern for held in types):
        not_asked.add("serial-pattern")
    findings = []
    for check in MODULE_CHECKS:
        if check in not_asked or bool(rows[check].any()):
            continue
        count = assessable.get(check, kept.height)
        rule = RULES[check]
        if count:
            message = f"Checked on {count} rows of the flash lists: {rule.good}."
        else:
            message = (
                f"It could not be checked whether {rule.good}: "
                "the flash lists, the site description or the record do not say enough."
            )
        findings.append(
            Finding(
                check=check,
                subject_kind="site",
                subject="flash lists",
                verdict=Verdict.PASS if count else Verdict.NOT_ASSESSABLE,
                message=message,
                remedy="" if count else "Give the missing column or site key, or check by hand.",
                value=float(count),
                basis=rule.basis,
            )
        )
    return findings


def check_flash(
    flash: pl.DataFrame,
    site: Site,
    *,
    earlier_serials: pl.Series | None = None,
    limits: ReceivingLimits | None = None,
) -> FlashChecks:
    """Check the rows of flash lists against themselves, their lot, the data sheet and the history.

    ``flash`` has the columns of ``tables.FLASH_LIST``; several lists are concatenated. Every row
    comes back in ``rows``; a row with any check set is not fit to be planned with.

    Source: common-practice; Pmax = Imp x Vmp and FF = Pmax / (Isc x Voc) are definitions.
    """
    limits = limits or ReceivingLimits()
    rows = data_sheet_columns(prepare_flash(flash, site), site)
    rows = rows.join(doubled_serials(rows), on="row", how="left", maintain_order="left")
    seen_before = pl.lit(value=False)
    if earlier_serials is not None and len(earlier_serials):
        earlier = pl.DataFrame({"serial": earlier_serials.cast(pl.String)}).select(
            normal_serial(pl.col("serial"))
        )["serial"]
        seen_before = pl.col("serial").is_in(earlier.drop_nulls().unique().implode())
    rows = rows.with_columns(_matches(rows, site).alias("serial_fits"))
    checks: dict[str, pl.Expr] = {
        "serial-doubled-in-list": pl.col("in_list"),
        "serial-doubled-across-lists": pl.col("across_lists"),
        "serial-doubled-in-history": seen_before,
        "serial-pattern": ~pl.col("serial_fits"),
        "serial-missing": pl.col("serial").is_null(),
        "flash-no-pallet": pl.col("pallet").is_null(),
        **_physics(limits),
        **_data_sheet(limits),
    }
    rows = rows.with_columns(pl.col("repeated").fill_null(value=False)).with_columns(
        (expr.fill_null(value=False) & ~pl.col("repeated")).alias(check)
        for check, expr in checks.items()
    )
    rows = _lot_deviation(rows, limits).with_columns(
        pl.any_horizontal(
            (pl.col(f"z_{v}").abs() > limits.lot_deviations).fill_null(value=False) for v in VALUES
        ).alias("flash-far-from-lot")
    )
    rows = rows.with_columns(pl.any_horizontal(MODULE_CHECKS).alias("set_aside"))
    flagged = rows.filter(pl.col("set_aside") | pl.col("repeated"))
    evidence = gather_evidence([*_value_evidence(flagged, limits), *_label_evidence(flagged, site)])
    findings = findings_from_evidence(evidence, per_check=limits.findings_per_check)
    with_history = earlier_serials is not None
    passes = _passes(rows, site, with_history=with_history) if rows.height else []
    return FlashChecks(
        rows=rows.select(
            "row", "serial", "pallet", "stack_position", "module_type", "type_known",
            "power_class_w", "current_class", "class_derived", *VALUES,
            "source_file", "source_row", "repeated", *MODULE_CHECKS, "set_aside",
        ),
        evidence=evidence,
        findings=(*findings, *passes),
    )  # fmt: skip
