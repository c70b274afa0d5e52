"""Exact tests by counting relabellings: how often would chance alone give levels that differ as much?

All relabellings of the coupons with the levels' sizes are equally likely if the factor makes no difference. They are
counted category by category (coupons of equal score), like arrangements merged into one with their number; where that
is not affordable a seeded sample of relabellings stands in.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.findings import Counts, Finding, Floats, not_computed, simulated

# Relative slack below which two statistics count as tied.
TIE_TOLERANCE = 1e-9
NODE_LIMIT = 50_000
DRAWS = 20_000
# Coupons times draws; with more coupons fewer relabellings are drawn.
DRAWN_VALUES = 10_000_000
LARGEST_EXACT = 60
FEW_CATEGORIES, EARLY_SHARE = 4, 16
LARGEST_SIMULATED = 5_000

# (values so far, coupons per group so far, coupons of this category per group, category) -> values
Update = Callable[[Floats, Floats, Floats, int], Floats]


def permutation_test(
    scores: Floats, codes: NDArray[np.int64], *, method: str, rng: np.random.Generator, node_limit: int = NODE_LIMIT
) -> Finding:
    """Test whether scores differ between groups: share of the relabellings with sum S_g² / n_g at least the observed
    one.

    S_g is the sum of the centred scores of group g. For two groups that is the two-sided test on |S|; on ranks it is
    the exact Kruskal-Wallis (rank-sum) test, on log-rank scores the exact log-rank test.

    Parameters
    ----------
    scores : ndarray, shape (n,)
    codes : ndarray of int, shape (n,)
        Group per coupon, 0, 1, ...
    method : str
        Name of the test; "exact" or "Monte Carlo" is added.
    rng : numpy.random.Generator
        Used only where the exact count is not affordable.

    References
    ----------
    E. J. G. Pitman, "Significance tests which may be applied to samples from any populations", J. R. Statist. Soc.
    Suppl. 4 (1937), 119-130. T. Hothorn et al., "A Lego system for conditional inference", Am. Statist. 60 (2006),
    257-263.
    """
    n = len(scores)
    present, group = np.unique(codes, return_inverse=True)
    if len(present) < 2:
        return not_computed(method, "fewer than two levels have coupons to compare", n_used=n)
    centred = scores - scores.mean()
    largest = float(np.abs(centred).max())
    if largest <= 1e-12 * max(float(np.abs(scores).max()), 1e-300):
        return not_computed(method, "all coupons have the same score", n_used=n)
    centred = centred / largest
    sizes = np.bincount(group).astype(float)
    observed = float((np.bincount(group, weights=centred) ** 2 / sizes).sum())
    limit = observed * (1 - TIE_TOLERANCE) - 1e-12
    found = _exact(centred, sizes, node_limit)
    if found is not None:
        sums, weights = found
        last = -sums.sum(axis=1)
        statistic = (sums**2 / sizes[:-1]).sum(axis=1) + last**2 / sizes[-1]
        p_value = float(weights[statistic >= limit].sum() / weights.sum())
        return Finding(f"{method}, exact", min(p_value, 1.0), exactness="exact", n_used=n)
    if n > LARGEST_SIMULATED:
        return not_computed(method, "so many coupons need no relabelling", n_used=n)
    draws = min(DRAWS, DRAWN_VALUES // n)
    as_extreme, starts = 0, np.concatenate(([0], np.cumsum(sizes)[:-1].astype(int)))
    for done in range(0, draws, 1000):
        shuffled = rng.permuted(np.tile(centred, (min(1000, draws - done), 1)), axis=1)
        statistic = (np.add.reduceat(shuffled, starts, axis=1) ** 2 / sizes).sum(axis=1)
        as_extreme += int((statistic >= limit).sum())
    return simulated(f"{method}, Monte Carlo", as_extreme, draws, n_used=n)


def _exact(centred: Floats, sizes: Floats, node_limit: int) -> tuple[Floats, Floats] | None:
    if len(centred) > LARGEST_EXACT:
        return None
    # Scores equal but for rounding are one category.
    values, copies = np.unique(np.round(centred, 12), return_counts=True)

    def add(sums: Floats, used: Floats, x: Floats, category: int) -> Floats:
        return np.asarray(sums + x[:, :-1] * values[category])

    return arrangements(copies, sizes, add, width=len(sizes) - 1, node_limit=node_limit)


def arrangements(
    copies: Counts, sizes: Floats, update: Update, *, width: int, node_limit: int = NODE_LIMIT
) -> tuple[Floats, Floats] | None:
    """Distribution of values over all ways to deal categories of like coupons to groups of given sizes.

    Parameters
    ----------
    copies : ndarray of int, shape (categories,)
        Coupons per category.
    sizes : ndarray, shape (groups,)
        Coupons per group; as many in all.
    update : callable
        Gives the values (nodes, width) after a category has been dealt.
    width : int
    node_limit : int

    Returns
    -------
    values, weights : ndarray or None
        Shapes (nodes, width) and (nodes,), the weights proportional to the number of arrangements; None if not
        affordable.
    """
    groups = len(sizes)
    used, values, weights = np.zeros((1, groups)), np.zeros((1, width)), np.ones(1)
    for category, count in enumerate(copies):
        # Nodes multiply up to the middle: with so many before it, the end would not be reached.
        is_early = 2 * category < len(copies) and len(copies) > FEW_CATEGORIES
        most = node_limit // EARLY_SHARE if is_early else node_limit
        parent, x = _dealt(float(count), sizes - used, most * 4)
        if x is None:
            return None
        log_ways = special.gammaln(count + 1.0) - special.gammaln(x + 1).sum(axis=1)
        values = update(values[parent], used[parent], x, category)
        # Weights stay near one: only their ratio counts.
        weights = weights[parent] * np.exp(log_ways)
        weights /= weights.max()
        used = used[parent] + x
        used, values, weights = _merged(used, values, weights)
        if len(weights) > most:
            return None
    return values, weights


def _dealt(count: float, room: Floats, limit: int) -> tuple[Counts, Floats | None]:
    """Every way to deal `count` like coupons into the room left, per node: parent numbers and coupons per group."""
    parent = np.arange(len(room))
    x = np.zeros((len(room), 0))
    left = np.full(len(room), count)
    for group in range(room.shape[1]):
        rest = room[parent, group + 1 :].sum(axis=1)
        low, high = np.maximum(0, left - rest), np.minimum(room[parent, group], left)
        ways = np.maximum(high - low + 1, 0).astype(int)
        if ways.sum() > limit:
            return parent, None
        node = np.repeat(np.arange(len(parent)), ways)
        chosen = low[node] + np.arange(len(node)) - np.repeat(np.cumsum(ways) - ways, ways)
        parent, left = parent[node], left[node] - chosen
        x = np.column_stack([x[node], chosen])
    return parent, x


def _merged(used: Floats, values: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Nodes with the same coupons dealt and the same values become one."""
    keys = np.column_stack([used[:, :-1], np.round(values, 10)])
    order = np.lexsort(keys.T)
    new = np.concatenate(([True], (np.diff(keys[order], axis=0) != 0).any(axis=1)))
    starts = np.flatnonzero(new)
    return used[order][starts], values[order][starts], np.add.reduceat(weights[order], starts)
