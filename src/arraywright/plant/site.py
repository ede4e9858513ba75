"""The site: everything that is to be built, in one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from arraywright.plant.building import Building, Yard
from arraywright.plant.design_data import DesignData
from arraywright.plant.handling import Coefficients
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.module_type import ModuleType
from arraywright.plant.waiver import ClassWaiver

__all__ = ["Commissioning", "Site", "SpareWish"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareWish:
    """How many modules of a class the owner wants to keep as spares.

    Attributes:
        module_type: key of the module type.
        power_class_w: power class [W]; None for any class.
        current_class: current class; empty for any.
        modules: modules wanted.
    """

    module_type: str
    power_class_w: float | None
    current_class: str
    modules: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioning:
    """What the site asks of its tests, with the defaults that apply when it says nothing.

    Attributes:
        irradiance_min_w_m2: least plane irradiance of a valid reading [W/m2].
        irradiance_change_ratio: greatest change of irradiance between readings close in time.
        tolerance_ratio: allowed deviation of Voc and Isc in the standard's verdict.
        false_alarm_ratio: false alarms allowed per string in the second verdict.
        earth_continuity_max_ohm: greatest earth continuity resistance [ohm].
        cell_temp_uncertainty_k: standard uncertainty of one string's cell temperature [K].
        neighbour_window_min: readings closer in time than this are neighbours [min].
        site_false_alarms: sound strings of the whole site that the joint explanation of all
            readings may call; None for ``false_alarm_ratio`` of them.
    """

    irradiance_min_w_m2: float = 400.0
    irradiance_change_ratio: float = 0.05
    tolerance_ratio: float = 0.05
    false_alarm_ratio: float = 0.001
    earth_continuity_max_ohm: float = 1.0
    cell_temp_uncertainty_k: float = 1.5
    neighbour_window_min: float = 20.0
    site_false_alarms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site as described.

    Attributes:
        name: name of the site.
        latitude_deg: north positive [deg].
        longitude_deg: east positive [deg].
        elevation_m: above sea level [m].
        time_zone: IANA name of the time zone.
        design_min_air_temp_c: least air temperature the design reckons with [degC].
        design_max_air_temp_c: greatest air temperature the design reckons with [degC].
        design_temp_basis: where the two come from, in words.
        module_types: module types by key.
        inverter_types: inverter types by key.
        structures: frame of ``plant.tables.STRUCTURES``.
        positions: frame of ``plant.tables.POSITIONS``, strings one after the other in building
            order, each from its positive end.
        strings: frame of ``plant.tables.STRINGS``, in building order.
        spares: spares wanted.
        waivers: strings that may mix two neighbouring classes, by decision.
        commissioning: what is asked of the tests.
        design: what is said for the checks before steel goes up.
        building: how fast it is built; None when not said.
        yard: where pallets stand; None when not said.
        allocation: what a watt is worth and what handling costs.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    design_min_air_temp_c: float
    design_max_air_temp_c: float
    design_temp_basis: str
    module_types: Mapping[str, ModuleType]
    inverter_types: Mapping[str, InverterType]
    structures: pl.DataFrame
    positions: pl.DataFrame
    strings: pl.DataFrame
    spares: tuple[SpareWish, ...] = ()
    waivers: tuple[ClassWaiver, ...] = ()
    commissioning: Commissioning = field(default_factory=Commissioning)
    design: DesignData = field(default_factory=DesignData)
    building: Building | None = None
    yard: Yard | None = None
    allocation: Coefficients = field(default_factory=Coefficients)

    def module_type_key(self, name: str) -> str | None:
        """Give the key of a module type from its key or any of its other spellings, or None."""
        wanted = name.strip().casefold()
        for key, module_type in self.module_types.items():
            if wanted == key.casefold() or any(
                wanted == other.casefold() for other in module_type.names
            ):
                return key
        return None
