"""Putting up and changing studies, factors, coupons and loads through the forms."""

import pytest
from django.urls import reverse

from labbench.bench.models import Load
from labbench.bench.services import record_inspection
from labbench.studies.models import Coupon, Factor, Level, Study
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db

STUDY = {
    "code": "COACH-9",
    "title": "Side windows",
    "question": "Which lot?",
    "rounds_planned": 3,
    "confidence": 0.95,
    "margin": 0.15,
    "strength_margin": 0.1,
    "is_blind": "on",
}


def test_a_new_study_goes_on_to_its_factors(lead):
    answer = lead.post(reverse("new-study"), STUDY)
    assert answer.url == reverse("study-factors", args=["COACH-9"])
    study = Study.objects.get()
    assert (study.state, study.rounds_planned, study.is_blind) == ("planned", 3, True)
    assert study.history.get().history_user.role == "lead"


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"code": "import"}, "is an address of these pages"),
        ({"code": ".."}, "is an address of these pages"),
        ({"code": "A B"}, "Letters, digits, - _ and . only"),
        ({"code": "COACH-1"}, "There is a study COACH-1 already."),
        ({"code": "coach-1"}, "There is a study COACH-1 already."),
        ({"code": "<b>"}, "Letters, digits, - _ and . only, a letter or digit first, e.g. COACH-7."),
        ({"code": "A&B"}, "Letters, digits, - _ and . only"),
        ({"code": "-A"}, "a letter or digit first"),
        ({"title": ""}, "This field is required."),
        ({"confidence": "1"}, "Above 0.5 and at most 0.9999"),
        ({"confidence": "0.99999"}, "Above 0.5 and at most 0.9999"),
        ({"confidence": "nan"}, "Enter a number."),
        ({"margin": "0"}, "Between 0 and 1"),
        ({"strength_margin": "1"}, "Between 0 and 1"),
        ({"rounds_planned": "0"}, "greater than or equal to 1"),
        ({"rounds_planned": "99999999999"}, "less than or equal to 1000"),
        ({"title": "x" * 161}, "at most 160 characters"),
    ],
)
def test_what_a_new_study_refuses(lead, study, changed, words):
    assert words in lead.post(reverse("new-study"), STUDY | changed).text
    assert Study.objects.count() == 1


def test_a_running_study_changes_only_with_a_reason_and_keeps_its_code(lead, study):
    address = reverse("edit-study", args=[study.code])
    assert "This field is required." in lead.post(address, STUDY | {"title": "Other"}).text
    lead.post(address, STUDY | {"title": "Other", "reason": "asked more precisely"})
    study.refresh_from_db()
    assert (study.code, study.title) == ("COACH-1", "Other")
    assert study.history.first().history_change_reason == "asked more precisely"


def test_fewer_rounds_move_the_coupons_that_held_them(lead, study):
    coupon = factories.coupon(study)
    record_inspection(coupon=coupon, by=factories.person(), seen_at=NOON, round_number=2, outcome="intact")
    lead.post(reverse("edit-study", args=[study.code]), STUDY | {"rounds_planned": 2, "reason": "two are enough"})
    coupon.refresh_from_db()
    assert coupon.stage == Coupon.Stage.SURVIVED


def test_the_state_changes_with_a_reason(lead, study):
    address = reverse("study-state", args=[study.code])
    assert "This field is required." in lead.post(address, {"state": "closed"}).text
    lead.post(address, {"state": "closed", "reason": "answered"})
    study.refresh_from_db()
    assert study.state == "closed"
    assert study.closed_on is not None


def test_a_study_under_way_is_not_only_planned(lead, study):
    factories.coupon(study, stage="repaired")
    shown = lead.post(reverse("study-state", args=[study.code]), {"state": "planned", "reason": "oops"})
    assert "worked on already" in shown.text


def test_an_empty_study_can_be_deleted_and_its_history_stays(lead, study):
    lead.post(reverse("delete-study", args=[study.code]), {"reason": "put up twice"})
    assert not Study.objects.exists()
    assert Study.history.filter(history_type="-").get().history_change_reason == "put up twice"


def test_a_study_with_coupons_or_loads_can_not_be_deleted(lead, study):
    Load.objects.create(study=study, name="Load 1")
    address = reverse("delete-study", args=[study.code])
    assert "holds 1 load and can&#x27;t be deleted" in lead.post(address, {"reason": "x"}).text
    factories.coupon(study)
    assert "holds 1 coupon, 1 load and can&#x27;t be deleted" in lead.post(address, {"reason": "x"}).text
    assert Factor.objects.count() == 2


# --- factors --------------------------------------------------------------------------------------------------------


