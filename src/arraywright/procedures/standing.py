"""Entries of which one stands for each subject: a later one is entered in place of the earlier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry, NewEntry, json_body

__all__ = ["enter_anew"]


def enter_anew(
    record: SiteRecord, kind: str, *, about: tuple[str, str], body: Mapping[str, Any]
) -> Entry:
    """Enter something about a subject in place of the entry of this kind that stands.

    Args:
        record: the open site, in the name of who enters it.
        kind: kind of entry.
        about: kind of subject, and subject.
        body: what is said of it.

    Raises:
        RecordError: somebody entered another one at the same moment.
    """
    subject_kind, subject = about
    before = None
    for entry in record.journal.live(kind=kind, subject_kind=subject_kind, subject=subject):
        before = entry.uuid
    made = NewEntry(
        kind=kind,
        subject_kind=subject_kind,
        subject=subject,
        body=json_body(body),
        supersedes=before,
    )
    return record.journal.append([made])[0]
