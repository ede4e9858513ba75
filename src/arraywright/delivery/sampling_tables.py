"""The tables of single sampling by attributes: code letters and plans."""

from __future__ import annotations

from typing import Final

__all__ = [
    "AQL_PERCENT",
    "CODE_LETTERS",
    "LEVELS",
    "LOT_SIZE_ENDS",
    "NORMAL",
    "SAMPLE_SIZE",
    "TIGHTENED",
    "TIGHTENED_AQL_PERCENT",
]

LEVELS: Final = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
"""Inspection levels; II applies unless something else is agreed."""

LOT_SIZE_ENDS: Final = (
    8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000,
)  # fmt: skip
"""Greatest lot size of each row of the table of code letters; the last row has no end."""

CODE_LETTERS: Final[dict[str, str]] = {
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
"""Code letter of each row of lot sizes, by inspection level (table I of MIL-STD-105E)."""

SAMPLE_SIZE: Final[dict[str, int]] = {
    "A": 2, "B": 3, "C": 5, "D": 8, "E": 13, "F": 20, "G": 32, "H": 50, "J": 80,
    "K": 125, "L": 200, "M": 315, "N": 500, "P": 800, "Q": 1250, "R": 2000,
}  # fmt: skip
"""Modules in the sample, by code letter."""

AQL_PERCENT: Final = (
    0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5,
    4.0, 6.5, 10.0, 15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0,
)  # fmt: skip
"""The preferred series of acceptance quality limits [%]; above 10 they count defects, not items."""

NORMAL: Final[dict[str, str]] = {
    "A": "v v v v v v v v v v v v v v 0 v v 1 2 3 5 7 10 14 21 30",
    "B": "v v v v v v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 30 44",
    "C": "v v v v v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 30 44 ^",
    "D": "v v v v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 30 44 ^ ^",
    "E": "v v v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 30 44 ^ ^ ^",
    "F": "v v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^",
    "G": "v v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^",
    "H": "v v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^",
    "J": "v v v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "K": "v v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "L": "v v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "M": "v v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "N": "v v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "P": "v 0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "Q": "0 ^ v 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
    "R": "^ ^ 1 2 3 5 7 10 14 21 ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^ ^",
}
"""Acceptance numbers of normal inspection by code letter, one per AQL of the series.

``v`` means the first plan below in the same column, ``^`` the first above; the rejection number
is one more than the acceptance number (table II-A of MIL-STD-105E).
"""

TIGHTENED_AQL_PERCENT: Final = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0, 15.0)
"""The part of the series for which tightened plans are held here."""

TIGHTENED: Final[dict[str, str]] = {
    "A": "v v v v v v v v",
    "B": "v v v v v 0 v v",
    "C": "v v v v 0 v v 1",
    "D": "v v v 0 v v 1 2",
    "E": "v v 0 v v 1 2 3",
    "F": "v 0 v v 1 2 3 5",
    "G": "0 v v 1 2 3 5 8",
    "H": "v v 1 2 3 5 8 12",
    "J": "v 1 2 3 5 8 12 18",
    "K": "1 2 3 5 8 12 18 ^",
    "L": "2 3 5 8 12 18 ^ ^",
    "M": "3 5 8 12 18 ^ ^ ^",
    "N": "5 8 12 18 ^ ^ ^ ^",
    "P": "8 12 18 ^ ^ ^ ^ ^",
    "Q": "12 18 ^ ^ ^ ^ ^ ^",
    "R": "18 ^ ^ ^ ^ ^ ^ ^",
}
"""Acceptance numbers of tightened inspection, as in ``NORMAL`` (table II-B of MIL-STD-105E).

Rows A to L are checked against a published excerpt; rows M to R continue its diagonals (memory).
"""
