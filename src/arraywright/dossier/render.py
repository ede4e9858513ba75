"""Documents into PDF files (PDF/A-3b, so that attachments are allowed and it can be archived)."""

from __future__ import annotations

import hashlib
import json
import tempfile
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any

import typst

from arraywright.dossier.blocks import (
    Block,
    Caution,
    Document,
    Facts,
    Figure,
    FindingList,
    Heading,
    Paragraph,
    Sideways,
    Table,
)
from arraywright.dossier.glyphs import printable
from arraywright.errors import MachineError
from arraywright.findings import Finding, Verdict
from arraywright.sources import source_title

__all__ = ["render_pdf"]

_GRAVEST_FIRST = (Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_ASSESSABLE, Verdict.PASS)


def _finding_row(finding: Finding) -> dict[str, str]:
    notes = []
    if finding.basis:
        notes.append(f"Basis: {source_title(finding.basis)}")
    if finding.place is not None:
        notes.append(f"At: {finding.place}")
    subject, message = f"{finding.subject_kind} {finding.subject}", finding.message
    if message.casefold().startswith(subject.casefold()):
        subject, message = message[: len(subject)], message[len(subject) :].lstrip(": ")
    return {
        "verdict": finding.verdict.value.replace("_", " "),
        "subject": subject,
        "message": message,
        "remedy": finding.remedy,
        "note": " · ".join(notes),
    }


def _block_data(block: Block, folder: Path, name: str) -> dict[str, object]:
    match block:
        case Heading():
            return {"kind": "heading", "text": block.text, "level": block.level}
        case Paragraph():
            return {"kind": "paragraph", "text": block.text}
        case Caution():
            return {"kind": "caution", "lines": list(block.lines)}
        case Facts():
            pairs = [list(pair) for pair in block.pairs]
            return {"kind": "facts", "pairs": pairs, "together": block.together}
        case Table():
            return {
                "kind": "table",
                "headings": list(block.headings),
                "rows": [list(row) for row in block.rows],
                "align": list(block.align),
                "widths": list(block.widths),
                "verdict_column": block.verdict_column,
                "caption": block.caption,
                "row_height_mm": block.row_height_mm,
            }
        case Figure():
            file = f"figure-{name}.svg"
            (folder / file).write_bytes(block.svg)
            return {
                "kind": "figure",
                "file": file,
                "caption": block.caption,
                "width_ratio": block.width_ratio,
            }
        case FindingList():
            ordered = sorted(block.findings, key=lambda one: _GRAVEST_FIRST.index(one.verdict))
            return {
                "kind": "findings",
                "rows": [_finding_row(finding) for finding in ordered],
                "none": block.none,
            }
        case Sideways():
            return {
                "kind": "sideways",
                "blocks": [
                    _block_data(held, folder, f"{name}-{index}")
                    for index, held in enumerate(block.blocks)
                ],
            }


def _printable(value: Any, *, latin_only: bool) -> Any:
    """Give plain data with all its texts printable."""
    if isinstance(value, str):
        return printable(value, latin_only=latin_only)
    if isinstance(value, dict):
        return {name: _printable(held, latin_only=latin_only) for name, held in value.items()}
    if isinstance(value, list):
        return [_printable(held, latin_only=latin_only) for held in value]
    return value


def _compile(
    folder: Path, data: dict[str, Any], *, made_at: datetime, latin_only: bool = False
) -> bytes:
    text = json.dumps(_printable(data, latin_only=latin_only), ensure_ascii=False)
    (folder / "document.json").write_text(text, encoding="utf-8")
    return typst.compile(
        folder / "document.typ",
        root=folder,
        ignore_system_fonts=True,
        format="pdf",
        pdf_standards="a-3b",
        timestamp=made_at.replace(microsecond=0),
    )


def render_pdf(document: Document, *, made_at: datetime) -> bytes:
    """Bytes of the document as a PDF/A-3b file.

    Content reaches the template only as data, so nothing in it can act as markup. A character
    that no font here has is written by its number. The same document and moment give the same
    bytes.

    Raises:
        MachineError: the page maker failed, which is a defect of this program or of the machine.
    """
    template = resources.files("arraywright.dossier").joinpath("templates/document.typ")
    with tempfile.TemporaryDirectory(prefix="arraywright-") as name:
        folder = Path(name)
        attachments = []
        for number, attachment in enumerate(document.attachments):
            stored = f"attachment-{number}-{attachment.name}"
            (folder / stored).write_bytes(attachment.data)
            attachments.append(
                {
                    "file": stored,
                    "name": attachment.name,
                    "mime": attachment.mime,
                    "meaning": attachment.meaning,
                    "sha256": hashlib.sha256(attachment.data).hexdigest(),
                }
            )
        data: dict[str, Any] = {
            "title": document.title,
            "site": document.site,
            "made_at": document.made_at,
            "made_by": document.made_by,
            "contents": document.contents,
            "attachments": attachments,
            "blocks": [
                _block_data(block, folder, str(index))
                for index, block in enumerate(document.blocks)
            ],
        }
        (folder / "document.typ").write_bytes(template.read_bytes())
        try:
            try:
                return _compile(folder, data, made_at=made_at)
            except RuntimeError as error:
                if "could not be displayed" not in str(error):
                    raise
                # Letters that no font joins in this order: write all but Latin by their numbers.
                return _compile(folder, data, made_at=made_at, latin_only=True)
        except RuntimeError as error:
            raise MachineError(
                "document-not-made",
                f"The document '{document.title}' could not be set: {error}",
                "Check that the disk has room, then repeat the command.",
            ) from error
