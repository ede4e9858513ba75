"""As-built lists against what was received and planned: which serial truly sits where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from arraywright.allocation.waivers import waiver_classes
from arraywright.findings import Finding, Place, Verdict
from arraywright.plant import Site

__all__ = ["AsBuilt", "check_as_built"]

_LISTED: Final = 200
"""Findings of one check told one by one; the rest is counted in one more."""
_CLASS: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class AsBuilt:
    """What is built in, as far as the lists say.

    Attributes:
        placed: one row per place with a module: string, place_in_string, serial, pallet, class
            and flashed values (null where the serial is unknown), placed_at, person,
            source_file, source_row. Where a place stands in several lists, the newest counts.
        findings: contradictions, one by one, and one pass when there are none.
        as_planned: places that hold the serial the plan put there.
        otherwise: places that hold another serial than planned.
    """

    placed: pl.DataFrame
    findings: tuple[Finding, ...]
    as_planned: int
    otherwise: int


def _class_text(suffix: str = "") -> pl.Expr:
    power = pl.col(f"power_class_w{suffix}").cast(pl.String).str.strip_suffix(".0")
    return pl.format(
        "{} {} W {}",
        pl.col(f"module_type{suffix}").fill_null("unknown type"),
        power.fill_null("?"),
        pl.col(f"current_class{suffix}").fill_null(""),
    ).str.strip_chars()


def _told(
    frame: pl.DataFrame,
    check: str,
    *,
    kind: str,
    subject: str,
    message: str,
    remedy: str,
    verdict: Verdict = Verdict.FAIL,
) -> list[Finding]:
    """Make findings of the rows of a frame; ``message`` is a template over its columns."""
    findings = [
        Finding(
            check=check,
            subject_kind=kind,
            subject=str(row[subject]),
            verdict=verdict,
            message=message.format(**row),
            remedy=remedy,
            basis="common-practice",
            place=Place(file=str(row["source_file"]), row=int(row["source_row"] or 0))
            if row.get("source_file")
            else None,
        )
        for row in frame.head(_LISTED).iter_rows(named=True)
    ]
    if frame.height > _LISTED:
        findings.append(
            Finding(
                check=check,
                subject_kind="site",
                subject="as-built lists",
                verdict=verdict,
                message=f"{frame.height - _LISTED} more of the same ({check}).",
                remedy=remedy,
                basis="common-practice",
            )
        )
    return findings


def _newest(placements: pl.DataFrame) -> pl.DataFrame:
    """Give one row per place: the one set down last, then the one listed last."""
    return (
        placements.with_row_index("_order")
        .sort("placed_at", "_order", nulls_last=False)
        .unique(["string", "place_in_string"], keep="last", maintain_order=True)
        .sort("_order")
        .drop("_order")
    )


def _place_findings(site: Site, placements: pl.DataFrame, placed: pl.DataFrame) -> list[Finding]:
    lengths = site.strings.select("string", pl.col("modules").alias("length"))
    known = placements.join(lengths, on="string", how="left", maintain_order="left")
    findings = _told(
        known.filter(pl.col("length").is_null()),
        "as-built-string",
        kind="module",
        subject="serial",
        message="Module {serial} is said to sit in string {string}, which the site does not have.",
        remedy="Correct the string in the list.",
    )
    findings += _told(
        known.filter(
            (pl.col("place_in_string") < 1) | (pl.col("place_in_string") > pl.col("length"))
        ),
        "as-built-place",
        kind="module",
        subject="serial",
        message="Module {serial} is said to sit at place {place_in_string} of string {string}, "
        "which has places 1 to {length}.",
        remedy="Correct the place in the list.",
    )
    twice = (
        placed.group_by("serial", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.format("{} place {}", "string", "place_in_string").alias("where"),
            pl.col("source_file").first(),
            pl.col("source_row").first(),
        )
        .filter(pl.col("count") > 1)
        .with_columns(pl.col("where").list.join(" and "))
    )
    findings += _told(
        twice,
        "as-built-serial-twice",
        kind="module",
        subject="serial",
        message="Module {serial} is said to sit in {count} places: {where}.",
        remedy="Read the serial at each place and correct the list.",
    )
    return findings


def _module_findings(placed: pl.DataFrame) -> list[Finding]:
    findings = _told(
        placed.filter(pl.col("module_type").is_null()),
        "as-built-serial-unknown",
        kind="module",
        subject="serial",
        message="Module {serial} at place {place_in_string} of string {string} stands in no flash "
        "list received.",
        remedy="Read the serial again; if it is right, ask the supplier for its flash values.",
    )
    findings += _told(
        placed.filter(pl.col("pallet_verdict").is_in(["hold", "refuse"])),
        "as-built-not-accepted",
        kind="module",
        subject="serial",
        message="Module {serial} at place {place_in_string} of string {string} comes from pallet "
        "{pallet}, which is on {pallet_verdict}.",
        remedy="Settle the pallet, or take the module out again (isolated, never under load).",
    )
    findings += _told(
        placed.filter((pl.col("pallet_verdict") == "accept") & ~pl.col("usable")),
        "as-built-set-aside",
        kind="module",
        subject="serial",
        message="Module {serial} at place {place_in_string} of string {string} was set aside at "
        "receiving: {reason}.",
        remedy="Settle the reason, or take the module out again (isolated, never under load).",
    )
    return findings


def _class_findings(site: Site, placed: pl.DataFrame) -> list[Finding]:
    known = placed.filter(pl.col("module_type").is_not_null())
    usual = (
        known.group_by("string", *_CLASS)
        .len()
        .sort("string", "len", *_CLASS, descending=[False, True, False, False, False])
        .unique("string", keep="first", maintain_order=True)
        .drop("len")
        .rename({name: f"{name}_usual" for name in _CLASS})
    )
    beside = known.join(usual, on="string", how="left", maintain_order="left")
    allowed = waiver_classes(site).with_columns(waived=pl.lit(value=True))
    other = {name: f"{name}_usual" for name in _CLASS}
    beside = (
        beside.join(allowed, on=["string", *_CLASS], how="left", maintain_order="left")
        .join(
            allowed.rename({**other, "waived": "usual_waived"}),
            on=["string", *other.values()],
            how="left",
            maintain_order="left",
        )
        .with_columns(waived=(pl.col("waived") & pl.col("usual_waived")).fill_null(value=False))
    )
    odd = beside.filter(
        pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name}_usual")) for name in _CLASS)
    )
    mixed = odd.filter("waived")
    odd = odd.filter(~pl.col("waived"))
    told = odd.with_columns(is_class=_class_text(), usual_class=_class_text("_usual"))
    findings = _told(
        told,
        "as-built-wrong-class",
        kind="string",
        subject="string",
        message="String {string} holds module {serial} of class {is_class} at place "
        "{place_in_string}; its other modules are {usual_class}.",
        remedy="Exchange it for one of the string's class: isolated, never under load, by "
        "licensed people. Or record a waiver.",
    )
    findings += _told(
        mixed.with_columns(is_class=_class_text(), usual_class=_class_text("_usual"))
        .group_by("string", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.col("is_class").first(),
            pl.col("usual_class").first(),
            pl.col("source_file").first(),
            pl.col("source_row").first(),
        ),
        "as-built-waived",
        kind="string",
        subject="string",
        message="String {string} holds {count} modules of {is_class} among {usual_class}, as its "
        "waiver allows.",
        remedy="Mark the string in the field; its expected values are those of its own modules.",
        verdict=Verdict.REVIEW,
    )
    # a string that may mix counts with the class of its input where that is one of its two
    free = (
        usual.join(site.strings.select("string", "mppt_input"), on="string", how="inner")
        .join(
            allowed.rename({**other, "waived": "usual_waived"}),
            on=["string", *other.values()],
            how="left",
        )
        .with_columns(pl.col("usual_waived").fill_null(value=False))
    )
    given = free.filter(~pl.col("usual_waived")).select("mppt_input", *other.values())
    may = (
        allowed.rename(other)
        .join(site.strings.select("string", "mppt_input"), on="string")
        .join(given.unique(), on=["mppt_input", *other.values()], how="semi")
    )
    may = may.join(free.filter("usual_waived"), on="string", how="semi")
    usual = usual.join(may.select("string").unique(), on="string", how="anti")
    inputs = (
        usual.join(site.strings.select("string", "mppt_input"), on="string", how="inner")
        .group_by("mppt_input")
        .agg(
            pl.struct(f"{name}_usual" for name in _CLASS).n_unique().alias("kinds"),
            pl.col("string").sort().str.join(", ").alias("names"),
        )
        .filter(pl.col("kinds") > 1)
        .sort("mppt_input")
    )
    findings += _told(
        inputs,
        "as-built-input-mixed",
        kind="string",
        subject="names",
        message="The strings {names} on input {mppt_input} are of different classes.",
        remedy="Put strings of one class on an input, or record a waiver.",
    )
    return findings


def check_as_built(
    site: Site,
    *,
    placements: pl.DataFrame,
    modules: pl.DataFrame,
    planned: pl.DataFrame | None = None,
) -> AsBuilt:
    """Compare as-built lists with the site, with what was received and with the plan.

    Args:
        site: the site.
        placements: frame of ``plant.PLACEMENTS``, lists one after the other.
        modules: the modules of a reconciliation (``serial``, ``pallet``, class, flashed values,
            ``usable``, ``reason``, ``pallet_verdict``).
        planned: ``string``, ``place_in_string``, ``serial`` of the plan, if there is one.

    Source: common-practice; one power class and one current class in a string and on an input.
    """
    first = modules.unique("serial", keep="first", maintain_order=True).drop(
        "source_file", "source_row", strict=False
    )
    placed = _newest(placements.filter(pl.col("string").is_in(site.strings["string"].implode())))
    placed = placed.join(first, on="serial", how="left", maintain_order="left")
    findings = [
        *_place_findings(site, placements, placed),
        *_module_findings(placed),
        *_class_findings(site, placed),
    ]
    as_planned = otherwise = 0
    if planned is not None and placed.height:
        beside = placed.join(
            planned.select("string", "place_in_string", pl.col("serial").alias("planned")),
            on=["string", "place_in_string"],
            how="left",
        )
        as_planned = beside.filter(pl.col("serial") == pl.col("planned")).height
        otherwise = placed.height - as_planned
    if not findings and placed.height:
        findings.append(
            Finding(
                check="as-built",
                subject_kind="site",
                subject=site.name,
                verdict=Verdict.PASS,
                message=f"{placed.height} places of the as-built lists agree with what was "
                "received and accepted.",
                basis="common-practice",
            )
        )
    return AsBuilt(
        placed=placed, findings=tuple(findings), as_planned=as_planned, otherwise=otherwise
    )
