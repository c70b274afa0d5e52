"""What a significance test found, with what a reader needs to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Exactness = Literal["exact", "asymptotic", "simulated"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One significance test.

    Attributes
    ----------
    method : str
        The test, with the version of it that was used.
    p_value : float or None
        None where it can't be computed; `reason` says why.
    statistic, df, denominator_df : float or None
        As the method defines them; None where it has none.
    exactness : {"exact", "asymptotic", "simulated"}
        How the p-value comes about.
    n_used : int
        Coupons that entered.
    reason : str or None
        Why a number is missing, or what the reader must know beside it.
    standard_error : float or None
        Of a simulated p-value.
    draws : int or None
        Random tables or relabellings behind a simulated p-value.
    """

    method: str
    p_value: float | None
    statistic: float | None = None
    df: float | None = None
    denominator_df: float | None = None
    exactness: Exactness = "asymptotic"
    n_used: int = 0
    reason: str | None = None
    standard_error: float | None = None
    draws: int | None = None


def not_computed(method: str, reason: str, *, n_used: int = 0) -> Finding:
    """A test that could not be done, and why."""
    return Finding(method, None, n_used=n_used, reason=reason)


def simulated(method: str, as_extreme: int, draws: int, *, n_used: int, statistic: float | None = None) -> Finding:
    """A Monte-Carlo test; the observed arrangement counts as one of the draws, so the level is never exceeded.

    References
    ----------
    B. Phipson and G. K. Smyth, "Permutation p-values should never be zero", Stat. Appl. Genet. Mol. Biol. 9 (2010),
    article 39.
    """
    p_value = (as_extreme + 1) / (draws + 1)
    standard_error = float(np.sqrt(p_value * (1 - p_value) / draws))
    return Finding(
        method,
        p_value,
        statistic=statistic,
        exactness="simulated",
        n_used=n_used,
        standard_error=standard_error,
        draws=draws,
    )


def chi_square_tail(statistic: float, df: float) -> float:
    """P(chi-square with `df` degrees of freedom > statistic)."""
    return float(special.chdtrc(df, max(statistic, 0.0)))


def normal_two_sided(z: float) -> float:
    """P(|Z| > |z|) for a standard normal Z."""
    return float(2.0 * special.ndtr(-abs(z)))


def quadratic_form(score: Floats, covariance: Floats) -> tuple[float, int]:
    """U' V⁻ U and the rank of V, for a score vector whose covariance may be singular.

    Components without variance (a level never compared with another one) drop out; the rest is scaled to unit variance
    first, so that the rank does not depend on the sizes of the levels.
    """
    variance = np.diag(covariance)
    kept = variance > 1e-12 * max(float(variance.max(initial=0.0)), 1e-300)
    if not kept.any():
        return 0.0, 0
    scale = np.sqrt(variance[kept])
    correlation = covariance[np.ix_(kept, kept)] / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(correlation)
    solid = values > 1e-9 * len(values)
    projected = vectors[:, solid].T @ (score[kept] / scale)
    return float((projected**2 / values[solid]).sum()), int(solid.sum())
