"""Compiled sums over readings and forms of causes, for sessions of tens of thousands of strings."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def"

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["add_forms", "faded_mean", "weighted_score"]


@numba.njit(cache=True)
def _constant(degrees):  # pragma: no cover - compiled
    return (
        math.lgamma((degrees + 1.0) / 2.0)
        - math.lgamma(degrees / 2.0)
        - 0.5 * math.log(degrees * math.pi)
    )


@numba.njit(cache=True)
def weighted_score(
    residual, own_variance, level_variance, sound, scale, degrees
):  # pragma: no cover - compiled
    """Sum of log Student densities of residuals, each weighted by its probability to be sound."""
    total = 0.0
    half = 0.5 * (degrees + 1.0)
    constant = _constant(degrees)
    for i in range(len(residual)):
        variance = scale * scale * own_variance[i] + level_variance[i]
        squared = residual[i] * residual[i] / (degrees * variance)
        total += sound[i] * (constant - 0.5 * math.log(variance) - half * math.log1p(squared))
    return total


@numba.njit(cache=True)
def add_forms(
    out, rows, cause_of, log_share, shift, spread_variance, residual, variance, known, degrees
):  # pragma: no cover - compiled
    """Add forms of causes to ``out[rows, cause]`` (log densities), over the channels read.

    ``shift`` is (forms, channels, 1) for one shift of all readings or (forms, channels, n).
    """
    channels = len(degrees)
    constant = np.empty(channels)
    for c in range(channels):
        constant[c] = _constant(degrees[c])
    own = shift.shape[2] > 1
    for at in range(len(rows)):
        i = rows[at]
        for form in range(len(cause_of)):
            density = log_share[form]
            for c in range(channels):
                if not known[c, i]:
                    continue
                moved = shift[form, c, i] if own else shift[form, c, 0]
                if math.isinf(moved):
                    density = -math.inf
                    break
                held = variance[c, i] + spread_variance[form, c]
                away = residual[c, i] - moved
                density += (
                    constant[c]
                    - 0.5 * math.log(held)
                    - 0.5 * (degrees[c] + 1.0) * math.log1p(away * away / (degrees[c] * held))
                )
            if density == -math.inf:
                continue
            before = out[i, cause_of[form]]
            if before == -math.inf:
                out[i, cause_of[form]] = density
            elif before > density:
                out[i, cause_of[form]] = before + math.log1p(math.exp(density - before))
            else:
                out[i, cause_of[form]] = density + math.log1p(math.exp(before - density))


@numba.njit(cache=True)
def faded_mean(value, time_s, group, tau_s):  # pragma: no cover - compiled
    """Mean of a group's values so far, weights falling with age; sorted by group, then time.

    Readings are taken as standing until the next; nan values are passed over.
    """
    out = np.full(len(value), np.nan)
    held, at, had = 0.0, 0.0, False
    for i in range(len(value)):
        if i == 0 or group[i] != group[i - 1]:
            had = False
        if math.isnan(value[i]) or math.isnan(time_s[i]):
            continue
        if not had:
            held, had = value[i], True
        else:
            held += (1.0 - math.exp(-(time_s[i] - at) / tau_s)) * (value[i] - held)
        at = time_s[i]
        out[i] = held
    return out
