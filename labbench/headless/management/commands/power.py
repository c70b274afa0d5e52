"""How many coupons a comparison or a demonstration takes, before glass is broken."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from labbench.headless.documents import DocumentCommand


class Command(DocumentCommand):
    help = (
        "Coupons per arm for a two-sided Fisher exact test, and coupons for a demonstration test. Exact; writes JSON."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        arms = parser.add_argument_group("two arms")
        arms.add_argument(
            "--baseline", type=float, metavar="SHARE", help="failure share of the arm that holds, e.g. 0.05"
        )
        arms.add_argument(
            "--failing", type=float, metavar="SHARE", help="failure share of the arm that fails, e.g. 0.7"
        )
        arms.add_argument("--alpha", type=float, default=0.05, help="two-sided level of the test (default 0.05)")
        arms.add_argument("--power", type=float, default=0.8, help="wanted chance to see the difference (default 0.8)")
        shown = parser.add_argument_group("demonstration")
        shown.add_argument("--reliability", type=float, help="share of coupons that should hold, e.g. 0.9")
        shown.add_argument("--confidence", type=float, help="confidence of the demonstration, e.g. 0.9")
        shown.add_argument("--failures", type=int, default=0, help="failures allowed (default 0)")

    def handle(self, *args: Any, out: str, **options: Any) -> None:
        # slow import: scipy
        from labbench.science.power import demonstration, power_document, two_arms

        faults = []
        for pair in (("baseline", "failing"), ("reliability", "confidence")):
            given = [name for name in pair if options[name] is not None]
            if len(given) == 1:
                missing = next(name for name in pair if name not in given)
                faults.append(f"--{missing}: is missing; --{given[0]} needs it")
        if faults:
            self.refuse(faults)
        if options["baseline"] is None and options["reliability"] is None:
            self.refuse(["Give --baseline and --failing, or --reliability and --confidence, or both pairs."])
        arms = shown = None
        try:
            if options["baseline"] is not None:
                arms = two_arms(options["baseline"], options["failing"], alpha=options["alpha"], power=options["power"])
        except ValueError as error:
            faults.append(str(error))
        try:
            if options["reliability"] is not None:
                shown = demonstration(options["reliability"], options["confidence"], options["failures"])
        except ValueError as error:
            faults.append(str(error))
        if faults:
            self.refuse(faults)
        self.write(power_document(arms, shown), out)
