"""The design of a regression over all factors: columns, and which terms the data can't tell apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.findings import Floats
from labbench.science.sheet import FactorColumn

RANK_TOLERANCE = 1e-12
SEPARABLE = 1e-7


@dataclass(frozen=True, slots=True)
class Effects:
    """Main effects of several factors.

    Attributes
    ----------
    columns : ndarray, shape (n, terms)
        Without the intercept; levels against the first level that occurs, numeric factors as such, centred and scaled
        (by their levels where one is not a finite number).
    owner : ndarray of int, shape (terms,)
        Number of the factor each column belongs to.
    terms : tuple of str
        A name per column: ``resin = B`` or ``cure_time_s``.
    used : ndarray of bool
        Coupons whose level is known for every factor; the rows of `columns`.
    """

    columns: Floats
    owner: NDArray[np.int64]
    terms: tuple[str, ...]
    used: NDArray[np.bool_]


def main_effects(factors: tuple[FactorColumn, ...], candidates: NDArray[np.bool_]) -> Effects:
    """Columns of the main effects over the candidates whose level is known for every factor."""
    used = candidates.copy()
    for factor in factors:
        used &= factor.codes >= 0
    parts: list[Floats] = []
    owner: list[int] = []
    terms: list[str] = []
    for number, factor in enumerate(factors):
        codes = factor.codes[used]
        present = np.unique(codes)
        if len(present) < 2:
            continue
        values = numeric_levels(factor)
        if values is not None:
            parts.append(_standardised(values[codes])[:, None])
            terms.append(factor.name)
            owner.append(number)
            continue
        parts.append((codes[:, None] == present[1:]).astype(float))
        terms.extend(f"{factor.name} = {factor.levels[code]}" for code in present[1:])
        owner.extend([number] * (len(present) - 1))
    columns = np.hstack(parts) if parts else np.zeros((int(used.sum()), 0))
    return Effects(columns, np.array(owner, dtype=np.int64), tuple(terms), used)


def numeric_levels(factor: FactorColumn) -> Floats | None:
    """The levels as numbers; None for a categorical factor and where a level is not a finite number."""
    if factor.kind != "numeric":
        return None
    values = np.array([float(level) for level in factor.levels])
    return values if np.isfinite(values).all() else None


def _standardised(values: Floats) -> Floats:
    scaled = values / np.abs(values).max()
    return np.asarray((scaled - scaled.mean()) / scaled.std())


def with_intercept(columns: Floats) -> Floats:
    """The columns behind a column of ones."""
    return np.column_stack([np.ones(len(columns)), columns])


def span(columns: Floats) -> Floats:
    """Orthonormal basis of what the columns span; shape (n, rank)."""
    norms = np.linalg.norm(columns, axis=0)
    return _basis(columns[:, norms > 0] / norms[norms > 0], RANK_TOLERANCE * max(columns.shape))


def added_by(base: Floats, columns: Floats) -> Floats:
    """Orthonormal basis of what the columns add to an orthonormal base; shape (n, number of separable terms)."""
    norms = np.linalg.norm(columns, axis=0)
    rest = columns / np.where(norms > 0, norms, 1.0)
    # Twice, for orthogonality to the last digit.
    for _ in range(2):
        rest = rest - base @ (base.T @ rest)
    return _basis(rest, SEPARABLE)


def aliased_with(effects: Effects, factor: int) -> tuple[int, ...]:
    """The factors that share a linear dependence with this one, hence can't all be told apart from it."""
    design = with_intercept(effects.columns)
    triangle = np.linalg.qr(design / np.linalg.norm(design, axis=0), mode="r")
    _, values, rows = np.linalg.svd(triangle, full_matrices=True)
    null = rows[int((values > RANK_TOLERANCE * max(design.shape)).sum()) :]
    # Projector onto the null space: two columns are tied together where an off-diagonal entry is not 0.
    projector = null.T @ null
    owner = np.concatenate([[-1], effects.owner])
    tied = np.abs(projector[owner == factor]).max(axis=0, initial=0.0) > SEPARABLE
    return tuple(int(other) for other in np.unique(owner[tied]) if other not in (-1, factor))


def _basis(columns: Floats, tolerance: float) -> Floats:
    """Left singular vectors of the columns of columns of about unit length; by a thin QR, as n is large."""
    if not columns.shape[1]:
        return columns
    q, r = np.linalg.qr(columns)
    left, values, _ = np.linalg.svd(r, full_matrices=False)
    return np.asarray(q @ left[:, values > tolerance])
