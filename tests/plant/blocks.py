"""An invented module type, inverter type and block that the tests of this room vary."""

from __future__ import annotations

from arraywright.plant import InverterType, LayoutBlock, ModuleType

MODULE = ModuleType(
    key="north",
    description="",
    names=(),
    cells_in_series=72,
    bypass_substrings=3,
    voc_tolerance_ratio=0.03,
    isc_tolerance_ratio=0.03,
    pmax_tolerance_ratio=0.03,
    alpha_isc_per_k=0.0005,
    beta_voc_per_k=-0.0027,
    gamma_pmax_per_k=-0.0034,
    nmot_c=45.0,
    max_system_voltage_v=1500.0,
    series_fuse_a=25.0,
    length_mm=2000.0,
    width_mm=1000.0,
    thickness_mm=35.0,
    mass_kg=28.0,
    bifaciality_ratio=0.0,
    power_classes=(),
    current_classes=(),
    torque_min_nm=18.0,
    torque_max_nm=24.0,
    pallet_modules=31,
    pallet_stack_max=2,
    loose_stack_max=20,
    operating_min_c=-40.0,
    operating_max_c=85.0,
    serial_pattern="",
)
INVERTER = InverterType(
    key="big",
    description="",
    max_voltage_v=1500.0,
    start_voltage_v=500.0,
    mppt_min_v=480.0,
    mppt_max_v=1450.0,
    mppt_inputs=1000,
    input_max_current_a=40.0,
    input_max_isc_a=60.0,
    strings_per_input=2000,
    ac_power_w=300_000.0,
)
TYPES = {"north": MODULE}
INVERTERS = {"big": INVERTER}
BLOCK = LayoutBlock(
    name="A",
    module_type="north",
    inverter_type="big",
    rows_of_tables=2,
    tables_per_row=2,
    columns=6,
    rows=2,
    pitch_m=7.0,
    table_gap_m=0.5,
    module_gap_mm=20.0,
    tilt_deg=60.0,
    azimuth_deg=180.0,
    x_m=100.0,
    y_m=50.0,
    modules_per_string=6,
    strings_per_input=2,
    inputs_per_inverter=3,
)
