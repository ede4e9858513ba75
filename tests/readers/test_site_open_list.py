"""Module types of a large open list can be described, whatever their technology."""

from __future__ import annotations

import pvlib

from arraywright.findings import Verdict
from arraywright.readers.site_types import read_module_type
from arraywright.readers.site_values import Description
from arraywright.readers.toml_lines import TomlLines
from tests.published_values import published

CHECK = published("cec-module-descriptions")


def test_nearly_every_listed_module_can_be_described() -> None:
    """Ranges refuse what cannot be, not what is unusual: an open list of real values passes."""
    listed = pvlib.pvsystem.retrieve_sam("CECMod").T.reset_index(drop=True)
    listed = listed[:: CHECK["inputs"]["every"]].dropna(subset=["Length", "Width"])
    lines = TomlLines("")
    accepted, looked_at, misread = 0, 0, []
    for number, row in listed.iterrows():
        sides = sorted((float(row["Length"]) * 1000.0, float(row["Width"]) * 1000.0))
        description = Description("list", lines)
        module_type = read_module_type(
            description,
            {
                "cells_in_series": int(row["N_s"]),
                "bypass_substrings": 1,
                "alpha_isc_per_k": f"{row['alpha_sc']} A/K",
                "beta_voc_per_k": f"{row['beta_oc']} V/K",
                "gamma_pmax_per_k": f"{row['gamma_r']} %/K",
                "nmot_c": float(row["T_NOCT"]),
                "max_system_voltage_v": 1500,
                "series_fuse_a": 60,
                "length_mm": sides[1],
                "width_mm": sides[0],
                "thickness_mm": 35,
                "mass_kg": 20,
                "pallet_modules": 30,
                "power_w": float(row["V_mp_ref"]) * float(row["I_mp_ref"]),
                "voc_v": float(row["V_oc_ref"]),
                "isc_a": float(row["I_sc_ref"]),
                "vmp_v": float(row["V_mp_ref"]),
                "imp_a": float(row["I_mp_ref"]),
            },
            key="listed",
        )
        looked_at += any(f.verdict is Verdict.REVIEW for f in description.findings)
        if module_type is None:
            continue
        accepted += 1
        # Relative and absolute coefficient must be the same quantity.
        alpha = module_type.alpha_isc_per_k * float(row["I_sc_ref"])
        beta = module_type.beta_voc_per_k * float(row["V_oc_ref"])
        if abs(alpha - row["alpha_sc"]) > 1e-12 or abs(beta - row["beta_oc"]) > 1e-12:
            misread.append(number)
    assert len(listed) > 2000
    assert misread == []
    assert accepted / len(listed) >= CHECK["expected"]["least_accepted_ratio"]
    assert looked_at / len(listed) <= CHECK["expected"]["most_looked_at_ratio"]
