"""Odds ratio of failing with exact conditional limits, in one table or over strata (exact logistic regression on one factor)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from labbench.science.contingency import TIE_TOLERANCE, log_choose
from labbench.science.findings import Floats
from labbench.science.intervals import Interval

METHOD = "conditional maximum likelihood, exact conditional limits"
LARGEST_LOG_RATIO = 700.0


@dataclass(frozen=True, slots=True)
class ExactOddsRatio:
    """Odds ratio of failing, second level against the first; None where it is 0 or infinite, `reason` says which."""

    ratio: float | None
    interval: Interval
    p_value: float | None
    method: str = METHOD
    reason: str | None = None


def exact_odds_ratio(failed: Floats, coupons: Floats, *, confidence: float = 0.95) -> ExactOddsRatio:
    """Exact conditional inference on the common odds ratio of tables.

    Parameters
    ----------
    failed, coupons : ndarray, shape (strata, 2)
        First and second level; one stratum is an ordinary 2 x 2 table.

    Notes
    -----
    Given all margins the number a of failed in the second level has weights prod C(n2, a_k) C(n1, F_k - a_k) psi^a.
    The ratio is the conditional maximum-likelihood estimate (not the cross-product ratio); the limits have (1 -
    confidence) / 2 in each tail; the p-value is the sum of the probabilities at psi = 1 that are no larger than the
    observed one.

    References
    ----------
    J. Cornfield, Proc. 3rd Berkeley Symp. 4 (1956), 135-148. J. J. Gart, Biometrika 57 (1970), 471-475 (strata). A.
    Agresti, Categorical Data Analysis, 2nd ed. (Wiley, 2002), sec. 3.6.
    """
    low, log_weights = 0, np.zeros(1)
    for (x1, x2), (n1, n2) in zip(failed, coupons, strict=True):
        all_failed = x1 + x2
        a = np.arange(max(0.0, all_failed - n1), min(n2, all_failed) + 1)
        logs = log_choose(float(n2), a) + log_choose(float(n1), all_failed - a)
        log_weights = _convolved(log_weights, logs - special.logsumexp(logs))
        low += int(a[0])
    observed = int(failed[:, 1].sum()) - low
    if len(log_weights) < 2:
        return ExactOddsRatio(None, Interval(None, None), None, reason="the margins leave only one table possible")
    probability = np.exp(log_weights - special.logsumexp(log_weights))
    as_small = probability <= probability[observed] * (1 + TIE_TOLERANCE)
    p_value = min(float(probability[as_small].sum()), 1.0)
    tail = (1 - confidence) / 2
    at_bottom, at_top = observed == 0, observed == len(log_weights) - 1
    lower = None if at_bottom else _solve(log_weights, lambda p: float(p[observed:].sum()) - tail)
    upper = None if at_top else _solve(log_weights, lambda p: tail - float(p[: observed + 1].sum()))
    interval = Interval(0.0 if at_bottom else lower, upper)
    if at_bottom or at_top:
        size = "0" if at_bottom else "infinite"
        return ExactOddsRatio(
            None, interval, p_value, reason=f"the observed table is the last possible one: the ratio is {size}"
        )
    counts = np.arange(len(log_weights))
    return ExactOddsRatio(_solve(log_weights, lambda p: float((p * counts).sum()) - observed), interval, p_value)


def _convolved(left: Floats, right: Floats) -> Floats:
    if len(left) == 1:
        return np.asarray(left + right)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.convolve(np.exp(left), np.exp(right))))


def _solve(log_weights: Floats, rising: Callable[[Floats], float]) -> float | None:
    """The ratio at which a rising function of the tilted distribution is zero, to rounding."""
    counts = np.arange(len(log_weights))

    def at(log_ratio: float) -> float:
        logs = log_weights + counts * log_ratio
        return float(rising(np.exp(logs - special.logsumexp(logs))))

    width = 1.0
    while at(-width) > 0 or at(width) < 0:
        width *= 2
        if width > LARGEST_LOG_RATIO:
            return None
    return float(np.exp(optimize.brentq(at, -width, width, xtol=1e-14, rtol=1e-14, maxiter=300)))
