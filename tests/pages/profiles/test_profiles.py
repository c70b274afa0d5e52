"""Thermal profiles on their pages: begun from common practice, changed as new versions, refused and warned in words."""

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from labbench.bench.models import Load
from labbench.lab.models import Chamber, ThermalProfile
from labbench.lab.profiles import STARTING_PROFILES, create_profile, new_version, values_of
from tests import factories

pytestmark = pytest.mark.django_db


def posted(*steps, rounds=3, **extra):
    """What the form sends."""
    data = {
        "name": "Quick look",
        "rounds": rounds,
        "max_transfer_minutes": "10",
        "note": "",
        "steps-TOTAL_FORMS": len(steps) + 1,
        "steps-INITIAL_FORMS": 0,
        **extra,
    }
    blank = {
        "name": "",
        "kind": "",
        "air_set_point_c": "",
        "target_c": "",
        "tolerance_k": "",
        "min_minutes": "",
        "max_minutes": "",
    }
    for place, step in enumerate((*steps, {})):
        data |= {f"steps-{place}-{key}": value for key, value in (blank | {"ORDER": place + 1} | step).items()}
    return data


COLD = {
    "name": "cold",
    "kind": "freeze",
    "air_set_point_c": "-10 °F",
    "target_c": "0F",
    "tolerance_k": "10.8 F",
    "min_minutes": "8 h",
    "max_minutes": "16h",
}
HOT = {
    "name": "hot",
    "kind": "heat",
    "air_set_point_c": "76,7",
    "target_c": "76.7 °C",
    "tolerance_k": "3 K",
    "min_minutes": "120",
    "max_minutes": "2 h 30 min",
}


def common(by=None):
    return create_profile(values=STARTING_PROFILES["common"], by=by)


def test_temperatures_are_typed_in_either_scale_and_soaks_in_hours(lead):
    answer = lead.post(reverse("new-profile"), posted(COLD, HOT))
    made = ThermalProfile.objects.get()
    assert answer.url == reverse("profile", args=[made.pk])
    cold, hot = made.steps.all()
    # 0 degF = -17.78 degC, -10 degF = -23.33 degC, a difference of 10.8 degF = 6 K.
    assert (cold.air_set_point_c, cold.target_c, cold.tolerance_k) == (-23.33, -17.78, 6.0)
    assert (cold.min_minutes, cold.max_minutes, hot.max_minutes) == (480, 960, 150)
    assert (hot.air_set_point_c, hot.target_c, hot.tolerance_k) == (76.7, 76.7, 3.0)
    page = lead.get(answer.url).content.decode()
    assert "−17.8\u202f°C" in page
    assert "0\u202f°F" in page


def test_steps_go_by_their_place_and_may_be_left_out(lead):
    lead.post(reverse("new-profile"), posted(COLD | {"ORDER": 2}, HOT | {"ORDER": 1}))
    assert [step.name for step in ThermalProfile.objects.get().steps.all()] == ["hot", "cold"]
    profile = ThermalProfile.objects.get()
    lead.post(
        reverse("new-profile-version", args=[profile.pk]),
        posted(COLD, HOT | {"DELETE": "on"}, reason="no oven") | {"steps-INITIAL_FORMS": 2},
    )
    assert [step.name for step in ThermalProfile.objects.get(version=2).steps.all()] == ["cold"]


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (COLD | {"max_minutes": "7 h"}, "The longest soak is below the least of 480 min."),
        (COLD | {"tolerance_k": ""}, "How far the coupon may be from its target, in K?"),
        (COLD | {"target_c": ""}, "A tolerance needs the target it is about."),
        (COLD | {"target_c": "cold"}, "“cold” is not a number"),
        (COLD | {"target_c": "900"}, "can’t be right"),
        (COLD | {"min_minutes": "soon"}, "is no time"),
        (COLD | {"min_minutes": "9" * 400 + "h"}, "This is longer than 24 signs"),
        (COLD | {"min_minutes": "9" * 5000}, "This is longer than 24 signs"),
        (COLD | {"min_minutes": "0"}, "can’t be right"),
        (HOT | {"name": "COLD"}, "Step 2: “COLD” is already the name of step 1."),
    ],
)
def test_what_can_not_be_is_refused_in_words_and_nothing_is_stored(lead, step, words):
    answer = lead.post(reverse("new-profile"), posted(COLD, step | {"ORDER": 2}))
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert not ThermalProfile.objects.exists()


def test_a_profile_without_steps_or_with_a_taken_name_is_refused(lead):
    assert "at least one step" in lead.post(reverse("new-profile"), posted()).content.decode()
    lead.post(reverse("new-profile"), posted(COLD))
    assert (
        "There is a profile of this name"
        in lead.post(reverse("new-profile"), posted(COLD, name="quick LOOK")).content.decode()
    )
    assert ThermalProfile.objects.count() == 1


