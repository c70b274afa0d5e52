"""What a plan has to keep to: stored with its rules."""

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from labbench.studies.models import Allocation, ImpossibleCombination, ImpossibleLevel, Level, PlanSettings
from labbench.studies.planning import FactorLimits, add_impossible, impossible_levels, save_plan, settings_of
from labbench.studies.services import delete_study, remove_factor, remove_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def study():
    made = factories.study(state="planned")
    factories.factor(made, "lamp", ("L1", "L2"))
    factories.factor(made, "cure_time_s", (60, 120), source="number")
    return made


@pytest.fixture
def hand():
    return factories.person()


def level(study, name):
    return Level.objects.get(factor__study=study, name=name)


def test_a_study_without_settings_has_the_defaults_and_stores_none(study):
    found = settings_of(study)
    assert (found.places_per_load, found.test_places, found.pk) == (12, 11, None)
    assert not PlanSettings.objects.exists()


def test_only_what_differs_is_stored(study, hand):
    lamp = study.factors.get(name="lamp")
    limits = FactorLimits(True, 1, level(study, "L2"), level(study, "L1"))
    for _ in range(2):
        save_plan(
            study=study,
            settings={"places_per_load": 8},
            factors={lamp: limits},
            stock={level(study, "L1"): 5},
            by=hand,
            reason="first plan",
        )
    lamp.refresh_from_db()
    assert (lamp.is_hard_to_change, lamp.levels_per_session) == (True, 1)
    assert (level(study, "L2").is_baseline, level(study, "L1").is_reference, level(study, "L1").most_coupons) == (
        True,
        True,
        5,
    )
    assert settings_of(study).history.count() == 1
    assert level(study, "L1").history.first().history_change_reason == "first plan"
    # Made, then marked, then limited: the second time nothing differs.
    assert level(study, "L1").history.count() == 3


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"places_per_load": 1, "reference_per_load": 1}, "The controls leave no place for a test coupon."),
        ({"failing_share": 0.05}, "With the cause more coupons fail"),
        ({"failing_share": 1.2}, "both shares lie between 0 and 1"),
        ({"loads_ready": 0}, "greater than or equal to 1"),
    ],
)
def test_settings_that_can_not_be_are_refused(study, hand, wrong, words):
    with pytest.raises(ValidationError, match=words):
        save_plan(study=study, settings=wrong, factors={}, stock={}, by=hand)
    with pytest.raises(IntegrityError), transaction.atomic():
        PlanSettings.objects.create(study=study, **wrong)


def test_an_impossible_combination_is_kept_once_and_as_values(study, hand):
    pair = [level(study, "L1"), level(study, "60")]
    add_impossible(study=study, levels=pair, by=hand, reason="the tube needs longer")
    assert impossible_levels(study) == [{"lamp": "L1", "cure_time_s": 60.0}]
    with pytest.raises(ValidationError, match="This is impossible already: lamp = L1 with cure_time_s = 60"):
        add_impossible(study=study, levels=pair, by=hand)


@pytest.mark.parametrize(("names", "words"), [(["L1"], "at least two factors"), (["L1", "L2"], "at most one of each")])
def test_what_is_no_combination_is_refused(study, hand, names, words):
    with pytest.raises(ValidationError, match=words):
        add_impossible(study=study, levels=[level(study, name) for name in names], by=hand)
    assert not ImpossibleCombination.objects.exists()


def test_the_database_refuses_a_level_of_another_study(study, hand):
    combination = add_impossible(study=study, levels=[level(study, "L1"), level(study, "60")], by=hand)
    stranger = factories.factor(factories.study(), "glass_c", (1,))
    with pytest.raises(IntegrityError, match="does not belong to this factor of the study"), transaction.atomic():
        ImpossibleLevel.objects.create(combination=combination, factor=stranger, level=stranger.levels.get())


def test_a_removed_level_takes_the_combinations_that_name_it_along(study, hand):
    # What would be left of the pair, one level alone, would say that this level can't be made at all.
    add_impossible(study=study, levels=[level(study, "L1"), level(study, "60")], by=hand)
    remove_level(level=level(study, "60"), by=hand, reason="not wanted")
    assert impossible_levels(study) == []
    remove_factor(factor=study.factors.get(name="lamp"), by=hand, reason="not wanted")
    delete_study(study=study, by=hand, reason="made by mistake")
    assert ImpossibleCombination.history.filter(history_type="-").get().history_change_reason == "not wanted"


def test_a_locked_allocation_stays_locked(study, hand):
    made = Allocation.objects.create(study=study, plan="swaps", title="Swaps", seed=1, made_by=hand, made_at=NOON)
    coupon = factories.coupon(study)
    with pytest.raises(IntegrityError), transaction.atomic():
        made.rows.create(coupon=factories.coupon(), repair_order=1)
    made.rows.create(coupon=coupon, repair_order=1)
    with pytest.raises(IntegrityError), transaction.atomic():
        Allocation.objects.filter(pk=made.pk).update(locked_at=NOON)
    Allocation.objects.filter(pk=made.pk).update(locked_at=NOON, locked_by=hand)
    for change in ({"locked_at": None, "locked_by": None}, {"seed": 2}):
        with pytest.raises(IntegrityError, match="stays as it was locked"), transaction.atomic():
            Allocation.objects.filter(pk=made.pk).update(**change)
    with pytest.raises(IntegrityError, match="its order stays"), transaction.atomic():
        made.rows.update(repair_order=2)
