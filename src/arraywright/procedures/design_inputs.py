"""Where each input of a design check comes from: the description, the layout, or the weather."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, cast

from arraywright.design import (
    LAYINGS,
    MATERIALS,
    Input,
    Practice,
    cell_temp_from_nominal,
    exposure_category,
    installation_constant,
    snow_with_wind_ratio,
    terrain_category,
    winter_profile_angle,
)
from arraywright.design.surge import Installation
from arraywright.plant import ModuleClamping, PowerClass, Site
from arraywright.procedures.design_planes import Plane
from arraywright.procedures.design_subjects import StringDesign
from arraywright.procedures.design_weather import WeatherValues

__all__ = ["WORKED_INPUTS", "Found", "Subject", "find_input"]

_YEAR: Final = 2026
"""The sun's path in midwinter differs by less than 0.01 deg from year to year."""
_DIRECT: Final = re.compile(r"[a-z_]+(\.[a-z0-9_]+)+")
_CLASS: Final = ("voc_v", "isc_a", "vmp_v", "imp_a")
_SNOW_THERMAL: Final = {Practice.IEC: 1.0, Practice.NEC: 1.2}
_CLAMPING: Final = "module_types.NAME.clampings[]."
_MODULE: Final = "module_types.NAME."
_INVERTER: Final = "inverter_types.NAME."
_BLOCK: Final = "layout.block[]."


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a check is asked of; parts that do not belong to it are None.

    Attributes:
        name: words for people.
        module_type: key of the module type.
        power_class: place of the power class in its module type.
        inverter_type: key of the inverter type.
        strings: the string design.
        plane: the rows of tables.
        places: where it is, in words that stay the same when its numbers are varied.
    """

    name: str
    places: tuple[str, ...]
    module_type: str | None = None
    power_class: int = 0
    inverter_type: str | None = None
    strings: StringDesign | None = None
    plane: Plane | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An input with where it stands.

    Attributes:
        value: the number; None when nobody said it.
        key: dotted key it comes from as it is, empty when it is worked out.
    """

    value: float | None
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    site: Site
    practice: Practice
    subject: Subject
    weather: WeatherValues | None
    longest_route_m: float | None

    def number(self, key: str) -> float | None:
        return self.site.design.number(key)

    def word(self, key: str) -> str | None:
        return self.site.design.word(key)


def find_input(
    one: Input,
    *,
    site: Site,
    practice: Practice,
    subject: Subject,
    weather: WeatherValues | None,
    longest_route_m: float | None,
) -> Found:
    """Find one input of a check for one subject.

    Args:
        one: the input.
        site: the site.
        practice: family of standards.
        subject: what the check is asked of.
        weather: what hourly weather says; None without weather.
        longest_route_m: longest route of the cable runs; None when not known.
    """
    asked = _Asked(
        site=site,
        practice=practice,
        subject=subject,
        weather=weather,
        longest_route_m=longest_route_m,
    )
    worked = _WORKED.get(one.name)
    if worked is not None:
        held = worked(asked)
        if held is not None:
            return held
    if weather is not None and one.name in weather.of_site:
        return Found(value=weather.of_site[one.name])
    if one.key.startswith(_CLAMPING):
        return Found(value=_of_clamping(asked, one.key.removeprefix(_CLAMPING)))
    if one.key.startswith(_MODULE):
        return _of_module(asked, one.key.removeprefix(_MODULE))
    if one.key.startswith(_INVERTER):
        return _of_inverter(asked, one.key.removeprefix(_INVERTER))
    if one.key.startswith(_BLOCK):
        return _of_plane(asked, one.key.removeprefix(_BLOCK))
    if _DIRECT.fullmatch(one.key):
        return _direct(asked, one.key)
    return Found(value=None)


def _direct(asked: _Asked, key: str) -> Found:
    section, _, name = key.partition(".")
    if section == "site" and hasattr(asked.site, name):
        return Found(value=float(getattr(asked.site, name)), key=key)
    if section == "commissioning":
        return Found(value=float(getattr(asked.site.commissioning, name)), key=key)
    return Found(value=asked.number(key), key=key)


def _of_module(asked: _Asked, name: str) -> Found:
    key = asked.subject.module_type
    if key is None:
        return Found(value=None)
    module_type = asked.site.module_types[key]
    if name in _CLASS:
        held: PowerClass = module_type.power_classes[asked.subject.power_class]
        paths = asked.site.design.class_keys.get(key, ())
        path = paths[asked.subject.power_class] if asked.subject.power_class < len(paths) else ""
        return Found(value=float(getattr(held, name)), key=f"{path}.{name}" if path else "")
    dotted = f"module_types.{key}.{name}"
    if re.fullmatch("[a-z_]+", name) and hasattr(module_type, name):
        return Found(value=float(getattr(module_type, name)), key=dotted)
    return Found(value=asked.number(dotted), key=dotted)


