"""Analyse a coupon sheet without stored data."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand


class Command(DocumentCommand):
    help = "Analyse a coupon sheet (CSV, or XLSX): which factor fails, how sure that is, which coupons to run next. Writes JSON."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("sheet", metavar="SHEET.csv", help="the coupon sheet; - for standard input")
        parser.add_argument("--confidence", type=float, default=0.95, help="coverage of the intervals (default 0.95)")
        parser.add_argument(
            "--margin",
            type=float,
            default=0.15,
            help="difference of failure shares that does not matter (default 0.15)",
        )
        parser.add_argument(
            "--strength-margin",
            type=float,
            help="relative loss of strength that does not matter (default: as --margin)",
        )
        parser.add_argument(
            "--next", type=int, default=0, dest="next_count", metavar="N", help="propose the next N coupons (default 0)"
        )
        parser.add_argument(
            "--levels", metavar="LEVELS.json", help="levels that could be run, and combinations that can't"
        )
        parser.add_argument("--seed", type=int, default=20260101, help="seed of all random numbers (default 20260101)")

    def handle(self, *args: Any, sheet: str, levels: str | None, next_count: int, out: str, **options: Any) -> None:
        # slow import: scipy
        from labbench.formats.coupon_sheet import read_coupon_sheet
        from labbench.formats.limits import Limits
        from labbench.formats.runnable_levels import read_runnable_levels
        from labbench.science.document import document
        from labbench.science.evaluation import evaluate

        if faults := list(option_faults(next_count=next_count, **options)):
            self.refuse(faults)
        with self.open(sheet) as file:
            reading = read_coupon_sheet(file, filename=sheet, limits=Limits(faults=1_000_000))  # every fault is listed
        if reading.sheet is None:
            self.refuse(reading.fault_lines)
        runnable = None
        notes: tuple[str, ...] = ()
        if levels is not None:
            with self.open(levels) as file:
                named = read_runnable_levels(file, reading.sheet)
            if named.levels is None:
                self.refuse(named.fault_lines)
            runnable, notes = named.levels, named.notes
        evaluation = evaluate(
            reading.sheet,
            confidence=options["confidence"],
            margin=options["margin"],
            strength_margin=options["strength_margin"],
            next_count=next_count,
            runnable=runnable,
            seed=options["seed"],
        )
        answer = document(evaluation)
        answer["warnings"] = [*reading.notes, *notes, *answer["warnings"]]
        self.write(answer, out)


def option_faults(
    *, confidence: float, margin: float, strength_margin: float | None, next_count: int, seed: int, **_: Any
) -> Any:
    """A line for each option whose value is not possible."""
    from labbench.science.intervals import confidence_fault  # slow import: scipy

    if (refused := confidence_fault(confidence)) is not None:
        yield f"--confidence: {confidence} {refused}"
    if not 0 < margin < 1:
        yield f"--margin: {margin:g} is not between 0 and 1"
    if strength_margin is not None and not 0 < strength_margin < 1:
        yield f"--strength-margin: {strength_margin:g} is not between 0 and 1"
    if not 0 <= next_count <= 1000:
        yield f"--next: {next_count} is not between 0 and 1000"
    if seed < 0:
        yield f"--seed: {seed} is negative"
