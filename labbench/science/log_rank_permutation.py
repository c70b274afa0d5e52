"""The log-rank test by relabelling, for levels too small for its chi-square."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labbench.science.findings import Finding, Floats, not_computed
from labbench.science.permutation import permutation_test
from labbench.science.survival import risk_table


def log_rank_scores(times: Floats, is_failed: NDArray[np.bool_]) -> Floats:
    """Failed (1 or 0) minus the Nelson-Aalen cumulative hazard at the coupon's own time; their sum in a level is O - E.

    References
    ----------
    J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data, 2nd ed. (Wiley, 2002), sec.
    7.2; ties at the full risk set.
    """
    table = risk_table(times, is_failed, np.zeros(len(times), dtype=np.int64), 1)
    hazard = np.cumsum(table.failed[:, 0] / table.at_risk[:, 0])
    return np.asarray(is_failed - hazard[np.searchsorted(table.times, times)])


def permutation_log_rank(
    times: Floats, is_failed: NDArray[np.bool_], codes: NDArray[np.int64], *, rng: np.random.Generator
) -> Finding:
    """Exact or simulated log-rank test over any number of levels, two-sided for two.

    It takes the chance of being censored as equal in all levels, as every relabelling does.
    """
    method = "log-rank test by relabelling"
    if not is_failed.any():
        return not_computed(method, "no coupon failed", n_used=len(times))
    return permutation_test(log_rank_scores(times, is_failed), codes, method=method, rng=rng)
