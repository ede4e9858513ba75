"""Surge protection: critical length and voltage."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from arraywright.design.surge import (
    Installation,
    critical_length,
    installation_constant,
    surge_protection_needed,
    surge_voltage_least,
)
from arraywright.errors import CallError
from tests.published_values import published


def test_critical_lengths_by_kind_of_installation() -> None:
    """Each kind has the length of its constant, from which on protection is needed."""
    held = published("iec-string-protection")["surge"]
    for kind in get_args(Installation):
        constant = installation_constant(kind)
        density = held["ground_flash_density"]
        length_m = float(critical_length(density, installation_constant=constant))
        assert length_m == pytest.approx(held[f"{kind}_m"])
        needed = surge_protection_needed(
            [0.99 * length_m, length_m, 1.01 * length_m],
            ground_flash_density=density,
            installation_constant=constant,
        )
        assert needed.tolist() == [False, True, True]


def test_unknown_kind_of_installation_is_named() -> None:
    """A word the standard's table does not have is refused."""
    unknown: Any = "barn"
    with pytest.raises(CallError) as refused:
        installation_constant(unknown)
    assert refused.value.code == "unknown-installation"


def test_no_lightning_needs_no_protection() -> None:
    """Where no flash reaches the ground the length is without limit."""
    needed = surge_protection_needed(
        1e6, ground_flash_density=0.0, installation_constant=installation_constant("plant")
    )
    assert not bool(needed)


def test_voltage_of_the_device_follows_the_greater_of_the_two() -> None:
    """Mild sites are ruled by 1.2 times STC, very cold ones by the cold voltage."""
    found = surge_voltage_least([1000.0, 1000.0], string_voc_cold_v=[1100.0, 1230.0])
    np.testing.assert_allclose(found, [1200.0, 1230.0])


@drawn(density=st.floats(0.01, 50.0), more=st.floats(1.0, 10.0))
def test_more_lightning_never_lengthens_the_route(density: float, more: float) -> None:
    """The critical length falls as the flash density grows."""
    constant = installation_constant("dwelling")
    length_m = critical_length([density, density * more], installation_constant=constant)
    assert length_m[1] <= length_m[0]
