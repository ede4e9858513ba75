"""What the checks of voltages and currents ask of the description, and where it stands."""

from __future__ import annotations

from typing import Final

from arraywright.design.check import Input

__all__ = [
    "ALPHA",
    "BACKFEED",
    "BETA",
    "BETA_VMP",
    "BIFACIALITY",
    "BOX_CURRENT",
    "BOX_VOLTAGE",
    "CORRECTION",
    "DAWN",
    "END_OF_LIFE",
    "FUSE",
    "FUSE_VOLTAGE",
    "IMP",
    "INPUT_CURRENT",
    "INPUT_ISC",
    "INVERTER_LIMIT",
    "ISC",
    "MAX_CELL_TEMP",
    "MIN_TEMP",
    "MODULES",
    "MODULE_LIMIT",
    "MPPT_MAX",
    "MPPT_MIN",
    "PLACE_LIMIT",
    "REAR",
    "SERIES_FUSE",
    "START",
    "STRINGS",
    "STRINGS_IN_BOX",
    "SWITCH_CURRENT",
    "SWITCH_VOLTAGE",
    "VMP",
    "VOC",
]

_MODULE: Final = "module_types.NAME"
_INVERTER: Final = "inverter_types.NAME"

MODULES = Input(
    name="modules",
    symbol="N",
    unit="1",
    meaning="modules in series",
    key="layout.block.modules_per_string",
)
VOC = Input(
    name="voc_v", symbol="Voc", unit="V", meaning="Voc at STC of a module", key=f"{_MODULE}.voc_v"
)
ISC = Input(
    name="isc_a", symbol="Isc", unit="A", meaning="Isc at STC of a module", key=f"{_MODULE}.isc_a"
)
VMP = Input(
    name="vmp_v", symbol="Vmp", unit="V", meaning="Vmp at STC of a module", key=f"{_MODULE}.vmp_v"
)
IMP = Input(
    name="imp_a", symbol="Imp", unit="A", meaning="Imp at STC of a module", key=f"{_MODULE}.imp_a"
)
ALPHA = Input(
    name="alpha_isc_per_k",
    symbol="alpha",
    unit="1/K",
    meaning="temperature coefficient of Isc",
    key=f"{_MODULE}.alpha_isc_per_k",
)
BETA = Input(
    name="beta_voc_per_k",
    symbol="beta",
    unit="1/K",
    meaning="temperature coefficient of Voc",
    key=f"{_MODULE}.beta_voc_per_k",
)
BETA_VMP = Input(
    name="beta_vmp_per_k",
    symbol="beta_mp",
    unit="1/K",
    meaning="temperature coefficient of Vmp",
    key=f"{_MODULE}.beta_vmp_per_k",
)
MIN_TEMP = Input(
    name="min_air_temp_c",
    symbol="Tmin",
    unit="degC",
    meaning="least design air temperature",
    key="site.design_min_air_temp_c",
)
MAX_CELL_TEMP = Input(
    name="max_cell_temp_c",
    symbol="Tmax",
    unit="degC",
    meaning="greatest design cell temperature",
    key="design.max_cell_temp_c",
)
DAWN = Input(
    name="dawn_irradiance_w_m2",
    symbol="Gdawn",
    unit="W/m2",
    meaning="irradiance at which the coldest cells are met",
    key="design.dawn_irradiance_w_m2",
)
END_OF_LIFE = Input(
    name="end_of_life_voltage_ratio",
    symbol="k",
    unit="1",
    meaning="voltage left at the end of life",
    key="design.end_of_life_voltage_ratio",
)
MODULE_LIMIT = Input(
    name="max_system_voltage_v",
    symbol="Vsys",
    unit="V",
    meaning="greatest system voltage of the module",
    key=f"{_MODULE}.max_system_voltage_v",
)
INVERTER_LIMIT = Input(
    name="max_voltage_v",
    symbol="Vinv",
    unit="V",
    meaning="greatest voltage at the inverter's input",
    key=f"{_INVERTER}.max_voltage_v",
)
PLACE_LIMIT = Input(
    name="system_voltage_limit_v",
    symbol="Vlim",
    unit="V",
    meaning="greatest d.c. voltage that the code allows at this place",
    key="design.system_voltage_limit_v",
)
START = Input(
    name="start_voltage_v",
    symbol="Vstart",
    unit="V",
    meaning="voltage from which the inverter starts",
    key=f"{_INVERTER}.start_voltage_v",
)
MPPT_MIN = Input(
    name="mppt_min_v",
    symbol="Vlow",
    unit="V",
    meaning="lower edge of the MPPT window",
    key=f"{_INVERTER}.mppt_min_v",
)
MPPT_MAX = Input(
    name="mppt_max_v",
    symbol="Vhigh",
    unit="V",
    meaning="upper edge of the MPPT window",
    key=f"{_INVERTER}.mppt_max_v",
)
BIFACIALITY = Input(
    name="bifaciality_ratio",
    symbol="phi",
    unit="1",
    meaning="bifaciality of the module",
    key=f"{_MODULE}.bifaciality_ratio",
)
REAR = Input(
    name="rear_irradiance_ratio",
    symbol="r",
    unit="1",
    meaning="irradiance on the rear over that on the front",
    key="design.rear_irradiance_ratio",
)
CORRECTION = Input(
    name="irradiance_correction_ratio",
    symbol="Kcorr",
    unit="1",
    meaning="correction of the short-circuit current for the site",
    key="design.irradiance_correction_ratio",
)
STRINGS = Input(
    name="strings",
    symbol="Ns",
    unit="1",
    meaning="strings in parallel on one input",
    key="layout.block.strings_per_input",
)
STRINGS_IN_BOX = Input(
    name="strings_in_box",
    symbol="Nb",
    unit="1",
    meaning="strings in one combiner box",
    key="layout.block.strings_per_combiner_box",
)
SERIES_FUSE = Input(
    name="series_fuse_a",
    symbol="Imod",
    unit="A",
    meaning="greatest series fuse of the module",
    key=f"{_MODULE}.series_fuse_a",
)
BACKFEED = Input(
    name="backfeed_a",
    symbol="Ibf",
    unit="A",
    meaning="current the inverter can feed back",
    key=f"{_INVERTER}.backfeed_a",
)
FUSE = Input(
    name="string_fuse_a",
    symbol="In",
    unit="A",
    meaning="rated current of the string fuses, 0 for none",
    key="design.string_fuse_a",
)
FUSE_VOLTAGE = Input(
    name="string_fuse_voltage_v",
    symbol="Un",
    unit="V",
    meaning="rated d.c. voltage of the string fuses",
    key="design.string_fuse_voltage_v",
)
INPUT_CURRENT = Input(
    name="input_max_current_a",
    symbol="Iin",
    unit="A",
    meaning="greatest operating current of one MPPT input",
    key=f"{_INVERTER}.input_max_current_a",
)
INPUT_ISC = Input(
    name="input_max_isc_a",
    symbol="Iin_sc",
    unit="A",
    meaning="greatest short-circuit current of one MPPT input",
    key=f"{_INVERTER}.input_max_isc_a",
)
BOX_CURRENT = Input(
    name="combiner_current_a",
    symbol="Ibox",
    unit="A",
    meaning="rated current of the combiner box",
    key="design.combiner_current_a",
)
BOX_VOLTAGE = Input(
    name="combiner_voltage_v",
    symbol="Ubox",
    unit="V",
    meaning="rated d.c. voltage of the combiner box",
    key="design.combiner_voltage_v",
)
SWITCH_CURRENT = Input(
    name="disconnector_current_a",
    symbol="Isw",
    unit="A",
    meaning="rated d.c. current of the disconnector",
    key="design.disconnector_current_a",
)
SWITCH_VOLTAGE = Input(
    name="disconnector_voltage_v",
    symbol="Usw",
    unit="V",
    meaning="rated d.c. voltage of the disconnector",
    key="design.disconnector_voltage_v",
)
