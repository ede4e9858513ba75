"""Order, delivery notes, pallet labels and flash lists against each other: what is accepted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from arraywright.delivery.balance import balance_evidence, balance_order, order_lines
from arraywright.delivery.evidence import (
    discrepancies_from_evidence,
    evidence_rows,
    findings_from_evidence,
    gather_evidence,
    place_text,
)
from arraywright.delivery.flash_checks import (
    MODULE_CHECKS,
    SERIAL_CHECKS,
    check_flash,
)
from arraywright.delivery.flash_rows import VALUES
from arraywright.delivery.labels import normal_text
from arraywright.delivery.limits import ReceivingLimits
from arraywright.delivery.pallet_checks import Given, check_pallets, match_order, number_kinds
from arraywright.delivery.pallets import prepare_labels, side_by_side
from arraywright.delivery.rules import RULES
from arraywright.delivery.sscc import normal_pallet
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site
from arraywright.tables import TableSpec

__all__ = ["Reconciliation", "reconcile"]

_LABEL: Final = ("module_type", "power_class_w", "current_class")
_VERDICT_OF: Final = {0: "accept", 1: "hold", 2: "refuse"}
_GRAVITY: Final = {"refuse": 2, "hold": 1, "set_aside": 0, "note": 0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciliation:
    """What came of comparing order, delivery notes, pallet scans and flash lists.

    Attributes:
        pallets: every pallet that appears anywhere, once: pallet, module_type, power_class_w,
            current_class, delivery_note, order_number, modules_note, modules_flash, modules_scan,
            modules_usable, seen, verdict (``accept``, ``hold``, ``refuse``), reasons (list of
            check keys), place (of the first evidence of it), source_file, source_row.
        modules: every row of the flash lists that is not a word-for-word repeat: serial, pallet,
            stack_position, module_type, power_class_w, current_class, pmax_w, voc_v, isc_a,
            vmp_v, imp_a, usable (nothing is wrong with the module itself), reason (check keys,
            empty when usable), pallet_verdict, source_file, source_row. What may be planned with
            is usable and on an accepted pallet.
        order_balance: module_type, power_class_w, current_class, ordered, noted, delivered,
            accepted, missing, surplus, in modules.
        findings: everything found, and one pass for each check that found nothing.
        discrepancies: for the supplier: check, pallet, serial, lot, what, found, required, place.
    """

    pallets: pl.DataFrame
    modules: pl.DataFrame
    order_balance: pl.DataFrame
    findings: tuple[Finding, ...]
    discrepancies: pl.DataFrame


def _require(frame: pl.DataFrame, spec: TableSpec) -> pl.DataFrame:
    missing = [name for name in spec.schema if name not in frame.columns]
    if missing:
        raise CallError(
            "table-incomplete",
            f"The {spec.title} lacks the columns {', '.join(missing)}.",
            f"Give a frame with the columns of the table {spec.kind}.",
        )
    return frame.select(list(spec.schema))


def _fill_from_labels(
    flash: pl.DataFrame, notes: pl.DataFrame, *, scans: pl.DataFrame
) -> pl.DataFrame:
    """Fill type and classes a flash list does not state from the pallet's label, then note."""
    if all(flash[name].null_count() == 0 for name in _LABEL) or not flash.height:
        return flash
    labels = (
        pl.concat([frame.select("pallet", *_LABEL) for frame in (scans, notes)])
        .filter(pl.col("pallet").is_not_null())
        .group_by("pallet", maintain_order=True)
        .agg(
            # A label that contradicts itself is not a label to fill in from.
            pl.when(pl.col(name).drop_nulls().n_unique() == 1)
            .then(pl.col(name).drop_nulls().first())
            .alias(f"_{name}")
            for name in _LABEL
        )
    )
    spellings = (
        flash.select(pl.col("pallet").unique())
        .with_columns(normal_pallet(pl.col("pallet")).alias("_pallet"))
        .join(labels, left_on="_pallet", right_on="pallet", how="left")
        .drop("_pallet")
    )
    return (
        flash.join(spellings, on="pallet", how="left", maintain_order="left")
        .with_columns(
            pl.coalesce(normal_text(pl.col("module_type")), "_module_type").alias("module_type"),
            pl.coalesce("power_class_w", "_power_class_w").alias("power_class_w"),
            pl.coalesce(normal_text(pl.col("current_class")), "_current_class").alias(
                "current_class"
            ),
        )
        .drop([f"_{name}" for name in _LABEL])
    )


