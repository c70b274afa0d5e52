"""Which of two factors that overlap explains the failures better: a name ("lamp") or what was measured of it ("dose").

Both are weighed on the same coupons with the evidence of `evidence`: given that the cause lies in factor f alone,

    M(f) = sum over its hypotheses h of w(h) m(D | h),    w(h) sums to 1 over the single and shape-free ones of f,

with the ordering factor in m. At even odds P(f) = M(f) / (M(f) + M(g)). A numeric factor is a graded cause: too little or too
much of it. Beside it, without any prior: log likelihood and AICc of a logistic model of each (levels of a name, slope of a
number), and the penalised likelihood-ratio test of each with the other held fixed.

Where each level of one ran with one level of the other only, and both ways, the coupons cannot tell them apart: whatever
ratio comes out, it is that of two descriptions of the same split.

References
----------
R. E. Kass and A. E. Raftery, "Bayes factors", J. Am. Stat. Assoc. 90 (1995), 773-795 (from memory). C. M. Hurvich and C.-L. Tsai,
"Regression and time series model selection in small samples", Biometrika 76 (1989), 297-307 (AICc; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.confirmation import ISOLATED
from labbench.science.confounding import NEAR_BAYES_FACTOR, is_one_to_one
from labbench.science.evidence import Posterior, Runs, has_run, posterior, runs
from labbench.science.findings import Finding, Floats
from labbench.science.hypotheses import NONE_ANY, ClassWeights, Suspect, hypotheses
from labbench.science.next_load import entropy, failing_chance, groups
from labbench.science.penalised import BinomialModel
from labbench.science.regression import adjusted_tests
from labbench.science.sheet import CouponSheet, FactorColumn, Level

State = Literal["first", "second", "leans to first", "leans to second", "open", "aliased", "neither", "not compared"]
Relation = Literal["one to one", "first decides second", "second decides first", "crossed"]
# A value this near to a level counts as that level. A choice, no published source.
NEAR_A_LEVEL = 0.1
METHOD = "beta-binomial evidence of each factor as the only cause, even odds"


@dataclass(frozen=True, slots=True)
class RivalEvidence:
    """What speaks for one factor as the only cause.

    Attributes
    ----------
    factor : str
    probability : float
        Against the other one, at even odds.
    log_evidence : float
        log M(f).
    best : str
        Its likeliest hypothesis.
    log_likelihood, aicc : float or None
        Of the unpenalised logistic model; AICc is None where there are not enough coupons for its terms.
    terms : int
        Parameters of that model, the intercept included.
    beside_the_other : Finding
        Penalised likelihood-ratio test of this factor with the other one in the model.
    """

    factor: str
    probability: float
    log_evidence: float
    best: str
    log_likelihood: float | None
    terms: int
    aicc: float | None
    beside_the_other: Finding


@dataclass(frozen=True, slots=True)
class Candidate:
    """A coupon that could be run: its level of the first factor, its value of the second, and how a lab makes it."""

    first: Level
    second: float
    levels: dict[str, Level]


@dataclass(frozen=True, slots=True)
class BreakingCoupon:
    """The coupon that is expected to tell most: `gain_nats` of at most log 2, and its chance to fail under either factor."""

    levels: dict[str, Level]
    second: float
    gain_nats: float
    failing_if_first: float
    failing_if_second: float


@dataclass(frozen=True, slots=True)
class RivalComparison:
    """Two factors against each other.

    Attributes
    ----------
    factors : tuple of two str
    coupons, failed : int
        Test coupons that ran and whose level of both is known.
    left_out : int
        Test coupons that ran but whose level of one is not known: left out of the whole comparison.
    relation : str
        Which decides the other over these coupons.
    state : str
        "first" or "second": probability of at least 0.95; "leans to ..": Bayes factor above 3; "open": below; "aliased": one to
        one; "neither": neither is 3 times as probable as no cause in either; "not compared": see `reason`.
    evidence : tuple of RivalEvidence
        Empty where not compared.
    log_bayes_factor : float or None
        log M(first) - log M(second).
    log_none : float or None
        log evidence of "neither matters".
    breaking : BreakingCoupon or None
    sentence, reason : str
    """

    factors: tuple[str, str]
    coupons: int
    failed: int
    left_out: int
    relation: Relation | None
    state: State
    evidence: tuple[RivalEvidence, ...]
    log_bayes_factor: float | None
    log_none: float | None
    breaking: BreakingCoupon | None
    sentence: str
    reason: str


def compare_rivals(
    sheet: CouponSheet,
    first: FactorColumn,
    second: FactorColumn,
    *,
    candidates: Sequence[Candidate] = (),
    weights: ClassWeights | None = None,
) -> RivalComparison:
    """Weigh two factors of the same coupons against each other.

    Parameters
    ----------
    sheet : CouponSheet
        Test coupons that failed or were seen to hold a round enter, where both levels are known.
    first, second : FactorColumn
        Over the coupons of the sheet; they need not be among its factors.
    candidates : sequence of Candidate
        Coupons that could be run next; the one that is expected to tell most is given.
    """
    ran = has_run(sheet)
    used = ran & (first.codes >= 0) & (second.codes >= 0)
    names = (first.name, second.name)
    counts = (int(used.sum()), int((used & sheet.is_failed).sum()), int((ran & ~used).sum()))
    kept = tuple(_only_seen(column, used) for column in (first, second))
    if reason := _why_not(kept, names, counts):
        sentence = f"{names[0]} and {names[1]} are not compared: {reason}."
        return RivalComparison(names, *counts, None, "not compared", (), None, None, None, sentence, reason)
    codes = np.column_stack([column.codes for column in kept])
    data = runs(sheet, codes, used)
    found = tuple(_alone(column, data, number, weights) for number, column in enumerate(kept))
    log_m = [_log_family(one) for one in found]
    log_none = _log_none(found[0])
    ratio = log_m[0] - log_m[1]
    share = float(special.expit(ratio))
    relation = _relation(codes, kept)
    state = _state(relation, ratio, max(log_m) - log_none)
    tests = adjusted_tests(kept, sheet.is_failed, used)
    evidence = tuple(
        RivalEvidence(
            column.name,
            probability,
            log,
            one.hypotheses.text(_likeliest(one)),
            *_logistic(column, sheet.is_failed, used),
            beside_the_other=test.test,
        )
        for column, probability, log, one, test in zip(kept, (share, 1 - share), log_m, found, tests, strict=True)
    )
    # Of aliased factors the coupons have said nothing: the odds are still even.
    odds = (0.5, 0.5) if relation == "one to one" else (share, 1 - share)
    breaking = None if state in ("first", "second") else _breaking(found, kept, odds, candidates)
    return RivalComparison(
        names,
        *counts,
        relation,
        state,
        evidence,
        ratio,
        log_none,
        breaking,
        _sentence(names, state, relation, evidence),
        "",
    )


def _only_seen(column: FactorColumn, used: NDArray[np.bool_]) -> FactorColumn:
    """The factor with the levels that the used coupons have."""
    seen = np.unique(column.codes[used])
    place = np.full(len(column.levels) + 1, -1, dtype=np.int64)
    place[seen] = np.arange(len(seen))
    codes = np.where(used, place[column.codes], -1)
    return FactorColumn(column.name, column.kind, tuple(column.levels[code] for code in seen), codes)


def _why_not(kept: tuple[FactorColumn, ...], names: tuple[str, str], counts: tuple[int, int, int]) -> str:
    coupons, failed, _ = counts
    if not coupons:
        return "no coupon that ran has a known level of both"
    single = [name for name, column in zip(names, kept, strict=True) if len(column.levels) < 2]
    if single:
        return f"all {coupons} coupons have the same level of {' and of '.join(single)}"
    if failed in (0, coupons):
        return f"{'none' if not failed else 'every one'} of the {coupons} coupons failed"
    return ""


def _alone(column: FactorColumn, data: Runs, number: int, weights: ClassWeights | None) -> Posterior:
    """The hypotheses of one factor, weighed by the coupons."""
    own = Runs(
        data.codes[:, [number]],
        data.failures,
        data.survivals,
        data.is_failed,
        data.blocks,
        data.form,
        data.rounds,
    )
    return posterior(hypotheses((Suspect(column.name, column.kind, column.levels),), weights=weights), own)


def _log_family(found: Posterior) -> float:
    """log M(f): evidence of the factor as the only cause, its hypotheses weighted as in the prior."""
    rows = found.hypotheses.kinds > NONE_ANY
    prior = found.hypotheses.prior[rows]
    return float(special.logsumexp(found.log_evidence[rows] + found.log_ordering[rows], b=prior / prior.sum()))


def _log_none(found: Posterior) -> float:
    rows = found.hypotheses.kinds <= NONE_ANY
    prior = found.hypotheses.prior[rows]
    return float(special.logsumexp(found.log_evidence[rows], b=prior / prior.sum()))


def _likeliest(found: Posterior) -> int:
    rows = np.flatnonzero(found.hypotheses.kinds > NONE_ANY)
    return int(rows[np.argmax(np.round(found.probability[rows], 12))])


def _relation(codes: NDArray[np.int64], kept: tuple[FactorColumn, ...]) -> Relation:
    size = len(kept[0].levels), len(kept[1].levels)
    table = np.bincount(codes[codes.min(axis=1) >= 0] @ np.array([size[1], 1]), minlength=size[0] * size[1])
    seen = table.reshape(size).astype(float)
    if is_one_to_one(seen):
        return "one to one"
    if ((seen > 0).sum(axis=1) <= 1).all():
        return "first decides second"
    if ((seen > 0).sum(axis=0) <= 1).all():
        return "second decides first"
    return "crossed"


def _state(relation: Relation, log_ratio: float, over_none: float) -> State:
    if over_none < np.log(NEAR_BAYES_FACTOR):
        return "neither"
    if relation == "one to one":
        return "aliased"
    if abs(log_ratio) <= np.log(NEAR_BAYES_FACTOR):
        return "open"
    is_clear = special.expit(abs(log_ratio)) >= ISOLATED
    if log_ratio > 0:
        return "first" if is_clear else "leans to first"
    return "second" if is_clear else "leans to second"


def _logistic(
    column: FactorColumn, is_failed: NDArray[np.bool_], used: NDArray[np.bool_]
) -> tuple[float | None, int, float | None]:
    """Log likelihood, parameters and AICc of the plain logistic model: one share per level of a name, a slope of a number."""
    codes = column.codes[used]
    coupons = np.bincount(codes, minlength=len(column.levels)).astype(float)
    failed = np.bincount(codes, weights=is_failed[used].astype(float), minlength=len(column.levels)).astype(float)
    if column.kind == "numeric":
        values = np.array([float(level) for level in column.levels])
        scaled = (values - values.mean()) / values.std()
        model = BinomialModel(np.column_stack((np.ones_like(scaled), scaled)), failed, coupons, penalty=0.0)
        # Where the values part failed and held coupons wholly the slope has no end: the likelihood then nears its limit.
        log_likelihood, terms = float(model.fit().log_likelihood), 2
    else:
        held = coupons - failed
        log_likelihood = float(
            special.xlogy(failed, failed / coupons).sum() + special.xlogy(held, held / coupons).sum()
        )
        terms = len(column.levels)
    spare = len(codes) - terms - 1
    aicc = 2 * terms - 2 * log_likelihood + 2 * terms * (terms + 1) / spare if spare > 0 else None
    return log_likelihood, terms, aicc


def _breaking(
    found: tuple[Posterior, ...],
    kept: tuple[FactorColumn, ...],
    shares: tuple[float, float],
    candidates: Sequence[Candidate],
) -> BreakingCoupon | None:
    """The candidate whose outcome is expected to tell most about which of the two it is.

    A value of the second factor counts as the level nearest to it, if it lies within `NEAR_A_LEVEL` of that or beyond all levels;
    between levels nothing is known of it, nor of a level of the first factor that did not run.
    """
    if kept[1].kind != "numeric":
        return None
    first_levels = {level: code for code, level in enumerate(kept[0].levels)}
    values = np.array([float(level) for level in kept[1].levels])
    usable = [one for one in candidates if one.first in first_levels and _is_known(values, one.second)]
    if not usable:
        return None
    first_codes = np.array([[first_levels[one.first]] for one in usable], dtype=np.int64)
    second_codes = np.array([[int(np.argmin(np.abs(values - one.second)))] for one in usable], dtype=np.int64)
    failing = (_failing(found[0], first_codes), _failing(found[1], second_codes))
    mixed = shares[0] * failing[0] + shares[1] * failing[1]
    gains = entropy(mixed) - shares[0] * entropy(failing[0]) - shares[1] * entropy(failing[1])
    best = int(np.argmax(np.round(gains, 12)))
    if gains[best] <= 1e-9:
        return None
    chosen = usable[best]
    return BreakingCoupon(
        chosen.levels, chosen.second, float(gains[best]), float(failing[0][best]), float(failing[1][best])
    )


def _is_known(values: Floats, value: float) -> bool:
    nearest = float(values[int(np.argmin(np.abs(values - value)))])
    is_beyond = not values[0] <= value <= values[-1]
    return bool(is_beyond or abs(value - nearest) <= NEAR_A_LEVEL * abs(nearest))


def _failing(found: Posterior, codes: NDArray[np.int64]) -> Floats:
    """Chance to fail of each combination, given that the cause lies in this factor."""
    of = groups(found, codes, which=found.hypotheses.kinds > NONE_ANY, least_share=0.0)
    chances = failing_chance(of.a, of.b, of.form, of.rounds)
    return np.asarray((of.probability[of.owner] * chances) @ of.members)


def _sentence(names: tuple[str, str], state: State, relation: Relation, evidence: tuple[RivalEvidence, ...]) -> str:
    first, second = names
    if state == "neither":
        return f"Neither {first} nor {second} by itself explains the failures better than no cause in them."
    if state == "aliased":
        return (
            f"These coupons cannot tell {first} and {second} apart: each level of the one ran with one level of the other only. "
            "Whichever seems likelier is the simpler description of the same split."
        )
    if state == "open":
        return (
            f"{first} and {second} explain the failures about equally well: these coupons do not decide between them."
        )
    winner, loser = (0, 1) if state.endswith("first") else (1, 0)
    chance = evidence[winner].probability
    shown = "more than 99.9 %" if chance > 0.999 else f"{100 * chance:.3g} %"
    hint = "; that is a hint, not more" if state.startswith("leans") else ""
    told = (
        f"{names[winner]} explains the failures better than {names[loser]}, by {evidence[winner].best} ({shown} against the other, at "
        f"even odds before any coupon){hint}."
    )
    if (relation == "first decides second" and winner == 1) or (relation == "second decides first" and winner == 0):
        told += (
            f" But each level of {names[loser]} ran with one level of {names[winner]} only: no coupon parts them, and the difference is "
            "that of a simpler description."
        )
    return told
