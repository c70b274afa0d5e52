"""Which levels differ in strength: Games and Howell's, and Dunn's comparisons of all pairs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from labbench.science.findings import Floats, normal_two_sided
from labbench.science.intervals import Interval
from labbench.science.multiplicity import holm
from labbench.science.studentised_range import studentised_range_quantile, studentised_range_tail

GAMES_HOWELL = "Games-Howell comparison of means (unequal variances, studentised range)"
DUNN = "Dunn's comparison of mean ranks, Holm-adjusted"


@dataclass(frozen=True, slots=True)
class PairComparison:
    """One pair: the second group minus the first; `p_value` is adjusted for the number of pairs."""

    first: int
    second: int
    difference: float
    statistic: float | None
    df: float | None
    p_value: float | None
    interval: Interval
    method: str
    reason: str | None = None


def games_howell(
    values: Floats, codes: NDArray[np.int64], groups: int, *, confidence: float = 0.95
) -> tuple[PairComparison, ...]:
    """All pairs of group means with simultaneous limits; groups with a single value or without spread get a reason.

    References
    ----------
    P. A. Games and J. F. Howell, "Pairwise multiple comparison procedures with unequal n's and/or variances", J. Educ.
    Stat. 1 (1976), 113-125.
    """
    centred = values - values.mean()
    samples = [centred[codes == group] for group in range(groups)]
    present = [group for group in range(groups) if len(samples[group])]
    found = []
    for position, i in enumerate(present):
        for j in present[position + 1 :]:
            found.append(_games_howell_pair(samples[i], samples[j], i, j, len(present), confidence))
    return tuple(found)


def _games_howell_pair(x: Floats, y: Floats, i: int, j: int, groups: int, confidence: float) -> PairComparison:
    gap = float(y.mean() - x.mean())
    nothing = Interval(None, None)
    if min(len(x), len(y)) < 2:
        reason = "a level has a single broken coupon"
        return PairComparison(i, j, gap, None, None, None, nothing, GAMES_HOWELL, reason)
    parts = np.array([x.var(ddof=1) / len(x), y.var(ddof=1) / len(y)])
    if parts.sum() <= 1e-300:
        return PairComparison(i, j, gap, None, None, None, nothing, GAMES_HOWELL, "the strengths do not vary")
    df = float(parts.sum() ** 2 / (parts**2 / np.array([len(x) - 1, len(y) - 1])).sum())
    error = float(np.sqrt(parts.sum()))
    q = abs(gap) / error * np.sqrt(2)
    if groups == 2:
        # The studentised range of two is |t| sqrt 2.
        p_value = float(2 * special.stdtr(df, -abs(gap) / error))
        half = float(special.stdtrit(df, 0.5 + confidence / 2)) * error
    else:
        p_value = studentised_range_tail(float(q), groups, df)
        half = studentised_range_quantile(confidence, groups, df) * error / float(np.sqrt(2))
    limits = Interval(float(gap - half), float(gap + half))
    return PairComparison(i, j, gap, float(gap / error), df, min(max(p_value, 0.0), 1.0), limits, GAMES_HOWELL)


def dunn(values: Floats, codes: NDArray[np.int64], groups: int) -> tuple[PairComparison, ...]:
    """All pairs of mean ranks; z with the tie correction, p-values adjusted by Holm.

    References
    ----------
    O. J. Dunn, "Multiple comparisons using rank sums", Technometrics 6 (1964), 241-252.
    """
    n = len(values)
    sizes = np.bincount(codes, minlength=groups).astype(float)
    present = np.flatnonzero(sizes)
    ranks = stats.rankdata(values)
    _, ties = np.unique(values, return_counts=True)
    variance = n * (n + 1) / 12 - float((ties.astype(float) ** 3 - ties).sum()) / (12.0 * max(n - 1, 1))
    if len(present) < 2 or variance <= 1e-12:
        return ()
    means = np.bincount(codes, weights=ranks, minlength=groups)[present] / sizes[present]
    first, second = np.triu_indices(len(present), 1)
    gaps = means[second] - means[first]
    z = gaps / np.sqrt(variance * (1 / sizes[present][first] + 1 / sizes[present][second]))
    adjusted = holm([normal_two_sided(float(value)) for value in z])
    return tuple(
        PairComparison(
            int(present[i]), int(present[j]), float(gap), float(value), None, p_value, Interval(None, None), DUNN
        )
        for i, j, gap, value, p_value in zip(first, second, gaps, z, adjusted, strict=True)
    )
