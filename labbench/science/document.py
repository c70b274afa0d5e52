"""An analysed sheet as the JSON document of the `analyze` command: plain dicts, lists, numbers, texts."""

from __future__ import annotations

import math
from typing import Any

from labbench.science.evaluation import Evaluation, FactorEvaluation, Isolation
from labbench.science.findings import Finding
from labbench.science.intervals import Interval
from labbench.science.levels import LevelEvaluation
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


def _isolation(isolation: Isolation | None) -> Document:
    if isolation is None:
        return {"confounded": None, "cause": None, "next_coupons": None, "reason": "isolation is not available"}
    return {
        "confounded": [
            {"factors": list(pair.factors), "kind": pair.kind, "breaking_coupon": pair.breaking_coupon}
            for pair in isolation.confounded
        ],
        "cause": {
            "hypotheses": [{"cause": cause, "probability": _number(p)} for cause, p in isolation.hypotheses],
            "isolated": isolation.isolated,
            "confirmed": isolation.confirmed,
        },
        "next_coupons": [{"levels": dict(coupon.levels), "count": coupon.count} for coupon in isolation.next_coupons],
    }


def _factor(factor: FactorEvaluation) -> Document:
    by_block = factor.survival_by_block
    strength = factor.strength
    return {
        "factor": factor.factor,
        "kind": factor.kind,
        "missing": factor.missing,
        "n_used": factor.n_used,
        "sentence": factor.sentence,
        "levels": [_level(level) for level in factor.levels],
        "association": _with_holm(_finding(factor.association), factor.association_p_value_holm),
        "unconditional": None if factor.unconditional is None else _finding(factor.unconditional),
        "trend": None if factor.trend is None else _finding(factor.trend, "statistic"),
        "stratified": [_stratified(factor, name, finding) for name, finding in factor.stratified],
        "survival": {
            **_finding(factor.survival, "statistic", "df"),
            "by_block": None if by_block is None else _finding(by_block, "statistic", "df"),
        },
        "adjusted": _finding(factor.adjusted, "statistic", "df"),
        "strength": None
        if strength is None
        else {
            "kruskal_wallis": _finding(strength.kruskal_wallis, "statistic", "df"),
            "welch": _welch(strength.welch),
            "worst_rank": _finding(strength.worst_rank, "statistic", "df"),
        },
    }


def _with_holm(finding: Document, p_value_holm: float | None) -> Document:
    return {**finding, "p_value_holm": _number(p_value_holm)}


def _finding(finding: Finding, *numbers: str) -> Document:
    """Method, the numbers asked for, p-value, and how it came about."""
    parts: Document = {"method": finding.method}
    for name in numbers:
        parts[name] = _number(getattr(finding, name))
    parts |= {"p_value": _number(finding.p_value), "exactness": finding.exactness, "n_used": finding.n_used}
    if finding.draws is not None:
        parts |= {"standard_error": _number(finding.standard_error), "draws": finding.draws}
    if finding.reason is not None:
        parts["reason"] = finding.reason
    return parts


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
        else {"difference": difference.difference, **_interval(difference.interval), "method": difference.method},
        "survival": [_survival_step(step) for step in level.survival],
        "turnbull": None if level.turnbull is None else _turnbull(level.turnbull),
        "strength": None if level.strength is None else _strength(level.strength),
    }


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


def _verdict(isolation: Isolation | None, number: int) -> Document | None:
    if isolation is None:
        return None
    verdict = isolation.verdicts[number]
    return {
        "state": verdict.state,
        "level": verdict.level,
        "probability": _number(verdict.probability),
        "with": list(verdict.with_factors),
        "reason": verdict.reason,
    }


def _number(value: float | None) -> float | int | None:
    """A plain number; whole degrees of freedom as such."""
    if value is None:
        return None
    return int(value) if isinstance(value, int) else float(value)
