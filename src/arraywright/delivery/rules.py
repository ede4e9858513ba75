"""What follows from what is found: every reason of receiving in one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from arraywright.findings import Verdict

__all__ = ["RULES", "Consequence", "Rule", "rules_as_markdown"]

Consequence: TypeAlias = Literal["refuse", "hold", "set_aside", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What follows when a check finds something.

    Attributes:
        check: key of the check; also the reason in the tables.
        subject_kind: ``pallet``, ``module``, ``lot``, ``file`` or ``input``.
        consequence: ``refuse`` or ``hold`` the pallet, ``set_aside`` the module, or ``note`` only.
        verdict: verdict of the finding.
        sentence: what is wrong, for the person on site; found and required are added behind it.
        good: the same when nothing is wrong, for the one pass that says it was checked.
        remedy: what that person does.
        supplier: what the supplier is told, empty when it does not concern him.
        basis: source key and clause.
    """

    check: str
    subject_kind: str
    consequence: Consequence
    verdict: Verdict
    sentence: str
    good: str
    remedy: str
    supplier: str
    basis: str = "common-practice"


def _rule(
    check: str,
    subject_kind: str,
    *,
    consequence: Consequence,
    verdict: Verdict,
    sentence: str,
    good: str,
    remedy: str,
    supplier: str = "",
    basis: str = "common-practice",
) -> Rule:
    return Rule(
        check=check,
        subject_kind=subject_kind,
        consequence=consequence,
        verdict=verdict,
        sentence=sentence,
        good=good,
        remedy=remedy,
        supplier=supplier,
        basis=basis,
    )


_PALLET_RULES: Final = (
    _rule(
        "pallet-foreign-type",
        "pallet",
        consequence="refuse",
        verdict=Verdict.FAIL,
        sentence="carries a module type this site does not have",
        good="every pallet carries a module type of this site",
        remedy="Do not unload it, or set it apart and marked; write the refusal on the note.",
        supplier="Carries a module type that was not ordered for this site; refused.",
    ),
    _rule(
        "pallet-not-ordered",
        "pallet",
        consequence="refuse",
        verdict=Verdict.FAIL,
        sentence="carries a type or class that is not on the order",
        good="every pallet carries a type and class that was ordered",
        remedy="Set it apart and marked, write the refusal on the note, and ask the supplier.",
        supplier="Carries a type, power class or current class that was not ordered; refused.",
    ),
    _rule(
        "pallet-damaged",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="was not sound when it was scanned",
        good="every scanned pallet was sound",
        remedy="Photograph it before it is touched, write the damage on the note before signing, "
        "set it apart, and inspect every module of it.",
        supplier="Arrived damaged; photographs follow, and every module will be inspected.",
    ),
    _rule(
        "pallet-missing",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="is on the delivery note but was not scanned, while others of that note were",
        good="every pallet of a delivery that has begun was scanned",
        remedy="Look for it in the yard and on the truck; if it is not there, write it on the "
        "note before signing.",
        supplier="Stands on the delivery note but did not arrive with the others.",
    ),
    _rule(
        "pallet-surplus",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="stands in the yard but on no delivery note",
        good="every scanned pallet stands on a delivery note",
        remedy="Set it apart, and ask the supplier for the note or for its collection.",
        supplier="Arrived without standing on any delivery note; send the note or collect it.",
    ),
    _rule(
        "pallet-count",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="does not hold the same number of modules by note, label and flash list",
        good="note, label and flash list give every pallet the same number of modules",
        remedy="Count the modules on it without unpacking, and correct the paper that is wrong.",
        supplier="The number of modules differs between delivery note, label and flash list.",
    ),
    _rule(
        "pallet-class-conflict",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="is not of the same type or class by note, label and flash list",
        good="note, label and flash list give every pallet the same type and class",
        remedy="Read the label of a module on it, and ask the supplier which paper is right.",
        supplier="Type or class differs between delivery note, label and flash list.",
    ),
    _rule(
        "pallet-mixed",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="holds modules of more than one type, power class or current class",
        good="every pallet holds one type, one power class and one current class",
        remedy="Keep it out of every string until it is sorted and relabelled by class.",
        supplier="Holds modules of more than one type or class.",
    ),
    _rule(
        "pallet-doubled",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="stands more than once on the delivery notes",
        good="every pallet stands on one line of the delivery notes",
        remedy="Find out which line is true; one pallet is one number.",
        supplier="The same pallet number stands more than once on the delivery notes.",
    ),
    _rule(
        "pallet-scans-disagree",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="was scanned more than once with different content",
        good="repeated scans of a pallet agree",
        remedy="Look for two pallets with one number, and scan again.",
        supplier="Two scans of this pallet number show different content.",
    ),
    _rule(
        "pallet-sscc",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="has a number whose check digit is wrong",
        good="every SSCC has the right check digit",
        remedy="Scan the label again instead of typing it; if it stays, ask the supplier.",
        supplier="The SSCC does not have a valid check digit.",
        basis="gs1-gen-specs 7.9.1",
    ),
    _rule(
        "pallet-numbers-own",
        "input",
        consequence="note",
        verdict=Verdict.REVIEW,
        sentence="were taken as the maker's own pallet numbers, without check digit",
        good="numbers of eighteen digits are SSCC",
        remedy="Ask the supplier whether they are SSCC; if so, hold the pallets.",
        basis="gs1-gen-specs 7.9.1",
    ),
    _rule(
        "pallet-order-unknown",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="came with a delivery note that names another order",
        good="every delivery note that names an order names one of ours",
        remedy="Ask whether it is meant for this site.",
        supplier="The delivery note names an order that is not ours.",
    ),
    _rule(
        "pallet-bad-flash",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="has more modules set aside for their flash values than one can overlook",
        good="no pallet has more modules set aside than one can overlook",
        remedy="Ask the supplier for a corrected flash list or have the modules measured.",
        supplier="The flash values of too many modules on it cannot be right.",
    ),
    _rule(
        "pallet-doubled-serials",
        "pallet",
        consequence="hold",
        verdict=Verdict.FAIL,
        sentence="holds serials that also stand elsewhere",
        good="no pallet holds a serial that stands elsewhere",
        remedy="Read the serials on the modules, and ask the supplier for a corrected list.",
        supplier="Holds serial numbers that also stand elsewhere.",
    ),
    _rule(
        "pallet-not-seen",
        "pallet",
        consequence="hold",
        verdict=Verdict.REVIEW,
        sentence="has not been seen on site yet",
        good="every pallet on a note has been seen on site",
        remedy="Scan it when it arrives; a pallet nobody has scanned has not arrived.",
    ),
    _rule(
        "pallet-announced",
        "pallet",
        consequence="hold",
        verdict=Verdict.REVIEW,
        sentence="stands in the flash list, but on no delivery note, and nobody has scanned it",
        good="every pallet of the flash lists is on a note or was scanned",
        remedy="Wait for its delivery; if it should be here, ask the supplier.",
    ),
    _rule(
        "pallet-no-flash",
        "pallet",
        consequence="hold",
        verdict=Verdict.NOT_ASSESSABLE,
        sentence="has no flash values",
        good="every pallet has flash values",
        remedy="Ask the supplier for its flash list.",
        supplier="No flash values were sent for it.",
    ),
    _rule(
        "pallet-no-note",
        "pallet",
        consequence="hold",
        verdict=Verdict.NOT_ASSESSABLE,
        sentence="cannot be compared because no delivery note was given",
        good="delivery notes were given",
        remedy="Give the delivery note.",
    ),
    _rule(
        "pallet-no-order",
        "pallet",
        consequence="hold",
        verdict=Verdict.NOT_ASSESSABLE,
        sentence="cannot be compared because no order was given",
        good="an order was given",
        remedy="Give the order.",
    ),
    _rule(
        "pallet-type-unstated",
        "pallet",
        consequence="hold",
        verdict=Verdict.NOT_ASSESSABLE,
        sentence="does not state its type and classes on note, label or flash list",
        good="every pallet's type and classes are stated",
        remedy="Read the label of a module on it and scan it again with type and class.",
        supplier="Neither note nor list states type, power class and ordered current class.",
    ),
)

