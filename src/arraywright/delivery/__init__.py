"""Orders, pallets, flash lists, reconciliation and incoming inspection."""

from arraywright.delivery.flash_checks import MODULE_CHECKS, FlashChecks, check_flash
from arraywright.delivery.limits import ReceivingLimits
from arraywright.delivery.reconcile import Reconciliation, reconcile
from arraywright.delivery.rules import RULES, Consequence, Rule, rules_as_markdown
from arraywright.delivery.sscc import (
    check_sscc,
    is_sscc,
    normal_pallet,
    sscc_check_digit,
    sscc_fits,
)
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS

__all__ = [
    "DELIVERY_NOTE",
    "FLASH_LIST",
    "MODULE_CHECKS",
    "ORDER",
    "PALLET_SCANS",
    "RULES",
    "Consequence",
    "FlashChecks",
    "ReceivingLimits",
    "Reconciliation",
    "Rule",
    "check_flash",
    "check_sscc",
    "is_sscc",
    "normal_pallet",
    "reconcile",
    "rules_as_markdown",
    "sscc_check_digit",
    "sscc_fits",
]
