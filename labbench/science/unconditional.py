"""Boschloo's unconditional exact test of two shares."""

from __future__ import annotations

import numpy as np
from scipy import special

from labbench.science.contingency import TIE_TOLERANCE, log_choose
from labbench.science.findings import Finding, Floats, not_computed

METHOD = "Boschloo's unconditional exact test, tables ordered by the two-sided Fisher p-value"
# Cells of the grid of possible tables; 632 x 632 coupons.
CELL_LIMIT = 400_000
COARSE_POINTS = 512


def boschloo(failed_1: int, coupons_1: int, failed_2: int, coupons_2: int) -> Finding:
    """Two-sided Boschloo test that two shares are equal.

    The p-value is the supremum, over the common share, of the probability of the tables whose two-sided Fisher p-value
    is at most the observed one. (Some programs double the smaller one-sided value instead; the two agree for equal
    arms.) The supremum is sought on a grid in arcsin(sqrt(share)) and refined around its five best points.

    References
    ----------
    R. D. Boschloo, "Raised conditional level of significance for the 2x2-table when testing the equality of two
    probabilities", Statistica Neerlandica 24 (1970), 1-9.
    """
    total = coupons_1 + coupons_2
    if min(coupons_1, coupons_2) < 1:
        return not_computed(METHOD, "one of the two levels has no coupons", n_used=total)
    if (coupons_1 + 1) * (coupons_2 + 1) > CELL_LIMIT:
        return not_computed(
            METHOD, "too many coupons to list every table; Fisher's test loses next to nothing here", n_used=total
        )
    fisher = fisher_p_values(coupons_1, coupons_2)
    region = fisher <= fisher[failed_1, failed_2] * (1 + TIE_TOLERANCE)
    if region.all():
        return Finding(METHOD, 1.0, exactness="exact", n_used=total)
    return Finding(METHOD, _supremum(region), exactness="exact", n_used=total)


def fisher_p_values(coupons_1: int, coupons_2: int) -> Floats:
    """Two-sided Fisher p-value of every table, shape (coupons_1 + 1, coupons_2 + 1)."""
    values = np.ones((coupons_1 + 1, coupons_2 + 1))
    for margin in range(coupons_1 + coupons_2 + 1):
        x = np.arange(max(0, margin - coupons_2), min(coupons_1, margin) + 1)
        log_p = log_choose(float(coupons_1), x.astype(float)) + log_choose(float(coupons_2), (margin - x).astype(float))
        log_p -= log_choose(float(coupons_1 + coupons_2), float(margin))
        order = np.argsort(log_p)
        running = np.cumsum(np.exp(log_p[order]))
        last_tied = np.searchsorted(log_p[order], log_p + TIE_TOLERANCE, side="right") - 1
        values[x, margin - x] = np.minimum(running[last_tied], 1.0)
    return values


def _supremum(region: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> float:
    """Largest probability of the region over the common share."""
    weights = region.astype(float)

    def probability(angle: Floats) -> Floats:
        share = np.sin(angle) ** 2
        first = _binomial(region.shape[0] - 1, share)
        second = _binomial(region.shape[1] - 1, share)
        return np.asarray(((first @ weights) * second).sum(axis=1))

    angles = np.linspace(0, np.pi / 2, COARSE_POINTS + 1)
    values = probability(angles)
    best = float(values.max())
    step = angles[1]
    for centre in angles[np.argsort(values)[-5:]]:
        width, middle = step, float(centre)
        for _ in range(9):
            near = np.clip(np.linspace(middle - width, middle + width, 13), 0, np.pi / 2)
            around = probability(near)
            middle, width = float(near[np.argmax(around)]), width / 5
            best = max(best, float(around.max()))
    return min(best, 1.0)


def _binomial(n: int, share: Floats) -> Floats:
    """Binomial probabilities, shape (shares, n + 1)."""
    x = np.arange(n + 1)
    return np.exp(
        log_choose(float(n), x.astype(float))
        + special.xlogy(x, share[:, None])
        + special.xlog1py(n - x, -share[:, None])
    )
