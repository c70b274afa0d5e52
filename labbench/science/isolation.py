"""Isolate the failing variable: verdict per factor, probability of each cause, the coupons to run next.

Competing explanations are weighed by Bayes' rule (`hypotheses`, `evidence`); the next load is chosen by expected
information (`next_load`). A cause is *isolated* once its probability reaches 0.95, *confirmed* once a further load
analysed alone agrees (`confirmation`). Not in the model: effects of the load, three or more causes at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from labbench.science.candidates import Impossible, candidates, impossible_codes
from labbench.science.clearing_coupons import clearing_coupons
from labbench.science.confirmation import (
    COUPONS_PER_ARM,
    ISOLATED,
    Confirmation,
    cause_of,
    confirmation,
    confirmation_load,
    counted,
)
from labbench.science.confounding import Confounding, confounded_pairs, never_shared_a_load
from labbench.science.coupon_meaning import CouponMeaning, coupon_meanings
from labbench.science.evidence import ModelForm, Posterior, posterior
from labbench.science.hypotheses import NONE, NONE_ANY, ClassWeights, Integers, hypotheses
from labbench.science.load_differences import load_difference
from labbench.science.load_limits import LoadLimits, LoadRoom, load_limits
from labbench.science.next_load import SMALL_GAIN_NATS, Branches, groups, informative_load
from labbench.science.outlook import outlook
from labbench.science.second_cause import second_cause_chances
from labbench.science.sheet import CouponSheet, Level, RunnableLevels
from labbench.science.suspects import Suspects, suspects
from labbench.science.verdicts import (
    Findings,
    Verdict,
    all_cleared,
    coupons_without,
    effect_probabilities,
    listed,
    percent,
    verdict,
)

# Causes less likely than this are not listed.
LISTED = 1e-3
# From this probability on a cause is looked at for having its own loads, and loads for differing beside it.
LIKELY = 0.5


Stop = Literal["confirmed", "nothing found", "not worth more"]


@dataclass(frozen=True, slots=True)
class NextCoupon:
    """A combination to run, on `count` coupons; `meaning` says why and what its outcomes would mean."""

    levels: dict[str, Level]
    count: int
    meaning: CouponMeaning


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
    best_gain_nats : float or None
        Expected information of the one coupon that tells most now; None where none can be run.
    stop : {"confirmed", "nothing found", "not worth more"} or None
        Why to end the study: the cause is confirmed; no listed factor is the cause, as that is confirmed or as every
        factor is cleared; no coupon is expected to tell 0.05 nats. None where it should go on.
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
    best_gain_nats: float | None
    stop: Stop | None
    coupons_to_isolate: int | None


def isolate(
    sheet: CouponSheet,
    *,
    margin: float = 0.15,
    next_count: int = 0,
    runnable: RunnableLevels | None = None,
    weights: ClassWeights | None = None,
    load_order: tuple[str, ...] | None = None,
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
    load_order : tuple of str, optional
        The blocks in the order they ran; by default the order of their names (`block_order`).
    rng : numpy.random.Generator
        For the choice among very many combinations, the confirmation load's other factors and the outlook.
    """
    if not 0 < margin < 1:
        raise ValueError(f"margin {margin} is not between 0 and 1")
    if next_count < 0:
        raise ValueError(f"{next_count} coupons can't be proposed")
    table = suspects(sheet, runnable)
    space = hypotheses(table.factors, weights=weights, coupons=table.coupons)
    found = posterior(space, table.data)
    row, probability = cause_of(found)
    # Without a factor to vary there is nothing to weigh, without a coupon nothing to weigh with.
    is_isolated = probability >= ISOLATED and bool(table.factors) and len(table.data) > 0
    confirming = confirmation(found, table.data, row, load_order=load_order) if is_isolated else None
    is_confirmed = confirming is not None and confirming.confirmed
    limits = load_limits(table.factors, runnable, usual=table.usual)
    impossible = impossible_codes(table.factors, runnable.impossible if runnable else (), usual=table.usual)
    impossible = np.concatenate((impossible, limits.used_up()))
    could_run = candidates(table.factors, table.data.codes, impossible, rng=rng)
    warnings = [*table.warnings]
    if space.levels_left_out:
        warnings.append(
            f"{space.levels_left_out:,} levels with the fewest coupons are not considered as part of a pair of causes: "
            "there are too many combinations."
        )
    picks: Integers = could_run[:0]
    gains: tuple[float, ...] = ()
    if next_count and not is_confirmed:
        picks, gains = _next_load(
            found, row, is_isolated, table, could_run, impossible, limits, next_count, warnings, rng
        )
    proposed = counted(picks)
    best_gain = None
    if len(could_run):
        best_gain = max(float(Branches.start(groups(found, could_run)).gains().max()), 0.0)
    if probability >= LIKELY and never_shared_a_load(found, row, table.data):
        warnings.append(
            f"Coupons with and without {space.text(row)} never shared a load: a bad load would look the same."
        )
    if differing := load_difference(found, row, table.data, is_likely=probability >= LIKELY):
        warnings.append(differing)
    seen_ahead = outlook(found, could_run, rng=rng)
    findings = Findings(
        found,
        row,
        probability if is_isolated else None,
        effect_probabilities(found, margin=margin),
        confounded_pairs(found, table.data, impossible),
        table.coupons,
        coupons_without(found, row, table.data),
        second_cause_chances(found, row, table.data, baseline=table.baseline),
        table.baseline,
        seen_ahead,
        margin,
    )
    causes = listed_causes(found)
    numbers = {suspect.name: number for number, suspect in enumerate(table.factors)}
    verdicts = tuple(
        verdict(findings, numbers[factor.name])
        if factor.name in numbers
        else Verdict(factor.name, "undecided", None, None, None, (), table.set_aside[factor.name])
        for factor in sheet.factors
    )
    return Isolation(
        verdicts=verdicts,
        confounded=findings.confounded,
        hypotheses=causes,
        isolated=space.text(row) if is_isolated else None,
        isolated_probability=probability if is_isolated else None,
        confirmed=is_confirmed,
        confirmation=confirming,
        next_coupons=tuple(
            NextCoupon(_full_levels(sheet, table, codes), count, meaning)
            for (codes, count), meaning in zip(proposed, coupon_meanings(found, proposed), strict=True)
        ),
        gains_nats=gains,
        sentence=_sentence(found, causes, row, probability if is_isolated else None, confirming, len(table.data))
        if is_isolated or not all_cleared(verdicts)
        else _nothing_left(causes, margin),
        warnings=tuple(warnings),
        weights=space.weights,
        form=table.data.form,
        guilt={suspect.name: found.guilt(number) for number, suspect in enumerate(table.factors)},
        coupons_used=len(table.data),
        best_gain_nats=best_gain,
        stop=_stop(space.text(row), is_isolated, is_confirmed, best_gain, verdicts),
        coupons_to_isolate=None if is_isolated else seen_ahead.to_isolate,
    )


