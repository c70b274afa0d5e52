"""Isolate the failing variable: verdict per factor, probability of each cause, the coupons to run next.

Competing explanations are weighed by Bayes' rule (`hypotheses`, `evidence`); the next load is chosen by expected
information (`next_load`). A cause is *isolated* once its probability reaches 0.95, *confirmed* once a further load
analysed alone agrees (`confirmation`). Not in the model: effects of the load, three or more causes at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import Impossible, candidates, impossible_codes
from labbench.science.confirmation import (
    COUPONS_PER_ARM,
    ISOLATED,
    Confirmation,
    cause_of,
    confirmation,
    confirmation_load,
    counted,
)
from labbench.science.confounding import Confounding, confounded_pairs
from labbench.science.evidence import ModelForm, Posterior, Runs, has_run, posterior, runs
from labbench.science.hypotheses import NONE, NONE_ANY, ClassWeights, Integers, Suspect, hypotheses
from labbench.science.next_load import SMALL_GAIN_NATS, groups, informative_load
from labbench.science.outlook import outlook
from labbench.science.sheet import CouponSheet, FactorColumn, Level, RunnableLevels
from labbench.science.verdicts import Findings, Verdict, effect_probabilities, percent, verdict

# Causes less likely than this are not listed.
LISTED = 1e-3
# A factor known for fewer test coupons than this share is left out of the comparison.
LEAST_KNOWN = 0.5


@dataclass(frozen=True, slots=True)
class NextCoupon:
    """A combination to run, on `count` coupons."""

    levels: dict[str, Level]
    count: int


@dataclass(frozen=True, slots=True)
class Isolation:
    """What the coupons say about the cause.

    Attributes
    ----------
    verdicts : tuple of Verdict
        In the order of the sheet's factors.
    confounded : tuple of Confounding
    hypotheses : tuple of (str, float)
        Causes with their probability, most probable first; those above 0.001.
    isolated : str or None
        The cause with a probability of at least 0.95.
    isolated_probability : float or None
        Its probability, all its levels together.
    confirmed : bool
    confirmation : Confirmation or None
        The load that could confirm the cause, whether it did or not.
    next_coupons : tuple of NextCoupon
        Empty when isolated and confirmed, when none were asked for, or when none can be made.
    gains_nats : tuple of float
        Expected information of each proposed coupon; empty for a confirmation load.
    sentence : str
        The result in one plain sentence.
    warnings : tuple of str
    weights : dict
        Prior weight of each class of causes that was in play.
    form : {"binary", "rounds"}
        Whether coupons count as failed or held, or by rounds.
    guilt : dict
        Probability per factor of taking part in the cause.
    coupons_used : int
    coupons_to_isolate : int or None
        Further coupons expected until a cause is isolated (simulated median); None where more than can be foreseen.
    """

    verdicts: tuple[Verdict, ...]
    confounded: tuple[Confounding, ...]
    hypotheses: tuple[tuple[str, float], ...]
    isolated: str | None
    isolated_probability: float | None
    confirmed: bool
    confirmation: Confirmation | None
    next_coupons: tuple[NextCoupon, ...]
    gains_nats: tuple[float, ...]
    sentence: str
    warnings: tuple[str, ...]
    weights: dict[str, float]
    form: ModelForm
    guilt: dict[str, float]
    coupons_used: int
    coupons_to_isolate: int | None


def isolate(
    sheet: CouponSheet,
    *,
    margin: float = 0.15,
    next_count: int = 0,
    runnable: RunnableLevels | None = None,
    weights: ClassWeights | None = None,
    rng: np.random.Generator,
) -> Isolation:
    """Weigh the explanations of a sheet's failures and propose the next load.

    Parameters
    ----------
    sheet : CouponSheet
        Test coupons that failed or were seen to hold at least one round enter; those with an unknown level of a factor
        in the comparison are left out of the whole comparison.
    margin : float
        Difference of failure shares that does not matter.
    next_count : int
        Coupons to propose.
    runnable : RunnableLevels, optional
        Levels that exist beyond those that ran, and combinations that can't be made.
    weights : ClassWeights, optional
        Prior weight of each class of causes.
    rng : numpy.random.Generator
        For the choice among very many combinations, the confirmation load's other factors and the outlook.
    """
    if not 0 < margin < 1:
        raise ValueError(f"margin {margin} is not between 0 and 1")
    if next_count < 0:
        raise ValueError(f"{next_count} coupons can't be proposed")
    table = _comparison(sheet, runnable)
    coupons = tuple(
        np.bincount(table.data.codes[:, number], minlength=len(suspect.levels)).astype(np.int64)
        for number, suspect in enumerate(table.suspects)
    )
    space = hypotheses(table.suspects, weights=weights, coupons=coupons)
    found = posterior(space, table.data)
    row, probability = cause_of(found)
    # Without a factor to vary there is nothing to weigh, without a coupon nothing to weigh with.
    is_isolated = probability >= ISOLATED and bool(table.suspects) and len(table.data) > 0
    confirming = confirmation(found, table.data, row) if is_isolated else None
    is_confirmed = confirming is not None and confirming.confirmed
    impossible = impossible_codes(table.suspects, runnable.impossible if runnable else ())
    could_run = candidates(table.suspects, table.data.codes, impossible, rng=rng)
    warnings = [*table.warnings]
    if space.levels_left_out:
        warnings.append(
            f"{space.levels_left_out} levels with the fewest coupons are not considered as part of a pair of causes: "
            "there are too many combinations."
        )
    picks, gains = np.empty((0, len(table.suspects)), dtype=np.int64), ()
    if next_count and not is_confirmed:
        picks, gains = _next_load(
            found, row, table.data, could_run, impossible, coupons, next_count, is_isolated, warnings, rng
        )
    seen_ahead = outlook(found, could_run, rng=rng)
    findings = Findings(
        found,
        row,
        probability if is_isolated else None,
        effect_probabilities(found, margin=margin),
        confounded_pairs(found, table.data, impossible),
        coupons,
        seen_ahead,
        margin,
    )
    numbers = {suspect.name: number for number, suspect in enumerate(table.suspects)}
    verdicts = tuple(
        verdict(findings, numbers[factor.name])
        if factor.name in numbers
        else Verdict(factor.name, "undecided", None, 0.0, 0.0, (), table.set_aside[factor.name])
        for factor in sheet.factors
    )
    return Isolation(
        verdicts=verdicts,
        confounded=findings.confounded,
        hypotheses=listed_causes(found),
        isolated=space.text(row) if is_isolated else None,
        isolated_probability=probability if is_isolated else None,
        confirmed=is_confirmed,
        confirmation=confirming,
        next_coupons=tuple(
            NextCoupon(
                {suspect.name: suspect.levels[level] for suspect, level in zip(table.suspects, levels, strict=True)},
                count,
            )
            for levels, count in counted(picks)
        ),
        gains_nats=gains,
        sentence=_sentence(found, row, probability, is_isolated, confirming, len(table.data)),
        warnings=tuple(warnings),
        weights=space.weights,
        form=table.data.form,
        guilt={suspect.name: found.guilt(number) for number, suspect in enumerate(table.suspects)},
        coupons_used=len(table.data),
        coupons_to_isolate=None if is_isolated else seen_ahead.to_isolate,
    )


def listed_causes(found: Posterior) -> tuple[tuple[str, float], ...]:
    """Causes and their probability, most probable first; both kinds of none together."""
    kinds = found.hypotheses.kinds
    rows = np.flatnonzero((kinds > NONE_ANY) & (found.probability > LISTED))
    none = float(found.probability[kinds <= NONE_ANY].sum())
    causes = [(found.hypotheses.text(int(row)), float(found.probability[row])) for row in rows]
    if none > LISTED:
        causes.append((NONE, min(none, 1.0)))
    return tuple(sorted(causes, key=lambda cause: (-round(cause[1], 12), cause[0])))


@dataclass(frozen=True, slots=True)
class _Comparison:
    """Factors and coupons that enter, and why others don't."""

    suspects: tuple[Suspect, ...]
    data: Runs
    set_aside: dict[str, str]
    warnings: tuple[str, ...]


