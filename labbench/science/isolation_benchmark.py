"""Error rates and coupons of the search for a cause against fixed plans, added up from chunks of simulated studies.

A chunk is named by its plan, its truth and the numbers of its studies. Study n of a truth draws from
``default_rng([seed, truth, n])``, whatever chunk it is in and whatever ran before: any order, any number of processes
and any interruption give the same sums, and every plan meets the same causes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from labbench.science.hypotheses import ClassWeights
from labbench.science.intervals import wilson
from labbench.science.isolation_simulation import TRUTHS, Scenario, Strategy, Truth, play

STUDIES_OF_A_CHUNK = 25


@dataclass(frozen=True, slots=True)
class Plan:
    """A way to look for the cause; `per_arm` and `array_coupons` as of `play`."""

    name: str
    strategy: Strategy
    per_arm: int = 6
    array_coupons: int = 20
    to_confirmation: bool = False


PLANS = (
    Plan("sequential", "sequential"),
    Plan("sequential, until confirmed", "sequential", to_confirmation=True),
    Plan("array of 16", "array", array_coupons=16),
    Plan("array of 20", "array", array_coupons=20),
    Plan("array of 24", "array", array_coupons=24),
    Plan("array of 36", "array", array_coupons=36),
    Plan("two-level array of 16, one cause assumed", "one-cause array"),
    Plan("factorial of 64", "factorial"),
    Plan("one at a time, 6 per arm", "one at a time", per_arm=6),
    Plan("one at a time, 11 per arm against the baseline", "against baseline", per_arm=11),
    Plan("one at a time, 3 per arm by eye", "by eye", per_arm=3),
)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Studies `first` to `first` + `studies` - 1 of a plan and a truth."""

    plan: Plan
    truth: Truth
    first: int
    studies: int


@dataclass(slots=True)
class Tally:
    """Sums over studies of one plan and truth; `coupons` and `loads` count studies by their number.

    A study is `missed` where a guilty factor was not named at its end, `open` where it came to no conclusion.
    """

    studies: int = 0
    false: int = 0
    missed: int = 0
    open: int = 0
    guilty_cleared: int = 0
    coupons: Counter[int] = field(default_factory=Counter)
    loads: Counter[int] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add the sums of other studies."""
        self.studies += other.studies
        self.false += other.false
        self.missed += other.missed
        self.open += other.open
        self.guilty_cleared += other.guilty_cleared
        self.coupons.update(other.coupons)
        self.loads.update(other.loads)

    def plain(self) -> dict[str, Any]:
        """As JSON can hold it."""
        counts = {"coupons": dict(self.coupons), "loads": dict(self.loads)}
        return {field.name: getattr(self, field.name) for field in fields(self)} | counts

    @classmethod
    def of_plain(cls, plain: dict[str, Any]) -> Tally:
        """From what `plain` gave, its keys being texts once it has been through JSON."""
        counts = {name: Counter({int(n): int(c) for n, c in plain[name].items()}) for name in ("coupons", "loads")}
        return cls(**{**plain, **counts})


@dataclass(frozen=True, slots=True)
class BenchmarkRate:
    """A share of simulated studies, with its standard error and Wilson's 95 % limits."""

    share: float
    standard_error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class BenchmarkRow:
    """One line of the table; simulated. `truth` is the truth, or the name of a mixture of truths."""

    plan: str
    truth: str
    studies: int
    false: BenchmarkRate
    missed: BenchmarkRate
    open: BenchmarkRate
    guilty_cleared: BenchmarkRate
    median_coupons: int
    ninety_percent_coupons: int
    median_loads: int


def chunks(
    studies: int, *, plans: Iterable[Plan] = PLANS, truths: Iterable[Truth] = TRUTHS, size: int = STUDIES_OF_A_CHUNK
) -> list[Chunk]:
    """All chunks of so many studies a plan and truth."""
    if studies < 1 or size < 1:
        raise ValueError("at least one study a truth is needed")
    truths = tuple(truths)
    return [
        Chunk(plan, truth, first, min(size, studies - first))
        for plan in plans
        for truth in truths
        for first in range(0, studies, size)
    ]


