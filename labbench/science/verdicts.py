"""The verdict on a factor: implicated, cleared, confounded or undecided, with the reason in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labbench.science.beta_differences import chance_above, chance_of_spread
from labbench.science.confirmation import COUPONS_PER_ARM, ISOLATED
from labbench.science.confounding import Confounding
from labbench.science.evidence import ANY, Posterior, Runs, has_two_sides
from labbench.science.hypotheses import SHAPE_FREE, Integers, level_text
from labbench.science.next_load import COUPONS_PER_LEVEL
from labbench.science.outlook import Outlook
from labbench.science.sheet import Level

State = Literal["implicated", "cleared", "confounded", "undecided"]
# Largest probability of an effect above the margin, and of taking part in the cause, that lets a factor go.
LEAST_DOUBT = 0.05
# Coupons per level that must lack the likeliest cause; of the level that the failed repair had, where it is named, as many
# as the other arm of a confirmation load brings: a second cause of that failure is one of its levels. Choices, tried by
# simulation.
COUPONS_WITHOUT_CAUSE = 2
BASELINE_WITHOUT_CAUSE = COUPONS_PER_ARM
# A shape-free hypothesis of a factor with more levels counts as an effect above the margin without the integral.
MOST_LEVELS_FOR_SPREAD = 60


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one factor.

    Attributes
    ----------
    factor : str
    state : {"implicated", "cleared", "confounded", "undecided"}
    level : str or float or None
        The accused level where implicated (the end nearest to the safe levels where it is a range).
    probability : float or None
        That the factor takes part in the cause (its guilt), if the causes considered are all there are. None where the
        factor does not enter the comparison.
    effect_probability : float or None
        That it moves the failure share by more than the margin; at most `probability`.
    with_factors : tuple of str
        Factors it can't be told apart from, where confounded.
    reason : str
        One or two plain sentences.
    """

    factor: str
    state: State
    level: Level | None
    probability: float | None
    effect_probability: float | None
    with_factors: tuple[str, ...]
    reason: str


def effect_probabilities(found: Posterior, *, margin: float) -> tuple[float, ...]:
    """P(|effect| > margin | data) per factor, summed over the hypotheses that use it.

    The effect under a hypothesis is the difference of the failure probabilities of its two groups; of a shape-free one
    the largest difference between two levels. Given a hypothesis the exposed group fails more, so the probability is
    conditional on that.
    """
    hypotheses = found.hypotheses
    a, b = found.betas()
    rounds = found.rounds if found.form == "rounds" else 1
    # What is left out can't add up to more than 1e-7 of each factor.
    rows = np.flatnonzero(has_two_sides(hypotheses) & (found.probability > 1e-7 / max(len(hypotheses), 1)))
    sides = a[rows, 0], b[rows, 0], a[rows, 1], b[rows, 1]
    above = chance_above(*sides, margin=margin, rounds=rounds) / np.maximum(chance_above(*sides), 1e-300)
    effect = np.zeros(len(hypotheses))
    effect[rows] = np.minimum(above, 1.0)
    prior_a, prior_b = ANY[found.form]
    for row in np.flatnonzero(hypotheses.kinds == SHAPE_FREE):
        counts = found.levels[int(hypotheses.first[row])]
        effect[row] = 1.0
        if len(counts.failures) <= MOST_LEVELS_FOR_SPREAD:
            effect[row] = chance_of_spread(
                prior_a + counts.failures, prior_b + counts.survivals, margin=margin, rounds=rounds
            )
    return tuple(
        min(float((found.probability * effect)[hypotheses.uses(factor)].sum()), 1.0)
        for factor in range(len(hypotheses.suspects))
    )


