"""Which pallet and which module goes to which string."""

from arraywright.allocation.compare import Comparison, compare
from arraywright.allocation.loss import Mismatch
from arraywright.allocation.picking import PICKING_CAUTIONS, picking_list
from arraywright.allocation.plan import Mode, Plan, allocate
from arraywright.allocation.stock import STOCK_COLUMNS, ModuleClass

__all__ = [
    "PICKING_CAUTIONS",
    "STOCK_COLUMNS",
    "Comparison",
    "Mismatch",
    "Mode",
    "ModuleClass",
    "Plan",
    "allocate",
    "compare",
    "picking_list",
]
