"""Which factors matter when all are looked at together: Firth-penalised logistic regression on the failure within the study."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labbench.science.effects import (
    Effects,
    added_by,
    aliased_with,
    main_effects,
    span,
    term_count,
    tied_terms,
    with_intercept,
)
from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed
from labbench.science.intervals import Interval, normal_quantile
from labbench.science.penalised import BinomialModel, PenalisedFit, profile_limits
from labbench.science.sheet import FactorColumn

METHOD = "Firth-penalised logistic regression, main effects, penalised likelihood-ratio test"
PROFILE, WALD = "profile penalised likelihood", "estimate and standard error (Wald), as the sheet is large"
# A likelihood ratio needs no more digits of the coefficients.
LIKELIHOOD_DECREMENT = 1e-13
# Rows x terms² beyond which the model, or its profile limits, cost more than they tell.
SIZE_LIMIT = 300_000_000
PROFILE_LIMIT = 400_000


@dataclass(frozen=True, slots=True)
class TermEstimate:
    """Odds (or hazard) ratio of one term: a level against the first one, or one unit more of a numeric factor."""

    term: str
    ratio: float | None
    interval: Interval
    method: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class AdjustedFinding:
    """A factor's test given all others, and the estimates of its terms."""

    test: Finding
    terms: tuple[TermEstimate, ...]


@dataclass(frozen=True, slots=True)
class Patterns:
    """Coupons of the same levels together: failed and all of them, and the factors' levels per pattern."""

    factors: tuple[FactorColumn, ...]
    failed: Floats
    coupons: Floats
    n_used: int


def adjusted_tests(
    factors: tuple[FactorColumn, ...],
    is_failed: NDArray[np.bool_],
    candidates: NDArray[np.bool_],
    *,
    confidence: float = 0.95,
) -> tuple[AdjustedFinding, ...]:
    """The penalised likelihood-ratio test of each factor, adjusted for all the others that can be estimated with it.

    Parameters
    ----------
    factors : tuple of FactorColumn
        Categorical ones enter by their levels, numeric ones as numbers (one slope).
    is_failed, candidates : ndarray of bool, shape (n,)
        Coupons with an unknown level of any factor are left out; a factor with a single level is no part of the model.
    confidence : float
        Of the odds ratios' profile limits.

    Notes
    -----
    The degrees of freedom are the terms the other factors (and the intercept) can't stand in for; with none left the
    factor can't be told apart from them and gets no p-value, whichever of them comes first in the sheet.
    """
    varied = [len(np.unique(f.codes[candidates & (f.codes >= 0)])) > 1 for f in factors]
    chosen = tuple(f for f, kept in zip(factors, varied, strict=True) if kept)
    tests = iter(_adjusted_tests(chosen, is_failed, candidates, confidence))
    return tuple(
        next(tests)
        if kept
        else AdjustedFinding(not_computed(METHOD, f"fewer than two levels of {f.name} have coupons"), ())
        for f, kept in zip(factors, varied, strict=True)
    )


def patterns_of(
    factors: tuple[FactorColumn, ...], is_failed: NDArray[np.bool_], candidates: NDArray[np.bool_]
) -> Patterns:
    """Group the candidates whose level is known for every factor."""
    used = candidates.copy()
    for factor in factors:
        used &= factor.codes >= 0
    codes = np.column_stack([factor.codes[used] for factor in factors])
    distinct, row = np.unique(codes, axis=0, return_inverse=True)
    row = row.ravel()
    return Patterns(
        tuple(replace(factor, codes=distinct[:, number]) for number, factor in enumerate(factors)),
        np.bincount(row, weights=is_failed[used], minlength=len(distinct)).astype(np.float64),
        np.bincount(row, minlength=len(distinct)).astype(np.float64),
        int(used.sum()),
    )


def likelihood_ratio_test(
    effects: Effects,
    number: int,
    model: BinomialModel,
    full: PenalisedFit,
    names: tuple[str, ...],
    method: str,
    n_used: int,
) -> Finding:
    """Test of one factor's terms in a fitted model whose design spans the intercept (or rounds) and all effects.

    `effects.base` holds the columns that belong to no factor.
    """
    own = effects.owner == number
    if not own.any():
        return not_computed(method, f"only one level of {names[number]} remains", n_used=n_used)
    base = span(np.hstack([effects.base, effects.columns[:, ~own]]))
    added = added_by(base, effects.columns[:, own])
    df = added.shape[1]
    tied = aliased_with(effects, number) if df < own.sum() else ()
    others = " and ".join(names[other] for other in tied)
    if df == 0:
        reason = f"in these coupons {names[number]} can't be told apart from {others or 'the rounds and blocks'}"
        return not_computed(method, reason, n_used=n_used)
    # base and added together are another orthonormal basis of the same space, so the penalty is the same one.
    design = np.hstack([base, added])
    free = np.arange(design.shape[1]) < base.shape[1]
    start = np.where(free, design.T @ (model.design @ full.coefficients), 0.0)
    restricted = replace(model, design=design).fit(free=free, start=start, decrement=LIKELIHOOD_DECREMENT)
    if not (full.has_converged and restricted.has_converged):
        return not_computed(method, "the fit did not converge", n_used=n_used)
    statistic = max(2 * (full.log_likelihood - restricted.log_likelihood), 0.0)
    note = None
    if df < own.sum():
        note = f"only {df} of {int(own.sum())} terms of {names[number]} can be told apart from {others}"
    return Finding(method, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n_used, reason=note)


