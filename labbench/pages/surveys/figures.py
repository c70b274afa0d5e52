"""The figures of a survey with how well they are known, for the pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isinf

from labbench.lab.meters import meter_limits
from labbench.lab.models import Calibration, Radiometer
from labbench.science.irradiance import Reading, SurveySummary, summarise_survey
from labbench.science.survey_uncertainty import survey_uncertainty
from labbench.science.uncertainty import Budget


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """A budget as a table: rows of name, what it is from, standard uncertainty, percent of the value, degrees of freedom."""

    title: str
    budget: Budget
    rows: list[tuple[str, str, float, float | None, float | None]]
    relative: float | None
    df: int | None
    is_complete: bool


@dataclass(frozen=True, slots=True)
class Figures:
    """Summary and budgets."""

    summary: SurveySummary
    budgets: list[BudgetTable]

    @property
    def mean(self) -> BudgetTable:
        return self.budgets[0]

    @property
    def coldest(self) -> BudgetTable:
        return self.budgets[1]


def figures(readings: Sequence[Reading], meter: Radiometer, calibration: Calibration | None) -> Figures | None:
    """None without readings."""
    summary = summarise_survey(readings)
    known = survey_uncertainty(readings, meter_limits(meter, calibration))
    if summary is None or known is None:
        return None
    return Figures(summary, [table("Mean over the points", known.mean), table("Coldest point", known.min)])


def table(title: str, budget: Budget) -> BudgetTable:
    rows: list[tuple[str, str, float, float | None, float | None]] = [
        (
            part.name,
            part.basis,
            part.standard,
            part.standard / budget.value if budget.value else None,
            None if isinf(part.df) else part.df,
        )
        for part in budget.components
    ]
    df = None if isinf(budget.df) else int(budget.df)
    return BudgetTable(title, budget, rows, budget.relative, df, not budget.missing)
