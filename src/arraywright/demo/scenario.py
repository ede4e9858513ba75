"""The invented site of the demo: its numbers, and the faults that are put in on purpose.

Place, maker, people and every figure are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Final

__all__ = ["MODULES_PER_PALLET", "MODULES_PER_STRING", "SCENARIO", "Lot", "Scenario"]

MODULES_PER_PALLET: Final = 36
MODULES_PER_STRING: Final = 26


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """What one truck brings: a delivery note and a flash list in one dialect.

    Attributes:
        note: number of the delivery note.
        delivered_on: day of delivery.
        power_class_w: power class of its pallets [W].
        current_class: current class of its pallets.
        pallets: pallets on the note.
        dialect: ``english``, ``german`` or ``spanish``.
    """

    note: str
    delivered_on: date
    power_class_w: float
    current_class: str
    pallets: int
    dialect: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything that is decided about the demo site before chance has its say.

    Attributes:
        site_name: name of the site.
        module_type: key of the module type.
        type_name: the type as labels and lists write it.
        order_number: number of the order.
        seed: seed of all chance.
        lots: the three trucks.
        checked_on: day on which the design is checked.
        building_start: first day on which modules are put up.
        holidays: days that are not worked.
        modules_per_day: modules put up on a working day.
        test_day: day of the string tests.
        time_zone: IANA name of the time zone.
        latitude_deg: north positive [deg].
        longitude_deg: east positive [deg].
        elevation_m: above sea level [m].
        tilt_deg: tilt of the tables [deg].
        short_pallet: running number of the pallet that is one module short.
        wrong_class_pallet: running number of the pallet that carries another class.
        doubled_pallets: running numbers of the two pairs of pallets that share a serial.
        reversed_string: running number of the string with reversed leads.
        missing_module_string: running number of the string with one module too few.
        shorted_diode_string: running number of the string with one shorted bypass diode.
        low_insulation_string: running number of the string with low insulation resistance.
        earth_fault_megohm: resistance of the earth fault that makes it low [Mohm].
        earth_fault_position: where it lies, in modules from the positive end.
        wrong_module_string: running number of the string with a module of another class.
        lapsed_strings: running numbers of the strings read with the lapsed instrument.
        curve_strings: running numbers of the strings with an I-V curve.
    """

    site_name: str = "Lerchenried solar field"
    module_type: str = "tern-580"
    type_name: str = "TERN 144-580"
    order_number: str = "PO-4471"
    seed: int = 20260618
    lots: tuple[Lot, ...] = field(
        default=(
            Lot(
                note="DN-90418",
                delivered_on=date(2026, 5, 4),
                power_class_w=580.0,
                current_class="H",
                pallets=56,
                dialect="english",
            ),
            Lot(
                note="LS 2026/0577",
                delivered_on=date(2026, 5, 11),
                power_class_w=580.0,
                current_class="L",
                pallets=48,
                dialect="german",
            ),
            Lot(
                note="ALB-001263",
                delivered_on=date(2026, 5, 18),
                power_class_w=575.0,
                current_class="L",
                pallets=45,
                dialect="spanish",
            ),
        )
    )
    checked_on: date = date(2026, 2, 10)
    building_start: date = date(2026, 6, 2)
    holidays: tuple[date, ...] = (date(2026, 6, 4),)
    modules_per_day: int = 702
    test_day: date = date(2026, 6, 18)
    time_zone: str = "Europe/Berlin"
    latitude_deg: float = 48.35
    longitude_deg: float = 11.92
    elevation_m: float = 470.0
    tilt_deg: float = 20.0
    short_pallet: int = 17
    wrong_class_pallet: int = 74
    doubled_pallets: tuple[tuple[int, int], tuple[int, int]] = ((31, 44), (88, 131))
    reversed_string: int = 12
    missing_module_string: int = 57
    shorted_diode_string: int = 103
    low_insulation_string: int = 140
    earth_fault_megohm: float = 0.21
    earth_fault_position: float = 18.4
    wrong_module_string: int = 66
    lapsed_strings: tuple[int, ...] = tuple(range(150, 158))
    curve_strings: tuple[int, ...] = (5, 40, 66, 103, 120, 171)


SCENARIO: Final = Scenario()
