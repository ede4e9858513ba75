"""Chapters of a handover dossier on what was built: site, deliveries, what sits where, the plan."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from arraywright.delivery import RULES
from arraywright.dossier.blocks import Block, Facts, Figure, FindingList, Heading, Paragraph, Table
from arraywright.dossier.handover_parts import PRINTED_ROWS, DeliveryPart, HandoverParts, PlanPart
from arraywright.dossier.picking import plans_table
from arraywright.dossier.plots import PlanBar, plans_plot
from arraywright.dossier.receiving import balance_table, pallets_table
from arraywright.dossier.words import class_text, local_time, number
from arraywright.findings import Finding, Verdict
from arraywright.plant import InverterType, ModuleType, Site

__all__ = ["delivery_blocks", "place_blocks", "plan_blocks", "site_blocks"]

_SENTENCES_SHOWN = 3


def _per_k(value: float) -> str:
    return f"{100.0 * value:+.3f} %/K"


def _module_type_blocks(held: ModuleType) -> list[Block]:
    classes = [
        (
            number(one.power_w, 0),
            number(one.voc_v, 2),
            number(one.isc_a, 2),
            number(one.vmp_v, 2),
            number(one.imp_a, 2),
        )
        for one in held.power_classes
    ]
    currents = ", ".join(
        f"{one.name} ({one.imp_min_a:g} to {one.imp_max_a:g} A)" for one in held.current_classes
    )
    facts = [
        ("Description", held.description or "–"),
        ("Cells in series; bypass diodes", f"{held.cells_in_series}; {held.bypass_substrings}"),
        (
            "Temperature coefficients",
            (
                f"Isc {_per_k(held.alpha_isc_per_k)}, Voc {_per_k(held.beta_voc_per_k)}, "
                f"Pmax {_per_k(held.gamma_pmax_per_k)}"
            ),
        ),
        (
            "Data sheet tolerances",
            (
                f"Voc ±{100 * held.voc_tolerance_ratio:g} %, "
                f"Isc ±{100 * held.isc_tolerance_ratio:g} %, "
                f"Pmax ±{100 * held.pmax_tolerance_ratio:g} %"
            ),
        ),
        (
            "Limits",
            (
                f"system voltage {held.max_system_voltage_v:g} V, "
                f"series fuse {held.series_fuse_a:g} A, "
                f"{held.operating_min_c:g} to {held.operating_max_c:g} °C"
            ),
        ),
        (
            "Size and mass",
            (
                f"{held.length_mm:g} x {held.width_mm:g} x {held.thickness_mm:g} mm, "
                f"{held.mass_kg:g} kg"
            ),
        ),
        ("Clamp bolts", f"{held.torque_min_nm:g} to {held.torque_max_nm:g} N·m"),
    ]
    if currents:
        facts.append(("Current classes (Imp)", currents))
    return [
        Heading(text=f"Module type {held.key}", level=2),
        Facts(pairs=tuple(facts)),
        Table(
            headings=("Power class [W]", "Voc [V]", "Isc [A]", "Vmp [V]", "Imp [A]"),
            rows=classes,
            align=("right",) * 5,
            widths=(1.2, 1, 1, 1, 1),
            caption="Power classes at standard test conditions.",
        ),
    ]


def _inverter_type_blocks(held: InverterType) -> list[Block]:
    return [
        Heading(text=f"Inverter type {held.key}", level=2),
        Facts(
            pairs=(
                ("Description", held.description or "–"),
                ("Rated AC power", f"{held.ac_power_w / 1000:g} kW"),
                (
                    "Voltage",
                    (
                        f"at most {held.max_voltage_v:g} V; MPPT window {held.mppt_min_v:g} to "
                        f"{held.mppt_max_v:g} V; starts at {held.start_voltage_v:g} V"
                    ),
                ),
                (
                    "MPPT inputs",
                    (
                        f"{held.mppt_inputs}, each up to {held.strings_per_input} strings, "
                        f"{held.input_max_current_a:g} A operating, "
                        f"{held.input_max_isc_a:g} A short circuit"
                    ),
                ),
            )
        ),
    ]


def _inverters_table(site: Site) -> Table:
    frame = site.strings.group_by("inverter", "inverter_type", maintain_order=True).agg(
        inputs=pl.col("mppt_input").n_unique(),
        boxes=pl.col("combiner_box").drop_nulls().n_unique(),
        strings=pl.len(),
        modules=pl.col("modules").sum(),
        longest=pl.col("modules").max(),
        shortest=pl.col("modules").min(),
    )
    more = frame.height - PRINTED_ROWS
    return Table(
        headings=(
            "Inverter",
            "Type",
            "MPPT inputs used",
            "Combiner boxes",
            "Strings",
            "Modules",
            "Modules in a string",
        ),
        rows=[
            (
                str(row["inverter"]),
                str(row["inverter_type"]),
                str(row["inputs"]),
                str(row["boxes"]),
                str(row["strings"]),
                str(row["modules"]),
                str(row["longest"])
                if row["longest"] == row["shortest"]
                else f"{row['shortest']} to {row['longest']}",
            )
            for row in frame.head(PRINTED_ROWS).iter_rows(named=True)
        ],
        align=("left", "left", *("right",) * 5),
        widths=(2, 2, 1.2, 1.2, 1, 1, 1.2),
        caption="Inverters with what is connected to them."
        + (f" {more} more are in serials-by-position.csv." if more > 0 else ""),
    )


def site_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter that describes the site."""
    site = parts.site
    modules = int(site.strings["modules"].sum())
    flashed = parts.placed["pmax_w"].cast(pl.Float64).sum() if parts.placed.height else None
    facts = [
        ("Site", site.name),
        (
            "Place",
            (
                f"{abs(site.latitude_deg):g}° {'north' if site.latitude_deg >= 0 else 'south'}, "
                f"{abs(site.longitude_deg):g}° {'east' if site.longitude_deg >= 0 else 'west'}, "
                f"{site.elevation_m:g} m above sea level"
            ),
        ),
        ("Time zone of all times", site.time_zone),
        (
            "Design air temperatures",
            (
                f"{site.design_min_air_temp_c:g} to {site.design_max_air_temp_c:g} °C "
                f"({site.design_temp_basis})"
            ),
        ),
        (
            "Extent",
            (
                f"{modules} modules in {site.strings.height} strings on "
                f"{site.structures.height} structures, "
                f"{site.strings['mppt_input'].n_unique()} MPPT inputs, "
                f"{site.strings['inverter'].n_unique()} inverters"
            ),
        ),
    ]
    if flashed:
        facts.append(
            (
                "Flashed power of the modules placed",
                f"{flashed / 1000:,.1f} kW at standard test conditions".replace(",", " "),
            )
        )
    defaults = [one for one in parts.description_findings if one.check == "site-default"]
    blocks: list[Block] = [
        Heading(text="The site"),
        Facts(pairs=tuple(facts)),
        _inverters_table(site),
    ]
    for module_type in site.module_types.values():
        blocks += _module_type_blocks(module_type)
    for inverter_type in site.inverter_types.values():
        blocks += _inverter_type_blocks(inverter_type)
    blocks.append(Heading(text="Values taken because the description says nothing", level=2))
    if defaults:
        blocks.append(
            Table(
                headings=("Value taken", "At"),
                rows=[(one.message, str(one.place or "site.toml")) for one in defaults],
                widths=(3, 1.4),
            )
        )
    else:
        blocks.append(Paragraph(text="None: the description gives every value."))
    return blocks


