"""The command line ``arraywright``."""

from __future__ import annotations

import contextlib
import getpass
import io
import os
import signal
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from arraywright import __version__
from arraywright.cli.compiled import place_compiled_code
from arraywright.cli.fault import explain
from arraywright.cli.output import print_findings, print_json, print_report, show_progress
from arraywright.errors import ArraywrightError, CallError, MachineError
from arraywright.findings import Finding
from arraywright.procedures.report import Progress, Report

__all__ = ["cli", "main"]

_Function = TypeVar("_Function", bound=Callable[..., Any])
_SITE = click.argument("site", type=click.Path(path_type=Path, readable=False))
_FILES = click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False)
)


def _now() -> datetime:
    return datetime.now(UTC)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unnamed"


def _common(function: _Function) -> _Function:
    for option in (
        click.option(
            "--all", "all_findings", is_flag=True, help="Print every finding, also those alike."
        ),
        click.option(
            "--json",
            "as_json",
            is_flag=True,
            help="Print one JSON document on standard output and nothing else there.",
        ),
    ):
        function = option(function)
    return function


def _person(function: _Function) -> _Function:
    option: Callable[[_Function], _Function] = click.option(
        "--person",
        metavar="NAME",
        default=lambda: os.environ.get("ARRAYWRIGHT_PERSON") or _user(),
        show_default="ARRAYWRIGHT_PERSON, or the user of this machine",
        help="Who does this; it stands in the record.",
    )
    return option(function)


def _input_files(function: _Function) -> _Function:
    for option in (
        click.option(
            "--in-place-of",
            "replaced",
            metavar="NAME",
            help="A file received earlier, by name or by the beginning of its SHA-256, that the "
            "one file given now replaces.",
        ),
        click.option(
            "--mapping",
            type=click.Path(path_type=Path, readable=False),
            metavar="FILE",
            help="TOML file that says which heading is which column, for files that are not "
            "recognised or were read wrongly.",
        ),
    ):
        function = option(function)
    return function


def _end(error: ArraywrightError, *, as_json: bool) -> NoReturn:
    """Tell what is wrong and what to do, and end with the error's exit code."""
    # A description with mistakes carries them; its class is not imported for a wrong call.
    findings: tuple[Finding, ...] = getattr(error, "findings", ())
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


def _run(
    work: Callable[[Progress], Report], *, site: Path, as_json: bool, all_findings: bool
) -> None:
    try:
        with show_progress(quiet=as_json) as progress:
            report = work(progress)
        if as_json:
            print_json(report.as_dict())
        else:
            print_report(report, all_findings=all_findings)
    except ArraywrightError as error:
        _end(error, as_json=as_json)
    except Exception as error:  # noqa: BLE001 - the last line: nobody shall see a traceback
        _end(explain(error, folder=site, moment=_now()), as_json=as_json)
    sys.exit(report.exit_code)


