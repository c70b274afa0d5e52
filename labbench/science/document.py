"""An analysed sheet as the JSON document of the `analyze` command: plain dicts, lists, numbers, texts."""

from __future__ import annotations

import math
from typing import Any

from labbench.science.evaluation import Evaluation, FactorEvaluation, StrengthComparison
from labbench.science.findings import Finding
from labbench.science.hazard import HazardFinding
from labbench.science.intervals import Interval
from labbench.science.isolation import Isolation
from labbench.science.levels import LevelEvaluation
from labbench.science.regression import TermEstimate
from labbench.science.restricted_mean import RestrictedMean
from labbench.science.sheet import Level
from labbench.science.stratified import StratifiedFinding
from labbench.science.strength import StrengthSummary
from labbench.science.turnbull import TurnbullEstimate

Document = dict[str, Any]


def document(evaluation: Evaluation) -> Document:
    """The document; numbers with full precision, None with a sentence in `reason` where a value can't be computed."""
    isolation = evaluation.isolation
    return {
        "sheet": {
            "coupons": evaluation.coupons,
            "test": evaluation.test,
            "failed": evaluation.failed,
            "rounds_planned": evaluation.rounds_planned,
            "controls": dict(evaluation.controls),
        },
        "parameters": {"confidence": evaluation.confidence, "margin": evaluation.margin, "seed": evaluation.seed},
        "factors": [
            {**_factor(factor), "verdict": _verdict(isolation, number)}
            for number, factor in enumerate(evaluation.factors)
        ],
        **_isolation(isolation),
        "warnings": list(evaluation.warnings),
    }


def _isolation(isolation: Isolation) -> Document:
    confirmation = isolation.confirmation
    return {
        "confounded": [
            {
                "factors": list(pair.factors),
                "kind": pair.kind,
                "breaking_coupon": _plain_levels(pair.breaking_coupon),
                "cramers_v": pair.cramers_v,
                **({"reason": "no coupon that would tell them apart can be made"} if not pair.breaking_coupon else {}),
            }
            for pair in isolation.confounded
        ],
        "cause": {
            "hypotheses": [{"cause": cause, "probability": _number(p)} for cause, p in isolation.hypotheses],
            "isolated": isolation.isolated,
            "confirmed": isolation.confirmed,
            "isolated_probability": _number(isolation.isolated_probability),
            "sentence": isolation.sentence,
            "form": isolation.form,
            "weights": {name: _number(weight) for name, weight in isolation.weights.items()},
            "coupons_used": isolation.coupons_used,
            "coupons_to_isolate": isolation.coupons_to_isolate,
            "confirmation": None
            if confirmation is None
            else {
                "block": confirmation.block,
                "accused": confirmation.accused,
                "accused_failed": confirmation.accused_failed,
                "others": confirmation.others,
                "others_failed": confirmation.others_failed,
                "p_value": _number(confirmation.p_value),
                "confirmed": confirmation.confirmed,
            },
        },
        "next_coupons": [
            {"levels": _plain_levels(coupon.levels), "count": coupon.count} for coupon in isolation.next_coupons
        ],
        "next_coupons_gain_nats": [_number(gain) for gain in isolation.gains_nats],
    }


def _plain_levels(levels: dict[str, Level] | None) -> Document | None:
    return None if levels is None else {name: _plain_level(level) for name, level in levels.items()}


def _factor(factor: FactorEvaluation) -> Document:
    by_block, strength = factor.survival_by_block, factor.strength
    return {
        "factor": factor.factor,
        "kind": factor.kind,
        "missing": factor.missing,
        "n_used": factor.n_used,
        "sentence": factor.sentence,
        "levels": [_level(level) for level in factor.levels],
        "association": _with_holm(_finding(factor.association), factor.association_p_value_holm),
        "unconditional": None if factor.unconditional is None else _finding(factor.unconditional),
        "odds_ratio": _odds_ratio(factor),
        "trend": None
        if factor.trend is None
        else {**_finding(factor.trend, "statistic"), "exact": _optional(factor.trend_exact)},
        "stratified": [_stratified(factor, name, finding) for name, finding in factor.stratified],
        "survival": {
            **_finding(factor.survival, "statistic", "df"),
            "by_block": None if by_block is None else _finding(by_block, "statistic", "df"),
            "relabelled": _optional(factor.survival_relabelled),
        },
        "hazard": _hazard(factor),
        "adjusted": {
            **_finding(factor.adjusted.test, "statistic", "df"),
            "terms": [_term(term) for term in factor.adjusted.terms],
        },
        "strength": None if strength is None else _strength_comparison(factor, strength),
    }


