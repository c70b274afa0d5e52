"""The competing explanations of a study: each splits the level combinations into exposed and unexposed coupons.

Classes: *none* (one group, low or any failure rate), *single* (a level of one factor, or a range of a numeric one),
*both* (a level of each of two factors needed together), *either* (a level of each of two factors, one enough),
*shape-free* (an own failure rate per level of one factor). All hypotheses lie side by side in arrays.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from labbench.science.sheet import FactorKind, Level

Integers = NDArray[np.int64]
NONE_LOW, NONE_ANY, SINGLE, BOTH, EITHER, SHAPE_FREE = range(6)
NONE = "none"
# Pairs of levels in the classes "both" and "either" together; beyond it the rarest levels are left out of pairs.
PAIR_LIMIT = 120_000


@dataclass(frozen=True, slots=True)
class ClassWeights:
    """Prior weight of each class of explanations, shared equally over factors (or pairs), then over their levels.

    The defaults are a choice, tried by simulation; no published source. A lab may change them, never to 0: what has
    no weight can't be found.
    """

    none_low: float = 0.05
    none_any: float = 0.10
    single: float = 0.50
    both: float = 0.20
    either: float = 0.10
    shape_free: float = 0.05

    def __post_init__(self) -> None:
        for field in fields(self):
            weight = getattr(self, field.name)
            if not 0 < weight < float("inf"):
                raise ValueError(f"weight {weight} of {field.name} is not above 0")


@dataclass(frozen=True, slots=True)
class Suspect:
    """A factor that may be (part of) the cause, with every level that has run or could be run."""

    name: str
    kind: FactorKind
    levels: tuple[Level, ...]


@dataclass(frozen=True, slots=True)
class PairBlock:
    """Where the hypotheses of two factors lie: rows `both` and `either` onwards, levels of the first slowest."""

    first: int
    second: int
    first_levels: Integers
    second_levels: Integers
    both: int
    either: int


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """All explanations; every array has shape (hypotheses,).

    Attributes
    ----------
    suspects : tuple of Suspect
    kinds : ndarray of int
        One of the class numbers of this module.
    first, second : ndarray of int
        Number of the factor, -1 where the class has none.
    low, high : ndarray of int, shape (hypotheses, 2)
        The accused levels of the first and second factor, as a range of level numbers, both ends included.
    prior : ndarray of float
        Sums to 1.
    weights : dict
        Class weights after empty classes were dropped and the rest scaled to 1.
    pairs : tuple of PairBlock
    levels_left_out : int
        Levels not considered in pairs, because there are too many.
    """

    suspects: tuple[Suspect, ...]
    kinds: Integers
    first: Integers
    second: Integers
    low: Integers
    high: Integers
    prior: NDArray[np.float64]
    weights: dict[str, float]
    pairs: tuple[PairBlock, ...]
    levels_left_out: int

    def __len__(self) -> int:
        return len(self.kinds)

    def uses(self, factor: int) -> NDArray[np.bool_]:
        """Which hypotheses say that the factor matters."""
        return np.asarray((self.first == factor) | (self.second == factor))

    def exposed(self, rows: Integers, codes: Integers) -> NDArray[np.bool_]:
        """Whether each hypothesis exposes each level combination, shape (rows, combinations).

        `codes` has shape (combinations, factors). Hypotheses with one group, or one per level, expose none.
        """
        in_first = self._within(rows, codes, self.first[rows], 0)
        in_second = self._within(rows, codes, self.second[rows], 1)
        kinds = self.kinds[rows][:, None]
        single = (kinds == SINGLE) & in_first
        both = (kinds == BOTH) & in_first & in_second
        either = (kinds == EITHER) & (in_first | in_second)
        return np.asarray(single | both | either)

    def _within(self, rows: Integers, codes: Integers, factor: Integers, side: int) -> NDArray[np.bool_]:
        if not codes.shape[1]:
            return np.zeros((len(rows), len(codes)), dtype=np.bool_)
        levels = codes.T[np.maximum(factor, 0)]
        low, high = self.low[rows, side][:, None], self.high[rows, side][:, None]
        inside: NDArray[np.bool_] = (factor[:, None] >= 0) & (levels >= low) & (levels <= high)
        return inside

    def cause_numbers(self) -> tuple[Integers, int]:
        """A number per hypothesis, equal for the same factors and the same joiner, and how many there are.

        Single and shape-free hypotheses of one factor belong together, so do the two kinds of none.
        """
        kinds = np.where(self.kinds == SHAPE_FREE, SINGLE, np.where(self.kinds == NONE_ANY, NONE_LOW, self.kinds))
        factors = len(self.suspects) + 1
        keys = (kinds * factors + self.first + 1) * factors + self.second + 1
        distinct, numbers = np.unique(keys, return_inverse=True)
        return numbers.ravel().astype(np.int64), len(distinct)

    def text(self, row: int) -> str:
        """The explanation as a lab would write it: ``resin = B and lamp = L2``."""
        kind = int(self.kinds[row])
        if kind in (NONE_LOW, NONE_ANY):
            return NONE
        if kind == SHAPE_FREE:
            return self.suspects[int(self.first[row])].name
        if kind == SINGLE:
            return self._part(row, int(self.first[row]), 0)
        joiner = "and" if kind == BOTH else "or"
        return f"{self._part(row, int(self.first[row]), 0)} {joiner} {self._part(row, int(self.second[row]), 1)}"

    def _part(self, row: int, factor: int, side: int) -> str:
        suspect = self.suspects[factor]
        low, high = int(self.low[row, side]), int(self.high[row, side])
        graded = is_graded(suspect)
        if graded and low == 0 and self.kinds[row] == SINGLE:
            return f"{suspect.name} <= {level_text(suspect.levels[high])}"
        if graded and high == len(suspect.levels) - 1 and self.kinds[row] == SINGLE:
            return f"{suspect.name} >= {level_text(suspect.levels[low])}"
        return f"{suspect.name} = {level_text(suspect.levels[low])}"


def is_graded(suspect: Suspect) -> bool:
    """Whether too little or too much of it can be the cause: numeric with more than two levels."""
    return suspect.kind == "numeric" and len(suspect.levels) > 2


def level_text(level: Level) -> str:
    """A level as a sentence shows it: the shortest text that reads back as the same."""
    if isinstance(level, str):
        return level
    return str(int(level)) if float(level).is_integer() and abs(level) < 1e15 else repr(float(level))


def hypotheses(
    suspects: tuple[Suspect, ...],
    *,
    weights: ClassWeights | None = None,
    coupons: tuple[Integers, ...] | None = None,
    pair_limit: int = PAIR_LIMIT,
) -> Hypotheses:
    """Every explanation of the five classes, with its prior probability.

    Parameters
    ----------
    suspects : tuple of Suspect
        Each with at least two levels.
    weights : ClassWeights, optional
    coupons : tuple of ndarray of int, optional
        Coupons per level of each factor: which levels stay in pairs where there are too many.
    pair_limit : int
        Largest number of hypotheses about pairs.

    Raises
    ------
    ValueError
        If a factor has fewer than two levels: nothing can be said about it.
    """
    for suspect in suspects:
        if len(suspect.levels) < 2:
            raise ValueError(f"{suspect.name} has fewer than two levels")
    weights = weights or ClassWeights()
    kept = _levels_in_pairs(suspects, coupons, pair_limit)
    left_out = sum(len(s.levels) - len(k) for s, k in zip(suspects, kept, strict=True)) if len(suspects) > 1 else 0
    parts = [_one_group(NONE_LOW), _one_group(NONE_ANY)]
    parts += [_singles(number, suspect) for number, suspect in enumerate(suspects)]
    position = sum(len(part.kinds) for part in parts)
    grids = [(f, g, kept[f], kept[g]) for f, g in combinations(range(len(suspects)), 2) if len(kept[f])]
    sizes = [len(first) * len(second) for _, _, first, second in grids]
    starts = position + np.concatenate(([0], np.cumsum(sizes))).astype(np.int64)
    blocks = tuple(
        PairBlock(*grid, both=int(start), either=int(start + sum(sizes)))
        for grid, start in zip(grids, starts[:-1], strict=True)
    )
    parts += [_pairs(kind, block) for kind in (BOTH, EITHER) for block in blocks]
    parts += [_shape_free(number) for number, suspect in enumerate(suspects) if len(suspect.levels) > 2]
    shared, prior = _prior(parts, weights)
    return Hypotheses(
        suspects=suspects,
        kinds=np.concatenate([part.kinds for part in parts]),
        first=np.concatenate([part.first for part in parts]),
        second=np.concatenate([part.second for part in parts]),
        low=np.concatenate([part.low for part in parts]),
        high=np.concatenate([part.high for part in parts]),
        prior=prior,
        weights=shared,
        pairs=blocks,
        levels_left_out=left_out,
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """Hypotheses of one class and one factor or pair."""

    kinds: Integers
    first: Integers
    second: Integers
    low: Integers
    high: Integers


def _part_of(kind: int, first: int, second: int, low: Integers, high: Integers) -> _Part:
    n = len(low)
    return _Part(np.full(n, kind), np.full(n, first), np.full(n, second), low, high)


def _one_group(kind: int) -> _Part:
    blank = np.full((1, 2), -1)
    return _part_of(kind, -1, -1, blank, blank)


def _shape_free(factor: int) -> _Part:
    blank = np.full((1, 2), -1)
    return _part_of(SHAPE_FREE, factor, -1, blank, blank)


def _singles(factor: int, suspect: Suspect) -> _Part:
    """Every level; of a graded factor every lower set, every upper set and each inner level."""
    ranges = np.array(list(_ranges(suspect)), dtype=np.int64)
    blank = np.full(len(ranges), -1)
    return _part_of(SINGLE, factor, -1, np.column_stack((ranges[:, 0], blank)), np.column_stack((ranges[:, 1], blank)))


def _ranges(suspect: Suspect) -> Iterator[tuple[int, int]]:
    last = len(suspect.levels) - 1
    if not is_graded(suspect):
        yield from ((level, level) for level in range(last + 1))
        return
    yield from ((0, level) for level in range(last))
    yield from ((level, last) for level in range(1, last + 1))
    yield from ((level, level) for level in range(1, last))


def _pairs(kind: int, block: PairBlock) -> _Part:
    first = np.repeat(block.first_levels, len(block.second_levels))
    second = np.tile(block.second_levels, len(block.first_levels))
    levels = np.column_stack((first, second))
    return _part_of(kind, block.first, block.second, levels, levels)


def _levels_in_pairs(
    suspects: tuple[Suspect, ...], coupons: tuple[Integers, ...] | None, pair_limit: int
) -> list[Integers]:
    """Level numbers that take part in pairs: all, or as many of each factor as the limit allows, most coupons first."""
    sizes = np.array([len(suspect.levels) for suspect in suspects], dtype=np.int64)

    def pairs(most: int) -> int:
        kept = np.minimum(sizes, most)
        # Sum over pairs of products, times two classes.
        return int(kept.sum() ** 2 - (kept**2).sum())

    most = int(sizes.max(initial=0))
    while most and pairs(most) > pair_limit:
        most -= 1
    chosen = []
    for number, size in enumerate(sizes):
        seen = np.zeros(size) if coupons is None else coupons[number]
        chosen.append(np.sort(np.argsort(-seen, kind="stable")[:most]).astype(np.int64))
    return chosen


def _prior(parts: list[_Part], weights: ClassWeights) -> tuple[dict[str, float], NDArray[np.float64]]:
    names = [field.name for field in fields(weights)]
    parts_of_class = np.bincount([int(part.kinds[0]) for part in parts], minlength=len(names))
    given = np.array([getattr(weights, name) for name in names])
    shared = np.where(parts_of_class > 0, given, 0.0)
    shared /= shared.sum()
    prior = np.concatenate(
        [
            np.full(len(part.kinds), shared[part.kinds[0]] / parts_of_class[part.kinds[0]] / len(part.kinds))
            for part in parts
        ]
    )
    return {name: float(share) for name, share in zip(names, shared, strict=True) if share > 0}, prior
