"""The page about the commands says what the commands say."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from arraywright.cli.main import cli
from arraywright.cli.reference import command_reference

_PAGE = Path(__file__).parents[2] / "docs" / "commands.md"


def test_the_page_is_the_one_the_program_gives() -> None:
    """Whoever changes a command renews the page: python -m arraywright.cli.reference."""
    assert _PAGE.read_text(encoding="utf-8") == command_reference()


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_and_option_stands_on_the_page(name: str) -> None:
    """Nothing can be called that is not explained."""
    page = _PAGE.read_text(encoding="utf-8")
    _, found, rest = page.partition(f"\n## {name}\n")
    assert found
    part = rest.partition("\n## ")[0]
    for parameter in cli.commands[name].params:
        if isinstance(parameter, click.Option):
            for option in parameter.opts:
                assert f"`{option}`" in part
            assert parameter.help
            assert parameter.help in part
        else:
            assert parameter.human_readable_name in part
