"""Every database behind a record does what a record needs."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from arraywright.records.conformance import CHECKS, PlaceFactory


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_database_conforms(check: Callable[[PlaceFactory], None], new_place: PlaceFactory) -> None:
    """Each check of the shipped suite holds on each kind of database."""
    check(new_place)
