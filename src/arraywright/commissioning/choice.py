"""The counting readings of each string, as tables for people and other rooms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.causes import CAUTION, Cause, isc_cause, polarity_cause, voc_cause
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.deviations import Deviations
from arraywright.commissioning.expected import ExpectedStrings, StringNominal
from arraywright.commissioning.gates import GATE_WORDS, TESTS, Gate, texts_of_masks
from arraywright.commissioning.likely import CAUSE_WORDS, Likely
from arraywright.commissioning.session_causes import CAUSES
from arraywright.commissioning.standard import FAIL, PASS, REVIEW, InsulationLimits
from arraywright.commissioning.string_modules import StringModules
from arraywright.commissioning.suspects import opening_columns
from arraywright.findings import Verdict
from arraywright.plant import Site

__all__ = [
    "TEST_NAMES",
    "StringChoice",
    "cause_column",
    "readings_frame",
    "strings_frame",
    "verdict_words",
]

TEST_NAMES: Final = {
    "polarity": "polarity",
    "voc": "open-circuit voltage",
    "isc": "short-circuit current",
    "insulation": "insulation resistance",
    "continuity": "earth continuity",
}
"""The tests in words."""

_VERDICTS: Final = [
    Verdict.PASS.value,
    Verdict.NOT_ASSESSABLE.value,
    Verdict.REVIEW.value,
    Verdict.FAIL.value,
]
_TOLD_FROM: Final = 0.5
_CAUSES_TOLD: Final = 3
_CAUSE_TOLD_FROM: Final = 0.03
_PROBABILITY_DIGITS: Final = 9
_UNITS: Final = {"voc": "v", "isc": "a"}


@dataclass(frozen=True, slots=True, kw_only=True)
class StringChoice:
    """Everything the tables and findings are made of; arrays of shape (strings,).

    Attributes:
        site: the site.
        modules: the modules of its strings, in its order.
        nominal: values of the strings at STC.
        conditions: the readings.
        expected: what each reading should be.
        deviations: comparisons of the readings by quantity.
        chosen: for each test the counting reading, -1 where none is valid.
        attempted: for each test the newest reading with a value, -1 where there is none.
        limits: what the insulation must reach.
        standard: verdict number of each test.
        measurement: verdict number of each quantity.
        verdict_standard: the standard's verdict number.
        verdict_measurement: the measurement's verdict number.
        verdict: the overall verdict number.
        required_tests: tests a pass needs.
        likely: probability of each cause.
    """

    site: Site
    modules: StringModules
    nominal: StringNominal
    conditions: Conditions
    expected: ExpectedStrings
    deviations: dict[str, Deviations]
    chosen: dict[str, IntArray]
    attempted: dict[str, IntArray]
    limits: InsulationLimits
    standard: dict[str, IntArray]
    measurement: dict[str, IntArray]
    verdict_standard: IntArray
    verdict_measurement: IntArray
    verdict: IntArray
    required_tests: tuple[str, ...]
    likely: Likely


def verdict_words(numbers: IntArray) -> pl.Series:
    """Give verdict numbers as the words of ``Verdict``, (n,)."""
    return pl.Series("verdict", _VERDICTS, dtype=pl.String).gather(numbers)


def cause_column(cause: str) -> str:
    """Give the column with the probability of one of ``STRING_CAUSES``."""
    return f"p_{cause.replace('-', '_')}"


def _numbers(values: FloatArray) -> pl.Series:
    """Give an array as a column, missing where NaN."""
    return pl.Series("value", values, dtype=pl.Float64).fill_nan(None)


def _at(values: FloatArray, rows: IntArray) -> pl.Series:
    """Give values at rows, missing where the row is -1."""
    return _numbers(np.append(values, np.nan)[rows])


def _column_at(choice: StringChoice, column: str, test: str) -> pl.Series:
    """Give a column of the readings at the counting readings of a test."""
    rows = pl.Series("row", choice.chosen[test])
    safe = pl.select(pl.when(rows >= 0).then(rows).otherwise(None).alias("row"))["row"]
    held = choice.conditions.frame[column]
    if len(held) == 0:
        return pl.Series(column, [None] * len(rows), dtype=held.dtype)
    return held.gather(safe)


def strings_frame(choice: StringChoice) -> pl.DataFrame:
    """One row per string of the site, as described at ``CommissioningResult``."""
    strings = choice.site.strings
    columns: dict[str, pl.Series] = {
        "string": choice.modules.strings,
        "module_type": choice.modules.module_type,
        "modules": pl.Series("modules", choice.modules.lengths),
        "modules_source": choice.modules.source,
        "verdict": verdict_words(choice.verdict),
        "verdict_standard": verdict_words(choice.verdict_standard),
        "verdict_measurement": verdict_words(choice.verdict_measurement),
        "outcome": _outcome(choice),
    }
    for test in TESTS:
        columns[f"{test}_verdict"] = verdict_words(choice.standard[test])
    counted = np.bincount(
        choice.conditions.string_index[choice.conditions.string_index >= 0],
        minlength=len(strings),
    )
    columns["readings"] = pl.Series("readings", counted.astype(np.int64))
    columns["measured_at"] = _latest(choice)
    for quantity in ("voc", "isc"):
        columns |= _quantity_columns(choice, quantity)
    for name in ("riso_pos_megohm", "riso_neg_megohm", "riso_test_voltage_v"):
        columns[name] = _column_at(choice, name, "insulation")
    columns["riso_limit_megohm"] = _numbers(choice.limits.least_megohm)
    columns["riso_test_voltage_required_v"] = _numbers(choice.limits.test_voltage_v)
    columns["insulation_measured_at"] = _column_at(choice, "measured_at", "insulation")
    columns["earth_continuity_ohm"] = _column_at(choice, "earth_continuity_ohm", "continuity")
    columns["earth_continuity_limit_ohm"] = _numbers(
        np.full(len(strings), choice.site.commissioning.earth_continuity_max_ohm)
    )
    columns["continuity_measured_at"] = _column_at(choice, "measured_at", "continuity")
    columns |= _likely(choice)
    columns |= _causes(choice)
    columns |= opening_columns(choice.site, modules=choice.modules, likely=choice.likely)
    columns["reasons"] = _reasons(choice, columns)
    return pl.DataFrame(columns)


def _latest(choice: StringChoice) -> pl.Series:
    """Moment of the newest counting reading of each string."""
    moments = pl.DataFrame(
        {test: _column_at(choice, "measured_at", test) for test in TESTS},
    )
    return moments.select(measured_at=pl.max_horizontal(pl.all()))["measured_at"]


def _quantity_columns(choice: StringChoice, quantity: str) -> dict[str, pl.Series]:
    """Columns of Voc or Isc."""
    rows, held, unit = choice.chosen[quantity], choice.deviations[quantity], _UNITS[quantity]
    conditions = choice.conditions
    measured = conditions.voc_v if quantity == "voc" else conditions.isc_a
    stc = choice.nominal.voc_v if quantity == "voc" else choice.nominal.isc_a
    value, value_u = _expected_of(choice, quantity)
    neighbours = pl.Series("n", np.append(held.neighbours, 0)[rows])
    return {
        f"{quantity}_{unit}": _at(measured, rows),
        f"{quantity}_stc_{unit}": _numbers(stc),
        f"{quantity}_expected_{unit}": _at(value, rows),
        f"{quantity}_expected_u_{unit}": _at(value_u, rows),
        f"{quantity}_deviation_ratio": _at(held.deviation_ratio, rows),
        f"{quantity}_deviation_u_ratio": _at(held.deviation_u_ratio, rows),
        f"{quantity}_z_expected": _at(held.z_expected, rows),
        f"{quantity}_like_ratio": _at(held.like_ratio, rows),
        f"{quantity}_like_u_ratio": _at(held.like_u_ratio, rows),
        f"{quantity}_z_like": _at(held.z_like, rows),
        f"{quantity}_neighbours": neighbours,
        f"{quantity}_measurement": verdict_words(choice.measurement[quantity]),
        f"{quantity}_irradiance_w_m2": _at(conditions.irradiance_w_m2, rows),
        f"{quantity}_cell_temp_c": _at(conditions.cell.cell_temp_c, rows),
        f"{quantity}_measured_at": _column_at(choice, "measured_at", quantity),
    }


def _expected_of(choice: StringChoice, quantity: str) -> tuple[FloatArray, FloatArray]:
    """Expected value and standard uncertainty of each reading."""
    if quantity == "voc":
        return choice.expected.voc_v, choice.expected.voc_u_v
    return choice.expected.isc_a, choice.expected.isc_u_a


def _outcome(choice: StringChoice) -> pl.Series:
    """State of the measurement's verdict in words."""
    stopped = (choice.standard["voc"] == 1) | (choice.standard["isc"] == 1)
    asked = {"voc", "isc"} & set(choice.required_tests)
    if asked != {"voc", "isc"}:
        stopped = np.zeros(len(choice.verdict), dtype=np.bool_)
        for name in asked:
            stopped = choice.standard[name] == 1
    words = np.select(
        [
            choice.verdict_measurement == REVIEW,
            choice.verdict_measurement == PASS,
            stopped,
        ],
        ["deviates", "consistent", "not assessable: no valid reading"],
        "not assessable: no neighbours",
    )
    return pl.Series("outcome", words, dtype=pl.String)


