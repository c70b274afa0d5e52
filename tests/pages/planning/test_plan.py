"""The planner of a study."""

import re

import pytest
from django.urls import reverse

from labbench.studies.models import Factor, ImpossibleCombination, Level, PlanSettings
from labbench.studies.planning import settings_of
from tests import factories

pytestmark = pytest.mark.django_db

SETTINGS = {
    "places_per_load": 8,
    "loads_ready": 2,
    "reference_per_load": 1,
    "unrepaired_per_load": 0,
    "pristine_per_load": 0,
    "failing_share": 0.7,
    "holding_share": 0.1,
}


def plan(client, study):
    return client.get(reverse("study-plan", args=[study.code]))


def store(client, study, **more):
    return client.post(reverse("study-plan", args=[study.code]), SETTINGS | more, follow=True)


def text_of(answer):
    return re.sub(r"[ \n]+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def test_a_study_without_factors_says_what_to_do_first(lead, guest):
    empty = factories.study(state="planned")
    shown = plan(lead, empty)
    assert "Name the first factor" in text_of(shown)
    assert reverse("study-factors", args=[empty.code]) in shown.text
    assert "Name the first factor" not in text_of(plan(guest, empty))


def test_what_a_lead_stores_is_kept_and_shown(lead, study):
    resin, lamp = study.factors.all()
    a, l2 = Level.objects.get(name="A"), Level.objects.get(name="L2")
    names = {
        f"hard_{lamp.pk}": "on",
        f"session_{lamp.pk}": 2,
        f"baseline_{resin.pk}": a.pk,
        f"reference_{lamp.pk}": l2.pk,
        f"stock_{a.pk}": 9,
    }
    shown = store(lead, study, **names)
    assert "Compare the plans again" in text_of(shown)
    kept = settings_of(study)
    assert (kept.places_per_load, kept.test_places, kept.failing_share) == (8, 7, 0.7)
    lamp.refresh_from_db()
    assert (lamp.is_hard_to_change, lamp.levels_per_session) == (True, 2)
    for level, marks in ((a, (True, False, 9)), (l2, (False, True, None))):
        level.refresh_from_db()
        assert (level.is_baseline, level.is_reference, level.most_coupons) == marks
    # What is shown again is what was stored.
    again = store(lead, study, **names)
    assert again.status_code == 200
    assert settings_of(study).history.count() == 1


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"reference_per_load": 8}, "The controls leave no place for a test coupon."),
        ({"failing_share": 0.1}, "With the cause more coupons fail than without it"),
        ({"failing_share": 1.5}, "both shares lie between 0 and 1"),
        ({"places_per_load": 0}, "greater than or equal to 1"),
        ({"places_per_load": "many"}, "Enter a whole number."),
        ({"loads_ready": ""}, "This field is required."),
    ],
)
def test_settings_that_can_not_be_are_refused_in_words(lead, study, wrong, words):
    assert words in text_of(store(lead, study, **wrong))
    assert not PlanSettings.objects.exists()


def test_a_level_of_another_factor_is_no_baseline(lead, study):
    resin = study.factors.get(name="resin")
    shown = store(lead, study, **{f"baseline_{resin.pk}": Level.objects.get(name="L1").pk})
    assert "is not one of the available choices" in text_of(shown)
    assert not Level.objects.filter(is_baseline=True).exists()


def test_impossible_combinations_are_named_and_taken_back(lead, study):
    resin, lamp = study.factors.all()
    chosen = {
        f"impossible_{resin.pk}": Level.objects.get(name="A").pk,
        f"impossible_{lamp.pk}": Level.objects.get(name="L3").pk,
        "reason": "the tube is too weak",
    }
    address = reverse("add-impossible", args=[study.code])
    assert "No plan makes resin = A with lamp = L3 any more." in text_of(lead.post(address, chosen, follow=True))
    assert "the tube is too weak" in text_of(plan(lead, study))
    assert "This is impossible already" in text_of(lead.post(address, chosen))
    only_one = {f"impossible_{resin.pk}": chosen[f"impossible_{resin.pk}"]}
    assert "at least two factors" in text_of(lead.post(address, only_one))
    found = ImpossibleCombination.objects.get()
    lead.post(reverse("remove-impossible", args=[study.code, found.pk]))
    assert not ImpossibleCombination.objects.exists()


def test_three_per_arm_are_told_not_to_convince(lead, study):
    shown = text_of(plan(lead, study))
    # R. A. Fisher's 2 / C(6, 3) = 0.1 by hand; both tails.
    assert "Three of three failing against none of three is p = 0.10" in shown
    assert "three per arm convince in 0\u202f% of all cases" in shown


def test_who_may_see_and_store(technician, guest, study):
    assert "Closed to you while the study is open" in text_of(plan(technician, study))
    assert "resin" not in text_of(plan(technician, study))
    shown = plan(guest, study)
    assert "resin" in text_of(shown)
    assert "Store what a plan keeps to" not in text_of(shown)
    assert store(guest, study).status_code == 403
    for name in ("add-impossible",):
        assert guest.post(reverse(name, args=[study.code]), {}).status_code == 403
    assert not PlanSettings.objects.exists()


def test_a_technician_of_a_study_that_is_not_blind_reads_the_plan(technician, study):
    study.is_blind = False
    study.save()
    assert "resin" in text_of(plan(technician, study))


@pytest.mark.parametrize("factors", [1, 6])
def test_the_planner_takes_a_fixed_number_of_queries(lead, factors, django_assert_max_num_queries):
    study = factories.study(state="planned")
    for number in range(factors):
        factories.factor(study, f"factor{number}", tuple(f"level {n}" for n in range(6)))
    plan(lead, study)
    with django_assert_max_num_queries(14):
        assert plan(lead, study).status_code == 200


def test_ugly_studies_are_shown(lead):
    study = factories.study(state="planned")
    for number in range(10):
        factories.factor(study, f"factor{number}", tuple(f"مستوى {n} <b>" for n in range(40)))
    factories.factor(study, "alone", ("only",))
    Factor.objects.create(study=study, name="none_yet", source="text")
    shown = plan(lead, study)
    assert "one level only: nothing to compare" in text_of(shown)
    assert "no level yet" in text_of(shown)
    assert "<b>&lt;/b" not in shown.text
    assert "&lt;b&gt;" in shown.text
