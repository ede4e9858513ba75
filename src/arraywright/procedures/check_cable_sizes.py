"""Cable sizes of every string design: what the next size down and up would do and cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray
from arraywright.design import (
    LAYINGS,
    MATERIALS,
    Practice,
    equivalent_iec_mm2,
    equivalent_nec_size,
    evaluate_check,
    next_sizes_mm2,
    run_resistance_ohm,
    size_name,
    size_options,
)
from arraywright.errors import CallError
from arraywright.plant import Site
from arraywright.procedures.check_cable_lines import CableSize, CableSizes, YearlyDrop
from arraywright.procedures.design_cases import DesignCase, DesignCases
from arraywright.procedures.design_subjects import StringDesign
from arraywright.procedures.design_weather import middle_class, string_planes

__all__ = ["cable_sizes", "other_size_name"]

_ROLES: Final = ("string", "array")
_SAME_SIZE: Final = 0.01
_WEATHER: Final = "weather.files"
_PLACES: Final = "cables.destinations and cables.module_lead_m"
_DEVICE: Final = {"string": "string_fuse_a", "array": "array_device_a"}


def other_size_name(area_mm2: float, *, practice: Practice) -> str:
    """Give the least size of the other practice with at least this area; a dash beyond its list."""
    try:
        if practice is Practice.NEC:
            # The equivalence is asked by a name, and a size that is none is told in mm2 anyway.
            name = size_name(area_mm2, practice=practice)
            if name.endswith("mm2"):
                return name
            return f"{equivalent_iec_mm2(name.split()[0]):g} mm2"
        size = equivalent_nec_size(area_mm2)
    except CallError:
        return "–"
    return f"{size} kcmil" if len(size) == 3 and "/" not in size else f"{size} AWG"


def cable_sizes(site: Site, found: DesignCases, *, practice: Practice) -> CableSizes:
    """Compare the described cables of every string design with the next size down and up.

    Whether a size fits is asked of the very checks of the design, with that size in place of the
    described one, all power classes together. Energy is that of the middle power class, with the
    current in proportion to the light of each string's plane.

    Args:
        site: the site.
        found: its checks with cable runs and weather.
        practice: whose sizes and tables count.
    """
    lengths = _lengths(site, found)
    missing: dict[str, dict[str, None]] = {}
    sizes: list[CableSize] = []
    drops: list[YearlyDrop] = []
    strings: list[pl.DataFrame] = []
    for design in found.strings:
        cases = _cases_of(found, design)
        own = None if lengths is None else _of_design(lengths, design)
        if own is None:
            _miss(missing, _PLACES, "lengths, loss and cost of all cables")
        elif own["t2_h"].null_count():
            _miss(missing, _WEATHER, "loss and drop over a year")
        for role in _ROLES:
            if role == "string" or design.strings_in_box > 0:
                sizes += _Compared(
                    site=site, practice=practice, design=design, role=role, cases=cases, own=own
                ).sizes(missing)
        each = None if own is None else _strings(site, design, own, practice=practice)
        drops.append(_yearly_drop(site, design, cases=cases, each=each))
        strings += [] if each is None else [each]
    return CableSizes(
        sizes=tuple(sizes),
        drops=tuple(drops),
        strings=pl.concat(strings).drop("energy_kwh") if strings else None,
        missing={key: tuple(what) for key, what in missing.items()},
    )


def _miss(missing: dict[str, dict[str, None]], key: str, what: str) -> None:
    missing.setdefault(key, {})[what] = None


def _cases_of(found: DesignCases, design: StringDesign) -> list[DesignCase]:
    return [
        case
        for case in found.each
        if case.check.family == "cable"
        and (case.subject == design.name or case.subject.startswith(f"{design.name}, class "))
    ]


def _lengths(site: Site, found: DesignCases) -> pl.DataFrame | None:
    """Give each string's design, conductor and hours of the year; None without cable runs.

    ``string_m`` of its own cables and ``array_m`` of its box's, both poles, ``in_box`` strings in
    its box (0 without one), ``t2_h`` and ``t1_h`` of its plane (null without weather).
    """
    if found.runs is None:
        return None
    own = (
        found.runs.runs.filter(pl.col("role") != "array")
        .group_by("string")
        .agg(pl.col("length_m").sum().alias("string_m"))
    )
    boxes = (
        found.runs.runs.filter(pl.col("role") == "array")
        .group_by("from")
        .agg(pl.col("length_m").sum().alias("array_m"))
        .rename({"from": "combiner_box"})
    )
    hours = {} if found.weather is None else found.weather.hours_by_plane
    planes = pl.DataFrame(
        [(tilt, azimuth, t2, t1) for (tilt, azimuth), (t2, t1) in hours.items()],
        schema=dict.fromkeys(("tilt_deg", "azimuth_deg", "t2_h", "t1_h"), pl.Float64),
        orient="row",
    )
    boxed = pl.col("combiner_box").str.len_chars().fill_null(0) > 0
    return (
        site.strings.select(
            "string",
            "module_type",
            "modules",
            "inverter_type",
            "combiner_box",
            boxed.alias("boxed"),
            pl.when(boxed).then(pl.len().over("combiner_box")).otherwise(0).alias("in_box"),
        )
        .join(own, on="string", how="left", maintain_order="left")
        .join(boxes, on="combiner_box", how="left", maintain_order="left")
        .join(string_planes(site), on="string", how="left", maintain_order="left")
        .join(planes, on=["tilt_deg", "azimuth_deg"], how="left", maintain_order="left")
    )


def _of_design(lengths: pl.DataFrame, design: StringDesign) -> pl.DataFrame | None:
    """Give the strings of a design; None when the length of any is not known."""
    held = lengths.filter(
        (pl.col("module_type") == design.module_type)
        & (pl.col("modules") == design.modules)
        & (pl.col("inverter_type") == design.inverter_type)
        & (pl.col("boxed") == (design.strings_in_box > 0))
    )
    open_ = held["string_m"].null_count()
    if design.strings_in_box > 0:
        open_ += held["array_m"].null_count()
    return None if open_ or held.is_empty() else held


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What the checks of one kind say of several sizes, (sizes,) each; None when not assessable."""

    holds: BoolArray | None
    value: FloatArray | None
    limit: FloatArray | None


