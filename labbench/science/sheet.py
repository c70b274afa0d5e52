"""The coupon sheet: what every analysis is computed from, whether it came from a file or from the database."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

ROLES = ("test", "pristine", "unrepaired", "reference")
Role = Literal["test", "pristine", "unrepaired", "reference"]
FactorKind = Literal["categorical", "numeric"]
Level = str | float

# Where a fracture began, or that the machine's limit was reached without one.
ORIGINS = ("at_repair", "elsewhere", "machine_limit")

# A factor name ending in one of these is read as numbers where all its values are numbers.
UNIT_SUFFIXES = ("_s", "_min", "_h", "_mm", "_c", "_k", "_mpa", "_mw_cm2", "_mj_cm2", "_percent")


@dataclass(frozen=True, slots=True)
class FactorColumn:
    """One factor over the coupons of a sheet.

    Attributes
    ----------
    name : str
        The factor's name, without the column prefix ``factor.``.
    kind : {"categorical", "numeric"}
    levels : tuple of str or float
        The distinct levels that occur, in order: numbers ascending, names in natural reading order.
    codes : ndarray of int, shape (n,)
        Index into `levels` per coupon; -1 where the level is not known.
    """

    name: str
    kind: FactorKind
    levels: tuple[Level, ...]
    codes: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CouponSheet:
    """Coupons, one per position; every array has shape (n,).

    Attributes
    ----------
    coupons : tuple of str
        Unique codes.
    roles : ndarray of str
        One of `ROLES`. Only ``test`` coupons enter the factor analysis.
    factors : tuple of FactorColumn
        In the order of the columns.
    blocks : ndarray of object
        The load (or day) a coupon went through the chambers with: a str, or None where not known.
    rounds_planned : ndarray of int
        Rounds the coupon was meant to go through.
    rounds_survived : ndarray of int
        Whole rounds after which it was last seen to hold (0: never seen holding after a round).
    failed_round : ndarray of int
        Round in which it was first seen cracked out; 0 where it never was (right-censored at `rounds_survived`).
        The crack-out happened in (rounds_survived, failed_round].
    failure_modes : ndarray of object
        A str, or None.
    strength_mpa : ndarray of float
        Fracture stress; NaN where the coupon was not broken in a strength test.
    fracture_origins : ndarray of object, optional
        One of `ORIGINS`, or None where not known; without it none is.
    """

    coupons: tuple[str, ...]
    roles: NDArray[np.str_]
    factors: tuple[FactorColumn, ...]
    blocks: NDArray[np.object_]
    rounds_planned: NDArray[np.int64]
    rounds_survived: NDArray[np.int64]
    failed_round: NDArray[np.int64]
    failure_modes: NDArray[np.object_]
    strength_mpa: NDArray[np.float64]
    fracture_origins: NDArray[np.object_] | None = None

    @property
    def is_test(self) -> NDArray[np.bool_]:
        """Which coupons enter the factor analysis."""
        return np.equal(self.roles, "test")

    @property
    def is_failed(self) -> NDArray[np.bool_]:
        """Which coupons were seen cracked out."""
        return self.failed_round > 0

    @property
    def is_strength_censored(self) -> NDArray[np.bool_]:
        """Whose stress is a lower bound: the machine's limit, and of a repaired coupon a fracture away from the repair."""
        if self.fracture_origins is None:
            return np.zeros(len(self.coupons), dtype=bool)
        is_repaired = np.isin(self.roles, ("test", "reference"))
        origins = self.fracture_origins
        return np.asarray(
            np.equal(origins, "machine_limit") | (is_repaired & np.equal(origins, "elsewhere")), dtype=bool
        )

    @property
    def rounds(self) -> int:
        """The rounds of the study: the largest number planned, 0 for an empty sheet."""
        return int(self.rounds_planned.max(initial=0))


@dataclass(frozen=True, slots=True)
class RunnableLevels:
    """What a lab could run, beyond what the sheet shows.

    Attributes
    ----------
    levels : dict
        Factor name -> levels that exist, those of the sheet among them.
    impossible : tuple of dict
        Partial combinations {factor: level} that can't be made.
    left : dict
        Factor name -> level -> coupons that it is still enough for; a level that is not named has no limit.
    levels_per_load : dict
        Factor name -> different levels that one load can have: few where a factor is hard to change.
    baseline : dict
        Factor name -> level of the repair that failed and whose cause is looked for, as far as one is named.
    """

    levels: dict[str, tuple[Level, ...]]
    impossible: tuple[dict[str, Level], ...]
    left: dict[str, dict[Level, int]] = field(default_factory=dict)
    levels_per_load: dict[str, int] = field(default_factory=dict)
    baseline: dict[str, Level] = field(default_factory=dict)
