"""One factor in the JSON document: every test with its method, coupons, kind of p-value and a plain sentence."""

from __future__ import annotations

from typing import Any

from labbench.science import cautions
from labbench.science.evaluation import FactorEvaluation, StrengthComparison
from labbench.science.findings import Finding
from labbench.science.hazard import HazardFinding
from labbench.science.level_document import level_part
from labbench.science.pairwise import PairComparison
from labbench.science.plain_values import Document, limits, number, plain_level
from labbench.science.regression import TermEstimate
from labbench.science.sentences import TREND, between, figure, in_words
from labbench.science.stratified import StratifiedFinding

CHANGE = "a change this large"


def factor_part(factor: FactorEvaluation, *, confidence: float, test: int) -> Document:
    """Everything about a factor but its verdict; `test` is the number of test coupons of the sheet."""
    name, by_block, strength = factor.factor, factor.survival_by_block, factor.strength
    parts = {
        "factor": name,
        "kind": factor.kind,
        "missing": factor.missing,
        "n_used": factor.n_used,
        "sentence": factor.sentence,
        "levels": [
            level_part(level, name, confidence=confidence, n_used=factor.n_used, missing=factor.missing)
            for level in factor.levels
        ],
        "association": {
            **finding_part(factor.association, sentence=factor.sentence),
            "p_value_holm": number(factor.association_p_value_holm),
            "family": "confirmatory",
        },
        "unconditional": None
        if factor.unconditional is None
        else finding_part(factor.unconditional, about=f"Failing by {name}, the number of failures left open"),
        "odds_ratio": _odds_ratio(factor, confidence),
        "trend": _trend(factor),
        "stratified": [_stratified(factor, other, finding, confidence) for other, finding in factor.stratified],
        "survival": {
            **finding_part(factor.survival, "statistic", "df", about=f"Rounds survived by {name}"),
            "by_block": None
            if by_block is None
            else finding_part(by_block, "statistic", "df", about=f"Rounds survived by {name} within the same block"),
            **_if_any("relabelled", factor.survival_relabelled, f"Rounds survived by {name}, coupons relabelled"),
        },
        "hazard": _hazard(factor),
        "adjusted": {
            **finding_part(
                factor.adjusted.test,
                "statistic",
                "df",
                about=f"Failing by {name}, all other factors taken into account",
            ),
            "terms": [_term(term) for term in factor.adjusted.terms],
        },
        "strength": None if strength is None else _strength_comparison(factor, strength),
    }
    why = {
        "unconditional and odds_ratio": None if len(factor.levels) == 2 else "there are not exactly two levels",
        "trend": None if factor.kind == "numeric" else "the levels are not numbers",
        "survival by_block": None if by_block else "no block is known",
        "strength": None if strength else "no coupon was broken in a strength test",
    }
    parts["reason"] = "; ".join(f"{key}: {words}" for key, words in why.items() if words) or None
    if parts["reason"] is None:
        del parts["reason"]
    found: Document = _with_missing(parts, test)
    return found


def finding_part(
    finding: Finding, *numbers: str, about: str = "", thing: str = "", sentence: str = "", caution: str = ""
) -> Document:
    """Method, the numbers asked for, p-value, how it came about, and in words what it says `about` its subject."""
    parts: Document = {"method": finding.method}
    for name in numbers:
        parts[name] = number(getattr(finding, name))
    parts |= {"p_value": number(finding.p_value), "exactness": finding.exactness, "n_used": finding.n_used}
    if finding.draws is not None:
        parts |= {"standard_error": number(finding.standard_error), "draws": finding.draws}
    # Only the exact test of each factor is confirmatory, adjusted over the factors.
    parts["family"] = "exploratory"
    parts["sentence"] = sentence or (in_words(about, finding, thing) if thing else in_words(about, finding))
    reason = finding.reason
    if finding.p_value == 0:
        reason = "; ".join(filter(None, [reason, "the p-value is below the smallest number a float can hold"]))
    if caution and finding.p_value is not None:
        reason = "; ".join(filter(None, [reason, caution]))
    if reason is not None:
        parts["reason"] = reason
    return parts


