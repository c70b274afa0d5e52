"""The whole analysis of a coupon sheet: every number of the `analyze` document, as dataclasses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labbench.science.cautions import SMALL_LEVEL
from labbench.science.comparisons import censored_strength, kruskal_wallis, rank_permutation, welch_anova, worst_rank
from labbench.science.contingency import fisher_freeman_halton
from labbench.science.findings import Finding
from labbench.science.hazard import HazardFinding, hazard_tests
from labbench.science.intervals import confidence_fault
from labbench.science.isolation import Isolation, isolate
from labbench.science.levels import LevelEvaluation, evaluate_levels, event_rounds
from labbench.science.log_rank_permutation import permutation_log_rank
from labbench.science.multiplicity import holm
from labbench.science.odds import ExactOddsRatio, exact_odds_ratio
from labbench.science.ordered import exact_trend, jonckheere
from labbench.science.pairwise import PairComparison, dunn, games_howell
from labbench.science.regression import AdjustedFinding, adjusted_tests
from labbench.science.sentences import by_chance
from labbench.science.sheet import CouponSheet, FactorColumn, RunnableLevels
from labbench.science.sheet_warnings import counted, sheet_warnings
from labbench.science.stratified import StratifiedFinding, stratified
from labbench.science.strength import is_broken
from labbench.science.survival import log_rank
from labbench.science.trail import TrailStep, trail
from labbench.science.trend import cochran_armitage
from labbench.science.unconditional import boschloo

Progress = Callable[[int, int], None]
DEFAULT_SEED = 20260101
BLOCK = "block"
# With more levels a table of all pairs tells nothing.
PAIRED_LEVELS = 8
# As many levels are named in a sentence, more are counted.
MOST_LEVELS_NAMED = 6


@dataclass(frozen=True, slots=True)
class StrengthComparison:
    """Tests whether strength differs between the levels of a factor; exact or simulated ones where levels are small.

    `pairs` are positions in the factor's levels; `trend` is Jonckheere's test, for numeric factors; `censored` the log-rank
    test of strength, where some stresses are lower bounds.
    """

    kruskal_wallis: Finding
    kruskal_wallis_relabelled: Finding | None
    welch: Finding
    worst_rank: Finding
    worst_rank_relabelled: Finding | None
    trend: Finding | None
    censored: Finding | None
    censored_relabelled: Finding | None
    pairs: tuple[PairComparison, ...]


@dataclass(frozen=True, slots=True)
class FactorEvaluation:
    """Everything computed for one factor. `survival_by_block` is None where no block is known."""

    factor: str
    kind: str
    missing: int
    n_used: int
    levels: tuple[LevelEvaluation, ...]
    association: Finding
    association_p_value_holm: float | None
    unconditional: Finding | None
    odds_ratio: ExactOddsRatio | None
    trend: Finding | None
    trend_exact: Finding | None
    stratified: tuple[tuple[str, StratifiedFinding], ...]
    survival: Finding
    survival_by_block: Finding | None
    survival_relabelled: Finding | None
    hazard: HazardFinding
    adjusted: AdjustedFinding
    strength: StrengthComparison | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Evaluation:
    """An analysed sheet."""

    coupons: int
    test: int
    failed: int
    rounds_planned: int
    controls: dict[str, int]
    confidence: float
    margin: float
    strength_margin: float
    seed: int
    factors: tuple[FactorEvaluation, ...]
    isolation: Isolation
    trail: tuple[TrailStep, ...]
    warnings: tuple[str, ...]


def evaluate(
    sheet: CouponSheet,
    *,
    confidence: float = 0.95,
    margin: float = 0.15,
    strength_margin: float | None = None,
    next_count: int = 0,
    runnable: RunnableLevels | None = None,
    load_order: tuple[str, ...] | None = None,
    seed: int = DEFAULT_SEED,
    progress: Progress | None = None,
) -> Evaluation:
    """Analyse a sheet.

    Parameters
    ----------
    sheet : CouponSheet
    confidence : float
        Two-sided coverage of every interval.
    margin : float
        Largest difference of failure shares that does not matter.
    strength_margin : float, optional
        Largest relative loss of strength that does not matter; default `margin`.
    next_count : int
        Coupons to propose for the next load.
    runnable : RunnableLevels, optional
        What could be run beyond the sheet.
    load_order : tuple of str, optional
        The blocks in the order they ran, where their names don't tell it.
    seed : int
        The same sheet and seed give the same result to the last bit.
    progress : callable, optional
        Called as ``progress(done, total)`` after each step; what it raises ends the analysis and is passed on.

    Raises
    ------
    ValueError
        If confidence is not from 0.01 to 0.9999, a margin not above 0 and below 1, or next_count negative.
    """
    if (refused := confidence_fault(confidence)) is not None:
        raise ValueError(f"confidence {confidence} {refused}")
    if not 0 < margin < 1:
        raise ValueError(f"margin {margin} is not between 0 and 1")
    strength_margin = margin if strength_margin is None else strength_margin
    if not 0 < strength_margin < 1:
        raise ValueError(f"strength margin {strength_margin} is not between 0 and 1")
    if next_count < 0:
        raise ValueError(f"{next_count} coupons can't be proposed")
    steps = _Steps(len(sheet.factors) + 3, progress)
    blocks = block_codes(sheet)
    adjusted = adjusted_tests(sheet.factors, sheet.is_failed, sheet.is_test, confidence=confidence)
    steps.done()
    hazards = hazard_tests(
        sheet.factors, blocks, event_rounds(sheet), sheet.is_failed, sheet.is_test, confidence=confidence
    )
    steps.done()
    factors = []
    for number, factor in enumerate(sheet.factors):
        rng = np.random.default_rng([seed, number])
        models = (adjusted[number], hazards[number])
        factors.append(
            _evaluate_factor(
                sheet, factor, blocks, models, confidence=confidence, margins=(margin, strength_margin), rng=rng
            )
        )
        steps.done()
    adjusted_p = holm([factor.association.p_value for factor in factors])
    isolation = isolate(
        sheet,
        margin=margin,
        next_count=next_count,
        runnable=runnable,
        load_order=load_order,
        rng=np.random.default_rng(seed),
    )
    steps.done()
    return Evaluation(
        coupons=len(sheet.coupons),
        test=int(sheet.is_test.sum()),
        failed=int((sheet.is_test & sheet.is_failed).sum()),
        rounds_planned=sheet.rounds,
        controls={role: int((sheet.roles == role).sum()) for role in ("pristine", "unrepaired", "reference")},
        confidence=confidence,
        margin=margin,
        strength_margin=strength_margin,
        seed=seed,
        factors=tuple(
            replace(factor, association_p_value_holm=p) for factor, p in zip(factors, adjusted_p, strict=True)
        ),
        isolation=isolation,
        trail=trail(sheet, runnable=runnable, load_order=load_order),
        warnings=(*sheet_warnings(sheet), *small_level_warnings(factors), *isolation.warnings),
    )


def small_level_warnings(factors: list[FactorEvaluation]) -> list[str]:
    """One sentence where some level is too small for what rests on large numbers."""
    small = [
        factor.factor
        for factor in factors
        if factor.levels and min(level.coupons for level in factor.levels) < SMALL_LEVEL
    ]
    if not small:
        return []
    names = " and ".join([", ".join(small[:-1]), small[-1]]) if len(small) > 1 else small[0]
    return [
        f"Some level of {names} has fewer than {SMALL_LEVEL} coupons: p-values and limits called asymptotic are approximate there. "
        "Read the exact or relabelled ones beside them, and the Methods page for how far off they can be."
    ]


def block_codes(sheet: CouponSheet) -> NDArray[np.int64]:
    """A number per block, -1 where it is not known."""
    numbers: dict[str, int] = {}
    return np.array(
        [-1 if block is None else numbers.setdefault(block, len(numbers)) for block in sheet.blocks], dtype=np.int64
    )


class _Steps:
    """Counts steps for the progress callback."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self.count, self.total, self.progress = 0, total, progress

    def done(self) -> None:
        self.count += 1
        if self.progress is not None:
            self.progress(self.count, self.total)


