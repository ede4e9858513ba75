"""A site folder's description: site.toml and its tables, read into a site and findings."""

from __future__ import annotations

import hashlib
import re
import tomllib
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from arraywright.errors import InputFileError
from arraywright.findings import Finding, Place, Verdict
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.module_type import ModuleType
from arraywright.plant.site import Commissioning, Site, SpareWish
from arraywright.readers.site_allocation import read_coefficients
from arraywright.readers.site_building import read_building, read_yard
from arraywright.readers.site_design import DesignParts, DesignReader, asks_for_design
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_layout import LayoutReader, described_types, unknown_type
from arraywright.readers.site_settings import with_settings
from arraywright.readers.site_types import read_inverter_type, read_module_type
from arraywright.readers.site_values import Description, Values, nearest, shown
from arraywright.readers.site_waivers import read_waivers
from arraywright.readers.toml_lines import TomlLines

__all__ = ["SITE_FILE", "SiteReading", "read_site", "require_site"]

SITE_FILE: Final = "site.toml"
"""Name of the description in a site folder."""
_SIZE_MAX: Final = 16_000_000
_TOML_PLACE: Final = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_ZONE_OFFSET_H: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReading:
    """What came of reading a site folder's description.

    Attributes:
        site: the site; None exactly when a finding fails.
        findings: every mistake, everything to be looked at, and every default applied, from the
            top of ``site.toml`` down; what concerns other files comes behind.
        inputs: name and SHA-256 of each file read.
    """

    site: Site | None
    findings: tuple[Finding, ...]
    inputs: tuple[tuple[str, str], ...]


def read_site(folder: Path, *, settings: Mapping[str, object] | None = None) -> SiteReading:
    """Read ``site.toml`` of a site folder and the tables it names.

    Everything that is wrong in the description is a finding with file, line, key, what was found,
    what is required and the remedy, all at once. A site that is given has passed every check of
    ``plant.check_site``; its strings are in building order.

    Args:
        folder: the site folder.
        settings: values that stand in place of the description's, by dotted key, for example
            ``design.practice`` or ``layout.block.0.tilt_deg``; see ``with_settings``.

    Raises:
        InputFileError: there is no such folder or ``site.toml``, it cannot be read as a text, or
            a setting names a key that no description can have.
    """
    raw = _bytes_of(folder)
    inputs = ((SITE_FILE, hashlib.sha256(raw).hexdigest()),)
    text = _text_of(raw)
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        return SiteReading(site=None, findings=(_syntax_finding(text, error),), inputs=inputs)
    if settings:
        data = with_settings(data, settings)
    reader = _SiteReader(folder, data, Description(SITE_FILE, TomlLines(text)))
    site = reader.read()
    return SiteReading(
        site=site,
        findings=tuple(sorted(reader.description.findings, key=_from_top_down)),
        inputs=(*inputs, *reader.inputs),
    )


def _from_top_down(finding: Finding) -> tuple[int, int]:
    """Order findings as a person goes through the file; those about other files come behind."""
    place = finding.place
    if place is None or place.file != SITE_FILE:
        return (2, 0)
    return (0, place.row) if place.row else (1, 0)


def require_site(folder: Path) -> None:
    """Refuse a folder that holds no site description; what stands in it is not looked at.

    Raises:
        InputFileError: there is no such folder or ``site.toml``, or it is no file to be read.
    """
    try:
        _check_file(folder, folder / SITE_FILE)
    except OSError as error:
        raise _not_readable(folder / SITE_FILE, error) from error


def _bytes_of(folder: Path) -> bytes:
    path = folder / SITE_FILE
    require_site(folder)
    try:
        return path.read_bytes()
    except OSError as error:
        raise _not_readable(path, error) from error


def _not_readable(path: Path, error: OSError) -> InputFileError:
    return InputFileError(
        "file-not-readable",
        f"{path} cannot be read: {error.strerror or error}.",
        "Check that the file is there and that you may read it.",
    )


def _check_file(folder: Path, path: Path) -> None:
    if not folder.exists():
        raise InputFileError(
            "site-folder-missing",
            f"There is no folder {folder}.",
            "Give the folder in which the site's site.toml lies.",
        )
    if not folder.is_dir():
        raise InputFileError(
            "site-folder-not-a-folder",
            f"{folder} is a file, required is a folder with {SITE_FILE} in it.",
            "Give the folder, not a file in it.",
        )
    if not path.exists():
        raise InputFileError(
            "site-file-missing",
            f"There is no {SITE_FILE} in {folder}.",
            f"Write the site's description into {path}; docs/site-folder.md lists its keys.",
        )
    if not path.is_file():
        raise InputFileError(
            "site-file-not-a-file",
            f"{path} is not a file.",
            f"Rename it and write the site's description into a file {SITE_FILE}.",
        )
    size = path.stat().st_size
    if size > _SIZE_MAX:
        raise InputFileError(
            "site-file-too-large",
            f"{path} has {size:,} bytes, at most {_SIZE_MAX:,} are read.",
            "Move long lists into CSV tables and name them under [layout].",
        )


