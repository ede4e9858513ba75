"""Recalls: modules their maker calls back, chosen by serial, pallet, note, type or flash day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import polars as pl

from arraywright.delivery import FLASH_LIST
from arraywright.delivery.labels import normal_serial
from arraywright.dossier.handover_parts import Settlement
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.field_rows import MODULES_RECALLED, body_of
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.settlements import settlements
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.where_now import Whereabouts
from arraywright.records.entry import Entry, NewEntry, json_body

__all__ = [
    "MOST_RECALLED",
    "RECALL_KINDS",
    "RECALL_WITHDRAWN",
    "Recall",
    "RecallScope",
    "later_modules",
    "recall_points",
    "recalled_modules",
    "recalls",
    "record_recall",
    "withdraw_recall",
]

RECALL_WITHDRAWN: Final = "office_recall_withdrawn"
"""Kind of entry that takes a recall back; it supersedes the recall."""

RECALL_KINDS: Final = (MODULES_RECALLED, RECALL_WITHDRAWN)
"""Kinds of entry that change which modules are recalled."""

MOST_RECALLED: Final = 50_000
"""Modules of one recall at most."""

_REASON: Final = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallScope:
    """Which modules a recall is about: those that fit everything that is given.

    Attributes:
        serials: serials; given alone they count even before they have come.
        pallets: pallets.
        delivery_note: number of a delivery note.
        module_type: key of a module type.
        flashed_from: first day of the flash, by the site's calendar.
        flashed_to: last day of the flash.
    """

    serials: tuple[str, ...] = ()
    pallets: tuple[str, ...] = ()
    delivery_note: str = ""
    module_type: str = ""
    flashed_from: date | None = None
    flashed_to: date | None = None

    @property
    def only_serials(self) -> bool:
        """Whether nothing but serials is given."""
        return bool(self.serials) and not (
            self.pallets
            or self.delivery_note
            or self.module_type
            or self.flashed_from
            or self.flashed_to
        )

    def as_dict(self) -> dict[str, Any]:
        """Give what is given besides serials, and whether serials narrow it, as plain data."""
        held: dict[str, Any] = {
            "pallets": list(self.pallets),
            "delivery_note": self.delivery_note,
            "module_type": self.module_type,
            "flashed_from": self.flashed_from and self.flashed_from.isoformat(),
            "flashed_to": self.flashed_to and self.flashed_to.isoformat(),
        }
        told = {name: value for name, value in held.items() if value}
        return told | ({"narrowed_to_serials": True} if told and self.serials else {})


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """Modules that their maker calls back.

    Attributes:
        key: the entry that says so.
        reason: what the maker says, in the person's words.
        scope: by what the modules were chosen, besides serials, as ``RecallScope.as_dict``.
        serials: the modules, in the entry's order.
        undated: modules of the same kind left out because their flash day is not known.
        person: who entered it.
        at: when.
        settlement: who said that all is done; None while it is open.
        withdrawn_by: who took it back; empty while it stands.
        withdrawn_at: when it was taken back.
        withdrawn_reason: why it was taken back.
    """

    key: str
    reason: str
    scope: Mapping[str, Any]
    serials: tuple[str, ...]
    undated: int
    person: str
    at: datetime
    settlement: Settlement | None
    withdrawn_by: str = ""
    withdrawn_at: datetime | None = None
    withdrawn_reason: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data."""
        settled = self.settlement
        return {
            "key": self.key,
            "reason": self.reason,
            "scope": dict(self.scope),
            "serials": list(self.serials),
            "person": self.person,
            "at": self.at.isoformat(),
            "settled_by": "" if settled is None else settled.person,
            "done": "" if settled is None else settled.inspected,
            "settled_reason": "" if settled is None else settled.reason,
            "withdrawn_by": self.withdrawn_by,
            "withdrawn_at": self.withdrawn_at and self.withdrawn_at.isoformat(),
            "withdrawn_reason": self.withdrawn_reason,
        }


def recalls(record: SiteRecord) -> list[Recall]:
    """List the recalls, the newest first; those taken back come last."""
    settled = settlements(record)
    taken_back = {
        entry.supersedes: entry for entry in record.journal.entries(kind=RECALL_WITHDRAWN)
    }
    found = []
    for entry in record.journal.entries(kind=MODULES_RECALLED):
        body, back = body_of(entry) or {}, taken_back.get(entry.uuid)
        serials, scope = body.get("serials"), body.get("scope")
        found.append(
            Recall(
                key=entry.uuid,
                reason=str(body.get("reason", "")),
                scope=scope if isinstance(scope, dict) else {},
                serials=tuple(str(one) for one in serials) if isinstance(serials, list) else (),
                undated=int(body.get("undated", 0)),
                person=entry.person,
                at=entry.device_time,
                settlement=settled.get(entry.uuid),
                withdrawn_by="" if back is None else back.person,
                withdrawn_at=None if back is None else back.device_time,
                withdrawn_reason=""
                if back is None
                else str((body_of(back) or {}).get("reason", "")),
            )
        )
    found.reverse()
    return sorted(found, key=lambda one: bool(one.withdrawn_by))


def recall_points(record: SiteRecord) -> list[tuple[str, Finding]]:
    """Give what recalls leave open: the entry, and the finding."""
    return [
        (
            one.key,
            Finding(
                check="modules-recalled",
                subject_kind="site",
                subject=record.site.name,
                verdict=Verdict.FAIL,
                message=f"{len(one.serials)} modules are called back by their maker "
                f"({one.person}): {one.reason.rstrip('.')}.",
                remedy="Find the modules, do what their maker says, and settle the recall. Modules "
                "in place are taken out isolated, never under load, by licensed people.",
                found=", ".join(one.serials[:20]),
                basis="common-practice",
            ),
        )
        for one in recalls(record)
        if not one.withdrawn_by
    ]


