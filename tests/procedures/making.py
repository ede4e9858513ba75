"""A small invented site folder and the files of its delivery, made to measure."""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from arraywright.findings import Finding, Verdict
from arraywright.procedures.receive import receive
from arraywright.procedures.report import NO_PROGRESS, Report

__all__ = [
    "MODULES",
    "PERSON",
    "Truck",
    "held_findings",
    "make_site",
    "output_digests",
    "receive_files",
    "record_entries",
    "sscc",
    "verdicts",
]

MODULES = 10
PERSON = "Ada at the gate"
_SITE = """\
[site]
name = "Reed bank"
latitude_deg = 47.3
longitude_deg = {longitude}
elevation_m = 620
time_zone = "{zone}"
design_min_air_temp_c = -18
design_max_air_temp_c = 36
design_temp_basis = "invented for a test"

[module_types.sedge]
description = "invented for a test"
names = ["SEDGE 440"]
cells_in_series = 54
bypass_substrings = 3
alpha_isc_per_k = "0.048 %/K"
beta_voc_per_k = "-0.25 %/K"
gamma_pmax_per_k = "-0.30 %/K"
nmot_c = 43
max_system_voltage_v = 1500
series_fuse_a = 25
length_mm = 1762
width_mm = 1134
thickness_mm = 30
mass_kg = 21.5
pallet_modules = 10
serial_pattern = "SG[0-9]{{8}}"

[[module_types.sedge.power_classes]]
power_w = 440
pmax_min_w = 440
pmax_max_w = 445
voc_v = 39.6
isc_a = 14.02
vmp_v = 33.2
imp_a = 13.26

[inverter_types.two]
description = "two MPPT inputs"
max_voltage_v = 1100
start_voltage_v = 120
mppt_min_v = 120
mppt_max_v = 1000
mppt_inputs = 4
input_max_current_a = 16
input_max_isc_a = 24
strings_per_input = 1
ac_power_w = 16000

[[layout.block]]
name = "R"
module_type = "sedge"
inverter_type = "two"
rows_of_tables = 1
tables_per_row = 2
columns = 10
rows = 2
pitch_m = 9.0
table_gap_m = 0.5
tilt_deg = 20
azimuth_deg = 180
modules_per_string = 10
string_pattern = "leapfrog"
strings_per_input = 1
inputs_per_inverter = 4
drop_point = "per_block"
"""


def make_site(
    folder: Path, *, zone: str = "Etc/GMT-1", longitude: float = 11.2, name: str = "site"
) -> Path:
    """Make a site folder of four strings of ten modules."""
    site = folder / name
    site.mkdir(parents=True)
    text = _SITE.format(zone=zone, longitude=longitude)
    (site / "site.toml").write_text(text, encoding="utf-8")
    return site


def sscc(number: int) -> str:
    """Give a valid SSCC of the GS1 prefix kept for examples."""
    body = f"39521234{number:09d}"
    total = sum(int(d) * (3 if place % 2 == 0 else 1) for place, d in enumerate(reversed(body)))
    return body + str(-total % 10)


