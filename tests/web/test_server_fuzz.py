"""Requests made from the interface's own document, sound and unsound: none stops the server."""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.schemas import OpenApiSchema

from arraywright.records.people import Role
from arraywright.web.jobs import Job, Jobs
from tests.web.serving import Office

EXAMPLES = 12


def _nothing(_jobs: Jobs, _job: Job) -> None:
    """Leave a job waiting: what procedures do with their input is tested elsewhere."""


def test_no_documented_request_gives_a_fault(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is sent to a documented route, the answer is no status of 500 and more."""
    monkeypatch.setattr(Jobs, "_run", _nothing)
    app = office.client.app
    assert isinstance(app, FastAPI)
    schema: OpenApiSchema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)
    lead = office.signed_in(Role.OWNER)
    headers = {
        "Cookie": f"arraywright={lead.cookies['arraywright']}",
        "X-CSRF-Token": lead.headers["X-CSRF-Token"],
    }
    asked = set()
    for result in schema.get_all_operations():
        assert isinstance(result, Ok)
        operation = result.ok()

        @given(case=operation.as_strategy())
        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def send(case: Any) -> None:
            answer = case.call(headers=headers)
            asked.add((case.method, case.path))
            assert answer.status_code < 500, (case.method, case.path, answer.text)

        send()
    assert len(asked) > 30
