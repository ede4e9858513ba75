"""The benchmark runner; what it measures is not judged here."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from benchmarks import __main__ as runner
from benchmarks.common import BenchRow, load_module, module_names, peak_rss_mb


def _rows(*, met: bool) -> dict[str, list[BenchRow]]:
    return {
        name: [BenchRow(name="something", figure=1.5, unit="s", target="under 2 s", met=met)]
        for name in module_names()
    }


def test_every_benchmark_module_offers_a_run() -> None:
    """What stands in the package and is not shared can be run by its name."""
    assert "single_diode" in module_names()
    assert "common" not in module_names()
    for name in module_names():
        assert callable(load_module(name).run)


def test_an_unknown_name_is_told_with_the_known_ones() -> None:
    """A slip in a name ends with code 2 and the names there are."""
    result = CliRunner().invoke(runner.main, ["--only", "single_diod"])
    assert result.exit_code == 2
    assert "single_diode" in result.output


@pytest.mark.parametrize("met", [True, False])
def test_json_is_one_document_and_a_missed_target_ends_with_one(
    monkeypatch: pytest.MonkeyPatch, *, met: bool
) -> None:
    """Another program reads stdout as it is, and the exit code says whether targets are met."""
    measured = _rows(met=met)
    monkeypatch.setattr(runner, "_run_apart", lambda name, **_: measured[name])
    result = CliRunner().invoke(runner.main, ["--json", "--quick"])
    document = json.loads(result.stdout)
    assert document["quick"] is True
    assert document["met"] is met
    assert [row["module"] for row in document["rows"]] == module_names()
    assert document["rows"][0]["figure"] == 1.5
    assert result.exit_code == (0 if met else 1)


def test_the_table_names_targets_that_are_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A person sees the miss without looking at the exit code."""
    measured = _rows(met=False)
    monkeypatch.setattr(runner, "_run_apart", lambda name, **_: measured[name])
    result = CliRunner().invoke(runner.main, ["--only", "single_diode"])
    assert "under 2 s" in result.stdout
    assert "NO" in result.stdout


def test_peak_memory_is_that_of_a_running_interpreter() -> None:
    """The gauge gives megabytes."""
    assert 10.0 < peak_rss_mb() < 100_000.0
