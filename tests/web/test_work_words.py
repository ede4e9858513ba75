"""Words of procedures on pages: stages, summaries and tables, in every language and in US units."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import arraywright
from arraywright.allocation.park_ways import WAY_WORDS
from arraywright.procedures.commission import COMMISSIONING_TABLES
from arraywright.procedures.receive import DELIVERY_TABLES
from arraywright.procedures.report import ReportTable
from arraywright.web.words import catalogue, languages
from arraywright.web.work_words import WorkWords

SOURCE = Path(arraywright.__file__).parent
LANGUAGES = languages(area="work")
ROOMS = ("procedures", "dossier", "allocation")
SUMMARIES = {"_summary", "_sentences", "verify", "_nothing_received", "check", "allocate"}
"""Functions of procedures that write the sentences of a summary."""


@cache
def _trees() -> tuple[tuple[str, ast.Module], ...]:
    return tuple(
        (path.relative_to(SOURCE).as_posix(), ast.parse(path.read_text(encoding="utf-8")))
        for room in ROOMS
        for path in sorted((SOURCE / room).glob("*.py"))
    )


def _written(node: ast.AST) -> Iterator[str]:
    """Give texts of a piece of source, with ``{}`` for what is put in; not those of errors."""
    if isinstance(node, ast.Raise):
        return
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str):
            yield node.value
    elif isinstance(node, ast.JoinedStr):
        yield "".join(
            str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
        )
    else:
        for inner in ast.iter_child_nodes(node):
            yield from _written(inner)


def _calls(tree: ast.Module) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            yield node.func.id if isinstance(node.func, ast.Name) else name, node


def _stages() -> set[str]:
    return {
        text
        for file, tree in _trees()
        for name, call in _calls(tree)
        if name in {"stage", "tell"} and call.args
        for text in _written(call.args[0])
        if file != "procedures/report.py"
    }


def _titles_and_headings() -> set[str]:
    found: set[str] = set()
    for file, tree in _trees():
        for name, call in _calls(tree):
            if (
                name not in {"ReportTable", "YardRows"}
                and file != "procedures/check_cable_parts.py"
            ):
                continue
            for keyword in call.keywords:
                if keyword.arg in {"title", "headings"} and not isinstance(
                    keyword.value, ast.Attribute | ast.Name
                ):
                    found.update(_written(keyword.value))
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.AnnAssign)
                and isinstance(node.target, ast.Name)
                and re.fullmatch(r"(CHECKS|EXTREME|LENGTH)_HEADINGS", node.target.id)
                and node.value is not None
            ):
                found.update(_written(node.value))
    return {text for text in found if len(text) > 1}


def _summary_sentences() -> set[str]:
    return {
        text
        for file, tree in _trees()
        if file.startswith("procedures/") and "what_if" not in file and "sweep" not in file
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name in SUMMARIES
        for text in _written(node)
        if " " in text
        and text.endswith(".")
        and text[0] != ","
        and text != ast.get_docstring(node, clean=False)
    }


@cache
def _known() -> frozenset[str]:
    return frozenset(re.sub(r"\{\w+\}", "{}", key) for key in catalogue("en", area="work"))


def test_every_stage_has_words() -> None:
    """Whatever a procedure says it is doing, pages say in every language."""
    stages = _stages()
    assert len(stages) > 20
    assert sorted(stages - _known()) == []


def test_every_title_and_heading_has_words() -> None:
    """Titles and headings of the tables of reports are in the catalogue."""
    found = _titles_and_headings()
    assert len(found) > 80
    assert sorted(found - _known()) == []


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en"])
def test_words_of_work_are_translated(language: str) -> None:
    """Sentences and stages of a language are not the English ones."""
    words = catalogue(language, area="work")
    assert [key for key in words if len(key) > 20 and words[key] == key] == []


def test_a_summary_is_told_in_the_language() -> None:
    """Figures are carried over, and words that are themselves known are put into the language."""
    words = WorkWords(language="de")
    (told,) = words.told("143 pallets accepted, 6 held, 1 refused.")
    assert told.translated
    assert told.text == "143 Paletten angenommen, 6 zurückgestellt, 1 abgelehnt."
    (told,) = words.told("Which module sits where is known by: as-built list.")
    assert told.text == "Welches Modul wo sitzt, ist bekannt aus: Einbauliste."


def test_a_sentence_of_several_pieces_is_put_together_anew() -> None:
    """What a plan does beside order of arrival is a list, and thousands are written as pages do."""
    told = (
        "Against order of arrival the plan puts 12 more strings on whole inputs, needs 1,373 "
        "fewer pallet openings (2,147) and gives 4.9 W more by mismatch (0.0037 % lost instead of "
        "0.0038 %)."
    )
    (german,) = WorkWords(language="de").told(told)
    assert german.translated
    assert german.text == (
        "Gegen die Reihenfolge der Ankunft gilt für den Plan: 12 Strings mehr auf ganzen "
        "Eingängen, 1\N{NARROW NO-BREAK SPACE}373 Paletten weniger zu öffnen "
        "(2\N{NARROW NO-BREAK SPACE}147), 4.9 W mehr durch weniger Fehlanpassung "
        "(0.0037 % Verlust statt 0.0038 %)."
    )


def test_a_paragraph_is_not_taken_for_one_sentence() -> None:
    """Sentences of a paragraph are put into words one by one, and a way of sorting inside too."""
    told = WorkWords(language="de").told(
        "Against order of arrival the plan keeps 3 W (standard uncertainty 0 W), 3 kWh a year, "
        "worth 3 EUR over 25 years. Its handling costs 16 EUR less. That leaves 18 EUR (standard "
        "uncertainty 4 EUR). Sorting modules is not worth it: the best of it, what pays at "
        "0.03125 x the price of sorting, would save mismatch worth 47 EUR over the life counted "
        "and cost 1,373 EUR more in handling."
    )
    assert [one.translated for one in told] == [True] * 4
    assert told[0].text.startswith("Gegen die Reihenfolge der Ankunft behält der Plan 3 W")
    assert "das Beste davon, was sich bei 0.03125-fachem Sortierpreis lohnt, spart" in told[3].text


def test_reasons_of_a_verdict_say_what_is_wrong() -> None:
    """Under reasons stands what is wrong, not what was checked; subjects of checks are words."""
    table = ReportTable(
        title="Pallets not accepted",
        headings=("Reasons", "Of"),
        rows=[("pallet-count, pallet-sscc", "26 x tern-580 on dune-300, class 580 W")],
    )
    ((reasons, subject),) = WorkWords(language="de").table(table).rows
    assert reasons == "Papiere nennen verschiedene Modulzahlen, Prüfziffer der Nummer ist falsch"
    assert subject == "26 × tern-580 an dune-300, Klasse 580 W"


def test_every_column_that_is_mapped_by_hand_has_words() -> None:
    """The page that asks which column is which names tables and columns in the language."""
    words = catalogue("de", area="work")
    specs = [*DELIVERY_TABLES, *COMMISSIONING_TABLES]
    assert len(specs) > 7
    columns = {column.meaning for spec in specs for column in spec.columns}
    assert sorted(one for one in columns if f"column: {one}" not in words) == []
    assert sorted(spec.title for spec in specs if f"cell: {spec.title}" not in words) == []


def test_ways_to_build_have_words() -> None:
    """Every way of filling strings that a plan names is in the catalogue."""
    assert sorted(set(WAY_WORDS.values()) - _known()) == []


def test_what_the_catalogue_does_not_know_stays_and_is_marked() -> None:
    """A paragraph of known and unknown sentences is told sentence by sentence."""
    words = WorkWords(language="es")
    known, unknown = words.told("No pallet stands in the yard. A thing nobody foresaw.")
    assert known.text == "No hay ningún palé en el acopio."
    assert (unknown.text, unknown.translated) == ("A thing nobody foresaw.", False)
    assert words.line("reading order.csv") == "se lee order.csv"
    assert words.line("nothing of the kind") == "nothing of the kind"


TABLE = ReportTable(
    title="Cables",
    headings=("Check", "Role", "Size", "Length [m]", "Value", "Margin", "Unit", "Verdict"),
    rows=[
        ("pallet-count, pallet-sscc", "string", "6 mm2", "1 000.0", "10.0", "5.0", "degC", "pass"),
        ("something else", "string", "6 mm2", "–", "4", "0", "mm2", "not assessable"),
    ],
    align=("left",) * 4,
    more=3,
)


def test_a_table_is_told_in_language_and_units() -> None:
    """Keys of checks, verdicts and headings become words, and quantities are converted."""
    shown = WorkWords(language="de", us=True).table(TABLE)
    assert shown.title == "Leitungen"
    assert shown.headings[3] == "Länge [ft]"
    first, second = shown.rows
    assert first[0] == "Gleiche Modulzahl in allen Papieren, Prüfziffer der Palettennummer"
    assert first[1:4] == ["String", "6 mm2", "3 280.8"]
    # a value in degrees has a zero of its own, a margin has none
    assert first[4:] == ["50.0", "9.0", "°F", "bestanden"]
    assert second[3:] == ["–", "4", "0", "mm²", "nicht beurteilbar"]
    assert shown.more == 3


def test_metric_readers_see_the_numbers_as_they_are() -> None:
    """Without US units no number of a table changes, also of what a job kept as plain data."""
    given = {
        "title": TABLE.title,
        "headings": list(TABLE.headings),
        "rows": [list(row) for row in TABLE.rows],
        "align": list(TABLE.align),
        "more": 0,
    }
    shown = WorkWords(language="en").table(given)
    assert shown.rows[0][3:6] == ["1 000.0", "10.0", "5.0"]
    assert shown.rows[0][6] == "°C"


def test_sentences_of_summaries_have_words() -> None:
    """What receiving, testing, checking and handing over sum up is in the catalogue."""
    found = _summary_sentences()
    assert len(found) > 12
    assert sorted(found - _known()) == []
