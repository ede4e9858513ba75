"""What people told, for the dossier: points settled, incidents, recalls, and their tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import polars as pl

from arraywright.dossier.handover_parts import (
    HandoverParts,
    IncidentPart,
    RecallPart,
    SettledPoint,
    Settlement,
)
from arraywright.findings import Finding, Verdict
from arraywright.procedures.incidents import Incident, affected_modules, incidents
from arraywright.procedures.open_points import entered_points, point_key
from arraywright.procedures.recalls import Recall, recalled_modules, recalls
from arraywright.procedures.settlements import settlements
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.where_now import Whereabouts, whereabouts

__all__ = ["incident_rows", "point_rows", "recall_rows", "with_told"]

_SCOPE_WORDS: Final = {
    "pallets": "pallets",
    "delivery_note": "delivery note",
    "module_type": "module type",
    "flashed_from": "flashed from",
    "flashed_to": "flashed to",
    "narrowed_to_serials": "narrowed to serials named",
}
_WORDS: Final = {
    "dropped": "pallet dropped or tipped",
    "storm": "storm or hail",
    "water": "flood or standing water",
    "fire": "fire or heat",
    "person_hurt": "somebody was hurt",
    "theft": "theft",
    "other": "something else",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    entered: tuple[Finding, ...]
    settled: tuple[SettledPoint, ...]


def _points(record: SiteRecord, findings: Sequence[Finding]) -> _Told:
    held = settlements(record)
    entered, settled = [], []
    for one in entered_points(record):
        said = held.get(one.key)
        if said is None:
            entered.append(one.finding)
        else:
            settled.append(SettledPoint(finding=one.finding, settlement=said, entered=True))
    once = dict.fromkeys(one for one in findings if one.verdict is not Verdict.PASS)
    for finding in once if held else ():
        said = held.get(point_key(finding))
        if said is not None:
            settled.append(SettledPoint(finding=finding, settlement=said, entered=False))
    settled.sort(key=lambda one: one.settlement.at)
    return _Told(entered=tuple(entered), settled=tuple(settled))


def _chosen(recall: Recall) -> str:
    told = []
    for name, value in recall.scope.items():
        words = ", ".join(map(str, value[:40])) if isinstance(value, list) else str(value)
        told.append(f"{_SCOPE_WORDS.get(name, name)}{'' if value is True else f' {words}'}")
    return "; ".join(told) or "serials"


def _incident(one: Incident, where: Whereabouts) -> IncidentPart:
    return IncidentPart(
        day=one.day,
        what=_WORDS[one.what],
        told=one.told,
        person=one.person,
        at=one.at,
        source="by phone" if one.origin == "phone" else "in the office",
        names=(*one.names, *one.serials),
        photos=one.photos,
        modules=affected_modules(one, where),
        settlement=one.settlement,
    )


def _recall(one: Recall, where: Whereabouts) -> RecallPart:
    back = None
    if one.withdrawn_at is not None:
        back = Settlement(person=one.withdrawn_by, at=one.withdrawn_at, reason=one.withdrawn_reason)
    return RecallPart(
        reason=one.reason,
        chosen=_chosen(one),
        undated=one.undated,
        person=one.person,
        at=one.at,
        modules=recalled_modules(one, where),
        settlement=one.settlement,
        withdrawn=back,
    )


def with_told(record: SiteRecord, parts: HandoverParts) -> HandoverParts:
    """Add to what checks gave what people told, and who settled what."""
    points = _points(record, parts.findings)
    parts = replace(parts, entered=points.entered, settled=points.settled)
    happened, called_back = incidents(record), recalls(record)
    if not happened and not called_back:
        return parts
    where = whereabouts(record)
    return replace(
        parts,
        incidents=tuple(_incident(one, where) for one in happened),
        recalls=tuple(_recall(one, where) for one in called_back),
    )


def _settled_columns(settlement: Settlement | None) -> dict[str, Any]:
    return {
        "settled_by": None if settlement is None else settlement.person,
        "settled_at": None if settlement is None else settlement.at,
        "reason": None if settlement is None else settlement.reason,
        "inspected_or_done": None if settlement is None else settlement.inspected or None,
    }


_SETTLED_SCHEMA: Final[dict[str, Any]] = {
    "settled_by": pl.String,
    "settled_at": pl.Datetime("us", "UTC"),
    "reason": pl.String,
    "inspected_or_done": pl.String,
}


def point_rows(parts: HandoverParts) -> pl.DataFrame:
    """Give a row for every open and every settled point, open ones first."""
    held: list[tuple[Finding, Settlement | None]] = [(finding, None) for finding in parts.open_ones]
    held += [(one.finding, one.settlement) for one in parts.settled]
    schema: dict[str, Any] = dict.fromkeys(
        ("verdict", "check", "subject_kind", "subject", "message", "remedy"), pl.String
    )
    return pl.DataFrame(
        [
            {
                "verdict": finding.verdict.value,
                "check": finding.check,
                "subject_kind": finding.subject_kind,
                "subject": finding.subject,
                "message": finding.message,
                "remedy": finding.remedy,
                **_settled_columns(settlement),
            }
            for finding, settlement in held
        ],
        schema={**schema, **_SETTLED_SCHEMA},
    )


def _with_modules(
    told: Sequence[tuple[dict[str, Any], pl.DataFrame]], schema: dict[str, Any]
) -> pl.DataFrame:
    """Give a row for every module of every thing told; one without modules has one row."""
    frames = []
    for said, modules in told:
        rows = modules if modules.height else pl.DataFrame({"serial": [None]})
        frames.append(
            rows.select(
                *(pl.lit(value, dtype=schema[name]).alias(name) for name, value in said.items()),
                pl.all(),
            )
        )
    return pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame(schema=schema)


def incident_rows(parts: HandoverParts) -> pl.DataFrame:
    """Give a row for every module of every incident, with where it is now."""
    schema = {
        **dict.fromkeys(("day", "what", "told", "told_by", "source", "names", "photos"), pl.String),
        "told_at": pl.Datetime("us", "UTC"),
        **_SETTLED_SCHEMA,
    }
    return _with_modules(
        [
            (
                {
                    "day": one.day,
                    "what": one.what,
                    "told": one.told,
                    "told_by": one.person,
                    "told_at": one.at,
                    "source": one.source,
                    "names": ", ".join(one.names),
                    "photos": ", ".join(one.photos),
                    **_settled_columns(one.settlement),
                },
                one.modules,
            )
            for one in parts.incidents
        ],
        schema,
    )


def recall_rows(parts: HandoverParts) -> pl.DataFrame:
    """Give a row for every module of every recall, with where it is now."""
    schema = {
        **dict.fromkeys(("recall", "chosen_by", "entered_by", "withdrawn_by"), pl.String),
        "entered_at": pl.Datetime("us", "UTC"),
        "withdrawn_at": pl.Datetime("us", "UTC"),
        "withdrawn_reason": pl.String,
        **_SETTLED_SCHEMA,
    }
    return _with_modules(
        [
            (
                {
                    "recall": one.reason,
                    "chosen_by": one.chosen,
                    "entered_by": one.person,
                    "entered_at": one.at,
                    "withdrawn_by": None if one.withdrawn is None else one.withdrawn.person,
                    "withdrawn_at": None if one.withdrawn is None else one.withdrawn.at,
                    "withdrawn_reason": None if one.withdrawn is None else one.withdrawn.reason,
                    **_settled_columns(one.settlement),
                },
                one.modules,
            )
            for one in parts.recalls
        ],
        schema,
    )
