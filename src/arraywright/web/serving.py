"""Running the server: listening, stopping with what is under way finished, log lines."""

from __future__ import annotations

import logging
import signal
import socket
import sys
from pathlib import Path
from typing import Final, TextIO

import uvicorn

from arraywright.errors import MachineError
from arraywright.readers.site import require_site
from arraywright.records.people import Role
from arraywright.web.app import create_app
from arraywright.web.settings import WebSettings
from arraywright.web.site_handle import SiteHandle

__all__ = ["first_link", "serve"]

_FIRST: Final = "first start"
_FIRST_HOURS: Final = 24
_STOP_S: Final = 20


def serve(
    settings: WebSettings,
    *,
    host: str,
    port: int,
    certificate: Path | None = None,
    key: Path | None = None,
) -> None:
    """Serve a site until the program is told to stop.

    Args:
        settings: what to serve.
        host: address to listen on.
        port: port to listen on.
        certificate: certificate chain in PEM, for HTTPS.
        key: its private key in PEM.

    A description with mistakes is served: pages name them, and it can be mended meanwhile.

    Raises:
        InputFileError: there is no site in the folder; nothing is written into it.
        MachineError: the address is taken or not to be had.
        ArraywrightError: the record cannot be used.
    """
    require_site(settings.folder)
    listening = _listen(host, port)
    app = create_app(settings)
    _log_to(sys.stderr)
    link = first_link(app.state.site)
    print(f"Serving {app.state.site.name()} at {settings.address}", flush=True)
    if link:
        print(
            f"Nobody owns this site yet. Open this link once to become its owner:\n{link}",
            flush=True,
        )
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=_STOP_S,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    # The server stops in order on these two and then raises them again for whoever waits.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: None)
    with listening:
        uvicorn.Server(config).run(sockets=[listening])


def first_link(site: SiteHandle) -> str:
    """Give the one-time link that makes the owner; empty when there is an owner.

    Every start without an owner gives a new link and makes the one before worthless.
    """
    if site.people.owners():
        return ""
    site.people.withdraw_invitations(made_by=_FIRST)
    secret = site.people.invite(role=Role.OWNER, made_by=_FIRST, hours=_FIRST_HOURS)
    return f"{site.settings.address}/join/{secret}"


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(2048)
    except OSError as error:
        made.close()
        raise MachineError(
            "address-not-to-be-had",
            f"The address {host}:{port} cannot be listened on: {error.strerror or error}.",
            "Give another with --port and --host, or stop the program that uses it.",
        ) from error
    return made


def _log_to(stream: TextIO) -> None:
    handler = logging.StreamHandler(stream)
    handler.setFormatter(logging.Formatter("%(message)s"))
    log = logging.getLogger("arraywright.web")
    log.setLevel(logging.INFO)
    log.handlers = [handler]
    log.propagate = False
