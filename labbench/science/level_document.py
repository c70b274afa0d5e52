"""One level of a factor in the JSON document."""

from __future__ import annotations

import math
from typing import Any

from labbench.science.against_margin import DEMONSTRATION_METHOD, SHARE_METHOD, Demonstration, MarginComparison
from labbench.science.cautions import KAPLAN_MEIER, SMALL_LEVEL
from labbench.science.findings import Finding
from labbench.science.intervals import Interval
from labbench.science.levels import DifferenceToRest, LevelEvaluation
from labbench.science.plain_values import Document, limits, plain_level
from labbench.science.restricted_mean import RestrictedMean
from labbench.science.sentences import between, figure, in_words, percent_between
from labbench.science.strength import StrengthRatio, StrengthSummary
from labbench.science.turnbull import TurnbullEstimate
from labbench.science.weibull_limits import CONDITIONAL

SURVIVAL_METHOD = "Kaplan-Meier, Greenwood variance, log-log limits"
TURNBULL_METHOD = "Turnbull's estimate by a constrained Newton method"
UNBIASED_FROM = "no unbiasing factor for fewer than 5 coupons"
ALIKE = "figures as near to each other as these, were the margin just exceeded,"
RESTRICTED_MEAN_METHOD = "area under the Kaplan-Meier curve, limits on the logit (t quantile)"


def level_part(level: LevelEvaluation, factor: str, *, confidence: float, n_used: int, missing: int) -> Document:
    """Everything about one level of a factor with `n_used` coupons of known level and `missing` of unknown."""
    all_in: Document = {"n_used": level.coupons, "n_missing": 0}
    parts: Document = {
        "level": plain_level(level.level),
        "coupons": level.coupons,
        "failed": level.failed,
        "failure_share": level.failure_share,
        "sentence": _share_sentence(level, factor, confidence),
        "clopper_pearson": {
            **limits(level.clopper_pearson),
            "method": "Clopper-Pearson",
            "exactness": "exact",
            **all_in,
        },
        "wilson": {
            **limits(level.wilson),
            "method": "Wilson score interval",
            "exactness": "asymptotic",
            **all_in,
        },
        "difference_to_rest": _difference(level, factor, n_used, missing, confidence),
        "survival": [_survival_step(step) for step in level.survival],
        "survival_method": {
            "method": SURVIVAL_METHOD,
            "exactness": "asymptotic",
            **all_in,
            **({"reason": KAPLAN_MEIER} if level.coupons < SMALL_LEVEL else {}),
        },
        "restricted_mean_rounds": {**_restricted_mean(level.restricted_mean, confidence), **all_in},
        "turnbull": None if level.turnbull is None else _turnbull(level.turnbull),
        "strength": None if level.strength is None else _strength(level, level.strength, factor, confidence),
        "against_margin": [_against_margin(level, comparison, n_used) for comparison in level.against_margin],
        "demonstration": _demonstration(level.demonstration),
    }
    if level.turnbull is not None:
        parts["turnbull_method"] = {
            "method": TURNBULL_METHOD,
            "exactness": "iterative",
            "converged": level.turnbull.has_converged,
            "log_likelihood": level.turnbull.log_likelihood,
            **all_in,
        }
    why = {
        "difference_to_rest": None if level.difference_to_rest else "there is no other level",
        "turnbull": None if level.turnbull else "no crack-out was found after skipped looks",
        "strength": None if level.strength else "no coupon was broken in a strength test",
    }
    reason = "; ".join(f"{key}: {words}" for key, words in why.items() if words)
    return {**parts, "reason": reason} if reason else parts


def _share_sentence(level: LevelEvaluation, factor: str, confidence: float) -> str:
    low, high = level.clopper_pearson.low or 0.0, level.clopper_pearson.high or 0.0
    return (
        f"{level.failed} of {level.coupons} failed under {factor} {plain_level(level.level)}; with {figure(100 * confidence)} % "
        f"confidence {percent_between(low, high)} of such coupons fail."
    )


def _difference(level: LevelEvaluation, factor: str, n_used: int, missing: int, confidence: float) -> Document | None:
    found = level.difference_to_rest
    if found is None:
        return None
    counted = {"exactness": "asymptotic", "family": "exploratory", "n_used": n_used, "n_missing": missing}
    alike = Finding(SHARE_METHOD, found.equivalence_p_value)
    about = (
        f"Shares under {factor} {plain_level(level.level)} and the others within {figure(100 * found.margin)} points"
    )
    return {
        "difference": found.difference,
        **limits(found.interval),
        "method": found.method,
        **counted,
        "sentence": f"The failure share differs from that of the other levels by {_points(found, confidence)}.",
        "equivalence": {
            "margin": found.margin,
            "p_value": found.equivalence_p_value,
            "method": SHARE_METHOD,
            **counted,
            "sentence": in_words(about, alike, ALIKE),
        },
    }


def _points(found: DifferenceToRest, confidence: float) -> str:
    low, high = found.interval.low or 0.0, found.interval.high or 0.0
    return (
        f"{figure(100 * found.difference)} percentage points "
        f"({figure(100 * confidence)} % limits: {percent_between(low, high)})"
    )


def _against_margin(level: LevelEvaluation, found: MarginComparison, n_factor: int) -> Document:
    among = n_factor if found.against == "other levels" else level.coupons
    entered = found.n_used + (found.n_against if found.against == "other levels" else 0)
    what = f"{found.measure.capitalize()} against {found.against} within the margin of {figure(found.margin)}"
    alike = Finding(found.method, found.equivalence_p_value, reason=found.reason)
    reason = found.reason
    if reason is None and None in (found.estimate, found.interval.low, found.interval.high):
        reason = "the ratio or a limit is beyond what a float can hold"
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
        "n_used": found.n_used + found.n_against,
        "n_missing": among - entered,
        "sentence": in_words(what, alike, ALIKE),
    }
    return parts if reason is None else {**parts, "reason": reason}


