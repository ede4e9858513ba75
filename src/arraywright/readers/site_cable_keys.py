"""Keys a site description may have for cables, earthing and bonding, as data."""

from __future__ import annotations

from typing import Final

from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import (
    count_key,
    number_key,
    option_key,
    optional_key,
    text_key,
    usual_choice_key,
    usual_key,
    yes_no_key,
)

__all__ = [
    "CABLE_SECTIONS",
    "EARTHING_SECTION",
    "FRAME_BONDING_WORDS",
    "LAYING_WORDS",
    "MATERIAL_WORDS",
]

LAYING_WORDS: Final = ("free_air", "on_surface", "touching", "conduit", "wall", "buried")
"""Ways of laying a cable, in the order of ``design.LAYINGS``."""
MATERIAL_WORDS: Final = ("copper", "tinned_copper", "aluminium")
"""Materials of a conductor, in the order of ``design.MATERIALS``."""
FRAME_BONDING_WORDS: Final = ("conductor", "jumpers", "clamps")
"""Ways of bonding frames, as in ``design.FRAME_BONDINGS``."""


def _circuit(name: str, title: str, material: str) -> SiteSection:
    return SiteSection(
        path=f"cables.{name}",
        title=title,
        keys=(
            optional_key("area_mm2", "mm2", 0.5, 400.0, "cross-section of the conductor"),
            usual_choice_key("material", MATERIAL_WORDS, material, "material of the conductor"),
            usual_choice_key("laying", LAYING_WORDS, "touching", "how the cable is laid"),
            optional_key("ambient_temp_c", "degC", -40.0, 90.0, "air or ground around the cable"),
            usual_key("circuits", "", 1, 100, "circuits that lie together, itself included", 1),
            optional_key(
                "length_m",
                "m",
                0.0,
                20000.0,
                "conductor of the longest circuit, both poles; missing: from the layout",
            ),
        ),
    )


CABLE_SECTIONS: Final = (
    SiteSection(
        path="cables",
        title="cables of the d.c. and the a.c. side; may be missing",
        sections=("string", "array", "ac", "drums", "prices", "destinations"),
        keys=(
            usual_key(
                "conductor_temp_c", "degC", 0.0, 120.0, "conductor temperature in operation", 70.0
            ),
            number_key("insulation_temp_c", "degC", 75.0, 90.0, "rating of the insulation", 90.0),
            usual_key("terminal_temp_c", "degC", 60.0, 90.0, "rating of the terminals", 75.0),
            usual_key("drop_limit_ratio", "1", 0.001, 0.1, "greatest voltage drop", 0.03),
            usual_key("loss_limit_ratio", "1", 0.001, 0.1, "greatest yearly loss", 0.015),
            optional_key("module_lead_m", "m", 0.1, 5.0, "length of one lead of a module"),
            usual_key("slack_ratio", "1", 0.0, 0.5, "slack over the length on the plan", 0.05),
            usual_key(
                "end_allowance_m", "m", 0.0, 20.0, "for height and connection at each end", 1.0
            ),
            usual_key(
                "return_separation_m",
                "m",
                0.0,
                5.0,
                "distance of the return conductor from the modules' leads",
                0.3,
            ),
            optional_key(
                "energy_price",
                "",
                0.0,
                1e6,
                "what one kWh is worth, in the currency of `cables.prices`; for comparing sizes",
            ),
        ),
    ),
    _circuit("string", "cables of the strings", "tinned_copper"),
    _circuit("array", "cables from combiner boxes to inverters", "copper"),
    SiteSection(
        path="cables.ac",
        title="cables from an inverter to the grid",
        keys=(optional_key("area_mm2", "mm2", 1.0, 400.0, "cross-section of the line conductor"),),
    ),
    SiteSection(
        path="cables.drums[]",
        title="drums of cable that can be had",
        keys=(
            text_key("name", "name of the kind of drum"),
            number_key("length_m", "m", 1.0, 100_000.0, "cable on one drum"),
            SiteKey(
                name="available",
                kind="integer",
                optional=True,
                minimum=0,
                maximum=1_000_000,
                meaning="how many there are; missing: as many as are wanted",
            ),
            SiteKey(
                name="cost",
                optional=True,
                minimum=0.0,
                maximum=1e9,
                meaning="cost of one drum, in any currency",
            ),
        ),
    ),
    SiteSection(
        path="cables.prices[]",
        title="what a metre of cable costs, for comparing sizes; may be missing",
        keys=(
            number_key("area_mm2", "mm2", 0.5, 1000.0, "cross-section of the conductor"),
            option_key(
                "material", MATERIAL_WORDS, "material of the conductor; missing: for any material"
            ),
            number_key(
                "metre_price", "", 0.0, 1e6, "price of one metre of conductor, in any currency"
            ),
        ),
    ),
    SiteSection(
        path="cables.destinations[]",
        title="where inverters and combiner boxes stand",
        keys=(
            text_key("name", "name of the inverter or combiner box in the layout"),
            number_key("x_m", "m", -1e6, 1e6, "east of the site's origin"),
            number_key("y_m", "m", -1e6, 1e6, "north of the site's origin"),
        ),
    ),
)

EARTHING_SECTION: Final = SiteSection(
    path="earthing",
    title="earthing and bonding of frames and inverters; may be missing",
    keys=(
        optional_key("conductor_mm2", "mm2", 0.5, 400.0, "earthing conductor of the array"),
        yes_no_key("conductor_aluminium", "whether it is of aluminium", default=False),
        yes_no_key("conductor_protected", "whether it is protected from damage", default=False),
        yes_no_key("lightning_protection", "whether it belongs to lightning protection"),
        optional_key(
            "inverter_protective_mm2", "mm2", 0.5, 400.0, "protective conductor of an inverter"
        ),
        optional_key(
            "longest_path_m",
            "m",
            0.0,
            5000.0,
            "conductor from the furthest frame to the earth terminal",
        ),
        SiteKey(
            name="joints_in_path",
            kind="integer",
            optional=True,
            minimum=0,
            maximum=1000,
            meaning="joints on that path",
        ),
        usual_key("joint_ohm", "ohm", 0.0, 1.0, "resistance of one joint", 0.01),
        usual_key("bonds_per_module", "", 1, 4, "bonding points on each frame", 1),
        usual_key("connections_per_table", "", 1, 8, "earthing connections of each table", 1),
        option_key(
            "frame_bonding",
            FRAME_BONDING_WORDS,
            "how frames are bonded: `conductor` along every module row with each frame connected "
            "to it, `jumpers` from frame to frame, `clamps` with a bonding function to the rails",
        ),
        optional_key("jumper_m", "m", 0.02, 5.0, "length of one bonding jumper"),
        count_key("rails_per_row", "rails below each module row", default=2, maximum=8),
        optional_key(
            "main_conductor_m",
            "m",
            0.0,
            1e6,
            "earthing conductor outside the rows of tables, to the earth terminal and electrodes",
        ),
    ),
)
