"""A small invented site on its way from delivery to test, and reading PDF files."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pypdf import PdfReader

from arraywright.procedures.allocate import allocate
from arraywright.procedures.commission import commission
from arraywright.procedures.hand_over import hand_over
from arraywright.procedures.report import NO_PROGRESS, Report
from tests.procedures.making import Truck, make_site, receive_files

__all__ = [
    "PERSON",
    "TestedSite",
    "attachments_of",
    "dossier",
    "make_tested_site",
    "pages_of",
    "text_of",
]

PERSON = "Ida at the desk"
NOON = datetime(2026, 6, 15, 11, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestedSite:
    """A site folder with everything done but the dossier.

    Attributes:
        folder: the site folder.
        files: every file handed in.
        as_built: serial by string and place, as the as-built list says.
    """

    __test__ = False

    folder: Path
    files: tuple[Path, ...]
    as_built: dict[tuple[str, int], str]


def _write(path: Path, rows: Sequence[Sequence[object]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    return path


def _test_files(folder: Path) -> list[Path]:
    """Write instruments, readings of three of four strings (the third reversed), and a curve."""
    instruments = _write(
        folder / "instruments.csv",
        [
            [
                "Instrument",
                "Description",
                "Calibrated on",
                "Calibration due",
                "Voltage uncertainty [%]",
                "Current uncertainty [%]",
                "Irradiance uncertainty [%]",
                "Temperature uncertainty [K]",
                "Resistance uncertainty [%]",
            ],
            ["M-1", "string tester", "2026-01-10", "2027-01-10", 0.2, 0.5, "", "", 5],
            ["G-1", "reference cell", "2026-01-10", "2027-01-10", "", "", 1.5, "", ""],
            ["T-1", "thermometer", "2026-01-10", "2027-01-10", "", "", "", 0.8, ""],
        ],
    )
    moments = [NOON + timedelta(minutes=2 * place) for place in range(3)]
    readings = _write(
        folder / "readings.csv",
        [
            [
                "String",
                "Time",
                "Voc [V]",
                "Isc [A]",
                "Irradiance [W/m2]",
                "Module temperature [°C]",
                "Riso + [MΩ]",
                "Riso - [MΩ]",
                "Riso test voltage [V]",
                "Earth continuity [Ω]",
                "Meter",
                "Irradiance sensor",
                "Thermometer",
                "Insulation tester",
            ],
            *(
                [
                    f"R-S{place + 1:02d}",
                    moment.isoformat(),
                    -396.0 if place == 2 else 396.0,
                    12.65,
                    900,
                    22.3,
                    150,
                    120,
                    500,
                    0.1,
                    "M-1",
                    "G-1",
                    "T-1",
                    "M-1",
                ]
                for place, moment in enumerate(moments)
            ),
        ],
    )
    voltages = [396.0 * step / 40 for step in range(41)]
    # A plain knee: what is checked is that the curve is shown, not what it gives.
    currents = [12.65 * (1.0 - (voltage / 396.0) ** 18) for voltage in voltages]
    curves = _write(
        folder / "curves.csv",
        [
            [
                "String",
                "Time",
                "Voltage (V)",
                "Current (A)",
                "Irradiance (W/m2)",
                "Module temperature (degC)",
                "Meter",
                "Irradiance sensor",
                "Thermometer",
            ],
            *(
                ["R-S01", NOON.isoformat(), f"{v:.2f}", f"{i:.4f}", 900, 22.3, "M-1", "G-1", "T-1"]
                for v, i in zip(voltages, currents, strict=True)
            ),
        ],
    )
    return [instruments, readings, curves]


def make_tested_site(folder: Path) -> TestedSite:
    """Receive, plan and test four strings of ten modules; the fourth has no reading."""
    site = make_site(folder)
    files = Truck(unseen=(5,)).files(folder / "files")
    receive_files(site, files)
    planned = NOON - timedelta(days=30)
    allocate(site, person=PERSON, now=lambda: planned, progress=NO_PROGRESS)
    with (site / "out" / "allocation.csv").open(encoding="utf-8", newline="") as file:
        as_built = {
            (row["string"], int(row["place_in_string"])): row["serial"]
            for row in csv.DictReader(file)
        }
    # Two modules changed places while they were mounted.
    one, other = ("R-S01", 3), ("R-S02", 7)
    as_built[one], as_built[other] = as_built[other], as_built[one]
    listed = _write(
        folder / "files" / "as-built.csv",
        [
            ["Serial number", "String", "Place in string"],
            *([serial, string, place] for (string, place), serial in as_built.items()),
        ],
    )
    tests = [listed, *_test_files(folder / "files")]
    commission(
        site,
        tests,
        person=PERSON,
        now=lambda: NOON + timedelta(days=1),
        progress=NO_PROGRESS,
    )
    return TestedSite(folder=site, files=(*files, *tests), as_built=as_built)


def dossier(site: Path, *, days: int = 2) -> Report:
    """Write the dossier, some days after the tests."""
    return hand_over(
        site, person=PERSON, now=lambda: NOON + timedelta(days=days), progress=NO_PROGRESS
    )


def pages_of(pdf: bytes) -> list[str]:
    """Give the text of every page, without the places where long words may break."""
    reader = PdfReader(io.BytesIO(pdf))
    return [page.extract_text().replace("\u200b", "") for page in reader.pages]


def text_of(pdf: bytes) -> str:
    """Give the whole text in one line, words parted by single spaces."""
    return " ".join(" ".join(pages_of(pdf)).split())


def attachments_of(pdf: bytes) -> dict[str, bytes]:
    """Give the files carried inside."""
    return {name: held[0] for name, held in PdfReader(io.BytesIO(pdf)).attachments.items() if held}