_MODULE_RULES: Final = (
    _rule(
        "serial-doubled-in-list",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="stands more than once in one flash list, with different content",
        good="no serial stands twice in one flash list with different content",
        remedy="Hold both pallets and read the serials on the modules.",
        supplier="The serial stands more than once in one flash list.",
    ),
    _rule(
        "serial-doubled-across-lists",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="stands in more than one flash list, with different content",
        good="no serial stands in two flash lists with different content",
        remedy="Leave out a list that another one replaces; otherwise hold both pallets and read "
        "the serials on the modules.",
        supplier="The serial stands in more than one flash list.",
    ),
    _rule(
        "serial-doubled-in-history",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="was received earlier at this site",
        good="no serial was received earlier at this site",
        remedy="Find the earlier module with `trace`, and read the serials on both.",
        supplier="The serial was delivered to this site before.",
    ),
    _rule(
        "serial-pattern",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="does not look like a serial of its type",
        good="every serial looks like one of its type",
        remedy="Read the serial on the module; correct the list or the pattern in the site.",
        supplier="The serial does not have the form of this module type's serials.",
    ),
    _rule(
        "serial-missing",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has flash values but no serial",
        good="every row has a serial",
        remedy="Ask the supplier for the serial of this row.",
        supplier="A row with flash values has no serial.",
    ),
    _rule(
        "flash-no-pallet",
        "module",
        consequence="set_aside",
        verdict=Verdict.REVIEW,
        sentence="stands in the flash list without a pallet",
        good="every row says on which pallet the module was packed",
        remedy="Ask the supplier for the packing list, or scan the module where it stands.",
        supplier="The flash list does not say on which pallet the module was packed.",
    ),
    _rule(
        "flash-impossible-value",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a flash value that is missing, not a number, zero or negative",
        good="all five values are there and above zero",
        remedy="Ask the supplier for the module's flash values.",
        supplier="A flash value is missing, not a number, zero or negative.",
    ),
    _rule(
        "flash-imp-above-isc",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a current at maximum power that is not below its short-circuit current",
        good="Imp is below Isc",
        remedy="Ask the supplier for corrected values; columns may be exchanged.",
        supplier="Imp is not below Isc; columns may be exchanged.",
    ),
    _rule(
        "flash-vmp-above-voc",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a voltage at maximum power that is not below its open-circuit voltage",
        good="Vmp is below Voc",
        remedy="Ask the supplier for corrected values; columns may be exchanged.",
        supplier="Vmp is not below Voc; columns may be exchanged.",
    ),
    _rule(
        "flash-pmax-product",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a power that is not the product of Imp and Vmp",
        good="Pmax is the product of Imp and Vmp",
        remedy="Ask the supplier for corrected values.",
        supplier="Pmax is not Imp x Vmp.",
    ),
    _rule(
        "flash-fill-factor-stated",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a stated fill factor that its own values do not give",
        good="the stated fill factor is the one the values give",
        remedy="Ask the supplier for corrected values.",
        supplier="The stated fill factor is not Pmax / (Isc x Voc).",
    ),
    _rule(
        "flash-fill-factor-range",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a fill factor no sound module has",
        good="the fill factor is one a sound module can have",
        remedy="Ask the supplier for corrected values, or have the module measured.",
        supplier="The fill factor is out of the range of a sound module.",
    ),
    _rule(
        "flash-class-unknown",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a class on its label that the data sheet of its type does not have",
        good="every class is one of the data sheet's",
        remedy="Correct the class in the list, or add it to the site description.",
        supplier="The class is not one of the data sheet's.",
    ),
    _rule(
        "flash-power-class",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a flashed power outside the power class on its label",
        good="the flashed power is inside the power class on the label",
        remedy="Ask the supplier; keep it out of every string until its class is settled.",
        supplier="The flashed power is outside the power class on the label.",
    ),
    _rule(
        "flash-current-class",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a flashed Imp outside the current class on its label",
        good="the flashed Imp is inside the current class",
        remedy="Ask the supplier; keep it out of every string until its class is settled.",
        supplier="The flashed Imp is outside the current class on the label.",
    ),
    _rule(
        "flash-voc-tolerance",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a flashed Voc outside the data sheet's tolerance",
        good="Voc is inside the data sheet's tolerance",
        remedy="Ask the supplier, or have the module measured.",
        supplier="Voc is outside the data sheet's tolerance.",
    ),
    _rule(
        "flash-isc-tolerance",
        "module",
        consequence="set_aside",
        verdict=Verdict.FAIL,
        sentence="has a flashed Isc outside the data sheet's tolerance",
        good="Isc is inside the data sheet's tolerance",
        remedy="Ask the supplier, or have the module measured.",
        supplier="Isc is outside the data sheet's tolerance.",
    ),
    _rule(
        "flash-far-from-lot",
        "module",
        consequence="set_aside",
        verdict=Verdict.REVIEW,
        sentence="has a flash value far from those of its lot",
        good="no value lies far from those of its lot",
        remedy="Look for an exchanged or mistyped row; have the module measured before it is used.",
        supplier="A flash value lies far from those of the lot.",
    ),
    _rule(
        "flash-repeated",
        "file",
        consequence="note",
        verdict=Verdict.REVIEW,
        sentence="repeats rows word for word that stand earlier; the repeats were left out",
        good="no row is repeated word for word",
        remedy="Nothing, unless the list was meant to hold other modules.",
    ),
)

