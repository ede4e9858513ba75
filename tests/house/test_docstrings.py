"""Public functions say what they take and give, in units the house knows."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import pytest

import arraywright
from arraywright.sources import SOURCES
from arraywright.units import SUFFIXES

CALCULATING = ("plant", "physics", "design", "delivery", "allocation", "commissioning")
DIMENSIONLESS = {
    "confidence",
    "correlation",
    "coverage_factor",
    "degrees_of_freedom",
    "gauge",
    "quantile",
    "z",
}
UNITS = set(SUFFIXES.values())


def _modules() -> Iterator[ModuleType]:
    for info in pkgutil.walk_packages(arraywright.__path__, "arraywright."):
        if info.name.rsplit(".", 1)[-1] != "__main__":
            yield importlib.import_module(info.name)


def _public_functions() -> list[tuple[str, Callable[..., Any]]]:
    found: dict[str, Callable[..., Any]] = {}
    for module in _modules():
        for name in getattr(module, "__all__", ()):
            thing = getattr(module, name)
            if getattr(thing, "__module__", None) != module.__name__:
                continue
            if inspect.isfunction(thing):
                found[f"{module.__name__}.{name}"] = thing
            elif inspect.isclass(thing):
                for part, member in vars(thing).items():
                    if not part.startswith("_") and inspect.isfunction(member):
                        found[f"{module.__name__}.{name}.{part}"] = member
    return sorted(found.items())


FUNCTIONS = _public_functions()


def _room(name: str) -> str:
    return name.split(".")[1]


def test_every_module_says_what_it_makes_public() -> None:
    """A module without __all__ has no public face."""
    silent = [
        module.__name__
        for module in _modules()
        if not hasattr(module, "__all__")
        and not module.__name__.rsplit(".", 1)[-1].startswith("_")
        and any(inspect.isfunction(member) for member in vars(module).values())
    ]
    assert silent == []


@pytest.mark.parametrize(("name", "function"), FUNCTIONS, ids=[name for name, _ in FUNCTIONS])
def test_docstring_and_signature_agree(name: str, function: Callable[..., Any]) -> None:
    """Docstrings exist, name only arguments that are there, and cite sources that exist."""
    text = inspect.getdoc(function)
    assert text, f"{name} has no docstring"
    parameters = inspect.signature(function).parameters
    section = re.search(r"^Args:\n((?:    .*\n?|\n)+)", text, re.MULTILINE)
    if section:
        described = re.findall(r"^    (\w+)(?: \([^)]*\))?:", section.group(1), re.MULTILINE)
        unknown = [entry for entry in described if entry not in parameters]
        assert unknown == [], f"{name} describes arguments it does not take"
    for cited in re.findall(r"Source: ([a-z0-9-]+)", text):
        assert cited in SOURCES, f"{name} cites {cited}, which sources.py does not know"


@pytest.mark.parametrize(
    ("name", "function"),
    [pair for pair in FUNCTIONS if _room(pair[0]) in CALCULATING],
    ids=[name for name, _ in FUNCTIONS if _room(name) in CALCULATING],
)
def test_numbers_carry_their_unit_in_their_name(name: str, function: Callable[..., Any]) -> None:
    """A floating-point argument of a calculating room ends in a suffix that units.py lists."""
    for parameter in inspect.signature(function).parameters.values():
        annotation = str(parameter.annotation)
        if "float" not in annotation and "FloatArray" not in annotation:
            continue
        if "Callable" in annotation or "Mapping" in annotation:
            continue
        known = any(parameter.name.endswith(suffix) for suffix in SUFFIXES)
        assert known or parameter.name in DIMENSIONLESS, f"{name}: {parameter.name} has no unit"


@pytest.mark.parametrize(
    ("name", "function"),
    [pair for pair in FUNCTIONS if _room(pair[0]) in CALCULATING],
    ids=[name for name, _ in FUNCTIONS if _room(name) in CALCULATING],
)
def test_units_in_brackets_are_known(name: str, function: Callable[..., Any]) -> None:
    """Units in square brackets of a first line are units of units.py."""
    text = inspect.getdoc(function) or ""
    for unit in re.findall(r"\[([^\]]+)\]", text.splitlines()[0]):
        assert unit in UNITS, f"{name}: unit {unit} is not in units.py"
