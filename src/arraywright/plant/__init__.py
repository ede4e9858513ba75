"""What is to be built: site, module and inverter types, structures, positions, strings."""

from arraywright.plant.building import Building, LaydownArea, Yard
from arraywright.plant.design_data import (
    CableDrum,
    CablePrice,
    DesignData,
    DesignPractice,
    Destination,
    ModuleClamping,
)
from arraywright.plant.handling import Coefficients
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.layout import Layout, generate_layout
from arraywright.plant.layout_block import LayoutBlock, check_blocks
from arraywright.plant.module_type import CurrentClass, ModuleType, PowerClass
from arraywright.plant.site import Commissioning, Site, SpareWish
from arraywright.plant.site_checks import check_layout, check_site
from arraywright.plant.tables import PLACEMENTS, POSITIONS, STRINGS, STRUCTURES
from arraywright.plant.waiver import ClassWaiver

__all__ = [
    "PLACEMENTS",
    "POSITIONS",
    "STRINGS",
    "STRUCTURES",
    "Building",
    "CableDrum",
    "CablePrice",
    "ClassWaiver",
    "Coefficients",
    "Commissioning",
    "CurrentClass",
    "DesignData",
    "DesignPractice",
    "Destination",
    "InverterType",
    "LaydownArea",
    "Layout",
    "LayoutBlock",
    "ModuleClamping",
    "ModuleType",
    "PowerClass",
    "Site",
    "SpareWish",
    "Yard",
    "check_blocks",
    "check_layout",
    "check_site",
    "generate_layout",
]
