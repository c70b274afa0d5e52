"""Making the proposed coupons the study's own."""

import pytest
from django.urls import reverse

from labbench.studies.models import Coupon, CouponLevel
from tests import factories
from tests.pages.results.test_results import as_, text_of
from tests.reports.analysed import HEADER, analysed, mixed_rows, stored

pytestmark = pytest.mark.django_db
BUTTON = "Add these coupons to the study"


@pytest.fixture
def proposed():
    """An analysis that proposes coupons, in a study that has the factors and levels of its sheet."""
    study = factories.study()
    factories.factor(study, "resin_lot", ("A", "B"))
    factories.factor(study, "lamp", ("L1", "L2"))
    factories.factor(study, "cure_time_s", (60, 90), source="number")
    made = analysed(mixed_rows(), study=study)
    assert made.result["next_coupons"]
    return made


def levels_of(coupon):
    return {row.factor.name: row.level.number or row.level.name for row in coupon.coupon_levels.all()}


def test_the_coupons_get_the_proposed_levels_and_codes_that_tell_nothing(client, proposed):
    as_(client)
    assert BUTTON in text_of(client.get(reverse("study-results", args=[proposed.study.code])))
    answer = client.post(reverse("add-next-coupons", args=[proposed.pk]), follow=True)
    made = list(Coupon.objects.filter(study=proposed.study))
    asked = [row["levels"] for row in proposed.result["next_coupons"] for _ in range(row["count"])]
    assert sorted(map(str, (sorted(levels_of(c).items()) for c in made))) == sorted(
        str(sorted(levels.items())) for levels in asked
    )
    assert all(len(coupon.code) == 4 for coupon in made)
    assert all(coupon.note.startswith("Proposed by the analysis of 3 Nov 2026") for coupon in made)
    assert "6 coupons added under codes drawn at random" in text_of(answer)
    assert set(answer.context["form"].initial["codes"].splitlines()) == {coupon.code for coupon in made}


def test_asking_twice_adds_only_what_is_lacking(client, proposed):
    as_(client)
    address = reverse("add-next-coupons", args=[proposed.pk])
    client.post(address)
    assert "has these coupons already" in text_of(client.post(address, follow=True))
    assert Coupon.objects.count() == 6
    started = Coupon.objects.first()
    Coupon.objects.filter(pk=started.pk).update(stage=Coupon.Stage.CYCLING)
    client.post(address)
    assert Coupon.objects.count() == 7
    assert levels_of(Coupon.objects.order_by("pk").last()) == levels_of(started)


def test_a_level_that_is_gone_is_named_and_nothing_stored(client, proposed):
    as_(client)
    proposed.study.factors.get(name="lamp").levels.all().delete()
    answer = client.post(reverse("add-next-coupons", args=[proposed.pk]), follow=True)
    assert "of lamp any more" in text_of(answer)
    assert not Coupon.objects.exists()
    assert not CouponLevel.objects.exists()


def test_a_closed_study_and_an_older_analysis_take_none(client, proposed):
    as_(client)
    address = reverse("add-next-coupons", args=[proposed.pk])
    newer = stored(f"{HEADER}\n", proposed.result, coupons=0, study=proposed.study)
    assert BUTTON not in text_of(client.get(reverse("analysis", args=[proposed.pk])))
    assert "A newer analysis" in text_of(client.post(address, follow=True))
    proposed.study.state = "closed"
    proposed.study.save()
    assert BUTTON not in text_of(client.get(reverse("analysis", args=[newer.pk])))
    assert "is closed" in text_of(client.post(reverse("add-next-coupons", args=[newer.pk]), follow=True))
    assert not Coupon.objects.exists()


@pytest.mark.parametrize("role", ["guest", "technician", "qa"])
def test_who_may_not_add_coupons_is_not_offered_it(client, proposed, role):
    as_(client, role)
    assert BUTTON not in text_of(client.get(reverse("analysis", args=[proposed.pk])))
    assert client.post(reverse("add-next-coupons", args=[proposed.pk])).status_code == 403
