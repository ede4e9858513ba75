"""The tests and inspections that come as rows: their names, limits and words of results."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Final

from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS

__all__ = [
    "SITE_TEST_KINDS",
    "THERMOGRAM_FAIL_K",
    "THERMOGRAM_IRRADIANCE_MIN_W_M2",
    "THERMOGRAM_REVIEW_K",
    "SiteTestKind",
    "named_test",
    "plain_word",
    "result_of",
]

THERMOGRAM_IRRADIANCE_MIN_W_M2: Final = 600.0
"""Least irradiance under which a thermogram of loaded modules tells something; from memory, IEC
TS 62446-3."""
THERMOGRAM_REVIEW_K: Final = 10.0
"""Excess temperature over like cells, brought to 1000 W/m2, from which a place is looked into;
common practice."""
THERMOGRAM_FAIL_K: Final = 20.0
"""The same from which it fails; common practice."""

_PASSED: Final = frozenset(
    (
        *("pass", "passed", "ok", "yes", "good", "correct", "done", "inordnung", "io"),
        *("bestanden", "gut", "ja", "conforme", "correcto", "si", "aprobado"),
    )
)
_FAILED: Final = frozenset(
    (
        *("fail", "failed", "notok", "nok", "no", "bad", "defect", "defekt", "nio", "mangel"),
        *("nichtbestanden", "nichtinordnung", "nein", "noconforme", "incorrecto", "defecto"),
        "suspenso",
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTestKind:
    """One kind of test or inspection.

    Attributes:
        key: stable key, for example ``functional-switchgear``.
        words: what it is called in documents.
        category: 1 or 2 of IEC 62446-1; 0 for a test beside the two.
        clause: clause of IEC 62446-1, from memory where the sheet says so.
        of: what it is made on: ``string``, ``combiner box``, ``inverter`` or ``site``.
        measured: column that must hold a value, empty for a test by result alone.
        limit: what is required, in words.
        spellings: other names in files, lower case without spaces, accents and signs.
    """

    key: str
    words: str
    category: int
    clause: str
    of: tuple[str, ...]
    measured: str
    limit: str
    spellings: tuple[str, ...]


SITE_TEST_KINDS: Final = (
    SiteTestKind(
        key="inspection",
        words="inspection of the d.c. side",
        category=1,
        clause="5.2",
        of=("site", "combiner box", "inverter", "string"),
        measured="",
        limit="nothing found that stands against it",
        spellings=("visualinspection", "sichtprufung", "besichtigen", "inspeccionvisual"),
    ),
    SiteTestKind(
        key="continuity",
        words="continuity of earthing and bonding conductors",
        category=1,
        clause="6.1",
        of=("combiner box", "inverter", "site", "string"),
        measured="earth_continuity_ohm",
        limit="the site's limit",
        spellings=(
            *("earthcontinuity", "bondingcontinuity", "schutzleiterdurchgang", "durchgangpe"),
            *("continuidaddetierra", "continuidad"),
        ),
    ),
    SiteTestKind(
        key="combiner-box",
        words="combiner box test: polarity and place of every string in it",
        category=1,
        clause="6.3",
        of=("combiner box",),
        measured="",
        limit="every string right in polarity and place before fuses are set",
        spellings=("combinerboxtest", "combinerbox", "gak", "anschlusskasten", "cajadeconexion"),
    ),
    SiteTestKind(
        key="functional-switchgear",
        words="function of switchgear and controls",
        category=1,
        clause="6.6",
        of=("inverter", "combiner box"),
        measured="",
        limit="operates as meant",
        spellings=("switchgear", "schaltgerate", "funktionschaltgerate", "aparamenta"),
    ),
    SiteTestKind(
        key="functional-inverter",
        words="operation of the inverter",
        category=1,
        clause="6.6",
        of=("inverter",),
        measured="",
        limit="operates as its maker says",
        spellings=("inverteroperation", "functional", "wechselrichter", "funktionwechselrichter"),
    ),
    SiteTestKind(
        key="functional-mains-loss",
        words="loss of mains: the inverter stops at once",
        category=1,
        clause="6.6",
        of=("inverter",),
        measured="",
        limit="stops at once, starts again after the time set",
        spellings=("lossofmains", "mainsloss", "netzausfall", "perdidadered"),
    ),
    SiteTestKind(
        key="insulation",
        words="insulation resistance of strings tested together",
        category=1,
        clause="6.7",
        of=("combiner box", "inverter", "string"),
        measured="riso_pos_megohm",
        limit="by system voltage; low with sound modules where many are in parallel",
        spellings=("insulationresistance", "isolation", "isolationswiderstand", "aislamiento"),
    ),
    SiteTestKind(
        key="thermogram",
        words="infrared inspection under load",
        category=2,
        clause="7.3",
        of=("string", "combiner box", "inverter", "site"),
        measured="hotter_by_k",
        limit=f"at {THERMOGRAM_IRRADIANCE_MIN_W_M2:g} W/m2 or more; above like places by less than "
        f"{THERMOGRAM_REVIEW_K:g} K for a pass, from {THERMOGRAM_FAIL_K:g} K it fails, at "
        "1000 W/m2",
        spellings=("infrared", "thermography", "thermographie", "termografia", "ir"),
    ),
    SiteTestKind(
        key="insulation-wet",
        words="wet insulation resistance",
        category=0,
        clause="8",
        of=("string", "combiner box", "inverter"),
        measured="riso_pos_megohm",
        limit="by system voltage, wetted",
        spellings=(
            "wetinsulation",
            "wetinsulationresistance",
            "isolationnass",
            "aislamientohumedo",
        ),
    ),
    SiteTestKind(
        key="blocking-diode",
        words="blocking diodes",
        category=0,
        clause="8",
        of=("combiner box", "string"),
        measured="",
        limit="voltage over each within its maker's range",
        spellings=("blockingdiodes", "sperrdiode", "diododebloqueo"),
    ),
    SiteTestKind(
        key="shade",
        words="evaluation of shade",
        category=0,
        clause="8",
        of=("site",),
        measured="",
        limit="horizon recorded",
        spellings=("shadeevaluation", "shading", "verschattung", "sombras"),
    ),
)
"""Tests that come as rows, in the order of the sheets. Clauses as in the contents of the standard;
those of category 2 beyond 7.2, of the additional tests and the texts of limits are from memory."""


def plain_word(text: object) -> str:
    """Give a word in lower case without accents, spaces and signs, so that spellings agree."""
    kept = unicodedata.normalize("NFKD", str(text or "")).casefold()
    return "".join(c for c in kept if c.isalnum())


def named_test(text: object) -> str:
    """Give the key of the test a file names, empty where it is not known.

    Source: common-practice
    """
    plain = plain_word(text)
    for kind in SITE_TEST_KINDS:
        if plain and plain in {plain_word(kind.key), plain_word(kind.words), *kind.spellings}:
            return kind.key
    return ""


def result_of(text: object) -> tuple[str, int | None]:
    """Words and verdict of a result as written; no verdict where it is not understood."""
    plain = plain_word(text)
    if not plain:
        return "", NOT_ASSESSABLE
    if plain in _PASSED:
        return "result: in order", PASS
    if plain in _FAILED:
        return "result: not in order", FAIL
    return f"the result '{text}' is not understood", None
