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
    """Main effects of several factors over rows of equal levels (or single coupons).

    Attributes
    ----------
    base : ndarray, shape (rows, columns)
        Columns that belong to no factor: the intercept, or rounds and blocks.
    columns : ndarray, shape (rows, terms)
        Levels against the first level that occurs, numeric factors as such, centred and scaled (by their levels where
        one is not a finite number).
    owner : ndarray of int, shape (terms,)
        Number of the factor each column belongs to.
    terms : tuple of str
        A name per column: ``resin = B`` or ``cure_time_s``.
    scale : ndarray, shape (terms,)
        Units of the factor per unit of the column; 1 for levels.
    """

    base: Floats
    columns: Floats
    owner: NDArray[np.int64]
    terms: tuple[str, ...]
    scale: Floats


def main_effects(factors: tuple[FactorColumn, ...]) -> Effects:
    """Main effects of factors whose levels are all known, beside an intercept."""
    rows = len(factors[0].codes)
    parts: list[Floats] = []
    owner: list[int] = []
    terms: list[str] = []
    scale: list[float] = []
    for number, factor in enumerate(factors):
        present = np.unique(factor.codes)
        if len(present) < 2:
            continue
        levels = numeric_levels(factor)
        if levels is not None:
            column, unit = _standardised(levels[factor.codes])
            parts.append(column[:, None])
            terms.append(factor.name)
            scale.append(unit)
            owner.append(number)
            continue
        parts.append((factor.codes[:, None] == present[1:]).astype(float))
        terms.extend(f"{factor.name} = {factor.levels[code]}" for code in present[1:])
        scale.extend([1.0] * (len(present) - 1))
        owner.extend([number] * (len(present) - 1))
    columns = np.hstack(parts) if parts else np.zeros((rows, 0))
    return Effects(np.ones((rows, 1)), columns, np.array(owner, dtype=np.int64), tuple(terms), np.array(scale))


def term_count(factors: tuple[FactorColumn, ...]) -> int:
    """How many columns `main_effects` would have, without building them."""
    present = [len(np.unique(factor.codes)) for factor in factors]
    return sum(
        min(count - 1, 1) if numeric_levels(factor) is not None else count - 1
        for factor, count in zip(factors, present, strict=True)
    )


def numeric_levels(factor: FactorColumn) -> Floats | None:
    """The levels as numbers; None for a categorical factor and where a level is not a finite number."""
    if factor.kind != "numeric":
        return None
    values = np.array([float(level) for level in factor.levels])
    return values if np.isfinite(values).all() else None


def _standardised(values: Floats) -> tuple[Floats, float]:
    """Values centred and scaled, and the scale; divided by the largest first, as squares of huge ones overflow."""
    largest = float(np.abs(values).max())
    scaled = values / largest
    return np.asarray((scaled - scaled.mean()) / scaled.std()), float(scaled.std() * largest)


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
    projector, owner = _null_projector(effects)
    tied = np.abs(projector[owner == factor]).max(axis=0, initial=0.0) > SEPARABLE
    return tuple(int(other) for other in np.unique(owner[tied]) if other not in (-1, factor))


def tied_terms(effects: Effects) -> NDArray[np.bool_]:
    """Which terms have no estimate of their own, as a combination of other terms stands in for them."""
    projector, owner = _null_projector(effects)
    return np.asarray(np.diag(projector)[owner >= 0] > SEPARABLE)


def _null_projector(effects: Effects) -> tuple[Floats, NDArray[np.int64]]:
    """Projector onto the linear dependences of all columns, base first, and the owner of each (-1: base)."""
    design = np.hstack([effects.base, effects.columns])
    norms = np.linalg.norm(design, axis=0)
    triangle = np.linalg.qr(design / np.where(norms > 0, norms, 1.0), mode="r")
    _, values, rows = np.linalg.svd(triangle, full_matrices=True)
    null = rows[int((values > RANK_TOLERANCE * max(design.shape)).sum()) :]
    owner = np.concatenate([np.full(effects.base.shape[1], -1, dtype=np.int64), effects.owner])
    return null.T @ null, owner


def _basis(columns: Floats, tolerance: float) -> Floats:
    """Left singular vectors of the columns of columns of about unit length; by a thin QR, as n is large."""
    if not columns.shape[1]:
        return columns
    q, r = np.linalg.qr(columns)
    left, values, _ = np.linalg.svd(r, full_matrices=False)
    return np.asarray(q @ left[:, values > tolerance])
