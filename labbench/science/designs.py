"""Level combinations fixed before glass is broken: one-factor swaps, factorials, their fractions, D-optimal subsets.

A design is an array of level numbers, shape (coupons, factors). Combinations that can't be made, and levels that are
not enough for more coupons, are kept to or named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import Impossible, candidates, is_possible
from labbench.science.findings import Floats
from labbench.science.hypotheses import Integers, Suspect

# A full factorial beyond this is counted, not made.
MOST_COMBINATIONS = 4096
MOST_LEVELS_IN_FRACTION = 8
# Random beginnings of the exchange, and passes over the coupons from each.
STARTS = 6
PASSES = 20
# Prior precision of an effect, in coupons: keeps the information matrix regular where coupons are too few.
RIDGE = 1e-3


@dataclass(frozen=True, slots=True)
class Design:
    """A plan's combinations, one per coupon.

    Attributes
    ----------
    codes : ndarray of int, shape (coupons, factors)
        Level numbers.
    wanted : int
        Coupons that the plan would have were everything possible.
    reason : str or None
        Why it is not whole, or can't be made at all (then without coupons).
    """

    codes: Integers
    wanted: int
    reason: str | None = None

    def __len__(self) -> int:
        return len(self.codes)


def one_factor_swaps(
    suspects: tuple[Suspect, ...], baseline: Integers, *, per_arm: int, impossible: Impossible
) -> Design:
    """The baseline, and for every other level of every factor an arm with that one level swapped; equal arms.

    Parameters
    ----------
    suspects : tuple of Suspect
    baseline : ndarray of int, shape (factors,)
        Level numbers of the repair that failed.
    per_arm : int
    impossible : ndarray of int
        From `impossible_codes`; arms that can't be made are left out and counted in `wanted`.
    """
    arms = [baseline.copy()]
    for factor, suspect in enumerate(suspects):
        for level in range(len(suspect.levels)):
            if level != baseline[factor]:
                arms.append(baseline.copy())
                arms[-1][factor] = level
    every = np.array(arms, dtype=np.int64).reshape(len(arms), len(suspects))
    possible = is_possible(every, impossible)
    reason = None
    if not possible[0]:
        reason = "the baseline itself can't be made"
        every, possible = every[:0], possible[:0]
    elif not possible.all():
        reason = f"{int((~possible).sum())} of {len(arms)} arms can't be made"
    return Design(np.repeat(every[possible], per_arm, axis=0), per_arm * len(arms), reason)


def full_factorial(suspects: tuple[Suspect, ...], *, impossible: Impossible) -> Design:
    """Every combination of levels once; without coupons where there are more than 4,096."""
    sizes = [len(suspect.levels) for suspect in suspects]
    wanted = math.prod(sizes)
    if wanted > MOST_COMBINATIONS:
        return Design(_none(suspects), wanted, f"{wanted} combinations are more than any lab runs")
    grid = np.indices(sizes).reshape(len(sizes), -1).T.astype(np.int64)
    possible = is_possible(grid, impossible)
    reason = None if possible.all() else f"{int((~possible).sum())} of {wanted} combinations can't be made"
    return Design(grid[possible], wanted, reason)


def fractional_factorial(
    suspects: tuple[Suspect, ...], baseline: Integers, *, runs: int, impossible: Impossible
) -> Design:
    """A regular fraction in `runs` coupons, a power of two: no two factors change together.

    Factors of 3 and 4 levels take two columns of a two-level fraction, those of 5 to 8 three; where a factor has fewer
    levels than its columns make, its baseline comes up again. Columns are chosen so that as few factors as possible
    change with two others together.

    References
    ----------
    S. Addelman, "Orthogonal main-effect plans for asymmetrical factorial experiments", Technometrics 4 (1962), 21-46
    (from memory): columns that replace several two-level ones, and levels that are collapsed. NIST/SEMATECH e-Handbook
    of Statistical Methods, section 5.3.3.4: fractions and their aliases.
    """
    bits = runs.bit_length() - 1
    if runs < 2 or runs != 1 << bits:
        raise ValueError(f"{runs} runs are not a power of two")
    needed = [max(1, (len(suspect.levels) - 1).bit_length()) for suspect in suspects]
    if any(len(suspect.levels) > MOST_LEVELS_IN_FRACTION for suspect in suspects):
        return Design(_none(suspects), runs, f"a factor has more than {MOST_LEVELS_IN_FRACTION} levels")
    columns = _columns(needed, bits)
    if columns is None:
        return Design(_none(suspects), runs, f"{runs} coupons have no room for these factors")
    rows = np.arange(runs)
    codes = np.empty((runs, len(suspects)), dtype=np.int64)
    for factor, (suspect, basis) in enumerate(zip(suspects, columns, strict=True)):
        number = sum(_parity(rows & column) << place for place, column in enumerate(basis))
        # Number 0 is the baseline; numbers beyond the levels fall back on it.
        levels = np.roll(np.arange(len(suspect.levels)), -int(baseline[factor]))
        codes[:, factor] = np.where(number < len(levels), levels[np.minimum(number, len(levels) - 1)], levels[0])
    possible = is_possible(codes, impossible)
    reason = None if possible.all() else f"{int((~possible).sum())} of {runs} combinations can't be made"
    return Design(codes[possible], runs, reason)


def fraction_sizes(suspects: tuple[Suspect, ...]) -> tuple[int, ...]:
    """The powers of two, smallest first, that hold a fraction of these factors and are smaller than the full factorial."""
    needed = [max(1, (len(suspect.levels) - 1).bit_length()) for suspect in suspects]
    full = math.prod(len(suspect.levels) for suspect in suspects)
    sizes = []
    for bits in range(2, 9):
        if 1 << bits >= full:
            break
        if _columns(needed, bits) is not None:
            sizes.append(1 << bits)
    return tuple(sizes)


def d_optimal_subset(
    suspects: tuple[Suspect, ...],
    *,
    size: int,
    impossible: Impossible,
    rng: np.random.Generator,
    left: tuple[tuple[int | None, ...], ...] | None = None,
) -> Design:
    """So many coupons that estimate the main effects of all factors best: largest determinant of the information.

    Coupons are exchanged one by one against the candidate that raises the determinant most, from several random
    beginnings, until no exchange helps: a good design, not a proven optimum. With fewer coupons than effects the
    determinant is that of the information and a weak prior together.

    Parameters
    ----------
    suspects : tuple of Suspect
    size : int
        Coupons; combinations may come up repeatedly.
    impossible : ndarray of int
        Never chosen.
    rng : numpy.random.Generator
    left : tuple of tuple of (int or None), optional
        For each factor and level how many coupons it is enough for; None is no limit.

    References
    ----------
    V. V. Fedorov, Theory of Optimal Experiments (1972), chapter 3 (from memory): the exchange. W. DuMouchel and
    B. Jones, "A simple Bayesian modification of D-optimal designs", Technometrics 36 (1994), 37-47 (from memory).
    """
    pool = candidates(suspects, np.empty((0, len(suspects)), dtype=np.int64), impossible, rng=rng)
    if not len(pool):
        return Design(_none(suspects), size, "no combination of levels can be made")
    effects = main_effects(pool, suspects)
    best: tuple[float, Integers] | None = None
    for _ in range(STARTS):
        chosen = _stocked(pool, size, left, rng)
        if chosen is None:
            continue
        chosen = _exchanged(chosen, pool, effects, left)
        value = _log_determinant(effects[chosen])
        if best is None or value > best[0] + 1e-9:
            best = (value, chosen)
    if best is None:
        return Design(_none(suspects), size, f"the stock is not enough for {size} coupons")
    return Design(pool[np.sort(best[1])], size)


def main_effects(codes: Integers, suspects: tuple[Suspect, ...]) -> Floats:
    """The model matrix of a mean and main effects, contrasts that sum to zero, shape (coupons, 1 + effects)."""
    columns = [np.ones((len(codes), 1))]
    for factor, suspect in enumerate(suspects):
        contrasts = np.vstack((np.eye(len(suspect.levels) - 1), -np.ones(len(suspect.levels) - 1)))
        columns.append(contrasts[codes[:, factor]])
    return np.hstack(columns)


def spread(candidates: Floats, rows: Floats) -> Floats:
    """x' M⁻¹ x of every candidate x, M the information of the rows: with x more its determinant is 1 + x' M⁻¹ x times that."""
    if len(rows) >= rows.shape[1]:
        return np.asarray(((candidates @ np.linalg.inv(_information(rows))) * candidates).sum(axis=1))
    # Fewer coupons than effects: the same by the smaller matrix of the coupons (Woodbury's identity).
    small = np.linalg.inv(rows @ rows.T + RIDGE * np.eye(len(rows)))
    across = candidates @ rows.T
    return np.asarray(((candidates**2).sum(axis=1) - ((across @ small) * across).sum(axis=1)) / RIDGE)


def _none(suspects: tuple[Suspect, ...]) -> Integers:
    return np.empty((0, len(suspects)), dtype=np.int64)


def _parity(numbers: Integers) -> Integers:
    """Whether an odd number of bits is set."""
    found = np.zeros_like(numbers)
    while numbers.any():
        found ^= numbers & 1
        numbers = numbers >> 1
    return found


def _columns(needed: list[int], bits: int) -> list[tuple[int, ...]] | None:
    """For each factor columns of a two-level fraction, as bit masks, so that no two factors share a column or a product.

    Largest factors first; among free columns the one that is the product of as few pairs of used ones as possible.
    """
    used: set[int] = set()
    found: dict[int, tuple[int, ...]] = {}
    for factor in sorted(range(len(needed)), key=lambda f: -needed[f]):
        basis: list[int] = []
        span = {0}
        for _ in range(needed[factor]):
            free = [c for c in range(1, 1 << bits) if c not in span and not {c ^ s for s in span} & used]
            if not free:
                return None
            column = min(free, key=lambda c: (sum(1 for u in used if (u ^ c) in used), c.bit_count() != 1, c))
            basis.append(column)
            span |= {column ^ s for s in span}
        used |= span - {0}
        found[factor] = tuple(basis)
    return [found[factor] for factor in range(len(needed))]


def _stocked(
    pool: Integers, size: int, left: tuple[tuple[int | None, ...], ...] | None, rng: np.random.Generator
) -> Integers | None:
    """Random candidates that keep to the stock; None where too few can be found."""
    if left is None:
        return rng.integers(len(pool), size=size)
    rest = [np.array([size if n is None else n for n in levels]) for levels in left]
    chosen: list[int] = []
    for _ in range(size):
        fits = np.ones(len(pool), dtype=np.bool_)
        for factor, counts in enumerate(rest):
            fits &= counts[pool[:, factor]] > 0
        open_ = np.flatnonzero(fits)
        if not len(open_):
            return None
        pick = int(rng.choice(open_))
        chosen.append(pick)
        for factor, counts in enumerate(rest):
            counts[pool[pick, factor]] -= 1
    return np.array(chosen, dtype=np.int64)


def _exchanged(
    chosen: Integers, pool: Integers, effects: Floats, left: tuple[tuple[int | None, ...], ...] | None
) -> Integers:
    """Exchange coupons for candidates while the determinant grows."""
    chosen = chosen.copy()
    for _ in range(PASSES):
        has_changed = False
        for place in range(len(chosen)):
            without = np.delete(chosen, place)
            gain = spread(effects, effects[without])
            gain[~_in_stock(pool, without, left)] = -np.inf
            best = int(np.argmax(np.round(gain, 10)))
            if gain[best] > gain[chosen[place]] * (1 + 1e-9) + 1e-12:
                chosen[place], has_changed = best, True
        if not has_changed:
            break
    return chosen


def _in_stock(pool: Integers, without: Integers, left: tuple[tuple[int | None, ...], ...] | None) -> NDArray[np.bool_]:
    """Which candidates the stock allows beside the other coupons."""
    fits = np.ones(len(pool), dtype=np.bool_)
    for factor, levels in enumerate(left or ()):
        counts = np.bincount(pool[without, factor], minlength=len(levels))
        rest = np.array([np.inf if n is None else n for n in levels]) - counts
        fits &= rest[pool[:, factor]] > 0
    return fits


def _information(effects: Floats) -> Floats:
    return effects.T @ effects + RIDGE * np.eye(effects.shape[1])


def _log_determinant(effects: Floats) -> float:
    return float(np.linalg.slogdet(_information(effects))[1])