def caution_for(factor: FactorEvaluation, words: str) -> str:
    """The words where a level of the factor is small, else none."""
    return words if factor.levels and min(level.coupons for level in factor.levels) < cautions.SMALL_LEVEL else ""


def _with_missing(part: Any, test: int) -> Any:
    """Beside every number of coupons used, the test coupons that were not."""
    if isinstance(part, dict):
        inner = {key: _with_missing(value, test) for key, value in part.items()}
        return {"n_missing": test - part["n_used"], **inner} if "n_used" in part else inner
    return [_with_missing(value, test) for value in part] if isinstance(part, list) else part


def _if_any(key: str, finding: Finding | None, about: str, *numbers: str, thing: str = "") -> Document:
    """The finding under its key; nothing where it was not asked for."""
    return {} if finding is None else {key: finding_part(finding, *numbers, about=about, thing=thing)}


def _trend(factor: FactorEvaluation) -> Document | None:
    if factor.trend is None:
        return None
    way = "rise" if (factor.trend.statistic or 0) >= 0 else "fall"
    about = (
        f"Failures {way} with {factor.factor}" if factor.trend.p_value is not None else f"Trend with {factor.factor}"
    )
    return {
        **finding_part(
            factor.trend, "statistic", about=about, thing=TREND, caution=caution_for(factor, cautions.TREND)
        ),
        **_if_any("exact", factor.trend_exact, about, thing=TREND),
    }


def _strength_comparison(factor: FactorEvaluation, strength: StrengthComparison) -> Document:
    name = factor.factor
    by, weakest = f"Strength by {name}", f"Strength by {name}, cracked-out coupons counted as the weakest"
    rising = f"Strength {'rises' if strength.trend and (strength.trend.statistic or 0) >= 0 else 'falls'} with {name}"
    parts = {
        "kruskal_wallis": {
            **finding_part(
                strength.kruskal_wallis,
                "statistic",
                "df",
                about=by,
                caution=cautions.KRUSKAL_WALLIS if strength.kruskal_wallis_relabelled else "",
            ),
            **_if_any("relabelled", strength.kruskal_wallis_relabelled, f"{by}, coupons relabelled"),
        },
        "welch": _welch(strength.welch, f"Mean strength by {name}"),
        "worst_rank": {
            **finding_part(
                strength.worst_rank,
                "statistic",
                "df",
                about=weakest,
                caution=cautions.WORST_RANK if strength.worst_rank_relabelled else "",
            ),
            **_if_any("relabelled", strength.worst_rank_relabelled, f"{weakest}, coupons relabelled"),
        },
        **_if_any("trend", strength.trend, rising, "statistic", thing=TREND),
        **_censored(strength, f"{by}, stresses that are lower bounds allowed for"),
        "pairs": [_pair(factor, pair) for pair in strength.pairs],
    }
    return parts


def _censored(strength: StrengthComparison, about: str) -> Document:
    """The log-rank test of strength under its key; nothing where no stress is a lower bound."""
    if strength.censored is None:
        return {}
    small = strength.censored_relabelled is not None
    tested = finding_part(
        strength.censored, "statistic", "df", about=about, caution=cautions.STRENGTH_LOG_RANK if small else ""
    )
    return {
        "log_rank": {**tested, **_if_any("relabelled", strength.censored_relabelled, f"{about}, coupons relabelled")}
    }


def _pair(factor: FactorEvaluation, pair: PairComparison) -> Document:
    levels = [plain_level(factor.levels[code].level) for code in (pair.first, pair.second)]
    sizes = [level.strength.n if (level := factor.levels[code]).strength else 0 for code in (pair.first, pair.second)]
    compared = Finding(pair.method, pair.p_value, n_used=sum(sizes), reason=pair.reason)
    parts = {
        "levels": levels,
        "difference": pair.difference,
        **limits(pair.interval),
        "df": pair.df,
        **finding_part(compared, about=f"Strength under {levels[1]} against {levels[0]}, all pairs allowed for"),
        "statistic": pair.statistic,
    }
    if pair.interval.low is None or pair.df is None:
        parts.setdefault(
            "reason", "mean ranks are compared by a normal approximation: no degrees of freedom, no limits"
        )
    return parts


