"""A straight line through points by least squares, and where it crosses a level, with t-based limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, isfinite, sqrt

from scipy import special

from labbench.science.intervals import Interval


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x.

    Attributes
    ----------
    points : int
    slope, intercept : float
    df : int
        points - 2; with 0 the line goes through both points and nothing is known of its error.
    residual_sd : float or None
        sqrt(sum of squared residuals / df); None with df = 0.
    x_mean, x_spread : float
        Mean of x and sum of squared deviations from it.
    y_mean : float
    """

    points: int
    slope: float
    intercept: float
    df: int
    residual_sd: float | None
    x_mean: float
    x_spread: float
    y_mean: float

    def at(self, x: float) -> float:
        return self.y_mean + self.slope * (x - self.x_mean)


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Ordinary least squares of y on x.

    Parameters
    ----------
    x, y : sequence of float, shape (n,)
        At least two different x; repeats are allowed.

    Raises
    ------
    ValueError
        If the shapes differ, a value is not finite or all x are alike.

    References
    ----------
    N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed. (1998), ch. 1 (from memory); any text on regression.
    """
    if len(x) != len(y):
        raise ValueError(f"{len(x)} places and {len(y)} values do not belong together")
    if not all(map(isfinite, (*x, *y))):
        raise ValueError("a value is not a finite number")
    n = len(x)
    if n < 2 or max(x) == min(x):
        raise ValueError("a line needs two different places")
    x_mean, y_mean = fsum(x) / n, fsum(y) / n
    x_spread = fsum((a - x_mean) ** 2 for a in x)
    slope = fsum((a - x_mean) * (b - y_mean) for a, b in zip(x, y, strict=True)) / x_spread
    rest = fsum((b - y_mean - slope * (a - x_mean)) ** 2 for a, b in zip(x, y, strict=True))
    df = n - 2
    sd = sqrt(rest / df) if df else None
    return Line(n, slope, y_mean - slope * x_mean, df, sd, x_mean, x_spread, y_mean)


def t_quantile(df: int, confidence: float) -> float:
    """Two-sided quantile of Student's t."""
    return float(special.stdtrit(df, 0.5 + confidence / 2))


def slope_limits(line: Line, *, confidence: float = 0.95) -> Interval | None:
    """Limits of the slope; None where two points leave no error to judge by."""
    if line.residual_sd is None:
        return None
    half = t_quantile(line.df, confidence) * line.residual_sd / sqrt(line.x_spread)
    return Interval(line.slope - half, line.slope + half)


def mean_limits(line: Line, x: float, *, confidence: float = 0.95) -> Interval | None:
    """Limits of the line's height at x; None where two points leave no error to judge by."""
    if line.residual_sd is None:
        return None
    half = (
        t_quantile(line.df, confidence)
        * line.residual_sd
        * sqrt(1 / line.points + (x - line.x_mean) ** 2 / line.x_spread)
    )
    return Interval(line.at(x) - half, line.at(x) + half)


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a line reaches a level.

    Attributes
    ----------
    x : float or None
        None where the line is level.
    limits : Interval or None
        All x at which the level lies within the line's own limits. An end that is None is open. None where the line has no
        limits (two points), or where no bound exists on either side.
    """

    x: float | None
    limits: Interval | None


def crossing(line: Line, level: float, *, confidence: float = 0.95) -> Crossing:
    """Where the line reaches a level, with limits by Fieller's argument: the x whose confidence limits hold the level.

    (line(x) - level)² <= t² s² (1/n + (x - mean)² / spread) is quadratic in x - mean. Where the slope is not clearly different
    from zero the set is open to one side, or to both.

    References
    ----------
    E. C. Fieller, J. R. Stat. Soc. B 16 (1954), 175-185 (from memory). Cross-checked in the tests by scanning x.
    """
    x = None if line.slope == 0 else line.x_mean + (level - line.y_mean) / line.slope
    if line.residual_sd is None:
        return Crossing(x, None)
    if x is None:
        return Crossing(None, None)
    w = (t_quantile(line.df, confidence) * line.residual_sd) ** 2
    gap = line.y_mean - level
    a = line.slope**2 - w / line.x_spread
    b = 2 * gap * line.slope
    c = gap**2 - w / line.points
    low, high = ends_around(x - line.x_mean, a, b, c)
    if low is None and high is None:
        return Crossing(x, None)
    return Crossing(x, Interval(shifted(low, line.x_mean), shifted(high, line.x_mean)))


def ends_around(u: float, a: float, b: float, c: float) -> tuple[float | None, float | None]:
    """Ends of the part of {v : a v² + b v + c <= 0} that holds u; None for an open end."""
    discriminant = b * b - 4 * a * c
    if a == 0:
        return (None, None) if b == 0 else ((None, -c / b) if b > 0 else (-c / b, None))
    if a < 0 and discriminant <= 0:
        return (None, None)
    # With a > 0 there are always roots, for u itself is held; a negative discriminant is rounding.
    root = sqrt(max(0.0, discriminant))
    first, last = sorted(((-b - root) / (2 * a), (-b + root) / (2 * a)))
    if a > 0:
        return (first, last)
    # Everything outside the two roots: only the branch of u is the answer.
    return (None, first) if u <= first else (last, None)


def shifted(u: float | None, by: float) -> float | None:
    return None if u is None else u + by
