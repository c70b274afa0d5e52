"""Tests against an order of the levels: the exact trend of failures, Jonckheere's test of strength."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.findings import Counts, Finding, Floats, normal_two_sided, not_computed
from labbench.science.permutation import LARGEST_EXACT, arrangements, permutation_test


def exact_trend(failed: Counts, coupons: Counts, scores: Floats, *, rng: np.random.Generator) -> Finding:
    """Exact version of the Cochran-Armitage test: the failures dealt to the coupons in all possible ways.

    References
    ----------
    A. Agresti, Categorical Data Analysis, 2nd ed. (Wiley, 2002), sec. 3.4 and 3.5.7.
    """
    method = "exact trend test (conditional on the numbers of failed and held)"
    x, n = np.asarray(failed, dtype=int), np.asarray(coupons, dtype=int)
    if x.sum() in (0, n.sum()):
        return not_computed(method, f"{'no' if x.sum() == 0 else 'every'} coupon failed", n_used=int(n.sum()))
    if not np.isfinite(scores).all():
        return not_computed(method, "a level is not a finite number", n_used=int(n.sum()))
    codes = np.concatenate([np.repeat(1, x.sum()), np.repeat(0, (n - x).sum())])
    dose = np.concatenate([np.repeat(scores, x), np.repeat(scores, n - x)])
    return permutation_test(dose / max(float(np.abs(dose).max()), 1e-300), codes, method=method, rng=rng)


def jonckheere(values: Floats, codes: NDArray[np.int64]) -> Finding:
    """Jonckheere-Terpstra test, two-sided: do values rise or fall with the order of the groups?

    J counts the pairs of coupons from different groups that stand in the order of the groups, ties half; `statistic`
    is z (positive: rising) from the tie-corrected variance, without continuity correction. The p-value is exact
    (permutation distribution with the ties there are) where that is affordable, else from z.

    References
    ----------
    A. R. Jonckheere, Biometrika 41 (1954), 133-145. M. Hollander and D. A. Wolfe, Nonparametric Statistical Methods,
    2nd ed. (Wiley, 1999), sec. 6.2, eq. 6.19.
    """
    method = "Jonckheere-Terpstra test, two-sided"
    n = len(values)
    present, group = np.unique(codes, return_inverse=True)
    distinct, category, copies = np.unique(values, return_inverse=True, return_counts=True)
    if len(present) < 2:
        return not_computed(method, "fewer than two levels have coupons to compare", n_used=n)
    if len(distinct) < 2:
        return not_computed(method, "all values are equal", n_used=n)
    sizes = np.bincount(group).astype(float)
    counts = np.zeros((len(distinct), len(present)))
    np.add.at(counts, (category.ravel(), group.ravel()), 1.0)
    below = np.cumsum(counts, axis=0) - counts
    earlier = np.cumsum(below + counts / 2, axis=1) - (below + counts / 2)
    observed = float((counts * earlier).sum())
    mean = (n**2 - (sizes**2).sum()) / 4
    z = (observed - mean) / np.sqrt(_variance(n, sizes, copies.astype(float)))
    p_value = _exact_p_value(observed, mean, copies, sizes) if n <= LARGEST_EXACT else None
    if p_value is None:
        return Finding(f"{method}, normal approximation", normal_two_sided(z), statistic=float(z), n_used=n)
    return Finding(f"{method}, exact", p_value, statistic=float(z), exactness="exact", n_used=n)


def _variance(n: int, sizes: Floats, ties: Floats) -> float:
    """Variance of J with ties (Hollander and Wolfe, eq. 6.19)."""

    def cubic(m: Floats | float) -> float:
        m = np.asarray(m, dtype=float)
        return float((m * (m - 1) * (2 * m + 5)).sum())

    def falling(m: Floats, k: int) -> float:
        return float(special.poch(m - k + 1, k).sum())

    total = (cubic(float(n)) - cubic(sizes) - cubic(ties)) / 72
    if n > 2:
        total += falling(sizes, 3) * falling(ties, 3) / (36.0 * n * (n - 1) * (n - 2))
    return total + falling(sizes, 2) * falling(ties, 2) / (8.0 * n * (n - 1))


def _exact_p_value(observed: float, mean: float, copies: Counts, sizes: Floats) -> float | None:
    def count(j: Floats, used: Floats, x: Floats, category: int) -> Floats:
        # Pairs in order: a coupon of this value in a later group with a lower or (half) equal one in an earlier group.
        lower = used + x / 2
        earlier = np.cumsum(lower, axis=1) - lower
        return np.asarray(j + (x * earlier).sum(axis=1)[:, None])

    found = arrangements(copies, sizes, count, width=1)
    if found is None:
        return None
    j, weights = found
    far = np.abs(j[:, 0] - mean) >= abs(observed - mean) - 1e-9
    return min(float(weights[far].sum() / weights.sum()), 1.0)
