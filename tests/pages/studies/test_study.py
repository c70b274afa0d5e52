"""One study on one page."""

import re

import pytest
from django import forms
from django.urls import reverse

from labbench.bench.models import Deviation, Load
from labbench.bench.services import create_load, record_inspection
from labbench.pages.selects import LongSelect
from labbench.studies.models import Coupon, Level
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


def page(client, study, **filters):
    return client.get(reverse("study", args=[study.code]), filters)


def allocated(study, code, **levels):
    made = factories.coupon(study, code=code)
    for name, level in levels.items():
        factor = study.factors.get(name=name)
        set_level(coupons=[made], factor=factor, level=factor.levels.get(name=level), by=factories.person())
    return made


def codes(response):
    return [row.record.code for row in response.context["table"].paginated_rows]


def test_levels_are_columns_and_counted(lead, study):
    allocated(study, "C1", resin="A", cure_time_s="60")
    allocated(study, "C2", resin="A")
    response = page(lead, study)
    assert codes(response) == ["C1", "C2"]
    assert [column.header for column in response.context["table"].columns if column.name.startswith("level_")] == [
        "resin",
        "cure time (s)",
    ]
    by_level = {one["level"].name: one["coupons"] for row in response.context["factors"] for one in row["levels"]}
    assert by_level == {"A": 2, "B": 0, "60": 1, "120": 0}


def test_progress_names_each_round(lead, study):
    hand = factories.person("technician")
    for number, (round_number, outcome) in enumerate([(1, "intact"), (2, "intact"), (2, "cracked_out")]):
        record_inspection(
            coupon=factories.coupon(study, code=f"C{number}"),
            by=hand,
            seen_at=NOON,
            round_number=round_number,
            outcome=outcome,
        )
    steps = {step.name: (step.done, step.total, step.failed) for step in page(lead, study).context["steps"]}
    # C2 cracked out in round 2 and was not looked at before: nobody saw it hold after round 1.
    assert steps == {
        "repair recorded": (0, 3, 0),
        "round 1": (2, 3, 0),
        "round 2": (1, 3, 1),
        "round 3": (0, 3, 1),
        "strength tested": (0, 2, 0),
    }


def test_a_technician_of_a_blind_study_sees_codes_and_no_levels(technician, study):
    coupon = allocated(study, "C1", resin="A")
    factor, level = study.factors.first(), Level.objects.get(name="A")
    level.name = "SECRET-LOT"
    level.save()
    response = page(technician, study, **{f"level_{factor.pk}": level.pk + 1})
    assert "SECRET-LOT" not in response.text
    assert "This study is blind" in response.text
    # A filter by level would tell the arm as well: it is not there, so the coupon stays.
    assert codes(response) == [coupon.code]


def test_when_the_study_is_closed_the_technician_sees_the_levels(technician, study):
    allocated(study, "C1", resin="A")
    study.state = "closed"
    study.save()
    assert "level_" in "".join(column.name for column in page(technician, study).context["table"].columns)


@pytest.mark.parametrize("address", ["study-csv", "study-xlsx"])
def test_files_of_a_blind_study_are_not_for_technicians(technician, guest, study, address):
    refused = technician.get(reverse(address, args=[study.code]))
    assert refused.status_code == 403
    assert "This study is blind" in refused.text
    assert guest.get(reverse(address, args=[study.code])).status_code == 200


def test_filters(lead, study):
    first = allocated(study, "AB1", resin="A")
    second = allocated(study, "AB2", resin="B")
    third = factories.coupon(study, code="X3", role="pristine", edge_distance_mm=20)
    load = create_load(study=study, name="Load 1", by=factories.person(), coupons=[second])
    resin = study.factors.get(name="resin")
    level = f"level_{resin.pk}"
    for filters, expected in [
        ({"q": "ab"}, [first, second]),
        ({"role": "pristine"}, [third]),
        ({"stage": "cracked_out"}, []),
        ({"load": load.pk}, [second]),
        ({"load": "none"}, [first, third]),
        ({"edge": "near"}, [third]),
        ({"edge": "far"}, [first, second]),
        ({level: resin.levels.get(name="B").pk}, [second]),
        ({level: "none"}, [third]),
        ({level: resin.levels.get(name="A").pk, "q": "2"}, []),
    ]:
        assert codes(page(lead, study, **filters)) == [coupon.code for coupon in expected], filters


def test_sorting_by_a_level_that_is_a_number_is_by_number_and_blanks_come_last(lead, study):
    allocated(study, "C1", cure_time_s="120")
    factories.coupon(study, code="C2")
    allocated(study, "C3", cure_time_s="60")
    name = f"level_{study.factors.get(name='cure_time_s').pk}"
    assert codes(page(lead, study, sort=name)) == ["C3", "C1", "C2"]
    assert codes(page(lead, study, sort=f"-{name}")) == ["C1", "C3", "C2"]


