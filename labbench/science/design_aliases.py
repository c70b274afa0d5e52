"""What a design can't tell apart: the effect of a factor from that of another, or from that of two others together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from labbench.science.findings import Floats
from labbench.science.hypotheses import Integers, Suspect

# Canonical correlation from which on an effect is aliased wholly, and partly. The second is a choice, no published source.
WHOLLY = 0.999
PARTLY = 0.5
# Rank decisions.
SMALL = 1e-9


@dataclass(frozen=True, slots=True)
class Alias:
    """The effect of one factor beside that of another, or of two others together.

    Attributes
    ----------
    factor : int
    others : tuple of int
        One factor: its own effect. Two factors: what only both of their levels together do.
    correlation : float
        Largest canonical correlation of the two effects over the coupons, 1 where they can't be told apart at all.
    """

    factor: int
    others: tuple[int, ...]
    correlation: float

    @property
    def is_whole(self) -> bool:
        return self.correlation >= WHOLLY


@dataclass(frozen=True, slots=True)
class AliasTable:
    """Aliases of correlation 0.5 and more, strongest first; `not_varied` are factors with one level in the design."""

    aliases: tuple[Alias, ...]
    not_varied: tuple[int, ...]


def alias_table(codes: Integers, suspects: tuple[Suspect, ...]) -> AliasTable:
    """Which effects a design mixes up, wholly or partly.

    Parameters
    ----------
    codes : ndarray of int, shape (coupons, factors)
        Level numbers.
    suspects : tuple of Suspect

    References
    ----------
    H. Hotelling, "Relations between two sets of variates", Biometrika 28 (1936), 321-377 (from memory): canonical
    correlations. For regular two-level fractions they are 0 or 1, the alias table of any handbook, e.g. NIST/SEMATECH
    e-Handbook of Statistical Methods, section 5.3.3.4.4.
    """
    bases = [_basis(_dummies(codes[:, factor])) for factor in range(len(suspects))]
    varied = [factor for factor, basis in enumerate(bases) if basis.shape[1]]
    found = []
    for one, two in combinations(varied, 2):
        correlation = _correlation(bases[one], bases[two])
        if correlation >= PARTLY - SMALL:
            found += [Alias(one, (two,), correlation), Alias(two, (one,), correlation)]
    for one, two in combinations(varied, 2):
        together = _together(bases[one], bases[two])
        for factor in varied:
            if factor not in (one, two) and together.shape[1]:
                correlation = _correlation(bases[factor], together)
                if correlation >= PARTLY - SMALL:
                    found.append(Alias(factor, (one, two), correlation))
    strongest_first = sorted(found, key=lambda alias: (-round(alias.correlation, 6), len(alias.others), alias.factor))
    not_varied = tuple(factor for factor in range(len(suspects)) if factor not in varied)
    return AliasTable(tuple(strongest_first), not_varied)


def _dummies(column: Integers) -> Floats:
    return np.asarray(column[:, None] == np.unique(column), dtype=np.float64)


def _basis(columns: Floats) -> Floats:
    """An orthonormal basis of the columns, the mean taken out."""
    if not len(columns):
        return np.empty((0, 0))
    centred = columns - columns.mean(axis=0)
    left, sizes, _ = np.linalg.svd(centred, full_matrices=False)
    return np.asarray(left[:, sizes > SMALL * max(1.0, float(sizes.max(initial=0)))])


def _together(one: Floats, two: Floats) -> Floats:
    """What two factors do together beyond what each does by itself."""
    products = (one[:, :, None] * two[:, None, :]).reshape(len(one), -1)
    each = _basis(np.hstack((one, two)))
    centred = products - products.mean(axis=0)
    return _basis(centred - each @ (each.T @ centred))


def _correlation(one: Floats, two: Floats) -> float:
    return min(float(np.linalg.svd(one.T @ two, compute_uv=False).max(initial=0)), 1.0)
