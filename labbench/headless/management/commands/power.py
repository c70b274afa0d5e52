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
        more = parser.add_argument_group("several arms, equivalence, strength (with --alpha and --power)")
        more.add_argument(
            "--arms", type=float, nargs="+", metavar="SHARE", help="failure share of each arm, e.g. 0.05 0.05 0.7"
        )
        more.add_argument(
            "--equivalence", type=float, nargs=2, metavar="SHARE", help="failure shares of two arms to be shown alike"
        )
        more.add_argument("--margin", type=float, default=0.15, help="difference that would not matter (default 0.15)")
        more.add_argument(
            "--strength-ratio", type=float, help="strength of the weaker arm over that of the other, e.g. 0.8"
        )
        more.add_argument("--weibull-modulus", type=float, default=8, help="of both arms (default 8)")
        more.add_argument("--seed", type=int, default=20260101, help="for what is simulated (default 20260101)")
        shown = parser.add_argument_group("demonstration")
        shown.add_argument("--reliability", type=float, help="share of coupons that should hold, e.g. 0.9")
        shown.add_argument("--confidence", type=float, help="confidence of the demonstration, e.g. 0.9")
        shown.add_argument("--failures", type=int, default=0, help="failures allowed (default 0)")

    def handle(self, *args: Any, out: str, **options: Any) -> None:
        # slow import: scipy
        from labbench.science.power import demonstration, power_document, two_arms
        from labbench.science.power_documents import (
            curve_document,
            equivalence_answer,
            several_arms_answer,
            strength_answer,
        )

        faults = []
        for pair in (("baseline", "failing"), ("reliability", "confidence")):
            given = [name for name in pair if options[name] is not None]
            if len(given) == 1:
                missing = next(name for name in pair if name not in given)
                faults.append(f"--{missing}: is missing; --{given[0]} needs it")
        if options["seed"] < 0:
            faults.append(f"--seed: {options['seed']} is negative")
        if options["arms"] is not None and len(options["arms"]) < 2:
            faults.append("--arms: needs at least two failure shares")
        if faults:
            self.refuse(faults)
        asked_for = ("baseline", "reliability", "arms", "equivalence", "strength_ratio")
        if all(options[name] is None for name in asked_for):
            self.refuse(
                [
                    "Give --baseline and --failing, --reliability and --confidence, --arms, --equivalence or --strength-ratio."
                ]
            )
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
        curves: dict[str, Any] = {"several_arms": None, "equivalence": None, "strength": None}
        common = {"alpha": options["alpha"], "power": options["power"]}
        questions = {
            "several_arms": ("arms", lambda shares: several_arms_answer(shares, **common)),
            "equivalence": ("equivalence", lambda two: equivalence_answer(*two, margin=options["margin"], **common)),
            "strength": (
                "strength_ratio",
                lambda ratio: strength_answer(
                    ratio, weibull_modulus=options["weibull_modulus"], seed=options["seed"], **common
                ),
            ),
        }
        for key, (option, answer) in questions.items():
            try:
                if options[option] is not None:
                    curves[key] = curve_document(answer(options[option]))
            except ValueError as error:
                faults.append(str(error))
        if faults:
            self.refuse(faults)
        self.write(power_document(arms, shown) | curves, out)
