"""An analysed sheet as the JSON document of the `analyze` command: plain dicts, lists, numbers, texts."""

from __future__ import annotations

from labbench.science.coupon_meaning import CouponMeaning
from labbench.science.evaluation import Evaluation
from labbench.science.factor_document import factor_part
from labbench.science.isolation import Isolation
from labbench.science.outlook import MOST_COUPONS
from labbench.science.plain_values import Document, number, plain_level
from labbench.science.sheet import Level
from labbench.science.trail import TrailStep


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
        "parameters": {
            "confidence": evaluation.confidence,
            "margin": evaluation.margin,
            "strength_margin": evaluation.strength_margin,
            "seed": evaluation.seed,
        },
        "factors": [
            {
                **factor_part(factor, confidence=evaluation.confidence, test=evaluation.test),
                "verdict": _verdict(isolation, position),
            }
            for position, factor in enumerate(evaluation.factors)
        ],
        **_isolation(isolation),
        "trail": [_trail_step(step) for step in evaluation.trail],
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
            "stop": isolation.stop,
            "best_gain_nats": number(isolation.best_gain_nats),
            **_unknown_outlook(isolation),
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
            {"levels": _plain_levels(coupon.levels), "count": coupon.count, **_meaning(coupon.meaning)}
            for coupon in isolation.next_coupons
        ],
        "next_coupons_gain_nats": [number(gain) for gain in isolation.gains_nats],
    }


def _unknown_outlook(isolation: Isolation) -> Document:
    """Why it can't be said how many coupons more it takes; nothing where it can."""
    reasons = []
    if isolation.best_gain_nats is None:
        reasons.append("best_gain_nats: there is no coupon that can be run")
    elif isolation.coupons_to_isolate is None and isolation.isolated is None:
        reasons.append(f"coupons_to_isolate: more than {MOST_COUPONS} further coupons are expected to be needed")
    return {"outlook_reason": "; ".join(reasons)} if reasons else {}


def _meaning(meaning: CouponMeaning) -> Document:
    """Why a coupon is proposed, and the likeliest cause after either outcome."""
    return {
        "why": meaning.why,
        "expected_failing": number(meaning.expected_failing),
        "if_all_fail": {"cause": meaning.if_all_fail[0], "probability": number(meaning.if_all_fail[1])},
        "if_all_hold": {"cause": meaning.if_all_hold[0], "probability": number(meaning.if_all_hold[1])},
    }


def _trail_step(step: TrailStep) -> Document:
    return {
        "block": step.block,
        "coupons": step.coupons,
        "failed": step.failed,
        "coupons_so_far": step.coupons_so_far,
        "hypotheses": [{"cause": cause, "probability": number(p)} for cause, p in step.hypotheses],
        "guilt": {factor: number(p) for factor, p in step.guilt.items()},
        "isolated": step.isolated,
        "confirms": step.confirms,
    }


def _plain_levels(levels: dict[str, Level] | None) -> Document | None:
    return None if levels is None else {name: plain_level(level) for name, level in levels.items()}


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
