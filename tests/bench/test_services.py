"""Recording at the bench: what is stored, what is refused, what a rule finds."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from labbench.bench.loads import finish_load, start_load, step_back_load
from labbench.bench.models import Deviation, Inspection, Repair, StrengthTest
from labbench.bench.services import (
    correct,
    create_load,
    place_coupon,
    record_deviation,
    record_inspection,
    record_inspections,
    record_repair,
    record_strength,
    take_out,
    undo,
    withdraw,
)
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


def look(coupon, round_number, outcome="intact", by=None, **details):
    return record_inspection(
        coupon=coupon,
        by=by or factories.person("technician"),
        seen_at=NOON,
        round_number=round_number,
        outcome=outcome,
        **details,
    )


def repaired(coupon, by=None, **details):
    lamp = details.pop("lamp", None) or factories.lamp()
    factories.survey(lamp)
    details.setdefault("resin_lot", factories.resin_lot())
    return record_repair(
        coupon=coupon, by=by or factories.person("technician"), repaired_at=NOON, lamp=lamp, cure_time_s=90.0, **details
    )


def test_a_coupon_stands_where_its_records_say():
    coupon = factories.coupon(factories.study(rounds_planned=2))
    steps = []
    for act in (
        lambda: repaired(coupon),
        lambda: look(coupon, 1),
        lambda: look(coupon, 2),
        lambda: record_strength(
            coupon=coupon, by=factories.person(), tested_at=NOON, method="reported", stress_mpa=41.5
        ),
    ):
        act()
        coupon.refresh_from_db()
        steps.append((coupon.stage, coupon.rounds_survived, coupon.failed_round))
    assert steps == [("repaired", 0, None), ("cycling", 1, None), ("survived", 2, None), ("broken", 2, None)]


def test_a_crack_out_after_a_skipped_look_keeps_the_interval():
    coupon = factories.coupon()
    look(coupon, 1)
    look(coupon, 3, "cracked_out")
    coupon.refresh_from_db()
    assert (coupon.stage, coupon.rounds_survived, coupon.failed_round) == ("cracked_out", 1, 3)


def test_holding_in_the_middle_of_a_round_means_the_round_before_was_survived():
    coupon = factories.coupon()
    look(coupon, 2, step_number=1)
    coupon.refresh_from_db()
    assert coupon.rounds_survived == 1


def test_no_inspection_after_a_crack_out():
    coupon = factories.coupon()
    look(coupon, 2, "cracked_out")
    with pytest.raises(ValidationError, match="cracked out in round 2"):
        look(coupon, 3)


def test_the_database_itself_refuses_an_inspection_after_a_crack_out():
    coupon = factories.coupon()
    look(coupon, 2, "cracked_out")
    with pytest.raises(IntegrityError, match="no inspection after a crack-out"), transaction.atomic():
        Inspection.objects.create(
            coupon=coupon, round_number=3, position=3999, outcome="intact", inspector=factories.person(), seen_at=NOON
        )


def test_the_database_itself_refuses_to_break_what_cracked_out():
    coupon = factories.coupon()
    look(coupon, 1, "cracked_out")
    with pytest.raises(IntegrityError, match="no strength left"), transaction.atomic():
        StrengthTest.objects.create(
            coupon=coupon, method="reported", stress_mpa=40, tested_at=NOON, tested_by=factories.person()
        )


def test_a_look_beyond_the_planned_rounds_is_refused():
    coupon = factories.coupon(factories.study(rounds_planned=3))
    with pytest.raises(ValidationError, match="4 is more than the 3 rounds planned"):
        look(coupon, 4)


def test_a_repair_keeps_its_dose():
    # Radiant exposure = irradiance x time (definition, CIE S 017 17-21-071, from memory).
    record = repaired(factories.coupon(), irradiance_mw_cm2=3.5).record
    assert record.dose_mj_cm2 == 3.5 * 90


def test_an_expired_lot_and_an_overdue_meter_become_deviations():
    lot = factories.resin_lot(expires_on=date(2026, 10, 1))
    meter = factories.radiometer(due_on=date(2026, 10, 15))
    recorded = repaired(factories.coupon(), resin_lot=lot, radiometer=meter, irradiance_mw_cm2=3.0)
    assert {d.kind for d in recorded.deviations} == {"resin_expired", "calibration_overdue"}
    assert Deviation.objects.filter(is_found_by_rule=True).count() == 2


def test_a_lamp_never_surveyed_is_a_deviation():
    recorded = record_repair(
        coupon=factories.coupon(),
        by=factories.person(),
        repaired_at=NOON,
        lamp=factories.lamp(code="L9"),
        resin_lot=factories.resin_lot(),
        cure_time_s=60.0,
    )
    assert [d.description for d in recorded.deviations] == ["Lamp L9 had not been surveyed."]


def test_using_another_lamp_than_allocated_is_a_deviation():
    from labbench.studies.services import add_factor, add_level, set_level

    study, lead = factories.study(), factories.person()
    lamp, other = factories.lamp(code="L1"), factories.lamp(code="L2")
    factor = add_factor(study=study, name="lamp", source="lamp", by=lead)
    level = add_level(factor=factor, record=lamp, by=lead)
    coupon = factories.coupon(study)
    set_level(coupons=[coupon], factor=factor, level=level, by=lead)
    recorded = repaired(coupon, lamp=other)
    assert [d.description for d in recorded.deviations] == ["lamp: L2 instead of L1, which the coupon was allocated."]


def test_whoever_repaired_should_not_inspect_a_blind_study():
    hand = factories.person("technician")
    coupon = factories.coupon(factories.study(is_blind=True))
    repaired(coupon, by=hand)
    assert [d.kind for d in look(coupon, 1, by=hand).deviations] == ["blinding"]
    assert look(coupon, 2).deviations == ()


def test_a_correction_needs_a_reason_and_keeps_what_stood_before():
    lead = factories.person()
    record = repaired(factories.coupon()).record
    with pytest.raises(ValidationError, match="Say why"):
        correct(record=record, by=lead, reason=" ", changes={"cure_time_s": 120.0})
    correct(record=record, by=lead, reason="read from the timer again", changes={"cure_time_s": 120.0})
    after, before = record.history.all()
    assert (before.cure_time_s, after.cure_time_s) == (90.0, 120.0)
    assert (after.history_user, after.history_change_reason) == (lead, "read from the timer again")


def test_a_removed_record_leaves_its_history_and_the_coupon_steps_back():
    coupon, lead = factories.coupon(), factories.person()
    record = look(coupon, 1, "cracked_out").record
    take_out(record=record, by=lead, reason="wrong coupon in the hand")
    coupon.refresh_from_db()
    assert (coupon.stage, coupon.failed_round) == ("prepared", None)
    assert Inspection.history.latest().history_type == "-"
    assert Inspection.history.latest().history_change_reason == "wrong coupon in the hand"


def test_a_coupon_is_repaired_once():
    coupon = factories.coupon()
    repaired(coupon)
    with pytest.raises(ValidationError, match="repaired already"):
        repaired(coupon)
    assert Repair.objects.count() == 1


def test_a_pristine_control_is_not_repaired():
    with pytest.raises(ValidationError, match="pristine control"):
        repaired(factories.coupon(role="pristine"))


def test_a_coupon_travels_in_one_load_of_its_own_study():
    lead, coupon = factories.person(), factories.coupon()
    create_load(study=coupon.study, name="Load 1", by=lead, coupons=[coupon])
    with pytest.raises(ValidationError, match="already exists"):
        create_load(study=coupon.study, name="Load 2", by=lead, coupons=[coupon])
    stranger = create_load(study=factories.study(), name="Load 1", by=lead)
    with pytest.raises(ValidationError, match="another study"):
        place_coupon(load=stranger, coupon=factories.coupon(), by=lead)


def test_strength_from_load_and_geometry():
    # Four-point bending, 3 F (L - l) / (2 b h^2): 3 * 1000 * 100 / (2 * 50 * 36) = 83.33 MPa, by hand.
    recorded = record_strength(
        coupon=factories.coupon(role="pristine"),
        by=factories.person(),
        tested_at=NOON,
        method="four_point",
        force_n=1000,
        width_mm=50,
        thickness_mm=6,
        outer_span_mm=200,
        inner_span_mm=100,
    )
    assert recorded.record.stress_mpa == pytest.approx(250 / 3, rel=1e-12)


def test_a_missing_measure_is_named():
    with pytest.raises(ValidationError, match="The width is missing"):
        record_strength(
            coupon=factories.coupon(),
            by=factories.person(),
            tested_at=NOON,
            method="four_point",
            force_n=1000,
            thickness_mm=6,
            outer_span_mm=200,
            inner_span_mm=100,
        )


def test_a_withdrawn_coupon_takes_no_further_record():
    coupon = withdraw(coupon=factories.coupon(), by=factories.person(), on=NOON.date(), reason="dropped")
    assert coupon.stage == "withdrawn"
    with pytest.raises(ValidationError, match="was withdrawn"):
        look(coupon, 1)


def test_a_load_is_in_one_chamber_at_a_time():
    from labbench.bench.services import book
    from labbench.lab.models import Chamber, ThermalProfile

    lead, load = factories.person(), create_load(study=factories.study(), name="Load 1", by=factories.person())
    freezer = Chamber.objects.create(code="F1", kind="freeze", capacity_coupons=12)
    hour = timedelta(hours=1)
    profile = ThermalProfile.objects.create(name="Freeze", rounds=2)
    step = profile.steps.create(number=1, name="freeze", kind="freeze", min_minutes=60)
    book(
        load=load, chamber=freezer, step=step, round_number=1, planned_start=NOON, planned_end=NOON + 8 * hour, by=lead
    )
    with pytest.raises(ValidationError, match="one chamber at a time"):
        book(
            load=load, chamber=freezer, step=step, round_number=2, by=lead,
            planned_start=NOON + hour, planned_end=NOON + 2 * hour,
        )  # fmt: skip


def test_a_slip_is_undone_with_what_the_rules_had_found_in_it():
    hand = factories.person("technician")
    coupon = factories.coupon()
    record = repaired(coupon, by=hand, resin_lot=factories.resin_lot(expires_on=date(2026, 10, 1))).record
    assert Deviation.objects.count() == 1
    undo(record=record, by=hand, now=timezone.now())
    coupon.refresh_from_db()
    assert (coupon.stage, Repair.objects.count(), Deviation.objects.count()) == ("prepared", 0, 0)
    assert Repair.history.latest().history_change_reason == "undone"


def test_undoing_is_for_ones_own_fresh_and_last_record():
    hand, other = factories.person("technician"), factories.person("technician")
    coupon = factories.coupon()
    repair = repaired(coupon, by=hand).record
    with pytest.raises(ValidationError, match="Only whoever recorded it"):
        undo(record=repair, by=other, now=timezone.now())
    with pytest.raises(ValidationError, match="too long ago"):
        undo(record=repair, by=hand, now=timezone.now() + timedelta(hours=13))
    look(coupon, 1)
    with pytest.raises(ValidationError, match=r"later record \(round 1: intact\)"):
        undo(record=repair, by=hand, now=timezone.now())
    assert Repair.objects.count() == 1


def test_a_corrected_lot_takes_its_deviation_along():
    lead = factories.person()
    record = repaired(factories.coupon(), resin_lot=factories.resin_lot(expires_on=date(2026, 10, 1))).record
    good, expired = factories.resin_lot(), factories.resin_lot(expires_on=date(2026, 9, 15))
    correct(record=record, by=lead, reason="wrong lot typed", changes={"resin_lot": good})
    assert Deviation.objects.count() == 0
    assert Deviation.history.latest().history_change_reason == "record corrected: wrong lot typed"
    correct(record=record, by=lead, reason="it was the old one", changes={"resin_lot": expired})
    assert [d.kind for d in Deviation.objects.all()] == ["resin_expired"]


def survey_deviations(coupon):
    return list(Deviation.objects.filter(coupon=coupon, kind="survey_old").values_list("description", flat=True))


def test_a_corrected_lamp_has_its_own_survey_and_loses_or_gains_the_deviation():
    by, surveyed, other = factories.person(), factories.lamp(), factories.lamp()
    coupon = factories.coupon()
    repair = repaired(coupon, lamp=surveyed).record
    first = repair.survey
    assert (first.lamp, survey_deviations(coupon)) == (surveyed, [])
    correct(record=repair, by=by, reason="it was the other lamp", changes={"lamp": other})
    repair.refresh_from_db()
    assert repair.survey is None
    assert survey_deviations(coupon) == [f"Lamp {other} had not been surveyed."]
    correct(record=repair, by=by, reason="it was the first lamp after all", changes={"lamp": surveyed})
    repair.refresh_from_db()
    assert (repair.survey, survey_deviations(coupon)) == (first, [])


def test_a_corrected_time_changes_the_survey_that_counts():
    by, coupon, lamp = factories.person(), factories.coupon(), factories.lamp()
    old = factories.survey(lamp, NOON - timedelta(days=100))
    repair = repaired(coupon, lamp=lamp).record
    assert (repair.survey != old, survey_deviations(coupon)) == (True, [])
    before_the_new_one = NOON - timedelta(days=14)
    correct(record=repair, by=by, reason="wrong day", changes={"repaired_at": before_the_new_one})
    repair.refresh_from_db()
    assert (repair.survey, survey_deviations(coupon)) == (old, [])
    correct(record=repair, by=by, reason="wrong again", changes={"repaired_at": NOON})
    repair.refresh_from_db()
    assert repair.survey != old


def test_looks_at_a_load_are_stored_together_or_not_at_all():
    hand, study = factories.person("technician"), factories.study()
    first, second = factories.coupon(study, code="A"), factories.coupon(study, code="B")
    look(second, 1)
    wish = {"round_number": 1, "outcome": "intact"}
    with pytest.raises(ValidationError) as refused:
        record_inspections(looks=[(first, wish), (second, wish)], by=hand, seen_at=NOON)
    assert list(refused.value.message_dict) == [str(second.pk)]
    assert "has an inspection at this point already (intact" in refused.value.message_dict[str(second.pk)][0]
    assert Inspection.objects.count() == 1


def test_the_same_deviation_sent_twice_is_stored_once():
    hand, coupon = factories.person("technician"), factories.coupon()
    told = {"study": coupon.study, "by": hand, "kind": "other", "happened_at": NOON, "description": "door open"}
    record_deviation(**told, coupon=coupon)
    with pytest.raises(ValidationError, match="not stored twice"):
        record_deviation(**told, coupon=coupon)


def test_the_history_says_when_a_record_was_made_not_when_it_happened():
    record = look(factories.coupon(), 1).record
    assert record.history.get().history_date > NOON


def test_a_load_sets_out_comes_back_and_can_step_back():
    lead, coupon = factories.person(), factories.coupon()
    load = create_load(study=coupon.study, name="Load 1", by=lead)
    with pytest.raises(ValidationError, match="has no coupon yet"):
        start_load(load=load, by=lead)
    place_coupon(load=load, coupon=coupon, by=lead)
    with pytest.raises(ValidationError, match=f"Not repaired yet in Load 1: {coupon.code}"):
        start_load(load=load, by=lead)
    repaired(coupon)
    assert start_load(load=load, by=lead).state == "running"
    with pytest.raises(ValidationError, match="is running already"):
        start_load(load=load, by=lead)
    assert finish_load(load=load, by=lead).state == "done"
    assert step_back_load(load=load, by=lead).state == "running"


def test_an_overdue_meter_that_read_nothing_is_no_deviation():
    meter = factories.radiometer(code="M9", due_on=date(2026, 6, 2))
    assert repaired(factories.coupon(), radiometer=meter).deviations == ()
    (found,) = repaired(factories.coupon(), radiometer=meter, irradiance_mw_cm2=3.5).deviations
    assert found.description == "Calibration of meter M9 was due on 2 Jun 2026."


def test_an_old_survey_is_named_by_its_day_as_people_write_it():
    lamp = factories.lamp(code="DIM")
    factories.survey(lamp, at=NOON - timedelta(days=91))
    recorded = record_repair(
        coupon=factories.coupon(),
        by=factories.person("technician"),
        repaired_at=NOON,
        resin_lot=factories.resin_lot(),
        lamp=lamp,
        cure_time_s=90.0,
    )
    day = NOON - timedelta(days=91)
    assert [row.description for row in recorded.deviations] == [
        f"The last survey of lamp DIM is of {day.day} {day:%b %Y}, more than 90 days before the repair."
    ]


def test_what_people_wrote_of_a_deviation_outlives_a_correction_that_words_it_anew():
    lead, coupon = factories.person(), factories.coupon()
    old = factories.resin_lot(code="OLD", expires_on=date(2026, 10, 1))
    recorded = repaired(coupon, resin_lot=old)
    (deviation,) = recorded.deviations
    correct(record=deviation, by=lead, reason="told", changes={"reason": "The fridge held no other."})
    # Renamed since: the rule's sentence is another one now.
    old.code = "OLD-A"
    old.save()
    correct(record=recorded.record, by=lead, reason="read again", changes={"glass_c": 21.0})
    (standing,) = Deviation.objects.filter(coupon=coupon)
    assert standing.pk == deviation.pk
    assert standing.description.startswith(f"{old} expired on 1 Oct 2026")
    assert standing.reason == "The fridge held no other."
    # Another day of the repair is the deviation's day too.
    correct(
        record=Repair.objects.get(), by=lead, reason="typed wrong", changes={"repaired_at": NOON + timedelta(hours=2)}
    )
    assert Deviation.objects.get(coupon=coupon).happened_at == NOON + timedelta(hours=2)


def test_a_deviation_that_is_about_something_else_now_is_another_one():
    lead, coupon = factories.person(), factories.coupon()
    old = factories.resin_lot(code="OLD", expires_on=date(2026, 10, 1))
    good = factories.resin_lot(code="GOOD", resin=old.resin)
    recorded = repaired(coupon, resin_lot=old, radiometer=factories.radiometer(due_on=date(2026, 6, 2)))
    (deviation,) = recorded.deviations
    changes = {"resin_lot": good, "irradiance_mw_cm2": 3.5}
    correct(record=recorded.record, by=lead, reason="the other lot", changes=changes)
    (standing,) = Deviation.objects.filter(coupon=coupon)
    assert standing.kind == "calibration_overdue"
    assert standing.pk != deviation.pk