def play_chunk(chunk: Chunk, *, seed: int) -> Tally:
    """Play the studies of a chunk."""
    scenario = Scenario(chunk.truth, to_confirmation=chunk.plan.to_confirmation)
    tally = Tally()
    for number in range(chunk.first, chunk.first + chunk.studies):
        study = play(
            scenario,
            strategy=chunk.plan.strategy,
            per_arm=chunk.plan.per_arm,
            array_coupons=chunk.plan.array_coupons,
            rng=np.random.default_rng([seed, TRUTHS.index(chunk.truth), number]),
        )
        tally.add(
            Tally(
                studies=1,
                false=int(study.is_false),
                missed=int(study.is_missed),
                open=int(not study.ended),
                guilty_cleared=int(study.guilty_cleared),
                coupons=Counter({study.coupons: 1}),
                loads=Counter({study.loads: 1}),
            )
        )
    return tally


def benchmark_row(plan: str, truth: str, tally: Tally) -> BenchmarkRow:
    """Rates and quantiles of the studies of one plan and truth."""
    return BenchmarkRow(
        plan,
        truth,
        tally.studies,
        false=_rate(tally.false, tally.studies),
        missed=_rate(tally.missed, tally.studies),
        open=_rate(tally.open, tally.studies),
        guilty_cleared=_rate(tally.guilty_cleared, tally.studies),
        median_coupons=_quantile(tally.coupons, 0.5),
        ninety_percent_coupons=_quantile(tally.coupons, 0.9),
        median_loads=_quantile(tally.loads, 0.5),
    )


def prior_shares() -> dict[Truth, float]:
    """How often each truth comes up if the default prior weights of the classes are right."""
    weights = ClassWeights()
    return {
        "single": weights.single,
        "both": weights.both,
        "either": weights.either,
        "graded": weights.shape_free,
        "none": weights.none_low + weights.none_any,
    }


def mixed_row(plan: str, name: str, tallies: dict[Truth, Tally], shares: dict[Truth, float]) -> BenchmarkRow:
    """Rates over a mixture of truths that come up with the given shares (they are scaled to sum to 1)."""
    total = sum(shares.values())
    weight = {truth: share / total for truth, share in shares.items()}
    parts = {truth: benchmark_row(plan, truth, tallies[truth]) for truth in weight}

    def mixed(attribute: str) -> BenchmarkRate:
        rates = {truth: getattr(part, attribute) for truth, part in parts.items()}
        share = sum(weight[truth] * rate.share for truth, rate in rates.items())
        error = sum((weight[truth] * rate.standard_error) ** 2 for truth, rate in rates.items()) ** 0.5
        # The number of studies of one population that would be known as well.
        equal = share * (1 - share) / error**2 if error else float(sum(part.studies for part in parts.values()))
        return BenchmarkRate(share, error, *_limits(round(share * equal), round(equal)))

    def quantile(counts: str, level: float) -> int:
        summed: dict[int, float] = {}
        for truth, tally in tallies.items():
            for number, count in getattr(tally, counts).items():
                summed[number] = summed.get(number, 0.0) + weight.get(truth, 0.0) * count / tally.studies
        return _quantile(summed, level)

    return BenchmarkRow(
        plan,
        name,
        sum(part.studies for part in parts.values()),
        false=mixed("false"),
        missed=mixed("missed"),
        open=mixed("open"),
        guilty_cleared=mixed("guilty_cleared"),
        median_coupons=quantile("coupons", 0.5),
        ninety_percent_coupons=quantile("coupons", 0.9),
        median_loads=quantile("loads", 0.5),
    )


def _rate(count: int, studies: int) -> BenchmarkRate:
    share = count / studies
    return BenchmarkRate(share, (share * (1 - share) / studies) ** 0.5, *_limits(count, studies))


def _limits(count: int, studies: int) -> tuple[float, float]:
    low, high = wilson(np.array([count]), np.array([studies]))
    return float(low[0]), float(high[0])


def _quantile(counts: Mapping[int, float], level: float) -> int:
    """The smallest number that at least this share of the studies does not exceed."""
    reached, total = 0.0, sum(counts.values())
    for number in sorted(counts):
        reached += counts[number]
        if reached >= level * total - 1e-9:
            return number
    raise ValueError("there are no studies")