def _ask(
    cases: Sequence[DesignCase], key: str, *, replaced: Mapping[str, FloatArray]
) -> _Asked | None:
    """Ask a check, of all power classes, with other values; None when it is not asked at all."""
    asked = [case for case in cases if case.check.key == key]
    if not asked:
        return None
    outcomes = []
    for case in asked:
        held = {name: value for name, value in case.values.items() if value is not None}
        if len(held) < len(case.values):
            return _Asked(holds=None, value=None, limit=None)
        numbers = {name: np.asarray(value, dtype=np.float64) for name, value in held.items()}
        outcomes.append(evaluate_check(case.check, {**numbers, **replaced}))
    worst = [np.min(one.margin) for one in outcomes]
    margins = np.stack([np.broadcast_to(one.margin, _shape(replaced)) for one in outcomes])
    if not np.all(np.isfinite(margins)):
        return _Asked(holds=None, value=None, limit=None)
    at = outcomes[int(np.argmin(worst))]
    return _Asked(
        holds=np.all(margins >= 0.0, axis=0),
        value=np.broadcast_to(at.value, _shape(replaced)),
        limit=np.broadcast_to(at.limit, _shape(replaced)),
    )


def _shape(replaced: Mapping[str, FloatArray]) -> tuple[int, ...]:
    return np.broadcast_shapes(*(np.shape(value) for value in replaced.values()), (1,))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    site: Site
    practice: Practice
    design: StringDesign
    role: str
    cases: Sequence[DesignCase]
    own: pl.DataFrame | None

    def _number(self, name: str) -> float | None:
        return self.site.design.number(f"cables.{self.role}.{name}")

    def sizes(self, missing: dict[str, dict[str, None]]) -> list[CableSize]:
        """Give the described size with its neighbours; nothing when no size is described."""
        area = self._number("area_mm2")
        if area is None:
            _miss(missing, f"cables.{self.role}.area_mm2", "the size to compare with")
            return []
        down, up = next_sizes_mm2(area, practice=self.practice)
        areas = [one for one in (down, area, up) if one is not None]
        replaced = {f"{self.role}_area_mm2": np.array(areas)}
        ampacity = _ask(self.cases, f"{self.role}-cable-ampacity", replaced=replaced)
        continuous = _ask(self.cases, f"{self.role}-cable-continuous", replaced=replaced)
        drop = _ask(self.cases, "dc-voltage-drop", replaced=replaced)
        yearly = _ask(self.cases, "dc-cable-loss", replaced=replaced)
        carried = [one for one in (ampacity, continuous) if one is not None]
        protection = self._protection(ampacity, replaced)
        money = self._money(area, missing)
        own_loss = money.filter(pl.col("area_mm2") == area)["loss_kwh"][0]
        conductor_m = self._conductor_m()
        worth = self.site.design.number("cables.energy_price")
        if worth is None:
            _miss(missing, "cables.energy_price", "worth of the energy and years to pay back")
        rows = []
        for at, one in enumerate(areas):
            held = money.row(by_predicate=pl.col("area_mm2") == one, named=True)
            loss, difference = held["loss_kwh"], held["cost_difference"]
            saved = None if loss is None or own_loss is None else own_loss - loss
            value = None if saved is None or worth is None else saved * worth
            rows.append(
                CableSize(
                    role=self.role,
                    of=self.design.name,
                    size=size_name(one, practice=self.practice),
                    other=other_size_name(one, practice=self.practice),
                    area_mm2=one,
                    chosen=one == area,
                    carries_a=_at(ampacity, "value", at),
                    must_carry_a=_at(ampacity, "limit", at),
                    ampacity_fits=_all([_holds(each, at) for each in carried]),
                    protection_fits=protection[at],
                    drop_percent=_at(drop, "value", at),
                    drop_fits=_holds(drop, at),
                    yearly_drop_percent=_at(yearly, "value", at),
                    conductor_m=conductor_m,
                    loss_kwh=loss,
                    cost=held["cost"],
                    cost_difference=difference,
                    saved_kwh=saved,
                    saved_value=value,
                    payback_years=None if one == area else _payback_years(difference, value),
                )
            )
        return rows

    def _protection(
        self, ampacity: _Asked | None, replaced: Mapping[str, FloatArray]
    ) -> list[bool | None]:
        """Tell of each size whether the device protects it; None where none is fitted."""
        count = _shape(replaced)[0]
        asked = _ask(self.cases, f"{self.role}-cable-protection", replaced=replaced)
        if asked is not None:
            return [_holds(asked, at) for at in range(count)]
        device = self.site.design.number(f"design.{_DEVICE[self.role]}")
        if not device or ampacity is None or ampacity.value is None:
            return [None] * count
        return [bool(carried >= device) for carried in ampacity.value]

    def _conductor_m(self) -> float | None:
        if self.own is None:
            return None
        if self.role == "string":
            return float(self.own["string_m"].sum())
        return float(self.own.unique("combiner_box")["array_m"].sum())

    def _equivalent_h(self) -> float | None:
        """Give hours at Imp of one string with the year's loss in a mean metre of the role."""
        if self.own is None or self.own["t2_h"].null_count():
            return None
        if self.role == "string":
            metres, squares = pl.col("string_m"), pl.lit(1.0)
            frame = self.own
        else:
            frame = self.own.group_by("combiner_box").agg(
                pl.col("array_m").first(), pl.col("in_box").first(), pl.col("t2_h").mean()
            )
            metres, squares = pl.col("array_m"), pl.col("in_box").cast(pl.Float64) ** 2
        held = frame.select(
            (metres * squares * pl.col("t2_h")).sum().alias("loss"), metres.sum().alias("metres")
        ).row(0)
        return float(held[0] / held[1]) if held[1] > 0.0 else 0.0

    def _money(self, area_mm2: float, missing: dict[str, dict[str, None]]) -> pl.DataFrame:
        """Give loss and cost of the sizes, null where the description leaves them open."""
        design = self.site.design
        material = design.word(f"cables.{self.role}.material") or MATERIALS[0]
        laying = design.word(f"cables.{self.role}.laying") or LAYINGS[0]
        held = middle_class(self.site.module_types[self.design.module_type])
        hours, metres = self._equivalent_h(), self._conductor_m()
        ambient = self._number("ambient_temp_c")
        prices = {one.area_mm2: one.metre_price for one in design.prices if not one.material} | {
            one.area_mm2: one.metre_price for one in design.prices if one.material == material
        }
        frame = size_options(
            area_mm2,
            practice=self.practice,
            laying=LAYINGS.index(laying),
            material=MATERIALS.index(material),
            ambient_temp_c=np.nan if ambient is None else ambient,
            circuits=int(self._number("circuits") or 1),
            design_current_a=0.0,
            conductor_length_m=np.nan if metres is None else metres,
            rated_current_a=held.imp_a,
            rated_voltage_v=self.design.modules * held.vmp_v,
            conductor_temp_c=design.number("cables.conductor_temp_c") or 0.0,
            drop_limit_percent=100.0,
            loss_equivalent_h=np.nan if hours is None else hours,
            cost_per_m=prices,
        )
        for one, cost in frame.select("area_mm2", "cost").rows():
            if cost is None:
                name = size_name(one, practice=self.practice)
                _miss(missing, "cables.prices", f"price of {name} {material.replace('_', ' ')}")
        return frame.select(
            "area_mm2", pl.col("loss_kwh", "cost", "cost_difference").fill_nan(None)
        )


