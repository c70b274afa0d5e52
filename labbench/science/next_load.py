"""Which coupons to run next: the load that is expected to tell the remaining explanations apart best.

For a load x the expected information is I(x) = H(h) - E_y H(h | y), in nats. Coupons are picked one after the other,
each with the greatest gain given the unknown outcomes of those already in the load. `Branches` holds these outcomes:

    gain(x) = sum_s w_s { Hb( sum_h P_s(h) q_s(h, x) ) - sum_h P_s(h) Hb( q_s(h, x) ) }

with the branches s, their probability w_s, the hypothesis weights P_s(h), the chance to fail q_s(h, x) of the group of h
that x belongs to, and the Bernoulli entropy Hb.

References
----------
D. V. Lindley, Ann. Math. Statist. 27 (1956), 986-1005 (from memory); K. Chaloner and I. Verdinelli, "Bayesian
experimental design: a review", Statist. Sci. 10 (1995), 273-304; R. D. Meyer, D. M. Steinberg and G. Box, "Follow-up
designs to resolve confounding in multifactor experiments", Technometrics 38 (1996), 303-313.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.evidence import ANY, ModelForm, Posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE_ANY, NONE_LOW, SHAPE_FREE, Integers
from labbench.science.load_limits import LoadLimits, LoadRoom

MOST_BRANCHES = 64
# Hypotheses less likely than this share of the likeliest don't enter, nor do more than so many.
LEAST_SHARE = 1e-4
MOST_HYPOTHESES = 1200
# A gain per coupon below this is worth telling. A choice, no published source.
SMALL_GAIN_NATS = 0.05
# Coupons a level needs before a factor can be cleared; among equally informative coupons those that help come first.
COUPONS_PER_LEVEL = 3
TIE_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Groups:
    """The groups of the hypotheses that still matter, over candidate combinations.

    Attributes
    ----------
    rows : ndarray of int, shape (hypotheses,)
        Which hypotheses.
    probability : ndarray of float, shape (hypotheses,)
        Sums to 1.
    owner : ndarray of int, shape (groups,)
        Position in `rows` of the hypothesis of a group.
    a, b : ndarray of float, shape (groups,)
        Beta parameters given the coupons that ran.
    members : ndarray of float, shape (groups, candidates)
        1 where a candidate belongs to the group; each candidate is in one group of every hypothesis.
    form, rounds
        As of the posterior.
    """

    rows: Integers
    probability: Floats
    owner: Integers
    a: Floats
    b: Floats
    members: Floats
    form: ModelForm
    rounds: int


def groups(
    posterior: Posterior,
    codes: Integers,
    *,
    which: NDArray[np.bool_] | None = None,
    most: int = MOST_HYPOTHESES,
    least_share: float = LEAST_SHARE,
) -> Groups:
    """The leading hypotheses (of those in `which`) over the candidates `codes`, shape (candidates, factors)."""
    hypotheses = posterior.hypotheses
    probability = posterior.probability if which is None else np.where(which, posterior.probability, 0.0)
    rows = np.flatnonzero(probability > least_share * probability.max())
    if len(rows) > most:
        rows = np.sort(rows[np.argsort(-probability[rows], kind="stable")[:most]])
    all_a, all_b = posterior.betas()
    kinds = hypotheses.kinds[rows]
    exposed = hypotheses.exposed(rows, codes)
    two_sides = np.flatnonzero((kinds != SHAPE_FREE) & (kinds != NONE_LOW) & (kinds != NONE_ANY))
    one_side = np.flatnonzero((kinds == NONE_LOW) | (kinds == NONE_ANY))
    owner = [two_sides, two_sides, one_side]
    a = [all_a[rows[two_sides], 0], all_a[rows[two_sides], 1], all_a[rows[one_side], 1]]
    b = [all_b[rows[two_sides], 0], all_b[rows[two_sides], 1], all_b[rows[one_side], 1]]
    members = [exposed[two_sides], ~exposed[two_sides], ~exposed[one_side]]
    prior_a, prior_b = ANY[posterior.form]
    for position in np.flatnonzero(kinds == SHAPE_FREE):
        factor = int(hypotheses.first[rows[position]])
        counts = posterior.levels[factor]
        owner.append(np.full(len(counts.failures), position))
        a.append(prior_a + counts.failures)
        b.append(prior_b + counts.survivals)
        members.append(codes[:, factor][None, :] == np.arange(len(counts.failures))[:, None])
    weight = probability[rows]
    return Groups(
        rows,
        weight / weight.sum(),
        np.concatenate(owner).astype(np.int64),
        np.concatenate(a),
        np.concatenate(b),
        np.concatenate(members).astype(float),
        posterior.form,
        posterior.rounds,
    )


@dataclass(slots=True)
class Branches:
    """Possible courses of a load so far: hypothesis weights (s, hypotheses) and Beta parameters (s, groups)."""

    of: Groups
    weight: Floats
    probability: Floats
    a: Floats
    b: Floats

    @classmethod
    def start(cls, of: Groups, count: int = 1) -> Branches:
        """`count` equal branches before any outcome."""
        return cls(
            of,
            np.full(count, 1 / count),
            np.tile(of.probability, (count, 1)),
            np.tile(of.a, (count, 1)),
            np.tile(of.b, (count, 1)),
        )

    def failing(self) -> Floats:
        """Chance to fail within the rounds per branch and group."""
        return failing_chance(self.a, self.b, self.of.form, self.of.rounds)

    def gains(self) -> Floats:
        """Expected information of one more coupon per branch and candidate, shape (branches, candidates)."""
        q = self.failing()
        weight = self.probability[:, self.of.owner]
        return entropy((weight * q) @ self.of.members) - (weight * entropy(q)) @ self.of.members

    def after(self, candidate: int) -> Branches:
        """Every branch twice: the coupon fails, the coupon holds."""
        chance = self._chance(candidate)
        fails = self._outcome(candidate, chance, failed=True)
        holds = self._outcome(candidate, chance, failed=False)
        return Branches(
            self.of,
            np.concatenate((fails.weight, holds.weight)),
            np.concatenate((fails.probability, holds.probability)),
            np.concatenate((fails.a, holds.a)),
            np.concatenate((fails.b, holds.b)),
        )

    def _chance(self, candidate: int) -> Floats:
        """Chance to fail of a candidate under each hypothesis, shape (branches, hypotheses)."""
        inside = np.flatnonzero(self.of.members[:, candidate] > 0)
        chance = np.empty_like(self.probability)
        chance[:, self.of.owner[inside]] = failing_chance(
            self.a[:, inside], self.b[:, inside], self.of.form, self.of.rounds
        )
        return chance

    def _outcome(self, candidate: int, chance: Floats, *, failed: bool) -> Branches:
        joint = self.probability * (chance if failed else 1 - chance)
        total = joint.sum(axis=1)
        inside = self.of.members[:, candidate]
        more_failures, more_survivals = outcome_counts(self.of.form, self.of.rounds, failed=failed)
        return Branches(
            self.of,
            self.weight * total,
            joint / np.maximum(total, 1e-300)[:, None],
            self.a + more_failures * inside,
            self.b + more_survivals * inside,
        )

    def seen(self, inside: NDArray[np.bool_], is_failed: NDArray[np.bool_]) -> Branches:
        """Every branch once, each with its own coupon and known outcome.

        `inside`, shape (branches, groups): the groups of that branch's coupon, one of each hypothesis.
        """
        branch, group = np.nonzero(inside)
        chance = np.empty_like(self.probability)
        chance[branch, self.of.owner[group]] = failing_chance(
            self.a[branch, group], self.b[branch, group], self.of.form, self.of.rounds
        )
        joint = self.probability * np.where(is_failed[:, None], chance, 1 - chance)
        fails = outcome_counts(self.of.form, self.of.rounds, failed=True)
        holds = outcome_counts(self.of.form, self.of.rounds, failed=False)
        added = np.where(is_failed[:, None, None], fails, holds)
        return Branches(
            self.of,
            self.weight,
            joint / np.maximum(joint.sum(axis=1), 1e-300)[:, None],
            self.a + inside * added[..., 0],
            self.b + inside * added[..., 1],
        )

    def thinned(self, most: int, rng: np.random.Generator) -> Branches:
        """At most so many branches, by systematic resampling: each stays in proportion to its weight."""
        if len(self.weight) <= most:
            return self
        marks = (rng.random() + np.arange(most)) / most
        kept = np.minimum(np.searchsorted(np.cumsum(self.weight / self.weight.sum()), marks), len(self.weight) - 1)
        return Branches(self.of, np.full(most, 1 / most), self.probability[kept], self.a[kept], self.b[kept])


def failing_chance(a: Floats, b: Floats, form: ModelForm, rounds: int) -> Floats:
    """Predictive chance to fail within the rounds; a hazard per round ~ Beta(a, b) in the form "rounds"."""
    if form == "binary":
        return a / (a + b)
    # 1 - B(a, b + R) / B(a, b), the ratio as a product over the rounds.
    held = np.ones_like(b)
    if rounds <= 64:
        for done in range(rounds):
            held = held * (b + done) / (a + b + done)
        return 1 - held
    return np.asarray(-np.expm1(special.betaln(a, b + rounds) - special.betaln(a, b)))


def outcome_counts(form: ModelForm, rounds: int, *, failed: bool) -> tuple[float, float]:
    """What a coupon that is still to run would add; one that fails counts as failing in the middle round."""
    if form == "binary":
        return (1.0, 0.0) if failed else (0.0, 1.0)
    return (1.0, (rounds - 1) / 2) if failed else (0.0, float(rounds))


def entropy(chance: Floats) -> Floats:
    """Bernoulli entropy in nats."""
    return np.asarray(special.entr(chance) + special.entr(1 - chance))


@dataclass(frozen=True, slots=True)
class Load:
    """Chosen coupons.

    Attributes
    ----------
    picks : tuple of int
        Candidate per coupon, in the order they were chosen.
    gains_nats : tuple of float
        Expected information each adds; where branches were thinned, an estimate.
    """

    picks: tuple[int, ...]
    gains_nats: tuple[float, ...]


def informative_load(
    of: Groups,
    codes: Integers,
    count: int,
    *,
    rng: np.random.Generator,
    level_coupons: tuple[Integers, ...] | None = None,
    limits: LoadLimits | None = None,
    most_branches: int = MOST_BRANCHES,
) -> Load:
    """The coupons with the greatest expected information, picked one after the other.

    Parameters
    ----------
    of : Groups
        Over the candidates `codes`, shape (candidates, factors).
    count : int
        Coupons to pick; the same combination may come up repeatedly.
    rng : numpy.random.Generator
        For thinning the branches.
    level_coupons : tuple of ndarray of int, optional
        Coupons that ran per level of each factor. Among candidates whose gain is within 2 % of the greatest, one that
        brings more levels nearer to the three coupons that clearing needs is taken.
    limits : LoadLimits, optional
        Stock, and levels of a factor that one load can have. The load is shorter where they leave nothing more.
    most_branches : int
        Exact up to so many courses of the load, beyond it as many are kept.

    Returns
    -------
    Load
        Empty without candidates. Greedy choice is a sound heuristic, not a proven optimum of the load.
    """
    if not len(codes):
        return Load((), ())
    have = None if level_coupons is None else [coupons.astype(float).copy() for coupons in level_coupons]
    room = None if limits is None else LoadRoom(limits)
    branches = Branches.start(of)
    picks, gains = [], []
    for _ in range(count):
        gain = branches.weight @ branches.gains()
        if room is not None:
            allowed = room.allows(codes)
            if not allowed.any():
                break
            gain = np.where(allowed, gain, -np.inf)
        best = int(np.argmax(gain))
        if have is not None:
            near = np.flatnonzero(gain >= gain[best] - TIE_SHARE * abs(gain[best]) - 1e-9)
            best = int(near[np.argmax(_wanted(codes[near], have))])
            for factor, level in enumerate(codes[best]):
                have[factor][level] += 1
        if room is not None:
            room.take(codes[best])
        picks.append(best)
        gains.append(max(float(gain[best]), 0.0))
        branches = branches.after(best).thinned(most_branches, rng)
    return Load(tuple(picks), tuple(gains))


def _wanted(codes: Integers, have: list[Floats]) -> Floats:
    """How far each combination's levels are from the coupons that clearing needs, most missing first."""
    wanted = np.zeros(len(codes))
    for factor, coupons in enumerate(have):
        wanted += np.maximum(COUPONS_PER_LEVEL - coupons, 0)[codes[:, factor]]
        # Beyond that the rarer levels, so that levels don't go together.
        wanted -= 1e-3 * coupons[codes[:, factor]]
    return wanted


def load_information_nats(of: Groups, picks: tuple[int, ...]) -> float:
    """Expected information of a whole load, over all courses it can take: exact, 2^coupons of them."""
    branches = Branches.start(of)
    for pick in picks:
        branches = branches.after(pick)
    before = special.entr(of.probability).sum()
    return float(before - branches.weight @ special.entr(branches.probability).sum(axis=1))
