"""Earth continuity of protective and bonding conductors."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from arraywright.arrays import IntArray
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW

__all__ = ["continuity_verdict"]


def continuity_verdict(
    resistance_ohm: npt.ArrayLike,
    *,
    limit_ohm: npt.ArrayLike,
    lead_ohm: npt.ArrayLike = 0.0,
    resistance_u_ratio: npt.ArrayLike = 0.0,
) -> IntArray:
    """Verdict on earth continuity readings [1], leads taken off, (n,).

    A reading less the resistance of the test leads must not exceed the limit. It fails above the
    limit; below it by less than two standard uncertainties of the meter, it is for review. Not
    assessable are a missing or negative reading, a missing limit, and a reading below that of the
    leads by more than the meter's doubt, for then the leads were not what is said.

    IEC 62446-1 asks for continuity and names no resistance (from memory); the limit is the site's.

    Args:
        resistance_ohm: reading, (n,).
        limit_ohm: greatest resistance allowed.
        lead_ohm: resistance of the test leads where the instrument did not take it off.
        resistance_u_ratio: standard uncertainty of the reading, relative.

    Source: iec-62446-1 6.1, memory
    """
    value, limit, lead, u = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(one, dtype=np.float64))
            for one in (resistance_ohm, limit_ohm, lead_ohm, resistance_u_ratio)
        )
    )
    with np.errstate(invalid="ignore"):
        own = value - lead
        doubt = 2.0 * u * value
        known = np.isfinite(value) & np.isfinite(limit) & np.isfinite(lead) & np.isfinite(u)
        known &= (value >= 0.0) & (limit > 0.0) & (lead >= 0.0) & (u >= 0.0)
        verdict = np.select(
            [~known | (own < -doubt), own > limit, own + doubt > limit],
            [NOT_ASSESSABLE, FAIL, REVIEW],
            PASS,
        )
    return verdict.astype(np.int64)