def _reason_words(reasons: Sequence[str]) -> str:
    said = [RULES[one].sentence if one in RULES else one.replace("-", " ") for one in reasons]
    text = "; ".join(said[:_SENTENCES_SHOWN])
    left = len(said) - _SENTENCES_SHOWN
    return f"{text}; and {left} more" if left > 0 else text


def delivery_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about what was delivered."""
    part = parts.delivery
    blocks: list[Block] = [Heading(text="Deliveries")]
    if part is None:
        return [*blocks, Paragraph(text="Nothing has been received into this record.")]
    pallets = part.pallets
    blocks += [
        Paragraph(
            text=f"State of {local_time(part.at, parts.site.time_zone)}. {pallets.height} pallets "
            "are named by a delivery note, a label scan or a flash list. Modules on pallets held "
            "or refused are in no plan."
        ),
        Heading(text="Order balance", level=2),
        balance_table(part.balance),
        Heading(text="Delivery notes", level=2),
        _notes_table(pallets),
        Heading(text="Pallets held or refused", level=2),
        *_open_pallets(part),
    ]
    if pallets.height <= PRINTED_ROWS:
        blocks += [Heading(text="All pallets", level=2), pallets_table(pallets)]
    else:
        blocks.append(
            Paragraph(text=f"All {pallets.height} pallets are in the attached file pallets.csv.")
        )
    return [*blocks, *(_lowered(block) for block in part.inspection)]


def _lowered(block: Block) -> Block:
    """Put a chapter's heading one level down."""
    if isinstance(block, Heading) and block.level == 1:
        return Heading(text=block.text, level=2)
    return block