def _at(asked: _Asked | None, what: str, at: int) -> float | None:
    held = None if asked is None else getattr(asked, what)
    return None if held is None else float(held[at])


def _holds(asked: _Asked | None, at: int) -> bool | None:
    return None if asked is None or asked.holds is None else bool(asked.holds[at])


def _all(held: Sequence[bool | None]) -> bool | None:
    if any(one is False for one in held):
        return False
    return None if not held or any(one is None for one in held) else True


def _payback_years(difference: float | None, value: float | None) -> float | None:
    """Give years in which yearly worth makes up for a price, either way round."""
    if difference is None or value is None or value == 0.0:
        return None
    dearer, better = difference > 0.0, value > 0.0
    if dearer == better:
        return difference / value
    # Better and no dearer pays at once; worse and no cheaper never does.
    return 0.0 if better else None


def _strings(
    site: Site, design: StringDesign, own: pl.DataFrame, *, practice: Practice
) -> pl.DataFrame | None:
    """Give drop and loss of every string of a design; None when a size is not described.

    The loss of a box's cable is shared by its strings: n strings have n r Imp^2 each.
    """
    ohm = _ohm_per_m(site, practice, boxed=design.strings_in_box > 0)
    if ohm is None:
        return None
    held = middle_class(site.module_types[design.module_type])
    resistance = pl.col("string_m") * ohm["string"]
    if design.strings_in_box > 0:
        resistance += pl.col("in_box") * pl.col("array_m") * ohm["array"]
    voltage = design.modules * held.vmp_v
    drop = 100.0 * resistance * held.imp_a / voltage
    year = pl.when(pl.col("t1_h") > 0.0).then(drop * pl.col("t2_h") / pl.col("t1_h"))
    return own.select(
        "string",
        pl.lit(design.name).alias("of"),
        pl.col("string_m").alias("conductor_m"),
        pl.col("array_m").fill_null(0.0).alias("box_conductor_m"),
        drop.alias("drop_percent"),
        year.alias("yearly_drop_percent"),
        (resistance * pl.col("t2_h") * held.imp_a**2 / 1000.0).alias("loss_kwh"),
        (pl.col("t1_h") * held.imp_a * voltage / 1000.0).alias("energy_kwh"),
    )