def _evaluate_factor(
    sheet: CouponSheet,
    factor: FactorColumn,
    blocks: NDArray[np.int64],
    models: tuple[AdjustedFinding, HazardFinding],
    *,
    confidence: float,
    margins: tuple[float, float],
    rng: np.random.Generator,
) -> FactorEvaluation:
    used = sheet.is_test & (factor.codes >= 0)
    codes, is_failed = factor.codes[used], sheet.is_failed[used]
    levels = evaluate_levels(sheet, factor, used, confidence=confidence, margins=margins)
    failed = np.array([level.failed for level in levels], dtype=np.int64)
    coupons = np.array([level.coupons for level in levels], dtype=np.int64)
    association = fisher_freeman_halton(failed, coupons, rng=rng)
    unconditional = odds_ratio = trend = trend_exact = None
    if len(levels) == 2:
        unconditional = boschloo(int(failed[0]), int(coupons[0]), int(failed[1]), int(coupons[1]))
        odds_ratio = exact_odds_ratio(failed[None].astype(float), coupons[None].astype(float), confidence=confidence)
    if factor.kind == "numeric":
        scores = np.array([float(level.level) for level in levels])
        trend = cochran_armitage(failed, coupons, scores)
        if is_small(coupons):
            trend_exact = exact_trend(failed, coupons, scores, rng=rng)
    strata = [
        (other.name, other.codes) for other in sheet.factors if other is not factor and other.kind == "categorical"
    ]
    if (blocks >= 0).any():
        strata.append((BLOCK, blocks))
    # Codes of the levels that occur: 0, 1, ...
    dense = np.unique(codes, return_inverse=True)[1].ravel()
    times = event_rounds(sheet)[used]
    by_block = None
    in_block = blocks[used] >= 0
    if in_block.any():
        by_block = log_rank(
            times[in_block], is_failed[in_block], dense[in_block], len(levels), strata=blocks[used][in_block]
        )
    return FactorEvaluation(
        factor=factor.name,
        kind=factor.kind,
        missing=int((sheet.is_test & (factor.codes < 0)).sum()),
        n_used=len(codes),
        levels=levels,
        association=association,
        association_p_value_holm=None,
        unconditional=unconditional,
        odds_ratio=odds_ratio,
        trend=trend,
        trend_exact=trend_exact,
        stratified=tuple(
            (name, stratified(dense, other[used], is_failed, len(levels), confidence=confidence))
            for name, other in strata
        ),
        survival=log_rank(times, is_failed, dense, len(levels)),
        survival_by_block=by_block,
        survival_relabelled=permutation_log_rank(times, is_failed, dense, rng=rng) if is_small(coupons) else None,
        hazard=models[1],
        adjusted=models[0],
        strength=_compare_strength(
            sheet.strength_mpa[used],
            sheet.is_strength_censored[used],
            is_failed,
            dense,
            has_order=factor.kind == "numeric",
            confidence=confidence,
            rng=rng,
        ),
        sentence=association_sentence(factor.name, levels, association),
    )


