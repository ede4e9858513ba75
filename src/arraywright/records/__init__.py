"""What happened: the append-only journal, its files and its projections."""

from arraywright.records.entry import (
    DEVICE_INTRODUCED,
    DEVICE_SUBJECT,
    MAX_BODY_BYTES,
    Entry,
    NamedFile,
    NewEntry,
    json_body,
    named_files,
    parse_body,
)
from arraywright.records.files import FileStore, StoredFile
from arraywright.records.identity import HOME_VARIABLE, DeviceIdentity, home_folder
from arraywright.records.journal import FILES_FOLDER, Journal, MergeOutcome, MergeResult, Sought
from arraywright.records.verify import JournalSeal

__all__ = [
    "DEVICE_INTRODUCED",
    "DEVICE_SUBJECT",
    "FILES_FOLDER",
    "HOME_VARIABLE",
    "MAX_BODY_BYTES",
    "DeviceIdentity",
    "Entry",
    "FileStore",
    "Journal",
    "JournalSeal",
    "MergeOutcome",
    "MergeResult",
    "NamedFile",
    "NewEntry",
    "Sought",
    "StoredFile",
    "home_folder",
    "json_body",
    "named_files",
    "parse_body",
]