def _module_evidence(
    modules: pl.DataFrame, pallets: pl.DataFrame, *, limits: ReceivingLimits
) -> list[pl.DataFrame]:
    """Evidence against pallets that comes from their modules."""
    per_pallet = (
        modules.filter(pl.col("pallet").is_not_null())
        .group_by("pallet")
        .agg(
            pl.len().alias("count"),
            pl.col("set_aside").sum().cast(pl.Int64).alias("bad"),
            pl.any_horizontal(SERIAL_CHECKS).sum().cast(pl.Int64).alias("doubled"),
        )
        .filter((pl.col("bad") > 0) | (pl.col("doubled") > 0))
        .join(pallets.select("pallet", "source_file", "source_row"), on="pallet", how="left")
    )
    many = (pl.col("bad") >= limits.bad_flash_min_modules) & (
        pl.col("bad") > limits.bad_flash_ratio * pl.col("count")
    )
    all_bad = pl.col("bad") == pl.col("count")
    return [
        evidence_rows(
            per_pallet.filter(pl.col("doubled") > 0),
            "pallet-doubled-serials",
            subject="pallet",
            found=pl.format("{} of {} serials", pl.col("doubled"), pl.col("count")),
            required=pl.lit("every serial once at the site"),
            value=pl.col("doubled"),
        ),
        evidence_rows(
            per_pallet.filter(many | all_bad),
            "pallet-bad-flash",
            subject="pallet",
            found=pl.format("{} of {} modules set aside", pl.col("bad"), pl.col("count")),
            required=pl.lit(
                f"fewer than {limits.bad_flash_min_modules}, "
                f"or at most {limits.bad_flash_ratio * 100:g} %, and not all"
            ),
            value=pl.col("bad"),
        ),
    ]


