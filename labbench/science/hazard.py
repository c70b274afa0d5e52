"""Chance to crack out per round, over all factors at once: grouped proportional hazards, complementary log-log link.

A coupon counts once in every round it entered: held, or failed in its last one. log(-log(1 - p)) = round + block +
factors; exp of a coefficient is the ratio of the hazards of an underlying continuous time. Rounds in which nothing
failed are taken together with the next one that saw a failure; a coupon censored within such a stretch does not count
in it, and what comes after the last failure says nothing. A crack-out found after skipped inspections counts in the
round it was found in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.effects import Effects, added_by, main_effects, span, term_count
from labbench.science.findings import Finding, Floats, chi_square_tail, not_computed, quadratic_form
from labbench.science.penalised import BinomialModel, PenalisedFit
from labbench.science.regression import TermEstimate, estimate_terms, fitted_terms, likelihood_ratio_test
from labbench.science.sheet import FactorColumn, Level

METHOD = (
    "discrete-time proportional hazards (complementary log-log, Firth-type penalty), penalised likelihood-ratio test"
)
PROPORTIONALITY = "score test of the factor's terms times round"
# More blocks than that are left out of the model; the stratified log-rank test takes them into account.
BLOCK_LIMIT = 12
STRETCH_LIMIT = 12
# Rows of patterns and rounds times terms² beyond which the model costs more than it tells.
SIZE_LIMIT = 100_000_000


@dataclass(frozen=True, slots=True)
class HazardFinding:
    """A factor's test given all others, its hazard ratios, the predicted survival of its levels, and a check.

    `predicted` has per level the survival after each of `rounds`, averaged over the other factors (and blocks) of the
    coupons; empty where the factor's terms are tied to others.
    """

    test: Finding
    terms: tuple[TermEstimate, ...] = ()
    proportional: Finding | None = None
    rounds: tuple[int, ...] = ()
    predicted: tuple[tuple[Level, tuple[float, ...]], ...] = ()
    has_blocks: bool = False


@dataclass(frozen=True, slots=True)
class PersonRounds:
    """Patterns of levels (and block) by stretches of rounds.

    `failed` and `at_risk` have shape (patterns, stretches); `ends` is the last round of each stretch; `coupons` counts
    the coupons of a pattern; `blocks` is -1 throughout where blocks are no part of the model.
    """

    factors: tuple[FactorColumn, ...]
    blocks: NDArray[np.int64]
    coupons: Floats
    failed: Floats
    at_risk: Floats
    ends: NDArray[np.int64]


def stretches(times: Floats, is_failed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Last rounds of the stretches: every round with a failure, or quantiles of them where there are many."""
    distinct = np.unique(times[is_failed]).astype(np.int64)
    if len(distinct) <= STRETCH_LIMIT:
        return distinct
    cuts = np.quantile(times[is_failed], np.linspace(0, 1, STRETCH_LIMIT + 1)[1:], method="inverted_cdf")
    return np.unique(cuts).astype(np.int64)


def person_rounds(
    factors: tuple[FactorColumn, ...],
    blocks: NDArray[np.int64],
    times: Floats,
    is_failed: NDArray[np.bool_],
    used: NDArray[np.bool_],
) -> PersonRounds:
    """Count the used coupons, whose levels are all known."""
    ends = stretches(times[used], is_failed[used])
    block = blocks[used] if len(np.unique(blocks[used])) <= BLOCK_LIMIT else np.full(int(used.sum()), -1)
    keys, row = np.unique(
        np.column_stack([*(factor.codes[used] for factor in factors), block]), axis=0, return_inverse=True
    )
    row = row.ravel()
    # Stretch a failure falls in; for a held coupon the stretches it went through to the end.
    last = np.searchsorted(ends, times[used], side="left")
    through = np.where(is_failed[used], last + 1, np.searchsorted(ends, times[used], side="right"))
    shape = (len(keys), len(ends))
    failed, at_risk = np.zeros(shape), np.zeros(shape)
    np.add.at(failed, (row[is_failed[used]], last[is_failed[used]]), 1.0)
    for stretch in range(len(ends)):
        at_risk[:, stretch] = np.bincount(row[through > stretch], minlength=len(keys))
    seen = at_risk.sum(axis=1) > 0
    columns = tuple(
        FactorColumn(factor.name, factor.kind, factor.levels, keys[seen, number])
        for number, factor in enumerate(factors)
    )
    coupons = np.bincount(row, minlength=len(keys)).astype(float)
    return PersonRounds(columns, keys[seen, -1], coupons[seen], failed[seen], at_risk[seen], ends)


