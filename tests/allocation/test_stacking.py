"""Stacks in the yard: never too high, never before arrival, as few digs as brute force finds."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.stacking import Ground, Stacking, stack_pallets
from arraywright.arrays import IntArray


def _ground(
    count: int, *, places: int, stack_max: int = 2, kinds: IntArray | None = None
) -> Ground:
    return Ground(
        room_m2=np.array([float(places)]),
        preference=np.zeros((count, 1), dtype=np.int64),
        footprint_m2=np.ones(count),
        kind=np.zeros(count, dtype=np.int64) if kinds is None else kinds,
        stack_max=np.full(count, stack_max, dtype=np.int64),
    )


def _walk(
    order: tuple[int, ...],
    choice: dict[int, int],
    *,
    arrives: list[int],
    leaves: list[int],
    leave_day: list[int],
    places: int,
    stack_max: int,
) -> int | None:
    """Act out a stacking day by day; give the pallets lifted off, None where it is not possible.

    ``choice`` says onto which standing pallet's stack a pallet goes, itself for the ground.
    """
    stacks: list[list[int]] = []
    digs = 0
    for day in range(min(arrives), max(leave_day) + 1):
        for pallet in (p for p in order if arrives[p] == day):
            if choice[pallet] == pallet:
                if len(stacks) == places:
                    return None
                stacks.append([pallet])
                continue
            under = [held for held in stacks if choice[pallet] in held]
            if not under or len(under[0]) == stack_max:
                return None
            under[0].append(pallet)
        for pallet in sorted((p for p in order if leave_day[p] == day), key=lambda p: leaves[p]):
            held = next(stack for stack in stacks if pallet in stack)
            at = held.index(pallet)
            digs += len(held) - at - 1
            held.pop(at)
            stacks = [stack for stack in stacks if stack]
    return digs


def _ways(count: int) -> Iterator[dict[int, int]]:
    for chosen in itertools.product(range(count), repeat=count):
        yield dict(enumerate(chosen))


def _least_digs(
    arrives: list[int], leaves: list[int], leave_day: list[int], *, places: int, stack_max: int
) -> int | None:
    """Try every order of unloading within a day and every place of every pallet."""
    count = len(arrives)
    best: int | None = None
    for order in itertools.permutations(range(count)):
        if any(arrives[a] > arrives[b] for a, b in itertools.pairwise(order)):
            continue
        for choice in _ways(count):
            digs = _walk(
                order,
                choice,
                arrives=arrives,
                leaves=leaves,
                leave_day=leave_day,
                places=places,
                stack_max=stack_max,
            )
            if digs is not None and (best is None or digs < best):
                best = digs
    return best


def _case(rng: np.random.Generator, count: int) -> tuple[list[int], list[int], list[int]]:
    arrives = np.sort(rng.integers(0, 4, count))
    leave_day = arrives + rng.integers(1, 6, count)
    leaves = np.empty(count, dtype=np.int64)
    leaves[np.lexsort((rng.random(count), leave_day))] = np.arange(count)
    return arrives.tolist(), leaves.tolist(), leave_day.tolist()


def test_digs_of_tiny_yards_equal_brute_force() -> None:
    """No order of unloading and no choice of places has fewer digs than the plan."""
    rng = np.random.default_rng(7)
    with_digs = 0
    for _ in range(60):
        count = int(rng.integers(2, 5))
        places = int(rng.integers(1, 3))
        arrives, leaves, leave_day = _case(rng, count)
        least = _least_digs(arrives, leaves, leave_day, places=places, stack_max=2)
        got = stack_pallets(
            _ground(count, places=places),
            arrives=np.array(arrives),
            leaves=np.array(leaves),
            leave_day=np.array(leave_day),
        )
        if least is None:
            assert np.any(got.area < 0)
            continue
        assert np.all(got.area >= 0)
        assert got.proven
        assert got.total_digs == least
        with_digs += least > 0
    assert with_digs >= 5


def _by_hand(got: Stacking, arrives: IntArray, leaves: IntArray, leave_day: IntArray) -> int:
    """Act out the plan that was given and count what is lifted off."""
    count = len(arrives)
    choice = {p: int(got.below[p]) if got.below[p] >= 0 else p for p in range(count)}
    order = tuple(np.lexsort((-leaves, arrives)).tolist())
    digs = _walk(
        order,
        choice,
        arrives=arrives.tolist(),
        leaves=leaves.tolist(),
        leave_day=leave_day.tolist(),
        places=count,
        stack_max=count,
    )
    assert digs is not None
    return digs


@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    count=st.integers(1, 90),
    places=st.integers(1, 60),
    stack_max=st.integers(1, 3),
    kinds=st.integers(1, 3),
)
def test_no_stack_is_too_high_and_every_dig_is_counted(
    seed: int, count: int, places: int, stack_max: int, kinds: int
) -> None:
    """Whatever comes and goes: limits of stacks, ground and kinds hold, and acted out it agrees."""
    rng = np.random.default_rng(seed)
    arrives = np.sort(rng.integers(0, 20, count))
    leave_day = arrives + rng.integers(1, 25, count)
    leaves = np.empty(count, dtype=np.int64)
    leaves[np.lexsort((rng.random(count), leave_day))] = np.arange(count)
    ground = _ground(count, places=places, stack_max=stack_max, kinds=rng.integers(0, kinds, count))
    got = stack_pallets(ground, arrives=arrives, leaves=leaves, leave_day=leave_day)
    for day in range(int(leave_day.max()) + 1):
        there = (arrives <= day) & (day <= leave_day) & (got.stack >= 0)
        per_stack = np.bincount(got.stack[there], minlength=1)
        assert per_stack.max(initial=0) <= stack_max
        assert np.count_nonzero(per_stack) <= places
    for stack in np.unique(got.stack[got.stack >= 0]):
        assert len(np.unique(ground.kind[got.stack == stack])) == 1
    housed = got.stack >= 0
    assert np.all((got.level[housed] == 1) == (got.below[housed] < 0))
    if housed.all():
        assert _by_hand(got, arrives, leaves, leave_day) == got.total_digs
    if got.proven and len(arrives) > 40:
        assert got.total_digs == 0


def test_with_ground_enough_nothing_is_lifted_off() -> None:
    """Where every pallet could stand on the ground, the one needed first is always on top."""
    rng = np.random.default_rng(3)
    count = 5000
    arrives = np.sort(rng.integers(0, 200, count))
    leave_day = arrives + rng.integers(1, 60, count)
    leaves = np.empty(count, dtype=np.int64)
    leaves[np.lexsort((rng.random(count), leave_day))] = np.arange(count)
    got = stack_pallets(
        _ground(count, places=count), arrives=arrives, leaves=leaves, leave_day=leave_day
    )
    assert got.proven
    assert got.total_digs == 0
    on_top = got.below >= 0
    assert np.all(leaves[on_top] < leaves[got.below[on_top]])
    assert on_top.sum() > 0.35 * count
