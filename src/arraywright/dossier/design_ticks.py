"""Keeping labels of lines apart."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["apart"]


def apart(values: Sequence[float], *, least: float) -> list[float]:
    """Move labels so that neighbours are at least so far apart, as little as that asks for.

    Args:
        values: where labels belong, rising.
        least: distance between neighbours.
    """
    groups: list[tuple[float, int]] = []
    for value in values:
        groups.append((value, 1))
        while len(groups) > 1:
            (one, many), (other, more) = groups[-2:]
            if other - one >= 0.5 * least * (many + more):
                break
            # Labels that would overlap stand evenly round the mean of where they belong.
            groups[-2:] = [((one * many + other * more) / (many + more), many + more)]
    return [
        middle + least * (place - 0.5 * (many - 1))
        for middle, many in groups
        for place in range(many)
    ]