def hazard_tests(
    factors: tuple[FactorColumn, ...],
    blocks: NDArray[np.int64],
    times: Floats,
    is_failed: NDArray[np.bool_],
    candidates: NDArray[np.bool_],
    *,
    confidence: float = 0.95,
) -> tuple[HazardFinding, ...]:
    """The penalised likelihood-ratio test of each factor's hazard ratios, adjusted for the others, rounds and blocks.

    Parameters
    ----------
    factors : tuple of FactorColumn
    blocks : ndarray of int, shape (n,)
        A number per block, -1 unknown (counts as a block of its own).
    times : ndarray, shape (n,)
        Round of crack-out, or last round seen to hold.
    is_failed, candidates : ndarray of bool, shape (n,)

    References
    ----------
    R. L. Prentice and L. A. Gloeckler, "Regression analysis of grouped survival data with application to breast cancer
    data", Biometrics 34 (1978), 57-67. P. D. Allison, Sociological Methodology 13 (1982), 61-98. Penalty: D. Firth,
    Biometrika 80 (1993), 27-38.
    """
    varied = [len(np.unique(f.codes[candidates & (f.codes >= 0)])) > 1 for f in factors]
    chosen = tuple(f for f, kept in zip(factors, varied, strict=True) if kept)
    found = iter(_hazard_tests(chosen, blocks, times, is_failed, candidates, confidence))
    return tuple(
        next(found) if kept else HazardFinding(not_computed(METHOD, f"fewer than two levels of {f.name} have coupons"))
        for f, kept in zip(factors, varied, strict=True)
    )


def _hazard_tests(
    factors: tuple[FactorColumn, ...],
    blocks: NDArray[np.int64],
    times: Floats,
    is_failed: NDArray[np.bool_],
    candidates: NDArray[np.bool_],
    confidence: float,
) -> tuple[HazardFinding, ...]:
    used = candidates.copy()
    for factor in factors:
        used &= factor.codes >= 0
    n_used = int(used.sum())

    def nothing(reason: str) -> tuple[HazardFinding, ...]:
        return tuple(HazardFinding(not_computed(METHOD, reason, n_used=n_used)) for _ in factors)

    if not factors:
        return ()
    if n_used == 0:
        return nothing("no coupon has a known level of every factor")
    if not is_failed[used].any():
        return nothing("no coupon with a known level of every factor failed")
    counts = person_rounds(factors, blocks, times, is_failed, used)
    if counts.failed.sum() == counts.at_risk.sum():
        return nothing("every coupon failed in the first round")
    terms_and_rounds = term_count(counts.factors) + len(counts.ends)
    if counts.at_risk.size * terms_and_rounds**2 > SIZE_LIMIT:
        return nothing("the sheet is too large for this model; the stratified log-rank test answers the same question")
    effects, grid = _design(counts)
    model = BinomialModel(span(grid), counts.failed.ravel(), counts.at_risk.ravel(), link="cloglog")
    full = model.fit()
    terms = fitted_terms(effects, model, full)
    estimates = estimate_terms(effects, terms, confidence=confidence)
    names = tuple(factor.name for factor in factors)
    has_blocks = len(np.unique(counts.blocks)) > 1
    return tuple(
        HazardFinding(
            likelihood_ratio_test(effects, number, model, full, names, METHOD, n_used),
            tuple(estimates[term] for term in np.flatnonzero(effects.owner == number)),
            _proportional(effects, number, model, full, counts, n_used),
            tuple(int(end) for end in counts.ends),
            _predicted(effects, number, terms.model, terms.fit, terms.position, counts),
            has_blocks,
        )
        for number in range(len(factors))
    )


