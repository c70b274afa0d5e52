"""Prove the soaks of a profile from a logger's temperatures, without stored data."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand


class Command(DocumentCommand):
    help = (
        "Find the rounds and steps of a thermal profile in a logger's temperatures (CSV with time, air_c, coupon_NAME_c) and "
        "say for each soak whether it was met. Writes JSON. Hot and deeply cold surfaces burn skin: wear gloves at the chambers."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("log", metavar="LOG.csv", help="the logger's file; - for standard input")
        parser.add_argument("--profile", required=True, metavar="PROFILE.json", help="steps, rounds, longest transfer")

    def handle(self, *args: Any, log: str, profile: str, out: str, **options: Any) -> None:
        from labbench.formats.limits import Limits
        from labbench.formats.logger_file import read_logger_file
        from labbench.formats.thermal_profile import read_thermal_profile
        from labbench.science.soaks.document import trace_document
        from labbench.science.soaks.evaluation import evaluate_trace

        if log == profile == "-":
            self.refuse(["only one of LOG.csv and --profile can come from standard input"])
        limits = Limits(faults=1_000_000)  # every fault is listed
        with self.open(profile) as file:
            steps = read_thermal_profile(file, limits=limits)
        with self.open(log) as file:
            reading = read_logger_file(file, limits=limits)
        if steps.profile is None or reading.trace is None:
            self.refuse([*steps.fault_lines, *reading.fault_lines])
        document = trace_document(evaluate_trace(reading.trace, steps.profile))
        # What was done to read the files stands before what is wrong in the trace.
        warnings = document["warnings"]
        assert isinstance(warnings, list)
        document["warnings"] = [*steps.notes, *reading.notes, *warnings]
        self.write(document, out)
