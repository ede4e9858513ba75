"""Which pallet and which module goes to which string."""

from arraywright.allocation.build_dates import StockDays, stock_days
from arraywright.allocation.compare import Comparison, compare
from arraywright.allocation.explain import Explanation, explain_string
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.loss import Mismatch
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.allocation.picking import PICKING_CAUTIONS, picking_list
from arraywright.allocation.plan import Mode, Plan, allocate
from arraywright.allocation.replan import Replanned, replan
from arraywright.allocation.stock import STOCK_COLUMNS, ModuleClass
from arraywright.allocation.yard import YARD_CAUTIONS, YardPlan, plan_yard

__all__ = [
    "PICKING_CAUTIONS",
    "STOCK_COLUMNS",
    "YARD_CAUTIONS",
    "Comparison",
    "Explanation",
    "Mismatch",
    "Mode",
    "ModuleClass",
    "ParkMode",
    "ParkPlan",
    "Plan",
    "PlanBefore",
    "Replanned",
    "StockDays",
    "YardPlan",
    "allocate",
    "compare",
    "explain_string",
    "picking_list",
    "plan_park",
    "plan_yard",
    "replan",
    "stock_days",
]