def _design(counts: PersonRounds) -> tuple[Effects, Floats]:
    """Main effects over the rows (pattern, stretch), beside a column per stretch and per further block."""
    patterns, stretch_count = counts.at_risk.shape
    by_pattern = main_effects(counts.factors)
    rounds = np.tile(np.eye(stretch_count), (patterns, 1))
    present = np.unique(counts.blocks)
    block = np.repeat((counts.blocks[:, None] == present[1:]).astype(float), stretch_count, axis=0)
    columns = np.repeat(by_pattern.columns, stretch_count, axis=0)
    base = np.hstack([rounds, block])
    effects = Effects(base, columns, by_pattern.owner, by_pattern.terms, by_pattern.scale)
    return effects, np.hstack([base, columns])


def _proportional(
    effects: Effects, number: int, model: BinomialModel, full: PenalisedFit, counts: PersonRounds, n_used: int
) -> Finding:
    """Does the ratio change over the rounds? Score test of the factor's columns times the number of the stretch."""
    if len(counts.ends) < 2:
        return not_computed(PROPORTIONALITY, "all failures fell in one round", n_used=n_used)
    stretch = np.tile(np.arange(len(counts.ends)) - (len(counts.ends) - 1) / 2, len(counts.at_risk))
    own = effects.columns[:, effects.owner == number]
    added = added_by(model.design, own * stretch[:, None])
    if not added.shape[1]:
        return not_computed(PROPORTIONALITY, "the coupons do not allow the ratio to change", n_used=n_used)
    wide = BinomialModel(np.hstack([model.design, added]), model.failed, model.coupons, link="cloglog", penalty=0.0)
    point = wide.at(np.concatenate([full.coefficients, np.zeros(added.shape[1])]))
    old = model.design.shape[1]
    inner = np.linalg.solve(point.information[:old, :old], point.information[:old, old:])
    # The score of the fitted terms is not quite zero at penalised estimates: taken out along the information.
    score = point.gradient[old:] - inner.T @ point.gradient[:old]
    statistic, df = quadratic_form(score, point.information[old:, old:] - point.information[old:, :old] @ inner)
    if df == 0:
        return not_computed(PROPORTIONALITY, "the coupons do not allow the ratio to change", n_used=n_used)
    return Finding(PROPORTIONALITY, chi_square_tail(statistic, df), statistic=statistic, df=df, n_used=n_used)


def _predicted(
    effects: Effects,
    number: int,
    model: BinomialModel,
    fit: PenalisedFit,
    position: NDArray[np.int64],
    counts: PersonRounds,
) -> tuple[tuple[Level, tuple[float, ...]], ...]:
    """Survival per level, each coupon taken as if it had that level."""
    own = np.flatnonzero(effects.owner == number)
    if not fit.has_converged or (position[own] < 0).any() or not len(own):
        return ()
    coefficients = fit.coefficients[position[own]]
    others = model.design @ fit.coefficients - effects.columns[:, own] @ coefficients
    codes = counts.factors[number].codes
    shape = counts.at_risk.shape
    found = []
    for code in np.unique(codes):
        row = int(np.flatnonzero(codes == code)[0]) * shape[1]
        hazard = np.exp(np.clip(others + effects.columns[row, own] @ coefficients, -30, 30)).reshape(shape)
        survival = np.exp(-np.cumsum(hazard, axis=1))
        mean = (counts.coupons[:, None] * survival).sum(axis=0) / counts.coupons.sum()
        found.append((counts.factors[number].levels[code], tuple(float(value) for value in mean)))
    return tuple(found)
