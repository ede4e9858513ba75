"""Documents and plots."""

from arraywright.dossier.blocks import (
    Attachment,
    Caution,
    Document,
    Facts,
    Figure,
    FindingList,
    Heading,
    Paragraph,
    Sideways,
    Table,
)
from arraywright.dossier.curve_plots import CurvePanel, curves_plot
from arraywright.dossier.plots import (
    MapBox,
    PlanBar,
    deviation_plot,
    plans_plot,
    site_map_plot,
)
from arraywright.dossier.render import render_pdf

__all__ = [
    "Attachment",
    "Caution",
    "CurvePanel",
    "Document",
    "Facts",
    "Figure",
    "FindingList",
    "Heading",
    "MapBox",
    "Paragraph",
    "PlanBar",
    "Sideways",
    "Table",
    "curves_plot",
    "deviation_plot",
    "plans_plot",
    "render_pdf",
    "site_map_plot",
]
