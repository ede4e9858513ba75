"""A PostgreSQL server for tests, from Debian's package, as a user without rights."""

from __future__ import annotations

import contextlib
import os
import pwd
import secrets
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import sqlalchemy as sa

__all__ = ["POSTGRES_VARIABLE", "new_database", "postgres_server"]

POSTGRES_VARIABLE = "ARRAYWRIGHT_TEST_POSTGRES"
"""Environment variable that names a server to use in place of one started here."""


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    if path := shutil.which("initdb"):
        return Path(path).parent
    raise AssertionError("No PostgreSQL is installed. Install it: apt-get install postgresql-15")


def _run(words: list[str]) -> None:
    as_other = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
    done = subprocess.run(  # noqa: S603
        words, capture_output=True, text=True, check=False, cwd="/", **as_other
    )  # type: ignore[call-overload]
    assert done.returncode == 0, done.stderr + done.stdout


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextlib.contextmanager
def postgres_server() -> Iterator[str]:
    """Give the URL of a server, one started for the tests unless the environment names one."""
    if url := os.environ.get(POSTGRES_VARIABLE):
        yield url
        return
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="arraywright-postgres-"))
    if os.geteuid() == 0:
        account = pwd.getpwnam("postgres")
        os.chown(folder, account.pw_uid, account.pw_gid)
    data = folder / "data"
    port = _free_port()
    options = (
        f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} "
        "-c fsync=off -c max_connections=60 -c shared_buffers=32MB"
    )
    try:
        _run(
            [
                str(programs / "initdb"),
                *("-D", str(data), "-U", "tester", "-A", "trust"),
                *("-E", "UTF8", "--locale=C.UTF-8", "--no-sync"),
            ]
        )
        log = str(folder / "log")
        start = [str(programs / "pg_ctl"), "-D", str(data), "-l", log, "-o", options]
        # The server keeps what it inherits open: nothing of ours may be among it.
        _run([*start, "-w", "start"])
        try:
            yield f"postgresql://tester@127.0.0.1:{port}/postgres"
        finally:
            _run([str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "stop"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def new_database(server_url: str) -> Iterator[str]:
    """Give the URL of an empty database of its own, dropped afterwards."""
    server = sa.make_url(server_url).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    name = f"arraywright_test_{secrets.token_hex(6)}"
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    address = server.set(drivername="postgresql", database=name)
    try:
        yield address.render_as_string(hide_password=False)
    finally:
        with engine.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        engine.dispose()