def recalled_modules(recall: Recall, where: Whereabouts) -> pl.DataFrame:
    """Give the modules of a recall, where they are now, and who looked at them since.

    Args:
        recall: the recall; inspections count from the moment it was entered.
        where: where the site's modules are.

    Returns:
        frame of ``Whereabouts.of``.
    """
    return where.of(serials=recall.serials, since=recall.at)


def _flash_days(record: SiteRecord) -> pl.DataFrame:
    zone = record.site.time_zone
    return (
        record.rows(FLASH_LIST)
        .select(
            normal_serial(pl.col("serial")),
            flashed_on=pl.col("flashed_at").dt.convert_time_zone(zone).dt.date(),
        )
        .drop_nulls("serial")
        .unique("serial", keep="last", maintain_order=True)
    )


def _fitting(record: SiteRecord, scope: RecallScope) -> tuple[list[str], int]:
    """Give the serials that fit a scope, and how many would if their flash day were known."""
    spelled = pl.DataFrame({"serial": list(scope.serials)}, schema={"serial": pl.String})
    serials = spelled.select(normal_serial(pl.col("serial")))["serial"].drop_nulls().unique()
    if scope.only_serials:
        return serials.sort().to_list(), 0
    entry = record.latest(DELIVERY_RECONCILED)
    if entry is None:
        return [], 0
    modules = record.scan_frame(entry, "modules").select("serial", "pallet", "module_type")
    if scope.serials:
        modules = modules.filter(pl.col("serial").is_in(serials.to_list()))
    if scope.pallets:
        modules = modules.filter(pl.col("pallet").is_in(list(scope.pallets)))
    if scope.delivery_note:
        notes = record.scan_frame(entry, "pallets").filter(
            pl.col("delivery_note") == scope.delivery_note
        )
        modules = modules.join(notes.select("pallet"), on="pallet", how="semi")
    if scope.module_type:
        modules = modules.filter(pl.col("module_type") == scope.module_type)
    found = modules.collect()
    undated = 0
    if scope.flashed_from or scope.flashed_to:
        found = found.join(_flash_days(record), on="serial", how="left")
        undated = int(found["flashed_on"].is_null().sum())
        day = pl.col("flashed_on")
        if scope.flashed_from:
            found = found.filter(day >= scope.flashed_from)
        if scope.flashed_to:
            found = found.filter(day <= scope.flashed_to)
    return found["serial"].drop_nulls().unique().sort().to_list(), undated


def later_modules(record: SiteRecord, recall: Recall) -> tuple[str, ...]:
    """Give serials that fit what a recall was chosen by, and came after it was entered.

    A recall by serials alone, narrowed to serials, or taken back, has none.
    """
    scope = recall.scope
    if not scope or scope.get("narrowed_to_serials") or recall.withdrawn_by:
        return ()
    first, last = scope.get("flashed_from"), scope.get("flashed_to")
    fitting, _ = _fitting(
        record,
        RecallScope(
            pallets=tuple(scope.get("pallets", ())),
            delivery_note=str(scope.get("delivery_note", "")),
            module_type=str(scope.get("module_type", "")),
            flashed_from=date.fromisoformat(first) if first else None,
            flashed_to=date.fromisoformat(last) if last else None,
        ),
    )
    known = {serial for one in recalls(record) if not one.withdrawn_by for serial in one.serials}
    return tuple(serial for serial in fitting if serial not in known)


def record_recall(record: SiteRecord, *, reason: str, scope: RecallScope) -> Entry:
    """Enter that modules are recalled; phones then refuse them at the scan.

    Args:
        record: the open site, in the name of who enters it.
        reason: what the maker says.
        scope: which modules.

    Raises:
        CallError: no reason is given, nothing says which modules, none fits, or too many do.
    """
    if not reason.strip():
        raise CallError(
            "recall-without-reason",
            "The recall has no reason.",
            "Say what the maker writes, with the number and day of the letter.",
        )
    if not scope.serials and not scope.as_dict():
        raise CallError(
            "recall-of-nothing",
            "Nothing says which modules are recalled.",
            "Give serials, pallets, a delivery note, a module type or days of the flash.",
        )
    serials, undated = _fitting(record, scope)
    if not 0 < len(serials) <= MOST_RECALLED:
        raise CallError(
            "recall-fits-not",
            f"{len(serials)} modules of this site fit what is given"
            + (f"; of {undated} more the day of the flash is not known." if undated else "."),
            f"Give what 1 to {MOST_RECALLED} modules fit; enter a greater recall in several.",
        )
    body = {
        "serials": serials,
        "reason": reason.strip()[:_REASON],
        "scope": scope.as_dict(),
        "undated": undated,
    }
    entry = NewEntry(
        kind=MODULES_RECALLED,
        subject_kind="site",
        subject=record.site.name,
        body=json_body(body),
    )
    return record.journal.append([entry])[0]


def withdraw_recall(record: SiteRecord, key: str, *, reason: str) -> Entry:
    """Take a recall back, by an entry in its place.

    Raises:
        CallError: there is no such recall, it was taken back already, or no reason is given.
    """
    standing = {one.key for one in recalls(record) if not one.withdrawn_by}
    if key not in standing or not reason.strip():
        raise CallError(
            "recall-unknown",
            "There is no such recall, it was taken back already, or no reason is given.",
            "Open the page anew and say why.",
        )
    entry = NewEntry(
        kind=RECALL_WITHDRAWN,
        subject_kind="site",
        subject=record.site.name,
        body=json_body({"recall": key, "reason": reason.strip()[:_REASON]}),
        supersedes=key,
    )
    return record.journal.append([entry])[0]
