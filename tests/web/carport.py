"""Deliveries and readings of the small site, as somebody would hand them in."""

from __future__ import annotations

import time
from typing import Any

from fastapi.testclient import TestClient

__all__ = ["FLASH", "ORDER", "PALLETS", "SCANS", "hand_in", "readings", "serial", "wait"]

PALLETS = ("390000000000000019", "390000000000000026")


def serial(number: int) -> str:
    """Give the serial of a module."""
    return f"MY44026{number:05d}"


ORDER = b"Order number,Module type,Power class [W],Modules\nPO-1,MILL 440,440,44\n"
SCANS = (
    "Pallet label,Scanned at,Type on label,Power class on label (W),Modules counted,Condition\n"
    + "".join(
        f"{pallet},2026-05-04T07:3{number}:00+02:00,MILL 440,440,22,{condition}\n"
        for number, (pallet, condition) in enumerate(zip(PALLETS, ("ok", "damaged"), strict=True))
    )
).encode()
FLASH = (
    "Serial,Pallet,Module type,Power class [W],Pmax [W],Voc [V],Isc [A],Vmp [V],Imp [A]\n"
    + "".join(
        f"{serial(number)},{PALLETS[number // 22]},MILL 440,440,"
        f"{33.2 * (13.26 + 0.01 * (number % 5)):.3f},39.6{number % 7},14.0{number % 5},33.2,"
        f"{13.26 + 0.01 * (number % 5):.2f}\n"
        for number in range(44)
    )
).encode()


def readings(voc_v: float) -> bytes:
    """Give readings of both strings, the second with another open-circuit voltage [V]."""
    return (
        "String,Measured at,Polarity,Voc [V],Isc [A],Irradiance [W/m2],Module temperature [degC],"
        "Tested by\n"
        "C-S01,2026-06-01T12:00:00+02:00,ok,760.5,10.02,710,41,Sam Tester\n"
        f"C-S02,2026-06-01T12:04:00+02:00,ok,{voc_v},10.05,712,41,Sam Tester\n"
    ).encode()


def wait(client: TestClient, job_id: str) -> dict[str, Any]:
    """Wait until a piece of work is over and give it."""
    deadline = time.monotonic() + 120
    while True:
        job: dict[str, Any] = client.get(f"/api/v1/jobs/{job_id}").json()
        if job["state"] in {"done", "failed", "cancelled"}:
            return job
        assert time.monotonic() < deadline, job
        time.sleep(0.1)


def hand_in(client: TestClient, station: str, **files: bytes) -> dict[str, Any]:
    """Hand files in at a station and wait for what comes of it."""
    answer = client.post(
        f"/uploads/{station}",
        files=[("files", (f"{name}.csv", data)) for name, data in files.items()],
        headers={"Accept": "application/json"},
    )
    assert answer.status_code == 202, answer.text
    return wait(client, answer.json()["job"])
