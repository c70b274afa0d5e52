"""Whether a plan keeps the rules, written from the rules alone: it shares no code with what makes plans.

The rules are those of the headless command `plan`; lab and answer are its JSON documents.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise


def moment(text):
    return datetime.fromisoformat(text)


def is_staffed(lab, when):
    if "staffed_spans" in lab:  # not of the file: hours told one by one
        return any(moment(opens) <= when <= moment(closes) for opens, closes in lab["staffed_spans"])
    if lab.get("staffed") is None:
        return True
    for window in lab["staffed"]:
        for day in (when.date(), when.date() - timedelta(days=1)):
            if day.weekday() != window["weekday"]:
                continue
            midnight = datetime(day.year, day.month, day.day)
            hours = [int(part) for key in ("from", "to") for part in window[key].split(":")]
            opens, closes = (midnight + timedelta(hours=hours[n], minutes=hours[n + 1]) for n in (0, 2))
            if opens <= when <= closes:
                return True
    return False


def profile_of(lab, load):
    return load.get("profile") or lab["profile"]


def broken_rules(lab, answer):
    """Every rule that the bookings break, in words."""
    found = []
    chambers = {chamber["name"]: chamber for chamber in lab["chambers"]}
    loads = {load["name"]: load for load in lab["loads"]}
    of_load = {name: [] for name in loads}
    for booking in answer["bookings"]:
        of_load[booking["load"]].append(booking)
        start, end = moment(booking["start"]), moment(booking["end"])
        for when in (start, end):
            if not is_staffed(lab, when):
                found.append(f"{booking}: moved while not staffed")
        for closure in lab.get("closures") or ():
            if (
                closure["chamber"] == booking["chamber"]
                and start < moment(closure["to"])
                and moment(closure["from"]) < end
            ):
                found.append(f"{booking}: chamber closed")
        earliest = max(moment(lab["start"]), moment(loads[booking["load"]].get("ready") or lab["start"]))
        if start < earliest:
            found.append(f"{booking}: before ready")
    for name, bookings in of_load.items():
        found += broken_way(profile_of(lab, loads[name]), chambers, name, sorted(bookings, key=lambda b: b["start"]))
    for name, chamber in chambers.items():
        here = [b for b in answer["bookings"] if b["chamber"] == name]
        for at in here:
            inside = [b for b in here if b["start"] <= at["start"] < b["end"]]
            if sum(loads[b["load"]]["coupons"] for b in inside) > chamber["capacity"]:
                found.append(f"{name} over capacity at {at['start']}")
            if chamber["kind"] == "cycler" and len({b["start"] for b in inside}) > 1:
                found.append(f"{name}: loads that did not start together at {at['start']}")
            if chamber["kind"] == "cycler" and any(
                profile_of(lab, loads[b["load"]]) != profile_of(lab, loads[at["load"]]) for b in inside
            ):
                found.append(f"{name}: loads of several profiles in one run at {at['start']}")
    return found + wrong_sums(lab, answer, of_load)


def broken_way(profile, chambers, name, bookings):
    steps = [(number + 1, step) for number in range(profile["rounds"]) for step in profile["steps"]]
    minutes = [(moment(b["end"]) - moment(b["start"])) // timedelta(minutes=1) for b in bookings]
    if len(bookings) == 1 and bookings[0]["step"] is None:
        whole = profile["rounds"] * sum(step["min_minutes"] for step in profile["steps"])
        good = chambers[bookings[0]["chamber"]]["kind"] == "cycler" and minutes == [whole]
        return [] if good and bookings[0]["round"] is None else [f"{name}: not a run of the profile"]
    if [(b["round"], b["step"]) for b in bookings] != [(number, step["name"]) for number, step in steps]:
        return [f"{name}: not each step of each round in order"]
    found = []
    for booking, took, (_, step) in zip(bookings, minutes, steps, strict=True):
        if chambers[booking["chamber"]]["kind"] != step["kind"]:
            found.append(f"{booking}: wrong kind of chamber")
        if not step["min_minutes"] <= took <= step["max_minutes"]:
            found.append(f"{booking}: soak of {took} minutes")
    for before, after in pairwise(bookings):
        gap = (moment(after["start"]) - moment(before["end"])) // timedelta(minutes=1)
        if not 0 <= gap <= profile["max_transfer_minutes"]:
            found.append(f"{after}: transfer of {gap} minutes")
    return found


def wrong_sums(lab, answer, of_load):
    found = []
    start = moment(lab["start"])
    ends = {name: max(moment(b["end"]) for b in bookings) for name, bookings in of_load.items()}
    makespan = (max(ends.values()) - start) // timedelta(minutes=1)
    if answer["makespan_minutes"] != makespan:
        found.append(f"makespan is {makespan}, not {answer['makespan_minutes']}")
    if not 0 <= answer["bound_minutes"] <= makespan:
        found.append(f"bound {answer['bound_minutes']} of makespan {makespan}")
    late = {
        load["name"]: (ends[load["name"]] - moment(load["due"])) // timedelta(minutes=1)
        for load in lab["loads"]
        if load.get("due") and ends[load["name"]] > moment(load["due"])
    }
    if {one["load"]: one["minutes"] for one in answer["late"]} != late:
        found.append(f"late are {late}, not {answer['late']}")
    return found
