"""What happened: the append-only journal, its files and its projections."""

from arraywright.records.conflicts import SUBJECT, Conflict, ConflictsProjection, Exclusive
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
from arraywright.records.exchange import (
    entry_as_json,
    entry_from_json,
    read_entries,
    write_entries,
)
from arraywright.records.files import FileStore, StoredFile
from arraywright.records.identity import HOME_VARIABLE, DeviceIdentity, home_folder
from arraywright.records.journal import FILES_FOLDER, Journal, MergeOutcome, MergeResult, Sought
from arraywright.records.projections import (
    PROJECTION_PREFIX,
    LatestEntry,
    LatestProjection,
    Projection,
    ProjectionProgress,
    ProjectionRunner,
)
from arraywright.records.store import Store
from arraywright.records.verify import JournalSeal

__all__ = [
    "DEVICE_INTRODUCED",
    "DEVICE_SUBJECT",
    "FILES_FOLDER",
    "HOME_VARIABLE",
    "MAX_BODY_BYTES",
    "PROJECTION_PREFIX",
    "SUBJECT",
    "Conflict",
    "ConflictsProjection",
    "DeviceIdentity",
    "Entry",
    "Exclusive",
    "FileStore",
    "Journal",
    "JournalSeal",
    "LatestEntry",
    "LatestProjection",
    "MergeOutcome",
    "MergeResult",
    "NamedFile",
    "NewEntry",
    "Projection",
    "ProjectionProgress",
    "ProjectionRunner",
    "Sought",
    "Store",
    "StoredFile",
    "entry_as_json",
    "entry_from_json",
    "home_folder",
    "json_body",
    "named_files",
    "parse_body",
    "read_entries",
    "write_entries",
]