def is_small(coupons: NDArray[np.int64]) -> bool:
    """Whether a level has too few coupons for a chi-square to be trusted by itself."""
    return bool(len(coupons) > 1 and coupons.min() < SMALL_LEVEL)


def _compare_strength(
    strength_mpa: NDArray[np.float64],
    is_bound: NDArray[np.bool_],
    is_failed: NDArray[np.bool_],
    codes: NDArray[np.int64],
    *,
    has_order: bool,
    confidence: float,
    rng: np.random.Generator,
) -> StrengthComparison | None:
    """None where no coupon was broken."""
    broken = is_broken(strength_mpa)
    if not broken.any():
        return None
    values, groups = strength_mpa[broken], codes[broken]
    levels = int(codes.max()) + 1
    counted = is_failed | broken
    relabelled = worst_relabelled = None
    small, bounds = is_small(np.unique(groups, return_counts=True)[1]), is_bound[broken]
    if small:
        relabelled = rank_permutation(values, groups, rng=rng)
    if is_small(np.unique(codes[counted], return_counts=True)[1]):
        worst = np.where(is_failed, -np.inf, strength_mpa)[counted]
        worst_relabelled = rank_permutation(worst, codes[counted], rng=rng)
    return StrengthComparison(
        kruskal_wallis=kruskal_wallis(values, groups),
        kruskal_wallis_relabelled=relabelled,
        welch=welch_anova(values, groups),
        worst_rank=worst_rank(strength_mpa, is_failed, codes),
        worst_rank_relabelled=worst_relabelled,
        trend=jonckheere(values, groups) if has_order else None,
        censored=censored_strength(values, bounds, groups) if bounds.any() else None,
        censored_relabelled=permutation_log_rank(values, ~bounds, groups, rng=rng) if bounds.any() and small else None,
        pairs=(
            *games_howell(values, groups, levels, confidence=confidence),
            *dunn(values, groups, levels),
        )
        if 2 <= levels <= PAIRED_LEVELS
        else (),
    )


def association_sentence(name: str, levels: tuple[LevelEvaluation, ...], association: Finding) -> str:
    """The exact test in plain words."""
    if not levels:
        return f"No test coupon has a known level of {name}."
    if len(levels) == 1:
        only = levels[0]
        return f"{only.failed} of {only.coupons} failed under {name} {only.level}, the only level: nothing to compare."
    failed, coupons = sum(level.failed for level in levels), sum(level.coupons for level in levels)
    if failed in (0, coupons):
        if failed == 0:
            return f"None of {counted(coupons, 'coupon')} failed under any level of {name}."
        return f"All {counted(coupons, 'coupon')} failed, under every level of {name}."
    worst = max(levels, key=lambda level: (level.failure_share, level.coupons))
    # Levels that fail alike are named together: none of them is worse than the other.
    alike = [level for level in levels if level.failure_share == worst.failure_share]
    worst_failed, worst_coupons = sum(level.failed for level in alike), sum(level.coupons for level in alike)
    rest = [level for level in levels if level not in alike]
    if not rest:
        return f"{failed} of {coupons} coupons failed, the same share under every level of {name}."
    names = [str(level.level) for level in alike]
    named = f"{len(names)} levels of {name}"
    if len(names) <= MOST_LEVELS_NAMED:
        named = f"{name} {' and '.join([', '.join(names[:-1]), names[-1]] if len(names) > 1 else names)}"
    others = f"{name} {rest[0].level}" if len(rest) == 1 else "the others"
    counts = (
        f"{worst_failed} of {worst_coupons} under {named} failed, "
        f"{failed - worst_failed} of {coupons - worst_coupons} under {others}"
    )
    return f"{counts}; {by_chance(association, 'a difference this large between the levels')}."
