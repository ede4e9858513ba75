"""The demo's design: sound as it is, and every mistake put in is found with its remedy."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from arraywright.cli.main import cli
from arraywright.demo.design_mistakes import (
    DESIGN_MISTAKES,
    DesignMistake,
    description_with,
    run_design_mistakes,
)
from arraywright.demo.prepare import prepare, sound_description
from arraywright.demo.scenario import SCENARIO
from arraywright.demo.story import story_clock
from arraywright.findings import Verdict
from arraywright.procedures.check import check
from arraywright.procedures.report import NO_PROGRESS

Verdicts = Callable[[tuple[DesignMistake, ...]], dict[str, Verdict]]


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> Verdicts:
    """Give a function that checks the demo site with mistakes in it: worst verdict by check."""
    folder = tmp_path_factory.mktemp("design") / "site"
    prepare(folder, SCENARIO)
    order = list(Verdict)

    def checked(mistakes: tuple[DesignMistake, ...]) -> dict[str, Verdict]:
        text = description_with(sound_description(), mistakes)
        (folder / "site.toml").write_text(text, "utf-8")
        report = check(folder, now=story_clock(SCENARIO).now, progress=NO_PROGRESS)
        worst: dict[str, Verdict] = {}
        for one in report.findings:
            held = worst.get(one.check, one.verdict)
            worst[one.check] = max(held, one.verdict, key=order.index)
        return worst

    return checked


def _failing(verdicts: dict[str, Verdict]) -> set[str]:
    return {key for key, verdict in verdicts.items() if verdict is Verdict.FAIL}


def test_ten_mistakes_are_found_and_none_invented(tmp_path: Path) -> None:
    """Each is found with the remedy that undoes it, and nothing fails besides."""
    report = run_design_mistakes(tmp_path / "site", progress=NO_PROGRESS)
    assert report.result["put_in"] == 10
    assert report.result["found"] == 10
    assert report.result["invented"] == []
    assert report.exit_code == 0
    told = (tmp_path / "site" / "site.toml").read_text("utf-8")
    assert "mistake" not in told


def test_sound_design_fails_nothing_and_leaves_nothing_open(verdicts: Verdicts) -> None:
    """The demo site describes all that the checks ask for, and none of them fails."""
    found = verdicts(())
    assert len(found) >= 45
    assert set(found.values()) <= {Verdict.PASS, Verdict.REVIEW}
    assert [key for key, one in found.items() if one is Verdict.REVIEW] == ["string-voc-cold-table"]


@pytest.mark.parametrize("mistake", DESIGN_MISTAKES, ids=[one.checks[0] for one in DESIGN_MISTAKES])
def test_mistake_undone_is_no_longer_told(verdicts: Verdicts, mistake: DesignMistake) -> None:
    """Without it the other nine are told, each by its own checks, and nothing else."""
    others = tuple(one for one in DESIGN_MISTAKES if one is not mistake)
    assert _failing(verdicts(others)) == {key for one in others for key in one.checks}


def test_change_of_a_line_that_is_not_there_is_refused() -> None:
    """A mistake that no longer fits the description is an error, not a silent nothing."""
    with pytest.raises(ValueError, match="not once"):
        description_with("columns = 25\n", DESIGN_MISTAKES[:1])


def test_command_takes_the_flag() -> None:
    """The command line offers the variant."""
    names = {name for one in cli.commands["demo"].params for name in one.opts}
    assert "--with-design-mistakes" in names
