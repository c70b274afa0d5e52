"""Measurement uncertainty as JCGM 100:2008 ("GUM") combines it: a budget of components to one expanded uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, inf, isinf, sqrt

# About 95 %: with many degrees of freedom the coverage factor is then 2 (GUM G.6.6, table G.2).
USUAL_COVERAGE = 0.9545


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to the result: its standard uncertainty in the unit of the result, and its degrees of freedom.

    `is_common`: the same for every result of this meter between two calibrations, so that it does not act on ratios.
    """

    name: str
    standard: float
    df: float
    basis: str
    is_common: bool = False


@dataclass(frozen=True, slots=True)
class Budget:
    """Combined and expanded uncertainty of one value.

    Attributes
    ----------
    combined : float
        Root of the sum of the squares (GUM eq. 10, components not correlated).
    df : float
        Effective degrees of freedom by Welch and Satterthwaite (GUM eq. G.2b); infinite where no component is uncertain.
    k, expanded : float
        Coverage factor t at the truncated effective degrees of freedom (GUM G.4.1), and k times `combined`.
    missing : tuple of str
        What should be in the budget and isn't known; the true uncertainty is larger.
    """

    value: float
    components: tuple[Component, ...]
    combined: float
    df: float
    coverage: float
    k: float
    expanded: float
    missing: tuple[str, ...] = ()

    @property
    def relative(self) -> float | None:
        """Expanded uncertainty over the value; None for a value of 0."""
        return self.expanded / self.value if self.value else None


def budget(
    value: float, components: Sequence[Component], *, coverage: float = USUAL_COVERAGE, missing: Sequence[str] = ()
) -> Budget:
    """Combine components. Those of 0 stay in the table and change nothing; without any the uncertainty is 0."""
    if any(component.standard < 0 or component.df <= 0 for component in components):
        raise ValueError("a standard uncertainty is at least 0 and has more than 0 degrees of freedom")
    combined = sqrt(fsum(component.standard**2 for component in components))
    df = effective_df(components, combined)
    k = coverage_factor(df, coverage=coverage)
    return Budget(value, tuple(components), combined, df, coverage, k, k * combined, tuple(missing))


def effective_df(components: Sequence[Component], combined: float) -> float:
    """Welch-Satterthwaite."""
    spread = fsum(c.standard**4 / c.df for c in components if not isinf(c.df))
    return combined**4 / spread if spread > 0 else inf


def coverage_factor(df: float, *, coverage: float = USUAL_COVERAGE) -> float:
    """Two-sided t quantile at the whole degrees of freedom below `df`; the normal one where they are infinite."""
    # slow import: scipy
    from scipy import stats

    upper = (1 + coverage) / 2
    if isinf(df):
        return float(stats.norm.ppf(upper))
    return float(stats.t.ppf(upper, max(1, int(df))))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of what lies anywhere within ± `half_width` (GUM 4.3.7)."""
    return half_width / sqrt(3)


def of_resolution(step: float) -> float:
    """Standard uncertainty of a reading rounded to `step` (GUM F.2.2.1)."""
    return step / sqrt(12)
