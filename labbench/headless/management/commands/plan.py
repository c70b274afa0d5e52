"""Plan the chambers without stored data."""

from __future__ import annotations

import math
from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand

MOST_SECONDS = 86_400.0


class Command(DocumentCommand):
    help = (
        "Plan freeze, heat and cool soaks of loads over chambers and staffed hours (JSON): which load goes where when. Writes JSON. "
        "Mind hot and deeply cold surfaces, doors and lifting; follow your local codes and the makers' instructions."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("lab", metavar="LAB.json", help="the lab and its loads; - for standard input")
        parser.add_argument(
            "--seconds", type=float, default=10.0, help="how long to look for a better plan (default 10)"
        )
        parser.add_argument("--seed", type=int, default=20260101, help="seed of the search (default 20260101)")

    def handle(self, *args: Any, lab: str, seconds: float, seed: int, out: str, **options: Any) -> None:
        # slow import: ortools
        from labbench.formats.limits import Limits
        from labbench.formats.plan_lab import read_lab
        from labbench.science.scheduling.document import plan_document
        from labbench.science.scheduling.obstacles import with_obstacles
        from labbench.science.scheduling.solver import plan_chambers

        faults = []
        if not 0 < seconds <= MOST_SECONDS or not math.isfinite(seconds):
            faults.append(f"--seconds: {seconds:g} is not between 0 and {MOST_SECONDS:g}")
        if seed < 0:
            faults.append(f"--seed: {seed} is below 0")
        if faults:
            self.refuse(faults)
        with self.open(lab) as file:
            reading = read_lab(file, limits=Limits(faults=1_000_000))  # every fault is listed
        if reading.lab is None:
            self.refuse(reading.fault_lines)
        plan = with_obstacles(reading.lab, plan_chambers(reading.lab, seconds=seconds, seed=seed))
        answer = plan_document(reading.lab, plan)
        answer["warnings"] = [*plan.notes, *reading.notes]
        self.write(answer, out)