def listed_causes(found: Posterior) -> tuple[tuple[str, float], ...]:
    """Causes and their probability, most probable first; both kinds of none together.

    Empty without a factor: that none is the cause would be no finding.
    """
    kinds = found.hypotheses.kinds
    if not found.hypotheses.suspects:
        return ()
    rows = np.flatnonzero((kinds > NONE_ANY) & (found.probability > LISTED))
    none = float(found.probability[kinds <= NONE_ANY].sum())
    causes = [(found.hypotheses.text(int(row)), float(found.probability[row])) for row in rows]
    if none > LISTED:
        causes.append((NONE, min(none, 1.0)))
    return tuple(sorted(causes, key=lambda cause: (-round(cause[1], 12), cause[0])))


def _stop(
    cause: str, is_isolated: bool, is_confirmed: bool, best_gain: float | None, verdicts: tuple[Verdict, ...]
) -> Stop | None:
    if is_confirmed:
        return "nothing found" if cause == NONE else "confirmed"
    if all_cleared(verdicts):
        return "nothing found"
    if not is_isolated and (best_gain is None or best_gain < SMALL_GAIN_NATS):
        return "not worth more"
    return None


def _full_levels(sheet: CouponSheet, table: Suspects, codes: tuple[int, ...]) -> dict[str, Level]:
    """Every factor's level of a proposed coupon, in the order of the sheet."""
    chosen = {factor.name: factor.levels[code] for factor, code in zip(table.factors, codes, strict=True)}
    together = {**table.usual, **chosen}
    return {factor.name: together[factor.name] for factor in sheet.factors if factor.name in together}


