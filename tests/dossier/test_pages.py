"""Documents hold whatever people write in them."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arraywright.dossier import (
    Attachment,
    CurvePanel,
    Document,
    Facts,
    FindingList,
    Heading,
    MapBox,
    Paragraph,
    PlanBar,
    Sideways,
    Table,
    curves_plot,
    plans_plot,
    render_pdf,
    site_map_plot,
)
from arraywright.dossier.glyphs import printable, shortened
from arraywright.findings import Finding, Verdict
from tests.dossier.making import attachments_of, pages_of, text_of

MADE = datetime(2026, 6, 17, 11, 0, tzinfo=UTC)
HOSTILE = (
    '#panic("no")',
    "$x^2$ and $unclosed",
    "*bold* _under_ `raw` <label> @reference",
    "\\ # [ ] { } ~ -- --- ... ' \"",
    '"); #import "x"',
    "// comment /* more",
    "= no heading",
    "name with | and\ttab",
)


def document(*blocks: Heading | Paragraph | Table | Facts | FindingList | Sideways) -> Document:
    """Give a document of some parts."""
    return Document(title="T", site="S", made_at="then", made_by="it", blocks=blocks)


def one_text(text: str) -> str:
    """Give what a document says that consists of one text."""
    said = text_of(render_pdf(document(Paragraph(text=f"«{text}»")), made_at=MADE))
    found = re.search("«(.*)»", said)
    assert found is not None, said
    return found[1]


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_in_a_text_acts_as_markup(text: str) -> None:
    """Marks of the page maker's language are printed as they stand."""
    plain = " ".join(text.split())
    assert one_text(text).replace("’", "'").replace(" ", "") == plain.replace(" ", "")


def test_hostile_texts_do_no_harm_in_any_part() -> None:
    """Title, site, headings, tables, facts, findings and attachments take any text."""
    for text in (*HOSTILE, "x" * 300, "😀 中文 \x00\x07", "عَرَب"):
        finding = Finding(
            check="c", subject_kind="string", subject=text, verdict=Verdict.FAIL, message=text
        )
        made = Document(
            title=text,
            site=text,
            made_at=text,
            made_by=text,
            blocks=(
                Heading(text=text),
                Facts(pairs=((text, text),)),
                Table(headings=(text, "b"), rows=[(text, text)], widths=(1, 1), caption=text),
                Sideways(blocks=(Heading(text=text, level=2), Paragraph(text=text))),
                FindingList(findings=(finding,)),
            ),
            attachments=(Attachment(name="a.csv", data=b"1", mime="text/csv", meaning=text),),
            contents=True,
        )
        assert set(attachments_of(render_pdf(made, made_at=MADE))) == {"a.csv"}


def test_a_character_without_a_glyph_is_told_by_its_number() -> None:
    """What no font has is not lost: it stands as its number in the Unicode standard."""
    assert one_text("crew 😀 中") == "crew [U+1F600] [U+4E2D]"
    assert printable("a\x07b\nc") == "a[U+0007]b c"


def test_letters_of_many_languages_are_printed() -> None:
    """Names in Latin, Greek and Cyrillic letters stand as they are written."""
    for name in ("Müllerstraße Ærø Łódź", "Ωμέγα", "Жуковский", "peña ß ÿ ő"):
        assert one_text(name) == name


def test_every_character_called_printable_can_be_set() -> None:
    """No character that is passed on makes the page maker give up and fall back to Latin."""
    known = [chr(code) for code in range(0x20, 0x10000) if printable(chr(code)) == chr(code)]
    assert len(known) > 3000
    blocks = [Paragraph(text=" a".join(known)), Paragraph(text="Ж stays")]
    assert "Ж stays" in text_of(render_pdf(document(*blocks), made_at=MADE))


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.text(max_size=60))
def test_any_text_can_be_set(text: str) -> None:
    """No text whatever keeps a document from being made."""
    assert render_pdf(document(Paragraph(text=text)), made_at=MADE).startswith(b"%PDF")


@given(st.text(max_size=80))
def test_printable_is_final_and_short_texts_are_short(text: str) -> None:
    """Making a printable text printable changes nothing, and a label keeps its length."""
    assert printable(printable(text)) == printable(text)
    assert len(shortened(text, length=20)) <= 20


def test_a_digest_stays_one_word() -> None:
    """A SHA-256 can be searched for: it is not broken over lines, even in a narrow table."""
    digest = "0123456789abcdef" * 4
    table = Table(headings=("File", "SHA-256"), rows=[("f" * 90, digest)], widths=(2, 4))
    pages = pages_of(render_pdf(document(table), made_at=MADE))
    assert digest in pages[0]
    assert "f" * 90 in pages[0].replace("\n", "")


def test_the_same_document_gives_the_same_bytes() -> None:
    """Nothing of clock or chance gets into a document."""
    made = document(Heading(text="A"), Table(headings=("a",), rows=[("1",)]), Paragraph(text="b"))
    assert render_pdf(made, made_at=MADE) == render_pdf(made, made_at=MADE)


def test_a_map_of_very_many_strings_is_lines_and_areas() -> None:
    """The map of a great site stays sharp at any size and small enough to send."""
    verdicts = ["pass"] * 17 + ["fail", "review", "not_assessable"]
    boxes = [
        MapBox(
            string=f"S{row}-{column}",
            x_min_m=30.0 * column,
            x_max_m=30.0 * column + 29.5,
            y_min_m=9.5 * row,
            y_max_m=9.5 * row + 3.2,
            verdict=verdicts[(7 * row + column // 4) % 20] if row < 220 else "not_assessable",
        )
        for row in range(440)
        for column in range(80)
    ]
    drawn = site_map_plot(boxes)
    assert b"<image" not in drawn
    assert len(drawn) < 3_000_000
    text = drawn.decode()
    # Hatches of the three verdicts that are not passed stand beside the colours.
    assert text.count("<pattern") == 3
    assert len(site_map_plot(boxes[:4000])) > 300 * 1024


def test_plots_take_any_name() -> None:
    """Names with dollar signs, line ends and letters no font has are drawn without complaint."""
    line = np.linspace(0.0, 400.0, 5)
    for name in ("$\\frac{", "😀中", "a\nb", "n" * 400, ""):
        box = MapBox(string=name, x_min_m=0, x_max_m=9, y_min_m=0, y_max_m=2, verdict="fail")
        assert b"<svg" in site_map_plot([box])
        panel = CurvePanel(
            title=name,
            voltage_v=line,
            current_a=line[::-1],
            expected_voltage_v=line,
            expected_current_a=line[::-1],
            verdict="review",
            note=name,
        )
        assert b"<svg" in curves_plot([panel])
        assert b"<svg" in plans_plot([PlanBar(name=name, loss_percent=0.1, pallet_openings=3)])
