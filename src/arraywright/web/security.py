"""What stands before every route: size limits, foreign pages, headers, log lines and counts."""

from __future__ import annotations

import json
import logging
import re
import secrets
import threading
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from arraywright.web.settings import MEBIBYTE, WebSettings

__all__ = ["PIECE_BYTES", "Counts", "Gatekeeper", "content_policy"]

_LOG: Final = logging.getLogger("arraywright.web")
_SAFE: Final = {"GET", "HEAD", "OPTIONS"}
_SECRET_PATHS: Final = re.compile(r"^(/join/)[^/]+")
_DEFAULT_BYTES: Final = 2 * MEBIBYTE
_PUSH_BYTES: Final = 16 * MEBIBYTE
PIECE_BYTES: Final = 4 * MEBIBYTE
"""The greatest piece of a file that a device sends at once."""

_BUCKETS_S: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.15, 0.25, 0.5, 1.0, 2.5, 10.0)

_POLICY: Final = (
    "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
_DECODER_POLICY: Final = (
    f"{_POLICY}; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self' blob:; media-src blob:"
)


def content_policy(path: str) -> str:
    """Give the content security policy of a path; only field pages run a decoder."""
    return _DECODER_POLICY if path == "/field" or path.startswith("/field/") else _POLICY


@dataclass(slots=True)
class Counts:
    """What the server counted since its start, for ``/metrics``.

    Attributes:
        requests: answers by method, kind of route and status.
        seconds: how many answers took at most each of some durations, and all of them.
        total_s: duration of all answers [s].
        sums: other counts by name, for example entries added.
    """

    requests: dict[tuple[str, str, int], int] = field(default_factory=dict)
    seconds: list[int] = field(default_factory=lambda: [0] * (len(_BUCKETS_S) + 1))
    total_s: float = 0.0
    sums: dict[str, int] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def answered(self, method: str, route: str, status: int, *, duration_s: float) -> None:
        """Count one answer."""
        with self._lock:
            key = (method, route, status)
            self.requests[key] = self.requests.get(key, 0) + 1
            self.total_s += duration_s
            for place, bound_s in enumerate(_BUCKETS_S):
                self.seconds[place] += duration_s <= bound_s
            self.seconds[-1] += 1

    def add(self, name: str, count: int = 1) -> None:
        """Add to a count of its own name."""
        with self._lock:
            self.sums[name] = self.sums.get(name, 0) + count

    def text(self) -> str:
        """Give all counts in the text form that monitoring programs read."""
        with self._lock:
            lines = ["# TYPE arraywright_requests_total counter"]
            lines += [
                f'arraywright_requests_total{{method="{method}",route="{route}",status="{status}"}}'
                f" {count}"
                for (method, route, status), count in sorted(self.requests.items())
            ]
            lines.append("# TYPE arraywright_request_seconds histogram")
            bounds = [*(f"{bound_s:g}" for bound_s in _BUCKETS_S), "+Inf"]
            lines += [
                f'arraywright_request_seconds_bucket{{le="{bound}"}} {count}'
                for bound, count in zip(bounds, self.seconds, strict=True)
            ]
            lines.append(f"arraywright_request_seconds_sum {self.total_s:.6f}")
            lines.append(f"arraywright_request_seconds_count {self.seconds[-1]}")
            for name, count in sorted(self.sums.items()):
                lines.append(f"# TYPE arraywright_{name}_total counter")
                lines.append(f"arraywright_{name}_total {count}")
        return "\n".join(lines) + "\n"


class _TooLargeError(HTTPException):
    """More bytes came than a request may have."""

    def __init__(self, most: int) -> None:
        super().__init__(413, f"The request has more than {most} bytes.")


class Gatekeeper:
    """An ASGI application around another one."""

    def __init__(self, app: ASGIApp, *, settings: WebSettings, counts: Counts) -> None:
        """Stand before an application."""
        self._app = app
        self._settings = settings
        self._counts = counts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or hand on one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        start = time.perf_counter()
        request_id = secrets.token_hex(8)
        headers = Headers(scope=scope)
        path: str = scope["path"]
        status = 500
        began = False

        async def answer(message: Message) -> None:
            nonlocal status, began
            if message["type"] == "http.response.start":
                status = message["status"]
                began = True
                self._add_headers(MutableHeaders(raw=message["headers"]), path, request_id)
                message["headers"] = message["headers"]
            await send(message)

        refusal = self._refusal(scope, headers, path)
        try:
            if refusal is not None:
                await refusal(scope, receive, answer)
            else:
                capped = _capped(receive, self._most_bytes(path))
                await self._app(scope, capped, answer)
        except _TooLargeError:
            if began:
                raise
            await self._too_large(path)(scope, receive, answer)
        except Exception as error:
            _note_fault(error, request_id)
            if began:
                raise
            await _refused(
                500,
                "fault",
                "The program itself failed.",
                f"Tell who keeps the server; the log names it {request_id}.",
            )(scope, receive, answer)
        finally:
            self._note(scope, path, status, request_id, time.perf_counter() - start)

    def _refusal(self, scope: Scope, headers: Headers, path: str) -> JSONResponse | None:
        declared = headers.get("content-length", "0")
        if not declared.isdigit() or int(declared) > self._most_bytes(path):
            return self._too_large(path)
        if scope["method"] in _SAFE or "authorization" in headers:
            return None
        site = headers.get("sec-fetch-site", "same-origin")
        origin = headers.get("origin")
        foreign = site not in {"same-origin", "none"} or (
            origin is not None and urlsplit(origin).netloc != headers.get("host", "")
        )
        if not foreign:
            return None
        return _refused(
            403,
            "foreign-page",
            "This request comes from a page of another server.",
            "Open this server's own page and repeat.",
        )

    def _most_bytes(self, path: str) -> int:
        if path.startswith("/sync/v1/files/"):
            return PIECE_BYTES
        if path.startswith("/sync/"):
            return _PUSH_BYTES
        if path.startswith(("/uploads", "/api/v1/files")):
            return self._settings.max_upload_bytes
        return _DEFAULT_BYTES

    def _too_large(self, path: str) -> JSONResponse:
        return _refused(
            413,
            "request-too-large",
            f"The request has more than {self._most_bytes(path)} bytes.",
            "Send it in parts.",
        )

    def _add_headers(self, headers: MutableHeaders, path: str, request_id: str) -> None:
        headers["Content-Security-Policy"] = content_policy(path)
        headers["X-Content-Type-Options"] = "nosniff"
        headers["Referrer-Policy"] = "same-origin"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        headers["Permissions-Policy"] = "camera=(self), geolocation=(), microphone=()"
        headers["X-Request-Id"] = request_id
        if self._settings.https:
            headers["Strict-Transport-Security"] = "max-age=31536000"
        if "cache-control" not in headers:
            headers["Cache-Control"] = "no-cache" if path.startswith("/static/") else "no-store"

    def _note(
        self, scope: Scope, path: str, status: int, request_id: str, duration_s: float
    ) -> None:
        route = scope.get("route")
        shown = getattr(route, "path", "") or "other"
        self._counts.answered(scope["method"], shown, status, duration_s=duration_s)
        visitor = scope.get("state", {}).get("visitor")
        _LOG.info(
            json.dumps(
                {
                    "event": "request",
                    "id": request_id,
                    "method": scope["method"],
                    "path": _SECRET_PATHS.sub(r"\1...", path),
                    "status": status,
                    "ms": round(duration_s * 1000, 1),
                    "person": getattr(visitor, "person_id", None),
                    "device": (getattr(visitor, "device", None) or "")[:8] or None,
                }
            )
        )


def _note_fault(error: Exception, request_id: str) -> None:
    """Write a log line with the kind and the places of a fault, and nothing of its content."""
    places = [
        f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
        for frame in traceback.extract_tb(error.__traceback__)
    ]
    _LOG.error(
        json.dumps(
            {
                "event": "fault",
                "id": request_id,
                "kind": type(error).__name__,
                "places": places[-12:],
            }
        )
    )


def _capped(receive: Receive, most: int) -> Receive:
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > most:
                raise _TooLargeError(most)
        return message

    return limited


def _refused(status: int, code: str, message: str, remedy: str) -> JSONResponse:
    return JSONResponse(
        {"error": {"code": code, "message": message, "remedy": remedy}}, status_code=status
    )