def _notes_table(pallets: pl.DataFrame) -> Table:
    frame = (
        pallets.group_by("delivery_note", maintain_order=True)
        .agg(
            pl.len().alias("pallets"),
            *(
                (pl.col("verdict") == verdict).sum().alias(verdict)
                for verdict in ("accept", "hold", "refuse")
            ),
            pl.col("modules_note").sum(),
            pl.col("modules_usable").sum(),
        )
        .head(PRINTED_ROWS)
    )
    return Table(
        headings=(
            "Delivery note",
            "Pallets",
            "Accepted",
            "Held",
            "Refused",
            "Modules noted",
            "Modules usable",
        ),
        rows=[
            (
                str(row["delivery_note"] or "on no note"),
                *(
                    str(row[name])
                    for name in (
                        "pallets",
                        "accept",
                        "hold",
                        "refuse",
                        "modules_note",
                        "modules_usable",
                    )
                ),
            )
            for row in frame.iter_rows(named=True)
        ],
        align=("left", *("right",) * 6),
        widths=(2, 1, 1, 1, 1, 1.2, 1.2),
    )


def _open_pallets(part: DeliveryPart) -> list[Block]:
    frame = part.pallets.filter(pl.col("verdict") != "accept").sort(
        "verdict", "pallet", descending=[True, False]
    )
    if frame.is_empty():
        return [Paragraph(text="None: every pallet was accepted.")]
    blocks: list[Block] = []
    if frame.height > PRINTED_ROWS:
        blocks.append(Paragraph(text=f"{PRINTED_ROWS} of {frame.height}; all are in pallets.csv."))
    return [
        *blocks,
        Table(
            headings=("Pallet", "Delivery note", "Class", "Verdict", "Because it"),
            rows=[
                (
                    str(row["pallet"]),
                    str(row["delivery_note"] or "none"),
                    class_text(row["power_class_w"], row["current_class"]),
                    str(row["verdict"]),
                    _reason_words(row["reasons"]),
                )
                for row in frame.head(PRINTED_ROWS).iter_rows(named=True)
            ],
            widths=(1.9, 1.3, 1.2, 0.8, 3),
            verdict_column=3,
        ),
    ]