def _deviating(choice: StringChoice, quantity: str) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Strings whose quantity fails or deviates, the deviation that says so, and its u."""
    rows, held = choice.chosen[quantity], choice.deviations[quantity]
    like = np.append(held.like_ratio, np.nan)[rows]
    like_u = np.append(held.like_u_ratio, np.nan)[rows]
    deviation = np.append(held.deviation_ratio, np.nan)[rows]
    deviation_u = np.append(held.deviation_u_ratio, np.nan)[rows]
    by_like = np.isfinite(like) & np.append(held.significant_like, [False])[rows]
    which = (choice.standard[quantity] == FAIL) | (choice.measurement[quantity] == REVIEW)
    return (
        which,
        np.where(by_like, like, deviation),
        np.where(by_like, like_u, deviation_u),
    )


def _causes(choice: StringChoice) -> dict[str, pl.Series]:
    """Plausible causes, what to check next and cautions, where something is wrong."""
    count = len(choice.verdict)
    found: list[list[Cause]] = [[] for _ in range(count)]
    for index in np.flatnonzero(choice.standard["polarity"] == FAIL):
        found[index].append(polarity_cause())
    types = choice.modules.module_type.to_list()
    which, deviation, u = _deviating(choice, "voc")
    for index in np.flatnonzero(which):
        module_type = choice.site.module_types[types[index]]
        found[index].append(
            voc_cause(
                float(deviation[index]),
                float(u[index]),
                modules=int(choice.modules.lengths[index]),
                bypass_substrings=module_type.bypass_substrings,
            )
        )
    which, deviation, u = _deviating(choice, "isc")
    for index in np.flatnonzero(which):
        found[index].append(
            isc_cause(
                float(deviation[index]),
                float(u[index]),
                expected_stc_a=float(choice.nominal.isc_a[index]),
                module_type=choice.site.module_types[types[index]],
            )
        )
    earth = {
        "insulation": Cause(
            key="insulation-low",
            words="a lead, connector or module frame touches earth through damaged or wet "
            "insulation",
            check_next="Keep away from the array's metal and do not energise; halve the string "
            "to find the place, and look for pinched leads and wet connectors.",
        ),
        "continuity": Cause(
            key="earth-open",
            words="a bond is loose, missing, painted over or corroded",
            check_next="Follow the bonding from frame to earth and tighten or remake it.",
        ),
    }
    for test, cause in earth.items():
        for index in np.flatnonzero(choice.standard[test] == FAIL):
            found[index].append(cause)
    return {
        "cause": pl.Series("c", [". ".join(c.words for c in held) for held in found]),
        "cause_key": pl.Series("c", [";".join(c.key for c in held) for held in found]),
        "check_next": pl.Series("c", [" ".join(c.check_next for c in held) for held in found]),
        "caution": pl.Series("c", [CAUTION if held else "" for held in found]),
    }


def stop_texts(choice: StringChoice, words: dict[Gate, str]) -> dict[str, pl.Series]:
    """Why each test of each string is not assessable, empty where it is, (strings,) each."""
    out: dict[str, pl.Series] = {}
    for test in TESTS:
        mask = np.append(choice.conditions.masks[test], Gate.VALUE_MISSING.value)[
            choice.attempted[test]
        ]
        out[test] = texts_of_masks(np.where(choice.chosen[test] >= 0, 0, mask), words)
    return out


def _likely(choice: StringChoice) -> dict[str, pl.Series]:
    """Columns of the causes' probabilities; words only where something is likelier than not."""
    probability = choice.likely.probability
    sound = probability[:, 0]
    wrong = np.nan_to_num(probability[:, 1:])
    first = wrong.argmax(axis=1)
    rows = np.arange(len(wrong))
    told = (np.nan_to_num(1.0 - sound) > _TOLD_FROM) | choice.likely.called
    words: list[str] = []
    for row in range(len(wrong)):
        named = [
            f"{CAUSE_WORDS[STRING_CAUSES[1 + cause]]} {wrong[row, cause]:.2f}"
            for cause in np.argsort(-wrong[row], kind="stable")[:_CAUSES_TOLD].tolist()
            if wrong[row, cause] >= _CAUSE_TOLD_FROM
        ]
        words.append("; ".join(named) if told[row] else "")
    names = [*choice.modules.strings.to_list(), None]
    partner = choice.likely.partner
    for row in np.flatnonzero(partner >= 0).tolist():
        words[row] = (
            f"its reading fits string {names[partner[row]]} and the reverse: the labels look "
            f"swapped {choice.likely.partner_probability[row]:.2f}"
        )
    return {
        "swapped_with": pl.Series("s", [names[at] for at in partner.tolist()], dtype=pl.String),
        "swapped_probability": _numbers(choice.likely.partner_probability),
        "session_verdict": verdict_words(choice.likely.verdict),
        "session_evidence": _numbers(choice.likely.evidence[:, 0]),
        "session_evidence_limit": _numbers(np.full(len(wrong), choice.likely.threshold[0])),
        "voc_session_v": _numbers(choice.likely.voc_v),
        "voc_session_u_v": _numbers(choice.likely.voc_u_v),
        "load_a": _numbers(choice.likely.load_a),
        "load_like_ratio": _numbers(choice.likely.load_like_ratio),
        "sound_probability": _numbers(sound),
        "fault_probability": _numbers(probability[:, 1 : len(CAUSES)].sum(axis=1)),
        "likely": pl.Series("likely", words, dtype=pl.String),
        "likely_key": pl.Series(
            "likely_key",
            [STRING_CAUSES[1 + at] if told[row] else "" for row, at in enumerate(first.tolist())],
            dtype=pl.String,
        ),
        "likely_probability": _numbers(np.where(told, wrong[rows, first], np.nan)),
        "unlike_chance": pl.Series("unlike_chance", choice.likely.called),
        **{
            cause_column(name): _numbers(probability[:, place]).round(_PROBABILITY_DIGITS)
            for place, name in enumerate(STRING_CAUSES)
        },
    }


