"""Evaluate the points of a lamp survey without stored data."""

from __future__ import annotations

import math
from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand


class Command(DocumentCommand):
    help = (
        "Evaluate a lamp survey (CSV or XLSX with x_mm, y_mm, irradiance_mw_cm2): how much, how even, the dose. Writes JSON. "
        "UV-A harms eyes and skin: shield the lamp, wear UV-blocking eyewear, never look into it."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("points", metavar="POINTS.csv", help="the points; - for standard input")
        parser.add_argument("--cure-seconds", type=float, metavar="S", help="time of the cure, for the dose")

    def handle(self, *args: Any, points: str, cure_seconds: float | None, out: str, **options: Any) -> None:
        from labbench.formats.limits import Limits
        from labbench.formats.survey_points import read_survey_points
        from labbench.science.irradiance import summarise_survey, survey_document

        if cure_seconds is not None and not 0 < cure_seconds < math.inf:
            self.refuse([f"--cure-seconds: {cure_seconds:g} is not a time above 0"])
        with self.open(points) as file:
            reading = read_survey_points(file, limits=Limits(faults=1_000_000))  # every fault is listed
        summary = summarise_survey(reading.readings) if reading.readings else None
        if summary is None:
            self.refuse(reading.fault_lines)
        answer = survey_document(summary, cure_s=cure_seconds)
        answer["warnings"] = list(reading.notes)
        self.write(answer, out)
