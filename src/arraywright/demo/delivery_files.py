"""The files of the three deliveries, in the dialects people send them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
import xlsxwriter

from arraywright.demo.scenario import MODULES_PER_PALLET, Lot, Scenario

__all__ = ["write_delivery_files"]

FOREIGN_PALLET: Final = "395299990000000010"
"""Number of the pallet that was meant for somebody else."""


def _comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def _csv_text(
    preamble: Sequence[str], headings: Sequence[str], rows: Iterable[Sequence[str]], separator: str
) -> str:
    out = io.StringIO()
    for line in preamble:
        out.write(line + "\r\n")
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows(rows)
    return out.getvalue()


def _write_workbook(
    path: Path,
    *,
    sheet: str,
    title: str,
    preamble: Sequence[tuple[str, str]],
    headings: Sequence[str],
    rows: Iterable[Sequence[Any]],
) -> None:
    with xlsxwriter.Workbook(str(path), {"strings_to_numbers": False}) as book:
        book.set_properties({"created": datetime(2026, 5, 18, tzinfo=UTC).replace(tzinfo=None)})
        page = book.add_worksheet(sheet)
        bold = book.add_format({"bold": True})
        page.merge_range(0, 0, 0, len(headings) - 1, title, bold)
        for number, (name, value) in enumerate(preamble, start=1):
            page.write(number, 0, name)
            page.write(number, 1, value)
        first = len(preamble) + 2
        page.write_row(first, 0, headings, bold)
        for number, row in enumerate(rows, start=first + 1):
            page.write_row(number, 0, row)


def _with_doubles(modules: pl.DataFrame, scenario: Scenario) -> pl.DataFrame:
    """Give the flash rows with the two doubled serials put in."""
    for first, second in scenario.doubled_pallets:
        chosen = (pl.col("pallet_number") == second) & (pl.col("stack_position") == 9)
        original = modules.filter(
            (pl.col("pallet_number") == first) & (pl.col("stack_position") == 4)
        )["serial"].item()
        modules = modules.with_columns(
            serial=pl.when(chosen).then(pl.lit(original)).otherwise(pl.col("serial"))
        )
    return modules


def _flash_times(lot: Lot, count: int, zone: ZoneInfo) -> list[datetime]:
    start = datetime(
        lot.delivered_on.year, lot.delivered_on.month, lot.delivered_on.day, 6, tzinfo=zone
    ) - timedelta(days=41)
    return [start + timedelta(seconds=19 * number) for number in range(count)]


def _write_flash(folder: Path, scenario: Scenario, lot: Lot, rows: pl.DataFrame) -> Path:
    zone = ZoneInfo(scenario.time_zone)
    times = _flash_times(lot, rows.height, zone)
    records = rows.to_dicts()
    if lot.dialect == "english":
        path = folder / "flash-list-DN-90418.csv"
        text = _csv_text(
            [
                "Flash report",
                f"Customer order,{scenario.order_number}",
                f"Delivery note,{lot.note}",
                "Conditions,1000 W/m2 AM1.5 25 degC",
                "",
            ],
            [
                "Serial No.",
                "Pallet ID",
                "Position in stack",
                "Type",
                "Power class (W)",
                "Current class",
                "Pmax (W)",
                "Voc (V)",
                "Isc (A)",
                "Vmp (V)",
                "Imp (A)",
                "FF (%)",
                "Test time",
            ],
            (
                [
                    r["serial"],
                    r["pallet"],
                    str(r["stack_position"]),
                    scenario.type_name,
                    f"{r['power_class_w']:.0f}",
                    r["current_class"],
                    f"{r['pmax_w']:.2f}",
                    f"{r['voc_v']:.3f}",
                    f"{r['isc_a']:.3f}",
                    f"{r['vmp_v']:.3f}",
                    f"{r['imp_a']:.3f}",
                    f"{100 * r['pmax_w'] / (r['voc_v'] * r['isc_a']):.2f}",
                    t.isoformat(timespec="seconds"),
                ]
                for r, t in zip(records, times, strict=True)
            ),
            ",",
        )
        path.write_text(text, encoding="utf-8-sig", newline="")
    elif lot.dialect == "german":
        path = folder / "Flasherliste LS 2026-0577.csv"
        text = _csv_text(
            [
                "Prüfprotokoll Leistungsmessung",
                f"Auftrag: {scenario.order_number}",
                f"Lieferschein: {lot.note}",
                "",
            ],
            [
                "Seriennummer",
                "Palette",
                "Stapelplatz",
                "Typ",
                "Leistungsklasse [W]",
                "Stromklasse",
                "Pmpp [W]",
                "Uoc [V]",
                "Isc [A]",
                "Umpp [V]",
                "Impp [A]",
                "Füllfaktor [%]",
                "Messzeit",
            ],
            (
                [
                    r["serial"],
                    r["pallet"],
                    str(r["stack_position"]),
                    scenario.type_name,
                    f"{r['power_class_w']:.0f}",
                    r["current_class"],
                    _comma(r["pmax_w"], 2),
                    _comma(r["voc_v"], 3),
                    _comma(r["isc_a"], 3),
                    _comma(r["vmp_v"], 3),
                    _comma(r["imp_a"], 3),
                    _comma(100 * r["pmax_w"] / (r["voc_v"] * r["isc_a"]), 2),
                    t.strftime("%d.%m.%Y %H:%M:%S"),
                ]
                for r, t in zip(records, times, strict=True)
            ),
            ";",
        )
        path.write_bytes(text.encode("cp1252"))
    else:
        path = folder / "lista_flash_ALB-001263.xlsx"
        _write_workbook(
            path,
            sheet="Medidas",
            title="Informe de medidas de potencia",
            preamble=[("Pedido", scenario.order_number), ("Albarán", lot.note)],
            headings=[
                "N.º de serie",
                "Palé",
                "Posición en la pila",
                "Modelo",
                "Clase de potencia (kW)",
                "Clase de corriente",
                "Potencia máxima (W)",
                "Tensión de circuito abierto (V)",
                "Corriente de cortocircuito (mA)",
                "Tensión en Pmax (V)",
                "Corriente en Pmax (mA)",
                "Factor de forma (%)",
            ],
            rows=(
                [
                    r["serial"],
                    r["pallet"],
                    r["stack_position"],
                    scenario.type_name,
                    r["power_class_w"] / 1000.0,
                    r["current_class"],
                    r["pmax_w"],
                    r["voc_v"],
                    round(1000.0 * r["isc_a"]),
                    r["vmp_v"],
                    round(1000.0 * r["imp_a"]),
                    round(100 * r["pmax_w"] / (r["voc_v"] * r["isc_a"]), 2),
                ]
                for r in records
            ),
        )
    return path


def _write_note(folder: Path, scenario: Scenario, lot: Lot, pallets: Sequence[str]) -> Path:
    day = lot.delivered_on
    if lot.dialect == "english":
        path = folder / "delivery-note-DN-90418.csv"
        text = _csv_text(
            [
                f"Delivery note: {lot.note}",
                f"Order number: {scenario.order_number}",
                f"Delivery date: {day.isoformat()}",
                "",
            ],
            ["Pallet", "Module type", "Power class [W]", "Current class", "Quantity"],
            (
                [
                    pallet,
                    scenario.type_name,
                    f"{lot.power_class_w:.0f}",
                    lot.current_class,
                    str(MODULES_PER_PALLET),
                ]
                for pallet in pallets
            ),
            ",",
        )
        path.write_text(text, encoding="utf-8", newline="")
    elif lot.dialect == "german":
        path = folder / "Lieferschein LS 2026-0577.csv"
        text = _csv_text(
            [],
            [
                "Lieferschein-Nr.",
                "Bestellnummer",
                "Lieferdatum",
                "Paletten-Nr.",
                "Modultyp",
                "Leistungsklasse (Wp)",
                "Stromklasse",
                "Anzahl Module",
            ],
            (
                [
                    lot.note,
                    scenario.order_number,
                    day.strftime("%d.%m.%Y"),
                    pallet,
                    scenario.type_name,
                    f"{lot.power_class_w:.0f}",
                    lot.current_class,
                    str(MODULES_PER_PALLET),
                ]
                for pallet in pallets
            ),
            ";",
        )
        path.write_bytes(text.encode("utf-16"))
    else:
        path = folder / "albaran_ALB-001263.xlsx"
        _write_workbook(
            path,
            sheet="Albarán",
            title="Albarán de entrega",
            preamble=[
                ("Albarán", lot.note),
                ("Pedido", scenario.order_number),
                ("Fecha de entrega", day.strftime("%d/%m/%Y")),
            ],
            headings=["Palé", "Modelo", "Clase de potencia (W)", "Clase de corriente", "Módulos"],
            rows=(
                [
                    pallet,
                    scenario.type_name,
                    lot.power_class_w,
                    lot.current_class,
                    MODULES_PER_PALLET,
                ]
                for pallet in pallets
            ),
        )
    return path


def _write_order(folder: Path, scenario: Scenario) -> Path:
    path = folder / "order-PO-4471.csv"
    text = _csv_text(
        [],
        [
            "Order number",
            "Module type",
            "Power class [W]",
            "Current class",
            "Pallets",
            "Modules",
            "Delivery due",
        ],
        (
            [
                scenario.order_number,
                scenario.type_name,
                f"{lot.power_class_w:.0f}",
                lot.current_class,
                str(lot.pallets),
                str(lot.pallets * MODULES_PER_PALLET),
                lot.delivered_on.isoformat(),
            ]
            for lot in scenario.lots
        ),
        ",",
    )
    path.write_text(text, encoding="utf-8", newline="")
    return path


def _write_scans(folder: Path, scenario: Scenario, pallets: pl.DataFrame) -> Path:
    path = folder / "pallet-scans.csv"
    zone = ZoneInfo(scenario.time_zone)
    rows = []
    for number, lot_number, pallet in pallets.iter_rows():
        lot = scenario.lots[lot_number]
        day = lot.delivered_on
        moment = datetime(day.year, day.month, day.day, 7, 30, tzinfo=zone) + timedelta(
            minutes=2 * (number % 60)
        )
        count = MODULES_PER_PALLET - (number == scenario.short_pallet)
        rows.append(
            [
                f"(00){pallet}",
                moment.isoformat(timespec="seconds"),
                scenario.type_name,
                f"{lot.power_class_w:.0f}",
                lot.current_class,
                str(count),
                "ok",
                "yard crew 2" if lot_number % 2 else "yard crew 1",
            ]
        )
    day = scenario.lots[1].delivered_on
    rows.append(
        [
            f"(00){FOREIGN_PALLET}",
            datetime(day.year, day.month, day.day, 9, 50, tzinfo=zone).isoformat(),
            "PIPIT 108-430",
            "430",
            "",
            "31",
            "ok",
            "yard crew 2",
        ]
    )
    text = _csv_text(
        [],
        [
            "Pallet label",
            "Scanned at",
            "Type on label",
            "Power class on label (W)",
            "Current class on label",
            "Modules counted",
            "Condition",
            "Scanned by",
        ],
        rows,
        ",",
    )
    path.write_text(text, encoding="utf-8", newline="")
    return path


def write_delivery_files(folder: Path, scenario: Scenario, modules: pl.DataFrame) -> list[Path]:
    """Write order, delivery notes, pallet scans and flash lists; give their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    pallets = modules.select("pallet_number", "lot", "pallet").unique(maintain_order=True)
    paths = [_write_order(folder, scenario)]
    flashed = _with_doubles(modules, scenario)
    for number, lot in enumerate(scenario.lots):
        of_lot = pallets.filter(pl.col("lot") == number)["pallet"].to_list()
        paths.append(_write_note(folder, scenario, lot, of_lot))
        paths.append(_write_flash(folder, scenario, lot, flashed.filter(pl.col("lot") == number)))
    paths.append(_write_scans(folder, scenario, pallets))
    return paths