_LOT_RULES: Final = (
    _rule(
        "order-short",
        "lot",
        consequence="note",
        verdict=Verdict.REVIEW,
        sentence="has fewer modules on site than were ordered",
        good="as many modules are on site as were ordered",
        remedy="Wait for the next delivery, or remind the supplier.",
        supplier="Fewer modules have arrived than were ordered.",
    ),
    _rule(
        "order-exceeded",
        "lot",
        consequence="note",
        verdict=Verdict.REVIEW,
        sentence="has more modules on site than were ordered",
        good="no more modules are on site than were ordered",
        remedy="Settle with the supplier whether they stay before they are mounted.",
        supplier="More modules have arrived than were ordered.",
    ),
)

RULES: Final[dict[str, Rule]] = {
    rule.check: rule for rule in (*_PALLET_RULES, *_MODULE_RULES, *_LOT_RULES)
}
"""Every rule by the key of its check; the order is the order in which reasons are listed."""


def rules_as_markdown() -> str:
    """Give the table of all rules in Markdown, as it stands in the documentation."""
    lines = [
        "| reason | what was found | consequence | finding | what to do |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| `{rule.check}` | {rule.subject_kind} {rule.sentence} "
        f"| {rule.consequence.replace('_', ' ')} | {rule.verdict.value.replace('_', ' ')} "
        f"| {rule.remedy} |"
        for rule in RULES.values()
    ]
    return "\n".join(lines)
