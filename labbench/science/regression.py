"""Logistic regression with Firth's penalty: finite estimates where a level fails always or never."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, special

from labbench.science.effects import added_by, aliased_with, main_effects, span, with_intercept
from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed
from labbench.science.sheet import FactorColumn

METHOD = "Firth-penalised logistic regression, main effects, penalised likelihood-ratio test"
DECREMENT = 1e-18
MAX_STEPS = 500
# Largest change of a linear predictor in one step.
LARGEST_MOVE = 5.0


@dataclass(frozen=True, slots=True)
class FirthFit:
    """A penalised fit: coefficients (of the columns given), expected information and penalised log likelihood."""

    coefficients: Floats
    information: Floats
    log_likelihood: float
    has_converged: bool

    @property
    def standard_errors(self) -> Floats:
        """Square roots of the diagonal of the inverse expected information."""
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(self.information))))


@dataclass(frozen=True, slots=True)
class _Point:
    """Penalised log likelihood, its gradient, the expected information and the curvature at some coefficients."""

    log_likelihood: float
    gradient: Floats
    information: Floats
    # X' W (1 + h) X: minus the derivative of the gradient at fixed leverages h. With the information alone a coupon that
    # has a term to itself (h = 1) makes the steps overshoot for ever.
    curvature: Floats


def firth_logistic(
    design: Floats,
    failed: Floats,
    coupons: Floats,
    *,
    free: NDArray[np.bool_] | None = None,
    start: Floats | None = None,
) -> FirthFit:
    """Maximise log L(b) + ½ log |X'WX| over grouped binomial data.

    Parameters
    ----------
    design : ndarray, shape (rows, terms)
        Of full column rank.
    failed, coupons : ndarray, shape (rows,)
    free : ndarray of bool, shape (terms,), optional
        The coefficients that vary; the others stay at `start`. The penalty is that of the whole design all the same:
        with the penalty of the smaller design a likelihood ratio could come out negative.
    start : ndarray, shape (terms,), optional
        Starting values, default 0.

    References
    ----------
    D. Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993), 27-38. G. Heinze and M. Schemper,
    "A solution to the problem of separation in logistic regression", Statistics in Medicine 21 (2002), 2409-2419.
    """
    b = np.zeros(design.shape[1]) if start is None else start.astype(float).copy()
    moving = np.ones(design.shape[1], dtype=bool) if free is None else free
    point = _point(design, failed, coupons, b)
    for _ in range(MAX_STEPS):
        gradient = point.gradient[moving]
        direction = np.zeros_like(b)
        direction[moving] = np.linalg.solve(point.curvature[np.ix_(moving, moving)], gradient)
        if float(gradient @ direction[moving]) < DECREMENT:
            return FirthFit(b, point.information, point.log_likelihood, True)
        direction *= min(1.0, LARGEST_MOVE / max(float(np.abs(design @ direction).max()), LARGEST_MOVE))
        moved = _uphill(lambda at: _point(design, failed, coupons, at), b, direction, point)
        if moved is None:
            break
        b, point = moved
    return FirthFit(b, point.information, point.log_likelihood, False)


def _uphill(
    point_at: Callable[[Floats], _Point], b: Floats, direction: Floats, point: _Point
) -> tuple[Floats, _Point] | None:
    """The first of ever shorter steps that does not go down (but for rounding)."""
    slack = 1e-13 * max(1.0, abs(point.log_likelihood))
    for halvings in range(30):
        moved = b + direction / 2**halvings
        new = point_at(moved)
        if new.log_likelihood >= point.log_likelihood - slack:
            return moved, new
    return None


def _point(design: Floats, failed: Floats, coupons: Floats, b: Floats) -> _Point:
    predictor = design @ b
    share = special.expit(predictor)
    weight = coupons * share * special.expit(-predictor)
    weighted = design * np.sqrt(weight)[:, None]
    information = weighted.T @ weighted
    try:
        factor = np.linalg.cholesky(information)
    except np.linalg.LinAlgError:
        return _Point(-np.inf, np.zeros_like(b), information, information)
    # Leverages: diagonal of W½ X (X'WX)⁻¹ X' W½.
    leverage = (linalg.solve_triangular(factor, weighted.T, lower=True, check_finite=False) ** 2).sum(axis=0)
    log_likelihood = (failed * special.log_expit(predictor) + (coupons - failed) * special.log_expit(-predictor)).sum()
    gradient = design.T @ (failed - coupons * share + leverage * (0.5 - share))
    curvature = information + (weighted * leverage[:, None]).T @ weighted
    return _Point(float(log_likelihood + np.log(np.diag(factor)).sum()), gradient, information, curvature)


def adjusted_tests(
    factors: tuple[FactorColumn, ...], is_failed: NDArray[np.bool_], candidates: NDArray[np.bool_]
) -> tuple[Finding, ...]:
    """The penalised likelihood-ratio test of each factor, adjusted for all the others that can be estimated with it.

    Parameters
    ----------
    factors : tuple of FactorColumn
        Categorical ones enter by their levels, numeric ones as numbers (one slope).
    is_failed, candidates : ndarray of bool, shape (n,)
        Coupons with an unknown level of any factor are left out; a factor with a single level is no part of the model.

    Notes
    -----
    The degrees of freedom are the terms the other factors (and the intercept) can't stand in for; with none left the
    factor can't be told apart from them and gets no p-value, whichever of them comes first in the sheet.
    """
    varied = [len(np.unique(f.codes[candidates & (f.codes >= 0)])) > 1 for f in factors]
    tests = iter(
        _adjusted_tests(tuple(f for f, kept in zip(factors, varied, strict=True) if kept), is_failed, candidates)
    )
    return tuple(
        next(tests) if kept else not_computed(METHOD, f"fewer than two levels of {f.name} have coupons")
        for f, kept in zip(factors, varied, strict=True)
    )


def _adjusted_tests(
    factors: tuple[FactorColumn, ...], is_failed: NDArray[np.bool_], candidates: NDArray[np.bool_]
) -> tuple[Finding, ...]:
    if not factors:
        return ()
    used = candidates.copy()
    for factor in factors:
        used &= factor.codes >= 0
    n_used = int(used.sum())
    fails = int(is_failed[used].sum())
    reason = None
    if n_used == 0:
        reason = "no coupon has a known level of every factor"
    elif fails in (0, n_used):
        reason = f"{'no' if fails == 0 else 'every'} coupon with a known level of every factor failed"
    if reason is not None:
        return tuple(not_computed(METHOD, reason, n_used=n_used) for _ in factors)
    patterns, row = np.unique(np.column_stack([f.codes[used] for f in factors]), axis=0, return_inverse=True)
    coupons = np.bincount(row.ravel()).astype(np.float64)
    failed = np.bincount(row.ravel(), weights=is_failed[used]).astype(np.float64)
    grouped = tuple(replace(factor, codes=patterns[:, number]) for number, factor in enumerate(factors))
    effects = main_effects(grouped, np.ones(len(patterns), dtype=bool))
    whole = span(with_intercept(effects.columns))
    full = firth_logistic(whole, failed, coupons)
    predictor = whole @ full.coefficients
    findings = []
    for number, factor in enumerate(factors):
        own = effects.owner == number
        if not own.any():
            findings.append(not_computed(METHOD, f"only one level of {factor.name} remains", n_used=n_used))
            continue
        others = [factors[other].name for other in aliased_with(effects, number)]
        base = span(with_intercept(effects.columns[:, ~own]))
        added = added_by(base, effects.columns[:, own])
        df = added.shape[1]
        if df == 0:
            words = f"in these coupons {factor.name} can't be told apart from {' and '.join(others)}"
            findings.append(not_computed(METHOD, words, n_used=n_used))
            continue
        # base and added together are another orthonormal basis of the same space, so the penalty is the same one.
        design = np.hstack([base, added])
        free = np.arange(design.shape[1]) < base.shape[1]
        start = np.where(free, design.T @ predictor, 0.0)
        restricted = firth_logistic(design, failed, coupons, free=free, start=start)
        if not (full.has_converged and restricted.has_converged):
            findings.append(not_computed(METHOD, "the fit did not converge", n_used=n_used))
            continue
        statistic = max(2 * (full.log_likelihood - restricted.log_likelihood), 0.0)
        note = None
        if df < own.sum():
            note = f"only {df} of {int(own.sum())} terms of {factor.name} can be told apart from {' and '.join(others)}"
        findings.append(
            Finding(METHOD, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n_used, reason=note)
        )
    return tuple(findings)
