"""Making the proposed coupons the study's own."""

import pytest
from django.urls import reverse

from labbench.bench.services import create_load
from labbench.lab.models import GlassStock
from labbench.studies.models import Allocation, Coupon, CouponLevel
from labbench.studies.proposals import Arm, add_proposed
from labbench.studies.services import set_level
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


def test_new_coupons_are_made_of_what_the_study_uses_most(client, proposed):
    as_(client)
    study, glass = proposed.study, GlassStock.objects.create(code="G-1", construction="4/0.76/4", thickness_mm=8.76)
    for details in (
        {"break_type": "star"},
        {"break_type": "star", "size_mm": 20},
        {"break_type": "crack", "size_mm": 21},
    ):
        factories.coupon(study, glass=glass, **details)
    factories.coupon(study, role="pristine")
    before = set(study.coupons.values_list("pk", flat=True))
    address = reverse("add-next-coupons", args=[proposed.pk])
    form = client.get(address).context["form"]
    # Of two sizes that are equally frequent the last one.
    assert form.initial == {"glass": glass.pk, "break_type": "star", "size_mm": 21}
    assert Coupon.objects.count() == len(before)
    client.post(address, form.initial)
    made = study.coupons.exclude(pk__in=before)
    assert set(made.values_list("glass", "break_type", "size_mm")) == {(glass.pk, "star", 21)}
    assert made.count() == 6


def test_a_size_that_is_none_is_refused_and_nothing_added(client, proposed):
    as_(client)
    answer = client.post(reverse("add-next-coupons", args=[proposed.pk]), {"size_mm": "-3"})
    assert answer.context["form"].errors.keys() == {"size_mm"}
    assert not Coupon.objects.exists()


@pytest.fixture
def load(proposed):
    """Four coupons of a prepared load that wait for their levels; the others of the load do not."""
    study, lead = proposed.study, factories.person()
    waiting = [factories.coupon(study, code=f"W{n}") for n in range(4)]
    others = [factories.coupon(study, code="R", role="reference"), factories.coupon(study, code="REPAIRED")]
    Coupon.objects.filter(code="REPAIRED").update(stage="repaired")
    others.append(factories.coupon(study, code="LEVEL"))
    lamp = study.factors.get(name="lamp")
    set_level(coupons=others[-1:], factor=lamp, level=lamp.levels.first(), by=lead)
    factories.coupon(study, code="NO-LOAD")
    return create_load(study=study, name="Load 3", by=lead, coupons=waiting + others)


def test_waiting_coupons_of_a_prepared_load_get_the_levels_first(client, proposed, load):
    person, study = as_(client), proposed.study
    address = reverse("add-next-coupons", args=[proposed.pk])
    shown = client.get(address)
    assert "4 coupons wait without levels in Load 3" in text_of(shown)
    assert [coupon.code for coupon in shown.context["waiting"]] == ["W0", "W1", "W2", "W3"]
    answer = client.post(address, {"use_waiting": "on"}, follow=True)
    assert "4 waiting coupons got the proposed levels: W0, W1, W2, W3." in text_of(answer)
    made = study.coupons.filter(note__startswith="Proposed")
    assert made.count() == 2
    asked = [row["levels"] for row in proposed.result["next_coupons"] for _ in range(row["count"])]
    carried = [levels_of(coupon) for coupon in [*made, *study.coupons.filter(code__in=["W0", "W1", "W2", "W3"])]]
    assert sorted(map(str, (sorted(c.items()) for c in carried))) == sorted(str(sorted(a.items())) for a in asked)
    kept = CouponLevel.history.filter(coupon__code="W0")
    assert kept.count() == 3
    assert {(row.history_user, row.history_change_reason) for row in kept} == {
        (person, "Proposed by the analysis of 3 Nov 2026.")
    }
    assert "has these coupons already" in text_of(client.get(address, follow=True))


def test_one_press_makes_the_next_load_with_its_list_of_repairs(client, proposed):
    as_(client)
    address = reverse("add-next-coupons", args=[proposed.pk])
    shown = text_of(client.get(address))
    assert "Put 6 new coupons into a new load" in shown
    assert "With the controls of the study’s plan: 1 reference repair" in shown
    answer = client.post(address, {"new_load": "on", "with_controls": "on"}, follow=True)
    allocation = Allocation.objects.get(study=proposed.study)
    assert answer.redirect_chain == [(reverse("allocation", args=[allocation.pk]), 302)]
    assert "They travel in Load 1. With 1 control." in text_of(answer)
    assert [allocation.title, allocation.rows.count()] == ["Load proposed on 3 Nov 2026", 7]


def test_waiting_coupons_without_levels_can_leave_their_load(client, proposed, load):
    as_(client)
    for number in range(4, 9):
        load.places.create(coupon=factories.coupon(proposed.study, code=f"W{number}"))
    address = reverse("add-next-coupons", args=[proposed.pk])
    assert "Take the other 3 out of the load: without levels nobody can repair them" in text_of(client.get(address))
    answer = client.post(address, {"use_waiting": "on", "take_out": "on"}, follow=True)
    assert "Left their load without levels, and wait for the next proposal:" in text_of(answer)
    waiting = load.places.filter(coupon__code__startswith="W")
    assert waiting.count() == 6
    assert CouponLevel.objects.filter(coupon__in=waiting.values("coupon")).values("coupon").distinct().count() == 6


def test_waiting_coupons_are_left_alone_unless_that_is_ticked_or_their_load_has_set_out(client, proposed, load):
    as_(client)
    load.state = "running"
    load.save()
    address = reverse("add-next-coupons", args=[proposed.pk])
    assert "use_waiting" not in client.get(address).context["form"].fields
    client.post(address, {"use_waiting": "on"})
    # By their whole codes: one drawn at random for a new coupon may begin with W as well.
    assert not CouponLevel.objects.filter(coupon__code__in=[f"W{n}" for n in range(4)]).exists()
    assert Coupon.objects.filter(note__startswith="Proposed").count() == 6


def test_a_waiting_coupon_gets_no_level_that_its_break_or_glass_contradicts():
    study = factories.study()
    breaks = factories.factor(study, "break_type", ("bullseye", "star"))
    arms = [Arm({"break_type": "star"}, 2), Arm({"break_type": "bullseye"}, 2)]
    free = [factories.coupon(study, break_type=kind) for kind in ("", "star", "crack")]
    added = add_proposed(study=study, arms=arms, note="n", by=factories.person(), waiting=free, break_type="crack")
    assert {coupon.pk for coupon in added.given} == {free[0].pk, free[1].pk}
    assert levels_of(free[1]) == {"break_type": "star"}
    assert levels_of(free[2]) == {}
    # A new coupon's break is what its level says.
    assert all(coupon.break_type == levels_of(coupon)["break_type"] for coupon in added.made)
    assert breaks.coupon_levels.count() == 4


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
