"""Survival when a crack-out is known only to lie between two looks: the non-parametric maximum likelihood estimate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from labbench.science.findings import Floats

KUHN_TUCKER_TOLERANCE = 1e-9
KUHN_TUCKER_WANTED = 1e-14
MASS_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True)
class TurnbullMass:
    """Probability of cracking out in (after, up_to]; `up_to` is infinite for the mass beyond the last look."""

    after: float
    up_to: float
    mass: float


@dataclass(frozen=True, slots=True)
class TurnbullEstimate:
    """The masses above zero; `gradient` is the largest violation of the Kuhn-Tucker conditions per coupon."""

    masses: tuple[TurnbullMass, ...]
    log_likelihood: float
    gradient: float
    has_converged: bool


def turnbull(left: Floats, right: Floats) -> TurnbullEstimate:
    """Turnbull's estimate from intervals (left, right] that hold the crack-out; right = inf where it was never seen.

    The masses sit on the innermost intervals; where inside one they lie is not known. Found by the constrained Newton
    method (non-negative least squares on the second-order expansion, with step halving), not by the EM algorithm, which
    stalls long before small masses are right.

    References
    ----------
    B. W. Turnbull, J. R. Statist. Soc. B 38 (1976), 290-295. Y. Wang, "On fast computation of the non-parametric
    maximum likelihood estimate of a mixing distribution", J. R. Statist. Soc. B 69 (2007), 185-198 (the method).
    """
    intervals, counts = np.unique(np.column_stack([left, right]).astype(float), axis=0, return_counts=True)
    after, up_to = _innermost(intervals[:, 0], intervals[:, 1])
    # inside[i, j]: innermost interval j lies within observed interval i.
    inside = ((after >= intervals[:, :1]) & (up_to <= intervals[:, 1:])).astype(float)
    weights = counts.astype(float)
    mass, gradient = _maximise(inside, weights)
    kept = mass > MASS_TOLERANCE
    masses = tuple(
        TurnbullMass(float(a), float(b), float(m)) for a, b, m in zip(after[kept], up_to[kept], mass[kept], strict=True)
    )
    log_likelihood = float((weights * np.log(inside @ mass)).sum())
    return TurnbullEstimate(masses, log_likelihood, gradient, gradient <= KUHN_TUCKER_TOLERANCE)


def _innermost(left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """The intervals from a left end to the next right end with no other left end between."""
    ends = np.concatenate([left, right])
    # (l, r]: at the same place a right end comes before a left end.
    is_left = np.concatenate([np.ones(len(left), dtype=bool), np.zeros(len(right), dtype=bool)])
    order = np.lexsort((is_left, ends))
    ends, is_left = ends[order], is_left[order]
    pairs = np.flatnonzero(is_left[:-1] & ~is_left[1:])
    return ends[pairs], ends[pairs + 1]


def _maximise(inside: Floats, weights: Floats) -> tuple[Floats, float]:
    """Masses that maximise sum w log(A m) on the simplex, and the largest Kuhn-Tucker violation per coupon."""
    total = weights.sum()
    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    best, gradient = mass, np.inf
    for _ in range(200):
        likelihood = inside @ mass
        slope = inside.T @ (weights / likelihood) / total
        here = float(max((slope - 1).max(), np.abs((slope - 1)[mass > MASS_TOLERANCE]).max()))
        # Quadratic convergence ends in rounding: stop where a step brings nothing any more.
        if here >= gradient and gradient <= KUHN_TUCKER_TOLERANCE:
            break
        best, gradient = mass, here
        if gradient <= KUHN_TUCKER_WANTED:
            break
        mass = _halved_step(inside, weights, mass, _newton_target(inside, weights, likelihood))
    return best, gradient


def _newton_target(inside: Floats, weights: Floats, likelihood: Floats) -> Floats:
    root = np.sqrt(weights)
    scaled = inside / likelihood[:, None] * root[:, None]
    # The last row holds the sum at one; its weight only has to dominate.
    ridge = 1e3 * np.sqrt(weights.sum())
    matrix = np.vstack([scaled, np.full(inside.shape[1], ridge)])
    wanted = np.concatenate([2 * root, [ridge]])
    solution = np.asarray(optimize.nnls(matrix, wanted)[0])
    return np.asarray(solution / solution.sum())


def _halved_step(inside: Floats, weights: Floats, mass: Floats, target: Floats) -> Floats:
    def log_likelihood(m: Floats) -> float:
        likelihood = inside @ m
        return float((weights * np.log(likelihood)).sum()) if (likelihood > 0).all() else -np.inf

    start, step = log_likelihood(mass), 1.0
    while step > 1e-10:
        moved = mass + step * (target - mass)
        if log_likelihood(moved) >= start:
            return np.asarray(moved)
        step /= 2
    return mass