def _judge(pallets: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """Add verdict and reasons to the pallets from the evidence against them."""
    rules = pl.DataFrame(
        [
            {"check": rule.check, "rank": rank, "gravity": _GRAVITY[rule.consequence]}
            for rank, rule in enumerate(RULES.values())
            if rule.subject_kind == "pallet"
        ],
        schema={"check": pl.String, "rank": pl.Int64, "gravity": pl.Int64},
    )
    reasons = (
        evidence.select("check", "pallet")
        .unique()
        .join(rules, on="check", how="inner")
        .sort("pallet", "rank")
        .group_by("pallet", maintain_order=True)
        .agg(pl.col("check").alias("reasons"), pl.col("gravity").max())
    )
    return pallets.join(reasons, on="pallet", how="left", maintain_order="left").with_columns(
        pl.col("reasons").fill_null(pl.lit([], dtype=pl.List(pl.String))),
        pl.col("gravity").fill_null(0).replace_strict(_VERDICT_OF, return_dtype=pl.String)
        .alias("verdict"),
    )  # fmt: skip


def _modules(rows: pl.DataFrame, pallets: pl.DataFrame) -> pl.DataFrame:
    """Give the modules with their reasons and their pallet's verdict."""
    flagged = rows.filter(pl.col("set_aside")).select(
        "row",
        pl.concat_str(
            [pl.when(pl.col(check)).then(pl.lit(check)) for check in MODULE_CHECKS],
            separator=", ",
            ignore_nulls=True,
        ).alias("reason"),
    )
    verdicts = pallets.select("pallet", pl.col("verdict").alias("pallet_verdict"))
    return (
        rows.join(flagged, on="row", how="left")
        .join(verdicts, on="pallet", how="left")
        .sort("pallet", "stack_position", "serial", "source_file", "source_row", "row",
              nulls_last=True)
        .select(
            "serial", "pallet", "stack_position", *_LABEL, *VALUES,
            (~pl.col("set_aside")).alias("usable"),
            pl.col("reason").fill_null(""),
            pl.col("pallet_verdict").fill_null("hold"),
            "source_file", "source_row",
        )
    )  # fmt: skip


def _usable_per_pallet(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.filter(~pl.col("set_aside") & pl.col("pallet").is_not_null())
        .group_by("pallet")
        .agg(pl.len().cast(pl.Int64).alias("modules_usable"))
    )


_MISSING_TABLES: Final = {
    "order": (
        "order-given",
        "No order was given: type, class and quantity cannot be compared with it.",
        "Give the order.",
    ),
    "notes": (
        "note-given",
        "No delivery note was given: missing, surplus and doubled pallets cannot be told.",
        "Give the delivery notes.",
    ),
    "scans": (
        "scan-given",
        "No pallet scans were given: no pallet has been seen on site, and damage cannot be told.",
        "Scan the pallet labels on site.",
    ),
    "flash": (
        "flash-given",
        "No flash list was given: modules, serials and flash values cannot be checked.",
        "Ask the supplier for the flash list.",
    ),
}


def _table_findings(given: Given) -> list[Finding]:
    return [
        Finding(
            check=check,
            subject_kind="site",
            subject="delivery",
            verdict=Verdict.NOT_ASSESSABLE,
            message=message,
            remedy=remedy,
            basis="common-practice",
        )
        for table, (check, message, remedy) in _MISSING_TABLES.items()
        if not getattr(given, table)
    ]


def _made_on(given: Given) -> dict[str, pl.Expr]:
    """Tell for each pallet check the pallets it could be made on; without any there is no pass."""
    on_note, seen, flashed = pl.col("on_note"), pl.col("seen"), pl.col("flashed")
    every, stated = pl.col("pallet").is_not_null(), pl.col("module_type").is_not_null()
    notes, order, scans = pl.lit(given.notes), pl.lit(given.order), pl.lit(given.scans)

    def on_two_papers(name: str) -> pl.Expr:
        held = [pl.col(f"{name}_{paper}").is_not_null() for paper in ("note", "scan", "flash")]
        return pl.sum_horizontal(held) > 1

    return {
        "pallet-foreign-type": stated,
        "pallet-not-ordered": stated & order,
        "pallet-damaged": seen,
        "pallet-missing": on_note & scans,
        "pallet-surplus": seen & notes,
        "pallet-count": on_two_papers("modules"),
        "pallet-class-conflict": on_two_papers("module_type"),
        "pallet-mixed": flashed,
        "pallet-doubled": on_note,
        "pallet-scans-disagree": pl.col("lines_scan") > 1,
        "pallet-sscc": pl.col("meant_as_sscc"),
        "pallet-order-unknown": order & pl.col("order_number_note").is_not_null(),
        "pallet-bad-flash": flashed,
        "pallet-doubled-serials": flashed,
        "pallet-not-seen": on_note & scans,
        "pallet-announced": flashed & notes,
        "pallet-no-flash": every,
        "pallet-no-note": every & notes,
        "pallet-no-order": every & order,
        "pallet-type-unstated": every,
    }


def _pallet_passes(pallets: pl.DataFrame, evidence: pl.DataFrame, *, given: Given) -> list[Finding]:
    """Say once of each pallet check that found nothing on how many pallets it was made."""
    found = set(evidence["check"].unique().to_list())
    counts = pallets.select(
        on.fill_null(value=False).sum().alias(check) for check, on in _made_on(given).items()
    ).row(0, named=True)
    return [
        Finding(
            check=check,
            subject_kind="site",
            subject="delivery",
            verdict=Verdict.PASS,
            message=f"Checked on {count} pallets: {RULES[check].good}.",
            value=float(count),
            basis=RULES[check].basis,
        )
        for check, count in counts.items()
        if count and check not in found
    ]


def reconcile(
    site: Site,
    *,
    order: pl.DataFrame,
    delivery_notes: pl.DataFrame,
    pallet_scans: pl.DataFrame,
    flash_list: pl.DataFrame,
    earlier_serials: pl.Series | None = None,
    limits: ReceivingLimits | None = None,
) -> Reconciliation:
    """Compare order, delivery notes, pallet scans and flash lists, and judge every pallet.

    The tables have the columns of ``delivery.tables``; several files of one kind are concatenated,
    and any of them may be empty. What a missing table would have shown is not assessable and holds
    the pallet. ``earlier_serials`` are serials already received at the site from other files.
    The order of rows changes nothing.

    Source: common-practice; the consequences are in ``rules.RULES``.

    Raises:
        CallError: a table lacks columns.
    """
    limits = limits or ReceivingLimits()
    given = Given(
        order=order.height > 0,
        notes=delivery_notes.height > 0,
        scans=pallet_scans.height > 0,
        flash=flash_list.height > 0,
    )
    order = prepare_labels(_require(order, ORDER), site)
    notes = prepare_labels(_require(delivery_notes, DELIVERY_NOTE), site)
    scans = prepare_labels(_require(pallet_scans, PALLET_SCANS), site)
    flash = _fill_from_labels(_require(flash_list, FLASH_LIST), notes, scans=scans)
    checks = check_flash(flash, site, earlier_serials=earlier_serials, limits=limits)
    rows = checks.rows.filter(~pl.col("repeated"))

    lines = order_lines(order)
    beside = match_order(number_kinds(side_by_side(notes, scans, flash=rows)), lines)
    parts = [
        checks.evidence,
        *check_pallets(beside, order=order, given=given),
        *_module_evidence(rows, beside, limits=limits),
    ]
    judged = _judge(beside, gather_evidence(parts)).join(
        _usable_per_pallet(rows), on="pallet", how="left", maintain_order="left"
    )
    pallets = judged.with_columns(pl.col("modules_usable").fill_null(0))
    balance = balance_order(pallets, lines)
    evidence = gather_evidence([*parts, *balance_evidence(balance, given=given)])
    findings = (
        *_table_findings(given),
        *findings_from_evidence(evidence, per_check=limits.findings_per_check),
        *_pallet_passes(pallets, evidence, given=given),
        *(finding for finding in checks.findings if finding.subject == "flash lists"),
    )
    return Reconciliation(
        pallets=pallets.sort("pallet").select(
            "pallet", *_LABEL,
            pl.col("delivery_note_note").alias("delivery_note"),
            normal_text(pl.col("order_number_note")).alias("order_number"),
            "modules_note", "modules_flash", "modules_scan", "modules_usable", "seen",
            "verdict", "reasons",
            place_text(pl.col("source_file"), pl.col("source_row")).alias("place"),
            "source_file", "source_row",
        ),
        modules=_modules(rows, pallets),
        order_balance=balance,
        findings=findings,
        discrepancies=discrepancies_from_evidence(evidence),
    )  # fmt: skip
