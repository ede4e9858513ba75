"""Incoming inspection of what was received: lots, samples, and what to look for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from arraywright.delivery import Reconciliation
from arraywright.delivery.cautions import CAUTIONS, DEFERENCE
from arraywright.delivery.inspection import INSPECTION_ITEMS, InspectionLot, inspection_lots
from arraywright.dossier.blocks import Block
from arraywright.dossier.receiving import sampling_blocks
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry

__all__ = ["IncomingInspection", "inspection_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class IncomingInspection:
    """What to inspect of a reconciliation.

    Attributes:
        lots: frame of lot, delivery_note, module_type, power_class_w, pallets, modules,
            defect_class, aql_percent, code_letter, sample_size, accept, reject.
        sample: frame of lot, serial, pallet, stack_position.
        blocks: the part of a document about it.
    """

    lots: pl.DataFrame
    sample: pl.DataFrame
    blocks: tuple[Block, ...]


def _lots_frame(lots: Sequence[InspectionLot]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            (
                lot.lot,
                lot.delivery_note,
                lot.module_type,
                lot.power_class_w,
                len(lot.pallets),
                lot.lot_size,
                limit.defect_class,
                limit.aql_percent,
                limit.code_letter,
                limit.sample_size,
                limit.accept,
                limit.reject,
            )
            for lot in lots
            for limit in lot.limits
        ],
        schema={
            "lot": pl.String,
            "delivery_note": pl.String,
            "module_type": pl.String,
            "power_class_w": pl.Float64,
            "pallets": pl.Int64,
            "modules": pl.Int64,
            "defect_class": pl.String,
            "aql_percent": pl.Float64,
            "code_letter": pl.String,
            "sample_size": pl.Int64,
            "accept": pl.Int64,
            "reject": pl.Int64,
        },
        orient="row",
    )


def inspection_of(record: SiteRecord, entry: Entry) -> IncomingInspection:
    """Give the incoming inspection that a recorded reconciliation asks for."""
    lots = inspection_lots(
        Reconciliation(
            pallets=record.load_frame(entry, "pallets"),
            modules=record.load_frame(entry, "modules"),
            order_balance=record.load_frame(entry, "order_balance"),
            findings=(),
            discrepancies=record.load_frame(entry, "discrepancies"),
        )
    )
    sample = pl.DataFrame(
        [
            (lot.lot, module.serial, module.pallet, module.stack_position)
            for lot in lots
            for module in lot.sample
        ],
        schema={
            "lot": pl.String,
            "serial": pl.String,
            "pallet": pl.String,
            "stack_position": pl.Int64,
        },
        orient="row",
    )
    rows = [
        (
            lot.lot,
            str(lot.lot_size),
            limit.defect_class,
            "none" if limit.aql_percent is None else f"{limit.aql_percent:g} %",
            limit.code_letter or "–",
            str(limit.sample_size),
            str(limit.accept),
            str(limit.reject),
        )
        for lot in lots
        for limit in lot.limits
    ]
    items = [(item.part, item.look_for, item.defect_class) for item in INSPECTION_ITEMS]
    cautions = [caution.text for caution in CAUTIONS]
    return IncomingInspection(
        lots=_lots_frame(lots),
        sample=sample,
        blocks=tuple(sampling_blocks(rows, items, [DEFERENCE, *cautions])),
    )