@dataclass(frozen=True, slots=True)
class Findings:
    """What the verdicts rest on.

    Attributes
    ----------
    posterior : Posterior
    row : int
        Likeliest hypothesis of the likeliest cause.
    isolated_probability : float or None
        Probability of that cause if it is isolated.
    effects : tuple of float
    confounded : tuple of Confounding
    coupons, without_cause : tuple of ndarray of int
        Coupons that ran per level of each factor: all, and those without the accused levels of `row`.
    second_cause : tuple of float
        Per factor, at even odds: that one of its levels is a cause beside the likeliest one.
    baseline : ndarray of int, shape (factors,)
        Level of the repair that failed; -1 where none is named.
    outlook : Outlook
    margin : float
    """

    posterior: Posterior
    row: int
    isolated_probability: float | None
    effects: tuple[float, ...]
    confounded: tuple[Confounding, ...]
    coupons: tuple[Integers, ...]
    without_cause: tuple[Integers, ...]
    second_cause: tuple[float, ...]
    baseline: Integers
    outlook: Outlook
    margin: float

    def needed_without(self, factor: int) -> Integers:
        """Coupons that each level of a factor needs without the likeliest cause."""
        needed = np.full(len(self.coupons[factor]), COUPONS_WITHOUT_CAUSE)
        if self.baseline[factor] >= 0:
            needed[self.baseline[factor]] = BASELINE_WITHOUT_CAUSE
        return needed


def verdict(findings: Findings, factor: int) -> Verdict:
    """The verdict on factor number `factor`, by the rules in this order.

    implicated: part of the isolated cause; cleared: P(|effect| > margin) <= 0.05, each level has at least 3 coupons, at
    least 2 of them without the likeliest cause (where that is present a second cause does not show; 4 of the level that the
    failed repair had), these leave a second cause no more than 0.05 at even odds (`second_cause`), and no factor with guilt
    above 0.05 is aliased with it;
    confounded: aliased, and both have guilt above 0.05; undecided: else.
    """
    found = findings.posterior
    name = found.hypotheses.suspects[factor].name
    guilt, effect = found.guilt(factor), findings.effects[factor]
    effect = min(effect, guilt)
    partners = _aliased(findings, factor)
    if findings.isolated_probability is not None and bool(found.hypotheses.uses(factor)[findings.row]):
        level = accused_level(found, findings.row, factor)
        return Verdict(name, "implicated", level, guilt, effect, (), _implicated(findings, factor))
    scarce = np.flatnonzero(
        (findings.coupons[factor] < COUPONS_PER_LEVEL)
        | (findings.without_cause[factor] < findings.needed_without(factor))
    )
    could_be_second = findings.second_cause[factor] > LEAST_DOUBT
    if effect <= LEAST_DOUBT and not len(scarce) and not could_be_second and not partners:
        return Verdict(name, "cleared", None, guilt, effect, (), _cleared(findings, factor))
    if partners and guilt > LEAST_DOUBT:
        return Verdict(name, "confounded", None, guilt, effect, partners, _confounded(findings, name, partners))
    return Verdict(name, "undecided", None, guilt, effect, (), _undecided(findings, factor, effect, scarce, partners))


def all_cleared(verdicts: Sequence[Verdict]) -> bool:
    """Whether nothing is left to find: no factor that was varied makes a difference above the margin."""
    entered = [verdict for verdict in verdicts if verdict.probability is not None]
    return bool(entered) and all(verdict.state == "cleared" for verdict in entered)


def coupons_without(found: Posterior, row: int, data: Runs) -> tuple[Integers, ...]:
    """Coupons per level of each factor that don't have the accused levels; all where nothing or no level is accused."""
    exposed = found.hypotheses.exposed(np.array([row]), data.codes)[0]
    return tuple(
        np.bincount(data.codes[~exposed, factor], minlength=len(suspect.levels)).astype(np.int64)
        for factor, suspect in enumerate(found.hypotheses.suspects)
    )


def accused_level(found: Posterior, row: int, factor: int) -> Level | None:
    """The level a hypothesis accuses; the limit of a range; of a shape-free cause the level that fails most, None where several do."""
    hypotheses = found.hypotheses
    suspect = hypotheses.suspects[factor]
    if hypotheses.kinds[row] == SHAPE_FREE:
        counts = found.levels[factor]
        share = (1 + counts.failures) / (2 + counts.failures + counts.survivals)
        worst = np.flatnonzero(share == share.max())
        return suspect.levels[int(worst[0])] if len(worst) == 1 else None
    side = 0 if hypotheses.first[row] == factor else 1
    low, high = int(hypotheses.low[row, side]), int(hypotheses.high[row, side])
    return suspect.levels[high if low == 0 else low]