def _reasons(choice: StringChoice, columns: dict[str, pl.Series]) -> pl.Series:
    """List of sentences on what is wrong or missing, per string."""
    wanted = choice.site.commissioning
    frame = pl.DataFrame(columns).with_columns(
        [pl.Series(f"{test}_stop", text) for test, text in stop_texts(choice, GATE_WORDS).items()]
    )
    none_at_all = pl.col("readings") == 0
    parts: list[pl.Expr] = [pl.when(none_at_all).then(pl.lit("no reading of this string"))]
    parts.append(
        pl.when(pl.col("polarity_verdict") == "fail").then(pl.lit("the polarity is reversed"))
    )
    for quantity in ("voc", "isc"):
        name = TEST_NAMES[quantity]
        deviation, like = pl.col(f"{quantity}_deviation_ratio"), pl.col(f"{quantity}_like_ratio")
        limit = f" % (limit {100 * wanted.tolerance_ratio:g} %)"
        parts.append(
            pl.when(deviation.abs() > wanted.tolerance_ratio).then(
                pl.format(
                    "{} deviates from its expected value by {}{}",
                    pl.lit(name),
                    (100 * deviation).round(2),
                    pl.lit(limit),
                )
            )
        )
        parts.append(
            pl.when(like.abs() > wanted.tolerance_ratio).then(
                pl.format(
                    "{} deviates from like strings by {}{}",
                    pl.lit(name),
                    (100 * like).round(2),
                    pl.lit(limit),
                )
            )
        )
        for kind, ratio, mark in (
            ("its neighbours", like, "z_like"),
            ("its expected value", deviation, "z_expected"),
        ):
            held = choice.deviations[quantity]
            flags = held.significant_like if mark == "z_like" else held.significant_expected
            flag = pl.Series("f", np.append(flags, [False])[choice.chosen[quantity]])
            parts.append(
                pl.when(flag).then(
                    pl.format(
                        "{} differs from {} by {} %, {} standard uncertainties",
                        pl.lit(name),
                        pl.lit(kind),
                        (100 * ratio).round(2),
                        pl.col(f"{quantity}_{mark}").round(1),
                    )
                )
            )
        parts.append(
            pl.when(deviation.is_not_null() & like.is_null()).then(
                pl.lit(f"{name}: too few neighbours tested close in time to compare with")
            )
        )
    parts.append(
        pl.when(pl.col("likely") != "").then(
            pl.format(
                "all readings together say ({}): {}",
                pl.col("session_verdict").str.replace_all("_", " "),
                pl.col("likely"),
            )
        )
    )
    parts.append(
        pl.when(pl.col("insulation_verdict") == "fail").then(
            pl.format(
                "insulation resistance {} Mohm is below {} Mohm",
                pl.min_horizontal("riso_pos_megohm", "riso_neg_megohm"),
                pl.col("riso_limit_megohm"),
            )
        )
    )
    parts.append(
        pl.when(pl.col("continuity_verdict") == "fail").then(
            pl.format(
                "earth continuity {} ohm is above {} ohm",
                pl.col("earth_continuity_ohm"),
                pl.col("earth_continuity_limit_ohm"),
            )
        )
    )
    parts.extend(
        pl.when((pl.col(f"{test}_stop") != "") & ~none_at_all).then(
            pl.format("{}: {}", pl.lit(TEST_NAMES[test]), pl.col(f"{test}_stop"))
        )
        for test in choice.required_tests
    )
    parts.append(
        pl.when((pl.col("modules_source") == "class") & ~none_at_all).then(
            pl.lit("the modules of the string are not known; data sheet values stand in")
        )
    )
    return frame.select(reasons=pl.concat_list(parts).list.drop_nulls())["reasons"]


