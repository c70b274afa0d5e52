"""A name against what was measured of it: the comparisons of an analysis, from its frozen inputs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labbench.analysis.choices import rival_column
from labbench.science.plain_values import Document, number, plain_level
from labbench.science.rival_factors import METHOD, Candidate, RivalComparison, RivalEvidence, compare_rivals
from labbench.science.sheet import CouponSheet, FactorColumn


def rivals_document(sheet: CouponSheet, parameters: Mapping[str, Any]) -> list[Document]:
    """The key `rivals` of the document of an analysis: one entry a pair."""
    columns = {name: rival_column(name, kept) for name, kept in parameters["beside"].items()}
    return [
        rival_part(
            compare_rivals(
                sheet, columns[named], columns[measured], candidates=candidates(columns[named], measured, parameters)
            )
        )
        for named, measured in parameters["rivals"]
    ]


def candidates(named: FactorColumn, measured: str, parameters: Mapping[str, Any]) -> list[Candidate]:
    """The coupons that could part the two: those whose level of the name ran and whose measured value is foreseen."""
    return [
        Candidate(row["levels"][named.name], row[measured], dict(row["levels"]))
        for row in parameters["candidates"]
        if measured in row and named.name in row["levels"]
    ]


def rival_part(found: RivalComparison) -> Document:
    """One comparison as plain values."""
    breaking = found.breaking
    return {
        "factors": list(found.factors),
        "method": METHOD,
        "state": found.state,
        "relation": found.relation,
        "coupons": found.coupons,
        "failed": found.failed,
        "left_out": found.left_out,
        "log_bayes_factor": number(found.log_bayes_factor),
        "log_evidence_none": number(found.log_none),
        "evidence": [evidence_part(one) for one in found.evidence],
        "breaking_coupon": None
        if breaking is None
        else {
            "levels": {name: plain_level(level) for name, level in breaking.levels.items()},
            "measured": number(breaking.second),
            "gain_nats": number(breaking.gain_nats),
            "failing_if_first": number(breaking.failing_if_first),
            "failing_if_second": number(breaking.failing_if_second),
        },
        "sentence": found.sentence,
        "reason": found.reason or None,
    }


def evidence_part(one: RivalEvidence) -> Document:
    test = one.beside_the_other
    return {
        "factor": one.factor,
        "probability": number(one.probability),
        "log_evidence": number(one.log_evidence),
        "cause": one.best,
        "log_likelihood": number(one.log_likelihood),
        "terms": one.terms,
        "aicc": number(one.aicc),
        "beside_the_other": {
            "method": test.method,
            "p_value": number(test.p_value),
            "statistic": number(test.statistic),
            "df": number(test.df),
            "reason": test.reason,
        },
    }