@pytest.mark.parametrize("address", ["?page=x", "?role=x", "?load=x", "?q=%00", "?sort=-x,y", "?edge=1&page=0"])
def test_nonsense_in_the_address_is_no_error(lead, study, address):
    factories.coupon(study)
    assert lead.get(reverse("study", args=[study.code]) + address).status_code == 200


def test_a_study_without_anything_says_what_to_do(lead, guest):
    study = factories.study()
    shown = page(lead, study).text
    assert "Name the first factor" in shown
    assert "No coupons yet" in shown
    assert "Name the first factor" not in page(guest, study).text


def test_a_study_that_is_not_there(lead):
    assert lead.get(reverse("study", args=["NOWHERE"])).status_code == 404


def test_filtering_with_htmx_gives_the_part_alone(lead, study):
    factories.coupon(study, code="C1")
    part = lead.get(
        reverse("study", args=[study.code]), {"q": "C"}, headers={"HX-Request": "true", "HX-Target": "coupons-part"}
    )
    assert 'id="coupons-part"' in part.text
    assert "<html" not in part.text


@pytest.mark.parametrize("rows", [1, 3])
def test_the_number_of_queries_does_not_grow(lead, study, django_assert_num_queries, rows):
    hand = factories.person()
    for number in range(rows):
        made = allocated(study, f"C{number}", resin="A", cure_time_s="60")
        create_load(study=study, name=f"Load {number}", by=hand, coupons=[made])
        Deviation.objects.create(
            study=study,
            coupon=made,
            kind="other",
            happened_at=NOON,
            description="x",
            recorded_by=hand,
            recorded_at=NOON,
        )
        study.imported_sheets.create(sha256=str(number), filename="a", coupons=1, imported_at=NOON, imported_by=hand)
        factories.factor(study, f"further_{number}")
    page(lead, study)
    with django_assert_num_queries(25):
        page(lead, study)


# --- changing many coupons ------------------------------------------------------------------------------------------


def edit(client, study, query, **data):
    return client.post(f"{reverse('edit-coupons', args=[study.code])}?{query}", {"reason": "wrong label", **data})


def test_all_that_match_get_a_level_and_a_role_with_the_reason_in_their_history(lead, study):
    inside = [factories.coupon(study, code=f"A{number}") for number in range(3)]
    outside = factories.coupon(study, code="B1")
    resin = study.factors.get(name="resin")
    level = resin.levels.get(name="B")
    asked = {f"level_{resin.pk}": level.pk, "role": "reference", "expected": 3}
    assert edit(lead, study, "which=all&q=A", **asked).status_code == 302
    assert [coupon.coupon_levels.get().level for coupon in inside] == [level] * 3
    assert set(Coupon.objects.filter(role="reference")) == set(inside)
    assert inside[0].history.first().history_change_reason == "wrong label"
    assert not outside.coupon_levels.exists()


def test_only_the_ticked_ones_change(lead, study):
    one, other = factories.coupon(study), factories.coupon(study)
    edit(lead, study, f"which=ticked&selected={one.pk}", break_type="star", expected=1)
    one.refresh_from_db()
    other.refresh_from_db()
    assert (one.break_type, other.break_type) == ("star", "")


def test_a_coupon_of_another_study_is_not_changed(lead, study):
    foreign = factories.coupon()
    shown = edit(lead, study, f"which=ticked&selected={foreign.pk}", break_type="star", expected=1)
    foreign.refresh_from_db()
    assert "No coupon is chosen" in shown.text
    assert foreign.break_type == ""


def test_if_others_match_by_now_nothing_changes(lead, study):
    factories.coupon(study)
    factories.coupon(study)
    shown = edit(lead, study, "which=all", break_type="star", expected=1)
    assert "1 coupons were chosen, now 2 match" in shown.text
    assert not Coupon.objects.filter(break_type="star").exists()


def test_a_filter_that_is_nonsense_does_not_mean_every_coupon(lead, study):
    factories.coupon(study)
    assert "No coupon is chosen" in edit(lead, study, "which=all&role=x", break_type="star", expected=1).text


def test_one_coupon_that_refuses_keeps_all_as_they_are(lead, study):
    plain = factories.coupon(study, code="C1", break_type="star")
    factories.coupon(study, code="C2", role="pristine")
    shown = edit(lead, study, "which=all", break_type="bullseye", expected=2)
    plain.refresh_from_db()
    assert "Coupon C2: a pristine control has no break." in shown.text
    assert plain.break_type == "star"


