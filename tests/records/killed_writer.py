"""A program that stores files and records them, to be killed: arguments FOLDER and COUNT."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from arraywright.records import DeviceIdentity, Journal, NewEntry, Sought, json_body


def record_all(folder: Path, count: int) -> None:
    """Store and record flash lists 0 to count - 1, each once however often this runs."""
    identity = DeviceIdentity.load_or_create(home=folder / "home")
    with Journal.open(
        folder / "record.sqlite",
        device=identity,
        person="Person",
        now=lambda: datetime.now(UTC),
    ) as journal:
        assert journal.files is not None
        for number in range(count):
            source = folder / f"flash-{number}.csv"
            if not source.exists():
                temporary = source.with_suffix(".new")
                temporary.write_bytes(b"serial;pmax_w\n" + b"%d;405.2\n" % number * 20_000)
                temporary.replace(source)
            stored = journal.files.put_path(source)
            sought = Sought(kind="flash_list_read", subject_kind="file", subject=stored.sha256)
            body = json_body({"files": [stored.named(source.name)]})
            head = NewEntry(
                kind=sought.kind,
                subject_kind=sought.subject_kind,
                subject=sought.subject,
                body=body,
            )
            modules = [
                NewEntry(
                    kind="module_listed",
                    subject_kind="module",
                    subject=f"S{number}-{row}",
                    body=json_body({"row": row}),
                )
                for row in range(10)
            ]
            journal.append([head, *modules], unless=sought)
            print(f"recorded {number}", flush=True)


def serve(folder: Path, count: int) -> None:
    """Start the work anew for every line that comes in, so that starting costs no time."""
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            record_all(folder, count)
            os._exit(0)
        print(f"started {child}", flush=True)
        _, status = os.waitpid(child, 0)
        print(f"ended {os.waitstatus_to_exitcode(status)}", flush=True)


if __name__ == "__main__":
    serve(Path(sys.argv[1]), int(sys.argv[2]))