def test_a_study_that_can_not_be_deleted_says_why_instead_of_offering_it(lead, study):
    address = reverse("delete-study", args=["COACH-1"])
    assert "Delete the study</button>" in lead.get(address).text
    factories.coupon(study)
    html = lead.get(address).text
    assert "COACH-1 holds 1 coupon and can&#x27;t be deleted; close it instead." in html
    assert "Delete the study</button>" not in html
    for page in ("edit-study", "study-state"):
        assert address in lead.get(reverse(page, args=["COACH-1"])).text


def test_a_factor_of_names(lead, study):
    answer = lead.post(reverse("study-factors", args=[study.code]), {"name": "cover", "source": "text"})
    factor = study.factors.get(name="cover")
    assert answer.url == reverse("study-levels", args=[study.code, factor.pk])
    lead.post(answer.url, {"levels": "on\r\n\r\n  off \r\n"})
    assert [level.name for level in factor.levels.order_by("pk")] == ["on", "off"]


def test_a_factor_of_numbers_takes_decimal_commas(lead, study):
    factor = study.factors.get(name="cure_time_s")
    lead.post(reverse("study-levels", args=[study.code, factor.pk]), {"levels": "90\n45,5"})
    assert sorted(factor.levels.values_list("number", flat=True)) == [45.5, 60, 90, 120]


def test_a_factor_of_catalogue_records(lead, study):
    lamp, other = factories.lamp(code="LED-1"), factories.lamp(code="LED-2")
    factor = factories.factor(study, "lamp", (), source="lamp")
    address = reverse("study-levels", args=[study.code, factor.pk])
    lead.post(address, {"levels": [lamp.pk]})
    assert factor.levels.get().lamp == lamp
    shown = lead.get(address).text
    assert f'value="{other.pk}"' in shown
    assert f'value="{lamp.pk}"' not in shown


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"name": "Cure Time", "source": "text"}, "Small letters, digits and underscores only"),
        ({"name": "cure_time", "source": "number"}, "A number needs its unit at the end of the name"),
        ({"name": "resin", "source": "text"}, "already exists"),
        ({"name": "x", "source": "colour"}, "Select a valid choice"),
    ],
)
def test_what_a_new_factor_refuses(lead, study, data, words):
    assert words in lead.post(reverse("study-factors", args=[study.code]), data).text
    assert study.factors.count() == 2


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ("C\nC", "Named more than once: C."),
        ("C\nA", "A is a level of resin already."),
        ("\n", "This field is required."),
    ],
)
def test_levels_are_added_all_or_none(lead, study, levels, words):
    resin = study.factors.get(name="resin")
    assert words in lead.post(reverse("study-levels", args=[study.code, resin.pk]), {"levels": levels}).text
    assert resin.levels.count() == 2


def test_one_baseline_per_factor(lead, study):
    first, second = Level.objects.filter(factor__name="resin").order_by("name")
    for level in (first, second):
        lead.post(reverse("set-baseline", args=[study.code, level.pk]), {"reason": "as in the field"})
    assert Level.objects.get(is_baseline=True) == second


def test_a_level_that_coupons_carry_stays(lead, study):
    resin = study.factors.get(name="resin")
    level, free = resin.levels.order_by("name")
    set_level(coupons=[factories.coupon(study)], factor=resin, level=level, by=factories.person())
    refused = lead.post(reverse("remove-level", args=[study.code, level.pk]), {"reason": "mistyped"})
    assert "1 coupon carries resin = A" in refused.text
    assert "clear them first" in lead.post(reverse("remove-factor", args=[study.code, resin.pk]), {"reason": "x"}).text
    lead.post(reverse("remove-level", args=[study.code, free.pk]), {"reason": "mistyped"})
    assert list(resin.levels.all()) == [level]


# --- coupons and loads ----------------------------------------------------------------------------------------------


def add(client, study, **data):
    return client.post(reverse("add-coupons", args=[study.code]), {"how": "typed", "role": "test", **data})


def test_typed_codes_get_their_levels(lead, study):
    resin = study.factors.get(name="resin")
    level = resin.levels.get(name="A")
    add(lead, study, codes="K1\r\nK2", break_type="star", edge_distance_mm="120", **{f"level_{resin.pk}": level.pk})
    assert [(c.code, c.break_type, c.coupon_levels.get().level) for c in study.coupons.order_by("code")] == [
        ("K1", "star", level),
        ("K2", "star", level),
    ]


def test_running_numbers_go_on_behind_the_last(lead, study):
    factories.coupon(study, code="K-09")
    add(lead, study, how="counted", code_prefix="K-", count=2)
    assert list(study.coupons.order_by("pk").values_list("code", flat=True)) == ["K-09", "K-10", "K-11"]