class _Program(click.Group):
    """The group of commands; every way it can end is one of four exit codes and tells why."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,  # noqa: FBT001, FBT002
        **extra: Any,
    ) -> Any:
        """Run a command; a wrong call, Ctrl-C and a fault are told in the form asked for."""
        words = list(sys.argv[1:] if args is None else args)
        as_json = "--json" in words
        try:
            code = super().main(
                words, prog_name, complete_var=complete_var, standalone_mode=False, **extra
            )
        except click.ClickException as error:
            self._wrong_call(error, as_json=as_json)
        except click.Abort:
            _end(
                MachineError(
                    "stopped",
                    "Stopped.",
                    "What was recorded is whole; repeat the command to go on.",
                ),
                as_json=as_json,
            )
        except Exception as error:  # noqa: BLE001 - as for a command's own work
            _end(explain(error, folder=None, moment=_now()), as_json=as_json)
        if standalone_mode:
            sys.exit(code if isinstance(code, int) else 0)
        return code

    @staticmethod
    def _wrong_call(error: click.ClickException, *, as_json: bool) -> NoReturn:
        usage = error.ctx if isinstance(error, click.UsageError) else None
        command = "arraywright" if usage is None else usage.command_path
        remedy = f"See: {command} --help."
        if not as_json and usage is not None:
            click.echo(usage.get_usage(), err=True)
        _end(CallError("call-not-understood", error.format_message(), remedy), as_json=as_json)


@click.group(
    cls=_Program,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="arraywright")
def cli() -> None:
    """Keep one record per photovoltaic module, from pallet to string to test to claim.

    Every command takes a site folder: a folder with a description, site.toml. What is handed in
    is kept in the record beside it, what is written for people in its folder out.

    Exit codes: 0 fine, 1 the array has failing findings, 2 the call or an input is wrong, 3 the
    machine or network failed, or the work was stopped.

    Results advise. Local codes, the module maker's instructions and licensed people decide.
    """


@cli.command(short_help="Check the design before anything is ordered or built.")
@_SITE
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    help="Take another value for a described quantity, for this call only. Repeatable.",
)
@click.option(
    "--sweep",
    metavar="KEY=FROM:TO[:COUNT]",
    help="Vary one described quantity and show every margin over it.",
)
@_person
@_common
def check(
    site: Path,
    settings: tuple[str, ...],
    sweep: str | None,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Check the design before anything is ordered or built, every formula worked out.

    The description says by which practice, in its section [design]. What it does not describe
    cannot be checked and is told as not assessable.

    Written to SITE/out: design-checks.pdf, or design-checks-what-if.pdf with --set; with --sweep
    also what-if.pdf and what-if.csv. Without --set the check is entered into the record.
    """
    from arraywright.procedures.check import check as work  # noqa: PLC0415

    _run(
        lambda progress: work(
            site, settings=settings, sweep=sweep, person=person, now=_now, progress=progress
        ),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Judge what a truck brought: accept, hold or refuse every pallet.")
@_SITE
@_FILES
@_input_files
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
    """Receive orders, delivery notes, pallet scans and flash lists; judge every pallet.

    FILES are CSV, XLSX, ODS or Parquet, as people send them. Give them in any order, all at once
    or as they come, and as often as you like: what is known already changes nothing.

    Written to SITE/out: receiving-report.pdf, pallets.csv, discrepancies-for-supplier.csv,
    inspection-lots.csv and inspection-sample.csv.
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
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Plan which module goes to which string.")
@_SITE
@click.option(
    "--mode",
    type=click.Choice(["auto", "whole", "piles", "single", "arrival"]),
    show_default="auto, with --replan that of the plan before",
    help="How strings are filled: auto takes what costs least at each drop point; whole: pallets "
    "emptied one after the other; piles: every pallet split by current at the drop point; single: "
    "modules sorted singly there; arrival: pallets as they came.",
)
@click.option(
    "--replan",
    is_flag=True,
    help="Keep the plan before as far as it still holds and is worth it, and list what changes for "
    "the crews.",
)
@click.option(
    "--in-progress",
    metavar="STRING",
    multiple=True,
    help="A string whose picking is under way: with --replan it stays as planned. May be repeated.",
)
@click.option(
    "--ahead",
    metavar="DAYS",
    type=click.IntRange(min=0),
    help="Choose the pallets of today and so many days more from the yard, and keep enough of each "
    "class for what remains, reckoning with what is ordered and not known yet. Without it all that "
    "is known is planned.",
)
@click.option(
    "--explain",
    metavar="STRING",
    help="Say why this string gets its pallets, and what others in their place would cost.",
)
@_person
@_common
def allocate(
    site: Path,
    mode: str | None,
    replan: bool,  # noqa: FBT001
    in_progress: tuple[str, ...],
    ahead: int | None,
    explain: str | None,
    person: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Put accepted modules into strings and write the picking lists.

    Modules of one string are of one power class and one current class, strings of an input alike,
    and spares are kept per class. Held and refused pallets are left out. Which pallet goes where is
    weighed in money: what mismatch costs over the years against what handling costs.

    Where the description has building dates, nothing is used before it has come, and announced
    pallets are planned with from the day they are expected. The yard is planned too: who stands
    under whom, the ground needed and the lift's trips day by day.

    Written to SITE/out: picking-lists.pdf, picking-lists.csv, allocation.csv, spares.csv,
    yard-plan.csv, yard-days.csv, trade-off.csv, piles.csv where modules are sorted, changes.csv
    where something changes for the crews, and reserved.csv where days ahead are planned.
    """
    from arraywright.procedures.allocate import allocate as work  # noqa: PLC0415

    _run(
        lambda progress: work(
            site,
            mode=mode,
            replan=replan,
            in_progress=in_progress,
            ahead=ahead,
            explain=explain,
            person=person,
            now=_now,
            progress=progress,
        ),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Judge string tests and I-V curves.")
@_SITE
@_FILES
@_input_files
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

    FILES are string readings, instruments, I-V curves and as-built lists (which serial sits
    where): CSV, XLSX, ODS or Parquet, in any order and as often as you like.
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
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Write the handover dossier.")
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
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Tell the story of a serial, a pallet or a string.")
@_SITE
@click.argument("subject")
@_common
def trace(
    site: Path,
    subject: str,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Tell the whole story of a serial, a pallet or a string, in time.

    SUBJECT is a serial, or its last characters; a pallet number; or the name of a string.
    """
    from arraywright.procedures.trace import trace as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, subject, now=_now, progress=progress),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Check that the record is whole and unchanged.")
@_SITE
@_common
def verify(site: Path, as_json: bool, all_findings: bool) -> None:  # noqa: FBT001
    """Check the record: hashes, signatures, chains, gaps, stored files and what is made of them.

    The seal it prints, written down elsewhere, proves later that nothing so far was changed.
    """
    from arraywright.procedures.field_rows import PLACEMENT_RULES  # noqa: PLC0415
    from arraywright.procedures.verify import verify as work  # noqa: PLC0415
    from arraywright.records import ConflictsProjection  # noqa: PLC0415

    _run(
        lambda progress: work(
            site,
            now=_now,
            progress=progress,
            projections=(ConflictsProjection(PLACEMENT_RULES),),
        ),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Serve the site to browsers, phones and programs.")
@_SITE
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", type=click.IntRange(1, 65535), default=8440, show_default=True, help="Port."
)
@click.option(
    "--address",
    metavar="URL",
    help="How people reach the server, https://office.example:8440; it stands in invitations. "
    "Without it, made from host and port.",
)
@click.option(
    "--certificate",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Certificate in PEM, with --key, for HTTPS. Phones need HTTPS for their camera.",
)
@click.option(
    "--key", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Its key."
)
@click.option(
    "--record-url",
    metavar="URL",
    envvar="ARRAYWRIGHT_RECORD_URL",
    help="PostgreSQL server that holds the record, postgresql://user@host/database, for many "
    "crews. Without it, or ARRAYWRIGHT_RECORD_URL, the record in the site folder.",
)
@click.option(
    "--judge-phones/--no-judge-phones",
    default=True,
    help="Whether readings that phones hand in are judged without anybody asking, at most once in "
    "five minutes.",
)
def serve(
    site: Path,
    host: str,
    port: int,
    address: str | None,
    certificate: Path | None,
    key: Path | None,
    record_url: str | None,
    judge_phones: bool,  # noqa: FBT001
) -> None:
    """Serve the site: office pages, field page, programming interface and synchronisation.

    The first start prints a link that makes its owner; there is no default password. Stop it with
    Ctrl-C: what is under way is finished first. Log lines are JSON on standard error.
    """
    from arraywright.web.serving import serve as work  # noqa: PLC0415
    from arraywright.web.settings import WebSettings  # noqa: PLC0415

    if (certificate is None) != (key is None):
        _end(
            CallError(
                "certificate-and-key",
                "Of --certificate and --key only one is given.",
                "Give both for HTTPS, or neither.",
            ),
            as_json=False,
        )
    shown = f"[{host}]" if ":" in host else host
    made = f"{'https' if certificate else 'http'}://{shown}:{port}"
    try:
        work(
            WebSettings(
                folder=site,
                record_url=record_url,
                address=(address or made).rstrip("/"),
                judge_phones=judge_phones,
            ),
            host=host,
            port=port,
            certificate=certificate,
            key=key,
        )
    except ArraywrightError as error:
        _end(error, as_json=False)
    except Exception as error:  # noqa: BLE001 - the last line: nobody shall see a traceback
        _end(explain(error, folder=site, moment=_now()), as_json=False)


_RECORD_URL = click.option(
    "--record-url",
    metavar="URL",
    envvar="ARRAYWRIGHT_RECORD_URL",
    help="PostgreSQL server that holds the record. Without it, or ARRAYWRIGHT_RECORD_URL, the "
    "record in the site folder.",
)


@cli.command(short_help="Copy a site while it is in use, and verify the copy.")
@_SITE
@click.argument("target", type=click.Path(path_type=Path, readable=False))
@_RECORD_URL
@_common
def backup(
    site: Path,
    target: Path,
    record_url: str | None,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Copy description, record, people, files and documents to TARGET, and verify the copy.

    TARGET is a new folder, or an earlier backup, to which only what is new is added. The server
    may run meanwhile. The copy holds password hashes: keep it where only few can read it.
    """
    from arraywright.web.backup import backup as work  # noqa: PLC0415

    _run(
        lambda progress: work(site, target, record_url=record_url, now=_now, progress=progress),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="Make a site from a backup, and verify it.")
@click.argument("source", type=click.Path(path_type=Path, readable=False))
@_SITE
@_RECORD_URL
@_common
def restore(
    source: Path,
    site: Path,
    record_url: str | None,
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Make the folder SITE, new or empty, from the backup SOURCE, and verify it.

    With --record-url the record goes into an empty database of that server.
    """
    from arraywright.web.backup import restore as work  # noqa: PLC0415

    _run(
        lambda progress: work(source, site, record_url=record_url, now=_now, progress=progress),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


@cli.command(short_help="See all of it on an invented site.")
@click.argument("site", type=click.Path(path_type=Path, readable=False), default=Path("demo-site"))
@click.option(
    "--with-design-mistakes",
    is_flag=True,
    help="Only check a design with ten mistakes put in.",
)
@_common
def demo(
    site: Path,
    with_design_mistakes: bool,  # noqa: FBT001
    as_json: bool,  # noqa: FBT001
    all_findings: bool,  # noqa: FBT001
) -> None:
    """Do the main job on an invented site with faults put in; compare put in and found.

    SITE is the folder to make, demo-site when it is not named.
    """
    from arraywright.demo.design_mistakes import run_design_mistakes  # noqa: PLC0415
    from arraywright.demo.run import run_demo  # noqa: PLC0415

    work = run_design_mistakes if with_design_mistakes else run_demo
    _run(
        lambda progress: work(site, progress=progress),
        site=site,
        as_json=as_json,
        all_findings=all_findings,
    )


def main() -> None:
    """Run the command line on the words given to the program."""
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            with contextlib.suppress(OSError, ValueError):
                stream.reconfigure(errors="backslashreplace")
    place_compiled_code()
    cli(prog_name="arraywright")
