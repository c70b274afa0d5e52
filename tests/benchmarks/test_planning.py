"""Plans at the sizes of a busy lab: time to the first plan, makespan, proved bound. Run on request:

python -m pytest tests/benchmarks/test_planning.py -s

The hours behind the labs are the best known makespans: proved least, the one of five sizes in a run of two minutes.
"""

from __future__ import annotations

import json
import os
import time

import pytest

from labbench.formats.plan_lab import read_lab
from labbench.science.scheduling.document import plan_document
from labbench.science.scheduling.solver import plan_chambers
from tests.science.labs import as_document, week_lab
from tests.science.plan_checker import broken_rules

LABS = {
    "30 loads x 3 rounds, alike": (week_lab(), 10, 386),
    "30 loads x 3 rounds, ovens scarce": (week_lab(heat=240), 10, 748),
    "30 loads x 3 rounds, five sizes": (week_lab(sizes=(4, 6, 8, 10, 12)), 10, 410),
    "30 loads x 3 rounds, ten sizes": (week_lab(sizes=tuple(range(3, 13))), 10, 386),
    "100 loads x 4 rounds, 8 chambers": (week_lab(100, 4, freezers=4, ovens=3, bench=96), 30, None),
    "100 loads x 4 rounds, 8 chambers, five sizes": (
        week_lab(100, 4, freezers=4, ovens=3, bench=96, sizes=(4, 6, 8, 10, 12)),
        30,
        None,
    ),
}


@pytest.mark.parametrize("name", LABS)
def test_planning(name):
    lab, seconds, best_known_h = LABS[name]
    assert read_lab(json.dumps(as_document(lab)).encode()).lab == lab
    seen = []
    began = time.perf_counter()
    plan = plan_chambers(
        lab, seconds=seconds, progress=lambda p: seen.append((time.perf_counter() - began, p.best.makespan_minutes))
    )
    took = time.perf_counter() - began
    makespan, bound = plan.score.makespan_minutes, plan.bound_minutes
    best_after = next(after for after, minutes in seen if minutes == makespan)
    print(
        f"\n{name}: first plan {seen[0][0]:.2f} s ({seen[0][1] / 60:.1f} h), best {makespan / 60:.1f} h after {best_after:.2f} s, "
        f"bound {bound / 60:.1f} h ({100 * (1 - bound / makespan):.1f} % below), {took:.1f} s, "
        f"repeatable {plan.is_repeatable}, load {os.getloadavg()[0]:.1f}"
    )
    assert broken_rules(as_document(lab), plan_document(lab, plan)) == []
    if best_known_h is not None:
        assert makespan <= 1.02 * 60 * best_known_h
        assert bound >= 0.95 * 60 * best_known_h
