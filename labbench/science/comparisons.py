"""Do the levels of a factor differ in strength?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed
from labbench.science.permutation import permutation_test
from labbench.science.strength import is_broken
from labbench.science.survival import log_rank


def kruskal_wallis(values: Floats, codes: NDArray[np.int64], *, method: str = "Kruskal-Wallis test") -> Finding:
    """Kruskal-Wallis test with the tie correction, chi-square p-value.

    References
    ----------
    W. H. Kruskal and W. A. Wallis, J. Am. Stat. Assoc. 47 (1952), 583-621.
    """
    n = len(values)
    present, group = np.unique(codes, return_inverse=True)
    if len(present) < 2:
        return not_computed(method, "fewer than two levels have coupons to compare", n_used=n)
    ranks = stats.rankdata(values)
    sizes = np.bincount(group)
    sums = np.bincount(group, weights=ranks)
    _, ties = np.unique(values, return_counts=True)
    # As variance of the ranks: 1 - sum (t³ - t) / (n³ - n), in floats against overflow.
    correction = 1 - float((ties.astype(float) ** 3 - ties).sum()) / (float(n) ** 3 - n)
    if len(ties) == 1:
        return not_computed(method, "all values are equal", n_used=n)
    statistic = 12 / (n * (n + 1.0)) * float(((sums - sizes * (n + 1) / 2) ** 2 / sizes).sum()) / correction
    df = len(present) - 1
    return Finding(method, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n)


def rank_permutation(values: Floats, codes: NDArray[np.int64], *, rng: np.random.Generator) -> Finding:
    """The Kruskal-Wallis (for two levels: rank-sum) test by relabelling, with the ties there are."""
    ranks = np.asarray(stats.rankdata(values))
    return permutation_test(ranks, codes, method="Kruskal-Wallis test by relabelling", rng=rng)


def worst_rank(strength_mpa: Floats, is_failed: NDArray[np.bool_], codes: NDArray[np.int64]) -> Finding:
    """Kruskal-Wallis test in which coupons that cracked out share the lowest rank.

    A coupon that held but was not broken has no rank and is left out.

    References
    ----------
    J. M. Lachin, "Worst-rank score analysis with informatively missing observations in clinical trials", Controlled
    Clinical Trials 20 (1999), 408-422.
    """
    used = is_failed | is_broken(strength_mpa)
    values = np.where(is_failed, -np.inf, strength_mpa)[used]
    return kruskal_wallis(values, codes[used], method="Kruskal-Wallis test, cracked-out coupons as the tied lowest")


def censored_strength(values: Floats, is_bound: NDArray[np.bool_], codes: NDArray[np.int64]) -> Finding:
    """Log-rank test with the stress in the place of time; stresses that are lower bounds enter as censored.

    References
    ----------
    As `survival.log_rank`; J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (Wiley, 2003), ch. 8.
    """
    group = np.unique(codes, return_inverse=True)[1].ravel()
    found = log_rank(values, ~is_bound, group, int(group.max()) + 1)
    return replace(found, method="log-rank test of the stress reached, lower bounds as censored")


def welch_anova(values: Floats, codes: NDArray[np.int64]) -> Finding:
    """Welch's one-way test of equal means without assuming equal variances.

    Levels with fewer than two coupons have no variance and are left out; `reason` then says so.

    References
    ----------
    B. L. Welch, "On the comparison of several mean values: an alternative approach", Biometrika 38 (1951), 330-336.
    """
    method = "Welch's one-way test"
    present, group = np.unique(codes, return_inverse=True)
    sizes = np.bincount(group, minlength=len(present)).astype(float)
    enough = sizes >= 2
    if enough.sum() < 2:
        return not_computed(method, "fewer than two levels have two coupons to compare", n_used=len(values))
    # Centred first: a mean far from zero must not cost digits of the variances.
    centred = values - values.mean()
    means = np.bincount(group, weights=centred) / sizes
    variances = np.bincount(group, weights=(centred - means[group]) ** 2) / np.maximum(sizes - 1, 1)
    n, m, v = sizes[enough], means[enough], variances[enough]
    n_used = int(n.sum())
    if (v <= (1e-15 * np.abs(values).max()) ** 2).any():
        return not_computed(method, "a level has no spread in strength", n_used=n_used)
    k = len(n)
    w = n / v
    mean = (w * m).sum() / w.sum()
    loss = ((1 - w / w.sum()) ** 2 / (n - 1)).sum()
    statistic = float((w * (m - mean) ** 2).sum() / (k - 1) / (1 + 2 * (k - 2) / (k**2 - 1) * loss))
    denominator_df = float((k**2 - 1) / (3 * loss))
    note = None if enough.all() else f"{int((~enough).sum())} level(s) with a single coupon left out"
    return Finding(
        method,
        float(special.fdtrc(k - 1, denominator_df, statistic)),
        statistic=statistic,
        df=k - 1,
        denominator_df=denominator_df,
        n_used=n_used,
        reason=note,
    )
