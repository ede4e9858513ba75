"""Orders, pallets, flash lists, reconciliation and incoming inspection."""

from arraywright.delivery.cautions import CAUTIONS, DEFERENCE, Caution
from arraywright.delivery.flash_checks import MODULE_CHECKS, FlashChecks, check_flash
from arraywright.delivery.inspection import (
    DEFAULT_AQL_PERCENT,
    INSPECTION_ITEMS,
    DefectClass,
    DefectLimit,
    InspectionItem,
    InspectionLot,
    SampledModule,
    inspection_lots,
    judge_lot,
)
from arraywright.delivery.limits import ReceivingLimits
from arraywright.delivery.reconcile import Reconciliation, reconcile
from arraywright.delivery.rules import RULES, Consequence, Rule, rules_as_markdown
from arraywright.delivery.sampling import (
    Inspection,
    SamplingPlan,
    acceptance_probability,
    code_letter,
    draw_sample,
    sampling_plan,
)
from arraywright.delivery.sscc import (
    check_sscc,
    is_sscc,
    normal_pallet,
    sscc_check_digit,
    sscc_fits,
)
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS

__all__ = [
    "CAUTIONS",
    "DEFAULT_AQL_PERCENT",
    "DEFERENCE",
    "DELIVERY_NOTE",
    "FLASH_LIST",
    "INSPECTION_ITEMS",
    "MODULE_CHECKS",
    "ORDER",
    "PALLET_SCANS",
    "RULES",
    "Caution",
    "Consequence",
    "DefectClass",
    "DefectLimit",
    "FlashChecks",
    "Inspection",
    "InspectionItem",
    "InspectionLot",
    "ReceivingLimits",
    "Reconciliation",
    "Rule",
    "SampledModule",
    "SamplingPlan",
    "acceptance_probability",
    "check_flash",
    "check_sscc",
    "code_letter",
    "draw_sample",
    "inspection_lots",
    "is_sscc",
    "judge_lot",
    "normal_pallet",
    "reconcile",
    "rules_as_markdown",
    "sampling_plan",
    "sscc_check_digit",
    "sscc_fits",
]
