"""Labs to plan for in tests and benchmarks; all invented."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from labbench.science.scheduling.lab import Chamber, Lab, Load, Profile, ProfileStep, StaffedWindow

MONDAY = datetime(2026, 12, 7, 8, 0)
WORKDAYS = tuple(StaffedWindow(day, 7 * 60, 18 * 60) for day in range(5))


def week_lab(loads=30, rounds=3, *, sizes=(8,), freezers=2, ovens=2, capacity=24, bench=48, seed=1, heat=120):
    """Freeze 8 to 16 h, heat, cool: freezers and ovens for three loads of eight, people there by day from Monday to Friday."""
    rng = np.random.default_rng(seed)
    chambers = (
        *(Chamber(f"freezer {n + 1}", "freeze", capacity) for n in range(freezers)),
        *(Chamber(f"oven {n + 1}", "heat", capacity) for n in range(ovens)),
        Chamber("bench", "cool", bench),
    )
    steps = (
        ProfileStep("freeze", "freeze", 480, 960),
        ProfileStep("heat", "heat", heat, heat * 2),
        ProfileStep("cool", "cool", 60, 900),
    )
    chosen = rng.choice(sizes, size=loads)
    return Lab(
        MONDAY,
        WORKDAYS,
        chambers,
        (),
        Profile(rounds, 10, steps),
        tuple(Load(f"load {n + 1}", int(coupons)) for n, coupons in enumerate(chosen)),
    )


def as_document(lab):
    """The lab as its file would say it."""

    def time_of(minutes):
        return None if minutes is None else (lab.start + timedelta(minutes=minutes)).isoformat(timespec="minutes")

    def clock(minutes):
        return f"{minutes // 60:02}:{minutes % 60:02}"

    def as_profile(profile):
        return {
            "rounds": profile.rounds,
            "max_transfer_minutes": profile.max_transfer_minutes,
            "steps": [
                {"name": s.name, "kind": s.kind, "min_minutes": s.min_minutes, "max_minutes": s.max_minutes}
                for s in profile.steps
            ],
        }

    return {
        "start": time_of(0),
        "staffed": [
            {"weekday": w.weekday, "from": clock(w.from_minutes), "to": clock(w.to_minutes)} for w in lab.staffed
        ],
        "closures": [
            {"chamber": c.chamber, "from": time_of(c.from_minutes), "to": time_of(c.to_minutes)} for c in lab.closures
        ],
        "chambers": [{"name": c.name, "kind": c.kind, "capacity": c.capacity} for c in lab.chambers],
        "profile": as_profile(lab.profile),
        "loads": [
            {
                "name": x.name,
                "coupons": x.coupons,
                "ready": time_of(x.ready_minutes),
                "due": time_of(x.due_minutes),
                "profile": x.profile and as_profile(x.profile),
            }
            for x in lab.loads
        ],
    }


def small_lab(seed: int) -> dict:
    """A small random lab as a JSON document: some with closures, cyclers, dates, odd minutes; some without any plan."""
    rng = np.random.default_rng(seed)
    quarter = int(rng.choice([1, 15, 60]))

    def minutes(low, high):
        return max(int(rng.integers(low, high)) // quarter * quarter, quarter)

    def time(low, high):
        return (MONDAY + timedelta(minutes=minutes(low, high))).isoformat(timespec="minutes")

    kinds = [str(kind) for kind in rng.permutation(["freeze", "heat", "cool"])[: rng.integers(1, 4)]]
    steps = []
    for kind in kinds:
        least = minutes(60, 700 if kind == "freeze" else 200)
        steps.append({"name": f"{kind} it", "kind": kind, "min_minutes": least, "max_minutes": least + minutes(1, 600)})
    chambers = [
        {"name": f"{kind} {n}", "kind": kind, "capacity": int(rng.integers(6, 20))}
        for kind in kinds
        for n in range(rng.integers(1, 3))
    ]
    if rng.random() < 0.3:
        chambers.append({"name": "cycler", "kind": "cycler", "capacity": int(rng.integers(5, 20))})
    loads = [{"name": f"L{n}", "coupons": int(rng.integers(1, 10))} for n in range(rng.integers(1, 6))]
    for load in loads:
        if rng.random() < 0.3:
            load["ready"] = time(-500, 2000)
        if rng.random() < 0.4:
            load["due"] = time(500, 5000)
    lab = {
        "start": MONDAY.isoformat(timespec="minutes"),
        "chambers": chambers,
        "profile": {
            "rounds": int(rng.integers(1, 4)),
            "max_transfer_minutes": int(rng.integers(0, 60)),
            "steps": steps,
        },
        "loads": loads,
        "closures": [],
    }
    for chamber in chambers:
        if rng.random() < 0.3:
            first = minutes(0, 3000)
            ends = [(MONDAY + timedelta(minutes=at)).isoformat(timespec="minutes") for at in (first, first + 600)]
            lab["closures"].append({"chamber": chamber["name"], "from": ends[0], "to": ends[1]})
    if rng.random() < 0.75:
        opens, closes = int(rng.integers(6, 10)), int(rng.integers(14, 20))
        lab["staffed"] = [
            {"weekday": day, "from": f"{opens:02}:00", "to": f"{closes:02}:30"} for day in range(rng.integers(3, 8))
        ]
    return lab


def with_own_profiles(document: dict, seed: int) -> dict:
    """The same lab with a profile of its own for some loads: fewer or more rounds, other times, steps left out."""
    rng = np.random.default_rng(seed)
    shared = document["profile"]
    others = []
    for _ in range(2):
        kept = [step for step in shared["steps"] if rng.random() < 0.8] or shared["steps"]
        longer = int(rng.integers(0, 90))
        steps = [
            {**step, "min_minutes": step["min_minutes"] + longer, "max_minutes": step["max_minutes"] + longer}
            for step in kept
        ]
        rounds, transfer = int(rng.integers(1, 4)), int(rng.integers(0, 60))
        others.append({"rounds": rounds, "max_transfer_minutes": transfer, "steps": steps})
    choices = [None, *others]
    loads = [{**load, "profile": choices[rng.integers(len(choices))]} for load in document["loads"]]
    return {**document, "loads": loads}
