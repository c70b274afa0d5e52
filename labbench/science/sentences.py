"""Numbers in plain words: the sentence beside every result of the document."""

from __future__ import annotations

from labbench.science.findings import Finding
from labbench.science.intervals import Interval

DIFFERENCE, TREND = "a difference this large", "a trend this strong"
# Beyond, a p-value is told in words only.
PRACTICALLY_NEVER = 1e-9


def by_chance(finding: Finding, thing: str = DIFFERENCE) -> str:
    """How often chance alone gives as much, as a clause; of a finding that has a p-value."""
    p_value = finding.p_value
    if p_value is None or p_value > 0.5:
        return "differences of this size come up by chance more often than not"
    if p_value < PRACTICALLY_NEVER:
        return f"chance alone practically never gives {thing}"
    odds = 1 / p_value
    rounded = round(odds) if odds < 10 else int(float(f"{odds:.2g}"))
    about = "less than" if finding.draws is not None and p_value < 2 / finding.draws else "about"
    return f"{thing} would come up by chance {about} 1 time in {rounded:,}"


def in_words(about: str, finding: Finding, thing: str = DIFFERENCE) -> str:
    """A test as a sentence: what was compared, and how often chance would give it or why nothing can be said."""
    if finding.p_value is None:
        return f"{about}: no test, as {finding.reason}."
    return f"{about}: {by_chance(finding, thing)}."


def between(interval: Interval, confidence: float, unit: str = "") -> str:
    """An interval as a clause, open ends in words."""
    low, high = interval.low, interval.high
    if low is None and high is None:
        return "no limits can be given"
    if high is None:
        return f"at least {figure(low)}{unit} ({figure(100 * confidence)} % limits, no upper one)"
    if low is None:
        return f"at most {figure(high)}{unit} ({figure(100 * confidence)} % limits, no lower one)"
    return f"between {figure(low)} and {figure(high)}{unit} ({figure(100 * confidence)} % limits)"


def figure(value: float | None) -> str:
    """Three figures are enough for reading; the number itself stands beside the sentence."""
    return "not known" if value is None else f"{value:.3g}"


def percent_between(low: float, high: float) -> str:
    return f"{figure(100 * low)} to {figure(100 * high)} %"