def _demonstration(shown: Demonstration) -> Document:
    held, sure = figure(100 * (shown.reliability or 0.0)), figure(100 * shown.confidence)
    words = f"With {sure} % confidence at least {held} % of such coupons hold all planned rounds."
    reasons = [shown.reason]
    if shown.coupons_needed is None:
        reasons.append("no number of coupons that could be tested shows the wanted reliability")
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
        "n_used": shown.coupons,
        "n_missing": shown.unfinished,
        "sentence": words if shown.reason is None else f"Nothing is demonstrated: {shown.reason}.",
    }
    return {**parts, "reason": "; ".join(filter(None, reasons))} if any(reasons) else parts


def _restricted_mean(mean: RestrictedMean, confidence: float) -> Document:
    parts: Document = {
        "rounds": mean.rounds,
        "up_to_round": int(mean.up_to_round),
        "standard_error": mean.standard_error,
    }
    parts |= {**limits(mean.interval), "method": RESTRICTED_MEAN_METHOD, "exactness": "asymptotic"}
    of = f"of the first {mean.up_to_round:g} rounds"
    parts["sentence"] = (
        f"The mean number {of} survived is not known: {mean.reason}."
        if mean.rounds is None
        else f"On average {figure(mean.rounds)} {of} are survived, {between(mean.interval, confidence)}."
    )
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


def _strength(level: LevelEvaluation, strength: StrengthSummary, factor: str, confidence: float) -> Document:
    weibull, ratio = strength.weibull, strength.percent_of_pristine
    parts: Document = {
        "n": strength.n,
        "n_used": strength.n,
        "n_missing": level.coupons - strength.n,
        "censored": strength.censored,
        "mean_mpa": strength.mean_mpa,
        "sd_mpa": strength.sd_mpa,
        "median_mpa": strength.median_mpa,
        "weibull_modulus": weibull.modulus,
        "characteristic_strength_mpa": weibull.characteristic_strength,
        "weibull": _weibull(strength),
        "percent_of_pristine": None if ratio is None else _percent_of_pristine(strength, ratio, level, confidence),
        "sentence": f"{strength.n} of {level.coupons} coupons under {factor} {plain_level(level.level)} were broken: "
        f"{figure(strength.mean_mpa)} MPa on average, half of them below {figure(strength.median_mpa)} MPa.",
    }
    reasons = [weibull.reason] if weibull.reason else []
    if strength.sd_mpa is None:
        reasons.insert(0, "a single broken coupon has no standard deviation")
    if ratio is None:
        reasons.append("no pristine control was broken")
    if strength.censored:
        reasons.append(
            f"{strength.censored} of {strength.n} stresses are lower bounds (fracture away from the repair, or the machine's "
            "limit): censored in the Weibull fit, taken as they stand elsewhere"
        )
    if reasons:
        parts["reason"] = "; ".join(reasons)
    return parts


def _percent_of_pristine(
    strength: StrengthSummary, ratio: StrengthRatio, level: LevelEvaluation, confidence: float
) -> Document:
    scaled = (None if end is None else 100 * end for end in (ratio.interval.low, ratio.interval.high))
    words = (
        f"Not known: {ratio.reason}."
        if ratio.ratio is None
        else f"{figure(100 * ratio.ratio)} % of new glass, {between(Interval(*scaled), confidence, ' %')}."
    )
    return {
        "ratio": ratio.ratio,
        **limits(ratio.interval),
        "method": ratio.method,
        "exactness": "asymptotic",
        "n_used": strength.n,
        "n_missing": level.coupons - strength.n,
        "pristine": ratio.pristine,
        "sentence": words,
        **({"reason": ratio.reason} if ratio.reason else {}),
    }


def _weibull(strength: StrengthSummary) -> Document | None:
    """Limits and percentiles of the fit; None without one."""
    fit, fitted, factor = strength.weibull, strength.weibull_limits, strength.unbiasing_factor
    if fit.modulus is None:
        return None
    ends = (
        fitted.modulus.low,
        fitted.modulus.high,
        fitted.characteristic_strength.low,
        fitted.characteristic_strength.high,
    )
    beyond = "a limit is beyond what a float can hold" if None in ends else ""
    said = {"reason": beyond} if beyond else {}
    why = "no unbiasing factor for censored strengths" if strength.censored else UNBIASED_FROM
    return {
        "method": f"two-parameter maximum likelihood, limits: {fitted.method}",
        "exactness": "exact" if fitted.method == CONDITIONAL else "asymptotic",
        "modulus": {**limits(fitted.modulus), **said},
        "characteristic_strength_mpa": {**limits(fitted.characteristic_strength), **said},
        "unbiasing_factor": factor,
        "unbiased_modulus": None if factor is None else fit.modulus * factor,
        **(
            {"reason": "; ".join(filter(None, [why if factor is None else "", beyond]))}
            if factor is None or beyond
            else {}
        ),
        **{
            name: None
            if bound is None
            else {
                "estimate_mpa": bound.estimate,
                "lower_bound_mpa": bound.lower_bound,
                "method": bound.method,
                "exactness": "exact" if bound.method == CONDITIONAL else "asymptotic",
                "sentence": f"{figure(100 * bound.share_above)} % of such repairs hold more than about "
                f"{figure(bound.estimate)} MPa, at the least {figure(bound.lower_bound)} MPa.",
            }
            for name, bound in (("b10", strength.b10), ("b1", strength.b1))
        },
    }
