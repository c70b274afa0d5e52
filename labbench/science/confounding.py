"""Factors that these coupons can't tell apart, and the single coupon that would."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import MOST_CANDIDATES, Impossible, completed, frequent
from labbench.science.evidence import Posterior, Runs
from labbench.science.findings import Floats
from labbench.science.hypotheses import Integers
from labbench.science.next_load import Branches, groups
from labbench.science.sheet import Level

ConfoundingKind = Literal["full", "partial"]
# Association of two factors from which on they count as partly confounded; a choice, no published source.
PARTIAL_CRAMERS_V = 0.5
# Hypotheses of two factors lead when likelier than this, and are not told apart within this Bayes factor.
LEADING = 0.05
NEAR_BAYES_FACTOR = 3.0


@dataclass(frozen=True, slots=True)
class Confounding:
    """Two factors that are aliased.

    Attributes
    ----------
    factors : tuple of two str
    kind : {"full", "partial"}
        Full: each level of one ran with one level of the other only, both ways.
    cramers_v : float or None
        Association of the two factors over the coupons that ran; None where it can't be computed.
    breaking_coupon : dict or None
        The levels of the one coupon that is expected to tell most; None where none can be made.
    """

    factors: tuple[str, str]
    kind: ConfoundingKind
    cramers_v: float | None
    breaking_coupon: dict[str, Level] | None


def cramers_v(table: Floats) -> float | None:
    """Cramer's V of a table of counts; None where one of the factors ran with one level only.

    References
    ----------
    H. Cramer, Mathematical Methods of Statistics (Princeton, 1946), section 21.9 (from memory).
    """
    table = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    if min(table.shape) < 2:
        return None
    n = table.sum()
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / n
    chi_square = float(((table - expected) ** 2 / expected).sum())
    return min(float(np.sqrt(chi_square / n / (min(table.shape) - 1))), 1.0)


def is_one_to_one(table: Floats) -> bool:
    """Whether each level of one factor ran with one level of the other only, both ways."""
    seen = table > 0
    return bool((seen.sum(axis=0) <= 1).all() and (seen.sum(axis=1) <= 1).all())


def confounded_pairs(posterior: Posterior, data: Runs, impossible: Impossible) -> tuple[Confounding, ...]:
    """Every pair of factors that is fully or partly aliased over the coupons that ran.

    Partly: Cramer's V of at least 0.5; or the likeliest hypotheses of one factor without the other are both likelier
    than 0.05, and the data favour neither by a Bayes factor of 3. A factor that ran with one level only is aliased with
    nothing: it was not varied.
    """
    suspects = posterior.hypotheses.suspects
    found = []
    near = frequent(data.codes)
    for f, g in combinations(range(len(suspects)), 2):
        size = len(suspects[f].levels), len(suspects[g].levels)
        cells = np.bincount(data.codes[:, f] * size[1] + data.codes[:, g], minlength=size[0] * size[1])
        table = cells.reshape(size).astype(float)
        v = cramers_v(table)
        if v is None:
            continue
        full = is_one_to_one(table)
        if full or v >= PARTIAL_CRAMERS_V or _leaders_agree(posterior, f, g):
            breaking = _breaking_coupon(posterior, f, g, table if full else None, near, impossible)
            kind: ConfoundingKind = "full" if full else "partial"
            found.append(Confounding((suspects[f].name, suspects[g].name), kind, v, breaking))
    return tuple(found)


def never_shared_a_load(posterior: Posterior, row: int, data: Runs) -> bool:
    """Whether every load held only coupons with, or only coupons without, what the hypothesis accuses.

    A load that went wrong would then look like this cause. False where loads are not known, or only one is.
    """
    exposed = posterior.hypotheses.exposed(np.array([row]), data.codes)[0]
    sides: dict[str, set[bool]] = {}
    for block, is_exposed in zip(data.blocks, exposed, strict=True):
        if block is not None:
            sides.setdefault(str(block), set()).add(bool(is_exposed))
    return all(len(side) == 1 for side in sides.values()) and len(set().union(*sides.values())) == 2


def _leaders_agree(posterior: Posterior, f: int, g: int) -> bool:
    """Whether the likeliest hypotheses of either factor alone are both in play and equally supported."""
    uses_f, uses_g = posterior.hypotheses.uses(f), posterior.hypotheses.uses(g)
    probability, support = posterior.probability, posterior.log_evidence + posterior.log_ordering
    leaders = []
    for which in (uses_f & ~uses_g, uses_g & ~uses_f):
        rows = np.flatnonzero(which)
        leader = rows[np.argmax(probability[rows])]
        if probability[leader] <= LEADING:
            return False
        leaders.append(support[leader])
    return bool(abs(leaders[0] - leaders[1]) <= np.log(NEAR_BAYES_FACTOR) + 1e-12)


def _breaking_coupon(
    posterior: Posterior, f: int, g: int, aliased: Floats | None, near: Integers, impossible: Impossible
) -> dict[str, Level] | None:
    """The coupon with the greatest gain when only the two factors' hypotheses are in play.

    For fully aliased factors (`aliased` is their table) only combinations that did not run: the others split them
    never.
    """
    suspects = posterior.hypotheses.suspects
    pairs = _level_pairs(posterior, f, g, aliased)
    rows = [completed({f: int(a), g: int(b)}, near, suspects, impossible) for a, b in pairs]
    codes = [row for row in rows if row is not None]
    if not codes:
        return None
    candidates = np.array(codes, dtype=np.int64)
    hypotheses = posterior.hypotheses
    only = _about_only(hypotheses.first, f, g) & _about_only(hypotheses.second, f, g) & (hypotheses.first >= 0)
    gains = Branches.start(groups(posterior, candidates, which=only)).gains()[0]
    best = candidates[int(np.argmax(np.round(gains, 12)))]
    return {suspect.name: suspect.levels[level] for suspect, level in zip(suspects, best, strict=True)}


def _about_only(factor: Integers, f: int, g: int) -> NDArray[np.bool_]:
    about: NDArray[np.bool_] = (factor == f) | (factor == g) | (factor < 0)
    return about


def _level_pairs(posterior: Posterior, f: int, g: int, aliased: Floats | None) -> Integers:
    """Level numbers of both factors to consider, the likeliest causes first where there are very many."""
    suspects = posterior.hypotheses.suspects
    sizes = len(suspects[f].levels), len(suspects[g].levels)
    allowed = np.ones(sizes, dtype=np.bool_) if aliased is None else aliased == 0
    pairs = np.argwhere(allowed)
    if len(pairs) <= MOST_CANDIDATES:
        return pairs
    share = []
    for factor in (f, g):
        counts = posterior.levels[factor]
        share.append((1 + counts.failures) / (2 + counts.failures + counts.survivals))
    spread = np.abs(share[0][pairs[:, 0]] - share[1][pairs[:, 1]])
    return np.asarray(pairs[np.argsort(-spread, kind="stable")[:MOST_CANDIDATES]])
