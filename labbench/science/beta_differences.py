"""How far two uncertain failure shares lie apart: chances about two or more independent Beta variables."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.findings import Floats

# The density of the logit of a Beta variable is analytic and falls off exponentially at both ends: Gauss-Legendre between
# its peak and the points where it has fallen by exp(-DROP) converges geometrically.
DROP = 40.0
POINTS, POINT_WEIGHTS = np.polynomial.legendre.leggauss(64)
CHUNK = 4096


def chance_above(a: Floats, b: Floats, c: Floats, d: Floats, *, margin: float = 0.0, rounds: int = 1) -> Floats:
    """P(X - Y > margin) for X ~ Beta(a, b), Y ~ Beta(c, d), every argument of shape (n,).

    With `rounds` above 1, X and Y are hazards per round, and the chances to fail within that many rounds,
    1 - (1 - X)^rounds and 1 - (1 - Y)^rounds, are compared.

    The integral runs over the narrower of the two densities: the distribution function of the wider one is smooth
    there.
    """
    parameters = np.stack([np.asarray(value, dtype=float) for value in (a, b, c, d)], axis=1)
    distinct, back = np.unique(parameters, axis=0, return_inverse=True)
    chances = np.empty(len(distinct))
    for start in range(0, len(distinct), CHUNK):
        part = distinct[start : start + CHUNK]
        chances[start : start + CHUNK] = _chance_above(part, margin, rounds)
    return chances[back.ravel()]


def _chance_above(parameters: Floats, margin: float, rounds: int) -> Floats:
    a, b, c, d = parameters.T[..., None]
    over_x = (1 / a + 1 / b <= 1 / c + 1 / d).ravel()
    chances = np.empty(len(parameters))
    if over_x.any():
        # No Y lies below X by more than the margin unless X is at least the margin.
        x, weight = _nodes(a[over_x], b[over_x], low=_hazard(margin, rounds))
        chances[over_x] = (weight * special.betainc(c[over_x], d[over_x], _shifted(x, -margin, rounds))).sum(axis=1)
    if not over_x.all():
        over_y = ~over_x
        y, weight = _nodes(c[over_y], d[over_y], high=_hazard(1 - margin, rounds))
        chances[over_y] = (weight * special.betaincc(a[over_y], b[over_y], _shifted(y, margin, rounds))).sum(axis=1)
    return np.clip(chances, 0.0, 1.0)


def _hazard(failing: float, rounds: int) -> float:
    """The hazard per round with that chance to fail within the rounds."""
    return float(1 - (1 - failing) ** (1 / rounds))


def _shifted(hazard: Floats, margin: float, rounds: int) -> Floats:
    """The hazard whose chance to fail within the rounds lies `margin` higher, kept within 0 and 1."""
    if margin == 0:
        return hazard
    held = (1 - hazard) ** rounds - margin
    return np.asarray(1 - np.clip(held, 0.0, 1.0) ** (1 / rounds))


def _nodes(a: Floats, b: Floats, *, low: float = 0.0, high: float = 1.0) -> tuple[Floats, Floats]:
    """Points and weights, shape (n, points), whose weighted sums are integrals over Beta(a, b) from `low` to `high`."""
    middle = np.log(a) - np.log(b)

    def log_density(t: Floats) -> Floats:
        return np.asarray(-a * np.logaddexp(0.0, -t) - b * np.logaddexp(0.0, t))

    floor = log_density(middle) - DROP
    ends = []
    for sign in (-1.0, 1.0):
        near, far = np.zeros_like(middle), np.full_like(middle, 1.0)
        while (open_ := log_density(middle + sign * far) > floor).any():
            far = np.where(open_, 2 * far, far)
        for _ in range(12):
            half = (near + far) / 2
            inside = log_density(middle + sign * half) > floor
            near, far = np.where(inside, half, near), np.where(inside, far, half)
        ends.append(middle + sign * far)
    lowest = np.maximum(ends[0], special.logit(low))
    highest = np.maximum(np.minimum(ends[1], special.logit(high)), lowest)
    peak = np.clip(middle, lowest, highest)
    t_parts, weight_parts = [], []
    for start, end in ((lowest, peak), (peak, highest)):
        half_width = (end - start) / 2
        t = start + half_width * (POINTS + 1)
        t_parts.append(t)
        weight_parts.append(half_width * POINT_WEIGHTS * np.exp(log_density(t) - special.betaln(a, b)))
    return np.asarray(special.expit(np.concatenate(t_parts, axis=1))), np.concatenate(weight_parts, axis=1)


def chance_of_spread(a: Floats, b: Floats, *, margin: float, rounds: int = 1) -> float:
    """P(largest - smallest > margin) of independent Beta(a_i, b_i), shape (levels,), as chances to fail in the rounds.

    P(largest - smallest <= margin) is the integral over x of sum_i f_i(x) prod_{j != i} (F_j(x + margin) - F_j(x)),
    the smallest being variable i.
    """
    within = 0.0
    for i in range(len(a)):
        others = np.arange(len(a)) != i

        def between(x: Floats, others: NDArray[np.bool_] = others) -> Floats:
            below = special.betainc(a[others, None], b[others, None], x)
            return np.asarray(
                np.prod(special.betainc(a[others, None], b[others, None], _shifted(x, margin, rounds)) - below, axis=0)
            )

        # In two parts: beyond 1 - margin every larger value is near enough.
        edge = _hazard(1 - margin, rounds)
        for low, high in ((0.0, edge), (edge, 1.0)):
            x, weight = _nodes(a[i : i + 1, None], b[i : i + 1, None], low=low, high=high)
            within += float((weight * between(x)).sum())
    return float(np.clip(1 - within, 0.0, 1.0))