def _of_inverter(asked: _Asked, name: str) -> Found:
    key = asked.subject.inverter_type
    if key is None:
        return Found(value=None)
    dotted = f"inverter_types.{key}.{name}"
    inverter_type = asked.site.inverter_types[key]
    if hasattr(inverter_type, name):
        return Found(value=float(getattr(inverter_type, name)), key=dotted)
    return Found(value=asked.number(dotted), key=dotted)


def _of_plane(asked: _Asked, name: str) -> Found:
    plane = asked.subject.plane
    if plane is None:
        return Found(value=None)
    if name == "rows and columns":
        return Found(value=float(plane.rows * plane.columns))
    held = getattr(plane, name, None)
    value = None if held is None else float(held)
    return Found(value=value, key=f"{plane.key}.{name}" if plane.key else "")


def _of_strings(asked: _Asked, attribute: str, key: str) -> Found:
    strings = asked.subject.strings
    if strings is None:
        return Found(value=None)
    value = float(getattr(strings, attribute))
    block = strings.block
    # Only what the block says itself is a key: an input that is not full has fewer strings.
    said = None if block is None else getattr(asked.site.design.blocks[block], key)
    return Found(value=value, key=f"layout.block.{block}.{key}" if said == value else "")


def _modules(asked: _Asked) -> Found | None:
    if asked.subject.strings is None:
        return None
    return _of_strings(asked, "modules", "modules_per_string")


def _rear(asked: _Asked) -> Found | None:
    key = asked.subject.module_type
    told = asked.number("design.rear_irradiance_ratio")
    one_sided = key is not None and asked.site.module_types[key].bifaciality_ratio == 0.0
    return Found(value=0.0) if told is None and one_sided else None


def _max_cell_temp(asked: _Asked) -> Found | None:
    key = asked.subject.module_type
    if asked.number("design.max_cell_temp_c") is not None or key is None:
        return None
    nominal = cell_temp_from_nominal(
        asked.site.design_max_air_temp_c, nmot_c=asked.site.module_types[key].nmot_c
    )
    return Found(value=float(nominal))


def _route(asked: _Asked) -> Found | None:
    if asked.number("design.dc_route_length_m") is not None:
        return None
    return Found(value=asked.longest_route_m)


def _installation(asked: _Asked) -> Found:
    word = asked.word("design.installation")
    if word is None:
        return Found(value=None)
    return Found(value=installation_constant(cast("Installation", word)))


def _place_in(asked: _Asked, key: str, words: tuple[str, ...]) -> Found:
    word = asked.word(key)
    return Found(value=float(words.index(word)) if word in words else None)


def _without_box(asked: _Asked) -> bool:
    return asked.subject.strings is not None and asked.subject.strings.strings_in_box == 0


def _string_length(asked: _Asked) -> Found | None:
    strings = asked.subject.strings
    if asked.number("cables.string.length_m") is not None or strings is None:
        return None
    return Found(value=strings.lengths.get("string_length_m"))


def _array_length(asked: _Asked) -> Found | None:
    if _without_box(asked):
        return Found(value=0.0)
    strings = asked.subject.strings
    if asked.number("cables.array.length_m") is not None or strings is None:
        return None
    return Found(value=strings.lengths.get("array_length_m"))


def _array_area(asked: _Asked) -> Found | None:
    # Without a combiner box its length is 0, so that any size will do.
    return Found(value=asked.number("cables.string.area_mm2")) if _without_box(asked) else None


def _array_material(asked: _Asked) -> Found:
    if _without_box(asked):
        return Found(value=0.0)
    return _place_in(asked, "cables.array.material", MATERIALS)


def _array_device(asked: _Asked) -> Found | None:
    told = asked.number("design.array_device_a")
    return Found(value=0.0) if told is None and _without_box(asked) else None


def _percent(asked: _Asked, key: str) -> Found:
    ratio = asked.number(key)
    return Found(value=None if ratio is None else 100.0 * ratio)


def _hours(asked: _Asked, which: int) -> Found:
    """Give the hours of the plane with the greatest loss for its energy."""
    strings = asked.subject.strings
    if asked.weather is None or strings is None:
        return Found(value=None)
    held = [
        asked.weather.hours_by_plane[plane]
        for plane in strings.planes
        if plane in asked.weather.hours_by_plane
    ]
    held = [one for one in held if one[1] > 0.0]
    return Found(value=max(held, key=lambda one: one[0] / one[1])[which] if held else None)


def _terrain(asked: _Asked, attribute: str) -> Found:
    word = asked.word("loads.terrain_category")
    return Found(value=None if word is None else getattr(terrain_category(word), attribute))


def _exposure(asked: _Asked, attribute: str) -> Found:
    word = asked.word("loads.exposure_category")
    return Found(value=None if word is None else getattr(exposure_category(word), attribute))


