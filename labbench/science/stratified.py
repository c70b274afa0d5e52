"""Association of a factor with failing inside strata of another one: Cochran, Mantel, Haenszel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed, quadratic_form
from labbench.science.intervals import Interval, normal_quantile


@dataclass(frozen=True, slots=True)
class CommonOddsRatio:
    """Mantel-Haenszel odds ratio of failing, second level against the first, over all strata.

    `ratio` is None where it is not finite; `reason` says why. `interval`: Robins, Breslow and Greenland.
    """

    ratio: float | None
    interval: Interval
    reason: str | None


@dataclass(frozen=True, slots=True)
class StratifiedFinding:
    """Generalised Cochran-Mantel-Haenszel test and, for two levels, the common odds ratio and its homogeneity."""

    test: Finding
    odds_ratio: CommonOddsRatio | None
    homogeneity: Finding | None


def cochran_mantel_haenszel(failed: Floats, coupons: Floats) -> Finding:
    """Generalised Cochran-Mantel-Haenszel test of general association, no continuity correction.

    Parameters
    ----------
    failed, coupons : ndarray, shape (strata, levels)

    Notes
    -----
    In stratum k with N coupons, F of them failed: E_i = n_i F / N, V_ij = F (N - F) / (N² (N - 1)) (N n_i [i = j] -
    n_i n_j); the statistic is U' V⁻ U of the summed U = x - E. For two levels it is the Mantel-Haenszel chi-square.

    References
    ----------
    J. R. Landis, E. R. Heyman and G. G. Koch, "Average partial association in three-way contingency tables", Int. Stat.
    Rev. 46 (1978), 237-254. N. Mantel and W. Haenszel, J. Natl. Cancer Inst. 22 (1959), 719-748.
    """
    levels = int((coupons.sum(axis=0) > 0).sum())
    method = "Cochran-Mantel-Haenszel test" if levels <= 2 else "generalised Cochran-Mantel-Haenszel test"
    method += ", no continuity correction"
    n_used = int(coupons.sum())
    if levels < 2:
        return not_computed(method, "fewer than two levels have coupons", n_used=n_used)
    size = coupons.sum(axis=1)
    ok = size > 1
    x, n, total = failed[ok], coupons[ok], size[ok]
    fails = x.sum(axis=1)
    score = (x - n * (fails / total)[:, None]).sum(axis=0)
    scale = fails * (total - fails) / (total**2 * (total - 1))
    covariance = np.diag((scale * total) @ n) - (n * scale[:, None]).T @ n
    statistic, df = quadratic_form(score, covariance)
    if df == 0:
        reason = "in no stratum are there two levels of it with both failed and held coupons"
        return not_computed(method, reason, n_used=n_used)
    return Finding(method, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n_used)


def mantel_haenszel(failed: Floats, coupons: Floats, *, confidence: float = 0.95) -> CommonOddsRatio:
    """Common odds ratio of failing (second level against the first) with Robins-Breslow-Greenland limits.

    Parameters
    ----------
    failed, coupons : ndarray, shape (strata, 2)

    References
    ----------
    J. Robins, N. Breslow and S. Greenland, "Estimators of the Mantel-Haenszel variance consistent in both sparse data
    and large-strata limiting models", Biometrics 42 (1986), 311-323.
    """
    nothing = Interval(None, None)
    a, b, c, d, total = _cells(failed, coupons)
    if not len(total):
        return CommonOddsRatio(None, nothing, "no stratum holds both levels")
    up, down = a * d / total, b * c / total
    if up.sum() == 0 or down.sum() == 0:
        if up.sum() == down.sum():
            return CommonOddsRatio(None, nothing, "no stratum holds both levels with failed and held coupons")
        size = "0" if up.sum() == 0 else "infinite"
        return CommonOddsRatio(None, nothing, f"a zero cell in every stratum: the ratio is {size}")
    ratio = up.sum() / down.sum()
    p, q = (a + d) / total, (b + c) / total
    variance = (
        (p * up).sum() / (2 * up.sum() ** 2)
        + (p * down + q * up).sum() / (2 * up.sum() * down.sum())
        + (q * down).sum() / (2 * down.sum() ** 2)
    )
    half = normal_quantile(confidence) * np.sqrt(variance)
    return CommonOddsRatio(float(ratio), Interval(float(ratio * np.exp(-half)), float(ratio * np.exp(half))), None)


def breslow_day(failed: Floats, coupons: Floats, *, tarone: bool = True) -> Finding:
    """Breslow-Day test that the odds ratio is the same in all strata, with Tarone's correction.

    Strata in which a margin is empty say nothing about the odds ratio and are left out (also of the degrees of
    freedom).

    References
    ----------
    N. E. Breslow and N. E. Day, Statistical Methods in Cancer Research, vol. 1 (IARC, 1980), 142-143. R. E. Tarone, "On
    heterogeneity tests based on efficient scores", Biometrika 72 (1985), 91-95.
    """
    method = "Breslow-Day test of equal odds ratios" + (", Tarone's correction" if tarone else "")
    ratio = mantel_haenszel(failed, coupons).ratio
    a, b, c, d, total = _cells(failed, coupons)
    informative = ((a + c) > 0) & ((b + d) > 0)
    a, b, c, d, total = (part[informative] for part in (a, b, c, d, total))
    if ratio is None:
        return not_computed(method, "the common odds ratio is not finite", n_used=int(total.sum()))
    if len(total) < 2:
        return not_computed(method, "fewer than two strata tell anything about the odds ratio", n_used=int(total.sum()))
    expected = _expected_cell(a + b, a + c, total, ratio)
    row, column = a + b, a + c
    variance = 1 / (
        1 / expected + 1 / (row - expected) + 1 / (column - expected) + 1 / (total - row - column + expected)
    )
    statistic = ((a - expected) ** 2 / variance).sum()
    if tarone:
        statistic -= (a - expected).sum() ** 2 / variance.sum()
    df = len(total) - 1
    return Finding(
        method, chi_square_tail(float(statistic), df), statistic=float(statistic), df=df, n_used=int(total.sum())
    )


def stratified(
    codes: NDArray[np.int64],
    strata: NDArray[np.int64],
    is_failed: NDArray[np.bool_],
    levels: int,
    *,
    confidence: float = 0.95,
) -> StratifiedFinding:
    """All of the above from codes per coupon; coupons with an unknown (negative) level or stratum are left out."""
    known = (codes >= 0) & (strata >= 0)
    failed, coupons = counts_by_stratum(codes[known], strata[known], is_failed[known], levels)
    test = cochran_mantel_haenszel(failed, coupons)
    if levels != 2:
        return StratifiedFinding(test, None, None)
    return StratifiedFinding(
        test, mantel_haenszel(failed, coupons, confidence=confidence), breslow_day(failed, coupons)
    )


def counts_by_stratum(
    codes: NDArray[np.int64], strata: NDArray[np.int64], is_failed: NDArray[np.bool_], levels: int
) -> tuple[Floats, Floats]:
    """Failed and all coupons, each of shape (strata, levels)."""
    shape = (int(strata.max(initial=-1)) + 1, levels)
    cell = strata * levels + codes
    coupons = np.bincount(cell, minlength=shape[0] * levels).reshape(shape)
    failed = np.bincount(cell[is_failed], minlength=shape[0] * levels).reshape(shape)
    return failed.astype(float), coupons.astype(float)


def _cells(failed: Floats, coupons: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """a, b, c, d, N per stratum: second level failed, held; first level failed, held; strata with both levels only."""
    both = (coupons > 0).all(axis=1)
    x, n = failed[both], coupons[both]
    a, c = x[:, 1], x[:, 0]
    return a, n[:, 1] - a, c, n[:, 0] - c, n.sum(axis=1)


def _expected_cell(row: Floats, column: Floats, total: Floats, ratio: float) -> Floats:
    """The cell a with the given margins whose odds ratio is `ratio`: the root of a quadratic, in its stable form."""
    if ratio == 1.0:
        return row * column / total
    # (1 - ratio) a² + (total - row - column + ratio (row + column)) a - ratio row column = 0
    middle = total - row - column + ratio * (row + column)
    root = np.sqrt(middle**2 + 4 * (1 - ratio) * ratio * row * column)
    return np.asarray(2 * ratio * row * column / (middle + root))