def test_a_repaired_coupon_does_not_become_a_control(lead, study):
    from labbench.bench.services import record_repair

    coupon = factories.coupon(study, code="C1")
    record_repair(
        coupon=coupon,
        by=factories.person("technician"),
        technician=factories.person("technician"),
        repaired_at=NOON,
        resin_lot=factories.resin_lot(),
        lamp=factories.lamp(),
        cure_time_s=60,
    )
    shown = edit(lead, study, "which=all", role="pristine", expected=1)
    assert "Coupon C1 was repaired" in shown.text


def test_coupons_move_to_another_load_and_out_of_it(lead, study):
    hand = factories.person()
    coupon = factories.coupon(study)
    create_load(study=study, name="Load 1", by=hand, coupons=[coupon])
    second = create_load(study=study, name="Load 2", by=hand, coupons=[factories.coupon(study)])
    edit(lead, study, f"which=ticked&selected={coupon.pk}", load=second.pk, expected=1)
    coupon = Coupon.objects.get(pk=coupon.pk)
    assert (coupon.load_place.load, coupon.load_place.place) == (second, 2)
    edit(lead, study, f"which=ticked&selected={coupon.pk}", load="none", expected=1)
    assert not hasattr(Coupon.objects.get(pk=coupon.pk), "load_place")


def test_withdrawn_coupons_become_deviations(lead, study):
    factories.coupon(study)
    edit(lead, study, "which=all", withdrawn_on="2026-11-20", expected=1)
    coupon = Coupon.objects.get()
    assert (coupon.stage, coupon.withdrawn_reason) == ("withdrawn", "wrong label")
    assert Deviation.objects.get().coupon == coupon


def test_other_rounds_move_a_coupon_to_another_stage(lead, study):
    coupon = factories.coupon(study)
    record_inspection(coupon=coupon, by=factories.person(), seen_at=NOON, round_number=2, outcome="intact")
    edit(lead, study, "which=all", rounds_planned=2, expected=1)
    coupon.refresh_from_db()
    assert coupon.stage == "survived"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, "Nothing is chosen to be changed."),
        ({"break_type": "star", "reason": " "}, "This field is required."),
        ({"legs": "1000"}, "less than or equal to 100"),
        ({"edge_distance_mm": "nan"}, "Enter a number."),
        ({"withdrawn_on": "2999-01-01"}, "This day is still to come."),
        ({"load": "77"}, "Select a valid choice"),
    ],
)
def test_what_a_bulk_edit_refuses(lead, study, data, words):
    coupon = factories.coupon(study)
    assert words in edit(lead, study, "which=all", **{"expected": 1, **data}).text
    assert coupon.history.count() == Coupon.objects.get().history.count()


@pytest.mark.parametrize("role", ["technician", "guest"])
def test_who_may_not_edit(request, study, role):
    client = request.getfixturevalue(role)
    coupon = factories.coupon(study)
    assert edit(client, study, "which=all", break_type="star", expected=1).status_code == 403
    assert "Edit the ticked ones" not in page(client, study).text
    coupon.refresh_from_db()
    assert coupon.break_type == ""


def test_the_order_of_coupons_does_not_tell_a_technician_the_arms(technician, lead, study):
    allocated(study, "Z1", resin="A")
    allocated(study, "A1", resin="B")
    assert codes(page(technician, study)) == ["A1", "Z1"]
    assert codes(page(lead, study)) == ["Z1", "A1"]


def test_what_a_rule_found_of_a_repair_is_not_told_to_a_technician(technician, lead, study):
    hand = factories.person()
    for by_rule, words in ((True, "Lot A-77 had expired"), (False, "Door left open")):
        study.deviations.create(
            kind="other",
            happened_at=NOON,
            description=words,
            is_found_by_rule=by_rule,
            recorded_by=hand,
            recorded_at=NOON,
        )
    assert "Lot A-77" not in page(technician, study).text
    assert "Door left open" in page(technician, study).text
    assert "Lot A-77" in page(lead, study).text


def test_of_many_loads_those_under_way_are_listed_and_all_can_be(client):
    study = factories.study()
    for number in range(1, 31):
        Load.objects.create(study=study, name=f"Load {number}", state="running" if number == 3 else "done")
    client.force_login(factories.person("lead"))
    page = client.get(f"/studies/{study.code}/").content.decode()
    assert "1 of 30 are listed" in page
    assert page.count('scope="row"><a href="/loads/') == 1
    assert client.get(f"/studies/{study.code}/?loads=all").content.decode().count('scope="row"><a href="/loads/') == 30


def test_a_long_select_offers_what_the_plain_one_does():
    choices = [("", "any"), (1, "Load <1>"), (2, "Load 2")]
    plain, long = forms.Select(choices=choices), LongSelect(choices=choices)
    attributes = {"id": "id_load"}
    normal = (
        re.sub(r"\s+", "", plain.render("load", 2, attributes)),
        re.sub(r"\s+", "", long.render("load", 2, attributes)),
    )
    assert normal[0] == normal[1]
