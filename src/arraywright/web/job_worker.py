"""The process that runs one procedure for the server: a request on standard input, lines out."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from arraywright.errors import ArraywrightError
from arraywright.findings import Finding
from arraywright.procedures.report import Progress, Report
from arraywright.web.settings import utc_now

__all__ = ["main", "run"]

_FINDINGS: Final = 2_000
_ROWS: Final = 500
_GRAVITY: Final = {"fail": 0, "review": 1, "not_assessable": 2, "pass": 3}


class _Told:
    def stage(self, title: str) -> None:
        """Write a line about a stage."""
        print(json.dumps({"stage": title}), flush=True)


def _files(options: Mapping[str, Any]) -> dict[str, Any]:
    mapping = options.get("mapping")
    return {
        "mapping": None if mapping is None else Path(mapping),
        "replaced": options.get("replaced"),
    }


def _check(folder: Path, person: str, options: Mapping[str, Any], progress: Progress) -> Report:
    from arraywright.procedures.check import check  # noqa: PLC0415

    settings = [str(one) for one in options.get("settings", ())]
    return check(folder, settings=settings, person=person, now=utc_now, progress=progress)


def _receive(folder: Path, person: str, options: Mapping[str, Any], progress: Progress) -> Report:
    from arraywright.procedures.receive import receive  # noqa: PLC0415

    files = [Path(one) for one in options.get("files", ())]
    return receive(folder, files, **_files(options), person=person, now=utc_now, progress=progress)


def _commission(
    folder: Path, person: str, options: Mapping[str, Any], progress: Progress
) -> Report:
    from arraywright.procedures.commission import commission  # noqa: PLC0415

    given: dict[str, Any] = {"person": person, "now": utc_now, "progress": progress}
    steps = options.get("steps", ())
    for step in steps[:-1]:
        commission(folder, [Path(step["file"])], replaced=step["replaced"], **given)
    if steps:
        last = steps[-1]
        return commission(folder, [Path(last["file"])], replaced=last["replaced"], **given)
    files = [Path(one) for one in options.get("files", ())]
    return commission(folder, files, **_files(options), **given)


def _allocate(folder: Path, person: str, options: Mapping[str, Any], progress: Progress) -> Report:
    from arraywright.procedures.allocate import allocate  # noqa: PLC0415

    return allocate(
        folder,
        mode=options.get("mode"),
        replan=bool(options.get("replan", False)),
        in_progress=tuple(options.get("in_progress", ())),
        ahead=options.get("ahead"),
        explain=options.get("explain"),
        person=person,
        now=utc_now,
        progress=progress,
    )


def _dossier(folder: Path, person: str, _: Mapping[str, Any], progress: Progress) -> Report:
    from arraywright.procedures.hand_over import hand_over  # noqa: PLC0415

    return hand_over(folder, person=person, now=utc_now, progress=progress)


def _verify(folder: Path, _person: str, _: Mapping[str, Any], progress: Progress) -> Report:
    from arraywright.procedures.field_rows import PLACEMENT_RULES  # noqa: PLC0415
    from arraywright.procedures.verify import verify  # noqa: PLC0415
    from arraywright.records import ConflictsProjection  # noqa: PLC0415

    projections = (ConflictsProjection(PLACEMENT_RULES),)
    return verify(folder, now=utc_now, progress=progress, projections=projections)


_WORK: Final[dict[str, Callable[[Path, str, Mapping[str, Any], Progress], Report]]] = {
    "check": _check,
    "receive": _receive,
    "allocate": _allocate,
    "commission": _commission,
    "dossier": _dossier,
    "verify": _verify,
}


def _shown(findings: tuple[Finding, ...]) -> list[dict[str, object]]:
    ranked = sorted(findings, key=lambda one: _GRAVITY[one.verdict.value])
    return [one.as_dict() for one in ranked[:_FINDINGS]]


def run(request: Mapping[str, Any], progress: Progress) -> dict[str, Any]:
    """Run the procedure that a request names; give ``report`` or ``error``."""
    work = _WORK[request["command"]]
    try:
        report = work(Path(request["folder"]), request["person"], request["options"], progress)
    except ArraywrightError as error:
        findings: tuple[Finding, ...] = getattr(error, "findings", ())
        return {"error": error.as_dict() | {"findings": _shown(findings)}}
    except Exception as error:  # noqa: BLE001 - the server must learn of everything
        return {
            "error": {
                "code": "fault",
                "message": f"The program itself failed: {type(error).__name__}.",
                "remedy": "Run the command on the server; it writes a file to be sent in.",
            }
        }
    told = report.as_dict()
    del told["result"]
    told["findings"] = _shown(report.findings)
    told["written"] = [path.name for path in report.written]
    told["tables"] = [
        {
            "title": table.title,
            "headings": list(table.headings),
            "rows": [list(row) for row in table.rows[:_ROWS]],
            "align": list(table.align),
            "more": table.more + max(0, len(table.rows) - _ROWS),
        }
        for table in report.tables
    ]
    return {"report": told}


def main() -> None:
    """Read a request, run it, and write what came of it."""
    request = json.loads(sys.stdin.buffer.read().decode("utf-8"))
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]
    print(json.dumps(run(request, _Told()), ensure_ascii=False), flush=True)


if __name__ == "__main__":
    main()
