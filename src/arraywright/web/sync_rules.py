"""Which entries of devices are taken: whose device, whose name, which kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from arraywright.records import DEVICE_INTRODUCED, Entry
from arraywright.records.people_access import Device
from arraywright.web.access import CREWS, TESTERS, Role

__all__ = ["OFFICE_KINDS", "Refusal", "authors", "refusal_of", "roles_for_kind"]

OFFICE_KINDS: Final = frozenset(
    {
        "design_checked",
        "file_received",
        "file_withdrawn",
        "delivery_reconciled",
        "allocation_planned",
        "strings_judged",
        "dossier_written",
        "test_session_signed",
    }
)
"""Kinds of entry that only procedures and office pages make."""

_OFFICE_PREFIX: Final = "office_"
_TESTER_KINDS: Final = frozenset({"string_tested"})
_TESTER_PREFIX: Final = "test_"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why an entry is not taken.

    Attributes:
        code: stable key, as docs/sync.md lists them.
        reason: a sentence.
    """

    code: str
    reason: str


def roles_for_kind(kind: str) -> tuple[Role, ...]:
    """Give the roles whose devices may make entries of a kind; none for the office's own."""
    if kind in OFFICE_KINDS or kind.startswith(_OFFICE_PREFIX):
        return ()
    if kind in _TESTER_KINDS or kind.startswith(_TESTER_PREFIX):
        return TESTERS
    return CREWS


def refusal_of(entry: Entry, devices: Mapping[str, Device]) -> Refusal | None:
    """Say why an entry is not taken, its form and signature aside; None when it may be.

    Args:
        entry: the entry.
        devices: devices of the site by id.
    """
    device = devices.get(entry.device)
    if device is None:
        return Refusal(
            code="device-unknown", reason="The entry's device was never enrolled at this site."
        )
    if device.revoked is not None:
        return Refusal(code="device-revoked", reason="The entry's device was given up.")
    if entry.person != device.person.name:
        return Refusal(
            code="person-not-bound",
            reason=f"The device belongs to {device.person.name}, not to {entry.person}.",
        )
    if entry.kind == DEVICE_INTRODUCED:
        return None
    roles = roles_for_kind(entry.kind)
    if not roles:
        return Refusal(
            code="kind-reserved", reason=f"Entries {entry.kind} are made in the office only."
        )
    if device.person.role not in roles:
        return Refusal(
            code="kind-not-allowed",
            reason=f"{device.person.name} may not make entries {entry.kind} in the role "
            f"{device.person.role.value}.",
        )
    return None


def authors(entries: Sequence[Entry]) -> list[str]:
    """List the devices that made some entries, each once."""
    return list(dict.fromkeys(entry.device for entry in entries))