def _next_load(
    found: Posterior,
    row: int,
    is_isolated: bool,
    table: Suspects,
    could_run: Integers,
    impossible: Impossible,
    limits: LoadLimits,
    count: int,
    warnings: list[str],
    rng: np.random.Generator,
) -> tuple[Integers, tuple[float, ...]]:
    """Coupons of the next load, shape (coupons, factors), and the expected information of each."""
    if not table.factors:
        return could_run[:0], ()
    if not len(could_run):
        why = "called impossible or used up" if len(limits.used_up()) else "called impossible"
        warnings.append(f"Every combination is {why}: there is no coupon to run next.")
        return could_run, ()
    if is_isolated and found.hypotheses.kinds[row] > NONE_ANY:
        coupons = confirmation_load(
            found, row, table.data.codes, impossible, count=count, limits=limits, baseline=table.baseline, rng=rng
        )
        if 0 < len(coupons) < 2 * COUPONS_PER_ARM:
            few = f"{count} are too few" if count < 2 * COUPONS_PER_ARM else f"stock and changes allow {len(coupons)}"
            warnings.append(f"A load that confirms the cause needs {2 * COUPONS_PER_ARM} coupons; {few}.")
        if len(coupons):
            return filled_load(
                found, row, coupons, table.data.codes, impossible, limits=limits, count=count, rng=rng
            ), ()
        warnings.append("No load can confirm the cause: coupons with and without it can't both be run in one load.")
    of = groups(found, could_run)
    load = informative_load(of, could_run, count, rng=rng, level_coupons=table.coupons, limits=limits)
    if len(load.picks) < count:
        warnings.append(f"The stock is enough for {len(load.picks)} of the {count} coupons only.")
    if not load.picks:
        return could_run[:0], ()
    if load.gains_nats[0] < SMALL_GAIN_NATS and not is_isolated:
        warnings.append(
            "No coupon that can be run is expected to tell much about the cause: more coupons may not be worth it."
        )
    return could_run[np.array(load.picks, dtype=np.int64)], load.gains_nats


def filled_load(
    found: Posterior,
    row: int,
    load: Integers,
    ran: Integers,
    impossible: Impossible,
    *,
    limits: LoadLimits,
    count: int,
    rng: np.random.Generator,
) -> Integers:
    """A confirmation load with its free places given to what other levels still lack to be cleared."""
    room = LoadRoom(limits)
    for coupon in load:
        room.take(coupon)
    together = np.concatenate((ran, load))
    more = clearing_coupons(found, row, together, impossible, count=count - len(load), room=room, rng=rng)
    return np.concatenate((load, more))


def _nothing_left(causes: tuple[tuple[str, float], ...], margin: float) -> str:
    chance = percent(dict(causes).get(NONE, 0.0))
    return (
        f"Every factor that was varied is cleared: none moves the failure share by more than {100 * margin:g} points. "
        f"That none of them matters at all has a probability of {chance}."
    )


def _sentence(
    found: Posterior,
    causes: tuple[tuple[str, float], ...],
    row: int,
    isolated_probability: float | None,
    confirming: Confirmation | None,
    used: int,
) -> str:
    if not used:
        return "No coupon has been through a round yet: nothing is known about the cause."
    if not found.hypotheses.suspects:
        return "No factor was varied: nothing can be said about the cause."
    if isolated_probability is None:
        probability = causes[0][1]
        equal = [cause for cause, other in causes if abs(other - probability) < 1e-9][:3]
        words = listed(["that none of the listed factors matters" if cause == NONE else cause for cause in equal])
        verb, each = ("is", "") if len(equal) == 1 else ("are", " each")
        return f"The cause is not isolated yet; likeliest {verb} {words} ({percent(probability)}{each})."
    cause, chance = found.hypotheses.text(row), percent(isolated_probability)
    if cause == NONE:
        any_rate = float(found.probability[found.hypotheses.kinds == NONE_ANY].sum())
        why = "all combinations fail alike: look for a cause outside this list"
        if any_rate < isolated_probability / 2:
            why = "hardly any coupon fails, whatever its levels"
        return f"None of the listed factors is the cause ({chance}): {why}."
    if confirming is None:
        return f"{cause} is isolated as the cause ({chance}); no load has confirmed it yet."
    counts = (
        f"{confirming.accused_failed} of {confirming.accused} failed with it, "
        f"{confirming.others_failed} of {confirming.others} without, one-sided Fisher p = {confirming.p_value:.3g}"
    )
    word = "isolated and confirmed" if confirming.confirmed else "isolated but not confirmed"
    return f"{cause} is {word} as the cause ({chance}); in {confirming.block} alone {counts}."