def _snow_with_wind(asked: _Asked) -> Found | None:
    told = asked.number("loads.snow_with_wind_ratio")
    return (
        Found(value=float(snow_with_wind_ratio(asked.site.elevation_m))) if told is None else None
    )


def _snow_thermal(asked: _Asked) -> Found | None:
    told = asked.number("loads.snow_thermal_ratio")
    return Found(value=_SNOW_THERMAL[asked.practice]) if told is None else None


def _side(asked: _Asked) -> Found:
    """Give the longest side of the module that lies across a gap."""
    plane = asked.subject.plane
    if plane is None:
        return Found(value=None)
    module_type = asked.site.module_types[plane.module_type]
    # Gaps lie between columns, and between rows where there are several.
    across_columns = plane.columns > 1 and plane.upright is not True
    across_rows = plane.rows > 1 and plane.upright is not False
    name = "length_mm" if across_columns or across_rows else "width_mm"
    return Found(
        value=float(getattr(module_type, name)), key=f"module_types.{plane.module_type}.{name}"
    )


def _slope(asked: _Asked) -> Found:
    return Found(value=None if asked.subject.plane is None else asked.subject.plane.slope_length_m)


def _profile(asked: _Asked) -> Found:
    window = asked.number("spacing.free_window_min")
    plane = asked.subject.plane
    if window is None or plane is None:
        return Found(value=None)
    return Found(
        value=_winter_profile(
            asked.site.latitude_deg,
            asked.site.longitude_deg,
            azimuth_deg=plane.azimuth_deg,
            tilt_deg=plane.tilt_deg,
            window_min=window,
        )
    )


@functools.lru_cache(maxsize=4096)
def _winter_profile(
    latitude_deg: float,
    longitude_deg: float,
    *,
    azimuth_deg: float,
    tilt_deg: float,
    window_min: float,
) -> float:
    return winter_profile_angle(
        year=_YEAR,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        azimuth_deg=azimuth_deg,
        tilt_deg=tilt_deg,
        window_min=window_min,
    )


def _shade(asked: _Asked) -> Found:
    if asked.weather is None or asked.subject.plane is None:
        return Found(value=None)
    return Found(value=asked.weather.shade_by_plane.get(asked.subject.plane.name))


def _clamping(asked: _Asked) -> ModuleClamping | None:
    """Give the clamping that is built: the one that is named, or the only one."""
    key = asked.subject.module_type
    clampings = asked.site.design.clampings.get(key or "", ())
    name = asked.word("mounting.clamping")
    named = [one for one in clampings if name is None or one.name == name]
    return named[0] if len(named) == 1 else None


def _of_clamping(asked: _Asked, name: str) -> float | None:
    clamping = _clamping(asked)
    return None if clamping is None else float(getattr(clamping, name))


_WORKED: Final = {
    "modules": _modules,
    "strings": lambda asked: _of_strings(asked, "strings", "strings_per_input"),
    "strings_in_box": lambda asked: _of_strings(
        asked, "strings_in_box", "strings_per_combiner_box"
    ),
    "rear_irradiance_ratio": _rear,
    "max_cell_temp_c": _max_cell_temp,
    "dc_route_length_m": _route,
    "installation_constant": _installation,
    "string_material": lambda asked: _place_in(asked, "cables.string.material", MATERIALS),
    "string_laying": lambda asked: _place_in(asked, "cables.string.laying", LAYINGS),
    "array_laying": lambda asked: _place_in(asked, "cables.array.laying", LAYINGS),
    "array_material": _array_material,
    "array_area_mm2": _array_area,
    "string_length_m": _string_length,
    "array_length_m": _array_length,
    "array_device_a": _array_device,
    "drop_limit_percent": lambda asked: _percent(asked, "cables.drop_limit_ratio"),
    "loss_limit_percent": lambda asked: _percent(asked, "cables.loss_limit_ratio"),
    "loss_equivalent_h": lambda asked: _hours(asked, 0),
    "charge_equivalent_h": lambda asked: _hours(asked, 1),
    "roughness_length_m": lambda asked: _terrain(asked, "roughness_length_m"),
    "least_height_m": lambda asked: _terrain(asked, "least_height_m"),
    "power_exponent_ratio": lambda asked: _exposure(asked, "power_exponent_ratio"),
    "gradient_height_m": lambda asked: _exposure(asked, "gradient_height_m"),
    "snow_with_wind_ratio": _snow_with_wind,
    "snow_thermal_ratio": _snow_thermal,
    "side_mm": _side,
    "slope_length_m": _slope,
    "profile_deg": _profile,
    "shade_loss_ratio": _shade,
}
"""Inputs that are worked out, by name; None where the described value counts."""

WORKED_INPUTS: Final[Mapping[str, object]] = _WORKED
"""Names of inputs that may be worked out instead of described."""
