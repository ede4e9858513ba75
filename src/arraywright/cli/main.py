"""The command line ``arraywright``."""

from __future__ import annotations

import getpass
import os
import signal
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from arraywright import __version__
from arraywright.cli.output import print_findings, print_json, print_report, show_progress
from arraywright.errors import ArraywrightError
from arraywright.procedures.report import Progress, Report
from arraywright.procedures.site_record import DescriptionError

__all__ = ["cli", "main"]

_Function = TypeVar("_Function", bound=Callable[..., Any])
_SITE = click.argument(
    "site", type=click.Path(path_type=Path, exists=False, file_okay=True, dir_okay=True)
)
_FILES = click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))


def _now() -> datetime:
    return datetime.now(UTC)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unnamed"


def _common(function: _Function) -> _Function:
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print one JSON document."),
        click.option("--all", "all_findings", is_flag=True, help="Print every finding."),
    ):
        function = option(function)
    return function


def _person(function: _Function) -> _Function:
    option: Callable[[_Function], _Function] = click.option(
        "--person",
        default=lambda: os.environ.get("ARRAYWRIGHT_PERSON") or _user(),
        show_default="ARRAYWRIGHT_PERSON, or the user of this machine",
        help="Who does this; it stands in the record.",
    )
    return option(function)


def _run(
    work: Callable[[Progress], Report], *, as_json: bool, all_findings: bool, quiet: bool = False
) -> None:
    try:
        with show_progress(quiet=as_json or quiet) as progress:
            report = work(progress)
    except ArraywrightError as error:
        findings = error.findings if isinstance(error, DescriptionError) else ()
        if as_json:
            print_json(
                {
                    "error": error.as_dict(),
                    "exit_code": error.exit_code,
                    "findings": [finding.as_dict() for finding in findings],
                }
            )
        else:
            print_findings(findings, all_findings=True)
            click.echo(f"{error.message}\nTo do: {error.remedy}", err=True)
        sys.exit(error.exit_code)
    if as_json:
        print_json(report.as_dict())
    else:
        print_report(report, all_findings=all_findings)
    sys.exit(report.exit_code)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="arraywright")
def cli() -> None:
    """Keep one record per photovoltaic module, from pallet to string to test to claim.

    Every command takes a site folder. Exit codes: 0 fine, 1 the array has failing findings, 2 the
    call or an input is wrong, 3 the machine or network failed. Results advise; local codes, the
    module maker's instructions and licensed people decide.
    """


@cli.command()
@_SITE
@_FILES
@click.option(
    "--mapping",
    type=click.Path(path_type=Path),
    help="TOML file that says which heading is which column.",
)
@click.option(
    "--in-place-of",
    "replaced",
    metavar="NAME",
    help="Name of a file received earlier that the file given now replaces.",
)
@_person
@_common
def receive(
    site: Path,
    files: tuple[Path, ...],
    mapping: Path | None,
    replaced: str | None,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Receive order, delivery notes, pallet scans and flash lists; accept, hold or refuse pallets.

    Give the files in any order and as often as you like: what is known already changes nothing.
    """
    from arraywright.procedures.receive import receive as work  # noqa: PLC0415

    _run(
        lambda progress: work(
            site,
            files,
            mapping=mapping,
            replaced=replaced,
            person=person,
            now=_now,
            progress=progress,
        ),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@_SITE
@_person
@_common
def allocate(
    site: Path,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Put accepted modules into strings and write the picking lists."""
    from arraywright.procedures.allocate import allocate as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, person=person, now=_now, progress=progress),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@_SITE
@_FILES
@click.option(
    "--mapping",
    type=click.Path(path_type=Path),
    help="TOML file that says which heading is which column.",
)
@click.option(
    "--in-place-of",
    "replaced",
    metavar="NAME",
    help="Name of a file given earlier that the file given now replaces.",
)
@_person
@_common
def commission(
    site: Path,
    files: tuple[Path, ...],
    mapping: Path | None,
    replaced: str | None,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Judge string readings, I-V curves and as-built lists against what these modules should give.

    Files: string readings, instruments, I-V curves, as-built lists (which serial sits where).
    """
    from arraywright.procedures.commission import commission as work  # noqa: PLC0415

    _run(
        lambda progress: work(
            site,
            files,
            mapping=mapping,
            replaced=replaced,
            person=person,
            now=_now,
            progress=progress,
        ),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@_SITE
@_person
@_common
def dossier(
    site: Path,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Write the handover dossier: one PDF with everything, and the tables beside it."""
    from arraywright.procedures.hand_over import hand_over as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, person=person, now=_now, progress=progress),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@_SITE
@click.argument("subject")
@_common
def trace(
    site: Path,
    subject: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Tell the whole story of a serial, a pallet or a string, in time."""
    from arraywright.procedures.trace import trace as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, subject, now=_now, progress=progress),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@_SITE
@_common
def verify(site: Path, as_json: bool, all_findings: bool) -> None:  # noqa: FBT001
    """Check the record: chains, signatures, files, and projections against a rebuild."""
    from arraywright.procedures.verify import verify as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, now=_now, progress=progress),
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command()
@click.argument("site", type=click.Path(path_type=Path), default=Path("demo-site"))
@_common
def demo(site: Path, as_json: bool, all_findings: bool) -> None:  # noqa: FBT001
    """Do the main job on an invented site with faults put in; compare put in and found."""
    from arraywright.demo.run import run_demo as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, now=_now, progress=progress),
        as_json=as_json,
        all_findings=all_findings,
    )


def main() -> None:
    """Run the command line; an unforeseen error ends with a message, not a traceback."""
    signal.signal(signal.SIGPIPE, signal.SIG_DFL) if hasattr(signal, "SIGPIPE") else None
    try:
        cli(prog_name="arraywright")
    except KeyboardInterrupt:
        click.echo("Stopped. What was recorded is whole; repeat the command to go on.", err=True)
        sys.exit(3)
