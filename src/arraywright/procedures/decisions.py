"""What a person decided about a pallet, whatever the checks found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from arraywright.delivery import Reconciliation
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body

__all__ = [
    "DECISIONS",
    "PALLET_DECIDED",
    "PalletDecision",
    "decide_pallet",
    "pallet_decisions",
    "with_decisions",
]

PALLET_DECIDED: Final = "office_pallet_decided"
"""Kind of entry by which a person accepts, holds or refuses a pallet, or lets the checks decide."""

DECISIONS: Final = ("accept", "hold", "refuse", "as_checked")
_LABEL: Final = ("module_type", "power_class_w", "current_class")


@dataclass(frozen=True, slots=True, kw_only=True)
class PalletDecision:
    """What somebody decided about one pallet.

    Attributes:
        pallet: number of the pallet.
        verdict: accept, hold, refuse, or as_checked.
        reason: why, in the person's words.
        entry: the entry that says so.
    """

    pallet: str
    verdict: str
    reason: str
    entry: Entry


def pallet_decisions(record: SiteRecord) -> dict[str, PalletDecision]:
    """Give the newest decision about each pallet, in server order."""
    found: dict[str, PalletDecision] = {}
    for entry in record.journal.live(kind=PALLET_DECIDED):
        body = parse_body(entry.body)
        found[entry.subject] = PalletDecision(
            pallet=entry.subject,
            verdict=str(body["verdict"]),
            reason=str(body["reason"]),
            entry=entry,
        )
    return found


def decide_pallet(record: SiteRecord, pallet: str, *, verdict: str, reason: str) -> Entry:
    """Record a decision about a pallet, in place of the one before.

    Raises:
        CallError: the verdict is none, or no reason is given.
        RecordError: somebody decided at the same moment.
    """
    if verdict not in DECISIONS or not reason.strip():
        raise CallError(
            "decision-without-reason",
            f"Found the decision {verdict!r} with the reason {reason[:80]!r}.",
            f"Choose one of {', '.join(DECISIONS)}, and say why.",
        )
    before = pallet_decisions(record).get(pallet)
    body = {"verdict": verdict, "reason": reason.strip()[:2000]}
    return record.journal.append(
        [
            NewEntry(
                kind=PALLET_DECIDED,
                subject_kind="pallet",
                subject=pallet,
                body=json_body(body),
                supersedes=None if before is None else before.entry.uuid,
            )
        ]
    )[0]


def with_decisions(
    result: Reconciliation, decisions: Mapping[str, PalletDecision]
) -> Reconciliation:
    """Let decisions stand in place of what the checks found, each told by a finding.

    Modules that are set aside singly stay so on an accepted pallet.
    """
    held = {row["pallet"]: row for row in result.pallets.iter_rows(named=True)}
    chosen = [
        one
        for one in decisions.values()
        if one.verdict != "as_checked"
        and one.pallet in held
        and held[one.pallet]["verdict"] != one.verdict
    ]
    if not chosen:
        return result
    verdicts = pl.DataFrame(
        {"pallet": [one.pallet for one in chosen], "_decided": [one.verdict for one in chosen]}
    )
    pallets = (
        result.pallets.join(verdicts, on="pallet", how="left", maintain_order="left")
        .with_columns(verdict=pl.coalesce("_decided", "verdict"))
        .drop("_decided")
    )
    modules = (
        result.modules.join(verdicts, on="pallet", how="left", maintain_order="left")
        .with_columns(pallet_verdict=pl.coalesce("_decided", "pallet_verdict"))
        .drop("_decided")
    )
    return replace(
        result,
        pallets=pallets,
        modules=modules,
        order_balance=_balance(result.order_balance, held, chosen),
        findings=(*result.findings, *(_finding(one, held[one.pallet]) for one in chosen)),
    )


def _finding(decision: PalletDecision, pallet: Mapping[str, object]) -> Finding:
    reasons = pallet["reasons"]
    found = ", ".join(reasons) if isinstance(reasons, list) else ""
    return Finding(
        check="pallet-decided",
        subject_kind="pallet",
        subject=decision.pallet,
        verdict=Verdict.REVIEW,
        message=f"Pallet {decision.pallet}: {decision.entry.person} decided {decision.verdict}, "
        f"where the checks say {pallet['verdict']}{f' ({found})' if found else ''}. "
        f"Reason given: {decision.reason}",
        remedy="Look at the pallet; who decided answers for it.",
        basis="common-practice",
    )


def _balance(
    balance: pl.DataFrame,
    held: Mapping[str, Mapping[str, object]],
    chosen: Sequence[PalletDecision],
) -> pl.DataFrame:
    rows = balance.to_dicts()
    for one in chosen:
        pallet = held[one.pallet]
        label = [pallet[name] for name in _LABEL]
        row = next((row for row in rows if [row[name] for name in _LABEL] == label), None)
        if row is None:
            continue
        usable = int(str(pallet["modules_usable"] or 0))
        row["accepted"] += usable * ((one.verdict == "accept") - (pallet["verdict"] == "accept"))
        if pallet["seen"]:
            counts = (pallet[f"modules_{paper}"] for paper in ("scan", "flash", "note"))
            there = next((int(str(count)) for count in counts if count is not None), 0)
            row["delivered"] += there * (
                (pallet["verdict"] == "refuse") - (one.verdict == "refuse")
            )
            gap = row["ordered"] - row["delivered"]
            row["missing"], row["surplus"] = max(gap, 0), max(-gap, 0)
    return pl.DataFrame(rows, schema=balance.schema)
