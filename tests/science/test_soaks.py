"""Soaks found in invented traces whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.science.soaks.document import trace_document
from labbench.science.soaks.evaluation import evaluate_trace
from labbench.science.soaks.profile import ProfileStep, ThermalProfile
from labbench.science.soaks.traces import TemperatureTrace, make_ready
from tests.science.trace_makers import ROOM_C, Stay, make, rounds_of, true_soak

FREEZE = ProfileStep("freeze", -18.0, 4.0, 120, 300)
HEAT = ProfileStep("heat", 77.0, 5.0, 45, 150)
COOL = ProfileStep("cool", 25.0, 9.0, 30, 400)
PROFILE = ThermalProfile(3, 5.0, (FREEZE, HEAT, COOL))
STEPS = (("freeze", -20.0, 200.0), ("heat", 79.0, 120.0), ("cool", 21.0, 90.0))
TAU = {"A": 8.0, "B": 11.0}


def as_trace(made, columns=None, keep=None):
    columns = columns or made.columns()
    keep = np.arange(len(made.seconds)) if keep is None else keep
    time_us = np.round(made.seconds[keep] * 1e6).astype(np.int64) + 1_796_630_400_000_000
    return TemperatureTrace(time_us, tuple(columns), tuple(values[keep] for values in columns.values()))


def evaluated(stays, profile=PROFILE, *, interval_s=30.0, noise_k=0.05, **options):
    made = make(stays, tau_minutes=TAU, interval_s=interval_s, noise_k=noise_k, **options)
    return made, evaluate_trace(as_trace(made), profile)


def verdicts(evaluation):
    return [step.verdict for step in evaluation.steps]


def test_three_rounds_as_planned_are_met():
    made, evaluation = evaluated(rounds_of(3, STEPS))
    assert verdicts(evaluation) == ["met"] * 9
    assert evaluation.is_met
    assert evaluation.rounds_completed == 3
    for step in evaluation.steps:
        own = next(s for s in PROFILE.steps if s.name == step.step)
        truth = true_soak(made, step.step, step.round, own.low_c, own.high_c)
        assert step.soak_minutes == pytest.approx(truth, abs=2)


def test_a_transfer_is_timed_from_air_to_air():
    _, evaluation = evaluated(rounds_of(3, STEPS, transfer_minutes=4.0), interval_s=10.0)
    heat = evaluation.steps[1]
    assert heat.transfer_seconds == pytest.approx(240, abs=20)
    assert not heat.is_transfer_late
    # The room is as warm as the cool-down's air: nothing can be seen.
    assert evaluation.steps[2].transfer_seconds is None


def test_a_late_transfer_is_not_by_the_profile():
    _, evaluation = evaluated(rounds_of(3, STEPS, transfer_minutes=9.0))
    assert verdicts(evaluation) == ["met"] * 9
    assert evaluation.steps[1].is_transfer_late
    assert not evaluation.is_met
    assert "round 1, heat: the transfer took 540 s, 300 are allowed" in evaluation.reason


def test_a_chamber_that_ramps_has_no_transfer():
    ramp = [Stay(float(air), 1.0) for air in np.linspace(-20, 79, 60)]
    stays = [Stay(-20, 200, (1, "freeze")), *ramp, Stay(79, 120, (1, "heat"))]
    profile = ThermalProfile(1, 5.0, (FREEZE, HEAT))
    _, evaluation = evaluated(stays, profile)
    assert verdicts(evaluation) == ["met", "met"]
    assert evaluation.steps[1].transfer_seconds is None
    assert evaluation.is_met


@pytest.mark.parametrize(
    ("changed", "place", "verdict"),
    [
        ({1: ("heat", 79.0, 60.0)}, 1, "short"),
        ({1: ("heat", 79.0, 250.0)}, 1, "long"),
        ({0: ("freeze", -20.0, 420.0)}, 0, "long"),
        ({1: ("heat", 65.0, 120.0)}, 1, "not reached"),
        ({1: ("heat", 79.0, 12.0)}, 1, "not reached"),
        ({0: ("freeze", -10.0, 200.0)}, 0, "not reached"),
    ],
)
def test_a_step_gone_wrong_is_named(changed, place, verdict):
    steps = [changed.get(at, step) for at, step in enumerate(STEPS)]
    _, evaluation = evaluated(rounds_of(3, steps))
    wanted = ["met", "met", "met"]
    wanted[place] = verdict
    assert verdicts(evaluation) == wanted * 3
    assert evaluation.rounds_completed == 0


@pytest.mark.parametrize("name", ["freeze", "heat", "cool"])
def test_a_step_left_out_is_missing_and_the_rest_stays_in_place(name):
    _, evaluation = evaluated(rounds_of(3, STEPS, left_out={(2, name)}))
    wanted = ["met"] * 9
    wanted[3 + ["freeze", "heat", "cool"].index(name)] = "missing"
    assert verdicts(evaluation) == wanted
    assert "left out" in evaluation.steps[wanted.index("missing")].reason
    assert evaluation.rounds_completed == 2


def test_a_round_left_out_leaves_the_last_one_missing():
    _, evaluation = evaluated(rounds_of(2, STEPS))
    assert verdicts(evaluation) == ["met"] * 6 + ["missing"] * 3
    assert evaluation.rounds_completed == 2


def test_a_trace_that_ends_in_a_soak_is_short_and_what_follows_missing():
    stays = rounds_of(3, STEPS)
    made = make(stays, tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    begins = next(b for b, _, stay in made.stays if stay.step == (2, "freeze"))
    keep = np.flatnonzero(made.seconds < begins + 60 * 90)
    evaluation = evaluate_trace(as_trace(made, keep=keep), PROFILE)
    assert verdicts(evaluation) == ["met"] * 3 + ["short"] + ["missing"] * 5
    assert evaluation.steps[3].reason.endswith("the trace ends during it")


def test_a_run_broken_off_to_the_room_has_no_cool_down():
    stays = [Stay(ROOM_C, 30), Stay(-20, 200, (1, "freeze")), Stay(ROOM_C, 600)]
    _, evaluation = evaluated(stays)
    assert verdicts(evaluation) == ["met"] + ["missing"] * 8


def test_an_opened_door_breaks_the_soak_but_not_the_step():
    door = [("freeze", -20.0, 100.0), ("freeze", 12.0, 8.0), ("freeze", -20.0, 100.0), *STEPS[1:]]
    stays = [stay for stay in rounds_of(1, door, transfer_minutes=2.0) if True]
    # Between the pieces of the freeze there is no transfer.
    stays = [
        stay
        for at, stay in enumerate(stays)
        if not (stay.step is None and 0 < at < len(stays) - 1 and stays[at - 1].step == stays[at + 1].step)
    ]
    made, evaluation = evaluated(stays, ThermalProfile(1, 5.0, (FREEZE, HEAT, COOL)))
    freeze = evaluation.steps[0]
    assert verdicts(evaluation) == ["short", "met", "met"]
    assert freeze.times_inside == 2
    assert freeze.soak_minutes == pytest.approx(true_soak(made, "freeze", 1, -22, -14), abs=2)


def test_long_idle_before_between_and_after_changes_nothing_but_the_last_cool_down():
    stays = rounds_of(3, STEPS, idle_before=900.0, transfer_minutes=2.0, idle_after=600.0)
    _, evaluation = evaluated(stays)
    # On the bench the load goes on cooling for as long as it lies there: nothing tells idle time from the cool-down.
    assert verdicts(evaluation) == ["met"] * 8 + ["long"]


def test_without_coupon_channels_the_air_decides():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    evaluation = evaluate_trace(as_trace(made, {"air_c": made.air_c}), PROFILE)
    assert verdicts(evaluation) == ["met"] * 9
    assert evaluation.decided_by == ("air_c",)
    assert evaluation.steps[0].soak_minutes == pytest.approx(200, abs=1)


def test_without_air_the_glass_finds_the_steps():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    columns = {name: values for name, values in made.columns().items() if name != "air_c"}
    evaluation = evaluate_trace(as_trace(made, columns), PROFILE)
    assert verdicts(evaluation) == ["met"] * 9
    assert all(step.transfer_seconds is None for step in evaluation.steps)


def test_one_reading_outside_does_not_end_a_soak_and_two_do():
    made = make(rounds_of(1, STEPS, idle_before=0), tau_minutes=TAU, interval_s=60.0)
    profile = ThermalProfile(1, 5.0, (FREEZE, HEAT, COOL))
    columns = made.columns()
    columns["coupon_A_c"][100] = 40.0
    columns["coupon_B_c"][101] = -60.0
    assert evaluate_trace(as_trace(made, columns), profile).steps[0].times_inside == 1
    columns["coupon_A_c"][101] = 40.0
    freeze = evaluate_trace(as_trace(made, columns), profile).steps[0]
    assert freeze.times_inside == 2
    assert freeze.verdict == "short"


@pytest.mark.parametrize(("missing", "times"), [(3, 1), (4, 2), (30, 2)])
def test_a_gap_ends_a_soak_from_five_intervals_on(missing, times):
    made = make(rounds_of(1, STEPS, idle_before=0), tau_minutes=TAU, interval_s=60.0)
    keep = np.r_[0:120, 120 + missing : len(made.seconds)]
    evaluation = evaluate_trace(as_trace(made, keep=keep), ThermalProfile(1, 5.0, (FREEZE, HEAT, COOL)))
    assert evaluation.steps[0].times_inside == times
    (gap,) = evaluation.ready.gaps
    assert gap.seconds == 60 * (missing + 1)
    assert gap.ends_soak == (times == 2)


@pytest.mark.parametrize(("missing", "times"), [(3, 1), (4, 2)])
def test_a_hole_in_one_channel_counts_like_a_gap(missing, times):
    made = make(rounds_of(1, STEPS, idle_before=0), tau_minutes=TAU, interval_s=60.0)
    columns = made.columns()
    columns["coupon_B_c"][120 : 120 + missing] = np.nan
    evaluation = evaluate_trace(as_trace(made, columns), ThermalProfile(1, 5.0, (FREEZE, HEAT, COOL)))
    assert evaluation.steps[0].times_inside == times


def test_a_dead_coupon_channel_proves_nothing_and_is_named():
    made = make(rounds_of(1, STEPS), tau_minutes=TAU, interval_s=30.0)
    columns = made.columns()
    columns["coupon_B_c"][made.seconds > 60 * 150] = np.nan
    evaluation = evaluate_trace(as_trace(made, columns), ThermalProfile(1, 5.0, (FREEZE, HEAT, COOL)))
    assert verdicts(evaluation) == ["short", "not reached", "not reached"]
    assert "coupon_B_c had no reading" in evaluation.steps[1].reason
    assert any("coupon_B_c" in text and "dead" in text for text in evaluation.ready.warnings)


def test_a_frozen_air_channel_does_not_hide_the_steps():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    columns = made.columns()
    at = int(np.searchsorted(made.seconds, 60 * 120))
    columns["air_c"][at:] = columns["air_c"][at]
    evaluation = evaluate_trace(as_trace(made, columns), PROFILE)
    assert verdicts(evaluation) == ["met"] * 9
    assert any("air_c" in text and "frozen" in text for text in evaluation.ready.warnings)
    assert all(step.transfer_seconds is None for step in evaluation.steps)


def test_a_frozen_coupon_channel_is_said_and_air_that_is_only_steady_is_not():
    made = make(rounds_of(3, STEPS), tau_minutes={"A": 8.0, "B": 11.0, "C": 9.0}, interval_s=30.0)
    columns = made.columns()
    assert evaluate_trace(as_trace(made, columns), PROFILE).ready.warnings == ()
    at = int(np.searchsorted(made.seconds, 60 * 120))
    columns["coupon_C_c"][at:] = columns["coupon_C_c"][at]
    evaluation = evaluate_trace(as_trace(made, columns), PROFILE)
    assert [text for text in evaluation.ready.warnings if "coupon_C_c" in text and "frozen" in text]
    assert "not reached" in verdicts(evaluation)


def test_rows_in_any_order_give_the_same_soaks():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    whole = evaluate_trace(as_trace(made), PROFILE)
    backwards = as_trace(made, keep=np.arange(len(made.seconds))[::-1])
    swapped = np.arange(len(made.seconds))
    swapped[[500, 501]] = [501, 500]
    swapped[[900, 901, 902, 903]] = [903, 900, 901, 902]
    doubled = np.sort(np.r_[np.arange(len(made.seconds)), 700, 701])
    for trace in (backwards, as_trace(made, keep=swapped), as_trace(made, keep=doubled)):
        evaluation = evaluate_trace(trace, PROFILE)
        assert [s.soak_minutes for s in evaluation.steps] == [s.soak_minutes for s in whole.steps]
        assert evaluation.ready.warnings


def test_a_clock_set_back_costs_no_soak_minutes():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    whole = evaluate_trace(as_trace(made), PROFILE)
    trace = as_trace(made)
    trace.time_us[300:] -= 3_600_000_000
    evaluation = evaluate_trace(trace, PROFILE)
    assert [s.soak_minutes for s in evaluation.steps] == pytest.approx([s.soak_minutes for s in whole.steps])
    assert evaluation.ready.warnings[0].startswith("row 302: the clock goes back by 3570 s")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (lambda n: [*range(300), *range(200, n)], "repeats times and readings of rows above; 100 such rows left out"),
        (lambda n: [*range(n), *range(n)], "repeats times and readings of rows above; "),
        (lambda n: [*range(900, n), *range(900)], "were put in order of time"),
        (lambda n: [*range(500), *range(900, n), *range(500, 900)], "were put in order of time"),
    ],
)
def test_downloads_that_overlap_or_are_joined_in_the_wrong_order_count_once_and_in_theirs(rows, said):
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    whole = evaluate_trace(as_trace(made), PROFILE)
    evaluation = evaluate_trace(as_trace(made, keep=np.array(rows(len(made.seconds)))), PROFILE)
    assert [s.soak_minutes for s in evaluation.steps] == [s.soak_minutes for s in whole.steps]
    assert evaluation.ready.trace.rows == whole.ready.trace.rows
    assert [text for text in evaluation.ready.warnings if said in text]


def test_a_steady_reading_in_the_hour_that_comes_twice_is_no_repetition():
    # Summer time ends while a freezer stands at one reading: the second hour looks like the first.
    minutes = np.r_[np.arange(180), np.arange(120, 400)]
    values = np.full(len(minutes), -18.0)
    trace = TemperatureTrace(minutes * np.int64(60_000_000), ("air_c",), (values,))
    evaluation = evaluate_trace(trace, PROFILE)
    assert evaluation.ready.trace.rows == len(minutes)
    assert evaluation.steps[0].soak_minutes == len(minutes) - 1


def test_rounds_beyond_those_of_the_profile_are_told():
    made = make(rounds_of(3, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    evaluation = evaluate_trace(as_trace(made), ThermalProfile(2, 5.0, PROFILE.steps))
    (warning,) = evaluation.ready.warnings
    assert warning.startswith("as long as a soak, but of no step of the profile's rounds: 2026-12-07T08:")
    assert warning.count("near -20 degC, before the first step") == 1
    assert warning.count("near 79 degC, before the first step") == 1


@pytest.mark.parametrize(("hours", "offset", "is_told"), [(1, None, True), (1, 60, False), (2, None, False)])
def test_an_hour_that_summer_time_may_have_left_out_is_told(hours, offset, is_told):
    made = make(rounds_of(1, STEPS), tau_minutes=TAU, interval_s=30.0, noise_k=0.05)
    trace = as_trace(made)
    trace.time_us[300:] += hours * 3_600_000_000
    warnings = make_ready(replace(trace, utc_offset_minutes=offset)).warnings
    assert bool([text for text in warnings if text.startswith("row 302: an hour of the clock is missing")]) == is_told


def test_noise_at_the_edge_of_a_zone_stays_fast():
    rng = np.random.default_rng(3)
    values = rng.normal((-14 + 16) / 2, 5, 50_000)
    time_us = np.arange(50_000, dtype=np.int64) * 1_000_000
    evaluation = evaluate_trace(TemperatureTrace(time_us, ("air_c",), (values,)), PROFILE)
    assert not evaluation.is_met


@pytest.mark.parametrize("rows", [1, 2, 3])
def test_a_trace_of_a_few_rows_is_judged(rows):
    time_us = np.arange(rows, dtype=np.int64) * 60_000_000
    evaluation = evaluate_trace(TemperatureTrace(time_us, ("air_c",), (np.full(rows, -18.0),)), PROFILE)
    assert verdicts(evaluation) == ["short"] + ["missing"] * 8
    trace_document(evaluation)


def test_a_trace_without_any_reading_is_all_missing():
    time_us = np.arange(50, dtype=np.int64) * 60_000_000
    evaluation = evaluate_trace(TemperatureTrace(time_us, ("coupon_A_c",), (np.full(50, np.nan),)), PROFILE)
    assert verdicts(evaluation) == ["missing"] * 9


def test_a_profile_of_one_step_counts_its_rounds():
    stays = rounds_of(3, (("freeze", -20.0, 200.0),), transfer_minutes=60.0)
    _, evaluation = evaluated(stays, ThermalProfile(3, None, (FREEZE,)))
    assert verdicts(evaluation) == ["met"] * 3


@st.composite
def runs(draw):
    """A run with anything that happens, and the verdict of each step it was made for."""
    rounds = draw(st.integers(1, 3))
    names = ("freeze", "heat", "cool")
    done = draw(st.integers(1, rounds))
    stays = [Stay(ROOM_C, draw(st.sampled_from([5.0, 45.0, 400.0])))] if draw(st.booleans()) else []
    wanted = {}
    skipped = (2, draw(st.sampled_from(["freeze", "heat", "cool"]))) if done == 3 and draw(st.booleans()) else None
    kinds = ["met", "met", "met", "short", "long", "not reached"]
    for number in range(1, done + 1):
        for name in names:
            if (number, name) == skipped:
                wanted[number, name] = "missing"
                continue
            kind = draw(st.sampled_from(kinds if name != "cool" else ["met"]))
            air_c, minutes = {
                ("freeze", "short"): (-20.0, 105.0),
                ("freeze", "long"): (-20.0, 380.0),
                ("freeze", "not reached"): (-8.0, 200.0),
                ("heat", "short"): (79.0, 62.0),
                ("heat", "long"): (79.0, 230.0),
                ("heat", "not reached"): (66.0, 120.0),
            }.get((name, kind), {n: (a, m) for n, a, m in STEPS}[name])
            wanted[number, name] = kind
            if stays and stays[-1].step:
                stays.append(Stay(ROOM_C, draw(st.sampled_from([1.0, 3.0, 4.5, 200.0 if name == "heat" else 2.0]))))
            if name == "freeze" and kind == "met" and draw(st.booleans()) and draw(st.booleans()):
                # The door stands open in the middle: neither half is long enough.
                wanted[number, name] = "short"
                stays += [Stay(air_c, 105.0, (number, name)), Stay(12.0, 9.0)]
                minutes = 105.0
            stays.append(Stay(air_c, minutes, (number, name)))
    verdict = [wanted.get((number, name), "missing") for number in range(1, rounds + 1) for name in names]
    return rounds, stays, verdict


@settings(max_examples=60, deadline=None)
@given(
    run=runs(),
    interval_s=st.sampled_from([5.0, 10.0, 30.0, 60.0]),
    noise_k=st.sampled_from([0.0, 0.1, 0.3]),
    seed=st.integers(0, 10_000),
    offset_k=st.floats(-0.5, 0.5),
    spikes=st.integers(0, 4),
    dropped=st.integers(0, 4),
    air=st.booleans(),
)
def test_every_step_gets_the_verdict_it_was_made_for(run, interval_s, noise_k, seed, offset_k, spikes, dropped, air):
    rounds, stays, wanted = run
    made = make(
        stays, tau_minutes=TAU, interval_s=interval_s, noise_k=noise_k, seed=seed, offsets={"A": offset_k, "B": 0.0}
    )
    rng = np.random.default_rng(seed)
    columns = made.columns()
    # Spikes and short holes change nothing; they lie apart.
    places = rng.permutation(np.arange(10, len(made.seconds) - 10, 9))
    for at in places[:spikes]:
        columns[rng.choice(list(columns))][at] += rng.choice([-30.0, 30.0])
    keep = np.ones(len(made.seconds), dtype=bool)
    for at in places[spikes : spikes + dropped]:
        keep[at : at + int(rng.integers(1, 4))] = False
    # The glass alone passes the cool-down's band on its way, whether there was one or not.
    if not air and wanted[5:6] != ["missing"]:
        columns.pop("air_c")
    profile = ThermalProfile(rounds, 5.0, (FREEZE, HEAT, COOL))
    evaluation = evaluate_trace(as_trace(made, columns, np.flatnonzero(keep)), profile)
    assert verdicts(evaluation) == wanted
    for step in evaluation.steps:
        if step.verdict in ("met", "short", "long"):
            own = next(s for s in PROFILE.steps if s.name == step.step)
            truth = true_soak(made, step.step, step.round, own.low_c, own.high_c)
            assert step.soak_minutes == pytest.approx(truth, abs=6 + 4 * interval_s / 60)
    trace_document(evaluation)
