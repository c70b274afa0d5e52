"""Level combinations that could be run next."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from labbench.science.hypotheses import Integers, Suspect
from labbench.science.sheet import Level

# Up to so many combinations all are considered, beyond it a random choice and what lies near the coupons that ran.
MOST_CANDIDATES = 512
RANDOM_CANDIDATES = 384
MOST_STARTS = 6

# Combinations that can't be made, shape (combinations, factors): level numbers, -1 for any level.
Impossible = Integers


def impossible_codes(
    suspects: tuple[Suspect, ...],
    impossible: tuple[dict[str, Level], ...],
    *,
    usual: dict[str, Level] | None = None,
) -> Impossible:
    """Combinations that can't be made as level numbers, -1 where any level is meant, shape (combinations, factors).

    `usual` are the levels of the factors that are not varied. A combination that names another level of one of them, or
    one that takes no part, is left out: nothing that is proposed can match it.
    """
    usual = usual or {}
    numbers = {suspect.name: number for number, suspect in enumerate(suspects)}
    found = []
    for combination in impossible:
        row = np.full(len(suspects), -1)
        for name, level in combination.items():
            if name in usual and level == usual[name]:
                continue
            if name not in numbers or level not in suspects[numbers[name]].levels:
                break
            row[numbers[name]] = suspects[numbers[name]].levels.index(level)
        else:
            found.append(row)
    return np.array(found, dtype=np.int64).reshape(len(found), len(suspects))


def is_possible(codes: Integers, impossible: Impossible) -> NDArray[np.bool_]:
    """Which combinations, shape (combinations, factors), contain none of the impossible ones."""
    possible = np.ones(len(codes), dtype=np.bool_)
    # In parts, so that many impossible combinations don't take much memory.
    for start in range(0, len(impossible), 512):
        part = impossible[start : start + 512]
        possible &= ~((codes[:, None, :] == part) | (part < 0)).all(axis=2).any(axis=1)
    return possible


def candidates(
    suspects: tuple[Suspect, ...],
    ran: Integers,
    impossible: Impossible,
    *,
    rng: np.random.Generator,
    most: int = MOST_CANDIDATES,
) -> Integers:
    """Distinct combinations that could be run, shape (combinations, factors).

    Parameters
    ----------
    suspects : tuple of Suspect
    ran : ndarray of int, shape (n, factors)
        Combinations of the coupons that ran; the most frequent ones are starting points for swaps.
    impossible : ndarray of int
        From `impossible_codes`.
    rng : numpy.random.Generator
        Used where there are more combinations than `most`.
    most : int
        Largest number of combinations that are all considered.
    """
    sizes = [len(suspect.levels) for suspect in suspects]
    if not sizes:
        return np.empty((0, 0), dtype=np.int64)
    if math.prod(sizes) <= most:
        grid = np.indices(sizes).reshape(len(sizes), -1).T.astype(np.int64)
        return grid[is_possible(grid, impossible)]
    random = _random_combinations(sizes, impossible, rng)
    starts = frequent(ran)[:MOST_STARTS]
    near = [random, starts, *(_swaps(start, sizes) for start in starts)]
    together = np.unique(np.concatenate(near), axis=0)
    return together[is_possible(together, impossible)]


def frequent(ran: Integers) -> Integers:
    """Distinct combinations that ran, most coupons first."""
    if not len(ran):
        return ran
    distinct, counts = np.unique(ran, axis=0, return_counts=True)
    return distinct[np.argsort(-counts, kind="stable")]


def _random_combinations(sizes: list[int], impossible: Impossible, rng: np.random.Generator) -> Integers:
    """Possible combinations, level by level in random order so that every level comes up equally often."""
    found: list[Integers] = []
    count = 0
    for _ in range(20):
        columns = [rng.permutation(np.resize(np.arange(size), RANDOM_CANDIDATES)) for size in sizes]
        drawn = np.column_stack(columns).astype(np.int64)
        drawn = drawn[is_possible(drawn, impossible)]
        found.append(drawn)
        count += len(drawn)
        if count >= RANDOM_CANDIDATES:
            break
    return np.concatenate(found)[:RANDOM_CANDIDATES]


def _swaps(start: Integers, sizes: list[int]) -> Integers:
    """The combination with one factor changed, at most 12 levels of each."""
    rows = []
    for factor, size in enumerate(sizes):
        for level in np.unique(np.linspace(0, size - 1, min(size, 12)).round().astype(np.int64)):
            row = start.copy()
            row[factor] = level
            rows.append(row)
    return np.array(rows, dtype=np.int64)


def completed(
    fixed: dict[int, int], near: Integers, suspects: tuple[Suspect, ...], impossible: Impossible
) -> Integers | None:
    """A possible combination with the fixed levels, the other factors as in a coupon that ran if that can be made.

    `near` are combinations to start from, best first; then each other factor is tried by itself, then in twos.
    """
    sizes = [len(suspect.levels) for suspect in suspects]
    starts = near[:MOST_STARTS] if len(near) else np.zeros((1, len(sizes)), dtype=np.int64)
    for start in starts:
        row = start.copy()
        for factor, level in fixed.items():
            row[factor] = level
        rows = [row[None]]
        for _ in range(2):
            fitting = rows[-1][is_possible(rows[-1], impossible)]
            if len(fitting):
                return np.asarray(fitting[0])
            wider = np.concatenate([_swaps(one, sizes) for one in rows[-1][:200]])
            for factor, level in fixed.items():
                wider = wider[wider[:, factor] == level]
            rows.append(wider)
        fitting = rows[-1][is_possible(rows[-1], impossible)]
        if len(fitting):
            return np.asarray(fitting[0])
    return None
