"""What a pallet is worth to the strings that are still to come: prices of places and modules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import minimize

from arraywright.allocation._rolling_kernels import place_costs, smooth_dual
from arraywright.arrays import FloatArray, IntArray

__all__ = ["PalletModules", "PalletPrices", "PalletSums", "pallet_prices", "pallet_sums"]

_HEATS: Final = (0.3, 0.05, 0.01)
_ROUNDS: Final = 60
_ENOUGH: Final = 800


@dataclass(frozen=True, slots=True, kw_only=True)
class PalletModules:
    """Modules on pallets, one pallet after the other.

    Attributes:
        x: current coordinate of each module [W^0.5], (modules,).
        y: voltage coordinate of each module [W^0.5], (modules,).
        offsets: modules of pallet u are ``offsets[u]:offsets[u + 1]``, (pallets + 1,).
    """

    x: FloatArray
    y: FloatArray
    offsets: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class PalletSums:
    """Sums from the top of each pallet down, (pallets, modules + 1).

    Attributes:
        x: sum of the current coordinate [W^0.5].
        y: sum of the voltage coordinate [W^0.5].
        squares: sum of the squares of the current coordinate [W].
        sizes: modules of each pallet, (pallets,).
    """

    x: FloatArray
    y: FloatArray
    squares: FloatArray
    sizes: IntArray

    def take(self, units: IntArray) -> PalletSums:
        """Give some of the pallets."""
        return PalletSums(
            x=self.x[units],
            y=self.y[units],
            squares=self.squares[units],
            sizes=self.sizes[units],
        )


def pallet_sums(modules: PalletModules) -> PalletSums:
    """Sum the coordinates of each pallet from the top down."""
    offsets = modules.offsets
    sizes = offsets[1:] - offsets[:-1]
    column = np.arange(int(sizes.max(initial=1)))
    inside = column < sizes[:, None]
    index = np.minimum(offsets[:-1, None] + column, max(len(modules.x) - 1, 0))
    nothing = np.zeros((len(sizes), 1))
    held = [
        np.concatenate([nothing, np.cumsum(np.where(inside, one[index], 0.0), axis=1)], axis=1)
        for one in (modules.x, modules.y, modules.x**2)
    ]
    return PalletSums(x=held[0], y=held[1], squares=held[2], sizes=sizes.astype(np.int64))


@dataclass(frozen=True, slots=True, kw_only=True)
class PalletPrices:
    """Prices at which the stock and the strings still to come balance.

    Attributes:
        reach: weight of the first k modules of a string, from 0 to 1, (modules + 1,).
        potential: price of beginning a pallet at each place of a string [W], (modules,).
        price: what a module left over saves [W].
    """

    reach: FloatArray
    potential: FloatArray
    price: float

    def value_w(self, sums: PalletSums) -> FloatArray:
        """Loss each pallet is expected to take part in where it fits best [W], (pallets,).

        A pallet that fits nowhere is worth being left over.
        """
        cost, stop = place_costs(sums.x, sums.squares, sums.sizes, self.reach)
        best = np.min(cost + self.potential - self.potential[stop], axis=1)
        return np.asarray(np.minimum(best, self.price * sums.sizes), dtype=np.float64)


def _reach(sums: PalletSums, length: int) -> FloatArray:
    """Weigh places of a string so that parts weigh as their sums usually are large."""
    most = sums.x.shape[1] - 1
    cut = np.arange(1, length + 1)
    known = cut[cut <= most]
    size = np.array([np.sqrt(np.mean(sums.x[sums.sizes >= k, k] ** 2)) for k in known.tolist()])
    if not len(size) or not np.all(size > 0.0):
        size = np.sqrt(known.astype(np.float64))
    # a longer part never weighs less, and a little more, so that no weight is zero
    size = np.maximum.accumulate(size) * (1.0 + 1e-6 * known)
    # beyond a pallet the sum grows as of pallets that know nothing of each other
    whole = np.concatenate([[0.0], size, size[-1] * np.sqrt(cut[len(known) :] / len(known))])
    return np.asarray(whole / (whole + whole[::-1]), dtype=np.float64)


def pallet_prices(
    sums: PalletSums, *, modules_per_string: int, wanted_modules: int
) -> PalletPrices:
    """Price places in a string and modules so that pallets and strings balance.

    The order of pallets is relaxed to balance, as many pallets beginning at a place in a string as
    end there, and prices are raised until they balance (Lagrangian relaxation). The prices say what
    a pallet is worth later; they prove nothing.

    Args:
        sums: pallets that are here and that may be expected, centred on their mean.
        modules_per_string: modules of the strings to come.
        wanted_modules: modules that the strings to come need.

    Source: fisher-2004 (Lagrangian relaxation)
    """
    length = modules_per_string
    part = 1.0
    there = int(sums.sizes.sum())
    if len(sums.sizes) > _ENOUGH:
        kept = np.linspace(0, len(sums.sizes) - 1, _ENOUGH).astype(np.int64)
        sums = sums.take(kept)
        part = float(sums.sizes.sum()) / there
    reach = _reach(sums, length)
    cost, stop = place_costs(sums.x, sums.squares, sums.sizes, reach)
    spread = float(np.std(cost)) or 1.0
    units = len(sums.sizes)
    wanted = part * min(wanted_modules, there)

    def cost_of(vector: FloatArray, heat: float) -> tuple[float, FloatArray]:
        value, by_potential, by_price = smooth_dual(
            cost, stop, sums.sizes, vector[:length], float(vector[length]), heat
        )
        gradient = np.concatenate([by_potential, [by_price + wanted]])
        return -(float(value) + float(vector[length]) * wanted) / units, -gradient / units

    vector = np.zeros(length + 1)
    vector[length] = float(np.quantile(np.min(cost, axis=1) / sums.sizes, 0.99))
    for heat in _HEATS:
        found = minimize(
            cost_of,
            vector,
            args=(heat * spread,),
            jac=True,
            method="L-BFGS-B",
            options={"maxiter": _ROUNDS},
        )
        vector = np.asarray(found.x, dtype=np.float64)
    return PalletPrices(reach=reach, potential=vector[:length].copy(), price=float(vector[length]))
