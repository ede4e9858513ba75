"""Module types: what the maker's data sheet says about a kind of module."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CurrentClass", "ModuleType", "PowerClass"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerClass:
    """A power class of a module type, with its own STC values.

    Attributes:
        power_w: power on the label [W].
        pmax_min_w: least flashed power that belongs to the class [W].
        pmax_max_w: flashed power from which the next class begins [W].
        voc_v: open-circuit voltage at STC [V].
        isc_a: short-circuit current at STC [A].
        vmp_v: voltage at maximum power at STC [V].
        imp_a: current at maximum power at STC [A].
    """

    power_w: float
    pmax_min_w: float
    pmax_max_w: float
    voc_v: float
    isc_a: float
    vmp_v: float
    imp_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentClass:
    """A current class: modules whose current at maximum power lies in one band.

    Attributes:
        name: name on the label, for example ``H``.
        imp_min_a: least current of the class, inclusive [A].
        imp_max_a: greatest current of the class, exclusive [A].
    """

    name: str
    imp_min_a: float
    imp_max_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleType:
    """A kind of module, as its data sheet describes it.

    Attributes:
        key: key in the site description.
        description: words for people.
        names: other spellings of the type on labels and lists, the key not included.
        cells_in_series: cells in series (a half-cut module of 2 x 72 has 72).
        bypass_substrings: sub-strings with a bypass diode each, in series.
        voc_tolerance_ratio: data sheet tolerance of Voc, plus and minus.
        isc_tolerance_ratio: data sheet tolerance of Isc, plus and minus.
        pmax_tolerance_ratio: measurement tolerance of Pmax, plus and minus.
        alpha_isc_per_k: relative temperature coefficient of Isc [1/K].
        beta_voc_per_k: relative temperature coefficient of Voc, negative [1/K].
        gamma_pmax_per_k: relative temperature coefficient of Pmax, negative [1/K].
        nmot_c: nominal module operating temperature [degC].
        max_system_voltage_v: greatest system voltage [V].
        series_fuse_a: greatest series fuse [A].
        length_mm: long side [mm].
        width_mm: short side [mm].
        thickness_mm: frame height [mm].
        mass_kg: mass [kg].
        bifaciality_ratio: rear to front power, 0 when one-sided.
        power_classes: classes in rising order, at least one.
        current_classes: classes in rising order, empty when the maker sorts by power alone.
        torque_min_nm: least clamp bolt torque [N.m].
        torque_max_nm: greatest clamp bolt torque [N.m].
        pallet_modules: modules on a full pallet.
        pallet_stack_max: pallets in one stack at most.
        loose_stack_max: loose modules in one stack at most.
        operating_min_c: least operating temperature [degC].
        operating_max_c: greatest operating temperature [degC].
        serial_pattern: regular expression a serial must match in full, empty when none is known.
    """

    key: str
    description: str
    names: tuple[str, ...]
    cells_in_series: int
    bypass_substrings: int
    voc_tolerance_ratio: float
    isc_tolerance_ratio: float
    pmax_tolerance_ratio: float
    alpha_isc_per_k: float
    beta_voc_per_k: float
    gamma_pmax_per_k: float
    nmot_c: float
    max_system_voltage_v: float
    series_fuse_a: float
    length_mm: float
    width_mm: float
    thickness_mm: float
    mass_kg: float
    bifaciality_ratio: float
    power_classes: tuple[PowerClass, ...]
    current_classes: tuple[CurrentClass, ...]
    torque_min_nm: float
    torque_max_nm: float
    pallet_modules: int
    pallet_stack_max: int
    loose_stack_max: int
    operating_min_c: float
    operating_max_c: float
    serial_pattern: str

    def power_class(self, power_w: float) -> PowerClass | None:
        """Give the class with this power on its label, or None."""
        for power_class in self.power_classes:
            if abs(power_class.power_w - power_w) < 0.05:
                return power_class
        return None

    def current_class_of(self, imp_a: float) -> CurrentClass | None:
        """Give the current class a current at maximum power falls in, or None."""
        for current_class in self.current_classes:
            if current_class.imp_min_a <= imp_a < current_class.imp_max_a:
                return current_class
        return None