def readings_frame(choice: StringChoice) -> pl.DataFrame:
    """One row per reading, as described at ``CommissioningResult``."""
    conditions = choice.conditions
    rows = len(conditions.frame)
    added: list[pl.Series] = []
    flags: dict[str, BoolArray] = {}
    for test in TESTS:
        added.append(texts_of_masks(conditions.masks[test], GATE_WORDS).alias(f"{test}_gates"))
        flag = np.zeros(rows, dtype=np.bool_)
        counting = choice.chosen[test]
        flag[counting[counting >= 0]] = True
        flags[test] = flag
    added.append(_numbers(conditions.cell.cell_temp_c).alias("cell_temp_c"))
    added.append(_numbers(conditions.irradiance_change_ratio).alias("irradiance_change_ratio"))
    for quantity, unit in _UNITS.items():
        held = choice.deviations[quantity]
        value, value_u = _expected_of(choice, quantity)
        for name, values in (
            (f"{quantity}_expected_{unit}", value),
            (f"{quantity}_expected_u_{unit}", value_u),
            (f"{quantity}_deviation_ratio", held.deviation_ratio),
            (f"{quantity}_z_expected", held.z_expected),
            (f"{quantity}_like_ratio", held.like_ratio),
            (f"{quantity}_z_like", held.z_like),
        ):
            added.append(_numbers(values).alias(name))
    counts_for = pl.DataFrame(flags).select(
        counts_for=pl.concat_list(
            [pl.when(pl.col(test)).then(pl.lit(test)) for test in TESTS]
        ).list.drop_nulls()
    )["counts_for"]
    return conditions.frame.with_columns([*added, counts_for])