def _comparison(sheet: CouponSheet, runnable: RunnableLevels | None) -> _Comparison:
    ran = has_run(sheet)
    suspects, columns, set_aside, warnings = [], [], {}, []
    for factor in sheet.factors:
        levels, codes = _levels_in_play(sheet, factor, runnable)
        known = int((ran & (codes >= 0)).sum())
        if len(levels) < 2:
            set_aside[factor.name] = (
                "No level of it is known."
                if not levels
                else "It has one level only: whether it matters can't be seen from these coupons."
            )
        elif known < LEAST_KNOWN * ran.sum():
            set_aside[factor.name] = f"Its level is known for only {known} of {int(ran.sum())} coupons."
            warnings.append(
                f"{factor.name} is left out of the search for the cause: its level is known for only {known} of "
                f"{int(ran.sum())} coupons."
            )
        else:
            suspects.append(Suspect(factor.name, factor.kind, levels))
            columns.append(codes)
    codes = np.column_stack(columns) if columns else np.empty((len(ran), 0), dtype=np.int64)
    complete = (codes >= 0).all(axis=1)
    if missing := int((ran & ~complete).sum()):
        warnings.append(f"{missing} coupons with an unknown level are left out of the search for the cause.")
    if waiting := int((sheet.is_test & ~ran).sum()):
        warnings.append(f"{waiting} test coupons have not been through a round and say nothing about the cause yet.")
    if not suspects:
        warnings.append("No factor has two levels, so no cause can be isolated.")
    return _Comparison(tuple(suspects), runs(sheet, codes, ran & complete), set_aside, tuple(warnings))


