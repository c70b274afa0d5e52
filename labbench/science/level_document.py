"""One level of a factor in the JSON document."""

from __future__ import annotations

import math
from typing import Any

from labbench.science.against_margin import DEMONSTRATION_METHOD, SHARE_METHOD, Demonstration, MarginComparison
from labbench.science.levels import LevelEvaluation
from labbench.science.plain_values import Document, limits, plain_level
from labbench.science.restricted_mean import RestrictedMean
from labbench.science.strength import StrengthSummary
from labbench.science.turnbull import TurnbullEstimate

RESTRICTED_MEAN_METHOD = "area under the Kaplan-Meier curve, normal limits"


def level_part(level: LevelEvaluation) -> Document:
    difference = level.difference_to_rest
    return {
        "level": plain_level(level.level),
        "coupons": level.coupons,
        "failed": level.failed,
        "failure_share": level.failure_share,
        "clopper_pearson": {**limits(level.clopper_pearson), "method": "Clopper-Pearson", "exactness": "exact"},
        "wilson": {**limits(level.wilson), "method": "Wilson score interval", "exactness": "asymptotic"},
        "difference_to_rest": None
        if difference is None
        else {
            "difference": difference.difference,
            **limits(difference.interval),
            "method": difference.method,
            "equivalence": {
                "margin": difference.margin,
                "p_value": difference.equivalence_p_value,
                "method": SHARE_METHOD,
            },
        },
        "survival": [_survival_step(step) for step in level.survival],
        "restricted_mean_rounds": _restricted_mean(level.restricted_mean),
        "turnbull": None if level.turnbull is None else _turnbull(level.turnbull),
        "strength": None if level.strength is None else _strength(level.strength),
        "against_margin": [_against_margin(comparison) for comparison in level.against_margin],
        "demonstration": _demonstration(level.demonstration),
    }


def _against_margin(found: MarginComparison) -> Document:
    parts: Document = {
        "measure": found.measure,
        "against": found.against,
        "estimate": found.estimate,
        **limits(found.interval),
        "confidence": 1 - 2 * found.alpha,
        "margin": found.margin,
        "equivalence_p_value": found.equivalence_p_value,
        "non_inferiority_p_value": found.non_inferiority_p_value,
        "method": found.method,
        "exactness": "asymptotic",
        "family": "exploratory",
        "coupons": found.n_used,
        "coupons_against": found.n_against,
    }
    return parts if found.reason is None else {**parts, "reason": found.reason}


def _demonstration(shown: Demonstration) -> Document:
    parts: Document = {
        "coupons": shown.coupons,
        "failed": shown.failed,
        "unfinished": shown.unfinished,
        "reliability": shown.reliability,
        "confidence": shown.confidence,
        "wanted_reliability": shown.wanted,
        "coupons_needed": shown.coupons_needed,
        "method": DEMONSTRATION_METHOD,
        "exactness": "exact",
    }
    return parts if shown.reason is None else {**parts, "reason": shown.reason}


def _restricted_mean(mean: RestrictedMean) -> Document:
    parts: Document = {
        "rounds": mean.rounds,
        "up_to_round": int(mean.up_to_round),
        "standard_error": mean.standard_error,
    }
    parts |= {**limits(mean.interval), "method": RESTRICTED_MEAN_METHOD, "exactness": "asymptotic"}
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
        else {"ratio": ratio.ratio, **limits(ratio.interval), "method": ratio.method}
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
    fit, fitted, factor = strength.weibull, strength.weibull_limits, strength.unbiasing_factor
    if fit.modulus is None:
        return None
    return {
        "method": f"two-parameter maximum likelihood, limits: {fitted.method}",
        "modulus": limits(fitted.modulus),
        "characteristic_strength_mpa": limits(fitted.characteristic_strength),
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
