"""Evaluate the points of a lamp survey without stored data."""

from __future__ import annotations

import math
from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand

# A week; no cure takes as long.
LONGEST_CURE_S = 604_800.0


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
        from labbench.science.survey_cautions import survey_cautions

        if cure_seconds is not None and not 0 < cure_seconds < math.inf:
            self.refuse([f"--cure-seconds: {cure_seconds:g} is not a time above 0"])
        if cure_seconds is not None and cure_seconds > LONGEST_CURE_S:
            self.refuse([f"--cure-seconds: {cure_seconds:g} is longer than a week ({LONGEST_CURE_S:g} s)"])
        with self.open(points) as file:
            reading = read_survey_points(file, limits=Limits(faults=1_000_000))  # every fault is listed
        readings = reading.readings or []
        summary = summarise_survey(readings)
        if summary is None:
            self.refuse(reading.fault_lines)
        answer = survey_document(summary, cure_s=cure_seconds)
        answer["warnings"] = [*reading.notes, *survey_cautions(readings)]
        self.write(answer, out)
