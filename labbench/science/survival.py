"""How coupons survive the rounds: Kaplan-Meier and the log-rank test.

Time is the round: a coupon that cracked out counts in the round in which it was first seen so; one that never did is
censored after the last round it was seen to hold, and is at risk in that round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed, quadratic_form
from labbench.science.intervals import normal_quantile


@dataclass(frozen=True, slots=True)
class SurvivalStep:
    """Survival just after a round; the limits are None where Greenwood's formula gives none (survival 1 or 0)."""

    round: float
    at_risk: int
    failed: int
    survival: float
    standard_error: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class RiskTable:
    """Coupons at risk and failing per distinct time and group, each of shape (times, groups)."""

    times: Floats
    at_risk: Floats
    failed: Floats


def risk_table(
    times: Floats,
    is_failed: NDArray[np.bool_],
    codes: NDArray[np.int64],
    groups: int,
    *,
    strata: NDArray[np.int64] | None = None,
) -> RiskTable:
    """Counts at every distinct time (of every stratum, one after the other); at risk up to and including the own time."""
    distinct, position = np.unique(times, return_inverse=True)
    position = position.ravel()
    stratum = np.zeros(len(distinct), dtype=np.int64)
    if strata is not None:
        spacing = max(len(distinct), 1)
        rows, position = np.unique(
            np.unique(strata, return_inverse=True)[1].ravel() * spacing + position, return_inverse=True
        )
        distinct, stratum = distinct[rows % spacing], rows // spacing
    shape = (len(distinct), groups)
    cell = position * groups + codes
    leaving = np.bincount(cell, minlength=shape[0] * groups).reshape(shape).astype(float)
    failed = np.bincount(cell[is_failed], minlength=shape[0] * groups).reshape(shape).astype(float)
    at_risk = np.cumsum(leaving[::-1], axis=0)[::-1]
    if strata is not None and len(stratum):
        # What the strata behind still hold does not count.
        behind = np.vstack([at_risk, np.zeros((1, groups))])
        at_risk = at_risk - behind[np.searchsorted(stratum, stratum, side="right")]
    return RiskTable(distinct.astype(float), at_risk, failed)


def kaplan_meier(
    times: Floats, is_failed: NDArray[np.bool_], *, at: Floats | None = None, confidence: float = 0.95
) -> tuple[SurvivalStep, ...]:
    """Kaplan-Meier survival with Greenwood's variance and log-log limits.

    Parameters
    ----------
    times, is_failed : ndarray, shape (n,)
    at : ndarray, optional
        Times to report, ascending; default every distinct time. None beyond the last time seen.

    Notes
    -----
    S(t) = prod (1 - d/n); variance S² sum d / (n (n - d)); limits S^exp(∓ z se / (S |log S|)).

    References
    ----------
    E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958), 457-481. J. D. Kalbfleisch and R. L. Prentice, The
    Statistical Analysis of Failure Time Data, 2nd ed. (Wiley, 2002), sec. 1.4 (log-log limits).
    """
    table = risk_table(times, is_failed, np.zeros(len(times), dtype=np.int64), 1)
    return survival_steps(table, 0, at=at, confidence=confidence)


def survival_steps(
    table: RiskTable, group: int, *, at: Floats | None = None, confidence: float = 0.95
) -> tuple[SurvivalStep, ...]:
    """The Kaplan-Meier steps of one group of a risk table."""
    n, d = table.at_risk[:, group], table.failed[:, group]
    seen = n > 0
    times, n, d = table.times[seen], n[seen], d[seen]
    if not len(times):
        return ()
    survival = np.cumprod(1 - d / n)
    # Where all at risk fail the survival is 0 and has no spread; the sum would be infinite.
    spread = np.cumsum(np.divide(d, n * (n - d), out=np.zeros_like(d), where=n > d))
    at = times if at is None else at[at <= times[-1]]
    # Steps before the first time seen stand at 1, with nothing failed.
    index = np.searchsorted(times, at, side="right")
    s = np.concatenate([[1.0], survival])[index]
    root = np.sqrt(np.concatenate([[0.0], spread])[index])
    inner = (s > 0) & (s < 1)
    theta = np.exp(normal_quantile(confidence) * root / np.abs(np.log(np.where(inner, s, 0.5))))
    low, high = s**theta, s ** (1 / theta)
    next_ = np.searchsorted(times, at)
    failed = np.where(times[next_] == at, d[next_], 0)
    rows = zip(at, n[next_], failed, s, s * root * inner, low, high, inner, strict=True)
    return tuple(
        SurvivalStep(
            float(t), int(r), int(f), float(v), float(e), float(a) if open_ else None, float(b) if open_ else None
        )
        for t, r, f, v, e, a, b, open_ in rows
    )


def log_rank(
    times: Floats,
    is_failed: NDArray[np.bool_],
    codes: NDArray[np.int64],
    groups: int,
    *,
    strata: NDArray[np.int64] | None = None,
) -> Finding:
    """Log-rank test over any number of groups, optionally stratified; hypergeometric variance, so ties are handled.

    Strata enter by the sums of their observed minus expected failures and of their variances.

    References
    ----------
    N. Mantel, Cancer Chemotherapy Rep. 50 (1966), 163-170. J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd
    ed. (Springer, 2003), sec. 7.3 and 7.5.
    """
    method = "log-rank test" + (", stratified by block" if strata is not None else "")
    score, covariance = log_rank_score(risk_table(times, is_failed, codes, groups, strata=strata))
    n_used = len(times)
    if len(np.unique(codes)) < 2:
        return not_computed(method, "fewer than two levels have coupons", n_used=n_used)
    if not is_failed.any():
        return not_computed(method, "no coupon failed", n_used=n_used)
    statistic, df = quadratic_form(score, covariance)
    if df == 0:
        where = "in no block" if strata is not None else "never"
        reason = f"{where} were two levels at risk together when a coupon failed and another held"
        return not_computed(method, reason, n_used=n_used)
    return Finding(method, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n_used)


def log_rank_score(table: RiskTable) -> tuple[Floats, Floats]:
    """Observed minus expected failures per group and their covariance."""
    d, n = table.failed.sum(axis=1), table.at_risk.sum(axis=1)
    failing = d > 0
    d, n = d[failing], n[failing]
    share = table.at_risk[failing] / n[:, None]
    score = (table.failed[failing] - share * d[:, None]).sum(axis=0)
    weight = np.where(n > 1, d * (n - d) / np.maximum(n - 1, 1), 0.0)
    covariance = np.diag(weight @ share) - (share * weight[:, None]).T @ share
    return score, covariance