def _odds_ratio(factor: FactorEvaluation, confidence: float) -> Document | None:
    odds = factor.odds_ratio
    if odds is None:
        return None
    first, second = (plain_level(level.level) for level in factor.levels)
    reasons = [odds.reason]
    if odds.reason is None and odds.interval.high is None:
        reasons.append("there is no upper limit")
    words = f"The odds of failing under {factor.factor} {second} over those under {first}"
    size = f" are {figure(odds.ratio)}," if odds.ratio is not None else ":"
    return {
        "of": second,
        "against": first,
        "ratio": odds.ratio,
        **limits(odds.interval),
        "method": odds.method,
        "exactness": "exact",
        "family": "exploratory",
        "n_used": factor.n_used,
        "sentence": f"{words}{size} {between(odds.interval, confidence)}.",
        **({"reason": "; ".join(filter(None, reasons))} if any(reasons) else {}),
    }


def _hazard(factor: FactorEvaluation) -> Document:
    hazard: HazardFinding = factor.hazard
    name = factor.factor
    about = f"Chance to crack out per round by {name}, all other factors taken into account"
    return {
        **finding_part(hazard.test, "statistic", "df", about=about, caution=caution_for(factor, cautions.HAZARD)),
        "terms": [_term(term, "hazard_ratio") for term in hazard.terms],
        **_if_any(
            "proportional",
            hazard.proportional,
            f"Effect of {name} from round to round",
            "statistic",
            "df",
            thing=CHANGE,
        ),
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


def _term(term: TermEstimate, name: str = "odds_ratio") -> Document:
    parts = {"term": term.term, name: term.ratio, **limits(term.interval), "method": term.method}
    parts["exactness"] = "asymptotic"
    reason = term.reason
    if reason is None and None in (term.ratio, term.interval.low, term.interval.high):
        reason = "the ratio or a limit is beyond what a float can hold"
    return parts if reason is None else {**parts, "reason": reason}


def _welch(finding: Finding, about: str) -> Document:
    parts = finding_part(finding, "statistic", about=about)
    return {**parts, "df1": number(finding.df), "df2": number(finding.denominator_df)}


def _stratified(factor: FactorEvaluation, name: str, finding: StratifiedFinding, confidence: float) -> Document:
    odds, homogeneity = finding.odds_ratio, finding.homogeneity
    about = f"Failing by {factor.factor} among coupons of the same {name}"
    parts = {"by": name, **finding_part(finding.test, "statistic", "df", about=about)}
    parts |= {
        "common_odds_ratio": None if odds is None else number(odds.ratio),
        "homogeneity_p_value": None if homogeneity is None else number(homogeneity.p_value),
    }
    reasons = [parts.get("reason")]
    if odds is None:
        # A test that could not be done says enough.
        reasons = reasons if reasons[0] else ["an odds ratio needs exactly two levels"]
    else:
        first, second = (level.level for level in factor.levels)
        parts["odds_ratio"] = {
            "of": plain_level(second),
            "against": plain_level(first),
            **limits(odds.interval),
            "method": "Mantel-Haenszel, limits by Robins, Breslow and Greenland",
            "exactness": "asymptotic",
            "sentence": f"Common odds ratio of {second} against {first}: {between(odds.interval, confidence)}.",
            **({"reason": odds.reason} if odds.reason else {}),
        }
        reasons += [odds.reason, None if homogeneity is None else homogeneity.reason]
        if homogeneity is not None and homogeneity.p_value is not None:
            reasons.append(caution_for(factor, cautions.STRATIFIED))
    if homogeneity is not None:
        parts["homogeneity_method"] = homogeneity.method
    if any(reasons):
        parts["reason"] = "; ".join(dict.fromkeys(filter(None, reasons)))
    return parts
