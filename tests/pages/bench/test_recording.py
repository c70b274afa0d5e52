"""Recording one coupon's repair, look, strength and deviations through the pages."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from labbench.bench.models import Deviation, Inspection, Repair, StrengthTest
from labbench.lab.models import SurveyPoint
from labbench.studies.models import AllocatedCoupon, Allocation
from labbench.studies.services import add_factor, add_level, set_level
from tests import factories
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db


def repair_data(material, person, **changed):
    return {
        "resin_lot": material["resin_lot"].pk,
        "lamp": material["lamp"].pk,
        "radiometer": material["radiometer"].pk,
        "is_cover_on": "off",
        "cure_time_s": "90",
        "irradiance_mw_cm2": "3,5",
        "glass_c": "−2,5",
        "technician": person.pk,
    } | changed


def test_a_repair_is_recorded_with_decimal_commas(sign_in, material):
    client, coupon = sign_in(), factories.coupon()
    answer = client.post(f"/coupons/{coupon.pk}/repair/", repair_data(material, client.person))
    repair = Repair.objects.get()
    assert answer.headers["Location"] == f"/bench/recorded/repair/{repair.pk}/"
    assert (repair.irradiance_mw_cm2, repair.glass_c, repair.dose_mj_cm2) == (3.5, -2.5, 315.0)
    assert (repair.technician, repair.history.get().history_user) == (client.person, client.person)
    assert timezone.now() - repair.repaired_at < timedelta(minutes=1)


def test_after_saving_come_the_deviations_undo_and_the_next_coupon(sign_in, material):
    client, study = sign_in(), factories.study()
    coupon, other = factories.coupon(study, code="K1"), factories.coupon(study, code="K2")
    lot = factories.resin_lot(expires_on=date(2026, 10, 1))
    answer = client.post(
        f"/coupons/{coupon.pk}/repair/", repair_data(material, client.person, resin_lot=lot.pk), follow=True
    )
    html = text_of(answer)
    assert f"{lot} expired on 1 Oct 2026" in html
    assert f'action="/bench/undo/repair/{coupon.repair.pk}/"' in html
    assert f'href="/coupons/{other.pk}/repair/"' in html


def test_the_choice_says_beforehand_what_is_expired_overdue_or_unsurveyed(sign_in):
    factories.resin_lot(code="OLD", received_on=date(2019, 1, 5), expires_on=date(2020, 1, 5))
    factories.lamp(code="DARK")
    factories.radiometer(code="M9", due_on=date(2026, 6, 2))
    html = text_of(sign_in().get(f"/coupons/{factories.coupon().pk}/repair/"))
    assert "lot OLD · ▲ expired 5 Jan 2020" in html
    assert "DARK · ▲ never surveyed" in html
    assert "M9 · ▲ overdue since 2 Jun 2026" in html


def test_defaults_are_what_was_allocated_then_what_was_used_last_and_never_a_reading(sign_in, material, repaired):
    lead, study = factories.person(), factories.study()
    client = sign_in()
    planned_lamp = factories.lamp(code="PLANNED")
    lamp = add_factor(study=study, name="lamp", source="lamp", by=lead)
    cure = add_factor(study=study, name="cure_time_s", source="number", by=lead)
    coupon = factories.coupon(study)
    set_level(coupons=[coupon], factor=lamp, level=add_level(factor=lamp, record=planned_lamp, by=lead), by=lead)
    set_level(coupons=[coupon], factor=cure, level=add_level(factor=cure, number=45.0, by=lead), by=lead)
    repaired(factories.coupon(study), by=client.person, distance_mm=50.0, irradiance_mw_cm2=3.1, glass_c=20.0)
    form = client.get(f"/coupons/{coupon.pk}/repair/").context["form"]
    assert form.initial["lamp"] == planned_lamp.pk
    assert form.initial["cure_time_s"] == 45.0
    assert form.initial["resin_lot"] == material["resin_lot"].pk
    assert form.initial["radiometer"] == material["radiometer"].pk
    assert form.initial["distance_mm"] == 50.0
    assert not {"irradiance_mw_cm2", "glass_c", "room_c"} & set(form.initial)
    assert "PLANNED · allocated" in form.as_p()


def test_no_lot_of_another_arm_is_chosen_beforehand(sign_in, repaired):
    lead, study = factories.person(), factories.study()
    client = sign_in()
    repaired(factories.coupon(study), by=client.person)
    other = factories.resin_lot()
    factor = add_factor(study=study, name="resin", source="resin", by=lead)
    coupon = factories.coupon(study)
    set_level(coupons=[coupon], factor=factor, level=add_level(factor=factor, record=other.resin, by=lead), by=lead)
    form = client.get(f"/coupons/{coupon.pk}/repair/").context["form"]
    assert form.initial["resin_lot"] is None
    assert f"{other} · allocated" in form.as_p()


def chosen_beforehand(client, coupon):
    form = client.get(f"/coupons/{coupon.pk}/repair/").context["form"]
    return {name: form[name].value() for name in ("resin_lot", "lamp", "is_cover_on", "cure_time_s", "distance_mm")}


def test_what_a_factor_decides_is_not_guessed_for_a_coupon_without_its_level(sign_in, repaired, material):
    client, lead, study = sign_in(), factories.person(), factories.study()
    lot = add_factor(study=study, name="resin_lot", source="resin_lot", by=lead)
    cure = add_factor(study=study, name="cure_time_s", source="number", by=lead)
    add_factor(study=study, name="cover", source="text", by=lead)
    one, other = factories.coupon(study), factories.coupon(study, role="reference")
    set_level(coupons=[one], factor=lot, level=add_level(factor=lot, record=material["resin_lot"], by=lead), by=lead)
    set_level(coupons=[one], factor=cure, level=add_level(factor=cure, number=60.0, by=lead), by=lead)
    repaired(factories.coupon(study), by=client.person, cure_time_s=180.0, distance_mm=35.0)
    lot, lamp = material["resin_lot"].pk, material["lamp"].pk
    assert chosen_beforehand(client, one) == {
        "resin_lot": lot, "lamp": lamp, "is_cover_on": None, "cure_time_s": "60", "distance_mm": "35",
    }  # fmt: skip
    assert chosen_beforehand(client, other) == {
        "resin_lot": None, "lamp": lamp, "is_cover_on": None, "cure_time_s": None, "distance_mm": "35",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("field", "typed", "message"),
    [
        (
            "cure_time_s",
            "0",
            "0\u202fs can’t be right: it has to be more than 0\u202fs and at most 86\u202f400\u202fs.",
        ),
        ("cure_time_s", "abc", "“abc” is not a number; write it like 12.5 or 12,5."),
        ("cure_time_s", "1e999", "is not a number"),
        (
            "glass_c",
            "400",
            "400.0\u202f°C can’t be right: it has to be at least −60.0\u202f°C and at most 120.0\u202f°C.",
        ),
        ("irradiance_mw_cm2", "-1", "can’t be right: it has to be at least 0\u202fmW/cm² and at most 10\u202f000"),
        ("radiometer", "", "Which meter read this irradiance?"),
        ("resin_lot", "", "This field is required."),
        ("lamp", "99999", "Select a valid choice"),
        ("repaired_at", "2199-01-01T10:00", "This time is still to come"),
    ],
)
def test_a_repair_is_refused_with_the_field_and_the_rule(sign_in, material, field, typed, message):
    client, coupon = sign_in(), factories.coupon()
    answer = client.post(f"/coupons/{coupon.pk}/repair/", repair_data(material, client.person, **{field: typed}))
    assert [
        message in fault or message.replace("-60", "−60") in fault for fault in answer.context["form"].errors[field]
    ] == [True]
    assert Repair.objects.count() == 0


def test_two_people_repairing_one_coupon_store_one_repair(sign_in, material):
    coupon = factories.coupon(code="K7")
    first, second = sign_in(), sign_in()
    first.post(f"/coupons/{coupon.pk}/repair/", repair_data(material, first.person))
    answer = second.post(f"/coupons/{coupon.pk}/repair/", repair_data(material, second.person))
    assert f"Coupon K7 is repaired already ({first.person}" in text_of(answer)
    assert Repair.objects.get().technician == first.person


def test_a_double_tap_stores_one_repair_and_says_so(sign_in, material):
    client, coupon = sign_in(), factories.coupon()
    for _ in range(2):
        answer = client.post(f"/coupons/{coupon.pk}/repair/", repair_data(material, client.person), follow=True)
    assert answer.redirect_chain[-1][0] == f"/bench/recorded/repair/{Repair.objects.get().pk}/"
    assert "This was sent twice and is stored once." in text_of(answer)


def test_a_repaired_coupon_is_not_offered_for_repair(sign_in, repaired):
    coupon = repaired()
    answer = sign_in().get(f"/coupons/{coupon.pk}/repair/", follow=True)
    assert "is repaired already; correct that record instead" in text_of(answer)


def look_data(person, **changed):
    return {"outcome": "intact", "round_number": "1", "inspector": person.pk} | changed


def test_a_look_is_recorded_and_the_next_round_is_the_default(sign_in, repaired):
    client, coupon = sign_in(), repaired()
    address = f"/coupons/{coupon.pk}/inspection/"
    assert client.get(address).context["form"]["round_number"].value() == 1
    client.post(address, look_data(client.person))
    assert client.get(address).context["form"]["round_number"].value() == 2
    look = Inspection.objects.get()
    assert (look.outcome, look.round_number, look.inspector) == ("intact", 1, client.person)


@pytest.mark.parametrize(
    ("changed", "field", "message"),
    [
        ({"outcome": ""}, "outcome", "This field is required."),
        ({"outcome": "crack_growth"}, "crack_growth_mm", "How far has it grown?"),
        ({"outcome": "cracked_out", "round_number": "0"}, "round_number", "A crack-out happens in a round"),
        ({"round_number": "9"}, "round_number", "9 is more than the 3 rounds planned"),
        ({"seen_at": "1889-01-01T10:00"}, "seen_at", "before 1990"),
    ],
)
def test_a_look_is_refused_with_the_field_and_the_rule(sign_in, repaired, changed, field, message):
    client, coupon = sign_in(), repaired()
    answer = client.post(f"/coupons/{coupon.pk}/inspection/", look_data(client.person, **changed))
    assert message in answer.context["form"].errors[field][0]
    assert Inspection.objects.count() == 0


def test_a_second_look_at_the_same_point_names_the_first(sign_in, repaired, looked):
    client, coupon = sign_in(), repaired()
    first = looked(coupon)
    answer = client.post(f"/coupons/{coupon.pk}/inspection/", look_data(client.person, outcome="cracked_out"))
    assert f"has an inspection at this point already (intact, {first.inspector}" in text_of(answer)
    assert Inspection.objects.count() == 1


def test_crack_growth_belongs_to_crack_growth_only(sign_in, repaired):
    client, coupon = sign_in(), repaired()
    client.post(
        f"/coupons/{coupon.pk}/inspection/",
        look_data(client.person, outcome="intact", crack_growth_mm="4", failure_mode="left over"),
    )
    look = Inspection.objects.get()
    assert (look.crack_growth_mm, look.failure_mode) == (None, "")


def strength_data(person, **changed):
    return {
        "method": "four_point",
        "force_n": "1000",
        "width_mm": "50",
        "thickness_mm": "6",
        "outer_span_mm": "200",
        "inner_span_mm": "100",
        "origin": "elsewhere",
        "tested_by": person.pk,
    } | changed


def test_strength_keeps_only_what_the_method_needs(sign_in):
    client, coupon = sign_in(), factories.coupon(role="pristine")
    client.post(f"/coupons/{coupon.pk}/strength/", strength_data(client.person, stress_mpa="999", plate_mm="-3"))
    test = StrengthTest.objects.get()
    # Four-point bending, 3 F (L - l) / (2 b h^2): 3 * 1000 * 100 / (2 * 50 * 36) = 83.33 MPa, by hand.
    assert test.stress_mpa == pytest.approx(250 / 3, rel=1e-12)
    assert test.plate_mm is None


@pytest.mark.parametrize(
    ("changed", "field", "message"),
    [
        ({"width_mm": ""}, "width_mm", "Four-point bending needs it."),
        ({"inner_span_mm": "200"}, "inner_span_mm", "smaller than the support"),
        ({"method": "reported"}, "stress_mpa", "Stress as reported needs it."),
        ({"force_n": "0"}, "force_n", "more than 0"),
    ],
)
def test_strength_is_refused_with_the_field_and_the_rule(sign_in, changed, field, message):
    client, coupon = sign_in(), factories.coupon(role="pristine")
    answer = client.post(f"/coupons/{coupon.pk}/strength/", strength_data(client.person, **changed))
    assert message in answer.context["form"].errors[field][0]
    assert StrengthTest.objects.count() == 0


def test_a_cracked_out_coupon_is_not_offered_for_strength(sign_in, repaired, looked):
    coupon = repaired()
    looked(coupon, outcome="cracked_out")
    answer = sign_in().get(f"/coupons/{coupon.pk}/strength/", follow=True)
    assert "cracked out. No strength test is recorded now." in text_of(answer)


def test_a_deviation_sent_twice_is_stored_once(sign_in):
    client, coupon = sign_in("qa"), factories.coupon()
    for _ in range(2):
        answer = client.post(
            f"/coupons/{coupon.pk}/deviation/", {"kind": "handling", "description": "edge chipped"}, follow=True
        )
    assert Deviation.objects.get().recorded_by == client.person
    assert "stored once" in text_of(answer)


def test_a_withdrawn_coupon_says_so_and_takes_no_record(sign_in):
    client, coupon = sign_in(), factories.coupon()
    client.post(f"/coupons/{coupon.pk}/withdraw/", {"reason": "dropped"})
    html = text_of(client.get(f"/coupons/{coupon.pk}/"))
    assert "dropped" in html
    assert f"/coupons/{coupon.pk}/repair/" not in html


def test_a_correction_shows_before_and_after_and_needs_a_reason(sign_in, repaired):
    client, coupon = sign_in("lead"), repaired()
    address = f"/records/repair/{coupon.repair.pk}/correct/"
    form = client.get(address).context["form"]
    same = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    same["repaired_at"] = "2026-11-02T12:00"
    assert "Nothing was changed." in text_of(client.post(address, same | {"why": "no reason"}))
    assert "Not stored yet" in text_of(client.post(address, same | {"cure_time_s": "120", "why": " "}))
    client.post(address, same | {"cure_time_s": "120", "why": "read from the timer"})
    html = " ".join(text_of(client.get(f"/coupons/{coupon.pk}/")).split())
    assert "cure time: <del>90 s</del> → <ins>120 s</ins>" in html
    assert "Reason: read from the timer" in html


def test_a_record_is_taken_out_with_a_reason_and_stays_in_the_history(sign_in, repaired, looked):
    client, coupon = sign_in("lead"), repaired()
    look = looked(coupon, outcome="cracked_out")
    address = f"/records/inspection/{look.pk}/take-out/"
    assert "This field is required" in text_of(client.post(address, {"reason": ""}))
    client.post(address, {"reason": "wrong coupon in the hand"})
    coupon.refresh_from_db()
    assert coupon.failed_round is None
    html = text_of(client.get(f"/coupons/{coupon.pk}/"))
    assert "Taken out: inspection" in html
    assert "wrong coupon in the hand" in html


def test_what_a_rule_found_is_not_taken_out_by_hand(sign_in, repaired):
    client, coupon = sign_in("lead"), repaired(resin_lot=factories.resin_lot(expires_on=date(2026, 10, 1)))
    deviation = coupon.deviations.get()
    answer = client.post(f"/records/deviation/{deviation.pk}/take-out/", {"reason": "ugly"})
    assert "A rule found this deviation" in text_of(answer)
    client.post(f"/records/deviation/{deviation.pk}/correct/", {"reason": "no other lot", "why": "asked"})
    deviation.refresh_from_db()
    assert deviation.reason == "no other lot"


def test_a_technician_corrects_only_what_is_their_own(sign_in, repaired, looked):
    client, coupon = sign_in(), repaired()
    look, own = looked(coupon), looked(repaired(factories.coupon()), by=client.person)
    answer = client.get(f"/records/inspection/{look.pk}/correct/")
    assert answer.status_code == 403
    assert "another person’s" in text_of(answer)
    assert client.get(f"/records/inspection/{own.pk}/correct/").status_code == 200
    assert sign_in("guest").post(f"/records/inspection/{own.pk}/take-out/", {"reason": "x"}).status_code == 403
    assert Inspection.objects.count() == 2


def test_a_coupon_without_levels_is_not_repaired_by_guess(sign_in):
    study = factories.study()
    factories.factor(study, "lamp", ("L1", "L2"))
    client = sign_in()
    words = "No levels are given to this coupon yet."
    assert words in text_of(client.get(f"/coupons/{factories.coupon(study).pk}/repair/"))
    assert words not in text_of(client.get(f"/coupons/{factories.coupon(study, role='reference').pk}/repair/"))
    assert words not in text_of(client.get(f"/coupons/{factories.coupon().pk}/repair/"))


def test_measures_that_a_method_needs_are_not_called_optional(sign_in):
    html = sign_in().get(f"/coupons/{factories.coupon().pk}/strength/").content.decode()
    assert "Width" in html
    assert 'class="optional"' not in html[html.index("Force at fracture") : html.index("Fracture origin")]


def first_button(html):
    form = html[html.index('<form method="post" class="panel"') :]
    return re.search(r"<button[^>]*>", form).group()


def test_enter_on_the_repair_form_stores_also_where_a_distance_is_offered(sign_in, material):
    client, coupon = sign_in(), factories.coupon()
    SurveyPoint.objects.create(survey=material["lamp"].surveys.get(), x_mm=0, y_mm=0, irradiance_mw_cm2=5)
    asked = repair_data(material, client.person) | {"show_dose": "1"}
    html = text_of(client.post(f"/coupons/{coupon.pk}/repair/", asked))
    assert 'name="take_distance"' in html
    # Browsers press the first submit button of the form: it must be the one that stores.
    assert "name=" not in first_button(html)
    assert 'type="submit"' in first_button(html)
    # What is asked above it is not said again below.
    assert "No dose can be given" not in html


def test_a_meter_filled_in_that_read_nothing_is_not_stored(sign_in, material, repaired):
    client, study = sign_in(), factories.study()
    overdue = factories.radiometer(code="M9", due_on=date(2026, 6, 2))
    repaired(factories.coupon(study), by=client.person, radiometer=overdue, irradiance_mw_cm2=3.1)
    coupon = factories.coupon(study)
    data = repair_data(material, client.person, radiometer=overdue.pk, irradiance_mw_cm2="")
    client.post(f"/coupons/{coupon.pk}/repair/", data)
    assert coupon.repair.radiometer is None
    assert not coupon.deviations.exists()


def drawn(study, rows, is_locked=True):
    """An allocation with its rows: coupon, place in the order, who repairs it."""
    lead = factories.person()
    draw = Allocation.objects.create(
        study=study, plan="factorial", title="All", seed=1, made_by=lead, made_at=timezone.now()
    )
    for coupon, order, person in rows:
        AllocatedCoupon.objects.create(allocation=draw, coupon=coupon, repair_order=order, technician=person)
    if is_locked:
        draw.locked_at, draw.locked_by = timezone.now(), lead
        draw.save()


def test_who_repaired_is_asked_where_somebody_else_is_allocated(sign_in, material):
    client, other, coupon = sign_in(), factories.person("technician"), factories.coupon()
    drawn(coupon.study, [(coupon, 1, other)])
    form = client.get(f"/coupons/{coupon.pk}/repair/").context["form"]
    assert form["technician"].value() is None
    assert "technician" in [field.name for field in form.main_fields()]
    assert f"{other} · allocated" in form.as_p()
    data = repair_data(material, client.person)
    answer = client.post(f"/coupons/{coupon.pk}/repair/", data | {"technician": ""})
    assert answer.context["form"].errors["technician"] == ["This field is required."]
    client.post(f"/coupons/{coupon.pk}/repair/", data)
    (deviation,) = coupon.deviations.all()
    assert deviation.kind == "allocation"
    words = f"Repaired by {client.person} instead of {other}, who was drawn for the coupon."
    assert deviation.description == words


def test_a_draw_that_is_not_locked_yet_and_ones_own_coupon_ask_nothing(sign_in, material):
    client, coupon, own = sign_in(), factories.coupon(), factories.coupon()
    drawn(coupon.study, [(coupon, 1, factories.person("technician"))], is_locked=False)
    drawn(own.study, [(own, 1, client.person)])
    for one in (coupon, own):
        form = client.get(f"/coupons/{one.pk}/repair/").context["form"]
        assert form["technician"].value() == client.person.pk
        client.post(f"/coupons/{one.pk}/repair/", repair_data(material, client.person))
        assert not one.deviations.exists()


def of_arms(study, lamps):
    """Coupons by code, each with a lamp of its own (None: no level)."""
    lead = factories.person()
    factor = add_factor(study=study, name="lamp", source="lamp", by=lead)
    levels = {
        code: add_level(factor=factor, record=factories.lamp(code=code), by=lead)
        for code in sorted({*filter(None, lamps.values())})
    }
    made = {code: factories.coupon(study, code=code) for code in lamps}
    for code, lamp in lamps.items():
        if lamp:
            set_level(coupons=[made[code]], factor=factor, level=levels[lamp], by=lead)
    return made


def groups_waiting(client, study):
    answer = client.get(f"/bench/waiting/{study.pk}/repair/")
    return [(levels, [one.code for one in coupons]) for levels, coupons in answer.context["groups"]]


def test_what_waits_for_the_repair_is_put_together_by_how_it_is_made(sign_in):
    study = factories.study(is_blind=False)
    of_arms(study, {"A1": "LB", "A2": "LA", "A3": None, "A4": "LB"})
    assert groups_waiting(sign_in(), study) == [
        ([("lamp", "LA")], ["A2"]),
        ([("lamp", "LB")], ["A1", "A4"]),
        ([], ["A3"]),
    ]


def test_a_drawn_order_goes_before_the_arms_and_a_blind_study_names_none(sign_in):
    study = factories.study(is_blind=False)
    made = of_arms(study, {"A1": "LB", "A2": "LA", "A3": "LB"})
    drawn(study, [(made[code], order, None) for order, code in enumerate(("A3", "A2", "A1"), 1)])
    groups = groups_waiting(sign_in(), study)
    assert groups == [([("lamp", "LB")], ["A3"]), ([("lamp", "LA")], ["A2"]), ([("lamp", "LB")], ["A1"])]
    study.is_blind = True
    study.save()
    assert groups_waiting(sign_in(), study) == [([], ["A3", "A2", "A1"])]
    assert groups_waiting(sign_in("lead"), study) == groups


def test_after_a_repair_those_made_alike_come_next(sign_in, material):
    client, study = sign_in(), factories.study(is_blind=False)
    made = of_arms(study, {"A1": "LB", "A2": "LA", "A3": "LB"})
    data = repair_data(material, client.person)
    shown = text_of(client.post(f"/coupons/{made['A1'].pk}/repair/", data, follow=True))
    assert shown.index(f'href="/coupons/{made["A3"].pk}/repair/"') < shown.index(
        f'href="/coupons/{made["A2"].pk}/repair/"'
    )


def test_the_bench_leads_to_surveying_a_lamp(sign_in):
    assert 'href="/surveys/new/"' in text_of(sign_in().get("/bench/"))
    assert 'href="/surveys/new/"' not in text_of(sign_in("guest").get("/bench/"))


def as_shown(client, address):
    """What the form of a page sends when nothing in it is touched."""
    form = client.get(address).context["form"]
    sent = {}
    for field in form:
        value = field.field.widget.format_value(field.value())
        sent[field.html_name] = value[0] if isinstance(value, list) else value or ""
    return sent


def told(answer):
    """What stands above a form that was not stored."""
    return " ".join(" ".join(answer.context["form"].non_field_errors()).split())


def test_a_correction_from_an_old_page_does_not_undo_another(sign_in, repaired):
    one, other, coupon = sign_in("lead"), sign_in("lead"), repaired()
    address = f"/records/repair/{coupon.repair.pk}/correct/"
    early, late = as_shown(one, address), as_shown(other, address)
    one.post(address, early | {"cure_time_s": "120", "why": "read from the timer"})
    answer = other.post(address, late | {"note": "sunny day", "why": "forgotten"})
    assert f"{one.person} changed this meanwhile: cure time: 90 s → 120 s." in told(answer)
    coupon.repair.refresh_from_db()
    assert (coupon.repair.cure_time_s, coupon.repair.note) == (120.0, "")
    # What was typed is kept, the rest is as it stands now: storing again stores both.
    again = {field.html_name: field.value() for field in answer.context["form"] if field.value() is not None}
    assert again["note"] == "sunny day"
    other.post(address, again)
    coupon.repair.refresh_from_db()
    assert (coupon.repair.cure_time_s, coupon.repair.note) == (120.0, "sunny day")


@pytest.mark.parametrize("kind", ["inspection", "deviation"])
def test_every_record_tells_what_was_corrected_meanwhile(sign_in, repaired, looked, kind):
    one, other, coupon = sign_in("lead"), sign_in("lead"), repaired()
    if kind == "inspection":
        record = looked(coupon, outcome="crack_growth", crack_growth_mm=3.0)
        first, second = {"crack_growth_mm": "5"}, {"note": "far leg"}
        words = "crack growth: 3 mm → 5 mm."
    else:
        one.post(f"/coupons/{coupon.pk}/deviation/", {"kind": "handling", "description": "edge chipped"})
        record = Deviation.objects.get(coupon=coupon)
        first, second = {"kind": "other"}, {"reason": "in a hurry"}
        words = "what kind: broken or damaged in handling → other."
    address = f"/records/{kind}/{record.pk}/correct/"
    late = as_shown(other, address)
    one.post(address, as_shown(one, address) | first | {"why": "seen again"})
    answer = other.post(address, late | second | {"why": "forgotten"})
    assert words in told(answer)
    record.refresh_from_db()
    assert getattr(record, next(iter(second))) == ""


def test_a_record_that_was_taken_out_meanwhile_is_not_found(sign_in, repaired, looked):
    client, coupon = sign_in("lead"), repaired()
    look = looked(coupon)
    address = f"/records/inspection/{look.pk}/correct/"
    sent = as_shown(client, address)
    sign_in("lead").post(f"/records/inspection/{look.pk}/take-out/", {"reason": "wrong coupon"})
    assert client.post(address, sent | {"note": "x", "why": "y"}).status_code == 404


@pytest.mark.parametrize("hour", [0, 1])
def test_a_repair_of_the_hour_that_comes_twice_is_corrected_without_its_time(sign_in, repaired, hour):
    # Berlin: on 25 October 2026 the hour from 02:00 came twice (IANA time zone database).
    at = datetime(2026, 10, 25, hour, 30, tzinfo=UTC)
    client, coupon = sign_in("lead"), repaired()
    Repair.objects.filter(coupon=coupon).update(repaired_at=at)
    address = f"/records/repair/{coupon.repair.pk}/correct/"
    with timezone.override(ZoneInfo("Europe/Berlin")):
        client.post(address, as_shown(client, address) | {"cure_time_s": "120", "why": "read from the timer"})
    repair = Repair.objects.get(coupon=coupon)
    assert (repair.cure_time_s, repair.repaired_at) == (120.0, at)