def _optional(finding: Finding | None, *numbers: str) -> Document | None:
    return None if finding is None else _finding(finding, *numbers)


def _strength_comparison(factor: FactorEvaluation, strength: StrengthComparison) -> Document:
    return {
        "kruskal_wallis": {
            **_finding(strength.kruskal_wallis, "statistic", "df"),
            "relabelled": _optional(strength.kruskal_wallis_relabelled),
        },
        "welch": _welch(strength.welch),
        "worst_rank": {
            **_finding(strength.worst_rank, "statistic", "df"),
            "relabelled": _optional(strength.worst_rank_relabelled),
        },
        "trend": _optional(strength.trend, "statistic"),
        "pairs": [
            {
                "levels": [_plain_level(factor.levels[code].level) for code in (pair.first, pair.second)],
                "method": pair.method,
                "difference": pair.difference,
                **_interval(pair.interval),
                "statistic": pair.statistic,
                "df": pair.df,
                "p_value": _number(pair.p_value),
                **({"reason": pair.reason} if pair.reason else {}),
            }
            for pair in strength.pairs
        ],
    }


def _odds_ratio(factor: FactorEvaluation) -> Document | None:
    odds = factor.odds_ratio
    if odds is None:
        return None
    first, second = (_plain_level(level.level) for level in factor.levels)
    parts = {"of": second, "against": first, "ratio": odds.ratio, **_interval(odds.interval), "method": odds.method}
    return parts if odds.reason is None else {**parts, "reason": odds.reason}


def _hazard(factor: FactorEvaluation) -> Document:
    hazard: HazardFinding = factor.hazard
    parts: Document = {
        **_finding(hazard.test, "statistic", "df"),
        "terms": [_term(term, "hazard_ratio") for term in hazard.terms],
        "proportional": _optional(hazard.proportional, "statistic", "df"),
        "with_blocks": hazard.has_blocks,
        "predicted": [
            {
                "level": _plain_level(level),
                "survival": [
                    {"round": number, "survival": share} for number, share in zip(hazard.rounds, shares, strict=True)
                ],
            }
            for level, shares in hazard.predicted
        ],
    }
    return parts


def _with_holm(finding: Document, p_value_holm: float | None) -> Document:
    return {**finding, "p_value_holm": _number(p_value_holm), "family": "confirmatory"}


def _finding(finding: Finding, *numbers: str) -> Document:
    """Method, the numbers asked for, p-value, and how it came about."""
    parts: Document = {"method": finding.method}
    for name in numbers:
        parts[name] = _number(getattr(finding, name))
    parts |= {"p_value": _number(finding.p_value), "exactness": finding.exactness, "n_used": finding.n_used}
    if finding.draws is not None:
        parts |= {"standard_error": _number(finding.standard_error), "draws": finding.draws}
    # Only the exact test of each factor is confirmatory, adjusted over the factors.
    parts["family"] = "exploratory"
    reason = finding.reason
    if finding.p_value == 0:
        reason = "; ".join(filter(None, [reason, "the p-value is below the smallest number a float can hold"]))
    if reason is not None:
        parts["reason"] = reason
    return parts


def _term(term: TermEstimate, name: str = "odds_ratio") -> Document:
    parts = {"term": term.term, name: term.ratio, **_interval(term.interval), "method": term.method}
    return parts if term.reason is None else {**parts, "reason": term.reason}


def _welch(finding: Finding) -> Document:
    parts = _finding(finding, "statistic")
    return {**parts, "df1": _number(finding.df), "df2": _number(finding.denominator_df)}


def _interval(interval: Interval) -> Document:
    return {"low": _number(interval.low), "high": _number(interval.high)}


def _level(level: LevelEvaluation) -> Document:
    difference = level.difference_to_rest
    return {
        "level": _plain_level(level.level),
        "coupons": level.coupons,
        "failed": level.failed,
        "failure_share": level.failure_share,
        "clopper_pearson": _interval(level.clopper_pearson),
        "wilson": _interval(level.wilson),
        "difference_to_rest": None
        if difference is None
        else {
            "difference": difference.difference,
            **_interval(difference.interval),
            "method": difference.method,
            "equivalence": {
                "margin": difference.margin,
                "p_value": difference.equivalence_p_value,
                "method": "two one-sided score tests against the margin (Miettinen-Nurminen variance)",
            },
        },
        "survival": [_survival_step(step) for step in level.survival],
        "restricted_mean_rounds": _restricted_mean(level.restricted_mean),
        "turnbull": None if level.turnbull is None else _turnbull(level.turnbull),
        "strength": None if level.strength is None else _strength(level.strength),
    }


