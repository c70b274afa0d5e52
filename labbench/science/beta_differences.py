"""How far two uncertain failure shares lie apart: chances about two or more independent Beta variables."""

from __future__ import annotations

import numpy as np
from scipy import special

from labbench.science.findings import Floats

# The density of the logit of a Beta variable is analytic and falls off exponentially at both ends, so the trapezoidal
# rule converges geometrically; ends where the density has fallen by exp(-DROP).
NODES = 96
DROP = 40.0
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
        x, weight = _nodes(a[over_x], b[over_x])
        below = _shifted(x, -margin, rounds)
        chances[over_x] = (weight * special.betainc(c[over_x], d[over_x], below)).sum(axis=1)
    if not over_x.all():
        over_y = ~over_x
        y, weight = _nodes(c[over_y], d[over_y])
        above = _shifted(y, margin, rounds)
        chances[over_y] = (weight * special.betaincc(a[over_y], b[over_y], above)).sum(axis=1)
    return np.clip(chances, 0.0, 1.0)


def _shifted(hazard: Floats, margin: float, rounds: int) -> Floats:
    """The hazard whose chance to fail within the rounds lies `margin` higher, kept within 0 and 1."""
    if margin == 0:
        return hazard
    failing = -np.expm1(rounds * np.log1p(-np.minimum(hazard, 1 - 1e-16))) + margin
    return np.asarray(-np.expm1(np.log1p(-np.clip(failing, 0.0, 1.0 - 1e-16)) / rounds))


def _nodes(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Points and weights, shape (n, NODES), whose weighted sums are expectations over Beta(a, b)."""
    middle = np.log(a) - np.log(b)

    def log_density(t: Floats) -> Floats:
        return np.asarray(-a * np.logaddexp(0.0, -t) - b * np.logaddexp(0.0, t))

    floor = log_density(middle) - DROP
    ends = []
    for sign in (-1.0, 1.0):
        near, far = np.zeros_like(middle), np.full_like(middle, 1.0)
        while (open_ := log_density(middle + sign * far) > floor).any():
            far = np.where(open_, 2 * far, far)
        for _ in range(20):
            half = (near + far) / 2
            inside = log_density(middle + sign * half) > floor
            near, far = np.where(inside, half, near), np.where(inside, far, half)
        ends.append(middle + sign * far)
    t = ends[0] + (ends[1] - ends[0]) * np.linspace(0.0, 1.0, NODES)
    weight = np.exp(log_density(t) - log_density(middle))
    return np.asarray(special.expit(t)), weight / weight.sum(axis=1, keepdims=True)


def chance_of_spread(a: Floats, b: Floats, *, margin: float, rounds: int = 1) -> float:
    """P(largest - smallest > margin) of independent Beta(a_i, b_i), shape (levels,), as chances to fail in the rounds.

    P(largest - smallest <= margin) is the integral over x of sum_i f_i(x) prod_{j != i} (F_j(x + margin) - F_j(x)),
    the smallest being variable i.
    """
    within = 0.0
    for i in range(len(a)):
        x, weight = _nodes(a[i : i + 1, None], b[i : i + 1, None])
        others = np.arange(len(a)) != i
        above = special.betainc(a[others, None], b[others, None], _shifted(x, margin, rounds))
        between = above - special.betainc(a[others, None], b[others, None], x)
        within += float((weight * np.prod(between, axis=0)).sum())
    return float(np.clip(1 - within, 0.0, 1.0))
