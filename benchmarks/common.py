"""What every benchmark shares: the row it gives, the clock, the memory gauge, the registry."""

from __future__ import annotations

import dataclasses
import importlib
import pkgutil
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar, cast

import benchmarks

__all__ = [
    "BenchModule",
    "BenchRow",
    "best_seconds",
    "load_module",
    "module_names",
    "peak_rss_mb",
    "run_module",
    "timed",
]

_NOT_BENCHMARKS: Final = frozenset({"common"})
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRow:
    """One measured figure beside its named reference.

    Attributes:
        name: what was measured, in words a person at the array understands.
        figure: the figure that is judged, in ``unit``.
        unit: unit of the figure.
        seconds: seconds our own code took; None where no time was measured.
        reference_name: the named reference, empty where there is none.
        reference_seconds: seconds the reference took in the same run; None where there is none.
        ratio: reference seconds per our seconds for the same work (more is faster); None without.
        peak_rss_mb: highest resident memory of the process so far [MB]; None when not measured.
        target: what is demanded, in words; empty where nothing is.
        met: whether the target is met.
    """

    name: str
    figure: float
    unit: str
    seconds: float | None = None
    reference_name: str = ""
    reference_seconds: float | None = None
    ratio: float | None = None
    peak_rss_mb: float | None = None
    target: str = ""
    met: bool = True

    def as_dict(self) -> dict[str, object]:
        """Give the row as plain data for JSON."""
        return dataclasses.asdict(self)


class BenchModule(Protocol):
    """A module in this package that measures something."""

    def run(self, *, quick: bool) -> list[BenchRow]:
        """Measure and give the rows; ``quick`` asks for a small problem and says so in names."""


def module_names() -> list[str]:
    """Give the names of the benchmark modules, in alphabetical order."""
    return sorted(
        info.name
        for info in pkgutil.iter_modules(benchmarks.__path__)
        if not info.name.startswith("_") and info.name not in _NOT_BENCHMARKS
    )


def load_module(name: str) -> BenchModule:
    """Import one benchmark module by its name."""
    return cast("BenchModule", importlib.import_module(f"benchmarks.{name}"))


def run_module(name: str, *, quick: bool) -> list[BenchRow]:
    """Run one benchmark module and give its rows."""
    return load_module(name).run(quick=quick)


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Run ``work`` once and give the wall-clock seconds and its result."""
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def best_seconds(work: Callable[[], object], *, repeats: int = 3) -> float:
    """Give the shortest wall-clock seconds of several runs of ``work``."""
    return min(timed(work)[0] for _ in range(repeats))


def peak_rss_mb() -> float:
    """Give the highest resident memory of this process so far [MB]."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 2**20 if sys.platform == "darwin" else peak / 2**10
