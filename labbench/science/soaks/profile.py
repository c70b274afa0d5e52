"""A thermal profile: the steps a load goes through in each round."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ProfileStep:
    """One soak.

    Attributes
    ----------
    name : str
    target_c, tolerance_k : float
        The coupon is inside while it is within target ± tolerance.
    min_minutes : float
        Least soak.
    max_minutes : float or None
        Longest soak; None for no limit.
    """

    name: str
    target_c: float
    tolerance_k: float
    min_minutes: float
    max_minutes: float | None

    @property
    def low_c(self) -> float:
        """Lower edge of the band, which belongs to it."""
        return self.target_c - self.tolerance_k

    @property
    def high_c(self) -> float:
        """Upper edge of the band, which belongs to it."""
        return self.target_c + self.tolerance_k

    def overlaps(self, other: ProfileStep) -> bool:
        """Whether a temperature can be inside both bands."""
        return self.low_c <= other.high_c and other.low_c <= self.high_c


@dataclass(frozen=True, slots=True)
class ThermalProfile:
    """Steps, how often they are gone through, and the longest way from one to the next (None for no limit)."""

    rounds: int
    max_transfer_minutes: float | None
    steps: tuple[ProfileStep, ...]