def percent(probability: float) -> str:
    """A probability as a sentence shows it; never 0 or 100 %."""
    if probability < 0.001:
        return "less than 0.1 %"
    if probability > 0.999:
        return "more than 99.9 %"
    if 0.1 <= probability <= 0.9:
        return f"{probability:.0%}".replace("%", " %")
    return f"{100 * probability:.1f} %"


def listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _aliased(findings: Findings, factor: int) -> tuple[str, ...]:
    """Factors with guilt above 0.05 that are aliased with this one."""
    names = [suspect.name for suspect in findings.posterior.hypotheses.suspects]
    partners = []
    for pair in findings.confounded:
        if names[factor] in pair.factors:
            other = pair.factors[1 - pair.factors.index(names[factor])]
            if findings.posterior.guilt(names.index(other)) > LEAST_DOUBT:
                partners.append(other)
    return tuple(partners)


def _implicated(findings: Findings, factor: int) -> str:
    found, row = findings.posterior, findings.row
    cause = found.hypotheses.text(row)
    sentence = (
        f"{cause} is the cause with a probability of {percent(findings.isolated_probability or 0.0)}, "
        "if it is one of the factors listed or two of them together."
    )
    if found.hypotheses.kinds[row] == SHAPE_FREE:
        sentence = sentence.replace(f"{cause} is", f"{cause} (failures differ between its levels) is", 1)
    share = float(found.probability[row])
    if share < 0.9:
        sentence += f" Which level it is, is less sure: {cause} itself has {percent(share)}."
    scarce = findings.coupons[factor].min()
    if scarce == 0:
        missing = _levels(findings, factor, np.flatnonzero(findings.coupons[factor] == 0))
        sentence += f" Never run: {missing}."
    return sentence


def _cleared(findings: Findings, factor: int) -> str:
    chance = percent(findings.effects[factor])
    points = f"{100 * findings.margin:g}"
    return (
        f"The probability that it moves the failure share by more than {points} points is {chance}, "
        f"if the cause is one of the factors listed or two of them together; "
        f"each level was run on at least {COUPONS_PER_LEVEL} coupons."
    )


def _confounded(findings: Findings, name: str, partners: tuple[str, ...]) -> str:
    pairs = [pair for pair in findings.confounded if name in pair.factors and set(pair.factors) & set(partners)]
    full = [pair for pair in pairs if pair.kind == "full"]
    pair = (full or pairs)[0]
    others = listed(partners)
    if full:
        sentence = f"It always changed together with {listed([_other(p, name) for p in full])}"
        sentence += ": these coupons can't tell which of them matters."
    else:
        sentence = f"These coupons can't yet tell it apart from {others}."
    if pair.breaking_coupon is None:
        return f"{sentence} No coupon that could be made would separate them."
    levels = ", ".join(f"{part} {level_text(pair.breaking_coupon[part])}" for part in pair.factors)
    return f"{sentence} A coupon with {levels} tells most.{_more(findings.outlook.to_isolate, findings, 'isolate')}"


def _other(pair: Confounding, name: str) -> str:
    return pair.factors[1 - pair.factors.index(name)]


