"""Run the benchmarks: ``python -m benchmarks [--json] [--only NAME] [--quick]``.

Each module runs in a process of its own, so that its peak memory is its own.
"""

from __future__ import annotations

import importlib.metadata
import json
import multiprocessing
import os
import platform
import sys
from concurrent.futures import ProcessPoolExecutor

import click
from rich.console import Console
from rich.table import Table

from benchmarks.common import BenchRow, module_names, run_module

_LEAST_WIDTH = 130


def _run_apart(name: str, *, quick: bool) -> list[BenchRow]:
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=1, mp_context=context) as pool:
        return pool.submit(run_module, name, quick=quick).result()


def _number(value: float | None, digits: int = 4) -> str:
    return "" if value is None else f"{value:.{digits}g}"


def _print_table(console: Console, rows_by_module: dict[str, list[BenchRow]]) -> None:
    table = Table(caption=f"{os.cpu_count()} cores, {platform.machine()}", show_lines=True)
    table.add_column("what", ratio=5, overflow="fold")
    table.add_column("figure", ratio=2)
    table.add_column("reference", ratio=4, overflow="fold")
    table.add_column("times faster", ratio=1, justify="right")
    table.add_column("peak MB", ratio=1, justify="right")
    table.add_column("target", ratio=3)
    table.add_column("met", ratio=1)
    for module, rows in rows_by_module.items():
        table.add_row(f"[bold]{module}[/bold]")
        for row in rows:
            reference = row.reference_name
            if row.reference_seconds is not None:
                reference = f"{reference}: {_number(row.reference_seconds)} s"
            table.add_row(
                row.name,
                f"{_number(row.figure)} {row.unit}",
                reference,
                _number(row.ratio),
                _number(row.peak_rss_mb),
                row.target,
                ("yes" if row.met else "NO") if row.target else "",
            )
    console.print(table)


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
@click.option("--only", multiple=True, help="Run only this module; may be given several times.")
@click.option("--quick", is_flag=True, help="Small problems, to see that everything runs.")
def main(*, as_json: bool, only: tuple[str, ...], quick: bool) -> None:
    """Measure speed and reach against named references; exit code 1 when a target is missed."""
    known = module_names()
    unknown = sorted(set(only) - set(known))
    if unknown:
        raise click.UsageError(f"Unknown: {', '.join(unknown)}. Known: {', '.join(known)}.")
    progress = Console(stderr=True)
    rows_by_module: dict[str, list[BenchRow]] = {}
    for name in only or tuple(known):
        progress.print(f"running {name} ...", style="dim")
        rows_by_module[name] = _run_apart(name, quick=quick)
    met = all(row.met for rows in rows_by_module.values() for row in rows)
    if as_json:
        document = {
            "version": importlib.metadata.version("arraywright"),
            "quick": quick,
            "machine": {
                "cores": os.cpu_count(),
                "architecture": platform.machine(),
                "python": platform.python_version(),
            },
            "met": met,
            "rows": [
                {"module": name, **row.as_dict()}
                for name, rows in rows_by_module.items()
                for row in rows
            ],
        }
        click.echo(json.dumps(document, indent=2))
    else:
        console = Console()
        console.width = max(console.width, _LEAST_WIDTH)
        _print_table(console, rows_by_module)
    sys.exit(0 if met else 1)


if __name__ == "__main__":
    main()