def test_drawn_codes_are_all_different_and_in_no_order(lead, study):
    add(lead, study, how="random", count=300)
    codes = list(study.coupons.order_by("pk").values_list("code", flat=True))
    assert len(set(codes)) == 300
    assert codes != sorted(codes)
    assert not set("".join(codes)) & set("01AEIOULY")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"codes": ""}, "Type at least one code."),
        ({"codes": "K1\nK1"}, "Named more than once: K1."),
        ({"codes": "OLD"}, "Already in this study: OLD."),
        ({"codes": "a/b"}, "none of / \\ ? # %"),
        ({"codes": "x" * 41}, "longer than 40 characters"),
        ({"how": "counted", "count": "3"}, "A running number needs something before it"),
        ({"how": "random"}, "How many coupons?"),
        ({"how": "random", "count": "2001"}, "less than or equal to 2000"),
        ({"codes": "K1", "role": "pristine", "break_type": "star"}, "A pristine control has no break."),
    ],
)
def test_what_new_coupons_refuse(lead, study, data, words):
    factories.coupon(study, code="OLD")
    assert words in add(lead, study, **data).text
    assert study.coupons.count() == 1


def test_a_study_does_not_grow_without_end(lead, study, settings):
    settings.MAX_COUPONS_PER_STUDY = 2
    assert "at most 2 are possible" in add(lead, study, codes="A\nB\nC").text


def load(client, study, **data):
    return client.post(reverse("add-load", args=[study.code]), {"name": "Load 1", **data})


def test_a_load_takes_its_coupons_in_the_order_given(lead, study):
    for code in ("C1", "C2", "C3"):
        factories.coupon(study, code=code)
    load(lead, study, codes="C3\nC1", ready_at="2026-11-26T08:00", due_at="2026-11-30T18:00")
    places = Load.objects.get().places.order_by("place")
    assert [(place.coupon.code, place.place) for place in places] == [("C3", 1), ("C1", 2)]


@pytest.mark.parametrize("typed", ["A1, B2;C3", "A1 B2\nC3", "A1;\tB2 ,\n\n C3 ,"])
def test_codes_of_a_load_are_split_at_commas_semicolons_and_blanks(lead, study, typed):
    rows = [factories.coupon(study, code=code) for code in ("A1", "B2", "C3")]
    lead.post(reverse("add-load", args=["COACH-1"]), {"name": "Mixed", "codes": typed})
    assert [place.coupon for place in Load.objects.get(name="Mixed").places.all()] == rows


def test_a_code_with_a_blank_stays_whole(lead, study):
    factories.coupon(study, code="12 B")
    lead.post(reverse("add-load", args=["COACH-1"]), {"name": "Mixed", "codes": "12 B"})
    assert Load.objects.get(name="Mixed").places.get().coupon.code == "12 B"


def test_places_can_be_given_at_random(lead, study):
    codes = [factories.coupon(study, code=f"C{number:02d}").code for number in range(40)]
    load(lead, study, codes="\n".join(codes), is_shuffled="on")
    placed = [place.coupon.code for place in Load.objects.get().places.order_by("place")]
    # Of 40! orders the typed one does not come by chance.
    assert placed != codes
    assert sorted(placed) == codes


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"codes": "NOWHERE"}, "Not in this study: NOWHERE."),
        ({"codes": "IN"}, "travel in a load already, e.g. IN in Old load"),
        ({"codes": "GONE"}, "Withdrawn: GONE."),
        ({"codes": "OUT"}, "Cracked out or broken already: OUT."),
        ({"name": "Old load"}, "already exists"),
        ({"ready_at": "2026-11-26T08:00", "due_at": "2026-11-25T08:00"}, "Due before it is ready."),
    ],
)
def test_what_a_new_load_refuses(lead, study, data, words):
    Load.objects.create(study=study, name="Old load").places.create(coupon=factories.coupon(study, code="IN"))
    factories.coupon(study, code="GONE", withdrawn_on="2026-11-01", withdrawn_reason="dropped")
    factories.coupon(study, code="OUT", stage="cracked_out", failed_round=1)
    assert words in load(lead, study, **data).text
    assert Load.objects.count() == 1


# --- who may --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["technician", "guest"])
@pytest.mark.parametrize(
    "name", ["new-study", "edit-study", "study-state", "delete-study", "study-factors", "add-coupons", "add-load"]
)
def test_only_a_lead_changes_studies(request, study, role, name):
    client = request.getfixturevalue(role)
    address = reverse(name) if name == "new-study" else reverse(name, args=[study.code])
    assert client.post(address, STUDY).status_code == 403
    assert client.get(address).status_code == 403
    assert Study.objects.count() == 1


def test_nobody_signed_out_sees_a_study(client, study):
    assert client.get(reverse("study", args=[study.code])).status_code == 302
