"""Plans at the sizes of a busy lab: time to the first plan, makespan, proved bound. Run on request:

python -m pytest tests/benchmarks/test_planning.py -s

A long run of ten minutes found nothing better than the makespans below (see BEST_KNOWN_H).
"""

from __future__ import annotations

import json
import os
import time
from datetime import timedelta

import pytest

from labbench.formats.plan_lab import read_lab
from labbench.science.scheduling_document import plan_document
from labbench.science.scheduling_solver import plan_chambers
from tests.science.labs import week_lab
from tests.science.plan_checker import broken_rules


def as_document(lab):
    """The lab as its file would say it."""

    def time_of(minutes):
        return None if minutes is None else (lab.start + timedelta(minutes=minutes)).isoformat(timespec="minutes")

    def clock(minutes):
        return f"{minutes // 60:02}:{minutes % 60:02}"

    return {
        "start": time_of(0),
        "staffed": [
            {"weekday": w.weekday, "from": clock(w.from_minutes), "to": clock(w.to_minutes)} for w in lab.staffed
        ],
        "chambers": [{"name": c.name, "kind": c.kind, "capacity": c.capacity} for c in lab.chambers],
        "profile": {
            "rounds": lab.profile.rounds,
            "max_transfer_minutes": lab.profile.max_transfer_minutes,
            "steps": [
                {"name": s.name, "kind": s.kind, "min_minutes": s.min_minutes, "max_minutes": s.max_minutes}
                for s in lab.profile.steps
            ],
        },
        "loads": [
            {"name": x.name, "coupons": x.coupons, "ready": time_of(x.ready_minutes), "due": time_of(x.due_minutes)}
            for x in lab.loads
        ],
    }


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