def place_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about which module sits where."""
    blocks: list[Block] = [Heading(text="What sits where")]
    placed = parts.placed
    if placed.is_empty():
        return [
            *blocks,
            Paragraph(
                text="It is not known which module sits where: the record holds neither an "
                "as-built list nor a plan."
            ),
        ]
    wanted = int(parts.site.strings["modules"].sum())
    known = placed.group_by("known_by", maintain_order=True).len().rows()
    blocks.append(
        Paragraph(
            text="Known by: "
            + ", ".join(f"{name} ({count} modules)" for name, count in known)
            + f"; the site has {wanted} places. "
            "A place known by the plan alone says where the module was meant to go, not where it "
            "was seen. Every serial with its place, pallet, class and flash values is in the "
            "attached file serials-by-position.csv."
        )
    )
    frame = _strings_with_modules(parts.site, placed)
    if frame.height > PRINTED_ROWS:
        blocks.append(
            Paragraph(
                text=f"The site has {frame.height} strings, more than {PRINTED_ROWS}; they are not "
                "printed one by one."
            )
        )
        return [*blocks, _classes_table(placed)]
    return [
        *blocks,
        Table(
            headings=("String", "MPPT input", "Combiner box", "Modules", "Class", "Pallets", "By"),
            rows=[
                (
                    str(row["string"]),
                    str(row["mppt_input"]),
                    str(row["combiner_box"] or "–"),
                    f"{row['count'] or 0} of {row['modules']}",
                    ", ".join(row["classes"] or []) or "unknown",
                    ", ".join(row["pallets"] or []) or "unknown",
                    ", ".join(row["known"] or []) or "–",
                )
                for row in frame.iter_rows(named=True)
            ],
            align=("left", "left", "left", "right", "left", "left", "left"),
            widths=(1.2, 1.4, 1.2, 1, 1.5, 3.4, 1.1),
        ),
    ]


def _class_words() -> pl.Expr:
    power = pl.col("power_class_w").cast(pl.Float64).cast(pl.String).str.strip_suffix(".0")
    return pl.format(
        "{} W {}", power.fill_null("?"), pl.col("current_class").fill_null("")
    ).str.strip_chars()


def _strings_with_modules(site: Site, placed: pl.DataFrame) -> pl.DataFrame:
    held = (
        placed.with_columns(_class=_class_words())
        .group_by("string")
        .agg(
            count=pl.len(),
            classes=pl.col("_class").unique(maintain_order=True),
            pallets=pl.col("pallet").drop_nulls().unique(maintain_order=True),
            known=pl.col("known_by").unique(maintain_order=True),
        )
    )
    return site.strings.select("string", "mppt_input", "combiner_box", "modules").join(
        held, on="string", how="left", maintain_order="left"
    )


def _classes_table(placed: pl.DataFrame) -> Table:
    frame = (
        placed.with_columns(_class=_class_words())
        .group_by("module_type", "_class", "known_by")
        .agg(modules=pl.len(), strings=pl.col("string").n_unique())
        .sort("module_type", "_class", "known_by", nulls_last=True)
        .head(PRINTED_ROWS)
    )
    return Table(
        headings=("Module type", "Class", "Known by", "Modules", "Strings"),
        rows=[
            (
                str(row["module_type"] or "unknown"),
                str(row["_class"]),
                str(row["known_by"]),
                str(row["modules"]),
                str(row["strings"]),
            )
            for row in frame.iter_rows(named=True)
        ],
        align=("left", "left", "left", "right", "right"),
    )


def plan_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about the allocation of modules to strings."""
    part = parts.plan
    blocks: list[Block] = [Heading(text="Allocation")]
    if part is None:
        return [*blocks, Paragraph(text="No allocation of modules to strings was planned.")]
    return [
        *blocks,
        Paragraph(text=f"Plan of {local_time(part.at, parts.site.time_zone)}. {part.sentence}"),
        plans_table(part.plans),
        Figure(
            svg=plans_plot(
                [
                    PlanBar(name=name, loss_percent=100.0 * ratio, pallet_openings=openings)
                    for name, _, ratio, openings in part.plans
                ]
            ),
            caption="Predicted mismatch loss at 1000 W/m2 and 25 °C, and pallet openings.",
        ),
        *_mismatch_blocks(part),
        *_plan_notes(part.findings),
    ]


def _mismatch_blocks(part: PlanPart) -> list[Block]:
    inputs = part.mismatch_inputs
    if inputs.is_empty():
        return []
    worst = inputs.sort("loss_ratio", descending=True).head(5)
    total, lost = inputs["sum_of_modules_w"].sum(), inputs["loss_w"].sum()
    return [
        Paragraph(
            text=f"Predicted mismatch of the plan at standard test conditions: {number(lost, 0)} W "
            f"of {number(total, 0)} W. {part.spares.height} modules are kept as spares. The MPPT "
            "inputs with the most mismatch:"
        ),
        Table(
            headings=("MPPT input", "Strings", "Modules", "Sum of modules [W]", "Loss [W]", "[%]"),
            rows=[
                (
                    str(row["mppt_input"]),
                    str(row["strings"]),
                    str(row["modules"]),
                    number(row["sum_of_modules_w"], 0),
                    number(row["loss_w"], 2),
                    f"{100.0 * row['loss_ratio']:.4f}",
                )
                for row in worst.iter_rows(named=True)
            ],
            align=("left", *("right",) * 5),
            widths=(2, 1, 1, 1.5, 1, 1),
        ),
    ]


def _plan_notes(findings: Sequence[Finding]) -> list[Block]:
    notes = tuple(one for one in findings if one.verdict is not Verdict.PASS)
    return [FindingList(findings=notes, none="Every string is planned.")]
