"""An analysed sheet as the JSON document of the `analyze` command: plain dicts, lists, numbers, texts."""

from __future__ import annotations

from typing import Any

from labbench.science.evaluation import Evaluation, FactorEvaluation, StrengthComparison
from labbench.science.findings import Finding
from labbench.science.hazard import HazardFinding
from labbench.science.isolation import Isolation
from labbench.science.level_document import level_part
from labbench.science.plain_values import Document, limits, number, plain_level
from labbench.science.regression import TermEstimate
from labbench.science.sheet import Level
from labbench.science.stratified import StratifiedFinding


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
            {**_with_missing(_factor(factor), evaluation.test), "verdict": _verdict(isolation, position)}
            for position, factor in enumerate(evaluation.factors)
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
            "hypotheses": [{"cause": cause, "probability": number(p)} for cause, p in isolation.hypotheses],
            "isolated": isolation.isolated,
            "confirmed": isolation.confirmed,
            "isolated_probability": number(isolation.isolated_probability),
            "sentence": isolation.sentence,
            "form": isolation.form,
            "weights": {name: number(weight) for name, weight in isolation.weights.items()},
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
                "p_value": number(confirmation.p_value),
                "confirmed": confirmation.confirmed,
            },
        },
        "next_coupons": [
            {"levels": _plain_levels(coupon.levels), "count": coupon.count} for coupon in isolation.next_coupons
        ],
        "next_coupons_gain_nats": [number(gain) for gain in isolation.gains_nats],
    }


def _plain_levels(levels: dict[str, Level] | None) -> Document | None:
    return None if levels is None else {name: plain_level(level) for name, level in levels.items()}


def _factor(factor: FactorEvaluation) -> Document:
    by_block, strength = factor.survival_by_block, factor.strength
    return {
        "factor": factor.factor,
        "kind": factor.kind,
        "missing": factor.missing,
        "n_used": factor.n_used,
        "sentence": factor.sentence,
        "levels": [level_part(level) for level in factor.levels],
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


def _with_missing(part: Any, test: int) -> Any:
    """Beside every number of coupons used, the test coupons that were not."""
    if isinstance(part, dict):
        inner = {key: _with_missing(value, test) for key, value in part.items()}
        return {**inner, "n_missing": test - part["n_used"]} if "n_used" in part else inner
    return [_with_missing(value, test) for value in part] if isinstance(part, list) else part


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
                "levels": [plain_level(factor.levels[code].level) for code in (pair.first, pair.second)],
                "method": pair.method,
                "difference": pair.difference,
                **limits(pair.interval),
                "statistic": pair.statistic,
                "df": pair.df,
                "p_value": number(pair.p_value),
                **({"reason": pair.reason} if pair.reason else {}),
            }
            for pair in strength.pairs
        ],
    }


def _odds_ratio(factor: FactorEvaluation) -> Document | None:
    odds = factor.odds_ratio
    if odds is None:
        return None
    first, second = (plain_level(level.level) for level in factor.levels)
    parts = {"of": second, "against": first, "ratio": odds.ratio, **limits(odds.interval), "method": odds.method}
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
                "level": plain_level(level),
                "survival": [
                    {"round": number, "survival": share} for number, share in zip(hazard.rounds, shares, strict=True)
                ],
            }
            for level, shares in hazard.predicted
        ],
    }
    return parts


def _with_holm(finding: Document, p_value_holm: float | None) -> Document:
    return {**finding, "p_value_holm": number(p_value_holm), "family": "confirmatory"}


def _finding(finding: Finding, *numbers: str) -> Document:
    """Method, the numbers asked for, p-value, and how it came about."""
    parts: Document = {"method": finding.method}
    for name in numbers:
        parts[name] = number(getattr(finding, name))
    parts |= {"p_value": number(finding.p_value), "exactness": finding.exactness, "n_used": finding.n_used}
    if finding.draws is not None:
        parts |= {"standard_error": number(finding.standard_error), "draws": finding.draws}
    # Only the exact test of each factor is confirmatory, adjusted over the factors.
    parts["family"] = "exploratory"
    reason = finding.reason
    if finding.p_value == 0:
        reason = "; ".join(filter(None, [reason, "the p-value is below the smallest number a float can hold"]))
    if reason is not None:
        parts["reason"] = reason
    return parts


def _term(term: TermEstimate, name: str = "odds_ratio") -> Document:
    parts = {"term": term.term, name: term.ratio, **limits(term.interval), "method": term.method}
    return parts if term.reason is None else {**parts, "reason": term.reason}


def _welch(finding: Finding) -> Document:
    parts = _finding(finding, "statistic")
    return {**parts, "df1": number(finding.df), "df2": number(finding.denominator_df)}


def _stratified(factor: FactorEvaluation, name: str, finding: StratifiedFinding) -> Document:
    odds, homogeneity = finding.odds_ratio, finding.homogeneity
    parts = {"by": name, **_finding(finding.test, "statistic", "df")}
    parts |= {
        "common_odds_ratio": None if odds is None else number(odds.ratio),
        "homogeneity_p_value": None if homogeneity is None else number(homogeneity.p_value),
    }
    if odds is None:
        parts.setdefault("reason", "an odds ratio needs exactly two levels")
        return parts
    first, second = (level.level for level in factor.levels)
    parts["odds_ratio"] = {"of": plain_level(second), "against": plain_level(first), **limits(odds.interval)}
    reasons = [parts.get("reason"), odds.reason, None if homogeneity is None else homogeneity.reason]
    if any(reasons):
        parts["reason"] = "; ".join(reason for reason in reasons if reason)
    if homogeneity is not None:
        parts["homogeneity_method"] = homogeneity.method
    return parts


def _verdict(isolation: Isolation, position: int) -> Document:
    verdict = isolation.verdicts[position]
    return {
        "state": verdict.state,
        "level": None if verdict.level is None else plain_level(verdict.level),
        "probability": number(verdict.probability),
        "effect_probability": number(verdict.effect_probability),
        "with": list(verdict.with_factors),
        "reason": verdict.reason,
    }
