"""Findings on pages: every check has a title in every language, and the numbers keep their unit."""

from __future__ import annotations

import math
import re

import pytest
import scipy.constants as physical

from arraywright.delivery.rules import RULES
from arraywright.findings import Finding, Place, Verdict
from arraywright.web.finding_words import finding_line, title_key
from arraywright.web.quantities import in_cells, number_of, shown_quantity, shown_unit
from arraywright.web.words import catalogue, languages
from tests.web.check_keys import (
    MADE_OF_PARTS,
    NO_CHECKS,
    check_keys,
    key_like,
    keys_made_of_parts,
)

LANGUAGES = languages(area="findings")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_check_has_a_title(language: str) -> None:
    """Whatever key a finding can carry, a page says in the language what was checked."""
    keys = check_keys()
    assert len(keys) > 250
    words = catalogue(language, area="findings")
    assert sorted(key for key in keys if title_key(key) not in words) == []


def test_no_title_is_left_of_a_check_that_is_gone() -> None:
    """A title stands for a check the program can give."""
    titles = {key for key in catalogue("en", area="findings") if key.startswith("title_")}
    keys = check_keys() | _checks_of_pages()
    assert sorted(titles - {title_key(key) for key in keys}) == []


def _checks_of_pages() -> set[str]:
    return {"record-files"}


def test_the_lists_of_exceptions_hold_nothing_else() -> None:
    """What is said to be no check stands in the source, and parts are put in where it is said."""
    assert sorted(NO_CHECKS - key_like()) == []
    assert keys_made_of_parts() == set(MADE_OF_PARTS)


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en"])
def test_titles_are_translated(language: str) -> None:
    """Hardly any title of a language is the English one."""
    english, own = catalogue("en", area="findings"), catalogue(language, area="findings")
    same = [key for key in english if key.startswith("title_") and own[key] == english[key]]
    assert same in ([], ["title_yield_performance_ratio"])


def test_what_to_do_in_english_is_what_receiving_records() -> None:
    """A remedy that pages translate is word for word the one that is recorded."""
    words = catalogue("en", area="findings")
    told = {
        key: words[f"do_{key.replace('-', '_')}"]
        for key in RULES
        if f"do_{key.replace('-', '_')}" in words
    }
    assert len(told) == 12
    assert told == {key: RULES[key].remedy for key in told}


def _finding() -> Finding:
    return Finding(
        check="string-insulation",
        subject_kind="string",
        subject="A-01",
        verdict=Verdict.FAIL,
        message="String A-01: insulation resistance 0.4 Mohm, required 1 Mohm.",
        remedy="Look for damage.",
        value=0.4,
        uncertainty=0.05,
        limit=1.0,
        margin=-0.6,
        unit="Mohm",
        basis="iec-62446-1 6.7",
        place=Place(file="readings.csv", row=7),
    )


@pytest.mark.parametrize("as_data", [False, True])
def test_a_finding_is_told_in_german_beside_its_recorded_sentence(as_data: bool) -> None:  # noqa: FBT001
    """Title, sentence, numbers and place are in the language; the recorded sentence stays."""
    found = _finding()
    line = finding_line(found.as_dict() if as_data else found, language="de")
    assert line.title == "Isolationswiderstand des Strings"
    assert line.subject == "String A-01"
    assert line.sentence == (
        "Der Isolationswiderstand ist 0.4\N{NO-BREAK SPACE}MΩ; "
        "verlangt sind mindestens 1\N{NO-BREAK SPACE}MΩ."
    )
    assert line.recorded == found.message
    assert line.remedy_recorded == found.remedy
    assert not line.leads
    facts = {one.label: one.text for one in line.facts}
    assert facts["Wert"] == "0.4\N{NO-BREAK SPACE}MΩ ± 0.05\N{NO-BREAK SPACE}MΩ (k = 1)"
    assert facts["Abstand"] == "\N{MINUS SIGN}0.6\N{NO-BREAK SPACE}MΩ"
    assert facts["steht in"] == "readings.csv, Zeile 7"


