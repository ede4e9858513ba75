"""Checks before steel goes up."""

from arraywright.design.check import (
    CheckedDesign,
    DesignCheck,
    Input,
    Practice,
    check_design,
    evaluate_check,
)

__all__ = [
    "CheckedDesign",
    "DesignCheck",
    "Input",
    "Practice",
    "check_design",
    "evaluate_check",
]
