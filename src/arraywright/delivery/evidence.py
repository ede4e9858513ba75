"""Evidence: one row for everything found, from which findings and discrepancies are made."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import polars as pl

from arraywright.delivery.rules import RULES
from arraywright.findings import Finding, Place

__all__ = [
    "EVIDENCE",
    "discrepancies_from_evidence",
    "evidence_rows",
    "findings_from_evidence",
    "gather_evidence",
    "place_text",
]

EVIDENCE: Final[dict[str, pl.DataType]] = {
    "check": pl.String(),
    "subject": pl.String(),
    "pallet": pl.String(),
    "serial": pl.String(),
    "found": pl.String(),
    "required": pl.String(),
    "value": pl.Float64(),
    "limit": pl.Float64(),
    "unit": pl.String(),
    "source_file": pl.String(),
    "source_row": pl.UInt32(),
}
"""Columns of evidence; ``check`` is a key of ``rules.RULES``."""

_ORDER: Final = ["rule", "subject", "source_file", "source_row", "found"]


def evidence_rows(
    frame: pl.DataFrame,
    check: str,
    *,
    subject: str,
    found: pl.Expr,
    required: pl.Expr,
    value: pl.Expr | None = None,
    limit: pl.Expr | None = None,
    unit: str = "",
) -> pl.DataFrame:
    """Give one row of evidence for each row of a frame that was found wanting.

    ``frame`` holds the column named by ``subject`` and, where they apply, ``pallet``, ``serial``,
    ``source_file`` and ``source_row``.
    """
    given = set(frame.columns)
    columns = {
        "check": pl.lit(check),
        "subject": pl.col(subject),
        "pallet": pl.col("pallet") if "pallet" in given else pl.lit(None),
        "serial": pl.col("serial") if "serial" in given else pl.lit(None),
        "found": found,
        "required": required,
        "value": pl.lit(None) if value is None else value,
        "limit": pl.lit(None) if limit is None else limit,
        "unit": pl.lit(unit),
        "source_file": pl.col("source_file") if "source_file" in given else pl.lit(None),
        "source_row": pl.col("source_row") if "source_row" in given else pl.lit(None),
    }
    return frame.select([columns[name].cast(dtype).alias(name) for name, dtype in EVIDENCE.items()])


def gather_evidence(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Put evidence together in the order of the rules, then by subject and place."""
    rank = pl.DataFrame(
        {"check": list(RULES), "rule": range(len(RULES))},
        schema={"check": pl.String, "rule": pl.Int64},
    )
    return (
        pl.concat([pl.DataFrame(schema=EVIDENCE), *parts])
        .join(rank, on="check", how="left")
        .sort(_ORDER, nulls_last=True)
        .drop("rule")
    )


def _place(row: dict[str, object]) -> Place | None:
    file, number = row["source_file"], row["source_row"]
    if not isinstance(file, str) or not file:
        return None
    return Place(file=file, row=number if isinstance(number, int) else 0)


def _finding(row: dict[str, object]) -> Finding:
    rule = RULES[str(row["check"])]
    found, required = str(row["found"] or ""), str(row["required"] or "")
    value, limit = row["value"], row["limit"]
    subject = str(row["subject"] or "without a number")
    detail = "; ".join(
        f"{word} {text}" for word, text in (("found", found), ("required", required)) if text
    )
    message = f"{rule.subject_kind.capitalize()} {subject} {rule.sentence}"
    return Finding(
        check=rule.check,
        subject_kind=rule.subject_kind,
        subject=subject,
        verdict=rule.verdict,
        message=f"{message}: {detail}." if detail else f"{message}.",
        remedy=rule.remedy,
        value=value if isinstance(value, float) else None,
        limit=limit if isinstance(limit, float) else None,
        unit=str(row["unit"] or ""),
        found=found,
        required=required,
        basis=rule.basis,
        place=_place(row),
    )


def findings_from_evidence(evidence: pl.DataFrame, *, per_check: int) -> tuple[Finding, ...]:
    """Give the findings of evidence: the first ``per_check`` of each check, the rest counted."""
    findings: list[Finding] = []
    for part in evidence.partition_by("check", maintain_order=True):
        findings.extend(_finding(row) for row in part.head(per_check).iter_rows(named=True))
        more = part.height - per_check
        if more > 0:
            rule = RULES[str(part["check"][0])]
            findings.append(
                Finding(
                    check=rule.check,
                    subject_kind="site",
                    subject="delivery",
                    verdict=rule.verdict,
                    message=f"{more} more of the same: {rule.subject_kind} {rule.sentence}; "
                    f"{part.height} in all, each in the list of discrepancies or the tables.",
                    remedy=rule.remedy,
                    value=float(part.height),
                    basis=rule.basis,
                )
            )
    return tuple(findings)


def place_text(file: pl.Expr, row: pl.Expr) -> pl.Expr:
    """Give a place as people read it, for example ``note.csv, row 12``; empty when unknown."""
    with_row = (
        pl.when(row.is_not_null() & (row > 0))
        .then(pl.lit(", row ") + row.cast(pl.String))
        .otherwise(pl.lit(""))
    )
    return pl.when(file.is_not_null()).then(file + with_row).otherwise(pl.lit(""))


def discrepancies_from_evidence(evidence: pl.DataFrame) -> pl.DataFrame:
    """Give what the supplier is told: check, pallet, serial, what, found, required, place."""
    told = [rule for rule in RULES.values() if rule.supplier]
    sentences = pl.DataFrame(
        {
            "check": [rule.check for rule in told],
            "what": [rule.supplier for rule in told],
            "kind": [rule.subject_kind for rule in told],
        },
        schema={"check": pl.String, "what": pl.String, "kind": pl.String},
    )
    return (
        evidence.join(sentences, on="check", how="inner", maintain_order="left")
        .with_columns(
            place_text(pl.col("source_file"), pl.col("source_row")).alias("place"),
            pl.when(pl.col("kind") == "lot").then(pl.col("subject")).alias("lot"),
        )
        .select("check", "pallet", "serial", "lot", "what", "found", "required", "place")
    )