def test_common_practice_is_filled_in_and_marked(lead):
    page = lead.get(reverse("new-profile") + "?from=common").content.decode()
    assert 'value="-17.78"' in page
    assert "no published source" in page
    profile = common()
    assert "common practice, no published source" in lead.get(reverse("profile", args=[profile.pk])).content.decode()


def test_a_changed_profile_is_a_new_version_and_the_one_in_use_stays(lead):
    profile = common()
    Load.objects.create(study=factories.study(), name="Load 1", profile=profile)
    before = values_of(profile)
    three = posted(COLD, HOT, HOT | {"name": "again"}, reason="shorter") | {"steps-INITIAL_FORMS": 3}
    lead.post(reverse("new-profile-version", args=[profile.pk]), three)
    assert values_of(ThermalProfile.objects.get(pk=profile.pk)) == before
    assert ThermalProfile.objects.get(version=2).name == profile.name
    page = lead.get(reverse("profile", args=[profile.pk])).content.decode()
    assert "This is an older version" in page
    assert "in use and stays as it is" in page


def test_a_version_that_changes_nothing_or_has_no_reason_is_refused(lead):
    profile = common()
    with pytest.raises(ValidationError, match="Nothing is changed"):
        new_version(profile=profile, values=values_of(profile), by=None, reason="why not")
    answer = lead.post(reverse("new-profile-version", args=[profile.pk]), posted(COLD, reason=" "))
    assert answer.status_code == 200
    assert ThermalProfile.objects.count() == 1


def test_only_an_unused_version_can_be_taken_out(lead):
    unused, used = (
        common(),
        create_profile(
            values=STARTING_PROFILES["common"].__class__("Other", 1, 5, STARTING_PROFILES["common"].steps), by=None
        ),
    )
    factories.study(profile=used)
    assert lead.post(reverse("take-out-profile", args=[unused.pk]), {"reason": "typed twice"}).url == reverse(
        "profiles"
    )
    assert (
        "in use" in lead.post(reverse("take-out-profile", args=[used.pk]), {"reason": "typed twice"}).content.decode()
    )
    assert list(ThermalProfile.objects.all()) == [used]
    assert ThermalProfile.history.filter(history_type="-").get().history_change_reason == "typed twice"


def test_a_target_that_no_chamber_reaches_is_warned_of(lead):
    Chamber.objects.create(code="F-1", kind="freeze", capacity_coupons=8, lowest_c=-20, highest_c=0)
    page = lead.get(reverse("profile", args=[common().pk])).content.decode()
    assert "no freezer reaches air of −23.3\u202f°C; those in service go from −20.0\u202f°C to 0.0\u202f°C." in page
    assert "there is no oven and no programmable chamber in service" in page
    Chamber.objects.create(code="P-1", kind="cycler", capacity_coupons=8, lowest_c=-40, highest_c=120)
    assert "speaks against" not in lead.get(reverse("profile", args=[ThermalProfile.objects.get().pk])).content.decode()


def test_air_that_leaves_the_glass_outside_its_tolerance_is_warned_of(lead):
    lead.post(reverse("new-profile"), posted(COLD | {"tolerance_k": "2"}))
    page = lead.get(reverse("profile", args=[ThermalProfile.objects.get().pk])).content.decode()
    assert "never leaves the glass within 2\u202fK of −17.8\u202f°C" in page


@pytest.mark.parametrize("role", ["technician", "guest"])
def test_others_read_and_do_not_change(role, request):
    client = request.getfixturevalue(role)
    profile = common()
    assert client.get(reverse("profile", args=[profile.pk])).status_code == 200
    assert client.get(reverse("new-profile")).status_code == 403
    assert client.post(reverse("new-profile-version", args=[profile.pk]), posted(COLD, reason="x")).status_code == 403
    assert client.post(reverse("take-out-profile", args=[profile.pk]), {"reason": "x"}).status_code == 403


def test_the_list_asks_as_often_for_three_profiles_as_for_one(lead, django_assert_num_queries):
    common()
    with CaptureQueriesContext(
        connection,
    ) as one:
        lead.get(reverse("profiles"))
    for name in ("Second", "Third"):
        start = STARTING_PROFILES["common"]
        create_profile(values=start.__class__(name, 2, 5, start.steps), by=None)
    with django_assert_num_queries(len(one)):
        page = lead.get(reverse("profiles")).content.decode()
    assert "Second" in page
    assert "Third" in page


def test_an_empty_list_says_what_to_do(lead, guest):
    assert "Begin with common practice" in lead.get(reverse("profiles")).content.decode()
    assert "The lab lead makes the first one" in guest.get(reverse("profiles")).content.decode()