@dataclass(frozen=True, slots=True)
class FittedTerms:
    """A fit in the coordinates of the terms: `position` of each term in the model's design, -1 where it is tied."""

    model: BinomialModel
    fit: PenalisedFit
    position: NDArray[np.int64]


def fitted_terms(effects: Effects, model: BinomialModel, full: PenalisedFit) -> FittedTerms:
    """The fitted model with the terms that can be estimated as columns of their own, the rest as any basis."""
    tied = tied_terms(effects)
    rest = span(np.hstack([effects.base, effects.columns[:, tied]]))
    whole = replace(model, design=np.hstack([effects.columns[:, ~tied], rest]))
    # The same fit in other coordinates: it starts where it ends.
    start = np.linalg.lstsq(whole.design, model.design @ full.coefficients, rcond=None)[0].astype(np.float64)
    return FittedTerms(whole, whole.fit(start=start), np.where(tied, -1, np.cumsum(~tied) - 1))


def estimate_terms(effects: Effects, terms: FittedTerms, *, confidence: float) -> tuple[TermEstimate, ...]:
    """Ratio and limits of every term; those tied to other terms get none."""
    model, fit = terms.model, terms.fit
    has_profile = model.design.shape[0] * model.design.shape[1] ** 2 <= PROFILE_LIMIT
    method = PROFILE if has_profile else WALD
    half = normal_quantile(confidence) * fit.standard_errors
    found = []
    for name, at, unit in zip(effects.terms, terms.position, effects.scale, strict=True):
        if at < 0 or not fit.has_converged:
            reason = "tied to terms of other factors" if at < 0 else "the fit did not converge"
            found.append(TermEstimate(name, None, Interval(None, None), method, reason))
            continue
        estimate = float(fit.coefficients[at])
        low: float | None = estimate - float(half[at])
        high: float | None = estimate + float(half[at])
        if has_profile:
            low, high = profile_limits(model, fit, int(at), confidence=confidence)
        missing = low is None or high is None
        limits = Interval(_ratio(low, float(unit)), _ratio(high, float(unit)))
        reason_or_none = "a profile limit was not found" if missing else None
        found.append(TermEstimate(name, _ratio(estimate, float(unit)), limits, method, reason_or_none))
    return tuple(found)


def _ratio(coefficient: float | None, unit: float) -> float | None:
    """exp of a coefficient per unit; None beyond what a float can hold."""
    if coefficient is None or abs(coefficient / unit) > 700:
        return None
    return float(np.exp(coefficient / unit))


def _adjusted_tests(
    factors: tuple[FactorColumn, ...],
    is_failed: NDArray[np.bool_],
    candidates: NDArray[np.bool_],
    confidence: float,
) -> tuple[AdjustedFinding, ...]:
    if not factors:
        return ()
    patterns = patterns_of(factors, is_failed, candidates)
    reason = nothing_to_explain(patterns)
    if reason is not None:
        return tuple(AdjustedFinding(not_computed(METHOD, reason, n_used=patterns.n_used), ()) for _ in factors)
    if len(patterns.coupons) * term_count(patterns.factors) ** 2 > SIZE_LIMIT:
        reason = "the sheet has too many coupons and levels for this model; see the stratified tests"
        return tuple(AdjustedFinding(not_computed(METHOD, reason, n_used=patterns.n_used), ()) for _ in factors)
    effects = main_effects(patterns.factors)
    model = BinomialModel(span(with_intercept(effects.columns)), patterns.failed, patterns.coupons)
    full = model.fit()
    names = tuple(factor.name for factor in factors)
    estimates = estimate_terms(effects, fitted_terms(effects, model, full), confidence=confidence)
    return tuple(
        AdjustedFinding(
            likelihood_ratio_test(effects, number, model, full, names, METHOD, patterns.n_used),
            tuple(estimates[term] for term in np.flatnonzero(effects.owner == number)),
        )
        for number in range(len(factors))
    )


def nothing_to_explain(patterns: Patterns) -> str | None:
    """Why no regression is possible, or None."""
    failed = int(patterns.failed.sum())
    if patterns.n_used == 0:
        return "no coupon has a known level of every factor"
    if failed in (0, patterns.n_used):
        return f"{'no' if failed == 0 else 'every'} coupon with a known level of every factor failed"
    return None