def _yearly_drop(
    site: Site, design: StringDesign, *, cases: Sequence[DesignCase], each: pl.DataFrame | None
) -> YearlyDrop:
    as_is = {"modules": np.array([float(design.modules)])}
    drop = _ask(cases, "dc-voltage-drop", replaced=as_is)
    yearly = _ask(cases, "dc-cable-loss", replaced=as_is)
    mean = mean_year = loss = None
    if each is not None:
        mean = float(each["drop_percent"].to_numpy().mean())
        energy = float(each["energy_kwh"].fill_null(0.0).to_numpy().sum())
        if not each["loss_kwh"].null_count() and energy > 0.0:
            loss = float(each["loss_kwh"].to_numpy().sum())
            mean_year = 100.0 * loss / energy
    worth = site.design.number("cables.energy_price")
    strings = site.strings.filter(
        (pl.col("module_type") == design.module_type)
        & (pl.col("modules") == design.modules)
        & (pl.col("inverter_type") == design.inverter_type)
        & ((pl.col("combiner_box").str.len_chars().fill_null(0) > 0) == (design.strings_in_box > 0))
    )
    return YearlyDrop(
        of=design.name,
        strings=strings.height,
        greatest_percent=_at(drop, "value", 0),
        greatest_year_percent=_at(yearly, "value", 0),
        mean_percent=mean,
        mean_year_percent=mean_year,
        loss_kwh=loss,
        loss_value=None if loss is None or worth is None else loss * worth,
    )


def _ohm_per_m(site: Site, practice: Practice, *, boxed: bool) -> dict[str, float] | None:
    """Give resistance of a metre of each role in operation; None when a size is not described."""
    temp = site.design.number("cables.conductor_temp_c")
    found = {}
    for role in _ROLES if boxed else _ROLES[:1]:
        area = site.design.number(f"cables.{role}.area_mm2")
        material = site.design.word(f"cables.{role}.material")
        if area is None or material is None or temp is None:
            return None
        found[role] = float(
            run_resistance_ohm(
                area,
                conductor_length_m=1.0,
                conductor_temp_c=temp,
                practice=practice,
                material=MATERIALS.index(material),
            )
        )
    return found