def _levels_in_play(
    sheet: CouponSheet, factor: FactorColumn, runnable: RunnableLevels | None
) -> tuple[tuple[Level, ...], NDArray[np.int64]]:
    """Levels of test coupons and reference repairs, and those that could be run; codes per coupon for them.

    A level that only new glass or an unrepaired break has is no level of a repair.
    """
    repaired = (sheet.roles == "test") | (sheet.roles == "reference")
    seen = {factor.levels[code] for code in np.unique(factor.codes[repaired & (factor.codes >= 0)])}
    controls_only = set(factor.levels) - seen
    stated = runnable.levels.get(factor.name, ()) if runnable else ()
    order = list(dict.fromkeys((*(stated or ()), *factor.levels)))
    if factor.kind == "numeric":
        order.sort()
    levels = tuple(level for level in order if level not in controls_only)
    new = np.array([levels.index(level) if level in seen else -1 for level in factor.levels] + [-1], dtype=np.int64)
    return levels, new[factor.codes]


def _next_load(
    found: Posterior,
    row: int,
    data: Runs,
    could_run: Integers,
    impossible: Impossible,
    coupons: tuple[Integers, ...],
    count: int,
    is_isolated: bool,
    warnings: list[str],
    rng: np.random.Generator,
) -> tuple[Integers, tuple[float, ...]]:
    """Coupons of the next load, shape (coupons, factors), and the expected information of each."""
    if not found.hypotheses.suspects:
        return could_run[:0], ()
    if not len(could_run):
        warnings.append("Every combination is called impossible: there is no coupon to run next.")
        return could_run, ()
    if is_isolated and found.hypotheses.kinds[row] > NONE_ANY:
        load = confirmation_load(found, row, data.codes, impossible, count=count, rng=rng)
        if len(load):
            if len(load) < 2 * COUPONS_PER_ARM:
                warnings.append(
                    f"A load that confirms the cause needs {2 * COUPONS_PER_ARM} coupons; {count} are too few."
                )
            return load, ()
        warnings.append("The cause can't be confirmed: coupons with and without it can't both be made.")
    of = groups(found, could_run)
    load = informative_load(of, could_run, count, rng=rng, level_coupons=coupons)
    if load.gains_nats[0] < SMALL_GAIN_NATS and not is_isolated:
        warnings.append(
            "No coupon that can be run is expected to tell much: less than "
            f"{SMALL_GAIN_NATS} nats of information each. More coupons may not be worth it."
        )
    return could_run[np.array(load.picks, dtype=np.int64)], load.gains_nats


def _sentence(
    found: Posterior, row: int, probability: float, is_isolated: bool, confirming: Confirmation | None, used: int
) -> str:
    if not used:
        return "No coupon has been through a round yet: nothing is known about the cause."
    if not found.hypotheses.suspects:
        return "No factor was varied: nothing can be said about the cause."
    cause, chance = found.hypotheses.text(row), percent(probability)
    if not is_isolated:
        return f"The cause is not isolated yet; likeliest is {cause} ({chance})."
    if cause == NONE:
        kinds = found.hypotheses.kinds
        any_rate = float(found.probability[kinds == NONE_ANY].sum())
        why = "hardly any coupon fails" if any_rate < probability / 2 else "all combinations fail alike"
        more = "" if any_rate < probability / 2 else ": look for a cause outside this list"
        return f"None of the listed factors is the cause ({chance}): {why}{more}."
    if confirming is None:
        return f"{cause} is isolated as the cause ({chance}); a load that confirms it has not been run."
    counts = (
        f"{confirming.accused_failed} of {confirming.accused} failed with it, "
        f"{confirming.others_failed} of {confirming.others} without, one-sided Fisher p = {confirming.p_value:.3g}"
    )
    word = "isolated and confirmed" if confirming.confirmed else "isolated but not confirmed"
    return f"{cause} is {word} as the cause ({chance}); in {confirming.block} alone {counts}."
