"""Exact tests on a table of levels x {failed, held}: Fisher-Freeman-Halton.

The probability of a table with the observed margins is prod_i C(n_i, x_i) / C(N, F); n_i coupons of level i, x_i of
them failed, F failed in all. The p-value is the total probability of the tables no more probable than the observed one.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy import special

from labbench.science.findings import Counts, Finding, Floats, not_computed, simulated

# Tables as probable as the observed one count; they differ by rounding only. Relative, as common practice has it.
TIE_TOLERANCE = 1e-7
NODE_LIMIT = 200_000
DRAWS = 50_000


def log_choose(n: Floats | float, x: Floats | float) -> Floats:
    """Natural logarithm of the binomial coefficient."""
    return np.asarray(
        special.gammaln(np.add(n, 1.0)) - special.gammaln(np.add(x, 1.0)) - special.gammaln(np.subtract(n, x) + 1.0)
    )


def fisher_freeman_halton(
    failed: Counts, coupons: Counts, *, rng: np.random.Generator, node_limit: int = NODE_LIMIT, draws: int = DRAWS
) -> Finding:
    """Exact test of association between levels and failing.

    Parameters
    ----------
    failed, coupons : ndarray of int, shape (levels,)
        Counts per level; levels without coupons are ignored.
    rng : numpy.random.Generator
        Used only where the exact sum is not affordable.
    node_limit : int
        Largest number of partial tables kept at once; beyond it the p-value is simulated.
    draws : int
        Random tables of the simulation.

    Returns
    -------
    Finding
        Exact, or simulated with its standard error. None failed or all failed: one table only, p = 1.

    References
    ----------
    G. H. Freeman and J. H. Halton, "Note on an exact treatment of contingency, goodness of fit and other problems of
    significance", Biometrika 38 (1951), 141-149. C. R. Mehta and N. R. Patel, "A network algorithm for performing
    Fisher's exact test in r x c contingency tables", J. Am. Stat. Assoc. 78 (1983), 427-434 (the bounds that prune the
    sum).
    """
    method = "Fisher-Freeman-Halton exact test"
    used = coupons > 0
    x, n = np.asarray(failed)[used].astype(float), np.asarray(coupons)[used].astype(float)
    total = int(n.sum())
    if len(n) < 2:
        return not_computed(method, "fewer than two levels have coupons", n_used=total)
    all_failed = x.sum()
    if all_failed in (0, total):
        words = "no coupon failed" if all_failed == 0 else "every coupon failed"
        return Finding(method, 1.0, exactness="exact", n_used=total, reason=f"{words}, so only one table is possible")
    # Small levels first: the two largest are summed in closed form at the end.
    order = np.argsort(n, kind="stable")
    observed = float(log_choose(n, x).sum())
    p_value = _exact_tail(n[order], int(all_failed), observed + TIE_TOLERANCE, node_limit)
    if p_value is not None:
        return Finding(method, p_value, exactness="exact", n_used=total)
    tables = rng.multivariate_hypergeometric(n.astype(np.int64), int(all_failed), size=draws, method="marginals")
    logs = np.zeros(draws)
    for size, column in zip(n, tables.T, strict=True):
        logs += log_choose(size, np.arange(size + 1))[column]
    as_extreme = int((logs <= observed + TIE_TOLERANCE).sum())
    return simulated(f"{method}, Monte Carlo", as_extreme, draws, n_used=total)


def _exact_tail(n: Floats, all_failed: int, limit: float, node_limit: int) -> float | None:
    """Probability of all tables whose sum of log C(n_i, x_i) is at most `limit`; None if not affordable."""
    log_all = float(log_choose(float(n.sum()), float(all_failed)))
    left, weight, paths = np.array([all_failed]), np.zeros(1), np.ones(1)
    tail = 0.0
    for level in range(len(n) - 2):
        rest = n[level + 1 :]
        low = np.maximum(0, left - int(rest.sum()))
        high = np.minimum(int(n[level]), left)
        sizes = high - low + 1
        if sizes.sum() > 6 * node_limit:
            return None
        parent = np.repeat(np.arange(len(left)), sizes)
        x = low[parent] + np.arange(len(parent)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        # Looked up, not computed, for every partial table.
        own = log_choose(n[level], np.arange(n[level] + 1))
        left, weight, paths = left[parent] - x, weight[parent] + own[x], paths[parent]
        most, least = _bounds(rest, all_failed)
        counted = weight + most[left] <= limit
        others = log_choose(float(rest.sum()), np.minimum(np.arange(all_failed + 1.0), rest.sum()))
        tail += _sum_exp(weight[counted] + others[left[counted]] - log_all, paths[counted])
        open_ = ~counted & (weight + least[left] <= limit)
        left, weight, paths = _merged(left[open_], weight[open_], paths[open_])
        if len(left) > node_limit:
            return None
    return min(tail + _last_two(n[-2], n[-1], left, weight, paths, limit, log_all), 1.0)


def _sum_exp(logs: Floats, paths: Floats) -> float:
    return float((np.exp(logs) * paths).sum())


def _bounds(n: Floats, all_failed: int) -> tuple[Floats, Floats]:
    """Largest and smallest sum of log C(n_i, x_i) over tables with m failed, for m = 0 .. all_failed.

    log C(n, x) is concave in x: the largest sum takes the increments in falling order, the smallest has at most one
    level that is neither all held nor all failed.
    """
    m = np.arange(all_failed + 1)
    x = [np.arange(min(int(size), all_failed)) for size in n]
    steps = np.concatenate([np.log((size - xs) / (xs + 1)) for size, xs in zip(n, x, strict=True)])
    most = np.full(all_failed + 1, -np.inf)
    best = np.concatenate(([0.0], np.cumsum(-np.sort(-steps))))
    most[: min(len(best), all_failed + 1)] = best[: all_failed + 1]
    least = np.where(m > n.sum(), np.inf, np.inf)
    for partial in range(len(n)):
        sums = _subset_sums(np.delete(n, partial), all_failed)
        size = int(n[partial])
        below = sums[np.searchsorted(sums, m, side="right") - 1]
        above_index = np.minimum(np.searchsorted(sums, m - size), len(sums) - 1)
        for start in (below, sums[above_index]):
            x_partial = m - start
            possible = (x_partial >= 0) & (x_partial <= size)
            value = log_choose(float(size), np.where(possible, x_partial, 0).astype(float))
            least = np.where(possible, np.minimum(least, value), least)
    return most, least


def _subset_sums(n: Floats, largest: int) -> Counts:
    reachable = np.zeros(largest + 1, dtype=bool)
    reachable[0] = True
    for size in n.astype(int):
        if size <= largest:
            reachable[size:] |= reachable[: largest + 1 - size].copy()
    return np.flatnonzero(reachable)


def _merged(left: Counts, weight: Floats, paths: Floats) -> tuple[Counts, Floats, Floats]:
    """Partial tables of the same margin and probability become one, with their number of paths."""
    if len(left) < 2:
        return left, weight, paths
    order = np.lexsort((weight, left))
    left, weight, paths = left[order], weight[order], paths[order]
    new = np.concatenate(([True], (np.diff(left) != 0) | (np.diff(weight) > 1e-10)))
    starts = np.flatnonzero(new)
    return left[starts], weight[starts], np.add.reduceat(paths, starts)


def _last_two(a: float, b: float, left: Counts, weight: Floats, paths: Floats, limit: float, log_all: float) -> float:
    """The rest of the sum when two levels remain: per margin, sorted probabilities and their running total."""
    tail = 0.0
    order = np.argsort(left, kind="stable")
    left, weight, paths = left[order], weight[order], paths[order]
    edges = (
        np.concatenate(([0], np.flatnonzero(np.diff(left)) + 1, [len(left)])) if len(left) else np.zeros(1, dtype=int)
    )
    log_a, log_b = log_choose(a, np.arange(a + 1)), log_choose(b, np.arange(b + 1))
    for start, stop in pairwise(edges):
        m = int(left[start])
        first, last = max(0, m - int(b)), min(int(a), m)
        logs = np.sort(log_a[first : last + 1] + log_b[m - last : m - first + 1][::-1])
        here = slice(start, stop)
        allowed = np.searchsorted(logs, limit - weight[here], side="right")
        # The running total is scaled by its own largest term, which keeps far tails from vanishing.
        top = logs[-1]
        running = np.concatenate(([0.0], np.cumsum(np.exp(logs - top))))
        tail += _sum_exp(weight[here] + top - log_all, running[allowed] * paths[here])
    return tail