def _undecided(findings: Findings, factor: int, effect: float, scarce: Integers, partners: tuple[str, ...]) -> str:
    guilt = findings.posterior.guilt(factor)
    coupons = findings.coupons[factor]
    if not coupons.sum():
        return "No test coupon with this factor known has been through a round yet."
    short = int(
        np.maximum(
            COUPONS_PER_LEVEL - coupons[scarce],
            findings.needed_without(factor)[scarce] - findings.without_cause[factor][scarce],
        ).sum()
    )
    if np.count_nonzero(coupons) == 1:
        only = _levels(findings, factor, np.flatnonzero(coupons))
        sentence = f"Only {only} has been run, so nothing can be said about it (probability {percent(guilt)})."
    elif guilt >= ISOLATED:
        sentence = f"It takes part in the cause (probability {percent(guilt)}), but how is not settled: {_ways(findings, factor)}."
    elif effect > LEAST_DOUBT:
        sentence = (
            f"It may take part in the cause (probability {percent(guilt)}): "
            "too much to clear it, too little to accuse it."
        )
    elif len(scarce):
        return _scarce(findings, factor, scarce, effect, short)
    elif findings.second_cause[factor] > LEAST_DOUBT:
        return _second_cause(findings, factor, effect)
    else:
        sentence = (
            f"Most likely harmless (probability of an effect {percent(effect)}), "
            f"but it changed together with {listed(partners)}, which may be the cause."
        )
    if (never := np.flatnonzero(coupons == 0)).size and np.count_nonzero(coupons) > 1:
        sentence += f" Never run: {_levels(findings, factor, never)}."
    more = findings.outlook.to_settle[factor]
    return sentence + _more(None if more is None else max(more, short), findings, "settle")


def _scarce(findings: Findings, factor: int, scarce: Integers, effect: float, short: int) -> str:
    harmless = f"Most likely harmless (probability of an effect {percent(effect)}), but"
    more = f"{short} more would do" if short > 1 else "1 more would do"
    few = scarce[findings.coupons[factor][scarce] < COUPONS_PER_LEVEL]
    if len(few):
        return f"{harmless} {_levels(findings, factor, few)} was run on fewer than {COUPONS_PER_LEVEL} coupons: {more}."
    cause = findings.posterior.hypotheses.text(findings.row)
    others = scarce[scarce != findings.baseline[factor]]
    parts = (
        [f"{_levels(findings, factor, others)} was run on fewer than {COUPONS_WITHOUT_CAUSE}"] if len(others) else []
    )
    if len(others) < len(scarce):
        own = _levels(findings, factor, scarce[scarce == findings.baseline[factor]])
        parts.append(f"the level of the repair that failed, {own}, was run on fewer than {BASELINE_WITHOUT_CAUSE}")
    return f"{harmless} {listed(parts)} coupons without {cause}, where a second cause would show: {more}."


def _second_cause(findings: Findings, factor: int, effect: float) -> str:
    cause = findings.posterior.hypotheses.text(findings.row)
    return (
        f"Most likely harmless (probability of an effect {percent(effect)}), but as a second cause beside {cause} it is not "
        f"ruled out by the coupons themselves ({percent(findings.second_cause[factor])} at even odds): "
        f"more coupons of each level without {cause} would tell."
    )


def _more(coupons: int | None, findings: Findings, verb: str) -> str:
    goal = "isolate the cause" if verb == "isolate" else "settle it"
    if coupons is None:
        return f" More than {findings.outlook.most_coupons} further coupons are expected to be needed to {goal} (simulated)."
    if coupons == 0:
        return ""
    about = "About 1 more well-chosen coupon is" if coupons == 1 else f"About {coupons} more well-chosen coupons are"
    return f" {about} expected to {goal} (simulated)."


def _ways(findings: Findings, factor: int) -> str:
    """The likeliest hypotheses that use the factor, with their probability."""
    found = findings.posterior
    rows = np.flatnonzero(found.hypotheses.uses(factor))
    leading = rows[np.argsort(-np.round(found.probability[rows], 12), kind="stable")[:2]]
    return " or ".join(f"{found.hypotheses.text(row)} ({percent(float(found.probability[row]))})" for row in leading)


def _levels(findings: Findings, factor: int, numbers: Integers) -> str:
    levels = findings.posterior.hypotheses.suspects[factor].levels
    shown = [level_text(levels[number]) for number in numbers[:5]]
    if len(numbers) > 5:
        shown[4:] = [f"{len(numbers) - 4} other levels"]
    return listed(shown)