def _restricted_mean(mean: RestrictedMean) -> Document:
    parts = {"rounds": mean.rounds, "up_to_round": int(mean.up_to_round), "standard_error": mean.standard_error}
    parts |= _interval(mean.interval)
    return parts if mean.reason is None else {**parts, "reason": mean.reason}


def _survival_step(step: Any) -> Document:
    row = {
        "round": int(step.round),
        "survival": step.survival,
        "low": step.low,
        "high": step.high,
        "at_risk": step.at_risk,
        "failed": step.failed,
    }
    if step.low is None:
        what = "none has failed yet" if step.survival == 1 else "all have failed"
        row["reason"] = f"{what}, so Greenwood's formula gives no width"
    return row


def _turnbull(estimate: TurnbullEstimate) -> list[Document]:
    return [
        {
            "after_round": int(part.after),
            "up_to_round": None if math.isinf(part.up_to) else int(part.up_to),
            "mass": part.mass,
            **({"reason": "beyond the last look"} if math.isinf(part.up_to) else {}),
        }
        for part in estimate.masses
    ]


def _strength(strength: StrengthSummary) -> Document:
    weibull, ratio = strength.weibull, strength.percent_of_pristine
    parts: Document = {
        "n": strength.n,
        "mean_mpa": strength.mean_mpa,
        "sd_mpa": strength.sd_mpa,
        "median_mpa": strength.median_mpa,
        "weibull_modulus": weibull.modulus,
        "characteristic_strength_mpa": weibull.characteristic_strength,
        "weibull": _weibull(strength),
        "percent_of_pristine": None
        if ratio is None
        else {"ratio": ratio.ratio, **_interval(ratio.interval), "method": ratio.method}
        | ({"reason": ratio.reason} if ratio.reason else {}),
    }
    reasons = [weibull.reason] if weibull.reason else []
    if strength.sd_mpa is None:
        reasons.insert(0, "a single broken coupon has no standard deviation")
    if ratio is None:
        reasons.append("no pristine control was broken")
    if reasons:
        parts["reason"] = "; ".join(reasons)
    return parts


def _weibull(strength: StrengthSummary) -> Document | None:
    """Limits and percentiles of the fit; None without one."""
    fit, limits, factor = strength.weibull, strength.weibull_limits, strength.unbiasing_factor
    if fit.modulus is None:
        return None
    return {
        "method": f"two-parameter maximum likelihood, limits: {limits.method}",
        "modulus": _interval(limits.modulus),
        "characteristic_strength_mpa": _interval(limits.characteristic_strength),
        "unbiasing_factor": factor,
        "unbiased_modulus": None if factor is None else fit.modulus * factor,
        **({"reason": "no unbiasing factor for fewer than 5 coupons"} if factor is None else {}),
        **{
            name: None
            if bound is None
            else {"estimate_mpa": bound.estimate, "lower_bound_mpa": bound.lower_bound, "method": bound.method}
            for name, bound in (("b10", strength.b10), ("b1", strength.b1))
        },
    }


def _stratified(factor: FactorEvaluation, name: str, finding: StratifiedFinding) -> Document:
    odds, homogeneity = finding.odds_ratio, finding.homogeneity
    parts = {"by": name, **_finding(finding.test, "statistic", "df")}
    parts |= {
        "common_odds_ratio": None if odds is None else _number(odds.ratio),
        "homogeneity_p_value": None if homogeneity is None else _number(homogeneity.p_value),
    }
    if odds is None:
        parts.setdefault("reason", "an odds ratio needs exactly two levels")
        return parts
    first, second = (level.level for level in factor.levels)
    parts["odds_ratio"] = {"of": _plain_level(second), "against": _plain_level(first), **_interval(odds.interval)}
    reasons = [parts.get("reason"), odds.reason, None if homogeneity is None else homogeneity.reason]
    if any(reasons):
        parts["reason"] = "; ".join(reason for reason in reasons if reason)
    if homogeneity is not None:
        parts["homogeneity_method"] = homogeneity.method
    return parts


def _plain_level(level: Level) -> Level:
    """The level; a number that JSON has no notation for as text."""
    return str(level) if isinstance(level, float) and not math.isfinite(level) else level


def _verdict(isolation: Isolation, number: int) -> Document:
    verdict = isolation.verdicts[number]
    return {
        "state": verdict.state,
        "level": None if verdict.level is None else _plain_level(verdict.level),
        "probability": _number(verdict.probability),
        "effect_probability": _number(verdict.effect_probability),
        "with": list(verdict.with_factors),
        "reason": verdict.reason,
    }


def _number(value: float | None) -> float | int | None:
    """A plain number; whole degrees of freedom as such."""
    if value is None:
        return None
    return int(value) if isinstance(value, int) else float(value)
