"""What is to be built: site, module and inverter types, structures, positions, strings."""

from arraywright.plant.inverter_type import InverterType
from arraywright.plant.module_type import CurrentClass, ModuleType, PowerClass
from arraywright.plant.site import Commissioning, Site, SpareWish
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES

__all__ = [
    "POSITIONS",
    "STRINGS",
    "STRUCTURES",
    "Commissioning",
    "CurrentClass",
    "InverterType",
    "ModuleType",
    "PowerClass",
    "Site",
    "SpareWish",
]