def test_in_english_the_recorded_sentence_leads() -> None:
    """An English page says the sentence once, as recorded."""
    line = finding_line(_finding(), language="en")
    assert line.leads
    assert line.sentence == ""


def test_a_sentence_is_said_only_of_what_its_fields_tell() -> None:
    """Without the number a sentence needs, or about many at once, the title and facts speak."""
    found = _finding().as_dict()
    del found["limit"]
    assert finding_line(found, language="es").sentence == ""
    many = _finding().as_dict() | {"subject_kind": "site", "subject": "delivery"}
    line = finding_line(many, language="es")
    assert line.sentence == ""
    assert line.subject == "entrega"


def test_a_check_of_a_later_program_is_shown_by_its_key() -> None:
    """A key without a title does not break a page."""
    line = finding_line(_finding().as_dict() | {"check": "not-yet-made"}, language="de")
    assert line.title == "Prüfung: not-yet-made"


# Independent: SciPy's constants (CODATA and NIST SP 811 by its documentation).
INDEPENDENT = {
    "m": (1.0, physical.foot),
    "km": (1000.0, physical.mile),
    "mm": (0.001, physical.inch),
    "m2": (1.0, physical.foot**2),
    "kg": (1.0, physical.pound),
    "m/s": (1.0, physical.mph),
    "N.m": (1.0, physical.pound_force * physical.foot),
    "N": (1.0, physical.pound_force),
    "Pa": (1.0, physical.pound_force / physical.foot**2),
    "bar": (physical.bar, physical.psi),
}


@pytest.mark.parametrize("unit", sorted(INDEPENDENT))
def test_units_of_the_united_states_are_right(unit: str) -> None:
    """Conversions agree with an independent library."""
    size, other = INDEPENDENT[unit]
    assert math.isclose(shown_unit(unit, us=True).factor, size / other, rel_tol=1e-9)


def test_a_temperature_has_a_zero_and_its_margin_has_none() -> None:
    """A value in degrees is shifted, a margin or an uncertainty only stretched."""
    assert shown_quantity(100.0, "degC", us=True) == "212\N{NO-BREAK SPACE}°F"
    assert shown_quantity(5.0, "degC", us=True, difference=True) == "9\N{NO-BREAK SPACE}°F"
    assert shown_quantity(-5.0, "degC", us=False) == "\N{MINUS SIGN}5\N{NO-BREAK SPACE}°C"
    assert shown_quantity(4.0, "mm2", us=True) == "4\N{NO-BREAK SPACE}mm²"


def test_cells_of_a_table_are_converted_when_they_hold_a_number() -> None:
    """A number keeps its decimals; words and dashes stay as they are."""
    metre = shown_unit("m", us=True)
    assert in_cells("1 234.5", metre) == "4 050.2"
    assert in_cells("–", metre) == "–"
    assert in_cells("12 to 14", metre) == "12 to 14"
    assert number_of("\N{MINUS SIGN}3.5") == -3.5


def test_remedies_are_told_only_where_they_are_the_recorded_ones() -> None:
    """What to do is translated when the record says the same, never in place of something else."""
    damaged = Finding(
        check="pallet-damaged",
        subject_kind="pallet",
        subject="P1",
        verdict=Verdict.FAIL,
        message="Pallet P1 was not sound when it was scanned.",
        remedy=RULES["pallet-damaged"].remedy,
    )
    assert finding_line(damaged, language="de").remedy.startswith("Fotografieren, bevor")
    other = damaged.as_dict() | {"remedy": "Something else."}
    line = finding_line(other, language="de")
    assert (line.remedy, line.remedy_recorded) == ("", "Something else.")


def test_sentences_and_remedies_belong_to_a_check() -> None:
    """No sentence and no remedy is left of a check that has no title."""
    words = catalogue("en", area="findings")
    verdicts = "|".join(verdict.value for verdict in Verdict)
    names = [
        re.sub(rf"_({verdicts})$", "", key.removeprefix("say_").removeprefix("do_"))
        for key in words
        if key.startswith(("say_", "do_"))
    ]
    assert len(names) > 50
    assert [name for name in names if f"title_{name}" not in words] == []
