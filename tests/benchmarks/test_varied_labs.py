"""Twenty varied labs of 30 loads x 3 rounds: first plan, plan and bound after ten seconds' work, beside the best known. Run on request:

python -m pytest tests/benchmarks/test_varied_labs.py -s

Prints the table of DEVELOPERS.md. The work is that of `--seconds 10`; the clock is four times as long, so that a busy machine gives the
same plans. `varied_labs.json` holds the best plans known, with the work and the CPU seconds of the run that found each.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

from labbench.science.scheduling import solver
from labbench.science.scheduling.document import plan_document
from tests.science.labs import as_document
from tests.science.plan_checker import broken_rules
from tests.science.varied_labs import varied_lab

KNOWN = json.loads(Path(__file__).with_name("varied_labs.json").read_text())
SECONDS, TIMES = 10, 4


def test_varied_labs(monkeypatch):
    print(
        "\n| lab | first plan s | CPU s | late h | plan h | bound h | gap % | best known h | late h | units, CPU s of that run |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    monkeypatch.setattr(solver, "UNITS_PER_SECOND", solver.UNITS_PER_SECOND / TIMES)
    over = []
    for seed in range(20):
        lab, first, best = varied_lab(seed), [], KNOWN[str(seed)]
        began, used = time.perf_counter(), time.process_time()
        plan = solver.plan_chambers(
            lab,
            seconds=SECONDS * TIMES,
            progress=lambda _, first=first, began=began: first.append(time.perf_counter() - began),
        )
        used = time.process_time() - used
        assert broken_rules(as_document(lab), plan_document(lab, plan)) == []
        late, makespan, bound = plan.score.lateness, plan.score.makespan_minutes, plan.bound_minutes
        # A bound above a plan that is known to be possible is no bound.
        assert late > best["late"] or bound <= best["makespan"]
        gap = 100 * (1 - bound / makespan)
        over.append(gap > 5)
        print(
            f"| {seed} | {first[0]:.1f} | {used:.0f} | {late / 60:.0f} | {makespan / 60:.1f} | {bound / 60:.1f} | {gap:.1f} "
            f"| {best['makespan'] / 60:.1f} | {best['late'] / 60:.0f} | {best['units']}, {best['cpu_s']} |"
        )
        if late == best["late"]:
            # Lab 2 has a better plan than this work finds, by 5.4 %, lab 5 on a busy machine, by 7.5 %.
            assert makespan <= 1.08 * best["makespan"], seed
    assert sum(over) <= 3