def _write(path: Path, headings: Sequence[str], rows: Iterable[Sequence[object]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(headings)
        writer.writerows(rows)
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Truck:
    """What one truck brings.

    Attributes:
        pallets: running numbers of its pallets.
        note: number of its delivery note.
        flash_headings: headings of the flash list.
        counted: modules counted on a pallet where that is not ten.
        unseen: pallets nobody scanned.
        spoiled: pallets of which every module has Imp above Isc.
        delivered_on: day of delivery on the note, empty when it names none.
        due_on: day the order is due, empty when it names none.
    """

    pallets: tuple[int, ...] = (1, 2, 3, 4, 5)
    note: str = "DN-1"
    flash_headings: tuple[str, ...] = (
        "Serial No.",
        "Pallet ID",
        "Position in stack",
        "Type",
        "Power class (W)",
        "Pmax (W)",
        "Voc (V)",
        "Isc (A)",
        "Vmp (V)",
        "Imp (A)",
    )
    counted: dict[int, int] = field(default_factory=dict)
    unseen: tuple[int, ...] = ()
    spoiled: tuple[int, ...] = ()
    delivered_on: str = ""
    due_on: str = ""

    def order(self, folder: Path, *, modules: int | None = None) -> Path:
        """Write the order."""
        wanted = len(self.pallets) * MODULES if modules is None else modules
        return _write(
            folder / "order.csv",
            ["Order number", "Module type", "Power class [W]", "Modules", "Delivery due"],
            [["O-7", "SEDGE 440", 440, wanted, self.due_on]],
        )

    def delivery_note(self, folder: Path, *, name: str = "") -> Path:
        """Write the delivery note."""
        return _write(
            folder / (name or f"note-{self.note}.csv"),
            [
                "Delivery note",
                "Order number",
                "Pallet",
                "Module type",
                "Power class [W]",
                "Quantity",
                "Delivery date",
            ],
            [
                [self.note, "O-7", sscc(one), "SEDGE 440", 440, MODULES, self.delivered_on]
                for one in self.pallets
            ],
        )

    def scans(self, folder: Path, *, moment: str = "2026-05-04T07:{:02d}:00") -> Path:
        """Write the scans of the pallet labels, in local time."""
        return _write(
            folder / f"scans-{self.note}.csv",
            ["Pallet", "Scanned at", "Type on label", "Modules counted", "Condition"],
            [
                [sscc(one), moment.format(one), "SEDGE 440", self.counted.get(one, MODULES), "ok"]
                for one in self.pallets
                if one not in self.unseen
            ],
        )

    def flash(self, folder: Path, *, name: str = "") -> Path:
        """Write the flash list."""
        rows = []
        for pallet in self.pallets:
            for place in range(1, MODULES + 1):
                imp = 13.26 + 0.002 * place
                isc = imp - 0.4 if pallet in self.spoiled else imp + 0.76
                vmp = round(442.0 / imp, 3)
                rows.append(
                    [
                        f"SG{pallet:04d}{place:04d}",
                        sscc(pallet),
                        place,
                        "SEDGE 440",
                        440,
                        f"{vmp * imp:.2f}",
                        "39.600",
                        f"{isc:.3f}",
                        f"{vmp:.3f}",
                        f"{imp:.3f}",
                    ]
                )
        return _write(folder / (name or f"flash-{self.note}.csv"), self.flash_headings, rows)

    def files(self, folder: Path) -> list[Path]:
        """Write order, note, scans and flash list."""
        folder.mkdir(parents=True, exist_ok=True)
        return [
            self.order(folder),
            self.delivery_note(folder),
            self.scans(folder),
            self.flash(folder),
        ]


def receive_files(
    site: Path,
    files: Sequence[Path],
    *,
    mapping: Path | None = None,
    replaced: str | None = None,
    hour: int = 12,
) -> Report:
    """Receive files, at a known moment."""
    moment = datetime(2026, 5, 4, hour, tzinfo=UTC)
    return receive(
        site,
        files,
        mapping=mapping,
        replaced=replaced,
        person=PERSON,
        now=lambda: moment,
        progress=NO_PROGRESS,
    )


def held_findings(report: Report) -> list[Finding]:
    """Give what is no pass."""
    return [finding for finding in report.findings if finding.verdict is not Verdict.PASS]


def verdicts(report: Report) -> dict[str, str]:
    """Give the verdict of each pallet."""
    pallets = json.loads(json.dumps(report.result["pallets"], default=str))
    return {str(row["pallet"]): str(row["verdict"]) for row in pallets}


def record_entries(site: Path) -> set[tuple[str, str, str]]:
    """Give kind, subject and digest of the inputs (of a file: its own) of every entry."""
    with sqlite3.connect(site / "record.sqlite") as connection:
        rows = connection.execute("SELECT kind, subject, body FROM record_entries").fetchall()
    found = set()
    for kind, subject, body in rows:
        held = json.loads(body)
        key = (str(kind), str(subject), str(held.get("inputs_sha256") or held.get("sha256") or ""))
        assert key not in found or kind == "device_introduced", f"{key} stands twice"
        found.add(key)
    return {key for key in found if key[0] != "device_introduced"}


def output_digests(site: Path) -> dict[str, str]:
    """Give the SHA-256 of every file written for people."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((site / "out").iterdir())
    }