def _text_of(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputFileError(
            "site-file-encoding",
            f"{SITE_FILE}, row {line}: the text is not UTF-8.",
            "Save the file with encoding UTF-8.",
        ) from error


def _syntax_finding(text: str, error: Exception) -> Finding:
    message = str(error) if isinstance(error, ValueError) else "nested too deeply"
    match = _TOML_PLACE.search(message)
    row = column = 0
    if match is not None:
        row = int(match.group(1) or text.count("\n") + 1)
        column = int(match.group(2) or 0)
        message = message[: match.start()]
    where = f"line {row}" + (f", column {column}" if column else "") if row else "the text"
    return Finding(
        check="site-syntax",
        subject_kind="description",
        subject=SITE_FILE,
        verdict=Verdict.FAIL,
        message=f"{SITE_FILE}, {where}: not TOML ({message}). Nothing behind it has been read.",
        remedy="Texts need quotation marks, numbers a decimal point; every key and every table "
        "heading stands once.",
        found=message,
        required="TOML",
        place=Place(file=SITE_FILE, row=row, column=str(column) if column else ""),
    )


class _SiteReader:
    """Reads one parsed description."""

    def __init__(self, folder: Path, data: Mapping[str, object], description: Description) -> None:
        self.folder = folder
        self.data = data
        self.description = description
        self.inputs: tuple[tuple[str, str], ...] = ()
        self.module_types: dict[str, ModuleType] = {}
        self.inverter_types: dict[str, InverterType] = {}
        self.parts = DesignParts()
        self.description.asks_for_design = asks_for_design(data)

    def read(self) -> Site | None:
        self.description.unknown_keys(self.data, (), SECTIONS[""].sections)
        place = self._place()
        self._types()
        spares = self._spares()
        waivers = read_waivers(self.description, self.data)
        commissioning = self._commissioning()
        building = read_building(self.description, self.data)
        yard = read_yard(self.description, self.data)
        allocation = read_coefficients(self.description, self.data)
        design_reader = DesignReader(self.description, self.data, parts=self.parts)
        design_reader.read(place)
        layout_reader = LayoutReader(
            self.description,
            self.data,
            module_types=self.module_types,
            inverter_types=self.inverter_types,
            folder=self.folder,
        )
        layout = layout_reader.read()
        self.inputs = tuple(layout_reader.inputs)
        failing = any(finding.verdict is Verdict.FAIL for finding in self.description.findings)
        if failing or layout is None or commissioning is None or not place.complete:
            return None
        if allocation is None:
            return None
        return Site(
            name=place.text("name"),
            latitude_deg=place.number("latitude_deg"),
            longitude_deg=place.number("longitude_deg"),
            elevation_m=place.number("elevation_m"),
            time_zone=place.text("time_zone"),
            design_min_air_temp_c=place.number("design_min_air_temp_c"),
            design_max_air_temp_c=place.number("design_max_air_temp_c"),
            design_temp_basis=place.text("design_temp_basis"),
            module_types=self.module_types,
            inverter_types=self.inverter_types,
            structures=layout.structures,
            positions=layout.positions,
            strings=layout.strings,
            spares=spares,
            waivers=waivers,
            commissioning=commissioning,
            design=design_reader.design_data(layout_reader.blocks),
            building=building,
            yard=yard,
            allocation=allocation,
        )

    def _table(self, name: str, *, required: bool) -> Mapping[str, object] | None:
        if name not in self.data:
            if required:
                self.description.report(
                    (name,),
                    "site-missing-section",
                    found="nothing",
                    required=f"a section [{name}]",
                    remedy="docs/site-folder.md lists the sections and their keys.",
                )
            return {}
        return self.description.table(self.data[name], (name,))

    def _place(self) -> Values:
        table = self._table("site", required=True)
        if not table and "site" not in self.data:
            return Values(path=("site",), complete=False)
        values = self.description.read(table or {}, SECTIONS["site"], ("site",))
        if values.has("design_min_air_temp_c", "design_max_air_temp_c"):
            least = values.number("design_min_air_temp_c")
            most = values.number("design_max_air_temp_c")
            if least >= most:
                self.description.report(
                    ("site", "design_min_air_temp_c"),
                    "site-order",
                    found=f"design_min_air_temp_c = {least:g} and design_max_air_temp_c = {most:g}",
                    required="design_min_air_temp_c below design_max_air_temp_c",
                    remedy="Check both against the source named in design_temp_basis.",
                )
        if values.has("time_zone"):
            self._check_zone(values)
        return values

    def _check_zone(self, values: Values) -> None:
        name = values.text("time_zone")
        known = zoneinfo.available_timezones()
        if name not in known:
            values.held.pop("time_zone")
            values.complete = False
            near = nearest(name, known)
            self.description.report(
                ("site", "time_zone"),
                "site-time-zone",
                found=shown(name),
                required="an IANA name of a time zone",
                remedy=f"Did you mean {near}?" if near else "Write it as area/city.",
            )
            return
        if not values.has("longitude_deg"):
            return
        zone = zoneinfo.ZoneInfo(name)
        offsets = [datetime(2025, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
        standard_h = min(offset.total_seconds() for offset in offsets if offset is not None) / 3600
        solar_h = values.number("longitude_deg") / 15.0
        if abs((standard_h - solar_h + 12.0) % 24.0 - 12.0) > _ZONE_OFFSET_H:
            self.description.report(
                ("site", "longitude_deg"),
                "site-longitude",
                verdict=Verdict.REVIEW,
                found=f"longitude {values.number('longitude_deg'):g} deg, where the sun runs "
                f"{solar_h:+.1f} h, in a zone of {standard_h:+.1f} h",
                required=f"usually less than {_ZONE_OFFSET_H:g} h apart",
                remedy="Check longitude_deg (east is positive) and time_zone.",
                basis="common-practice",
            )

    def _types(self) -> None:
        names: dict[str, str] = {}
        for key, data in (self._table("module_types", required=True) or {}).items():
            table = self._named_table("module_types", key, data)
            if table is None:
                continue
            module_type = read_module_type(self.description, table, key=key, parts=self.parts)
            if module_type is None:
                continue
            self.module_types[key] = module_type
            for name in (key, *module_type.names):
                other = names.setdefault(name.casefold(), key)
                if other != key:
                    self.description.report(
                        ("module_types", key, "names"),
                        "site-type-name",
                        found=f"{name}, which is also a name of {other}",
                        required="names that stand for one type",
                        remedy="Take the name out of one of the two.",
                    )
        for key, data in (self._table("inverter_types", required=True) or {}).items():
            table = self._named_table("inverter_types", key, data)
            inverter_type = table and read_inverter_type(
                self.description, table, key=key, parts=self.parts
            )
            if inverter_type:
                self.inverter_types[key] = inverter_type
        for name in ("module_types", "inverter_types"):
            if name in self.data and self.data[name] == {}:
                self.description.report(
                    (name,),
                    "site-missing-section",
                    found="nothing",
                    required="at least one type",
                    remedy=f"Describe it below a line [{name}.NAME] with a name of your own.",
                )

    def _named_table(self, name: str, key: str, data: object) -> Mapping[str, object] | None:
        if not key.strip() or not key.isprintable():
            self.description.report(
                (name, key),
                "site-type-key",
                found=shown(key),
                required="a name of printable signs",
                remedy="Give the type a short name.",
            )
        return self.description.table(data, (name, key))

    def _spares(self) -> tuple[SpareWish, ...]:
        if "spares" not in self.data:
            return ()
        wishes: list[SpareWish] = []
        for number, data in enumerate(
            self.description.tables(self.data["spares"], ("spares",)) or []
        ):
            path = ("spares", number)
            values = self.description.read(data, SECTIONS["spares[]"], path)
            self._check_spare(values)
            if values.complete:
                wishes.append(
                    SpareWish(
                        module_type=values.text("module_type"),
                        power_class_w=values.number("power_class_w")
                        if values.has("power_class_w")
                        else None,
                        current_class=values.text("current_class"),
                        modules=values.integer("modules"),
                    )
                )
        return tuple(wishes)

    def _check_spare(self, values: Values) -> None:
        if not values.has("module_type"):
            return
        key = values.text("module_type")
        if key not in described_types(self.data, "module_types"):
            unknown_type(
                self.description, values, "module_types", described_types(self.data, "module_types")
            )
            return
        module_type = self.module_types.get(key)
        if module_type is None:
            return
        if values.has("power_class_w"):
            power_w = values.number("power_class_w")
            if module_type.power_class(power_w) is None:
                classes = ", ".join(f"{entry.power_w:g}" for entry in module_type.power_classes)
                self.description.report(
                    (*values.path, "power_class_w"),
                    "site-spare-class",
                    found=f"{power_w:g} W",
                    required=f"a power class of {key}: {classes} W",
                    remedy="Choose one of these, or leave the key out for any class.",
                )
        current = values.text("current_class") if values.has("current_class") else ""
        names = [entry.name for entry in module_type.current_classes]
        if current and current not in names:
            self.description.report(
                (*values.path, "current_class"),
                "site-spare-class",
                found=current,
                required=f"a current class of {key}: {', '.join(names) or 'it has none'}",
                remedy="Choose one of these, or leave the key out for any class.",
            )

    def _commissioning(self) -> Commissioning | None:
        table = self._table("commissioning", required=False)
        if table is None:
            return None
        path = ("commissioning",)
        values = self.description.read(table, SECTIONS["commissioning"], path)
        if not values.complete:
            return None
        return Commissioning(
            irradiance_min_w_m2=values.number("irradiance_min_w_m2"),
            irradiance_change_ratio=values.number("irradiance_change_ratio"),
            tolerance_ratio=values.number("tolerance_ratio"),
            false_alarm_ratio=values.number("false_alarm_ratio"),
            earth_continuity_max_ohm=values.number("earth_continuity_max_ohm"),
            cell_temp_uncertainty_k=values.number("cell_temp_uncertainty_k"),
            neighbour_window_min=values.number("neighbour_window_min"),
            site_false_alarms=(
                values.number("site_false_alarms") if values.has("site_false_alarms") else None
            ),
        )
