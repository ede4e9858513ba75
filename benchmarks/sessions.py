"""All readings of a site explained together: what is seen, what is called for nothing, how fast."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray
from arraywright.commissioning import CommissioningResult, judge
from arraywright.commissioning.session_causes import READING_CAUSES
from benchmarks._session_sites import FAULTS, NOW, Settings, TestDays, make_days
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

ALARMS: Final = 0.001
SECONDS_TARGET: Final = 60.0
MEMORY_TARGET_MB: Final = 3072.0
WITHIN_ORACLE: Final = 0.02
MISSING_TARGET: Final = 0.999
CALIBRATION_TARGET: Final = 0.02
CHANCE_SIGMAS: Final = 3.0
GROWTH_TARGET: Final = 1.3
_IN_STRING: Final = [
    place for place, name in enumerate(FAULTS) if name not in {"none", *READING_CAUSES}
]
_SEEN: Final = {"bypass-diode-shorted": 0.03, "module-missing": 0.03, "label-wrong": 0.002}


def _judged(days: TestDays) -> CommissioningResult:
    return judge(
        days.site,
        readings=days.readings,
        instruments=days.instruments,
        modules=days.modules,
        now_utc=NOW,
        required_tests=("voc", "isc"),
    )


def _column(result: CommissioningResult, name: str) -> FloatArray:
    held = result.strings[name].fill_null(float("nan")).to_numpy()
    return np.asarray(held, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """Scores of several ways to judge, strings of several sites one after the other."""

    fault: FloatArray
    called: FloatArray
    scores: dict[str, FloatArray]

    def share(self, score: str, fault: str) -> float:
        """Share of a fault seen when a thousandth of the sound strings is called."""
        held = self.scores[score]
        limit = np.quantile(held[self.fault == 0], 1.0 - ALARMS)
        return float((held[self._is(fault)] > limit).mean())

    def share_called(self, fault: str) -> float:
        """Share of a fault the joint verdict calls by its own limit."""
        return float(self.called[self._is(fault)].mean())

    def _is(self, fault: str) -> BoolArray:
        return np.asarray(self.fault == FAULTS.index(fault))


def _seen(*, strings: int, seeds: tuple[int, ...], degrees: float | None) -> _Seen:
    fault, called = [], []
    scores: dict[str, list[FloatArray]] = {"oracle": [], "model": [], "z": [], "rule": []}
    for seed in seeds:
        days = make_days(Settings(strings=strings, seed=seed, shares=_SEEN, degrees=degrees))
        result = _judged(days)
        evidence = _column(result, "session_evidence")
        deviation = _column(result, "voc_deviation_ratio")
        held = np.isfinite(evidence) & np.isfinite(deviation)
        fault.append(days.fault[held].astype(np.float64))
        called.append(result.strings["unlike_chance"].to_numpy()[held].astype(np.float64))
        # a plain z-score: mean and standard deviation of everything a crew has read
        crew = days.readings["meter"].rank("dense").to_numpy()
        z = np.full(len(deviation), np.nan)
        for number in np.unique(crew):
            rows = held & (crew == number)
            z[rows] = (deviation[rows] - deviation[rows].mean()) / deviation[rows].std()
        for name, score in (
            ("oracle", days.oracle_score),
            ("model", evidence),
            ("z", -z),
            ("rule", np.abs(deviation)),
        ):
            scores[name].append(score[held])
    return _Seen(
        fault=np.concatenate(fault),
        called=np.concatenate(called),
        scores={name: np.concatenate(parts) for name, parts in scores.items()},
    )


def _seen_rows(*, quick: bool) -> list[BenchRow]:
    strings, seeds = (4_000, (5,)) if quick else (70_000, (5, 6))
    rows: list[BenchRow] = []
    for degrees, words in ((None, "normal"), (4.0, "heavy-tailed (t, 4 degrees of freedom)")):
        seen = _seen(strings=strings, seeds=seeds, degrees=degrees)
        size = f"{len(seen.fault):,} readings, {words} scatter of 1.0 K"
        diode = {
            name: seen.share(name, "bypass-diode-shorted") for name in ("oracle", "model", "z")
        }
        rule = float((seen.scores["rule"][seen.fault == 1] > 0.05).mean())
        judged = degrees is None and not quick
        near = diode["model"] >= diode["oracle"] - WITHIN_ORACLE
        rows.append(
            BenchRow(
                name=f"one shorted diode of 28 modules seen at 0.1 % false alarms, {size}",
                figure=diode["model"],
                unit="share",
                reference_name=f"oracle {diode['oracle']:.3f}, plain z-score {diode['z']:.3f}, "
                f"5 % rule {rule:.3f}",
                target=f"within {WITHIN_ORACLE:g} of the oracle" if judged else "",
                met=near or not judged,
            )
        )
        alarms, sound = seen.share_called("none"), int((seen.fault == 0).sum())
        chance = CHANCE_SIGMAS * float(np.sqrt(ALARMS / sound))
        rows.append(
            BenchRow(
                name=f"sound strings called by the joint verdict itself, {size}; it sees "
                f"{seen.share_called('bypass-diode-shorted'):.3f} of the diodes",
                figure=alarms,
                unit="share",
                reference_name=f"allowed {ALARMS:g}, chance {chance:.5f}",
                target=f"below {ALARMS + chance:.5f}",
                met=alarms < ALARMS + chance,
            )
        )
        missing = seen.share_called("module-missing")
        rows.append(
            BenchRow(
                name=f"one missing module of 28 seen, {size}",
                figure=missing,
                unit="share",
                target=f"at least {MISSING_TARGET:g}" if judged else "",
                met=missing >= MISSING_TARGET or not judged,
            )
        )
    return rows


def _calibration(*, strings: int, sessions: int) -> BenchRow:
    said, wrong = [], []
    for number in range(sessions):
        days = make_days(
            Settings(strings=strings, seed=100 + number, crews=max(1, min(4, strings // 200)))
        )
        probability = _column(_judged(days), "fault_probability")
        held = np.isfinite(probability)
        said.append(probability[held])
        wrong.append(np.isin(days.fault[held], _IN_STRING))
    p, truth = np.concatenate(said), np.concatenate(wrong)
    place = np.minimum((10.0 * p).astype(np.int64), 9)
    parts, met, worst = [], True, 0.0
    for number in range(10):
        rows = place == number
        count = int(rows.sum())
        if count == 0:
            parts.append("-")
            continue
        mean, share = float(p[rows].mean()), float(truth[rows].mean())
        chance = CHANCE_SIGMAS * float(np.sqrt(max(mean * (1.0 - mean), 1e-6) / count))
        beyond = abs(share - mean) - chance
        worst = max(worst, beyond)
        met &= beyond <= CALIBRATION_TARGET
        parts.append(f"{mean:.2f}:{share:.2f} ({count})")
    return BenchRow(
        name=f"fault in the string with p, so in a share of (strings), {sessions} sessions of "
        f"{strings:,}: {', '.join(parts)}",
        figure=worst,
        unit="beyond chance",
        reference_name="ten bins of p, chance: three standard deviations of a share",
        target=f"at most {CALIBRATION_TARGET:g} in each bin",
        met=met,
    )


def _pair_row(*, strings: int) -> BenchRow:
    days = make_days(Settings(strings=strings, seed=9))
    result = _judged(days)
    names = {name: place for place, name in enumerate(result.strings["string"].to_list())}
    told = np.array([names.get(name, -1) for name in result.strings["swapped_with"].to_list()])
    modules = result.strings["modules"].to_numpy()
    valid = np.isfinite(_column(result, "sound_probability"))
    pair = days.partner
    visible = (pair >= 0) & (modules != modules[pair]) & valid & valid[pair]
    found = float((told[visible] == pair[visible]).mean())
    false = int(((told >= 0) & (told != pair)).sum())
    return BenchRow(
        name=f"swapped labels of strings that differ in length named as a pair, "
        f"{int(visible.sum())} strings; {false} strings named for nothing",
        figure=found,
        unit="share",
        target="at least 0.95, none for nothing",
        met=found >= 0.95 and false == 0,
    )


def _speed_rows(*, quick: bool) -> list[BenchRow]:
    sizes = (1_000, 4_000) if quick else (17_500, 35_000, 70_000)
    seconds = []
    for strings in sizes:
        days = make_days(Settings(strings=strings, seed=1))
        seconds.append(timed(lambda held=days: _judged(held))[0])  # type: ignore[misc]
    each = [1e3 * took / strings for took, strings in zip(seconds, sizes, strict=True)]
    growth = each[-1] / each[0]
    shown = ", ".join(f"{n:,}: {took:.1f} s" for n, took in zip(sizes, seconds, strict=True))
    memory = peak_rss_mb()
    return [
        BenchRow(
            name=f"{sizes[-1]:,} strings judged from readings to verdicts and sentences",
            figure=seconds[-1],
            unit="s",
            seconds=seconds[-1],
            peak_rss_mb=memory,
            target=f"below {SECONDS_TARGET:g} s and {MEMORY_TARGET_MB:g} MB",
            met=seconds[-1] < SECONDS_TARGET and memory < MEMORY_TARGET_MB,
        ),
        BenchRow(
            name=f"time per string, largest site over smallest; {shown}",
            figure=growth,
            unit="1",
            target="" if quick else f"below {GROWTH_TARGET:g} (linear)",
            met=quick or growth < GROWTH_TARGET,
        ),
    ]


def run(*, quick: bool) -> list[BenchRow]:
    """Measure detection, alarms, calibration and speed; quick takes small sites."""
    _judged(make_days(Settings(strings=300, seed=2)))
    sizes = ((200, 4), (2_000, 1)) if quick else ((200, 100), (2_000, 10), (20_000, 2), (70_000, 1))
    return [
        *_speed_rows(quick=quick),
        *_seen_rows(quick=quick),
        _pair_row(strings=4_000 if quick else 20_000),
        *(_calibration(strings=strings, sessions=sessions) for strings, sessions in sizes),
    ]
