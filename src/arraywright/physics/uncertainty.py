"""Standard uncertainties of results from those of their inputs, to first order.

Source: jcgm-100 (the GUM). ``u(y)^2 = sum over i, j of c_i c_j u(x_i) u(x_j) r(x_i, x_j)`` with
sensitivities ``c_i``, taken numerically as ``(f(x + u) - f(x - u)) / (2 u)``, so that a slight
bend of the function over the input's own uncertainty is averaged out (clause 5.1.3, note 2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.errors import CallError

__all__ = [
    "Propagated",
    "Quantity",
    "combined",
    "expanded",
    "from_expanded",
    "from_limits",
    "propagate",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Values with their standard uncertainties (coverage factor 1), of one shape.

    Attributes:
        value: best estimates, in a unit that the holder of the quantity knows.
        standard_uncertainty: standard uncertainties in the same unit, not negative.
    """

    value: FloatArray
    standard_uncertainty: FloatArray

    def __post_init__(self) -> None:
        value, spread = np.broadcast_arrays(
            np.asarray(self.value, dtype=np.float64),
            np.asarray(self.standard_uncertainty, dtype=np.float64),
        )
        if np.any(spread < 0.0):
            raise CallError(
                "value-out-of-range",
                f"Found a standard uncertainty of {np.nanmin(spread):g}; required: zero or more.",
                "Give it as a magnitude.",
            )
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "standard_uncertainty", spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """A result with its standard uncertainty and where that comes from.

    Attributes:
        value: the result at the best estimates.
        standard_uncertainty: its standard uncertainty (coverage factor 1), same shape.
        contributions: by input, the signed ``c_i u(x_i)`` in the unit of the result.
        sensitivities: by input, ``c_i``: change of the result per unit of the input; zero where
            the input is exact.
    """

    value: FloatArray
    standard_uncertainty: FloatArray
    contributions: dict[str, FloatArray]
    sensitivities: dict[str, FloatArray]

    def shares(self) -> dict[str, FloatArray]:
        """Give, by input, its share of the squared uncertainties [1], the budget's last column.

        With correlated inputs the shares are of the sum of squares without the mixed terms.
        """
        total = np.sum([part**2 for part in self.contributions.values()], axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return {
                name: np.where(total > 0.0, part**2 / total, 0.0)
                for name, part in self.contributions.items()
            }


def propagate(
    function: Callable[..., npt.ArrayLike],
    inputs: Mapping[str, Quantity],
    *,
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Propagated:
    """Result of a function of uncertain inputs with its standard uncertainty and budget.

    The function is called once at the best estimates and twice per input, always on whole
    arrays: 70,000 strings cost no more calls than one.

    Args:
        function: takes the inputs' names as keyword arguments with arrays, gives one array whose
            elements depend each on its own element of every input.
        inputs: best estimates and standard uncertainties by name, shapes that broadcast.
        correlations: correlation coefficients [1] of pairs of inputs, each pair in one order;
            pairs left out are independent.

    Raises:
        CallError: ``unknown-input`` for a correlation of something that is no input,
            ``value-out-of-range`` for a coefficient outside -1 to 1 or a set of coefficients that
            cannot hold together.

    Source: jcgm-100 5.1 and 5.2.
    """
    matrix = _correlation_matrix(list(inputs), correlations or {})
    estimates = {name: quantity.value for name, quantity in inputs.items()}
    value = np.asarray(function(**estimates), dtype=np.float64)
    contributions: dict[str, FloatArray] = {}
    sensitivities: dict[str, FloatArray] = {}
    for name, quantity in inputs.items():
        step = quantity.standard_uncertainty
        if not np.any(step > 0.0):
            part = np.zeros_like(value)
        else:
            above = np.asarray(function(**{**estimates, name: quantity.value + step}))
            below = np.asarray(function(**{**estimates, name: quantity.value - step}))
            part = 0.5 * (above - below)
        contributions[name] = np.broadcast_to(part, value.shape)
        with np.errstate(invalid="ignore", divide="ignore"):
            sensitivities[name] = np.where(step > 0.0, part / step, 0.0)
    parts = np.stack(list(contributions.values())) if contributions else np.zeros((0, *value.shape))
    variance = np.einsum("i...,ij,j...->...", parts, matrix, parts)
    return Propagated(
        value=value,
        standard_uncertainty=np.asarray(np.sqrt(np.maximum(variance, 0.0))),
        contributions=contributions,
        sensitivities=sensitivities,
    )


def _correlation_matrix(
    names: list[str], correlations: Mapping[tuple[str, str], float]
) -> FloatArray:
    matrix = np.eye(len(names))
    for (one, other), coefficient in correlations.items():
        for name in (one, other):
            if name not in names:
                raise CallError(
                    "unknown-input",
                    f"Found a correlation of {name}; required: one of {', '.join(names)}.",
                    "Name inputs as they are given.",
                )
        if one == other or not -1.0 <= coefficient <= 1.0:
            raise CallError(
                "value-out-of-range",
                f"Found correlation {coefficient} of {one} with {other}; required: two different "
                "inputs and -1 to 1.",
                "Leave independent pairs out.",
            )
        at = names.index(one), names.index(other)
        matrix[at] = matrix[at[::-1]] = coefficient
    if len(names) and np.linalg.eigvalsh(matrix)[0] < -1e-9:
        raise CallError(
            "value-out-of-range",
            "Found correlation coefficients that cannot hold together; required: a positive "
            "semidefinite set.",
            "Two inputs that both go with a third one cannot be opposed to each other.",
        )
    return matrix


def combined(*standard_uncertainties: npt.ArrayLike) -> FloatArray:
    """Combined standard uncertainty of independent contributions, in their common unit.

    ``sqrt(sum of squares)``; the arguments broadcast.

    Source: jcgm-100 5.1.2.
    """
    total: FloatArray = np.asarray(0.0)
    for part in standard_uncertainties:
        total = np.hypot(total, np.asarray(part, dtype=np.float64))
    return total


def expanded(standard_uncertainty: npt.ArrayLike, *, coverage_factor: float = 2.0) -> FloatArray:
    """Expanded uncertainty: coverage factor times standard uncertainty, in its unit.

    A factor of 2 covers about 95 % where the result is nearly normal.

    Source: jcgm-100 6.2.
    """
    spread: FloatArray = coverage_factor * np.asarray(standard_uncertainty, dtype=np.float64)
    return spread


def from_expanded(
    expanded_uncertainty: npt.ArrayLike, *, coverage_factor: float = 2.0
) -> FloatArray:
    """Standard uncertainty from an expanded one, as calibration certificates state it.

    Source: jcgm-100 4.3.3.
    """
    return np.asarray(expanded_uncertainty, dtype=np.float64) / coverage_factor


def from_limits(half_width: npt.ArrayLike) -> FloatArray:
    """Standard uncertainty of a value known only to lie within plus or minus a half width.

    ``a / sqrt(3)``: every value within the limits is equally likely, as with an instrument's
    stated accuracy or a tolerance.

    Source: jcgm-100 4.3.7.
    """
    return np.asarray(half_width, dtype=np.float64) / math.sqrt(3.0)
