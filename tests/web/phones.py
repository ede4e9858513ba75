"""Devices for tests: they make signed entries and send them, and nothing else."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from arraywright.records import DeviceIdentity, Entry, entry_as_json, json_body
from arraywright.records.entry import entry_hash, entry_uuid, format_time
from arraywright.records.people import Person
from arraywright.records.people_access import make_device_code
from tests.web.serving import Office

__all__ = ["Phone", "enrolled"]

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


@dataclass(kw_only=True)
class Phone:
    """A device of one person with its chain of entries."""

    identity: DeviceIdentity
    person: str
    token: str = ""
    entries: list[Entry] = field(default_factory=list)
    clock: datetime = START

    def make(
        self,
        kind: str,
        subject_kind: str,
        subject: str,
        fields: dict[str, Any],
        *,
        supersedes: str | None = None,
    ) -> Entry:
        """Make, sign and keep the next entry."""
        self.clock += timedelta(seconds=7)
        previous = self.entries[-1].entry_hash if self.entries else bytes(32)
        body = json_body(fields)
        said = {
            "device": self.identity.device,
            "sequence": len(self.entries) + 1,
            "person": self.person,
            "kind": kind,
            "subject_kind": subject_kind,
            "subject": subject,
            "supersedes": supersedes,
            "previous_hash": previous,
            "body": body,
        }
        signed = entry_hash(device_time=format_time(self.clock), **said)  # type: ignore[arg-type]
        entry = Entry(
            uuid=entry_uuid(signed),
            device_time=self.clock,
            entry_hash=signed,
            signature=self.identity.sign(signed),
            **said,  # type: ignore[arg-type]
        )
        self.entries.append(entry)
        return entry

    def introduce(self) -> Entry:
        """Make the first entry."""
        key = self.identity.device
        return self.make(
            "device_introduced",
            "device",
            key,
            {"algorithm": "Ed25519", "label": self.identity.label, "public_key": key},
        )

    def place(self, serial: str, position: str) -> Entry:
        """Make an entry of a placed module."""
        return self.make("module_placed", "module", serial, {"position": position})

    @property
    def headers(self) -> dict[str, str]:
        """What every request carries."""
        return {"Authorization": f"Bearer {self.token}"}

    def batch(self, entries: list[Entry] | None = None) -> dict[str, Any]:
        """Give what is pushed: all entries, or some."""
        chosen = self.entries if entries is None else entries
        return {
            "device_time": format_time(self.clock),
            "entries": [entry_as_json(entry) for entry in chosen],
        }


def enrolled(office: Office, person: Person, name: str) -> Phone:
    """Enrol a new device of a person as the field page does."""
    phone = Phone(
        identity=DeviceIdentity.from_seed(hashlib.sha256(name.encode()).digest(), label=name),
        person=person.name,
    )
    code = make_device_code(office.site.people, person.id, hours=1)
    answer = office.client.post(
        "/sync/v1/enrol",
        json={"code": code, "label": name, "entry": entry_as_json(phone.introduce())},
    )
    assert answer.status_code == 200, answer.text
    phone.token = answer.json()["token"]
    return phone
